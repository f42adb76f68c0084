"""A book made by hand, nothing of it by the service: its tree is pymerkle's, its signatures are cryptography's."""

import json
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pymerkle import InmemoryTree

ORIGIN = "audit.example/book"
SECRET = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
PUBLIC = b"\x01" + SECRET.public_key().public_bytes_raw()
KEY_ID = sha256(ORIGIN.encode() + b"\n" + PUBLIC).digest()[:4]
KEY = f"{ORIGIN}+{KEY_ID.hex()}+{b64encode(PUBLIC).decode()}"
SIZE, EARLIER = 300, 100


def entry(index, /, **more):
    page, seq = ("unit:U-1", index // 2) if index % 2 == 0 else ("unit:U-2", index // 2)
    moment = f"2026-01-05T{index // 3600:02}:{index // 60 % 60:02}:{index % 60:02}.000Z"
    said = {"index": index, "type": "tag.scanned", "subject": page, "seq": seq, "recorded_at": moment}
    said |= {"data": {"n": index}} | more
    return json.dumps(said).encode()


def root_of(texts):
    return tree_of(texts).get_root(len(texts))


def tree_of(texts):
    tree = InmemoryTree(algorithm="sha256")
    for text in texts:
        tree.append_entry(text)
    return tree


def signed(body, secret=SECRET, name=ORIGIN, key_id=KEY_ID):
    line = b64encode(key_id + secret.sign(body.encode())).decode()
    return f"{body}\n— {name} {line}\n"


def note_of(texts, secret=SECRET, origin=ORIGIN, key_id=KEY_ID):
    body = f"{origin}\n{len(texts)}\n{b64encode(root_of(texts)).decode()}\n"
    line = b64encode(key_id + secret.sign(body.encode())).decode()
    return f"{body}\n— {origin} {line}\n".encode()


def tiles_of(folder: Path, texts, hashed=None):
    """Entry bundles of these texts and hash tiles of what they were hashed from."""
    hashed = hashed or texts
    for kind, size_of in (("entries", texts), ("0", hashed)):
        for number, first in enumerate(range(0, len(size_of), 256)):
            part = size_of[first : first + 256]
            name = f"{number:03}" if len(part) == 256 else f"{number:03}.p/{len(part)}"
            path = folder / "tile" / kind / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if kind == "entries":
                path.write_bytes(b"".join(len(t).to_bytes(2, "big") + t for t in part))
            else:
                path.write_bytes(b"".join(sha256(b"\0" + t).digest() for t in part))


def kept(folder: Path, *notes):
    folder.joinpath("checkpoints").mkdir(parents=True, exist_ok=True)
    (folder / "keys").write_text(KEY + "\n")
    for note in notes:
        size = int(note.split(b"\n")[1])
        (folder / "checkpoints" / f"{size:015}-{sha256(note).hexdigest()[:16]}").write_bytes(note)


TRUE = [entry(n) for n in range(SIZE)]
