"""What a command is given: the book it is about, and words that are looked up."""

from datetime import date
from typing import TYPE_CHECKING

import click

from service_api.ops.calls import Call, wrong_use

if TYPE_CHECKING:
    from service_api.app import Store
    from service_api.log.store import Book


def the_book(call: Call, store: "Store") -> "Book":
    """The book that was named, or the only one."""
    books = store.books()
    if call.origin is not None:
        found = next((b for b in books if b.origin == call.origin), None)
        if found is None:
            wrong_use(f"there is no book {call.origin}; `fettlebook book list` names those there are")
        return found
    if not books:
        wrong_use("there is no book yet: make one with `fettlebook book new ORIGIN`, or try `fettlebook demo`")
    if len(books) > 1:
        wrong_use(
            f"say which book before the command, as in `fettlebook --book {books[0].origin} ...`: "
            + ", ".join(b.origin for b in books)
        )
    return books[0]


pass_call = click.make_pass_decorator(Call)


def _roles() -> tuple[str, ...]:
    from service_api.domain.rights import ROLES

    return ROLES


class RoleName(click.ParamType[str]):
    """One of the roles, looked up only when a command is given one."""

    name = "role"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value not in _roles():
            self.fail(f"{value!r} is no role; one of {', '.join(_roles())}", param, ctx)
        return value


class Day(click.ParamType[str]):
    """A date, as it was typed."""

    name = "date"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return date.fromisoformat(value).isoformat()
        except ValueError:
            self.fail(f"{value!r} is no date such as 2025-01-31", param, ctx)
