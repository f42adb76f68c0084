"""What a start does without: a service that has answered its first questions has not imported what they do not need."""

import json
import shutil
import subprocess
import sys

from service_api.app import Store
from service_api.permits import Sender
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book, settings_in, token_of
from tests.serving import get

HEAVY = {"alembic", "apispec", "argon2", "barcode", "cryptography", "gunicorn", "mako", "marshmallow", "numpy", "PIL"}
HEAVY |= {"psycopg", "rfc8785", "scipy", "zxingcpp"}
OURS = {
    "customers",
    "fleet",
    "http.openapi",
    "late",
    "log.keys",
    "log.postgresql",
    "ops.demo",
    "ops.doctor",
    "ops.redraw",
    "proving",
    "recording",
    "wire.accept",
    "wire.derive",
}


def test_a_start_and_its_first_questions_import_only_what_they_need(migrated, tmp_path, clock):
    folder = tmp_path / "filled"
    shutil.copytree(migrated, folder)
    store = Store(settings_in(folder), clock)
    book = new_book(store, "start.example/depot")
    sent = [read_draft(raw) for raw in (f.sheet_issued(), f.registered(), f.reading("0.24"))]
    assert {"recorded"} == {o.status for o in store.recorder(book.number).record(sent, Sender("t", vouches=True))}
    token = token_of(store, book, "bench")
    store.close()
    words = ["-X", "importtime", "-m", "service_api.cli", "--data", str(folder), "--json", "serve", "--port", "0"]
    with (tmp_path / "said").open("w") as said:
        process = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, stderr=said, text=True)
    try:
        address = json.loads(process.stdout.readline())["url"]
        for path in ("", "/condition", "/slots", "/history"):
            get(f"{address}/v1/units/U-1{path}", token)
    finally:
        process.terminate()
        status = process.wait(10)
        process.stdout.close()
    assert (0, []) == (status, list(folder.glob("*-wal"))), (
        "who is told to end closes the store: the next start is quick"
    )
    imported = {line.rpartition("|")[2].strip() for line in (tmp_path / "said").read_text().splitlines()}
    assert {"flask", "sqlalchemy", "waitress", "service_api.answering"} <= imported
    assert [] == sorted(HEAVY & imported)
    assert [] == sorted(name for name in OURS if f"service_api.{name}" in imported)
