"""A private PostgreSQL server on a loopback port, thrown away at the end. Nobody's own server is touched."""

import glob
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

START_SECONDS = 60


def programs() -> Path | None:
    """The folder of `initdb` and `postgres`, None when there is no server on this machine."""
    found = shutil.which("initdb")
    every = [found] if found else []
    every += sorted(glob.glob("/usr/lib/postgresql/*/bin/initdb"), reverse=True)
    return Path(os.path.realpath(every[0])).parent if every else None


@contextmanager
def throw_away(bin_folder: Path, *options: str) -> Iterator[str]:
    """The URL of a server that leaves nothing behind."""
    # not under pytest's own folder: the server's user has to reach it
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    try:
        with server(bin_folder, folder, *options) as url:
            yield url
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def server(bin_folder: Path, folder: Path, *more: str) -> Iterator[str]:
    """A running server with its default, durable settings and these; gives the URL of its database `postgres`."""
    as_user = _other_than_root(folder)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT, "cwd": folder} | as_user
    subprocess.run(
        [bin_folder / "initdb", "-D", "data", "-U", "book", "-A", "trust", "-E", "UTF8", "--no-sync"],
        check=True,
        **quiet,
    )
    port = _free_port()
    options = ["-D", "data", "-p", str(port), "-k", str(folder), "-c", "listen_addresses=127.0.0.1", *more]
    with subprocess.Popen([bin_folder / "postgres", *options], **quiet) as process:
        try:
            url = f"postgresql+psycopg://book@127.0.0.1:{port}/postgres"
            _wait(url)
            yield url
        finally:
            process.send_signal(signal.SIGINT)  # fast shutdown: open sessions are ended
            with suppress(subprocess.TimeoutExpired):
                process.wait(20)
            process.kill()


def owner() -> tuple[int, int]:
    """The user and the group that the server runs as; it refuses to run as root."""
    if os.geteuid() != 0:
        return os.geteuid(), os.getegid()
    names = {user.pw_name for user in pwd.getpwall()}
    user = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
    return user.pw_uid, user.pw_gid


def _other_than_root(folder: Path) -> dict[str, object]:
    if os.geteuid() != 0:
        return {}
    user, group = owner()
    os.chown(folder, user, group)
    return {"user": user, "group": group, "extra_groups": []}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait(url: str) -> None:
    engine = create_engine(url)
    try:
        for _ in range(START_SECONDS * 10):
            with suppress(OperationalError), engine.connect() as connection:
                connection.execute(text("SELECT 1"))
                return
            time.sleep(0.1)
        raise RuntimeError("the throw-away server did not come up")
    finally:
        engine.dispose()


@contextmanager
def database(url: str, name: str, template: str = "template1") -> Iterator[str]:
    """A fresh database on the server, as the template is; gives its URL."""
    admin = create_engine(url, isolation_level="AUTOCOMMIT")
    try:
        with admin.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{name}" TEMPLATE "{template}"'))
        yield url.rpartition("/")[0] + f"/{name}"
        with admin.connect() as connection:
            connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    finally:
        admin.dispose()
