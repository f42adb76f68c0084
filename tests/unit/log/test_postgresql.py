import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service_api.log.conformance import check_log
from service_api.log.engines import appending_engine
from service_api.log.postgresql import TYPES, line_of


@pytest.fixture
def appending(server_database):
    engine = appending_engine(server_database)
    yield engine
    engine.dispose()


@pytest.fixture
def line(appending):
    with appending.connect() as connection:
        yield line_of(connection)


def test_the_server_keeps_every_promise_of_the_log(appending):
    check_log(lambda: appending)


# https://www.postgresql.org/docs/current/datatype-character.html: the server's text holds no zero character
TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)))
VALUES = {
    "boolean": (16, st.booleans()),
    "bytea": (17, st.binary()),
    "bigint": (20, st.integers(-(2**63), 2**63 - 1)),
    "integer": (23, st.integers(-(2**31), 2**31 - 1)),
    "text": (25, TEXT),
}


@pytest.mark.parametrize("name", VALUES)
def test_values_come_back_as_they_went_alone_and_in_columns(name, line):
    """The server's own text of each is compared with psycopg's, so that both ways cannot be wrong alike."""
    oid, one = VALUES[name]

    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(one | st.none(), max_size=20))
    def there_and_back(values):
        assert [(v,) for v in values] == line.rows(f"SELECT * FROM unnest(CAST(? AS {TYPES[oid].name}[]))", (values,))
        for value in values[:3]:
            theirs = line._driver.execute(f"SELECT CAST(%s AS {name})::text", (value,)).fetchall()
            assert [(value, theirs[0][0])] == line.rows(f"SELECT ?::{name}, CAST(?::{name} AS text)", (value, value))

    there_and_back()


def test_with_the_first_statement_that_fails_the_rest_is_not_begun_and_the_line_goes_on(line):
    line.rows("CREATE TEMPORARY TABLE said (word text PRIMARY KEY)")
    put = "INSERT INTO said VALUES (?)"
    with pytest.raises(psycopg.errors.UniqueViolation):
        line.together([("BEGIN", ()), (put, ("a",)), (put, ("a",)), (put, ("b",)), ("COMMIT", ())])
    assert psycopg.pq.TransactionStatus.INERROR == line._driver.info.transaction_status
    line.rows("ROLLBACK")
    line.together([("BEGIN", ()), (put, ("c",)), ("COMMIT", ())])
    assert [("c",)] == line.rows("SELECT word FROM said ORDER BY word")


def test_a_roll_back_by_the_driver_leaves_what_was_prepared(line):
    line.rows("SELECT ?::bigint", (1,))
    for _ in range(8):  # psycopg prepares by itself from the fifth time on
        line._driver.execute("SELECT 1")
    line.rows("BEGIN")
    line._driver.rollback()
    assert [(2,)] == line.rows("SELECT ?::bigint", (2,))
