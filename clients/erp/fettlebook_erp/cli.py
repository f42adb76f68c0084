"""The command `fettlebook-erp`.

Exit status: 0 done, 1 found wrong, 2 wrong use, 3 could not run. What is wrong is the last line on stderr and ends
with the cause.
"""

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn
from urllib.parse import urlsplit

import click

from fettlebook_erp import __version__
from fettlebook_erp.trouble import CouldNotRun, FoundWrong

if TYPE_CHECKING:
    from sqlalchemy import URL

    from fettlebook_erp.lines import LinesSink
    from fettlebook_erp.tables import TablesSink

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}
MOST_ROWS = 500  # the service gives no more on a page


def stop(status: int, words: str) -> NoReturn:
    click.echo(f"fettlebook-erp: {' '.join(words.split())}", err=True)
    sys.exit(status)


@contextmanager
def told() -> Iterator[None]:
    """Trouble inside ends the command with its status and its cause."""
    from sqlalchemy.exc import SQLAlchemyError

    try:
        yield
    except FoundWrong as error:
        stop(1, str(error))
    except CouldNotRun as error:
        stop(3, str(error))
    except SQLAlchemyError as error:
        stop(3, f"the database does not work: {getattr(error, 'orig', None) or error}")
    except ImportError as error:
        stop(3, f"the database's driver is not installed: {error}")
    except OSError as error:
        stop(3, f"the file cannot be used: {error}")


def read_url(_context: click.Context, _option: click.Parameter, text: str) -> str:
    """The service's address. It carries no secret: arguments are seen by everybody on the machine."""
    try:
        parts = urlsplit(text)
        _ = parts.port
    except ValueError as error:
        raise click.BadParameter(f"no address: {error}") from None
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.query or parts.fragment:
        raise click.BadParameter("an address such as https://fettlebook.example is wanted")
    if "@" in parts.netloc:
        raise click.BadParameter("no name or password in the address; the token comes from --token-file")
    return text


def read_to(_context: click.Context, _option: click.Parameter, text: str) -> "Path | URL":
    """A file's path, or a database's URL where there is a `://` in it."""
    if "://" not in text:
        path = Path(text)
        if path.is_dir() or not path.parent.is_dir():
            raise click.BadParameter("a file in a folder that is there is wanted")
        return path
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        return make_url(text)
    except (ArgumentError, ValueError) as error:
        raise click.BadParameter(f"no URL of a database: {error}") from None


def read_token(file: Path | None) -> str:
    """The token of the file, or of FETTLEBOOK_TOKEN."""
    if file is not None:
        text, source = file.read_text("utf-8", errors="replace"), str(file)
    else:
        text, source = os.environ.get("FETTLEBOOK_TOKEN", ""), "FETTLEBOOK_TOKEN"
    text = text.strip()
    if not text:
        raise click.UsageError(f"there is no token: {source} is empty; give --token-file or set FETTLEBOOK_TOKEN")
    if not (text.isascii() and text.isprintable() and " " not in text):
        raise click.UsageError(f"no token: {source} holds more than one word of plain letters")
    return text


def open_sink(to: "Path | URL") -> "LinesSink | TablesSink":
    if isinstance(to, Path):
        from fettlebook_erp.lines import LinesSink

        return LinesSink(to)
    from fettlebook_erp.tables import TablesSink

    return TablesSink(to)


def shown(to: "Path | URL") -> str:
    return str(to) if isinstance(to, Path) else to.render_as_string(hide_password=True)


def say(as_json: bool, value: dict[str, Any], words: Callable[[], str]) -> None:
    click.echo(json.dumps(value, ensure_ascii=False) if as_json else words())


to_option = click.option(
    "--to",
    metavar="FILE|URL",
    required=True,
    callback=read_to,
    envvar="FETTLEBOOK_ERP_TO",
    show_envvar=True,
    help="A file of JSON Lines, or a database as SQLAlchemy writes it: sqlite:///erp.db.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Answer in JSON, for a program.")


@click.group(context_settings=CONTEXT)
@click.version_option(__version__, message="%(version)s")
def main() -> None:
    """Pull what changed in a Fettlebook into a file or a database, each change exactly once."""


@main.command()
@click.option("--url", metavar="URL", required=True, callback=read_url, help="Where the Fettlebook is.")
@click.option(
    "--token-file",
    metavar="FILE",
    type=click.Path(exists=True, dir_okay=False, readable=True, path_type=Path),
    help="A file that holds the token [else the variable FETTLEBOOK_TOKEN].",
)
@to_option
@click.option("--once/--follow", default=True, help="End where the book ends, or stay for what comes.  [once]")
@click.option(
    "--limit",
    type=click.IntRange(1, MOST_ROWS),
    default=200,
    show_default=True,
    help="Changes on one page: what is held in memory and stored at a time.",
)
@click.option(
    "--patience",
    metavar="SECONDS",
    type=click.FloatRange(0, 86400),
    default=60,
    show_default=True,
    help="How long a call that finds the service away or busy is tried again.",
)
@json_option
def pull(
    url: str, token_file: Path | None, to: "Path | URL", once: bool, limit: int, patience: float, as_json: bool
) -> None:
    """Take every change since the last pull. It may be killed at any moment and started again.

    Example:  fettlebook-erp pull --url https://fettlebook.example --token-file token --to changes.jsonl
    """
    token = read_token(token_file)
    from fettlebook_erp.pulling import Pulled
    from fettlebook_erp.pulling import pull as pull_all
    from fettlebook_erp.service import Service

    signal.signal(signal.SIGTERM, signal.default_int_handler)
    done = Pulled()
    with told(), open_sink(to) as sink, Service(url, token, patience) as service:
        try:
            pull_all(service, sink, limit, done, follow=not once)
        except KeyboardInterrupt:  # how a follower ends; every page that was stored stays
            if once:
                raise CouldNotRun(f"stopped after {done.changes} changes: interrupted") from None
        place = sink.place
        answer = {
            "to": shown(to),
            "changes": done.changes,
            "read_again": done.read_again,
            "cursor": place.start,
            "generation": place.generation,
        }
        again = ", all of them again under new rules" if done.read_again else ""
        say(as_json, answer, lambda: f"{done.changes} changes to {shown(to)}{again}; the cursor is {place.start}.")


@main.command()
@to_option
@json_option
def status(to: "Path | URL", as_json: bool) -> None:
    """Say how far the pull has come; the service is not asked, nothing is touched.

    Example:  fettlebook-erp status --to sqlite:///erp.db
    """
    from fettlebook_erp import lines, tables

    with told():
        found = lines.status(to) if isinstance(to, Path) else tables.status(to)
        say(as_json, found, lambda: "\n".join(f"{name:<21}{_plain(value)}" for name, value in found.items()))


def _plain(value: Any) -> str:
    if value is None:
        return "none yet"
    return ("no", "yes")[value] if isinstance(value, bool) else str(value)
