"""The demo depot as a whole: its fleet, and that dull units stay quiet (JOB.md section 8)."""

from collections import Counter
from types import SimpleNamespace

FLEET = {"SEL": 9, "BOR": 7, "FAC": 8, "ACH": 8, "HPU": 5, "HTT": 5, "MBD": 6}  # JOB.md section 8, the table of classes
DULL = ("BOR", "ACH", "HPU", "HTT", "MBD")
TOLD = {"BOR-002", "ACH-002", "ACH-004", "ACH-005"}  # of S7, S12, S13 and S8


def test_the_fleet_is_that_of_the_table(demo: SimpleNamespace) -> None:
    units = demo.ask("/v1/units", limit=200)["units"]
    assert FLEET == Counter(u["class"] for u in units if u["class"] in FLEET)


def test_dull_units_raise_no_doubt_and_nothing_that_was_read_is_past_a_mark(demo: SimpleNamespace) -> None:
    units = [u for u in demo.ask("/v1/units", limit=200)["units"] if u["class"] in DULL and u["unit"] not in TOLD]
    assert {u["standing"] for u in units} == {"ready", "out"}
    doubted = {d["unit"] for d in demo.ask("/v1/discrepancies")["discrepancies"]}
    assert not doubted & {u["unit"] for u in units}
    for unit in units:
        rows = demo.ask(f"/v1/units/{unit['unit']}/condition")["characteristics"]
        read = [r for r in rows if r["latest"] is not None]
        assert len(read) >= 4
        assert unit["class"] != "HTT" or "HTT-RC" in {r["characteristic"] for r in read}
        assert {r["conformity"]["outcome"] for r in read} == {"good"}, unit["unit"]


def test_a_variant_is_asked_only_what_applies_to_it(demo: SimpleNamespace) -> None:
    """JOB.md section 2, rule (c): BOR-001 is hydraulic, BOR-005 electric."""
    rows = {
        u: {r["characteristic"] for r in demo.ask(f"/v1/units/{u}/condition")["characteristics"]}
        for u in ("BOR-001", "BOR-005")
    }
    assert rows["BOR-001"] - rows["BOR-005"] == {"BOR-MD"}
    assert rows["BOR-005"] - rows["BOR-001"] == {"BOR-IR", "BOR-EB", "BOR-BR"}
    jobs = {e["job"] for e in demo.ask("/v1/units/BOR-005/history")["entries"] if e.get("job")}
    assert jobs
    for job in jobs:
        assert [a["blank"] for a in demo.ask(f"/v1/jobs/{job}")["unanswered_checks"]] == [[]]


def test_the_limit_of_the_chain_fell_on_1_january_2025(demo: SimpleNamespace) -> None:
    """JOB.md 8.1, S14: 2.5 % before, 2.0 % from revision 3 on."""

    def limit(on: str) -> tuple[int, str]:
        found = demo.ask("/v1/classes/ACH/sheet", on=on)
        return found["rev"], next(c["replace"] for c in found["sheet"]["characteristics"] if c["code"] == "ACH-CE")

    assert limit("2024-12-31") == (2, "2.5")
    assert limit("2025-01-01") == (3, "2.0")


def test_the_final_runs_of_dull_units_passed_on_their_conditions(demo: SimpleNamespace) -> None:
    """JOB.md 1.12. Among the jobs stands one of each class, and both revisions of the hoists' sheet."""
    jobs = {}
    for unit in ("SEL-004", "FAC-005", "BOR-001", "BOR-005", "ACH-004", "HPU-001", "HTT-002", "MBD-001", "MBD-006"):
        for entry in demo.ask(f"/v1/units/{unit}/history")["entries"]:
            if entry["type"] == "run.recorded":
                jobs[entry["job"]] = unit
    assert len(jobs) >= 2 * 9
    for job, unit in jobs.items():
        (run,) = demo.ask(f"/v1/jobs/{job}")["runs"]
        assert ("passed", "final", []) == (run["outcome"], run["stage"], run["unlisted"]), (unit, run)


def test_s9_a_run_at_61_bar_shows_its_figures_and_proves_nothing(demo: SimpleNamespace) -> None:
    """JOB.md 8.1, S9: 0.04 to 0.19 before, 0.09 to 0.10 after, at 6.1 bar where the sheet asks for 6.2 to 6.4."""
    before, after = demo.ask("/v1/jobs/J-20250311-SEL-002")["runs"]
    shown = [{t["test"]: (t["outcome"], t["value"]) for t in run["tests"]}["feed-spread"] for run in (before, after)]
    assert [("off_conditions", "0.15"), ("off_conditions", "0.01")] == shown
    assert ("not_proved", "not_proved") == (before["outcome"], after["outcome"])
