"""Books, and the keys that sign their checkpoints."""

from typing import TYPE_CHECKING

import click

from service_api.cli.given import pass_call, the_book
from service_api.ops.calls import Call, changes, opened, stop, wrong_use

if TYPE_CHECKING:
    from service_api.app import Store


@click.group()
def book() -> None:
    """Books: one log each, with its own origin, days and people."""


@book.command("new")
@click.argument("origin")
@click.option(
    "--zone",
    metavar="Z",
    envvar="FETTLEBOOK_ZONE",
    help="Offset or zone name in which the book's days begin [FETTLEBOOK_ZONE, UTC].",
)
@changes
def book_new(call: Call, store: "Store", origin: str, zone: str | None) -> None:
    """Make an empty book. ORIGIN is its name for ever, such as shop.example/main.

    Example:  fettlebook book new shop.example/main --zone +01:00
    """
    zone = zone or store.settings.zone
    if not origin.isprintable() or any(c.isspace() or c == "+" for c in origin) or not origin:
        wrong_use("an origin is one word without spaces or plus signs, such as shop.example/main")
    try:
        made = store.new_book(origin, zone)
    except ValueError as error:
        wrong_use(str(error))
    call.say({"origin": made.origin, "zone": made.zone}, f"The book {made.origin} is ready; its days begin in {zone}.")


@book.command("list")
@pass_call
def book_list(call: Call) -> None:
    """Name the books of the store."""
    with opened(call) as store:
        rows = [
            {"origin": b.origin, "zone": b.zone, "entries": store.answers(b.number).size(), "simulated": b.simulated}
            for b in store.books()
        ]
    words = "\n".join(f"{r['origin']}  {r['entries']} entries, days in {r['zone']}" for r in rows)
    call.say({"books": rows}, words or "There is no book yet.")


@click.group()
def key() -> None:
    """Keys: what signs the checkpoints of a book, in a file beside the database that its owner alone can read."""


@key.command("new")
@changes
def key_new(call: Call, store: "Store") -> None:
    """Make the book's first key. On the embedded store the first checkpoint does it when needed.

    Example:  fettlebook key new
    """
    _take_key(call, store, first=True)


@key.command("rotate")
@changes
def key_rotate(call: Call, store: "Store") -> None:
    """Sign with a new key from now on. What the old ones signed is still checked with their public keys.

    Hand the new public key to everybody who checks this book.

    Example:  fettlebook key rotate
    """
    _take_key(call, store, first=False)


def _take_key(call: Call, store: "Store", first: bool) -> None:
    from service_api.domain.moments import in_utc
    from service_api.log.keys import KeyTrouble

    book = the_book(call, store)
    keys, since = store.keys(book), in_utc(store.stamp(book.number))
    try:
        made = keys.make(since) if first else keys.rotate(since)
    except KeyTrouble as trouble:
        stop(1, str(trouble))
    call.say({"book": book.origin, "key": str(made), "since": since}, f"{book.origin} signs with\n{made}")


@key.command("witness")
@click.argument("witness", metavar="KEY")
@click.option("--forget", is_flag=True, help="No longer keep what the witness of this name (or key) signs.")
@changes
def key_witness(call: Call, store: "Store", witness: str, forget: bool) -> None:
    """Keep and show what a witness signs: KEY is its public key, as `fettlebook-audit watch` prints it.

    Its line then stands beside the book's own on the checkpoints that it has signed.

    Example:  fettlebook key witness 'witness.example+1a2b3c4d+BA...'
    """
    from service_api.log.keys import KeyTrouble
    from service_api.log.notes import COSIGNATURE, NoteError, read_verifier

    keys = store.keys(the_book(call, store))
    try:
        if forget:
            keys.forget(witness.partition("+")[0])
        else:
            keys.trust(read_verifier(witness.strip(), COSIGNATURE))
        names = [each.name for each in keys.witnesses()]
    except NoteError as error:
        wrong_use(str(error))
    except KeyTrouble as trouble:
        stop(1, str(trouble))
    call.say({"book": keys.origin, "witnesses": names}, f"{keys.origin} has the witnesses {', '.join(names) or 'none'}")


@key.command("list")
@pass_call
def key_list(call: Call) -> None:
    """Print the public keys of the book, the one in force last: hand them to who checks its checkpoints.

    Exit status 1 when the secret key cannot be used.

    Example:  fettlebook key list
    """
    from service_api.log.keys import KeyTrouble

    with opened(call) as store:
        keys = store.keys(the_book(call, store))
    try:
        found = keys.published()
        signer = keys.signer()
    except KeyTrouble as trouble:
        stop(1, str(trouble))
    in_force = signer.verifier if signer else None
    rows = [{"key": str(p.verifier), "since": p.since, "in_force": p.verifier == in_force} for p in found]
    words = "\n".join(f"{r['key']}  since {r['since']}{', in force' if r['in_force'] else ''}" for r in rows)
    call.say({"keys": rows}, words or "The book has no key yet.")
