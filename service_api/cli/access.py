"""Who may ask: tokens of programs, and enrolled devices."""

from typing import TYPE_CHECKING

import click

from service_api.cli.given import RoleName, pass_call, the_book
from service_api.ops.calls import Call, changes, opened, stop, wrong_use

if TYPE_CHECKING:
    from service_api.app import Store


@click.group()
def token() -> None:
    """Tokens: what programs carry in `Authorization: Bearer`."""


@token.command("new")
@click.option("--role", type=RoleName(), required=True, help="What it may do.")
@click.option("--person", metavar="ID", help="The person that entries sent with it carry.")
@click.option("--party", metavar="ID", help="The party whose own units it may see (role customer).")
@click.option("--name", metavar="N", help="What it is for.")
@click.option("--days", type=click.IntRange(1, 3650), help="How long it is good [until revoked].")
@changes
def token_new(
    call: Call, store: "Store", role: str, person: str | None, party: str | None, name: str | None, days: int | None
) -> None:
    """Make a token. It is the last line printed, shown this once and stored only as a digest.

    Example:  fettlebook token new --role bench --name "tablet 3" --days 365
    """
    from service_api.directory import people, tokens

    book = the_book(call, store)
    with store.writing.begin() as connection:
        if person and people.find_person(connection, book.number, person) is None:
            wrong_use(f"nobody is called {person}; add them with `fettlebook person add`")
        if party and party not in {p.id for p in people.parties(connection, book.number)}:
            wrong_use(f"no party is called {party}")
        made, text = tokens.new_token(
            connection, book.number, role, store.stamp(book.number), person=person, party=party, name=name, days=days
        )
    call.say({"id": made.id, "role": role, "expires_at": made.expires_at, "token": text}, text)


@token.command("list")
@pass_call
def token_list(call: Call) -> None:
    """Name the book's tokens and the hour of their last use; the secrets are nowhere to be read."""
    from service_api.directory import tokens

    with opened(call) as store:
        book = the_book(call, store)
        with store.reading.begin() as connection:
            found = tokens.tokens(connection, book.number)
    names = ("id", "role", "person", "party", "device", "name", "made_at", "expires_at", "revoked_at", "last_used_at")
    rows = [{n: getattr(t, n) for n in names} for t in found]
    words = "\n".join(
        f"{r['id']}  {r['role']:<9} {r['name'] or ''}{'  revoked' if r['revoked_at'] else ''}"
        f"  last used {r['last_used_at'] or 'never'}"
        for r in rows
    )
    call.say({"tokens": rows}, words or "There is no token yet.")


@token.command("revoke")
@click.argument("ident", metavar="ID")
@changes
def token_revoke(call: Call, store: "Store", ident: str) -> None:
    """Make a token worth nothing from the next request on."""
    from service_api.directory import tokens

    book = the_book(call, store)
    with store.writing.begin() as connection:
        done = tokens.revoke(connection, book.number, ident, store.clock())
    if not done:
        stop(1, f"no live token is called {ident}")
    call.say({"revoked": ident}, f"The token {ident} is revoked.")


@click.group()
def device() -> None:
    """Bench devices: a browser that was enrolled once and holds a cookie."""


@device.command("enrol")
@click.argument("name")
@click.option("--url", metavar="URL", default="http://127.0.0.1:8080", show_default=True, help="Where it is served.")
@changes
def device_enrol(call: Call, store: "Store", name: str, url: str) -> None:
    """Make a one-time link that enrols a browser as a bench device. It is good for an hour.

    Example:  fettlebook device enrol "bench 2, Kelderwick" --url https://shop.example
    """
    from service_api.directory import tokens

    book = the_book(call, store)
    with store.writing.begin() as connection:
        made, code, until = tokens.enrol(connection, book.number, name, store.stamp(book.number))
    link = f"{url.rstrip('/')}/bench/enrol/{code}"
    call.say({"device": made.id, "enrol_url": link, "until": until}, f"Open once on the device, until {until}:\n{link}")


@device.command("list")
@pass_call
def device_list(call: Call) -> None:
    """Name the enrolled devices."""
    from service_api.directory import tokens

    with opened(call) as store:
        book = the_book(call, store)
        with store.reading.begin() as connection:
            found = tokens.devices(connection, book.number)
    rows = [{"device": d.id, "name": d.name, "made_at": d.made_at, "revoked_at": d.revoked_at} for d in found]
    words = "\n".join(f"{r['device']}  {r['name']}{'  revoked' if r['revoked_at'] else ''}" for r in rows)
    call.say({"devices": rows}, words or "No device is enrolled.")


@device.command("revoke")
@click.argument("ident", metavar="ID")
@changes
def device_revoke(call: Call, store: "Store", ident: str) -> None:
    """Make a device's cookie worth nothing from the next request on."""
    from service_api.directory import tokens

    book = the_book(call, store)
    with store.writing.begin() as connection:
        done = tokens.revoke_device(connection, book.number, ident, store.clock())
    if not done:
        stop(1, f"no live device is called {ident}")
    call.say({"revoked": ident}, f"The device {ident} is revoked.")
