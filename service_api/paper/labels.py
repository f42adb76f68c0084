"""Tag labels and badges: Code 128 and QR of the same text, the unit's number in words between them.

The symbols come from kept libraries as modules; they are drawn here on a grid of whole modules, so that every edge
falls on a dot of the printer. Quiet zones: 10 modules beside Code 128 (ISO/IEC 15417), 4 around QR (ISO/IEC 18004);
both numbers from memory, the reading back in the tests is what counts.
"""

import io
from hashlib import sha256
from html import escape
from typing import NamedTuple

QUIET_BAR, QUIET_QR = 10, 4
BAR_HEIGHT = 36  # modules
TEXT_HEIGHT = 14
QR_SCALE = 2  # modules of the label per module of the QR symbol


class Box(NamedTuple):
    """A dark rectangle, in modules."""

    x: int
    y: int
    width: int
    height: int


class Label(NamedTuple):
    width: int
    height: int
    boxes: tuple[Box, ...]
    tag: str
    words: str
    text_x: int
    text_y: int


def bars(text: str) -> str:
    """The modules of a Code 128 symbol with start, check and stop: 1 dark, 0 light, no quiet zones."""
    from barcode import Code128  # python-barcode

    (modules,) = Code128(text).build()
    return str(modules)


def square(text: str, level: str = "H") -> list[list[bool]]:
    """The modules of a QR symbol of an error correction level, no quiet zone; True is dark."""
    import zxingcpp

    how = {} if text.isascii() else {"eci": "UTF-8"}  # said in the symbol, so that every reader takes it so
    made = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level=level, **how)
    image = made.to_image(scale=1, add_quiet_zones=False)
    rows, columns = image.shape[:2]
    view = memoryview(image).cast("B")  # type: ignore[arg-type]
    return [[view[row * columns + column] < 128 for column in range(columns)] for row in range(rows)]


def layout(tag: str, unit: str | None) -> Label:
    """The label in whole modules: bars at the left with the words under them, QR at the right."""
    modules, cells = bars(tag), square(tag)
    side = (len(cells) + 2 * QUIET_QR) * QR_SCALE
    left = len(modules) + 2 * QUIET_BAR
    height = max(side, BAR_HEIGHT + TEXT_HEIGHT + 2 * QUIET_QR)
    boxes = [Box(QUIET_BAR + at, QUIET_QR, width, BAR_HEIGHT) for at, width in _runs([m == "1" for m in modules])]
    for y, row in enumerate(cells):
        top = (QUIET_QR + y) * QR_SCALE
        boxes += [Box(left + (QUIET_QR + at) * QR_SCALE, top, width * QR_SCALE, QR_SCALE) for at, width in _runs(row)]
    words = unit or ""
    return Label(left + side, height, tuple(boxes), tag, words, QUIET_BAR, QUIET_QR + BAR_HEIGHT + 2)


def _runs(row: list[bool]) -> list[tuple[int, int]]:
    """(start, length) of every run of dark modules."""
    found: list[tuple[int, int]] = []
    for at, dark in enumerate(row):
        if dark and found and sum(found[-1]) == at:
            found[-1] = (found[-1][0], found[-1][1] + 1)
        elif dark:
            found.append((at, 1))
    return found


def svg(tag: str, unit: str | None) -> bytes:
    """The label as SVG, one user unit a module, a third of a millimetre wide."""
    label = layout(tag, unit)
    title = f"Label of {label.words}, tag {tag}" if label.words else f"Label of tag {tag}"
    return _svg(
        label,
        title,
        f'<text x="{label.text_x}" y="{label.text_y + 11}" font-family="sans-serif" font-size="13" font-weight="bold">'
        f"{escape(label.words)}</text>"
        f'<text x="{label.text_x + 82}" y="{label.text_y + 11}" font-family="monospace" font-size="8">'
        f"{escape(tag)}</text>",
    )


def badge_svg(badge: str, name: str) -> bytes:
    """A person's badge as SVG: the two symbols of its text, the name under the bars, the text under the name."""
    label = layout(badge, name)
    room = (label.text_x + len(bars(badge))) // 5  # characters of this size beside one another
    short = name if len(name) <= room else name[: room - 1] + "\N{HORIZONTAL ELLIPSIS}"
    return _svg(
        label,
        f"Badge of {name}",
        f'<text x="{label.text_x}" y="{label.text_y + 9}" font-family="sans-serif" font-size="9" font-weight="bold">'
        f"{escape(short)}</text>"
        f'<text x="{label.text_x}" y="{label.text_y + 18}" font-family="monospace" font-size="7">'
        f"{escape(badge)}</text>",
    )


def _svg(label: Label, title: str, words: str) -> bytes:
    path = "".join(f"M{b.x} {b.y}h{b.width}v{b.height}h-{b.width}z" for b in label.boxes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {label.width} {label.height}"'
        f' width="{label.width / 3:.2f}mm" height="{label.height / 3:.2f}mm"><title>{escape(title)}</title>'
        f'<rect width="{label.width}" height="{label.height}" fill="#fff"/>'
        f'<path d="{path}" fill="#000" shape-rendering="crispEdges"/>'
        f"{words}</svg>"
    ).encode()


def png(tag: str, unit: str | None, dots: int = 4) -> bytes:
    """The label as PNG, `dots` pixels a module."""
    from PIL import Image, ImageDraw, ImageFont

    label = layout(tag, unit)
    image = Image.new("L", (label.width * dots, label.height * dots), 255)
    draw = ImageDraw.Draw(image)
    for b in label.boxes:
        draw.rectangle((b.x * dots, b.y * dots, (b.x + b.width) * dots - 1, (b.y + b.height) * dots - 1), fill=0)
    large, small = ImageFont.load_default(13 * dots), ImageFont.load_default(8 * dots)
    draw.text((label.text_x * dots, label.text_y * dots), label.words, font=large, fill=0, anchor="lt")
    draw.text(((label.text_x + 82) * dots, (label.text_y + 3) * dots), tag, font=small, fill=0, anchor="lt")
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def digest(content: bytes) -> str:
    return sha256(content).hexdigest()[:32]
