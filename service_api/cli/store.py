"""The store as a whole: migrate, redraw, doctor, and the clock that stamps its entries."""

import os
import time
from typing import TYPE_CHECKING

import click

from service_api.cli.given import pass_call, the_book
from service_api.ops.calls import WAITS, Call, changes, stop, wrong_use

if TYPE_CHECKING:
    from service_api.app import Store


@click.command()
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


@click.command()
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
        except LookupError as error:
            stop(1, f"{book.origin} keeps its old rows: {error}; `fettlebook verify` looks further")
        seconds = round(time.perf_counter() - began, 3)
        rows.append({"book": book.origin, **vars(found), "seconds": seconds})
    words = "\n".join(
        f"{r['book']}  {r['entries']} entries, {r['units']} units in {r['seconds']} s; {r['put_right']} rows put right"
        for r in rows
    )
    call.say({"books": rows}, words or "There is no book yet.")


@click.command()
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


@click.group()
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
