"""`fettlebook-audit`: takes a book away and checks it, with no code of its service.

Exit status 0: all is right. 1: something is wrong, and it is said what. 2: wrong use. 3: it could not be looked at.
"""

import argparse
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from http.client import HTTPException
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from fettlebook_audit import tiles
from fettlebook_audit.checking import Check, Fault
from fettlebook_audit.copies import Copy, CopyError
from fettlebook_audit.notes import LONGEST, Checkpoint, NoteError, read_checkpoint, read_key

PATIENCE = 30  # seconds


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser("fettlebook-audit", description="Takes a Fettlebook away and checks it.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    fetch_ = commands.add_parser("fetch", help="take the book away, or what is new of it")
    fetch_.add_argument("url", metavar="URL", help="where the service is, such as https://shop.example")
    fetch_.add_argument("folder", metavar="DIR", type=Path)
    fetch_.add_argument(
        "--key", action="append", type=_key, default=[], help="public key, as `fettlebook key list` prints it"
    )
    fetch_.set_defaults(run=fetch)
    check_ = commands.add_parser("check", help="check a copy against every checkpoint that was ever seen")
    check_.add_argument("folder", metavar="DIR", type=Path)
    check_.add_argument("--json", action="store_true", help="answer in JSON, for a program")
    check_.set_defaults(run=check)
    asked = parser.parse_args(words)
    try:
        status: int = asked.run(asked)
        return status
    except NoteError as error:
        return _said(1, f"badly signed: {error}")
    except CopyError as error:
        return _said(3, str(error))
    except (OSError, HTTPException) as error:
        return _said(3, f"{type(error).__name__}: {error}")


def _key(text: str) -> str:
    try:
        read_key(text)
    except NoteError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return text


def _said(status: int, words: str) -> int:
    print(f"fettlebook-audit: {words}", file=sys.stderr)
    return status


def fetch(asked: argparse.Namespace) -> int:
    """The token, where the service wants one, stands in FETTLEBOOK_TOKEN."""
    copy = Copy(asked.folder)
    for key in asked.key:
        copy.trust(key)
    note = _get(asked.url, "checkpoint", LONGEST)
    now = read_checkpoint(note, copy.keys())
    newest = max((c.size for _, c in copy.checkpoints() if isinstance(c, Checkpoint)), default=0)
    copy.remember(note, now)
    if now.size < newest:
        return _said(1, f"rolled back: the book has {now.size} entries, and had {newest}")
    fetched = 0
    for kind, largest in tiles.LARGEST.items():
        for number, width in tiles.of(now.size):
            if not copy.has(kind, number, width):
                copy.keep(kind, number, width, _get(asked.url, f"tile/{tiles.path(kind, number, width)}", largest))
                fetched += 1
    print(f"{now.origin}: {now.size} entries, {fetched} files fetched")
    return 0


def _get(url: str, path: str, largest: int) -> bytes:
    token = os.environ.get("FETTLEBOOK_TOKEN")
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    try:
        with urlopen(Request(f"{url.rstrip('/')}/v1/log/{path}", headers=headers), timeout=PATIENCE) as response:
            content: bytes = response.read(largest + 1)
    except HTTPError as error:
        raise CopyError(f"{path}: the service answers {error.code} {error.reason}") from None
    except ValueError as error:
        raise CopyError(f"{url}: {error}") from None
    if len(content) > largest:
        raise CopyError(f"{path}: longer than {largest} bytes")
    return content


def check(asked: argparse.Namespace) -> int:
    faults, size, seen = checked(Copy(asked.folder))
    if asked.json:
        print(json.dumps({"size": size, "checkpoints": seen, "faults": [asdict(f) for f in faults]}))
    else:
        for fault in faults:
            print(f"{fault.how.upper()} {_where(fault)}: {fault.says}")
        print(f"{size} entries, {seen} checkpoints, {len(faults) or 'no'} fault{'' if len(faults) == 1 else 's'}")
    return 1 if faults else 0


def _where(fault: Fault) -> str:
    if fault.first is None:
        return "checkpoint"
    return f"entry {fault.first}" if fault.first == fault.last else f"entries {fault.first} to {fault.last}"


def checked(copy: Copy) -> tuple[list[Fault], int, int]:
    """What is wrong with the copy, how many entries were read, how many checkpoints it was held against.

    Raises CopyError when it has no checkpoint to be held against.
    """
    found: list[Checkpoint] = []
    faults: list[Fault] = []
    for name, checkpoint in copy.checkpoints():
        if isinstance(checkpoint, Checkpoint):
            found.append(checkpoint)
        else:
            faults.append(Fault("badly signed", None, None, f"{name}: {checkpoint}"))
    if not found and not faults:
        raise CopyError(f"{copy.folder} has no checkpoint: fetch the book first")
    book = Check(found)
    for number, width in tiles.of(max((c.size for c in found), default=0)):
        try:
            texts = tiles.texts(copy.read("entries", number, width), width)
            hashes = tiles.hashes(copy.read("0", number, width), width)
        except FileNotFoundError as error:
            first = number * tiles.WIDTH
            faults.append(Fault("missing", first, first + width - 1, f"{error.filename} is not there"))
            break
        except ValueError as error:
            first = number * tiles.WIDTH
            faults.append(Fault("damaged", first, first + width - 1, f"tile {number}: {error}"))
            break
        for text, said in zip(texts, hashes, strict=True):
            book.entry(text, said)
        if book.is_full:
            break
    else:
        book.end()
    return [*faults, *book.faults], book.size, len(found)
