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


def _machine(
    unit: str,
    serial: str,
    start: str,
    tag: str,
    origin: str = "used",
    *,
    variant: str = "",
    meter: tuple[str, str] | None = ("hours", "h"),
    estimated: bool = False,
) -> dict[str, Any]:
    """One machine: its count when the book began, and the eight characters of its tag.

    estimated : it has no counter; its hours are written down by estimate
    """
    rolls_at = {"rolls_at": "10000"} if meter and meter[1] == "h" else {}
    meters = [{"meter": meter[0], "uom": meter[1], **rolls_at, "start": start}] if meter else []
    told = {"id": unit, "class": unit[:3], "serial": serial, "origin": origin, "meters": meters, "tag": tag}
    return told | ({"variant": variant} if variant else {}) | ({"estimated": True} if estimated else {})


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
    _machine("BOR-001", "51-3001", "3350.4", "B4DN12VJ", variant="H"),
    _machine("BOR-002", "51-3004", "3572.6", "3CK1H612", variant="H"),
    _machine("BOR-003", "51-3007", "1977.3", "EE272JE1", variant="H"),
    _machine("BOR-004", "51-3012", "1420.0", "VK37NNK1", variant="H"),
    _machine("BOR-005", "52-0118", "905.5", "KKD171JX", variant="E"),
    _machine("BOR-006", "52-0121", "611.2", "49E4J3K9", variant="E"),
    _machine("BOR-007", "52-0130", "0.0", "JVP53KKN", "new", variant="E"),
    _machine("ACH-001", "63-1102", "310.0", "6C3JR2K1", estimated=True),
    _machine("ACH-002", "63-1105", "455.0", "L6GPJETB", estimated=True),
    _machine("ACH-003", "63-1109", "280.0", "FKFC97U5", estimated=True),
    _machine("ACH-004", "63-1117", "612.4", "RT72K9HG"),
    _machine("ACH-005", "63-1120", "498.8", "BSF9L23H"),
    _machine("ACH-006", "63-1126", "377.1", "E5TB4GE1"),
    _machine("ACH-007", "63-1133", "150.5", "P2TJKUVB"),
    _machine("ACH-008", "63-1140", "0.0", "BRCLGKUF", "new"),
    _machine("HPU-001", "30-0771", "840.0", "2V28GRP2", variant="E"),
    _machine("HPU-002", "30-0774", "655.2", "1SR9NKPV", variant="E"),
    _machine("HPU-003", "30-0780", "512.9", "F9RDPC0F", variant="A"),
    _machine("HPU-004", "30-0786", "301.0", "C5L3G16T", variant="A"),
    _machine("HPU-005", "30-0791", "120.4", "94S7DDXG", variant="E"),
    _machine("HTT-001", "31-2208", "0", "25FDJ84V", meter=("cycles", "{cycle}")),
    _machine("HTT-002", "31-2211", "0", "EXJ8RECP", meter=("cycles", "{cycle}")),
    _machine("HTT-003", "31-2215", "0", "D742547P", meter=("cycles", "{cycle}")),
    _machine("HTT-004", "31-2220", "0", "70GVK589", meter=("cycles", "{cycle}")),
    _machine("HTT-005", "31-2226", "0", "04EJCLKB", meter=("cycles", "{cycle}")),
    _machine("MBD-001", "45-6610", "", "4RXHLNPS", variant="I", meter=None),
    _machine("MBD-002", "45-6612", "", "1FXTXPUJ", variant="I", meter=None),
    _machine("MBD-003", "45-6619", "", "DDDD3GND", variant="I", meter=None),
    _machine("MBD-004", "45-6623", "", "1626F53B", variant="I", meter=None),
    _machine("MBD-005", "46-0042", "", "L130K4J3", variant="II", meter=None),
    _machine("MBD-006", "46-0047", "", "CL02X6LD", variant="II", meter=None),
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
    _gauge(
        "G-002", "GMICRO", "micrometer 50 to 75 mm", "4N8CLCG3", "mm", ("50", "75"), "50.000 60.000 75.000", "0.002"
    ),
    _gauge("G-003", "GMICRO", "micrometer 0 to 25 mm", "3XGFGG92", "mm", ("0", "25"), "5.000 10.000 25.000", "0.002"),
    _gauge("G-010", "GPRESSURE", "pressure reference 1000 bar", "43SBS8GV", "bar", ("0", "1000"), "100 400 700", "1"),
    _gauge(
        "G-012",
        "GINSULATION",
        "insulation tester 500 V",
        "R5H06HC4",
        "MOhm",
        ("0.1", "1000.0"),
        "1.0 10.0 100.0",
        "0.1",
    ),
    _gauge("G-013", "GBOND", "bond tester", "RJ0TH9NX", "Ohm", ("0.01", "2.00"), "0.10 0.50 1.00", "0.01"),
    _gauge("G-016", "GPULL", "pull rig 20 kN", "2RX8HC5C", "kN", ("1.0", "20.0"), "5.0 10.0 15.0", "0.1"),
    _gauge(
        "G-018",
        "GTRANSDUCER",
        "torque transducer 10 kN.m",
        "T7JJTHBN",
        "N.m",
        ("500", "10000"),
        "1000 5000 10000",
        "20",
    ),
]
