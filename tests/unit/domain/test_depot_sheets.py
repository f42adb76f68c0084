"""The depot's sheets against JOB.md section 2: a table kept by hand, row by row.

Two figures in one row are two characteristics. Limits are in the sheet's uom; `-` is one that the paper does not have.
`new` is its end nearer to the limits. Where the paper's limit is words, a blocking check stands beside the row.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from service_api.calc import uom
from service_api.domain.sheets import Sheet
from service_api.wire.derive import load

SHEETS = Path(__file__).parents[3] / "seed" / "sheets"
CLASSES = ("SEL", "BOR", "FAC", "ACH", "HPU", "HTT", "MBD", "MIL")

# code, worse, uom, new, adjust, watch, replace (of a window low..high), U, rule, variants
ROWS = """
SEL-BL    higher circ  0.06   0.12  0.20   0.33     0.02   guarded -
SEL-BR    higher circ  0.02   -     0.08   0.14     0.03   simple  -
SEL-TF    higher mm    0.02   0.05  -      0.12     0.01   simple  -
SEL-GC    higher mm    0.02   0.04  -      -        0.01   simple  -
SEL-GD    window N     40     -     -      20..50   3      simple  -
SEL-WS    higher mm    0.01   -     0.04   0.06     0.01   simple  -
SEL-BP    higher mm    0.000  0.010 -      0.050    0.005  guarded -
SEL-BT    window N.m   3.5    -     -      2.0..3.5 0.2    simple  -
SEL-RT    higher mm    0.030  0.050 0.080  0.100    0.010  simple  -
SEL-RTA   higher mm    0.020  0.050 0.080  0.100    0.010  simple  -
SEL-WP    higher mm    0.10   0.15  0.25   0.40     0.02   simple  -
SEL-VW    lower  mm    18.00  -     16.50  16.00    0.05   simple  -
SEL-RE    higher mm    0.10   -     -      0.15     0.01   simple  -
SEL-PG    higher mm    0.02   -     0.06   0.08     0.01   simple  -
SEL-PGO   higher mm    0.02   -     0.06   0.08     0.01   simple  -
SEL-AC    higher mm    0.10   0.25  -      -        0.03   simple  -
SEL-BF    window Hz    45     -     -      40..50   1      simple  -
BOR-DW    lower  mm    59.981 -     59.950 59.920   0.004  simple  -
BOR-ST    higher mm    0.02   -     0.05   0.10     0.01   simple  -
BOR-IC    higher mm    0.050  -     0.080  0.120    0.010  simple  -
BOR-KY    higher mm    0.03   -     0.12   0.20     0.02   simple  -
BOR-DB    higher mm    0.010  0.020 -      0.060    0.005  guarded -
BOR-AB    higher circ  0.05   0.15  0.22   0.33     0.02   guarded -
BOR-TS    higher mm    0.02   -     0.08   0.10     0.01   simple  -
BOR-MD    higher L/min 0.3    -     1.5    2.5      0.1    simple  H
BOR-IR    lower  MOhm  100    -     5      1        10%    guarded E
BOR-EB    higher Ohm   0.05   -     0.15   0.30     0.02   guarded E
BOR-BR    lower  mm    20     -     10     8        0.5    simple  E
FAC-AP    higher mm    0.02   0.06  -      0.15     0.01   guarded -
FAC-BL    higher circ  0.05   0.15  0.22   0.33     0.02   guarded -
FAC-GC    higher mm    0.02   0.05  -      -        0.01   simple  -
FAC-FL    higher mm    0.03   0.05  -      0.08     0.01   guarded -
FAC-CS    window N.m   80     -     -      72..88   2      guarded -
FAC-TR    window deg   0      -     -      -3..3    1      simple  -
FAC-WP    higher mm    0.05   0.12  0.20   0.30     0.02   simple  -
FAC-VW    lower  mm    14.00  -     12.80  12.50    0.05   simple  -
FAC-JS    higher circ  0.10   -     0.40   0.60     0.05   simple  -
ACH-CE    higher %     0.0    -     1.0    2.0      0.2    guarded -
ACH-CD    lower  %     100    -     94     90       1      guarded -
ACH-HT    higher mm    0      -     2      5        0.5    guarded -
ACH-BD    lower  mm    6.00   -     5.30   5.00     0.05   guarded -
ACH-BG    window mm    0.50   -     -      0.40..0.80 0.05 guarded -
ACH-VW    lower  mm    20.00  -     18.30  18.00    0.05   simple  -
ACH-SH    higher mm    0.0    -     0.5    1.0      0.1    guarded -
ACH-DU    higher %     0      -     80     100      -      simple  -
ACH-RD    lower  %     100    -     95     -        -      guarded winch
ACH-RB6   higher 1     0      -     -      -        -      guarded winch
ACH-RB30  higher 1     0      -     -      -        -      guarded winch
HPU-RP    window bar   700    -     -      690..705 3      guarded -
HPU-PE    higher %     0.3    -     -      1.0      0.15   guarded -
HPU-PD    higher bar   5      -     15     25       2      simple  -
HPU-FL50  lower  L/min 5.00   -     4.40   4.00     0.05   simple  -
HPU-FL600 lower  L/min 0.80   -     0.70   0.62     0.05   simple  -
HPU-OC-4  higher 1     17     -     19     21       1      simple  -
HPU-OC-6  higher 1     15     -     17     19       1      simple  -
HPU-OC-14 higher 1     12     -     14     16       1      simple  -
HPU-IR    lower  MOhm  100    -     5      1        10%    guarded E
HPU-HA    higher mo    0      -     48     60       0      simple  -
HTT-TE    higher %     1.0    -     2.0    3.0      0.5    guarded -
HTT-DT    higher deg   0      -     1.5    3.0      0.5    simple  -
HTT-RP    higher deg   1      -     3      4        0.5    simple  -
HTT-RC    choice 1     -      -     -      -        -      guarded -
HTT-CY    higher {cycle} 0    -     4000   5000     -      simple  -
MBD-MP    lower  kN    13.0   -     11.0   10.0     0.3    guarded -
MBD-MF    higher mm    0.02   0.08  -      -        0.01   simple  -
MBD-SR    higher mm    0.030  -     0.100  0.150    0.010  simple  -
MBD-GC    higher mm    0.03   0.08  -      -        0.01   simple  -
MBD-RB    higher deg   3      -     10     15       1      simple  -
MBD-BR    lower  mm    18     -     9      7        0.5    simple  -
MBD-IR1   lower  MOhm  100    -     5      1        10%    guarded I
MBD-IR2   lower  MOhm  100    -     5      2        10%    guarded II
MBD-EB    higher Ohm   0.05   -     0.20   0.30     0.02   guarded I
MIL-BLX   higher circ  -      -     -      0.33     0.02   guarded -
MIL-BLY   higher circ  -      -     -      0.33     0.02   guarded -
MIL-BLZ   higher circ  -      -     -      0.33     0.02   guarded -
MIL-GCX   higher mm    -      0.04  -      -        0.01   simple  -
MIL-GCY   higher mm    -      0.04  -      -        0.01   simple  -
MIL-GCZ   higher mm    -      0.04  -      -        0.01   simple  -
MIL-SR    higher mm    -      -     0.020  0.040    0.005  simple  -
MIL-DF    lower  kN    -      -     -      6.0      0.2    simple  -
MIL-LC    higher mm    -      -     -      0.02     0.005  simple  -
MIL-BT    higher mm/m  -      0.04  -      -        0.01   simple  -
MIL-MD    higher L/min -      -     -      2.5      0.1    simple  -
"""
TABLE = {line.split()[0]: line.split()[1:] for line in ROWS.strip().splitlines()}

# JOB.md section 2: a limit in words, and the blocking check that stands for it
IN_WORDS = {
    "SEL-BL": ("SEL", "feed-nut-backlash"),
    "SEL-GC": ("SEL", "gib-adjuster-left"),
    "SEL-BP": ("SEL", "main-bearing-smooth"),
    "SEL-AC": ("SEL", "actuator-bracket"),
    "SEL-BF": ("SEL", "belt-sound"),
    "FAC-GC": ("FAC", "slide-adjuster-left"),
    "FAC-CS": ("FAC", "clutch-linings"),
    "ACH-RD": ("ACH", "rope-discard"),
    "HPU-RP": ("HPU", "relief-steady"),
    "HPU-OC": ("HPU", "filter-when-dirty"),
    "HTT-RC": ("HTT", "reaction-arm-cracks"),
    "MBD-MF": ("MBD", "magnet-stock"),
    "MBD-GC": ("MBD", "gib-adjuster-left"),
}

# JOB.md section 2, "Stand": how many figures of each class have an edge, and what they are
STAND = {
    "BOR": {"57..63", "..110", "0.09..0.11", "..0.03", "135..145", "..40", "..0", "..82"},
    "ACH": {"..2", "..50", "90..110", "..0.5", "..0.3", "..85"},
    "HPU": {"..0", "..65", "..80"},
    "HTT": {"..0", "..3.0", "..80"},
    "MBD": {"..0.30", "1..", "2..", "430..470", "10..", "..110", "..90"},
    "MIL": {"..30", "..0.03"},
}


def raw(class_: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SHEETS / f"{class_}.json").read_text(encoding="utf-8"))
    return found


def told(row: dict[str, Any]) -> list[str]:
    kind = row["worse"] if row["kind"] == "limit" else row["kind"]
    new = row.get("new")
    near = "-" if new is None else new[0] if kind == "lower" else new[1]
    limit = f"{row['low']}..{row['high']}" if kind == "window" else row.get("replace", "-")
    u = f"{row['uncertainty_percent']}%" if "uncertainty_percent" in row else row.get("uncertainty", "-")
    marks = [row.get("adjust", "-"), row.get("watch", "-"), limit]
    return [kind, row["uom"], near, *marks, u, row["rule"], ",".join(row.get("variants", ["-"]))]


@pytest.mark.parametrize("class_", CLASSES)
def test_every_row_of_section_2_stands_in_the_sheet_and_no_other(class_: str) -> None:
    rows = {row["code"]: told(row) for row in raw(class_)["characteristics"]}
    assert {code: row for code, row in TABLE.items() if code.startswith(class_)} == rows


@pytest.mark.parametrize("class_", (*CLASSES, "BAR"))
def test_a_sheet_is_whole(class_: str) -> None:
    """Slots, checks and characteristics that a row names are there, once; every uom is known."""
    sheet = raw(class_)
    load(Sheet, sheet)
    slots = [s["slot"] for s in sheet["slots"]]
    codes = [c["code"] for c in sheet["characteristics"]]
    checks = [c["check"] for c in sheet["checks"]]
    tests = [t["test"] for t in sheet["tests"]]
    for names in (slots, codes, checks, tests):
        assert len(set(names)) == len(names)
    named = {c["slot"] for c in sheet["characteristics"] if "slot" in c}
    named |= {x["slot"] for m in sheet["complaints"] for x in m["causes"] if "slot" in x}
    named |= {slot for c in sheet["cautions"] for slot in c["when"].get("slots", ())}
    assert set(slots) >= named
    assert set(codes) >= {c["characteristic"] for c in sheet["checks"] if "characteristic" in c}
    units = [c["uom"] for c in sheet["characteristics"]] + [t["uom"] for t in sheet["tests"] if "uom" in t]
    units += [w["uom"] for t in sheet["tests"] for w in t.get("conditions", {}).values()]
    for code in units:
        uom.dimension(code)
    assert all("uom" in t for t in sheet["tests"] if "low" in t or "high" in t)


@pytest.mark.parametrize("row", IN_WORDS)
def test_a_limit_in_words_is_a_blocking_check_beside_its_row(row: str) -> None:
    class_, check = IN_WORDS[row]
    assert [c["blocking"] for c in raw(class_)["checks"] if c["check"] == check] == [True]


@pytest.mark.parametrize("class_", STAND)
def test_the_figures_of_the_stand_are_those_of_section_2(class_: str) -> None:
    edges = {f"{t.get('low', '')}..{t.get('high', '')}" for t in raw(class_)["tests"] if "low" in t or "high" in t}
    assert STAND[class_] == edges


CAUTIONS = {  # JOB.md section 7, "Show when": hazards of the class's energies
    "BOR": {"hydraulic-injection", "electric-shock"},
    "ACH": {"trapped-air", "hoist-after-repair", "stored-spring", "hose-whip"},
    "HPU": {"hydraulic-injection", "electric-shock"},
    "HTT": {"hydraulic-injection"},
    "MBD": {"electric-shock", "magnet"},
    "MIL": {"hydraulic-injection"},
    "SEL": {"trapped-air", "hose-whip"},
    "FAC": {"trapped-air", "hose-whip"},
}
ENERGY = set().union(*CAUTIONS.values())


@pytest.mark.parametrize("class_", CAUTIONS)
def test_cautions_are_those_of_the_class_and_say_what_they_rest_on(class_: str) -> None:
    cautions = raw(class_)["cautions"]
    names = {c["caution"] for c in cautions}
    assert CAUTIONS[class_] == names & ENERGY
    assert names >= {"stored-energy", "back-to-work", "chemicals"}
    assert len(names) < 18
    assert all(c["rests_on"] and c["when"] for c in cautions)
