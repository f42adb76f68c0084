"""People and their badges."""

from datetime import date
from typing import TYPE_CHECKING

import click

from service_api.cli.given import Day, RoleName, pass_call, the_book
from service_api.ops.calls import Call, changes, opened, stop, wrong_use

if TYPE_CHECKING:
    from service_api.app import Store


@click.group()
def person() -> None:
    """People: an id for the entries, a name beside the log."""


@person.command("add")
@click.argument("ident", metavar="ID")
@click.option("--name", metavar="N", required=True, help="The person's name; it never enters the log.")
@click.option("--role", type=RoleName(), required=True, help="What they do here.")
@click.option("--badge", metavar="TEXT", help="What their badge reads; `new` mints one.")
@click.option("--pin-from", type=click.File(), metavar="FILE", help="Where their PIN stands (- is standard input).")
@changes
def person_add(
    call: Call, store: "Store", ident: str, name: str, role: str, badge: str | None, pin_from: str | None
) -> None:
    """Add a person. The same again changes nothing.

    Example:  fettlebook person add o.tamsley --name "Orrin Tamsley" --role bench --badge new --pin-from pin.txt
    """
    from service_api.directory import people
    from service_api.wire.derive import IDENT

    if not IDENT.fullmatch(ident):
        wrong_use("an id is 1 to 64 of A-Z a-z 0-9 . _ -")
    badge, pin = _badge(badge), _pin(pin_from)
    book = the_book(call, store)
    try:
        with store.writing.begin() as connection:
            done = people.add_person(connection, book.number, ident, name, role, badge=badge, pin=pin)
    except people.Taken as error:
        stop(1, str(error))
    words = f"{name} is {'added' if done == 'added' else 'there already'}."
    said = {"id": ident, "name": name, "role": role} | ({"badge": badge} if badge else {})
    call.say(said, f"{words} Badge: {badge}" if badge else words)


def _badge(text: str | None) -> str | None:
    """The badge as it is, or a new one."""
    from service_api.directory.badges import FORM, mint

    if text == "new":
        return mint()
    if text is not None and not FORM.fullmatch(text):
        wrong_use("a badge is 4 to 64 printable characters, none a space")
    return text


def _pin(text: str | None) -> str | None:
    """The PIN that stood in a file; never an argument, which others on the machine could read."""
    from service_api.directory.pins import FORM

    if text is not None and not FORM.fullmatch(text.strip()):
        wrong_use("a PIN is 4 to 12 digits")
    return None if text is None else text.strip()


@person.command("badge")
@click.argument("ident", metavar="ID")
@click.option("--badge", metavar="TEXT", help="What the new badge reads; `new` mints one.")
@click.option("--pin-from", type=click.File(), metavar="FILE", help="Where the new PIN stands (- is standard input).")
@changes
def person_badge(call: Call, store: "Store", ident: str, badge: str | None, pin_from: str | None) -> None:
    """Give a person another badge, another PIN, or both; they are signed out everywhere.

    Example:  fettlebook person badge o.tamsley --badge new --pin-from -
    """
    from service_api.directory import people

    badge, pin = _badge(badge), _pin(pin_from)
    if badge is None and pin is None:
        wrong_use("say which: --badge, --pin-from, or both")
    book = the_book(call, store)
    try:
        with store.writing.begin() as connection:
            people.give_badge(connection, book.number, ident, badge, pin)
    except (LookupError, people.Taken) as error:
        stop(1, str(error))
    changed = " and ".join(w for w, new in (("badge", badge), ("PIN", pin)) if new)
    said = {"id": ident} | ({"badge": badge} if badge else {})
    call.say(said, f"{ident} has a new {changed}{f': {badge}' if badge else ''}.")


@person.command("print")
@click.argument("ident", metavar="ID")
@click.option("--out", type=click.Path(dir_okay=False, writable=True), metavar="FILE.svg", required=True)
@pass_call
def person_print(call: Call, ident: str, out: str) -> None:
    """Draw a person's badge: Code 128 and QR of the same text, with their name.

    Example:  fettlebook person print o.tamsley --out badge.svg
    """
    from pathlib import Path

    from service_api.directory import people
    from service_api.paper import labels

    with opened(call) as store:
        book = the_book(call, store)
        with store.reading.begin() as connection:
            found = people.find_person(connection, book.number, ident)
    if found is None or found.badge is None:
        stop(1, f"{ident} has no badge; `fettlebook person badge {ident} --badge new` makes one")
    Path(out).write_bytes(labels.badge_svg(found.badge, found.name))
    call.say({"id": ident, "out": out}, f"The badge of {ident} is in {out}.")


@person.command("role")
@click.argument("ident", metavar="ID")
@click.argument("role", type=RoleName())
@click.option("--from", "from_on", type=Day(), required=True, help="First day of the role.")
@changes
def person_role(call: Call, store: "Store", ident: str, role: str, from_on: str) -> None:
    """From a day on a person has another role; earlier days keep the one before.

    Example:  fettlebook person role o.tamsley lead --from 2025-01-01
    """
    from service_api.directory import people

    book = the_book(call, store)
    try:
        with store.writing.begin() as connection:
            people.give_role(connection, book.number, ident, role, date.fromisoformat(from_on))
    except LookupError as error:
        stop(1, str(error))
    call.say({"person": ident, "role": role, "from_on": from_on}, f"{ident} is {role} from {from_on}.")


@person.command("list")
@pass_call
def person_list(call: Call) -> None:
    """Name everybody in the directory."""
    from service_api.directory import people

    with opened(call) as store:
        book = the_book(call, store)
        with store.reading.begin() as connection:
            found = people.people(connection, book.number)
    rows = [{"id": p.id, "name": p.name, "role": p.role, "retired": p.retired} for p in found]
    words = "\n".join(f"{r['id']:<24} {r['role']:<10} {r['name']}{'  (retired)' if r['retired'] else ''}" for r in rows)
    call.say({"people": rows}, words or "There is nobody yet.")


@person.command("retire")
@click.argument("ident", metavar="ID")
@changes
def person_retire(call: Call, store: "Store", ident: str) -> None:
    """Somebody works here no longer; their id and their entries stay."""
    from service_api.directory import people
    from service_api.domain.moments import in_utc

    book = the_book(call, store)
    try:
        with store.writing.begin() as connection:
            people.retire(connection, book.number, ident, in_utc(store.clock()))
    except LookupError as error:
        stop(1, str(error))
    call.say({"retired": ident}, f"{ident} is retired.")
