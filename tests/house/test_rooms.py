"""Which room may import which (DESIGN section 2), read from the source; and what no room may do."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import service_api

PACKAGE = Path(service_api.__file__).parent
FILES = sorted(p for p in PACKAGE.rglob("*.py") if "_travelling" not in p.parts)

# The table of DESIGN section 2. The meeting place is several files since they were parted from
# recording: what recording may import, they may, and one another.
MEET = {
    "recording",
    "answering",
    "bundles",
    "carried",
    "certificates",
    "competences",
    "customers",
    "dossiers",
    "filing",
    "falling_due",
    "fleet",
    "gates",
    "judging",
    "late",
    "ledgers",
    "lots",
    "pages",
    "permits",
    "releasing",
}
MEETING = MEET | {"wire", "domain", "projections", "log", "directory", "calc", "proving"}
ANYTHING = None
MAY_IMPORT: dict[str, set[str] | None] = {
    "calc": set(),
    "log": set(),
    "domain": {"calc"},
    # Departure: `calc`, for the table of units of measure: a schema refuses a uom that is none.
    "wire": {"domain", "calc"},
    "paper": {"domain"},
    "projections": {"domain", "calc"},
    "directory": {"domain"},
    "proving": {"log", "domain"},
    **dict.fromkeys(MEET, MEETING),
    "http": {
        "recording",
        "answering",
        "bundles",
        "dossiers",
        "customers",
        "competences",
        "permits",
        "wire",
        "paper",
        "domain",
        "directory",
        "projections",
        "settings",
        "releasing",
    },
    "clocks": {"domain"},
    "settings": set(),
    "ops": ANYTHING,
    "cli": ANYTHING,
    "app": ANYTHING,
    "wsgi": ANYTHING,
}
# calc.uom only: the departure above is no open door to numbers in wire
NARROW = {("wire", "calc"): {"service_api.calc.uom"}}
CLOCKS = {
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
    ("time", "time"),
    ("time", "clock_gettime"),
}
HEAVY = {"numpy", "scipy", "pandas", "matplotlib"}


def room(file: Path) -> str:
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """(line, module) of every import, inside functions and under TYPE_CHECKING too."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: imports are absolute, so that they can be read"
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def ours(tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    """(line, room, module) of every import of ours; the package itself holds the version only."""
    for line, module in imports(tree):
        parts = module.split(".")
        if parts[0] == "service_api" and parts[1:] not in ([], ["__version__"]):
            yield line, parts[1], module


def breaks(name: str, tree: ast.AST) -> list[str]:
    """What a room's file imports that it may not."""
    allowed = MAY_IMPORT[name]
    found = []
    for line, other, module in ours(tree):
        narrow = NARROW.get((name, other))
        inside = allowed is ANYTHING or other in (allowed | {name})
        if not inside or (narrow and not any(module == n or module.startswith(n + ".") for n in narrow)):
            found.append(f"line {line}: {name} imports {module}")
    return found


def trees() -> list[tuple[Path, ast.AST]]:
    return [(file, ast.parse(file.read_text("utf-8"))) for file in FILES]


def test_every_room_is_in_the_table():
    assert MAY_IMPORT.keys() == {room(file) for file in FILES} - {"__init__"}


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_a_room_imports_only_what_the_table_allows(file):
    if file.name == "__init__.py" and file.parent == PACKAGE:
        assert [] == list(ours(ast.parse(file.read_text("utf-8"))))
    else:
        assert [] == breaks(room(file), ast.parse(file.read_text("utf-8")))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("domain", "from service_api.log import store"),
        ("domain", "def late():\n    from service_api.wire.entries import splice"),
        ("calc", "import service_api.domain.sheets"),
        ("wire", "from service_api.calc.lines import fit_line"),
        ("wire", "from service_api.calc import lines"),
        ("http", "from service_api.log.store import Book"),
    ],
)
def test_an_import_that_breaks_the_table_would_show(name, text):
    assert 1 == len(breaks(name, ast.parse(text)))


def reads_a_clock(tree: ast.AST) -> list[int]:
    """Lines that name a clock, called or handed on, or import one bare."""
    named = (
        n for n in ast.walk(tree) if isinstance(n, ast.Attribute) and isinstance(n.value, ast.Name | ast.Attribute)
    )
    found = [n.lineno for n in named if (_last(n.value), n.attr) in CLOCKS]
    return found + [line for line, module in imports(tree) if module in ("time.time", "time.time_ns")]


def _last(node: ast.expr) -> str:
    return node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")


def test_only_the_wiring_reads_a_clock():
    """Time is an argument everywhere else, so that a test and a demo can set it."""
    assert ["app.py"] == [str(f.relative_to(PACKAGE)) for f, tree in trees() if reads_a_clock(tree)]


@pytest.mark.parametrize(
    "text",
    [
        "datetime.now(UTC)",
        "datetime.datetime.utcnow",
        "time.time()",
        "from time import time",
        "time.clock_gettime(time.CLOCK_BOOTTIME)",
    ],
)
def test_a_clock_would_show(text):
    assert [1] == reads_a_clock(ast.parse(text))


def at_module_level(tree: ast.AST) -> Iterator[str]:
    """What is imported as soon as the module is."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield from (module.split(".")[0] for _, module in imports(node))
        waiting += ast.iter_child_nodes(node)


def test_heavy_numerics_load_on_first_use():
    assert [] == [
        (str(f), sorted(HEAVY & set(at_module_level(tree))))
        for f, tree in trees()
        if HEAVY & set(at_module_level(tree))
    ]
    assert {"numpy"} == set(at_module_level(ast.parse("try:\n    import numpy\nexcept ImportError:\n    pass")))
    assert set() == set(at_module_level(ast.parse("def f():\n    import numpy")))


def test_help_comes_at_once():
    """The command's module loads neither the web framework nor the store."""
    program = "import sys, service_api.cli; print(*sorted(m for m in sys.modules if '.' not in m))"
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    slow = {
        "flask",
        "sqlalchemy",
        "alembic",
        "marshmallow",
        "apispec",
        "waitress",
        "PIL",
        "barcode",
        "zxingcpp",
        "reportlab",
        *HEAVY,
    }
    assert [] == sorted(slow & set(loaded))
    assert "click" in loaded


def test_a_start_loads_nothing_that_draws():
    """PERFORMANCE, goal 20: what draws pages is imported to draw one."""
    program = "import sys, service_api.app, service_api.http; print(*sorted(m for m in sys.modules if '.' not in m))"
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert [] == sorted({"reportlab", "PIL", "barcode", "zxingcpp"} & set(loaded))
    assert "flask" in loaded
