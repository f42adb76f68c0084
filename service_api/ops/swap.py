"""Rows drawn beside the real ones, and put in their place in one transaction."""

from collections.abc import Iterable

from sqlalchemy import Connection, MetaData, Table, and_, delete, exists, func, insert, select
from sqlalchemy.schema import CreateTable

from service_api.log import tables as log_tables
from service_api.projections import tables

CUT = (tables.stretch, tables.stretch_cell)
DRAWN = tuple(t for t in tables.metadata.sorted_tables if t not in CUT)
TEMPORARY = {"sqlite": "temp", "postgresql": "pg_temp"}


def held_size(connection: Connection, book: int) -> int:
    """How far the book has come, with its head held: no append comes by until the transaction ends."""
    head = log_tables.log_head
    return int(connection.execute(select(head.c.size).where(head.c.book == book).with_for_update()).scalar_one())


def forget_cuts(connection: Connection, book: int) -> None:
    """Where a page was cut depends on how its entries came: it is forgotten, and a page is cut again when need be."""
    for table in CUT:
        connection.execute(delete(table).where(table.c.book == book))


class Swap:
    """Real tables of the projections, and temporary ones that hide them from this connection."""

    def __init__(self, connection: Connection, book: int, drawn: Iterable[Table] = DRAWN) -> None:
        self.connection, self.book = connection, book
        sqlite = connection.dialect.name == "sqlite"
        real = "main" if sqlite else str(connection.execute(select(func.current_schema())).scalar_one())
        self.pairs: list[tuple[Table, Table]] = []
        for table in drawn:
            beside = table.to_metadata(MetaData(), schema=TEMPORARY[connection.dialect.name])
            connection.execute(CreateTable(beside))
            self.pairs.append((table.to_metadata(MetaData(), schema=real), beside))

    def change(self) -> int:
        """Make the book's real rows those that were drawn; how many were not."""
        forget_cuts(self.connection, self.book)
        return sum(self._change(old, new) for old, new in self.pairs)

    def _change(self, old: Table, new: Table) -> int:
        if self._equal(old, new):
            return 0
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        wrong = delete(old).where(old.c.book == self.book, ~exists(select(1).select_from(new).where(same)))
        gone = self.connection.execute(wrong).rowcount
        there = exists(select(1).select_from(old).where(same))
        fresh = insert(old).from_select([c.name for c in new.columns], select(new).where(~there))
        return max(gone, self.connection.execute(fresh).rowcount)

    def differing(self) -> dict[str, tuple[int, str]]:
        """By table, how many rows are wrong, missing or too many, and the key of one of them."""
        return {old.name: found for old, new in self.pairs if (found := self._differing(old, new)) is not None}

    def _differing(self, old: Table, new: Table) -> tuple[int, str] | None:
        if self._equal(old, new):
            return None
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        wrong = select(old).where(old.c.book == self.book, ~exists(select(1).select_from(new).where(same)))
        lacking = select(new).where(~exists(select(1).select_from(old).where(same)))
        sides = [list(self.connection.execute(query).mappings()) for query in (wrong, lacking)]
        one = (sides[0] or sides[1])[0]
        key = ", ".join(f"{c.name} {one[c.name]}" for c in old.primary_key if c.name != "book") or f"book {self.book}"
        return max(map(len, sides)), key

    def agrees(self) -> bool:
        return all(self._equal(old, new) for old, new in self.pairs)

    def _equal(self, old: Table, new: Table) -> bool:
        """Whether no row differs: one look for each row, where taking out and putting in look twice."""
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        both = select(func.count()).select_from(old.join(new, same)).where(old.c.book == self.book)
        here = select(func.count()).select_from(old).where(old.c.book == self.book)
        there = select(func.count()).select_from(new)
        counts = {int(self.connection.execute(q).scalar_one()) for q in (here, there, both)}
        return len(counts) == 1
