"""Attachments: bytes under their own SHA-256, beside the database. They are given back only as a download."""

import os
import tempfile
from hashlib import sha256
from pathlib import Path

from sqlalchemy import Connection, insert, select

from service_api.directory import tables as t
from service_api.domain.records import record

# What each kind begins with; data is text and has no signature
MAGIC: dict[str, tuple[bytes, ...]] = {
    "image/jpeg": (b"\xff\xd8\xff",),
    "image/png": (b"\x89PNG\r\n\x1a\n",),
    "image/webp": (b"RIFF",),
    "application/pdf": (b"%PDF-",),
    "application/json": (),
    "application/x-ndjson": (),
    "text/csv": (),
}
LARGEST = 20 * 1024 * 1024


@record(kw_only=True)
class Kept:
    sha256: str
    media_type: str
    bytes: int
    made_at: str


class Mismatch(ValueError):
    """The bytes are not what they are called: another digest, or another kind."""


def write(folder: Path, digest: str, media_type: str, content: bytes) -> None:
    """The bytes are on disk under their digest. Raises Mismatch when digest or kind are not theirs."""
    if sha256(content).hexdigest() != digest:
        raise Mismatch("the bytes have another SHA-256 than the address")
    magic = MAGIC[media_type]
    if magic and not content.startswith(magic):
        raise Mismatch(f"the bytes are no {media_type}")
    if not magic:
        try:
            content.decode()
        except UnicodeDecodeError:
            raise Mismatch(f"{media_type} is UTF-8 text") from None
    _write(folder / digest, content)


def keep(connection: Connection, book: int, digest: str, media_type: str, size: int, at: str) -> tuple[Kept, bool]:
    """The row of bytes that are on disk already, and whether it is new."""
    known = find(connection, book, digest)
    if known is not None:
        return known, False
    kept = Kept(sha256=digest, media_type=media_type, bytes=size, made_at=at)
    connection.execute(
        insert(t.attachment).values(book=book, sha256=digest, media_type=media_type, bytes=size, made_at=at)
    )
    return kept, True


def _write(file: Path, content: bytes) -> None:
    """The whole file or none of it, on disk before its row is."""
    file.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=file.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        os.replace(name, file)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def find(connection: Connection, book: int, digest: str) -> Kept | None:
    row = connection.execute(
        select(t.attachment).where(t.attachment.c.book == book, t.attachment.c.sha256 == digest)
    ).first()
    return (
        None
        if row is None
        else Kept(sha256=row.sha256, media_type=row.media_type, bytes=row.bytes, made_at=row.made_at)
    )


def known_digests(connection: Connection, book: int, digests: set[str]) -> set[str]:
    rows = connection.execute(
        select(t.attachment.c.sha256).where(t.attachment.c.book == book, t.attachment.c.sha256.in_(digests))
    )
    return set(rows.scalars())
