"""Nothing is put on top of a head that was altered beneath the service: what follows would stand under a wrong root."""

import pytest
from sqlalchemy import text

from service_api.log import store as log
from tests import factories as make

pytestmark = pytest.mark.usefixtures("standing_unit")


@pytest.fixture
def alter(store, book):
    def flip_a_bit(member):
        """One bit of the first byte; done twice it is as it was."""
        with store.writing.begin() as connection:
            where = {"book": book.number}
            kept = connection.execute(text(f"SELECT {member} FROM log_head WHERE book = :book"), where).scalar_one()
            where["new"] = bytes([kept[0] ^ 1]) + bytes(kept[1:])
            connection.execute(text(f"UPDATE log_head SET {member} = :new WHERE book = :book"), where)

    return flip_a_bit


def size(store, book):
    with store.reading.connect() as connection:
        return log.read_head(connection, book.number).size


@pytest.mark.parametrize("member", ("edge", "root"))
def test_a_start_on_an_altered_head_writes_nothing_until_it_is_right(member, store, book, post, client, alter):
    before = size(store, book)
    alter(member)
    store._recorders.clear()  # as after a start
    for _ in range(2):
        refused = post(make.reading("0.12"))
        assert (503, "busy") == (refused.status_code, refused.json["type"].rpartition("/")[2])
        assert "the root is not that of the edge" in refused.json["detail"]
    assert 503 == client.get("/readyz").status_code
    assert before == size(store, book)
    alter(member)
    assert 201 == post(make.reading("0.12")).status_code
    assert 200 == client.get("/readyz").status_code


def test_an_edge_that_is_altered_while_the_service_runs_is_not_built_upon(store, book, post, alter):
    before, answer = size(store, book), post(make.reading("0.11"))
    assert 201 == answer.status_code
    alter("edge")
    answer = post(make.reading("0.12"))
    if store.writing.dialect.name == "sqlite":
        assert (503, before + 1) == (answer.status_code, size(store, book))
    with store.reading.connect() as connection:
        head = log.read_head(connection, book.number)
        root = connection.execute(text("SELECT root FROM log_head WHERE book = :book"), {"book": book.number})
        built = head.frontier.root() == bytes(root.scalar_one())
    assert built == (answer.status_code == 201)  # a server's head was compared, and written from what is remembered
