"""A unit that is ready to be released, and how it is asked about and signed; the small sheet asks for a final run."""

from typing import Any

from tests import factories as f

SIGNER, STAND = "sig.signatory", "sta.stand"
EARLY = "2026-01-02T08:00:00+01:00"
JOB = "J-1"


def at(minute: int) -> str:
    """A moment of the morning on which the job is done: minutes after 09:00."""
    return f"2026-01-05T{9 + minute // 60:02d}:{minute % 60:02d}:00+01:00"


def sheet(**changes: Any) -> dict[str, Any]:
    """changes : members of the sheet that are otherwise"""
    window = {"supply": {"low": "6.0", "high": "6.6", "uom": "bar"}}
    test = {"test": "free-speed", "title": "free speed", "uom": "{rev}/min", "low": "58", "blocking": True}
    return {"release": {"final_run": True}, "tests": [test | {"conditions": window}]} | changes


def run(run: str = "R-1", speed: str = "60", supply: str = "6.3", rev: int = 1, **envelope: Any) -> dict[str, Any]:
    data = {
        "run": run,
        "stage": "final",
        "sheet_rev": rev,
        "conditions": {"supply": f.q(supply, "bar")},
        "results": [{"test": "free-speed", "value": f.q(speed, "{rev}/min")}],
    }
    return f.entry("run.recorded", data, **({"job": JOB, "by": STAND, "occurred_at": at(40)} | envelope))


def prepared(**changes: Any) -> list[dict[str, Any]]:
    """The class, the unit in the shop, a gauge, and who may sign; nothing of the job."""
    return [
        f.sheet_issued(occurred_at=EARLY, changes=sheet(**changes)),
        f.registered(occurred_at=EARLY),
        f.registered(f.GAUGE, "GDIAL", occurred_at=EARLY),
        f.gauge_calibrated(occurred_at=EARLY),
        f.authorised(SIGNER, "release", occurred_at=EARLY),
        f.authorised(f.SECOND, "second", "release", occurred_at=EARLY),
        f.authorised("bob.bench", "second", occurred_at=EARLY),
    ]


def job_done() -> list[dict[str, Any]]:
    """A job in which nothing is left to do: opened, read, answered, worked on and run."""
    return [
        f.job_opened(JOB, occurred_at=at(0)),
        f.reading("0.10", characteristic="TST-BL", stage="as_left", job=JOB, occurred_at=at(5)),
        f.check_answered("guards", "ok", job=JOB, occurred_at=at(10)),
        f.work_done("AC-ADJ", job=JOB, occurred_at=at(20)),
        run(),
    ]


def body(**changes: Any) -> dict[str, Any]:
    """What is sent to sign; None leaves a member out."""
    whole = {
        "id": f.entry_id(900),
        "release": "REL-1",
        "job": JOB,
        "by": SIGNER,
        "kind": "full",
        "occurred_at": at(60),
    }
    return f.without_none(whole | changes)


def codes(gate: dict[str, Any]) -> list[str]:
    return [block["code"] for block in gate["blocks"]]
