"""Who and what the demo depot has (JOB.md section 8). Plain data; all of it invented."""

from typing import Any

ORIGIN = "skerrivane.example/depot"
ZONE = "+01:00"

# Badges and PINs as invented as the people: everybody may read them here
PEOPLE = [
    {"id": "orrin.tamsley", "name": "Orrin Tamsley", "role": "bench", "badge": "FP.0RR1N0", "pin": "1207"},
    {"id": "pell.marrowby", "name": "Pell Marrowby", "role": "bench", "badge": "FP.PELL10", "pin": "2318"},
    {"id": "fen.quillary", "name": "Fen Quillary", "role": "bench", "badge": "FP.FEN100", "pin": "3429"},
    {"id": "juno.sarrat", "name": "Juno Sarrat", "role": "bench", "badge": "FP.JUN100", "pin": "4530"},
    {"id": "bertil.oake-lund", "name": "Bertil Oake-Lund", "role": "stores", "badge": "FP.BERT10", "pin": "5641"},
    {"id": "iska.thornwell", "name": "Iska Thornwell", "role": "manager", "badge": "FP.1SK100", "pin": "6752"},
]

PARTIES = [
    {"id": "skerrivane", "name": "Skerrivane Tool Depot"},
    {"id": "harl-tidal-array", "name": "Harl Tidal Array"},
    {"id": "sound-skerry-ferries", "name": "Sound & Skerry Ferries"},
    {"id": "cendry-slipworks", "name": "Cendry Slipworks"},
    {"id": "gannet-rotor-parts", "name": "Gannet Rotor Parts"},
    {"id": "hollow-lane-bearings", "name": "Hollow Lane Bearings"},
    {"id": "copperfirth-screw-nut", "name": "Copperfirth Screw and Nut"},
]


def _machine(unit: str, serial: str, start: str, tag: str, origin: str = "used") -> dict[str, Any]:
    """One machine: its hours when the book began, and the eight characters of its tag."""
    return {
        "id": unit,
        "class": unit[:3],
        "serial": serial,
        "origin": origin,
        "meters": [{"meter": "hours", "uom": "h", "rolls_at": "10000", "start": start}],
        "tag": tag,
    }


UNITS = [
    _machine("SEL-001", "88-1397", "388.0", "L8SCURVS"),
    _machine("SEL-002", "88-1401", "512.5", "NH0VFT7N"),
    _machine("SEL-003", "88-1405", "476.0", "153CGX7D"),
    _machine("SEL-004", "88-1412", "121.0", "J3K70S6E"),
    _machine("SEL-005", "88-1418", "240.0", "85XTD5TU"),
    _machine("SEL-006", "88-1420", "655.5", "24LLF440"),
    _machine("SEL-007", "88-1426", "345.0", "X06T65X5"),
    _machine("SEL-008", "91-0033", "12.0", "9B6JPN65", "new"),
    _machine("SEL-009", "91-0034", "0.0", "R6D90CE5", "new"),
    _machine("FAC-001", "74-2210", "820.4", "482B9VLK"),
    _machine("FAC-002", "74-2213", "790.0", "0LPRB29C"),
    _machine("FAC-003", "74-2219", "835.6", "V9GRB5GG"),
    _machine("FAC-004", "74-2224", "402.0", "R5180SCX"),
    _machine("FAC-005", "74-2231", "366.1", "D0JUECDK"),
    _machine("FAC-006", "74-2237", "20.8", "V0F1R5L6"),
    _machine("FAC-007", "74-2240", "511.3", "3T7VFCHC"),
    _machine("FAC-008", "79-0102", "0.0", "H8TF3KST", "new"),
]


def _gauge(
    unit: str, class_: str, name: str, tag: str, uom: str, span: tuple[str, str], points: str, allowed: str
) -> dict[str, Any]:
    """One gauge: its range, the points at which it is calibrated, and its allowed error, all in `uom`."""
    return {
        "id": unit,
        "class": class_,
        "name": name,
        "serial": f"K-{unit[2:]}-{tag[:3]}",
        "origin": "used",
        "tag": tag,
        "uom": uom,
        "range": list(span),
        "points": points.split(),
        "allowed": allowed,
    }


GAUGES = [
    _gauge("G-001", "GCALIPER", "caliper 150 mm", "UCX91E26", "mm", ("0", "150"), "10.00 50.00 150.00", "0.05"),
    _gauge("G-004", "GSPRING", "spring balance 100 N", "2N4SR9G5", "N", ("0", "100"), "20 50 100", "2"),
    _gauge("G-006", "GFEELER", "feeler set", "S12LJD17", "mm", ("0.03", "1.00"), "0.05 0.25 1.00", "0.01"),
    _gauge("G-007", "GTORQUE", "torque wrench 150 N.m", "SLCV8FNE", "N.m", ("20", "150"), "40 80 150", "2"),
    _gauge("G-008", "GTORQUE", "torque gauge 10 N.m", "64SK4NUE", "N.m", ("0.5", "10.0"), "1.0 5.0 10.0", "0.2"),
    _gauge(
        "G-009", "GPRESSURE", "pressure reference 16 bar", "35EC41XE", "bar", ("0", "16"), "2.00 6.30 10.00", "0.05"
    ),
    _gauge("G-011", "GLEVER", "lever dial 0.8 mm", "94FLX5HF", "mm", ("0", "0.8"), "0.10 0.40 0.80", "0.010"),
    _gauge("G-014", "GNOISE", "noise meter", "GRSBG89G", "dB[SPL]", ("30", "130"), "74.0 94.0 114.0", "1.0"),
    _gauge("G-015", "GTENSION", "belt tension meter", "D43DVJ5N", "Hz", ("10", "500"), "20 45 100", "1"),
    _gauge("G-017", "GDIAL", "dial 10 mm, rack 2", "UJXHC2UU", "mm", ("0", "10"), "0.10 0.20 0.50 1.00", "0.008"),
    _gauge("G-021", "GDIAL", "dial 10 mm, field case", "TCRKP1T9", "mm", ("0", "10"), "0.10 0.20 0.50 1.00", "0.008"),
    _gauge("G-022", "GDIAL", "dial 10 mm, bench 1", "CJRP8VG8", "mm", ("0", "10"), "0.10 0.20 0.50 1.00", "0.008"),
    _gauge("G-023", "GDIAL", "dial 10 mm, Kelderwick", "TRR9BN5K", "mm", ("0", "10"), "0.10 0.20 0.50 1.00", "0.008"),
]
