from service_api.log.conformance import check_log


def test_the_server_keeps_every_promise_of_the_log(postgresql_engine):
    check_log(lambda: postgresql_engine)
