"""Discrepancies: what in the record cannot be right, what would settle it, who may, and whether it holds a release.

The table follows CONTRACT C (holds_release) and F (how each ends).
"""

from typing import NamedTuple

from service_api.domain.records import record


class Kind(NamedTuple):
    settle: str
    who_may: tuple[str, ...]
    holds_release: bool = False


LEAD = ("lead", "manager")
REMARKS = (  # they stay, and nobody can end them (CONTRACT F)
    "released-twice",
    "signed-unauthorised",
    "late-typed",
    "clock-ahead",
    "before-registered",
    "gauge-overdue",
    "unknown-characteristic",
    "run-off-conditions",
    "certificate-backdated",
)
KINDS: dict[str, Kind] = {
    "meter-backwards": Kind(
        "log the exchange or the roll-over between the two readings, or correct the one that was misread", LEAD, True
    ),
    "meter-too-fast": Kind("correct the reading, or lift it by its key once it is explained", LEAD),
    "meter-gap": Kind("correct the exchange with the old meter's final reading", LEAD),
    "slot-contested": Kind("look at the iron; log the missing removal, or withdraw the fit that never was", LEAD, True),
    "serial-in-two-places": Kind("look at both places; correct the entry that is wrong", ("lead", "stores"), True),
    "removed-from-empty": Kind("log the earlier fit, if it is known", LEAD),
    "wear-improved": Kind("log the part or the work, or lift it by its key after a look", LEAD),
    "readings-disagree": Kind("measure once more; the reading that it confirms stands", LEAD),
    "tag-on-two-units": Kind("read the engraved serials; detach the label from the wrong unit", LEAD, True),
    "serial-shared": Kind("nothing: both are real; read the engraving at each scan", ("manager",)),
    "scan-after-scrap": Kind("review the scrapping or the identity, then lift it by its key", ("manager",), True),
    "return-not-booked": Kind("book the unit in", ("stores", "lead")),
    "place-impossible": Kind("find out where it was; lift it by its key", LEAD),
    "released-while-blocked": Kind("release it again with nothing in the way", ("signatory",), True),
    "released-then-defect": Kind("put the defect right and release it again", ("signatory",), True),
    "released-twice": Kind("nothing: the first by moment is the release", ("signatory",)),
    "signed-unauthorised": Kind("check again and sign by somebody authorised", ("signatory", "manager")),
    "late-after-release": Kind("read it and lift it by its key", ("signatory",)),
    "late-typed": Kind("nothing: a remark", ()),
    "clock-ahead": Kind("nothing: a remark", ()),
    "gauge-overdue": Kind("read again with a gauge in calibration", ("bench",)),
    "gauge-out": Kind("clear it by the look-back, or read again with a sound gauge", ("quality",)),
    "limit-moved": Kind("act on the re-assessment: hold, concession or a new reading", ("quality",)),
    "verdict-overtaken": Kind("decide again with what is known now", ("signatory", "manager"), True),
    "alert-part-fitted": Kind("take the part out, or close the alert", ("manager",), True),
    "lot-imbalance": Kind("find the pieces, or lift the hold of the lot", ("stores",)),
    "duplicate-suspected": Kind("withdraw one of the two, or lift it by its key", LEAD),
    "correction-contested": Kind("withdraw one of the two corrections", LEAD),
    "exam-against-defect": Kind("close the finding, or examine again", ("quality",)),
    "disputed": Kind("settle the dispute", ("manager",), True),
    "unknown-characteristic": Kind("nothing: a remark; issue a sheet that has it", ("quality",)),
    "run-off-conditions": Kind("run again on the sheet's conditions", ("stand",)),
    "dispatched-unreleased": Kind("release it, or receive it back", ("signatory", "stores")),
    "signature-unproved": Kind("sign again at an enrolled device with an open session", ("signatory",), True),
    "before-registered": Kind("nothing: a remark", ()),
    "id-taken": Kind("withdraw or correct one of the two openings", LEAD),
    "device-gap": Kind("send the missing slips, or lift it by its key", LEAD),
    "clock-back": Kind("explain the step of the clock; lift it by its key", LEAD),
    "certificate-backdated": Kind("nothing: a remark", ("quality",)),
    "reset-without-change": Kind("log the removal", LEAD),
    "piece-gap": Kind("log the step in between, or lift it by its key", LEAD),
}


@record(kw_only=True)
class Discrepancy:
    key: str
    code: str
    subject: str
    unit: str | None
    units: tuple[str, ...]
    entries: tuple[str, ...]
    detail: str
    settle: str
    who_may: tuple[str, ...]
    holds_release: bool


def discrepancy(code: str, entry: str, unit: str, entries: tuple[str, ...], detail: str) -> Discrepancy:
    """A discrepancy on a unit, raised by `entry`. A query about the meter never holds a release."""
    return between(code, entry, f"unit:{unit}", (unit,), entries, detail)


def between(
    code: str, entry: str, subject: str, units: tuple[str, ...], entries: tuple[str, ...], detail: str
) -> Discrepancy:
    """A discrepancy that concerns several units, or none; `subject` is where the entry that raised it counts."""
    kind = KINDS[code]
    return Discrepancy(
        key=f"{code}:{entry}",
        code=code,
        subject=subject,
        unit=subject.removeprefix("unit:") if subject.startswith("unit:") else None,
        units=units,
        entries=entries,
        detail=detail,
        settle=kind.settle,
        who_may=kind.who_may,
        holds_release=kind.holds_release,
    )
