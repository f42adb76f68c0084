import pytest

from service_api.log.conformance import check_log
from service_api.log.engines import appending_engine


@pytest.fixture
def appending(postgresql_engine):
    engine = appending_engine(postgresql_engine.url.render_as_string(hide_password=False))
    yield engine
    engine.dispose()


def test_the_server_keeps_every_promise_of_the_log(appending):
    check_log(lambda: appending)
