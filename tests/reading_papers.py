"""Papers read back by others: text and pictures by a PDF library, squares by two readers of barcodes."""

import shutil
import subprocess
import tempfile
from pathlib import Path

import pypdfium2
import pytest
import zxingcpp
from PIL import Image


def pages(content: bytes) -> list[str]:
    """The text of each page, lines as they stand."""
    with pypdfium2.PdfDocument(content) as document:
        return [page.get_textpage().get_text_range().replace("\r\n", "\n") for page in document]


def text(content: bytes) -> str:
    """All of it, whatever lines were broken joined again by single spaces."""
    return " ".join(" ".join(pages(content)).split())


def sizes(content: bytes) -> set[tuple[float, float]]:
    """The sizes of the pages in millimetres, to a tenth."""
    with pypdfium2.PdfDocument(content) as document:
        return {tuple(round(side / 72 * 25.4, 1) for side in page.get_size()) for page in document}


def picture(content: bytes, page: int = 0, dots: int = 200) -> Image.Image:
    """A page as a printer of so many dots an inch would set it."""
    with pypdfium2.PdfDocument(content) as document:
        return document[page].render(scale=dots / 72).to_pil().convert("L")


def squares(content: bytes, page: int = 0) -> list[str]:
    """What the QR symbol of a page says, if it has one; both readers have to agree."""
    image = picture(content, page)
    found = sorted(code.text for code in zxingcpp.read_barcodes(image, zxingcpp.BarcodeFormat.QRCode))
    assert found == _by_zbar(image)
    return found


def _by_zbar(image: Image.Image) -> list[str]:
    if shutil.which("zbarimg") is None:
        pytest.skip("no second reader of barcodes: install zbar-tools")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "page.png"
        image.save(file)
        command = ["zbarimg", "--quiet", "--raw", "--nodbus", "-Sdisable", "-Sqrcode.enable", str(file)]
        said = subprocess.run(command, capture_output=True, check=False).stdout.decode()
    return [said.removesuffix("\n")] if said else []


def fonts(content: bytes) -> set[bool]:
    """Whether each font of the document travels inside it."""
    with pypdfium2.PdfDocument(content) as document:
        found = set()
        for page in document:
            for thing in page.get_objects(filter=(pypdfium2.raw.FPDF_PAGEOBJ_TEXT,), max_depth=3):
                font = pypdfium2.raw.FPDFTextObj_GetFont(thing)
                found.add(bool(pypdfium2.raw.FPDFFont_GetIsEmbedded(font)))
        return found
