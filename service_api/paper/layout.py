"""A printed page: margins, running lines, headings, tables that break over pages, squares to scan. A4, upright.

The same words give the same bytes: no date and no chance gets into the document. Pages are handed on as they are full,
so that a table of ten thousand rows takes the memory of its own text.
"""

import io
from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from reportlab.pdfgen.canvas import Canvas

from service_api.paper.labels import square
from service_api.paper.lettering import Face, broken, run_width, runs, width

MM = 72 / 25.4
WIDE, HIGH = 210 * MM, 297 * MM
LEFT, RIGHT, TOP, BOTTOM = 20 * MM, 16 * MM, 25 * MM, 21 * MM
ROOM = WIDE - LEFT - RIGHT
LEADING = 1.36
GAP = 8  # points between columns
TALL = 60 * MM  # a row that is taller begins where it is and goes on on the next page
PAD = 2.2  # points above and below the text of a cell

Tone = Literal["plain", "strong", "quiet", "mono", "fine", "alarm", "head"]
FACE: dict[Tone, Face] = {
    "plain": "plain",
    "strong": "strong",
    "quiet": "plain",
    "mono": "mono",
    "fine": "mono",
    "alarm": "strong",
    "head": "strong",
}
INK, QUIET, HAIR, ALARM, DEEP = (
    (0.09, 0.1, 0.12),
    (0.38, 0.4, 0.43),
    (0.72, 0.74, 0.76),
    (0.62, 0.1, 0.08),
    (0.05, 0.25, 0.3),
)
COLOUR = {"plain": INK, "strong": INK, "quiet": QUIET, "mono": QUIET, "fine": QUIET, "alarm": ALARM, "head": DEEP}


SMALLER: dict[Tone, float] = {"quiet": 1, "mono": 1, "fine": 2.1}


class Bit(NamedTuple):
    """Words in one tone, on lines of their own; struck ones keep being readable under the line."""

    text: str
    tone: Tone = "plain"
    struck: bool = False


Cell = str | Sequence[Bit]


class Column(NamedTuple):
    """share : of the table's width; the shares of a table add up to 1"""

    title: str
    share: float
    tone: Tone = "plain"
    right: bool = False


class Line(NamedTuple):
    text: str
    tone: Tone
    struck: bool
    size: float


def _bits(cell: Cell, tone: Tone) -> Sequence[Bit]:
    return (Bit(cell, tone),) if isinstance(cell, str) else cell


def set_lines(cell: Cell, tone: Tone, size: float, room: float) -> list[Line]:
    """A cell in lines that fit; what is quiet or a digest is set smaller."""
    found = []
    for bit in _bits(cell, tone):
        small = size - SMALLER.get(bit.tone, 0)
        found += [Line(t, bit.tone, bit.struck, small) for t in broken(bit.text, FACE[bit.tone], small, room)]
    return found


class Paper:
    """A document while it is drawn, from the top of its first page down.

    running : what stands at the top of every page, left and right
    footing : what stands at its foot, beside the number of the page
    """

    def __init__(self, title: str, running: tuple[str, str], footing: str, subject: str = "") -> None:
        self.out = io.BytesIO()
        self.canvas = Canvas(self.out, pagesize=(WIDE, HIGH), invariant=1, pageCompression=1, lang="en")
        self.canvas.setTitle(title)
        self.canvas.setCreator("Fettlebook")
        self.canvas.setAuthor(running[1])
        self.canvas.setSubject(subject)
        self.canvas.setViewerPreference("DisplayDocTitle", "true")
        self.running, self.footing = running, footing
        self.page, self.marks = 1, 0
        self.y = HIGH - TOP
        self._frame()

    # The page

    def _frame(self) -> None:
        left, right = self.running
        self.rule(HIGH - TOP + 7 * MM, 0.5, INK)
        self.write(LEFT, HIGH - TOP + 9 * MM, left, "strong", fitting(left, "strong", 8, ROOM * 0.6))
        size = fitting(right, "plain", 8, ROOM * 0.38)
        self.write_right(WIDE - RIGHT, HIGH - TOP + 9 * MM, right, "quiet", size)
        self.rule(BOTTOM - 4 * MM, 0.25, HAIR)
        for number, line in enumerate(broken(self.footing, "plain", 6.5, ROOM - 32 * MM)[:2]):
            self.write(LEFT, BOTTOM - 7.5 * MM - number * 9, line, "quiet", 6.5)
        total = "999"
        self.write_right(
            WIDE - RIGHT - width(total, "plain", 8), BOTTOM - 7.5 * MM, f"Page {self.page} of ", "plain", 8
        )
        self.canvas.doForm("pages")

    def turn(self) -> None:
        """Go on at the top of a new page."""
        self.canvas.showPage()
        self.page += 1
        self.y = HIGH - TOP
        self._frame()

    def need(self, height: float) -> None:
        """Turn the page unless so much room is left on it."""
        if self.y - height < BOTTOM and self.y < HIGH - TOP:
            self.turn()

    def space(self, height: float) -> None:
        self.y = max(self.y - height, BOTTOM)

    def finish(self) -> bytes:
        self.canvas.showPage()
        self.canvas.beginForm("pages", 0, 0, WIDE, HIGH)
        self.write(WIDE - RIGHT - width("999", "plain", 8), BOTTOM - 7.5 * MM, str(self.page), "plain", 8)
        self.canvas.endForm()
        self.canvas.save()
        return self.out.getvalue()

    # Strokes

    def write(self, x: float, y: float, text: str, tone: Tone, size: float, struck: bool = False) -> None:
        self.lines([(x, y, Line(text, tone, struck, size))])

    def lines(self, placed: Iterable[tuple[float, float, Line]]) -> None:
        """Lines at their places; what is the same as in the line before is not said again."""
        out = self.canvas.beginText()
        tone: Tone | None = None
        face: tuple[str, float] | None = None
        strokes = []
        for x, y, line in placed:
            if line.tone != tone:
                tone = line.tone
                out.setFillColorRGB(*COLOUR[tone])
            at = x
            found = runs(line.text, FACE[line.tone])
            for run in found:
                if (run.face, line.size) != face:
                    face = (run.face, line.size)
                    out.setFont(f"Fettlebook-{run.face}", line.size)
                out.setTextOrigin(at, y)
                out.textLine(run.text)
                at += run_width(run, line.size) if len(found) > 1 else 0
            if line.struck and line.text:
                strokes.append((y + line.size * 0.28, line.tone, x, x + width(line.text, FACE[line.tone], line.size)))
        self.canvas.drawText(out)
        for y, said, x, until in strokes:
            self.rule(y, 0.6, COLOUR[said], x, until)

    def write_right(self, x: float, y: float, text: str, tone: Tone, size: float) -> None:
        self.write(x - width(text, FACE[tone], size), y, text, tone, size)

    def rule(
        self,
        y: float,
        weight: float,
        colour: tuple[float, float, float],
        x: float = LEFT,
        until: float = WIDE - RIGHT,
        dash: tuple[float, ...] = (),
    ) -> None:
        self.canvas.setStrokeColorRGB(*colour)
        self.canvas.setLineWidth(weight)
        self.canvas.setDash(list(dash))
        self.canvas.line(x, y, until, y)

    # What a page is made of

    def heading(self, text: str, follows: float = 18 * MM) -> None:
        """A chapter, which is in the reader's list of contents too; it does not stand alone at the foot of a page."""
        self.need(14 * MM + follows)
        if self.y < HIGH - TOP:
            self.space(6 * MM)
        self.marks += 1
        self.canvas.bookmarkHorizontal(f"c{self.marks}", 0, self.y + 4 * MM)
        self.canvas.addOutlineEntry(text, f"c{self.marks}", 0, False)
        self.y -= 13
        self.write(LEFT, self.y, text, "strong", 13)
        self.y -= 7
        self.rule(self.y, 1, DEEP, LEFT, LEFT + 18 * MM)
        self.y -= 8

    def subheading(self, text: str, note: str = "", follows: float = 16 * MM) -> None:
        self.need(20 + follows)
        self.space(7)
        self.y -= 10
        self.write(LEFT, self.y, text, "strong", 9.5)
        if note:
            self.write(LEFT + width(text, "strong", 9.5) + 6, self.y, note, "quiet", 8)
        self.y -= 5

    def text(self, cell: Cell, size: float = 9, room: float = ROOM, x: float = LEFT) -> None:
        """Paragraphs; they go on over the page where they have to."""
        for line in set_lines(cell, "plain", size, room):
            self.need(line.size * LEADING)
            self.y -= line.size * LEADING
            self.write(x, self.y, line.text, line.tone, line.size, line.struck)
        self.y -= 4

    def pairs(self, rows: Iterable[tuple[str, Cell]], size: float = 9, room: float = ROOM, x: float = LEFT) -> None:
        """What is asked at the left, what is so beside it; a hair between the lines."""
        label = 34 * MM
        for name, cell in rows:
            lines = set_lines(cell, "plain", size, room - label)
            for number, line in enumerate(lines):
                self.need(line.size * LEADING + 4)
                if number == 0:
                    self.y -= 2
                self.y -= line.size * LEADING
                if number == 0:
                    self.write(x, self.y, name, "quiet", size - 1)
                self.write(x + label, self.y, line.text, line.tone, line.size, line.struck)
            self.y -= 4
            self.rule(self.y, 0.25, HAIR, x, x + room)

    def callout(self, cell: Cell, size: float = 9) -> None:
        """Words that must not be missed: a thick rule beside them."""
        lines = set_lines(cell, "strong", size, ROOM - 6 * MM)
        for number, line in enumerate(lines):
            self.need(line.size * LEADING + 4)
            self.y -= line.size * LEADING + (3 if number == 0 else 0)
            self.write(LEFT + 5 * MM, self.y, line.text, line.tone, line.size)
            self.canvas.setFillColorRGB(*ALARM)
            self.canvas.rect(LEFT, self.y - 3, 1.2 * MM, line.size * LEADING, stroke=0, fill=1)
        self.y -= 9

    def scan(self, text: str, x: float, y: float, side: float) -> None:
        """A QR symbol with its quiet zone, the upper left corner at (x, y)."""
        cells = square(text, "M")
        step = side / (len(cells) + 8)
        path = self.canvas.beginPath()
        for row, line in enumerate(cells):
            for column, dark in enumerate(line):
                if dark:
                    path.rect(x + (column + 4) * step, y - (row + 5) * step, step, step)
        self.canvas.setFillColorRGB(0, 0, 0)
        self.canvas.drawPath(path, stroke=0, fill=1)

    # Tables

    def table(self, columns: Sequence[Column], rows: Iterable[Sequence[Cell]], size: float = 8, none: str = "") -> None:
        """Rows under headings, which are repeated on every page. A row that is longer than a page goes on on the next.

        none : what is said instead of a table without rows
        """
        started = False
        for row in rows:
            found = [
                set_lines(cell, column.tone, size, column.share * ROOM - GAP)
                for column, cell in zip(columns, row, strict=True)
            ]
            height = max(_height(lines) for lines in found) + 2 * PAD
            if not started:
                self.need(min(height, TALL) + 16)
                self._heads(columns, size)
                started = True
            elif self.y - min(height, TALL) < BOTTOM:
                self.turn()
                self._heads(columns, size)
            self._row(columns, found, size)
        if not started and none:
            self.text((Bit(none, "quiet"),), size + 1)
        self.y -= 4

    def _heads(self, columns: Sequence[Column], size: float) -> None:
        small = size - 1.2
        titles = [broken(c.title, "strong", small, c.share * ROOM - GAP) for c in columns]
        self.y -= max(len(t) for t in titles) * small * LEADING + 2
        placed = []
        for (x, room), column, lines in zip(_places(columns), columns, titles, strict=True):
            y = self.y + (len(lines) - 1) * small * LEADING
            for line in lines:
                at = x + room - width(line, "strong", small) if column.right else x
                placed.append((at, y, Line(line, "head", False, small)))
                y -= small * LEADING
        self.lines(placed)
        self.y -= 3
        self.rule(self.y, 0.7, INK)

    def _row(self, columns: Sequence[Column], cells: list[list[Line]], size: float) -> None:
        """One row; while it does not fit, what fits of it, and the rest on the next page."""
        while True:
            room = self.y - BOTTOM - 2 * PAD
            now = [_fitting(lines, room) for lines in cells]
            height = max(_height(lines) for lines in now) + 2 * PAD
            placed = []
            for (x, space), column, lines in zip(_places(columns), columns, now, strict=True):
                y = self.y - PAD
                for line in lines:
                    y -= line.size * LEADING
                    at = x + space - width(line.text, FACE[line.tone], line.size) if column.right else x
                    placed.append((at, y + line.size * 0.25, line))
            self.lines(placed)
            self.y -= height
            self.rule(self.y, 0.25, HAIR)
            cells = [lines[len(shown) :] for lines, shown in zip(cells, now, strict=True)]
            if not any(cells):
                return
            self.turn()
            self._heads(columns, size)


def fitting(text: str, face: Face, size: float, room: float) -> float:
    """The size, or the smaller one at which the text takes no more than the room."""
    return min(size, size * room / max(width(text, face, size), 0.1))


def _places(columns: Sequence[Column]) -> list[tuple[float, float]]:
    """Where each column begins, and the room for its text."""
    found, x = [], LEFT
    for column in columns:
        found.append((x, column.share * ROOM - GAP))
        x += column.share * ROOM
    return found


def _height(lines: Sequence[Line]) -> float:
    return sum(line.size * LEADING for line in lines)


def _fitting(lines: list[Line], room: float) -> list[Line]:
    """As many lines as there is room for, and at least one."""
    used, count = 0.0, 0
    for line in lines:
        used += line.size * LEADING
        if used > room and count:
            break
        count += 1
    return lines[:count]
