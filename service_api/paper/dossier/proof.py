"""What the dossier can be held against: the checkpoint as text and as a square."""

from typing import Any

from service_api.paper.dossier.cover import SIDE, WHAT
from service_api.paper.layout import LEFT, MM, ROOM, Bit, Paper
from service_api.paper.lettering import broken
from service_api.paper.words import grouped

PROOF = (
    "The lines above are the book's checkpoint: its name, how many entries it had, and the root of the hash tree "
    "over all of them, signed by the book's key. The square holds the same text. Keep it: `fettlebook-audit check "
    "--against FILE` holds a copy of the book against it, and says which entry is wrong and how when one byte was "
    "changed. Every line of the history carries its index and its leaf, the SHA-256 of a zero byte and the entry's "
    "text; the unit's bundle (`GET /v1/units/{}/bundle`) has those texts with their proofs and needs no service to "
    "be checked."
)


def proof(paper: Paper, found: dict[str, Any], root: str) -> None:
    paper.heading("The checkpoint", SIDE + 20)
    top = paper.y
    paper.scan(found["checkpoint"], LEFT - 3 * MM, top, SIDE)
    room = ROOM - SIDE - 2 * MM
    for line in found["checkpoint"].split("\n"):
        for shown in broken(line, "mono", 7, room):
            paper.y -= 10
            paper.write(LEFT + SIDE + 2 * MM, paper.y, shown, "mono", 7)
    paper.y = min(paper.y, top - SIDE) - 4
    altered = found["altered"]
    words = f"Every text of these entries hashes to its leaf ({len(found['entries'])} looked at while this was drawn)."
    if altered:
        words = f"NOT AS RECORDED: {', '.join(f'#{n}' for n in altered)}."
    paper.text((Bit(words, "alarm" if altered else "strong"),))
    if not found["signed"]:
        paper.text("The book has no signing key yet, so this checkpoint stands unsigned.")
    paper.pairs([("Root", (Bit(grouped(root), "mono"),))])
    paper.space(4)
    paper.text((Bit(PROOF.format(found["unit"]), "quiet"),), 8.5)
    paper.text((Bit(WHAT, "strong"),), 8.5)
