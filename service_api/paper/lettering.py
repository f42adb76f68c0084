"""The faces that papers are set in, and text broken into lines. Every face travels inside the document.

A letter that no face has is printed as its code point, `[U+4E2D]`: nothing that somebody wrote is lost unseen.
"""

import unicodedata
from functools import cache
from pathlib import Path
from typing import Literal, NamedTuple

from reportlab import rl_config
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

rl_config.useA85 = 0  # streams stay bytes: a quarter shorter, and sooner done

Face = Literal["plain", "strong", "mono"]
FOLDER = Path(__file__).parent / "fonts"
FILES = {
    "plain": "NotoSans-Regular",
    "strong": "NotoSans-SemiBold",
    "mono": "NotoSansMono-Regular",
    "signs": "NotoSansMath-Regular",
}
FALLBACKS: dict[str, tuple[str, ...]] = {
    "plain": ("plain", "signs"),
    "strong": ("strong", "signs"),
    "mono": ("mono", "plain", "signs"),
}


class Run(NamedTuple):
    """Letters of one face beside one another."""

    face: str
    text: str


@cache
def widths(face: str) -> dict[int, float]:
    """How wide each letter of a face is, in thousandths of its size. The face is known to the library afterwards."""
    font = TTFont(f"Fettlebook-{face}", str(FOLDER / f"{FILES[face]}.ttf"))
    pdfmetrics.registerFont(font)
    return dict(font.face.charWidths)


@cache
def letter(face: Face, char: str) -> tuple[str, str, float]:
    """The face in which a letter is set, what is set for it, and how wide that is."""
    for name in FALLBACKS[face]:
        width = widths(name).get(ord(char))
        if width is not None:
            return name, char, width
    if char.isspace() or unicodedata.category(char) in ("Cc", "Cf"):
        return face, " ", widths(face)[32]
    shown = f"[U+{ord(char):04X}]"
    return face, shown, sum(widths(face)[ord(c)] for c in shown)


class _Wide(dict[str, float]):
    """How wide each letter is as it is set in a face, worked out with its first use."""

    def __init__(self, face: Face) -> None:
        self.face = face

    def __missing__(self, char: str) -> float:
        found = self[char] = letter(self.face, char)[2]
        return found


@cache
def wide(face: Face) -> _Wide:
    return _Wide(face)


def width(text: str, face: Face, size: float) -> float:
    return sum(map(wide(face).__getitem__, text)) * size / 1000


@cache
def own(face: str) -> frozenset[str]:
    """The letters that a face has itself."""
    return frozenset(map(chr, widths(face)))


def runs(text: str, face: Face) -> list[Run]:
    """A line as it is set, cut where the face changes."""
    if own(face).issuperset(text):
        return [Run(face, text)]
    found: list[Run] = []
    for char in text:
        name, shown, _ = letter(face, char)
        if found and found[-1].face == name:
            found[-1] = Run(name, found[-1].text + shown)
        else:
            found.append(Run(name, shown))
    return found


def run_width(run: Run, size: float) -> float:
    known = widths(run.face)
    return sum(known[ord(char)] for char in run.text) * size / 1000


def broken(text: str, face: Face, size: float, room: float) -> list[str]:
    """The text in lines no wider than `room`: at spaces, and inside a word that is wider than a line.

    A line holds at least one letter, however narrow the room.
    """
    found: list[str] = []
    for paragraph in unicodedata.normalize("NFC", text).splitlines() or [""]:
        found += _lines(paragraph, face, size, room)
    return found


def _lines(paragraph: str, face: Face, size: float, room: float) -> list[str]:
    lines, line, used = [], "", 0.0
    space = width(" ", face, size)
    for word in paragraph.split(" "):
        long = width(word, face, size)
        if line and used + space + long > room:
            lines.append(line)
            line, used = "", 0.0
        if long > room:
            *whole, word = _cut(word, face, size, room)
            lines += whole
            long = width(word, face, size)
        line, used = (f"{line} {word}", used + space + long) if line else (word, long)
    return [*lines, line]


def _cut(word: str, face: Face, size: float, room: float) -> list[str]:
    pieces, piece, used = [], "", 0.0
    for char in word:
        one = width(char, face, size)
        if piece and used + one > room:
            pieces.append(piece)
            piece, used = "", 0.0
        piece, used = piece + char, used + one
    return [*pieces, piece]
