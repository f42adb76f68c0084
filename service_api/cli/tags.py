"""Minting tags."""

from typing import TYPE_CHECKING

import click

from service_api.cli.given import the_book
from service_api.ops.calls import Call, changes

if TYPE_CHECKING:
    from service_api.app import Store


@click.group("tags")
def tags_group() -> None:
    """Tags: labels that point to a unit for a time."""


@tags_group.command("mint")
@click.argument("count", metavar="N", type=click.IntRange(1, 5000))
@changes
def tags_mint(call: Call, store: "Store", count: int) -> None:
    """Mint N tags, one a line; each is made once and attached to a unit later.

    Example:  fettlebook tags mint 20
    """
    from service_api.directory import minted

    book = the_book(call, store)
    with store.writing.begin() as connection:
        made = minted.mint(connection, book.number, count, store.stamp(book.number))
    call.say({"tags": made}, "\n".join(made))
