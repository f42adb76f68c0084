"""What every command has: how it was called, how it answers and stops, and the store it is done to.

A command that changes an embedded store is done by the process that holds it, or here when nobody does.
"""

import functools
import json
import logging
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

import click

if TYPE_CHECKING:
    from service_api.app import Store

WAITS = 10  # seconds that a command waits for another one to be done with the store


@dataclass
class Call:
    """What was said before the command's name.

    send : where the command's words go when it is done for another process
    """

    data: str | None
    origin: str | None
    as_json: bool
    send: Callable[[dict[str, Any]], None] | None = None

    def say(self, value: Any, words: Callable[[], str] | str) -> None:
        """The answer: as JSON for a program, in words for a person."""
        said = words() if callable(words) and not self.as_json else words
        text = json.dumps(value, ensure_ascii=False) if self.as_json else str(said)
        if self.send is None:
            click.echo(text)
        else:
            self.send({"said": text})

    @contextmanager
    def progress(self, label: str, length: int) -> Iterator[Callable[[int], None]]:
        """A bar on stderr where a person sees it, nothing elsewhere; call what is given with every advance."""
        send = self.send
        if send is not None:
            send({"label": label, "length": length})
            yield lambda further: send({"further": further})
        elif sys.stderr.isatty():
            with click.progressbar(length=length, label=label, file=sys.stderr) as bar:
                yield bar.update
        else:
            yield lambda _: None


class Stop(click.ClickException):
    """What is wrong, for the last line of stderr, and the exit status."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.exit_code = status  # type: ignore[misc]

    def show(self, file: Any = None) -> None:
        click.echo(f"fettlebook: {self.message}", file=file, err=file is None)


def stop(status: int, words: str) -> NoReturn:
    raise Stop(status, words)


def wrong_use(words: str) -> NoReturn:
    stop(2, words)


@contextmanager
def opened(call: Call, doing: str = "") -> Iterator["Store"]:
    """The store of this call, held when something is done to it. Trouble in opening it is exit status 3."""
    from service_api.log.holding import StoreHeld

    try:
        store = _open(call, doing)
    except StoreHeld as error:
        stop(3, f"the store cannot be opened: {error}")
    try:
        yield store
    finally:
        store.close()


def _open(call: Call, doing: str, **more: Any) -> "Store":
    """Raises StoreHeld; all other trouble ends the command."""
    from sqlalchemy.exc import DBAPIError

    from service_api.app import Store, StoreBehind
    from service_api.settings import SettingsError, read_settings

    try:
        return Store(read_settings(os.environ, call.data), doing=doing, **more)
    except SettingsError as error:
        wrong_use(str(error))
    except (DBAPIError, StoreBehind, OSError) as error:
        stop(3, f"the store cannot be opened: {getattr(error, 'orig', None) or error}")


# What is done to a store: here when nobody holds it, else by the process that does

Body = Callable[..., None]
CHANGES: dict[str, Body] = {}


def changes(body: Body, makes: bool = True) -> Callable[..., None]:
    """A command that changes the store: `body(call, store, ...)`. What it is given besides is what JSON can say; a file
    is read before, where the command was given.

    makes : an embedded store where there is none yet
    """
    name = body.__name__
    CHANGES[name] = body

    @click.pass_context
    @functools.wraps(body)
    def command(context: click.Context, /, **given: Any) -> None:
        given = {k: v.read() if hasattr(v, "read") else v for k, v in given.items()}
        call = context.find_object(Call)
        assert call is not None
        if not makes:
            _has_store(call)
        store = _open_or_ask(call, name, given)
        if store is not None:
            try:
                _do(body, call, store, given)
            finally:
                store.close()

    return command


def looks(body: Body) -> Callable[..., None]:
    """A command that looks at a store as `changes` do, where there is one."""
    return changes(body, makes=False)


def _has_store(call: Call) -> None:
    from service_api.log.engines import is_sqlite, is_there
    from service_api.settings import SettingsError, read_settings

    try:
        settings = read_settings(os.environ, call.data)
    except SettingsError as error:
        wrong_use(str(error))
    if is_sqlite(settings.database) and not is_there(settings.database):
        wrong_use(f"there is no store in {settings.data}")


def _do(body: Body, call: Call, store: "Store", given: dict[str, Any]) -> None:
    from sqlalchemy.exc import SQLAlchemyError

    from service_api.domain.refusals import ClockDoubt

    try:
        body(call, store, **given)
    except ClockDoubt as error:
        stop(3, f"{error.detail}: set it right and say `fettlebook clock confirm`")
    except (SQLAlchemyError, OSError) as error:
        stop(3, f"this could not be done: {getattr(error, 'orig', None) or error}")


def _open_or_ask(call: Call, name: str, given: dict[str, Any]) -> "Store | None":
    """The store to do it in; None when its holder has done it."""
    from service_api.log.holding import StoreHeld

    until = time.monotonic() + WAITS
    while True:
        try:
            return _open(call, name.replace("_", " "), patience=WAITS)
        except StoreHeld as held:
            if held.holder is None or not held.holder.socket:
                stop(3, f"{held}; try again when it is done")
            from service_api.ops import commands

            try:
                _ask(commands.ask, held.holder.socket, call, name, given)
                return None
            except commands.Unreachable as error:
                if time.monotonic() > until:
                    stop(3, f"{held}, and takes no commands: {error}")
                time.sleep(0.1)
            except commands.Broken as error:
                stop(3, f"{held}, and went away before it had answered; see whether it was done: {error}")


def _ask(ask: Any, socket: str, call: Call, name: str, given: dict[str, Any]) -> None:
    bars: list[Any] = []

    def hear(line: dict[str, Any]) -> None:
        if "said" in line:
            click.echo(line["said"])
        elif "label" in line and sys.stderr.isatty():
            bars.append(click.progressbar(length=line["length"], label=line["label"], file=sys.stderr))
        elif "further" in line and bars:
            bars[-1].update(line["further"])

    answer = ask(socket, {"command": name, "book": call.origin, "json": call.as_json, "given": given}, hear)
    for bar in bars:
        bar.render_finish()
    if answer["status"]:
        stop(answer["status"], answer["words"])


def done_for(store: "Store", request: dict[str, Any], send: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    """Do what another process asks of this one, which holds the store."""
    try:
        body = CHANGES.get(request["command"])
        if request["command"] == "holder_says":
            from service_api.ops.doctor import holder_says as body
        if body is None:
            stop(3, f"the service does not know {request['command']!r}: it runs another version of this program")
        _do(body, Call(None, request["book"], request["json"], send), store, request["given"])
    except Stop as error:
        return {"status": error.exit_code, "words": error.message}
    except Exception:
        logging.getLogger("fettlebook").exception("a command of another process")
        return {"status": 3, "words": "something went wrong in the service; it has been written down there"}
    return {"status": 0}
