"""One adapter for each kind of check value: the inputs of a case in, the answers of our public functions out."""

import re
import struct
from ast import literal_eval
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from hashlib import sha256
from typing import Any

from barcode import Code128
from barcode.charsets import code128 as symbology
from PIL import Image
from zxingcpp import read_barcodes

from service_api.calc import check_characters, lines, lost_motion, proportions, uom
from service_api.domain import ids, moments
from service_api.log import merkle
from service_api.wire import canonical

Inputs = dict[str, Any]
Answer = dict[str, Any]


class NotJudged(Exception):
    """This case cannot be judged through our public functions, and why."""


def ols_line(inputs: Inputs) -> Answer:
    line = lines.fit_line(inputs["x"], inputs["y"])
    level = inputs.get("level", 0.95)
    got: Answer = {
        "slope": line.slope,
        "intercept": line.intercept,
        "se_slope": line.se_slope,
        "se_intercept": line.se_intercept,
        "resid_sd": line.residual_sd,
        "r2": line.r2,
        "sse": line.sse,
        "corr_slope_intercept": line.corr_slope_intercept,
    }
    for x0 in inputs.get("mean_at", []):
        got |= _estimate(f"mean_at_{x0}", line.mean_at(x0, level))
    for x0 in inputs.get("predict_at", []):
        got |= _estimate(f"predict_at_{x0}", line.predict_at(x0, level))
    return got


def _estimate(name: str, estimate: lines.Estimate) -> Answer:
    u, interval = estimate.u, estimate.interval
    return {
        name: estimate.value,
        f"{name}_var": None if u is None else u * u,
        f"{name}_u": u,
        f"{name}_lower": None if interval is None else interval.low,
        f"{name}_upper": None if interval is None else interval.high,
    }


def inverse_prediction(inputs: Inputs) -> Answer:
    line, y0, level = lines.fit_line(inputs["x"], inputs["y"]), inputs["y0"], inputs.get("level", 0.95)
    if inputs.get("mean_response"):
        found = lines.inverse_interval(line, y0, level)
    else:
        found = lines.inverse_of_readings(line, y0 if isinstance(y0, list) else [y0], level)
    return {
        "estimate": found.estimate,
        "lower": found.lower,
        "upper": found.upper,
        "g": found.g,
        "se_wald": found.se_wald,
        "half_width_wald": found.half_width_wald,
        "lower_wald": found.estimate - found.half_width_wald,
        "upper_wald": found.estimate + found.half_width_wald,
    }


def wilson_interval(inputs: Inputs) -> Answer:
    got = proportions.wilson(inputs["count"], inputs["n"], inputs.get("level", 0.95))
    return {"share": got.share, "lower": got.lower, "upper": got.upper}


def mod37_36(inputs: Inputs) -> Answer:
    payload = inputs["payload"]
    full = check_characters.with_check(payload)
    wrong = {full[:i] + other + full[i + 1 :] for i in range(len(full)) for other in check_characters.ALPHABET} - {full}
    swapped = [full[:i] + full[i + 1] + full[i] + full[i + 2 :] for i in range(len(full) - 1)]
    return {
        "check": check_characters.check_character(payload),
        "full": full,
        "undetected_substitutions": sum(check_characters.is_checked(text) for text in wrong),
        "undetected_adjacent_swaps": sum(check_characters.is_checked(text) for text in swapped if text != full),
    }


# Names as in Pint, which reads a unit as one of its names, behind a prefix or not.
PINT = {
    "meter": "m", "metre": "m", "gram": "g", "second": "s", "kelvin": "K", "newton": "N", "pascal": "Pa", "joule": "J",
    "watt": "W", "volt": "V", "ampere": "A", "ohm": "Ohm", "hertz": "Hz", "farad": "F", "henry": "H", "tesla": "T",
    "weber": "Wb", "siemens": "S", "coulomb": "C", "liter": "L", "litre": "L", "bar": "bar", "are": "ar",
    "metric_ton": "t", "dyne": "dyn", "erg": "erg", "poise": "P", "stokes": "St", "bit": "bit",
    "byte": "By", "calorie": "cal", "minute": "min", "hour": "h", "day": "d", "week": "wk", "year": "a", "month": "mo",
    "inch": "[in_i]", "foot": "[ft_i]", "yard": "[yd_i]", "mile": "[mi_i]", "thou": "[mil_i]",
    "nautical_mile": "[nmi_i]", "knot": "[kn_i]", "pound": "[lb_av]", "ounce": "[oz_av]", "dram": "[dr_av]",
    "grain": "[gr]", "pound_force": "[lbf_av]", "force_pound": "[lbf_av]", "lbf": "[lbf_av]",
    "psi": "[psi]", "pound_force_per_square_inch": "[psi]", "horsepower": "[HP]", "hp": "[HP]", "gallon": "[gal_us]",
    "quart": "[qt_us]", "pint": "[pt_us]", "fluid_ounce": "[foz_us]", "imperial_gallon": "[gal_br]",
    "short_ton": "[ston_av]", "long_ton": "[lton_av]", "atmosphere": "atm", "standard_gravity": "[g]",
    "turn": "circ", "revolution": "circ", "degree": "deg", "arcminute": "'", "arcsecond": "''", "grade": "gon",
    "degC": "Cel", "degree_Celsius": "Cel", "degF": "[degF]", "degree_Fahrenheit": "[degF]", "degree_Rankine": "[degR]",
    "dimensionless": "1", "percent": "%", "permille": "[ppth]", "ppm": "[ppm]",
}  # fmt: skip
PINT_PREFIXES = {
    "giga": "G", "mega": "M", "kilo": "k", "hecto": "h", "deci": "d", "centi": "c", "milli": "m", "micro": "u",
    "nano": "n",
}  # fmt: skip


def ucum_of(pint_name: str) -> str:
    """The UCUM code of a product of Pint names. Raises UnknownUom for a name outside the tables above."""
    code = ""
    for token in re.findall(r"\*\* *-?\d+|[*/]|[A-Za-z_]+|\S", pint_name):
        if token.startswith("**"):
            code += token.removeprefix("**").strip()
        elif token in "*/":
            code += {"*": ".", "/": "/"}[token]
        else:
            code += _atom_of(token)
    return code


def _atom_of(name: str) -> str:
    if name in PINT:
        return PINT[name]
    for prefix, short in PINT_PREFIXES.items():
        if name.startswith(prefix) and name.removeprefix(prefix) in PINT:
            return short + PINT[name.removeprefix(prefix)]
    raise uom.UnknownUom(f"{name!r} is no unit known here")


def unit_factor(inputs: Inputs) -> Answer:
    source, target = ucum_of(inputs["from"]), ucum_of(inputs["to"])
    return {
        "value": float(uom.convert(Decimal(inputs.get("value", "1")), source, target)),
        "exact_fraction": str(uom.factor(source, target)),
    }


def lost_motion_(inputs: Inputs) -> Answer:
    exact = {name: Fraction(str(value)) for name, value in inputs.items()}
    if "degrees" in exact:
        turns = lost_motion.turns_from_degrees(exact["degrees"])
    else:
        turns = lost_motion.turns_from_divisions(exact["divisions"], exact["divisions_per_turn"])
    if "lead_mm" in exact:
        lead = exact["lead_mm"]
    else:
        lead = lost_motion.lead_from_threads(exact["threads_per_inch"], int(exact.get("starts", Fraction(1))))
    travel = lost_motion.lost_motion(turns, lead)
    return {"mm": float(travel.mm), "inch": float(travel.inch)}


def code128(inputs: Inputs, text: str | None) -> Answer:
    """The symbol our labels draw for the text: its values as its bars show them, and as an independent reader reads it.

    The library chooses start set and switches, so a case that chooses others says nothing about our labels.
    """
    wanted = inputs["symbols"]
    if text is None:
        raise NotJudged("no text is given, and labels are drawn from text")
    if 102 in wanted:
        raise NotJudged("the symbol carries FNC1, which no label of ours prints")
    bars = Code128(text).build()[0]
    body = bars.removesuffix("11")  # the stop character ends in one more bar
    patterns = [body[i : i + 11] for i in range(0, len(body), 11)]
    values = [106 if pattern == symbology.STOP else symbology.CODES.index(pattern) for pattern in patterns]
    if values[:-2] != wanted:
        raise NotJudged(f"the label's library draws the same text as {values[:-2]}")
    quiet = "0" * 10
    row = bytes(0 if bar == "1" else 255 for bar in quiet + bars + quiet)
    image = Image.frombytes("L", (len(row), 1), row).resize((3 * len(row), 60), Image.Resampling.NEAREST)
    (read,) = read_barcodes(image)
    return {
        "check": values[-2],
        "all_symbols": values,
        "text": read.text,
        "modules": len(bars),
        "symbology_identifier": read.symbology_identifier,
    }


def jcs(inputs: Inputs) -> Answer:
    # The book's reader keeps fractions as Decimal so that none slips into an entry; RFC 8785 is about doubles.
    text = canonical.canonical(_doubles(canonical.parse(inputs["json"])))
    return {"utf8_hex": text.hex(), "sha256": sha256(text).hexdigest()}


def _doubles(value: Any) -> Any:
    match value:
        case Decimal():
            return float(value)
        case list():
            return [_doubles(item) for item in value]
        case dict():
            return {name: _doubles(item) for name, item in value.items()}
        case _:
            return value


def jcs_numbers(inputs: Inputs) -> Answer:
    return {"text": [canonical.canonical(_double(int(bits, 16))).decode() for bits in inputs["ieee754"]]}


def _double(bits: int) -> float:
    (number,) = struct.unpack(">d", bits.to_bytes(8, "big"))
    return float(number)


def jcs_number_stream(inputs: Inputs) -> Answer:
    digest, bits = sha256(), _stream(inputs["static_u64"])
    for _ in range(inputs["lines"]):
        number = next(bits)
        digest.update(b"%x,%s\n" % (number, canonical.canonical(_double(number))))
    return {"sha256": digest.hexdigest()}


def _stream(static: Sequence[str]) -> Iterator[int]:
    """The published sequence: listed doubles, then 2000 from the smallest normal one, then SHA-256 of SHA-256."""
    yield from (int(bits, 16) for bits in static)
    yield from range(0x0010000000000000, 0x0010000000000000 + 2000)
    block = bytes(32)
    while True:
        block = sha256(block).digest()
        for (bits,) in struct.iter_unpack("<Q", block):
            if bits << 1 & (1 << 64) - 1 and bits >> 52 & 0x7FF != 0x7FF:  # neither zero, nor infinite, nor NaN
                yield bits


PYTHON_WORDS = {"nan": float("nan"), "inf": float("inf"), "-inf": float("-inf")}


def jcs_refused(inputs: Inputs) -> Answer:
    return {"refused": [_is_refused(_literal(text)) for text in inputs["values"]]}


def _literal(text: str) -> Any:
    return PYTHON_WORDS[text] if text in PYTHON_WORDS else literal_eval(text)


def _is_refused(value: Any) -> bool:
    try:
        canonical.canonical(value)
    except ValueError:
        return True
    return False


def merkle_roots(inputs: Inputs) -> Answer:
    leaves = _leaves(inputs)
    wanted = inputs.get("sizes", range(len(leaves) + 1))
    if any(not 0 <= size <= len(leaves) for size in wanted):
        raise ValueError("a size lies outside the tree")
    frontier = merkle.Frontier()
    roots = [frontier.root().hex()]
    for leaf in leaves:
        frontier.push(merkle.leaf_hash(leaf))
        roots.append(frontier.root().hex())
    return {"roots": [roots[size] for size in wanted]}


def _leaves(inputs: Inputs) -> list[bytes]:
    if "leaves_hex" in inputs:
        return [bytes.fromhex(leaf) for leaf in inputs["leaves_hex"]]
    return [inputs["leaf_format"].format(number).encode() for number in range(inputs["count"])]


def uuid7(inputs: Inputs) -> Answer:
    fields = ids.uuid7_fields(inputs["uuid"])
    return {
        "version": int(fields.canonical[14], 16),
        "variant_rfc": fields.canonical[19] in "89ab",
        "unix_ms": fields.unix_ms,
        "utc": moments.in_utc(moments.from_unix_ms(fields.unix_ms)),
        "rand_a": f"{fields.rand_a:03x}",
        "rand_b": f"{fields.rand_b:016x}",
        "canonical": fields.canonical,
    }


def uuid7_build(inputs: Inputs) -> Answer:
    return {"uuid": ids.uuid7_from(inputs["unix_ms"], int(inputs["rand_a"], 16), int(inputs["rand_b"], 16))}


def rfc3339(inputs: Inputs) -> Answer:
    found = [_moment(text) for text in inputs["texts"]]
    return {
        "valid": [moment is not None for moment in found],
        "utc": [moment and moment.utc() for moment in found],
        "nanoseconds": [moment and moment.nanoseconds for moment in found],
    }


def _moment(text: str) -> moments.Exact | None:
    try:
        return moments.exact(text)
    except moments.MomentError:
        return None


ADAPTERS: dict[str, Callable[..., Answer]] = {
    "ols_line": ols_line,
    "inverse_prediction": inverse_prediction,
    "wilson_interval": wilson_interval,
    "mod37_36": mod37_36,
    "unit_factor": unit_factor,
    "lost_motion": lost_motion_,
    "code128": code128,
    "jcs": jcs,
    "jcs_numbers": jcs_numbers,
    "jcs_number_stream": jcs_number_stream,
    "jcs_refused": jcs_refused,
    "merkle_roots": merkle_roots,
    "uuid7": uuid7,
    "uuid7_build": uuid7_build,
    "rfc3339": rfc3339,
}
