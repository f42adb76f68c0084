from service_api.log.conformance import check_log
from service_api.log.engines import writing_engine


def test_the_embedded_store_keeps_every_promise_of_the_log(store):
    check_log(lambda: store.writing)


def test_every_promise_is_kept_by_a_second_process_on_the_same_file(store):
    """A new engine each time: nothing rests on what one connection remembers."""
    engines = []

    def connect():
        engines.append(writing_engine(store.settings.database))
        return engines[-1]

    try:
        check_log(connect)
    finally:
        for engine in engines:
            engine.dispose()


def test_an_acknowledged_entry_is_on_disk_and_readers_do_not_wait(store):
    """https://www.sqlite.org/pragma.html: synchronous 2 is FULL. A reading connection cannot write."""
    with store.writing.connect() as connection:
        assert 2 == connection.exec_driver_sql("PRAGMA synchronous").scalar()
        assert "wal" == connection.exec_driver_sql("PRAGMA journal_mode").scalar()
    with store.reading.connect() as connection:
        assert 1 == connection.exec_driver_sql("PRAGMA query_only").scalar()
