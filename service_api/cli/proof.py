"""What a book proves, from the inside: `verify`."""

import os
from typing import TYPE_CHECKING, Any

import click

from service_api.cli.given import the_book
from service_api.ops.calls import Call, looks, stop

if TYPE_CHECKING:
    from service_api.app import Store


class Papers(click.ParamType):  # type: ignore[type-arg]
    """A file in somebody's hand, read where the command is given: its name and text."""

    name = "file"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[str]:
        from service_api.ops.remembered import LONGEST

        try:
            with open(value, "rb") as file:
                return [os.path.basename(value), file.read(LONGEST + 1).decode("utf-8", "replace")]
        except OSError as error:
            self.fail(f"{value}: {error.strerror}")


@click.command()
@click.option(
    "--against",
    type=Papers(),
    multiple=True,
    metavar="FILE",
    help="A certificate (JSON) or checkpoint (text) that somebody kept; repeatable.",
)
@click.option("--quick", is_flag=True, help="Leaves, tree, indexes and numbers only.")
@looks
def verify(call: Call, store: "Store", against: list[list[str]], quick: bool) -> None:
    """Look for everything that is not as it was recorded: the log, its head and seal, and what hangs on it.

    Nothing is changed. What leaves no trace inside is said to need an outside memory: hand it in with --against. Exit
    status 1 when something is wrong.

    Not proved: what a receipt said beside its leaf, the directory (names, rights) and the settings of a book.

    Example:  fettlebook verify --against certificate.json
    """
    from service_api.log.keys import KeyTrouble
    from service_api.log.notes import NoteError
    from service_api.ops import verify as inside
    from service_api.ops.remembered import NoPaper, read_paper
    from service_api.ops.wrongs import told

    rows: list[dict[str, Any]] = []
    words: list[str] = []
    hows: list[str] = []
    every = [] if call.origin or against else store.books()
    for book in every or [the_book(call, store)]:
        try:
            known = [p.verifier for p in store.keys(book).published()]
            papers = [read_paper(name, text, book.origin, known) for name, text in against]
        except (NoPaper, NoteError, KeyTrouble) as error:
            stop(1, f"{'badly signed' if isinstance(error, NoteError) else 'damaged'}: {error}")
        with call.progress(book.origin, inside.read_head(store.quickly, book)[0]) as further:
            found = inside.verify(store, book, papers, quick, further)
        rows.append(
            {
                "book": book.origin,
                "entries": found.entries,
                "faults": [w.as_json() for w in found.wrongs],
                "needs_outside_memory": found.needs_memory,
            }
        )
        hows += [wrong.how for wrong in found.wrongs]
        count = f"{len(found.wrongs) or 'no'} fault{'' if len(found.wrongs) == 1 else 's'}"
        words += [f"{book.origin}: {found.entries} entries, {count}", *told(found.wrongs)]
        words += [f"NEEDS AN OUTSIDE MEMORY ({what}): {says}" for what, says in found.needs_memory.items()]
    call.say({"books": rows}, "\n".join(words))
    if hows:
        stop(1, f"{len(hows)} wrong: {', '.join(dict.fromkeys(hows))}")
