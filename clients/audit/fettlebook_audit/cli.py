"""`fettlebook-audit`: takes a book away and checks it, with no code of its service.

Exit status 0: all is right. 1: something is wrong, and it is said what. 2: wrong use. 3: it could not be looked at.
141: whoever read what it prints has stopped.
"""

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from hashlib import sha256
from pathlib import Path

from fettlebook_audit import bundles
from fettlebook_audit.checker import checked
from fettlebook_audit.copies import Copy, CopyError, read
from fettlebook_audit.faults import Fault, told
from fettlebook_audit.fetching import fetch
from fettlebook_audit.notes import Key, NoteError, read_key, written_key
from fettlebook_audit.papers import PaperError, read_paper
from fettlebook_audit.transport import Service, Unanswered, Unreachable
from fettlebook_audit.units import against_service, unit_of
from fettlebook_audit.watching import Refused, Witness
from fettlebook_audit.witness import held, look, witness_in

LARGEST_ATTACHMENT = 64 * 1024 * 1024  # bytes
CLOSED = 128 + 13  # as a shell tells that a tool ended by SIGPIPE


def main(words: Sequence[str] | None = None) -> int:
    asked = _parser().parse_args(words)
    try:
        status: int = asked.run(asked)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is left to print goes nowhere, unsaid
        return CLOSED
    except NoteError as error:
        return _said(1, f"badly signed: {error}")
    except (bundles.BundleError, PaperError) as error:
        return _said(1, f"damaged: {error}")
    except (CopyError, Unanswered, Unreachable, ValueError) as error:
        return _said(3, str(error))
    except OSError as error:
        return _said(3, f"{error.filename}: {error.strerror}" if error.filename else str(error))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("fettlebook-audit", description="Takes a Fettlebook away and checks it.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], words: str) -> argparse.ArgumentParser:
        found = commands.add_parser(name, help=words, description=words)
        found.add_argument("--json", action="store_true", help="answer in JSON, for a program")
        found.set_defaults(run=run)
        return found

    def takes_keys(found: argparse.ArgumentParser) -> None:
        words = "public key of the book, as `fettlebook key list` prints it, or of a witness"
        found.add_argument("--key", action="append", type=_key, default=[], help=words)

    one = command("fetch", run_fetch, "take the book away, or what is new of it")
    one.add_argument("url", metavar="URL", help="where the service is, such as https://shop.example")
    one.add_argument("folder", metavar="DIR", type=Path)
    takes_keys(one)
    words = "ask again for what was fetched before, and say what of it is another now"
    one.add_argument("--all", action="store_true", help=words)
    one = command("check", run_check, "check a copy against every checkpoint that was ever seen")
    one.add_argument("folder", metavar="DIR", type=Path)
    words = "a certificate in JSON or a checkpoint as text, in whoever's hand; repeatable"
    one.add_argument("--against", action="append", type=Path, default=[], metavar="FILE", help=words)
    one.add_argument("--all", action="store_true", help="read also what was checked before and has not changed")
    one = command("unit", run_unit, "derive a unit's history from a copy, and compare it with the service's answer")
    one.add_argument("unit", metavar="ID")
    one.add_argument("folder", metavar="DIR", type=Path)
    words = "the service that is asked; without it the history is told and compared with nothing"
    one.add_argument("--url", metavar="URL", help=words)
    one = command(
        "watch", run_watch, "be a witness: sign each checkpoint that goes on from the last, refuse all others"
    )
    one.add_argument("url", metavar="URL", help="where the service is")
    one.add_argument("folder", metavar="DIR", type=Path, help="of the witness: its secret, and what it signed last")
    takes_keys(one)
    one.add_argument("--name", metavar="N", help="the witness's name, one word such as witness.example; wanted once")
    one.add_argument("--every", metavar="SECONDS", type=float, default=60, help="between two looks [60]")
    one.add_argument("--once", action="store_true", help="look once")
    one.add_argument(
        "--submit", action="store_true", help="hand the signature to the service, which shows it to others"
    )
    one = command("bundle", run_bundle, "check a unit's bundle")
    one.add_argument("file", metavar="FILE", type=Path)
    takes_keys(one)
    words = "the bundle of another book that this unit brought along"
    one.add_argument("--earlier", type=Path, metavar="FILE", help=words)
    words = "a folder of attachments, each named by its SHA-256"
    one.add_argument("--attachments", type=Path, metavar="DIR", help=words)
    return parser


def _key(text: str) -> str:
    try:
        read_key(text)
    except NoteError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return text


def _said(status: int, words: str) -> int:
    print(f"fettlebook-audit: {words}", file=sys.stderr)
    return status


def _ended(faults: Sequence[Fault]) -> int:
    """The exit status; where something is wrong the last line on stderr names it."""
    if not faults:
        return 0
    return _said(1, f"{len(faults)} wrong: {', '.join(dict.fromkeys(fault.how for fault in faults))}")


@contextmanager
def _bar(label: str, length: int) -> Iterator[Callable[[int], None]]:
    """A bar on stderr where a person sees it, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from tqdm import tqdm

    with tqdm(total=length, desc=label, unit_scale=True, file=sys.stderr) as bar:
        yield lambda further: bar.update(further)


def run_fetch(asked: argparse.Namespace) -> int:
    copy = Copy(asked.folder)
    for key in asked.key:
        copy.trust(key)
    if not copy.has_keys():
        return _said(2, "hand over the book's public key with --key once: the line that `fettlebook key list` prints")
    with ExitStack() as bars:
        found = fetch(copy, Service(asked.url), lambda tiles: bars.enter_context(_bar("fetch", tiles)), asked.all)
    if asked.json:
        size = found.now.size if found.now else None
        print(json.dumps({"size": size, "files": found.files, "faults": [f.as_json() for f in found.faults]}))
    elif found.faults:
        print(told(found.faults))
    if found.now is not None and not asked.json:
        print(f"{found.now.origin}: {found.now.size} entries, {found.files} files fetched")
    return _ended(found.faults)


def run_check(asked: argparse.Namespace) -> int:
    copy = Copy(asked.folder)
    keys = copy.keys()
    papers = [read_paper(file, keys) for file in asked.against]
    newest = copy.newest()
    with _bar("check", newest.size if newest else 0) as progress:
        found = checked(copy, papers, asked.all, progress)
    faults = found.faults
    if asked.json:
        said = {"size": found.size, "read": found.read, "checkpoints": found.seen, "papers": len(papers)}
        print(json.dumps(said | {"faults": [f.as_json() for f in faults]}))
        return _ended(faults)
    if faults:
        print(told(faults))
    seen = f"{found.seen} checkpoints" + (f", {len(papers)} papers" if papers else "")
    print(f"{found.size} entries, {seen}, {len(faults) or 'no'} fault{'' if len(faults) == 1 else 's'}")
    return _ended(faults)


def run_unit(asked: argparse.Namespace) -> int:
    copy = Copy(asked.folder)
    book = checked(copy)
    if book.faults:
        print(told(book.faults))
        return _ended(book.faults)
    found = unit_of(copy, asked.unit)
    faults = [] if asked.url is None else against_service(found, Service(asked.url))
    if asked.json:
        print(
            json.dumps(found.as_json() | {"compared": asked.url is not None, "faults": [f.as_json() for f in faults]})
        )
        return _ended(faults)
    if asked.url is None:
        print("\n".join(found.words()))
    elif faults:
        print(told(faults))
    says = "" if asked.url is None else f"; the service says {'otherwise' if faults else 'the same'}"
    print(f"{found.unit}: {len(found.lines)} lines of {found.size} entries{says}")
    return _ended(faults)


def run_watch(asked: argparse.Namespace) -> int:
    for key in asked.key:
        Copy(asked.folder).trust(key)
    with held(asked.folder):
        witness = witness_in(asked.folder, asked.name)
        _tell(asked, {"witness": written_key(witness.key)}, f"this witness signs with\n{written_key(witness.key)}")
        service = Service(asked.url)
        while True:
            try:
                note = look(asked.folder, witness, service, int(time.time()))
            except Refused as refused:
                if asked.json:
                    print(json.dumps({"faults": [refused.fault.as_json()]}))
                else:
                    print(told([refused.fault]))
                return _ended([refused.fault])
            except (Unanswered, Unreachable) as error:
                if asked.once:
                    raise
                _said(3, f"{error}; looking again in {asked.every:g} s")
            else:
                _signed(asked, witness, service, note)
            if asked.once:
                return 0
            time.sleep(asked.every)


def _signed(asked: argparse.Namespace, witness: Witness, service: Service, note: bytes | None) -> None:
    if note is not None and witness.last is not None:
        said = {"origin": witness.last.origin, "size": witness.last.size, "note": note.decode()}
        _tell(asked, said, f"signed {witness.last.size} entries of {witness.last.origin}")
        if asked.submit:
            service.post("log/cosignatures", note)


def _tell(asked: argparse.Namespace, value: dict[str, object], words: str) -> None:
    print(json.dumps(value) if asked.json else words, flush=True)


def run_bundle(asked: argparse.Namespace) -> int:
    keys = [read_key(key) for key in asked.key]
    bundle, found = _checked_bundle(asked.file, keys)
    faults = list(found.faults)
    if asked.earlier is not None:
        faults += _earlier(asked.earlier, found.earlier, keys)
    if asked.attachments is not None:
        faults += _attachments(asked.attachments, found.attachments)
    if asked.json:
        said = {
            "origin": bundle.origin,
            "unit": bundle.unit,
            "size": found.checkpoint.size,
            "entries": len(bundle.lines),
            "sealed": found.sealed,
            "key": written_key(found.key),
            "key_given": bool(keys),
            "earlier": found.earlier,
            "attachments": sorted(found.attachments),
        }
        print(json.dumps(said | {"faults": [f.as_json() for f in faults]}))
        return _ended(faults)
    if faults:
        print(told(faults))
    else:
        _tell_bundle(bundle, found, bool(keys))
    return _ended(faults)


def _checked_bundle(file: Path, keys: Sequence[Key]) -> tuple[bundles.Bundle, bundles.Proved]:
    try:
        content = read(file, bundles.LARGEST)
    except ValueError as error:
        raise bundles.BundleError(f"{file}: no bundle: {error}") from None
    try:
        bundle = bundles.read_bundle(content)
    except bundles.BundleError as error:
        raise bundles.BundleError(f"{file}: {error}") from None
    return bundle, bundles.check_bundle(bundle, keys)


def _tell_bundle(bundle: bundles.Bundle, found: bundles.Proved, given: bool) -> None:
    sealed = f", {found.sealed} of them without their text" if found.sealed else ""
    print(f"{bundle.unit} of {bundle.origin}: {len(bundle.lines)} entries{sealed}, no faults")
    print(f"proved: each stands so in the book of {found.checkpoint.size} entries that {found.key.name} has signed")
    print("stated by the same signature, and proved only by a check of the whole book: that there are no others")
    if not given:
        words = "the key came along in the bundle: compare it with the one that the book's keeper hands out"
        print(f"{words}\n{written_key(found.key)}")
    if found.earlier is not None:
        print(f"it brought the bundle {found.earlier} of another book along: check it with --earlier")


def _earlier(file: Path, digest: str | None, keys: Sequence[Key]) -> list[Fault]:
    """What is wrong with the earlier book that a unit brought along."""
    content = read(file, bundles.LARGEST)
    if digest is None:
        return [Fault("inserted", None, None, f"{file}: the unit's registration names no earlier book")]
    if sha256(content).hexdigest() != digest:
        return [Fault("edited", None, None, f"{file} is not the earlier book that the unit's registration names")]
    bundle = bundles.read_bundle(content)
    named = [key for key in keys if key.name == bundle.origin]
    found = bundles.check_bundle(bundle, named)
    return [Fault(f.how, f.first, f.last, f"earlier book: {f.says}") for f in found.faults]


def _attachments(folder: Path, named: dict[str, int]) -> list[Fault]:
    faults: list[Fault] = []
    for digest, index in sorted(named.items(), key=lambda each: each[1]):
        try:
            content = read(folder / digest, LARGEST_ATTACHMENT)
        except (OSError, ValueError) as error:
            faults.append(Fault("missing", index, index, f"its attachment {digest}: {error}"))
            continue
        if sha256(content).hexdigest() != digest:
            faults.append(Fault("edited", index, index, f"its attachment {digest} is another than it names"))
    return faults
