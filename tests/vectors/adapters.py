"""One adapter for each kind of check value: the inputs of a case in, the answers of our public functions out."""

import re
import struct
from ast import literal_eval
from base64 import b64decode
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from hashlib import sha256
from math import cos, sin
from typing import Any

from barcode import Code128
from barcode.charsets import code128 as symbology
from PIL import Image
from zxingcpp import read_barcodes

from service_api.calc import (
    air,
    check_characters,
    curves,
    gauge_study,
    life,
    lines,
    lost_motion,
    proportions,
    recurrence,
    replacement,
    risk,
    stock,
    uncertainty,
    uom,
)
from service_api.calc.theil_sen import theil_sen
from service_api.domain import ids, moments
from service_api.log import merkle, notes, proofs
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


def merkle_inclusion_proof(inputs: Inputs) -> Answer:
    leaves = [merkle.leaf_hash(leaf) for leaf in _leaves(inputs)]
    node, index, size = proofs.nodes_of(leaves), inputs["index"], inputs["size"]
    path = proofs.inclusion(node, index, size)
    root = proofs.root(node, size)
    assert proofs.includes(leaves[index], index, size, path, root)
    return {"leaf_hash": leaves[index].hex(), "root": root.hex(), "proof": [each.hex() for each in path]}


def merkle_consistency_proof(inputs: Inputs) -> Answer:
    node = proofs.nodes_of([merkle.leaf_hash(leaf) for leaf in _leaves(inputs)])
    old, new = inputs["size1"], inputs["size2"]
    path = proofs.consistency(node, old, new)
    before, after = proofs.root(node, old), proofs.root(node, new)
    assert proofs.extends(old, before, new, after, path)
    return {"root1": before.hex(), "root2": after.hex(), "proof": [each.hex() for each in path]}


# Where each letter of the figure in RFC 6962, 2.1.3 stands: (level, number); j is the seventh leaf, l is not complete
RFC_NAMES = {"a": (0, 0), "b": (0, 1), "c": (0, 2), "d": (0, 3), "e": (0, 4), "f": (0, 5), "j": (0, 6)}
RFC_NAMES |= {"g": (1, 0), "h": (1, 1), "i": (1, 2), "k": (2, 0)}


def merkle_named_proofs(inputs: Inputs) -> Answer:
    leaves = [merkle.leaf_hash(leaf) for leaf in _leaves(inputs)]
    node, size = proofs.nodes_of(leaves), len(leaves)
    names = {node(*place): name for name, place in RFC_NAMES.items()}
    names[merkle.node_hash(node(1, 2), node(0, 6))] = "l"

    def named(path: list[bytes]) -> str:
        return "".join(names[each] for each in path)

    return {
        "paths": [named(proofs.inclusion(node, index, size)) for index in inputs["indexes"]],
        "consistency": [named(proofs.consistency(node, old, size)) for old in inputs["size1s"]],
        "root": proofs.root(node, size).hex(),
    }


def merkle_verify(inputs: Inputs) -> Answer:
    return {"valid": [_holds(probe) for probe in inputs["probes"]]}


def _holds(probe: dict[str, Any]) -> bool:
    path = [b64decode(each) for each in probe["proof"]]
    if "leafIdx" in probe:
        leaf, root = b64decode(probe["leafHash"]), b64decode(probe["root"])
        return proofs.includes(leaf, probe["leafIdx"], probe["treeSize"], path, root)
    before, after = b64decode(probe["root1"]), b64decode(probe["root2"])
    return proofs.extends(probe["size1"], before, probe["size2"], after, path)


def note_sign(inputs: Inputs) -> Answer:
    signer = notes.Signer(inputs["name"], bytes.fromhex(inputs["seed_hex"]))
    note = notes.sign(inputs["text"], signer)
    return {"vkey": str(signer.verifier), "signature_line": note.removeprefix(inputs["text"] + "\n").rstrip("\n")}


def note_open(inputs: Inputs) -> Answer:
    known = [notes.read_verifier(key) for key in inputs["vkeys"]]
    try:
        opened = notes.open_note(inputs["note"], known)
    except notes.NoteError:
        return {"opens": False}
    return {"opens": True, "text": opened.text, "verified": opened.by}


def vkey_valid(inputs: Inputs) -> Answer:
    return {"valid": [_read(notes.read_verifier, key) is not None for key in inputs["vkeys"]]}


def checkpoint_body(inputs: Inputs) -> Answer:
    found = [_read(notes.read_checkpoint, body) for body in inputs["bodies"]]
    return {"parsed": [None if c is None else [c.origin, c.size, c.root.hex()] for c in found]}


def _read(read: Callable[[str], Any], text: str) -> Any:
    try:
        return read(text)
    except notes.NoteError:
        return None


def ed25519(inputs: Inputs) -> Answer:
    seed, message = bytes.fromhex(inputs["secret"]), bytes.fromhex(inputs["message"])
    return {"public": notes.public_of(seed).hex(), "signature": notes.signature_of(seed, message).hex()}


def ed25519_verify(inputs: Inputs) -> Answer:
    probes = ([bytes.fromhex(probe[name]) for name in ("public", "message", "signature")] for probe in inputs["probes"])
    return {"valid": [notes.is_signed(*probe) for probe in probes]}


def sha256_(inputs: Inputs) -> Answer:
    data = bytes.fromhex(inputs["hex"]) if "hex" in inputs else inputs["text"].encode() * inputs.get("repeat", 1)
    return {"digest": sha256(data).hexdigest()}


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


def ols_origin(inputs: Inputs) -> Answer:
    got = curves.fit_through_origin(inputs["x"], inputs["y"])
    return {"slope": got.slope, "se_slope": got.se_slope, "resid_sd": got.residual_sd}


def ols_poly(inputs: Inputs) -> Answer:
    got = curves.fit_polynomial(inputs["x"], inputs["y"], inputs["degree"])
    return {
        "coefficients": list(got.coefficients),
        "se_coefficients": None if got.se_coefficients is None else list(got.se_coefficients),
        "resid_sd": got.residual_sd,
    }


def theil_sen_(inputs: Inputs) -> Answer:
    got = theil_sen(inputs["x"], inputs["y"], inputs.get("level", 0.95))
    return {
        "slope": got.slope,
        "n_slopes": got.n_slopes,
        "intercept_separate": got.intercept_separate,
        "intercept_joint": got.intercept_joint,
        "low_normal_approx": got.normal and got.normal.low,
        "high_normal_approx": got.normal and got.normal.high,
        "low_exact": got.exact and got.exact.low,
        "high_exact": got.exact and got.exact.high,
        "confidence_exact": got.exact_level,
    }


def piecewise_reset(inputs: Inputs) -> Answer:
    readings = [(reading["x"], reading["y"]) for reading in inputs["readings"]]
    segments, whole = curves.fit_after_resets(readings, inputs["resets"])
    got: Answer = {"slope_ignoring_resets": whole.slope}
    for number, segment in enumerate(segments):
        line = segment.line
        got |= {
            f"slope_{number}": line and line.slope,
            f"intercept_{number}": line and line.intercept,
            f"resid_sd_{number}": line and line.residual_sd,
            f"n_{number}": segment.n,
        }
    return got


def mean_sd(inputs: Inputs) -> Answer:
    values = inputs["values"] if "values" in inputs else [inputs["first"], *inputs["pattern"] * inputs["repeat"]]
    mean, sd = gauge_study.mean_and_sd(values)
    return {"mean": mean, "sd": sd}


def oneway_precision(inputs: Inputs) -> Answer:
    if "groups" in inputs:
        got = gauge_study.precision(inputs["groups"])
    else:
        got = gauge_study.precision_of_summaries(inputs["n"], inputs["means"], inputs["sds"])
    return {
        "grand_mean": got.grand_mean,
        "ms_between": got.ms_between,
        "ms_within": got.ms_within,
        "F": got.f,
        "s_r": got.s_r,
        "s_L": got.s_l,
        "s_R": got.s_reproducibility,
        "repeatability_limit": got.repeatability_limit,
        "s_of_means": got.s_of_means,
    }


def gauge_rr_range(inputs: Inputs) -> Answer:
    got = gauge_study.by_range(inputs["readings"], inputs.get("K1"), inputs.get("K2"), inputs.get("K3"))
    return {"r_bar_bar": got.r_bar_bar, "x_diff": got.x_diff, "r_p": got.r_p, **_spread(got.spread)}


def gauge_rr_anova(inputs: Inputs) -> Answer:
    got = gauge_study.by_anova(inputs["readings"], inputs.get("pool_alpha", 0.25))
    return {
        "ss_part": got.ss_part,
        "ss_operator": got.ss_operator,
        "ss_interaction": got.ss_interaction,
        "ss_repeatability": got.ss_repeatability,
        "F_interaction": got.f_interaction,
        "p_interaction": got.p_interaction,
        "pooled": got.pooled,
        **_spread(got.spread),
    }


def _spread(spread: gauge_study.Spread) -> Answer:
    return {
        "EV": spread.ev,
        "AV": spread.av,
        "GRR": spread.grr,
        "PV": spread.pv,
        "TV": spread.tv,
        "pct_grr": spread.pct_grr,
        "ndc": spread.ndc,
    }


def conformance_probability(inputs: Inputs) -> Answer:
    got = risk.conformance(inputs["y"], inputs["u"], inputs.get("lower"), inputs.get("upper"))
    return {"p_conform": got.p_conform, "p_below": got.p_below, "p_above": got.p_above}


def decision(inputs: Inputs) -> Answer:
    got = risk.decide(
        [_decimal(y) for y in inputs["y"]],
        _decimal(inputs["u"]),
        _decimal(inputs["k"]),
        _decimal(inputs["guard_factor"]),
        None if inputs.get("lower") is None else _decimal(inputs["lower"]),
        None if inputs.get("upper") is None else _decimal(inputs["upper"]),
    )
    return {
        "guard_band": float(got.guard_band),
        "accept_lower": None if got.accept_lower is None else float(got.accept_lower),
        "accept_upper": None if got.accept_upper is None else float(got.accept_upper),
        "verdicts": list(got.verdicts),
    }


def _decimal(value: float) -> Decimal:
    """The decimal that the file wrote; TypeError for what is no number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError(f"{value!r} is no number")
    return Decimal(repr(value))


def worst_case_risk(inputs: Inputs) -> Answer:
    if not inputs["guard_factors"]:
        raise ValueError("no guard factor")
    return {"risk": [risk.worst_case_risk(inputs["k"], factor) for factor in inputs["guard_factors"]]}


def rejection_threshold_relative(inputs: Inputs) -> Answer:
    got = risk.rejection_threshold(inputs["limit"], inputs["u_rel"], inputs["confidence"])
    return {"threshold": got.threshold, "guard_band": got.guard_band}


def _prior(prior: dict[str, Any]) -> risk.Prior:
    match prior:
        case {"name": "normal", "mean": mean, "sd": sd}:
            return risk.Normal(mean, sd)
        case {"name": "gamma", "shape": shape, "rate": rate}:
            return risk.Gamma(shape, rate)
    raise ValueError(f"no prior is known as {prior}")


def global_risk(inputs: Inputs) -> Answer:
    tolerance = risk.Limits(inputs.get("lower"), inputs.get("upper"))
    accept = risk.Limits(inputs.get("accept_lower", tolerance.lower), inputs.get("accept_upper", tolerance.upper))
    got = risk.global_risk(_prior(inputs["prior"]), inputs["u_m"], tolerance, accept)
    return {"p_out": got.p_out, "consumer_risk": got.consumer, "producer_risk": got.producer}


def accept_limit_for_risk(inputs: Inputs) -> Answer:
    tolerance = risk.Limits(inputs.get("lower"), inputs.get("upper"))
    found = risk.accept_upper_for_risk(
        _prior(inputs["prior"]), inputs["u_m"], tolerance, inputs["target_risk"], inputs.get("accept_lower")
    )
    return {"accept_upper": found}


def uncertainty_budget(inputs: Inputs) -> Answer:
    found = uncertainty.budget(
        [uncertainty.Component(part.get("c", 1), part["u"], part.get("dof")) for part in inputs["budget"]]
    )
    got: Answer = {
        "u_c": found.u,
        "dof_eff": found.dof,
        "contributions": list(found.contributions),
        "U": found.expanded(inputs.get("k", 2)),
    }
    for level in inputs.get("levels", []):
        coverage, name = found.coverage(level), f"{100 * level:g}"
        got |= {f"k_{name}": coverage.k, f"k_untruncated_{name}": coverage.k_untruncated}
        got[f"U_{name}"] = coverage.expanded
    return got


def impedance_correlated(inputs: Inputs) -> Answer:
    """The model of GUM H.2: Z = V / I, R = Z cos phi, X = Z sin phi."""
    (v, i, phi), covariance = uncertainty.means_and_covariances([inputs["V"], inputs["I"], inputs["phi"]])
    if i == 0:
        raise ValueError("no current, no impedance")
    z, c, s = v / i, cos(phi), sin(phi)
    got = uncertainty.propagate(
        [(c / i, -z * c / i, -z * s), (s / i, -z * s / i, z * c), (1 / i, -z / i, 0.0)], covariance
    )
    return {
        "R": z * c,
        "X": z * s,
        "Z": z,
        "u_R": got.u[0],
        "u_X": got.u[1],
        "u_Z": got.u[2],
        "r_RX": got.r[0][1],
        "r_RZ": got.r[0][2],
        "r_XZ": got.r[1][2],
        "u_R_if_correlation_ignored": got.u_if_ignored[0],
    }


def weibull_mle(inputs: Inputs) -> Answer:
    fit = life.fit_weibull(inputs["failures"], inputs.get("censored", []), inputs.get("level", 0.95))
    got: Answer = {
        "eta": fit.life.scale,
        "beta": fit.life.shape,
        "mu": fit.mu,
        "sigma": fit.sigma,
        "loglik": fit.loglik,
        "se_eta": fit.u_scale,
        "se_beta": fit.u_shape,
        "se_mu": fit.u_mu,
        "se_sigma": fit.u_sigma,
        **_limits("eta", fit.scale_limits()),
        **_limits("beta", fit.shape_limits()),
    }
    for share in inputs.get("quantiles", []):
        got |= {f"t_{share}": fit.life.quantile(share), f"se_t_{share}": fit.u_quantile(share)}
        got |= _limits(f"t_{share}", fit.quantile_limits(share))
    return got


def _limits(name: str, limits: life.Limits) -> Answer:
    return {
        f"{name}_lower_log": limits.log.low,
        f"{name}_upper_log": limits.log.high,
        f"{name}_lower_plain": limits.plain.low,
        f"{name}_upper_plain": limits.plain.high,
        f"{name}_lower_lr": limits.ratio.low,
        f"{name}_upper_lr": limits.ratio.high,
    }


def kaplan_meier(inputs: Inputs) -> Answer:
    got = life.kaplan_meier(inputs["failures"], inputs.get("censored", []), inputs.get("level", 0.95))
    return {
        "times": list(got.times),
        "at_risk": list(got.at_risk),
        "events": list(got.events),
        "survival": list(got.survival),
        "se_greenwood": list(got.se),
        "lower_loglog": [limit and limit.low for limit in got.limits],
        "upper_loglog": [limit and limit.high for limit in got.limits],
        "median": got.median,
    }


def mtbf_interval(inputs: Inputs) -> Answer:
    got = life.mean_time(inputs["time"], inputs["failures"], inputs.get("level", 0.95))
    return {"mtbf": got.mtbf, "lower": got.lower, "upper": got.upper, "lower_one_sided": got.lower_one_sided}


def mcf(inputs: Inputs) -> Answer:
    got = recurrence.mean_cumulative([recurrence.History(h["events"], h["end"]) for h in inputs["histories"]])
    level = inputs.get("level", 0.95)
    steps = range(len(got.times))
    limits = [got.limits(step, level) for step in steps]
    found: Answer = {
        "times": list(got.times),
        "at_risk": list(got.at_risk),
        "mcf": list(got.mcf),
        "se": list(got.se),
        "se_independent_increments": list(got.se_independent),
        "lower_log": [limit and limit.low for limit in limits],
        "upper_log": [limit and limit.high for limit in limits],
        "final_mcf": got.mcf[-1] if got.mcf else 0.0,
        "final_se": got.se[-1] if got.se else 0.0,
        "final_lower_log": limits[-1].low if limits and limits[-1] else None,
        "final_upper_log": limits[-1].high if limits and limits[-1] else None,
    }
    for age in inputs.get("at", []):
        there = got.at(age)
        found |= {f"mcf_{age}": there and there[0], f"se_{age}": there and there[1]}
    return found


def power_law(inputs: Inputs) -> Answer:
    systems = [recurrence.Watched(system["times"], system.get("T")) for system in inputs["systems"]]
    got = recurrence.power_law(systems)
    found: Answer = {
        "n": got.n,
        "beta": got.shape,
        "lam": got.rate_scale,
        "eta": got.characteristic_age,
        "intensity_T": got.intensity_now,
        "mtbf_inst_T": 1 / got.intensity_now,
    }
    if got.one is not None:
        found |= {
            "beta_unbiased": got.one.shape,
            "lam_with_unbiased": got.one.rate_scale,
            "mtbf_cum_T": got.one.mtbf_cumulative,
            "mtbf_inst_T_unbiased": got.one.mtbf_now,
            "beta_lower_95": got.one.shape_interval.low,
            "beta_upper_95": got.one.shape_interval.high,
        }
    return found


def trend_tests(inputs: Inputs) -> Answer:
    got = recurrence.trend_tests(inputs["times"], inputs.get("T"))
    return {
        "laplace_u": got.laplace_u,
        "laplace_p": got.laplace_p,
        "mil_chi2": got.mil_chi2,
        "mil_dof": got.mil_dof,
        "mil_p_improving": got.mil_p_improving,
        "mil_p_worsening": got.mil_p_worsening,
        "reversals": got.reversals,
        "reversal_z": got.reversal_z,
        "reversal_p_exact_improving": got.reversal_p_improving,
    }


def age_replacement(inputs: Inputs) -> Answer:
    got = replacement.age_replacement(
        inputs["cost_planned"], inputs["cost_failure"], life.Weibull(inputs["beta"], inputs["eta"])
    )
    return {
        "finite": got.interval is not None,
        "interval": got.interval,
        "cost_rate": got.cost_rate,
        "cost_rate_run_to_failure": got.cost_rate_run_to_failure,
        "saving": got.saving,
    }


def minimal_repair_interval(inputs: Inputs) -> Answer:
    got = replacement.minimal_repair_interval(
        inputs["cost_overhaul"], inputs["cost_minimal_repair"], life.Weibull(inputs["beta"], inputs["eta"])
    )
    return {"interval": got.interval, "cost_rate": got.cost_rate}


def poisson_stock(inputs: Inputs) -> Answer:
    mean = inputs["mean"] if "mean" in inputs else stock.mean_demand(*(inputs[n] for n in ("units", "rate", "time")))
    got: Answer = {
        "mean": mean,
        "cdf": [stock.no_shortage(mean, k) for k in inputs.get("cdf_at", [])],
        "ebo": [stock.backorders(mean, k) for k in inputs.get("ebo_at", [])],
    }
    if "assurance" in inputs:
        least = stock.least_stock(mean, inputs["assurance"])
        got |= {"stock": least.stock, "achieved": least.achieved, "one_less": least.one_less}
    else:
        stock.no_shortage(mean, 0)
    return got


def air_flow_reference(inputs: Inputs) -> Answer:
    got = air.referred_flow(
        inputs["flow"],
        inputs["p_kpa"],
        inputs["t_c"],
        inputs.get("rh", 0),
        inputs.get("p_sat_kpa", 0),
        inputs["p_ref_kpa"],
        inputs["t_ref_c"],
    )
    return {"factor": got.factor, "flow": got.flow}


def gas_mass_flow_volume(inputs: Inputs) -> Answer:
    got = air.volume_of_mass_flow(inputs["kg_per_h"], inputs["p_pa"], inputs["t_c"], inputs["molar_mass"])
    return {"density": got.density, "m3_per_h": got.m3_per_h, "cfm": got.cfm}


def shaft_power(inputs: Inputs) -> Answer:
    got = air.shaft_power(inputs["torque_nm"], inputs["rpm"])
    return {"power_w": got.watts, "power_hp": got.hp}


def hp_from_lbft(inputs: Inputs) -> Answer:
    return {"power_hp": air.hp_from_lbft(inputs["torque_lbft"], inputs["rpm"]), "constant": air.LBFT_RPM_PER_HP}


def torque_line(inputs: Inputs) -> Answer:
    line = air.torque_line(inputs["stall_torque_nm"], inputs["free_rpm"])
    return _torque_line(line, inputs.get("at_rpm", []))


def torque_line_fit(inputs: Inputs) -> Answer:
    return _torque_line(air.fit_torque_line(inputs["rpm"], inputs["torque_nm"]), inputs.get("at_rpm", []))


def _torque_line(line: air.TorqueLine, at_rpm: Sequence[float]) -> Answer:
    got: Answer = {
        "stall_torque_nm": line.stall_nm,
        "free_rpm": line.free_rpm,
        "n_peak": line.peak_rpm,
        "torque_peak": line.torque(line.peak_rpm),
        "power_peak_w": line.peak_watts,
    }
    for rpm in at_rpm:
        torque = line.torque(rpm)
        got |= {f"torque_{rpm}": torque, f"power_{rpm}": air.shaft_power(torque, rpm).watts}
    return got


ADAPTERS: dict[str, Callable[..., Answer]] = {
    "ols_line": ols_line,
    "inverse_prediction": inverse_prediction,
    "wilson_interval": wilson_interval,
    "theil_sen": theil_sen_,
    "ols_origin": ols_origin,
    "ols_poly": ols_poly,
    "piecewise_reset": piecewise_reset,
    "mean_sd": mean_sd,
    "oneway_precision": oneway_precision,
    "gauge_rr_range": gauge_rr_range,
    "gauge_rr_anova": gauge_rr_anova,
    "conformance_probability": conformance_probability,
    "decision": decision,
    "worst_case_risk": worst_case_risk,
    "rejection_threshold_relative": rejection_threshold_relative,
    "global_risk": global_risk,
    "accept_limit_for_risk": accept_limit_for_risk,
    "uncertainty_budget": uncertainty_budget,
    "impedance_correlated": impedance_correlated,
    "weibull_mle": weibull_mle,
    "kaplan_meier": kaplan_meier,
    "mtbf_interval": mtbf_interval,
    "mcf": mcf,
    "power_law": power_law,
    "trend_tests": trend_tests,
    "age_replacement": age_replacement,
    "minimal_repair_interval": minimal_repair_interval,
    "poisson_stock": poisson_stock,
    "air_flow_reference": air_flow_reference,
    "gas_mass_flow_volume": gas_mass_flow_volume,
    "shaft_power": shaft_power,
    "hp_from_lbft": hp_from_lbft,
    "torque_line": torque_line,
    "torque_line_fit": torque_line_fit,
    "mod37_36": mod37_36,
    "unit_factor": unit_factor,
    "lost_motion": lost_motion_,
    "code128": code128,
    "jcs": jcs,
    "jcs_numbers": jcs_numbers,
    "jcs_number_stream": jcs_number_stream,
    "jcs_refused": jcs_refused,
    "merkle_roots": merkle_roots,
    "merkle_inclusion_proof": merkle_inclusion_proof,
    "merkle_consistency_proof": merkle_consistency_proof,
    "merkle_named_proofs": merkle_named_proofs,
    "merkle_verify": merkle_verify,
    "note_sign": note_sign,
    "note_open": note_open,
    "vkey_valid": vkey_valid,
    "checkpoint_body": checkpoint_body,
    "ed25519": ed25519,
    "ed25519_verify": ed25519_verify,
    "sha256": sha256_,
    "uuid7": uuid7,
    "uuid7_build": uuid7_build,
    "rfc3339": rfc3339,
}
