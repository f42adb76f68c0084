"""A history as CSV: RFC 4180, UTF-8, one set of columns, one line an entry, safe to open in a spreadsheet.

A cell that a spreadsheet would take for a formula gets an apostrophe before it; a plain number stays a number.
"""

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator
from typing import Any

from service_api.paper.entries import told

COLUMNS = {
    "index": "place in the book, from 0",
    "seq": "place on the page of its subject",
    "id": "the entry's id",
    "type": "what kind of fact",
    "subject": "the page it was written on",
    "occurred_at": "when it happened, as typed",
    "at": "the corrected moment in UTC, by which the lines are ordered",
    "recorded_at": "when the book heard of it",
    "recorded_by": "the token it came with",
    "by": "who did it",
    "typed_by": "who typed it, when another",
    "second": "who signed beside",
    "signed_by": "how the signature was proved",
    "signed_second": "how the second signature was proved",
    "job": "the job it belongs to",
    "site": "where",
    "bench": "at which bench",
    "tag": "the label as read",
    "tag_read": "how it was read",
    "device": "the device it came from",
    "device_seq": "the device's own number of it",
    "source": "live, paper, import or history, and its reference",
    "slot": "the slot it names",
    "characteristic": "the characteristic it names",
    "gauge": "the gauge it names",
    "sheet_rev": "the sheet revision it states",
    "mark": "superseded, withdrawn, moved_out or moved_in",
    "marked_by": "ids of the corrections",
    "counts": "whether it is a fact of this unit now",
    "says": "its data in words, as it counts",
    "data": "its data as sent, JSON",
    "data_now": "its data as corrected, JSON, where a correction changed it",
    "attachments": "SHA-256 of each",
    "leaf": "SHA-256 of a zero byte and the entry's text: its leaf in the tree",
}
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")
NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
BLOCK = 200


def safe(value: Any) -> str:
    """A cell's text. Source of the list of beginnings: OWASP, CSV injection (from memory), and their wide forms."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = str(value)
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA) and not NUMBER.fullmatch(text) else text


def cells(line: dict[str, Any]) -> list[str]:
    """One line of a history (CONTRACT C) in the order of the columns."""
    data, signed = line["data"], line.get("signed") or {}
    device, source = line.get("device") or {}, line.get("source") or {}
    now = line.get("data_now", data)
    beside: dict[str, Any] = {
        "second": data.get("second"),
        "signed_by": signed.get("by"),
        "signed_second": signed.get("second"),
        "device": device.get("id"),
        "device_seq": device.get("seq"),
        "source": " ".join(filter(None, (source.get("kind"), source.get("ref")))),
        "slot": data.get("slot"),
        "characteristic": data.get("characteristic"),
        "gauge": data.get("gauge"),
        "sheet_rev": data.get("sheet_rev"),
        "marked_by": " ".join(line["marked_by"]),
        "says": "\n".join(told(line["type"], now)),
        "data": _json(data),
        "data_now": _json(line["data_now"]) if "data_now" in line else None,
        "attachments": " ".join(a["sha256"] for a in line.get("attachments") or ()),
    }
    return [safe(beside[name] if name in beside else line.get(name)) for name in COLUMNS]


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def table(lines: Iterable[dict[str, Any]]) -> Iterator[bytes]:
    """The header and the lines, some at a time."""
    out = io.StringIO()
    writer = csv.writer(out)  # CRLF, quotes doubled: RFC 4180
    writer.writerow(COLUMNS)
    for number, line in enumerate(lines, 1):
        writer.writerow(cells(line))
        if number % BLOCK == 0:
            yield out.getvalue().encode()
            out.seek(0)
            out.truncate()
    yield out.getvalue().encode()
