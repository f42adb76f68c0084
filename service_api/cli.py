"""The command `fettlebook`. Each command imports what it needs when it runs, so that help comes at once.

Exit status: 0 done, 1 found wrong, 2 wrong use, 3 could not run.
"""

import gc
import os
import sys
import time
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from service_api import __version__
from service_api.ops.calls import WAITS, Call, changes, done_for, opened, stop, wrong_use

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
CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.group(context_settings=CONTEXT)
@click.option("--data", metavar="DIR", help="Folder of the database file, keys and attachments [./fettlebook-data].")
@click.option("--book", "origin", metavar="ORIGIN", help="Which book, where the store has several.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON, for a program.")
@click.version_option(__version__, message="%(version)s")
@click.pass_context
def main(context: click.Context, data: str | None, origin: str | None, as_json: bool) -> None:
    """Fettlebook keeps an immutable log of entries per tagged unit, and computes from it what the unit is now.

    Try it:  fettlebook demo
    """
    context.obj = Call(data, origin, as_json)


@main.command()
@click.option("--port", type=click.IntRange(0, 65535), default=8080, show_default=True, help="0 takes a free one.")
@pass_call
def demo(call: Call, port: int) -> None:
    """Fill a scratch book with an invented depot and serve it on this machine.

    A second `demo` serves the book as you left it, with new keys; delete the folder to begin anew.

    Example:  fettlebook --data /tmp/depot demo --port 8080
    """
    from service_api.ops.commands import listening
    from service_api.ops.demo import THEN, prepare, seed

    with opened(call, "demo") as store:
        ready = prepare(store)
        server, address = _listen(store, "127.0.0.1", port)
        unit, then = "SEL-004", THEN.replace("+", "%2B")
        links = {
            "today": f"{address}/bench/?unit={unit}",
            "then": f"{address}/bench/?unit={unit}&true_at={then}",
            "card": f"{address}/v1/units/{unit}/card",
            "card_then": f"{address}/v1/units/{unit}/card?true_at={then}",
            "wear_then": f"{address}/v1/units/{unit}/wear/SEL-BL?true_at={then}",
            "docs": f"{address}/docs",
        }
        enrol = f"{address}/bench/enrol/{ready.enrol_code}"
        answer = {
            "url": address,
            "enrol_url": enrol,
            "book": ready.book.origin,
            "fresh": ready.fresh,
            "entries": ready.entries,
            "tags": ready.tags,
            "tokens": {"admin": ready.admin},
            "badges": [{k: p[k] for k in ("id", "name", "role", "badge", "pin")} for p in seed("depot").PEOPLE],
            "links": links,
        }
        with listening(store, done_for):
            call.say(answer, lambda: _demo_words(answer))
            sys.stdout.flush()
            server.run()


def _demo_words(answer: dict[str, Any]) -> str:
    what = "filled just now" if answer["fresh"] else "as you left it; delete the data folder to begin anew"
    shown = ("SEL-002", "SEL-003", "SEL-004", "SEL-007", "FAC-001")
    tags = "\n".join(f"  {answer['tags'][unit]}  {unit}" for unit in shown)
    badges = "\n".join(f"  {p['badge']}  PIN {p['pin']}  {p['name']}, {p['role']}" for p in answer["badges"])
    links = answer["links"]
    return f"""\
The demo depot is served at {answer["url"]} ({answer["entries"]} entries, {what}).

Bench page   {answer["enrol_url"]}
             open this once in a browser to enrol it, then scan or type a tag:
{tags}
             and sign in there as one of these to sign what you do:
{badges}

SEL-004      {links["today"]}
on 3 December 2024
             {links["then"]}
API in words {links["docs"]}

A token for the API, good for 30 days:
  export TOKEN={answer["tokens"]["admin"]}
  curl -H "Authorization: Bearer $TOKEN" {links["card"]}
  curl -H "Authorization: Bearer $TOKEN" '{links["wear_then"]}'

Stop with Ctrl-C. A second `fettlebook demo` serves this book as you left it, with new keys."""


FORWARDED = {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"}


def _listen(store: "Store", host: str, port: int, proxy: str | None = None) -> tuple[Any, str]:
    """A listening server and its address; the port is bound when this returns.

    proxy : whose word of the caller's address, host and scheme is believed
    """
    from waitress import create_server

    from service_api.app import create_app
    from service_api.ops.processor import keep_to_one
    from service_api.settings import THREADS

    keep_to_one()
    trust = {"trusted_proxy": proxy, "trusted_proxy_headers": FORWARDED} if proxy else {}
    try:
        app = create_app(store)
        server = create_server(app, host=host, port=port, threads=THREADS, ident="fettlebook", **trust)
    except OSError as error:
        stop(3, f"cannot listen on {host}:{port}: {error.strerror or error}")
    return server, f"http://{host}:{server.effective_port}"


@main.command()
@click.option("--host", metavar="H", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8080, show_default=True, help="0 takes a free one.")
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes; on PostgreSQL.")
@click.option("--proxy", metavar="ADDRESS", help="A proxy that serves https in front, such as 127.0.0.1.")
@click.option("--cert", type=click.Path(exists=True, dir_okay=False), metavar="F", help="Serve https by this chain.")
@click.option("--key", type=click.Path(exists=True, dir_okay=False), metavar="F", help="The key of the certificate.")
@pass_call
def serve(call: Call, host: str, port: int, workers: int, proxy: str | None, cert: str | None, key: str | None) -> None:
    """Serve the books of the store until stopped. Benches on other machines want https: docs/https.md.

    Example:  fettlebook --data /var/lib/fettlebook serve --port 8080 --proxy 127.0.0.1
    """
    if (cert or key) and (not cert or not key or proxy):
        wrong_use("--cert and --key go together, and without --proxy")
    if workers > 1 or (cert and key):
        _serve_by_gunicorn(call, host, port, workers, (cert, key) if cert and key else None, proxy)
        return
    gc.disable()  # a start makes much and drops next to nothing: looking for it costs a tenth of the time
    with opened(call, "serve") as store:
        _warn_of_owner(store)
        server, address = _listen(store, host, port, proxy)
        from service_api.ops.commands import listening

        with listening(store, done_for):
            gc.freeze()
            gc.enable()
            call.say({"url": address}, f"Serving {len(store.books())} book(s) at {address}. Stop with Ctrl-C.")
            sys.stdout.flush()
            server.run()


def _serve_by_gunicorn(
    call: Call, host: str, port: int, workers: int, pair: tuple[str, str] | None, proxy: str | None
) -> None:
    """By the extra `server`: waitress speaks no TLS, and is one process."""
    from service_api.app import OneWriter, check_workers
    from service_api.settings import read_settings

    settings = read_settings(os.environ, call.data)
    try:
        check_workers(settings.database, workers)
        from service_api.ops.workers import BadPair, Served, listen, run
    except OneWriter as error:
        stop(3, str(error))
    except ImportError:
        what = "https by --cert and --key wants" if pair else "several workers want"
        stop(3, f"{what} gunicorn: pip install 'fettlebook[server]'")
    with opened(call, "serve") as store:  # trouble with it is told here, before another process opens it
        books = len(store.books())
        _warn_of_owner(store)
    try:
        listener = listen(host, port, pair)
    except BadPair as error:
        stop(3, str(error))
    except OSError as error:
        stop(3, f"cannot listen on {host}:{port}: {error.strerror or error}")
    address = f"{'https' if pair else 'http'}://{host}:{listener.getsockname()[1]}"

    def ready() -> None:
        by = f" by {workers} processes" if workers > 1 else ""
        call.say({"url": address}, f"Serving {books} book(s) at {address}{by}. Stop with Ctrl-C.")
        sys.stdout.flush()

    run(Served(settings, listener, done_for, ready, workers, pair, proxy))


@main.command()
@click.option("--database", metavar="URL", help="The store's URL, as its owner [the store in force].")
@click.option("--service-role", metavar="NAME", help="The role that serves: it may append, and cannot break the seal.")
@pass_call
def migrate(call: Call, database: str | None, service_role: str | None) -> None:
    """Bring the store's tables up to this code.

    On the embedded store `serve` does it when needed; on a server it is a step of its own, run as the tables' owner. A
    role that was named once keeps its rights, on new tables too.

    Example:  fettlebook migrate --database postgresql+psycopg://owner@localhost/shop --service-role fettlebook
    """
    from sqlalchemy.exc import SQLAlchemyError

    from service_api import app
    from service_api.log.engines import is_sqlite
    from service_api.log.holding import Hold, StoreHeld
    from service_api.settings import read_settings

    settings = read_settings(os.environ, call.data)
    url = database or settings.database
    if service_role and is_sqlite(url):
        wrong_use("an SQLite store has no roles: who may write the file may do everything")
    roles = []
    try:
        if is_sqlite(url):
            settings.data.mkdir(mode=0o700, parents=True, exist_ok=True)
            hold = Hold(url, "migrate", WAITS)
            app.migrate(url)
            hold.release()
        else:
            roles = _migrate_server(url, service_role)
    except StoreHeld as error:
        stop(3, f"the store cannot be migrated: {error}; stop it first")
    except (SQLAlchemyError, OSError, ImportError) as error:
        stop(3, f"the store cannot be migrated: {getattr(error, 'orig', None) or error}")
    revision = app.newest_revision()
    words = f"The store is at revision {revision}."
    call.say(
        {"revision": revision, "service_roles": roles}, f"{words} Serving: {', '.join(roles)}." if roles else words
    )


def _migrate_server(url: str, service_role: str | None) -> list[str]:
    """The roles that may serve, once the tables are up to this code."""
    from service_api import app
    from service_api.log.engines import writing_engine
    from service_api.ops.roles import NoRole, grant

    app.migrate(url)
    engine = writing_engine(url)
    try:
        with engine.begin() as connection:
            return grant(connection, service_role)
    except NoRole as error:
        stop(3, str(error))
    finally:
        engine.dispose()


def _warn_of_owner(store: "Store") -> None:
    """Said, not refused: the triggers stop accidents under any role, and the root shows what was done on purpose."""
    from service_api.log.engines import is_sqlite

    if is_sqlite(store.settings.database):
        return
    from service_api.ops.roles import unseals

    with store.reading.connect() as connection:
        if unseals(connection):
            words = "this role could break the seal of the log: serve as another, see `fettlebook migrate --help`"
            click.echo(f"fettlebook: warning: {words}", err=True)


@main.command()
@click.option(
    "--processes",
    metavar="N",
    type=click.IntRange(1, 64),
    default=1,
    show_default=True,
    help="So many draw a share of the units each.",
)
@changes
def redraw(call: Call, store: "Store", processes: int) -> None:
    """Draw everything that is computed from the log anew: one book with --book, or all.

    The log itself is only read. A service may run meanwhile; start it again when rows were put right.

    Example:  fettlebook --data /var/lib/fettlebook redraw --processes 2
    """
    from sqlalchemy.exc import SQLAlchemyError

    from service_api.ops.redraw import Redrawn
    from service_api.ops.redraw import redraw as drawn_again

    rows = []
    for book in store.books() if call.origin is None else [the_book(call, store)]:
        began = time.perf_counter()
        try:
            with call.progress(book.origin, store.answers(book.number).size()) as further:
                found: Redrawn = drawn_again(store, book, further, processes=processes)
        except SQLAlchemyError as error:
            stop(3, f"{book.origin} keeps its old rows: {getattr(error, 'orig', None) or error}")
        seconds = round(time.perf_counter() - began, 3)
        rows.append({"book": book.origin, **vars(found), "seconds": seconds})
    words = "\n".join(
        f"{r['book']}  {r['entries']} entries, {r['units']} units in {r['seconds']} s; {r['put_right']} rows put right"
        for r in rows
    )
    call.say({"books": rows}, words or "There is no book yet.")


@main.command()
@pass_call
def doctor(call: Call) -> None:
    """Look at this installation: settings, libraries, folder, store, clock. Nothing is changed.

    Exit status 1 when something is wrong; NOT JUDGED is said of what cannot be looked at from here.

    Example:  fettlebook --data /var/lib/fettlebook doctor
    """
    from service_api.ops.doctor import examine
    from service_api.settings import SettingsError, read_settings

    try:
        found = examine(read_settings(os.environ, call.data), os.environ)
    except SettingsError as error:
        wrong_use(str(error))
    except OSError as error:
        stop(3, f"nothing could be looked at: {error}")
    wrong = [f for f in found if f.status == "wrong"]
    words = "\n".join(
        f"{f.status.upper():<10}  {f.what}: {f.says}" + (f"\n{'':<12}{f.do}" if f.do else "") for f in found
    )
    call.say({"wrong": len(wrong), "findings": [vars(f) for f in found]}, words)
    if wrong:
        stop(1, f"{len(wrong)} wrong: {', '.join(f.what for f in wrong)}")


@main.group()
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


@main.group()
def token() -> None:
    """Tokens: what programs carry in `Authorization: Bearer`."""


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


@main.group()
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


@main.group()
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


@main.group()
def clock() -> None:
    """The machine's clock, which stamps every entry."""


@clock.command("confirm")
@changes
def clock_confirm(call: Call, store: "Store") -> None:
    """Say that the machine's clock is right: writing goes on after it was set, or after it ran ahead.

    Look at the clock first. It counts for the book named with --book, or for all.

    Example:  fettlebook clock confirm
    """
    from service_api.domain.moments import in_utc

    books = store.books() if call.origin is None else [the_book(call, store)]
    now = in_utc([store.confirm_clock(book) for book in books][-1]) if books else in_utc(store.clock())
    call.say({"confirmed_at": now, "books": [b.origin for b in books]}, f"The clock is right: it says {now}.")


@main.group()
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


@main.group("tags")
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


if __name__ == "__main__":
    main(prog_name="fettlebook")
