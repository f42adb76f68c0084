"""Serving: the demo, and the service itself."""

import gc
import os
import signal
import sys
from typing import TYPE_CHECKING, Any

import click

from service_api.cli.given import pass_call
from service_api.ops.calls import Call, done_for, opened, stop, wrong_use

if TYPE_CHECKING:
    from service_api.app import Store


@click.command()
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
    from service_api.ops.heap import keep_to_one_heap
    from service_api.ops.processor import keep_to_one
    from service_api.settings import THREADS

    signal.signal(signal.SIGTERM, signal.default_int_handler)  # the store is closed, as after Ctrl-C
    keep_to_one()
    keep_to_one_heap()
    trust = {"trusted_proxy": proxy, "trusted_proxy_headers": FORWARDED} if proxy else {}
    try:
        app = create_app(store)
        server = create_server(app, host=host, port=port, threads=THREADS, ident="fettlebook", **trust)
    except OSError as error:
        stop(3, f"cannot listen on {host}:{port}: {error.strerror or error}")
    return server, f"http://{host}:{server.effective_port}"


@click.command()
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
        from service_api.ops.heap import collect_seldom

        with listening(store, done_for):
            collect_seldom()
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
