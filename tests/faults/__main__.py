"""The long form of every reliability goal: `python -m tests.faults --goal B3 --count 50000`. Exit status 1 for a fault.

A goal without --count is run at its slice, `--goal all` runs every goal. A line each: goal, store, whether it held, the
figure, seed, commit, seconds; below it up to ten faults. What cannot be run on this machine is NOT JUDGED: no pass.
`--kills N` is short for `--goal B1 --count N`.
"""

import argparse
import logging
import subprocess
import sys
import time
from pathlib import Path

from tests.faults.goals import GOALS, NotJudged, Run, scratch

SHOWN = 10  # faults


def commit() -> str:
    found = subprocess.run(["git", "describe", "--always", "--dirty"], cwd=Path(__file__).parent, capture_output=True)
    return found.stdout.decode().strip() or "no commit"


def judge(name: str, store: str, count: int, seed: int) -> bool:
    """Run one goal and print what it came to; whether it held, or was not judged."""
    began = time.monotonic()
    with scratch() as folder:
        try:
            found = GOALS[name].run(Run(Path(folder), count, seed, store))
            verdict, words, faults = ("BROKEN" if found.faults else "held"), found.words, found.faults
        except NotJudged as error:
            verdict, words, faults = "NOT JUDGED", str(error), []
    seconds = time.monotonic() - began
    print(f"{name}  {store}  {verdict}  {words}  seed {seed}  commit {commit()}  {seconds:.0f} s", flush=True)
    for fault in faults[:SHOWN]:
        print(f"    {fault}")
    if len(faults) > SHOWN:
        print(f"    and {len(faults) - SHOWN} more")
    return not faults


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--goal", choices=(*GOALS, "all"))
    parser.add_argument("--count", type=int, default=None, help="[the goal's slice]")
    parser.add_argument("--kills", type=int, default=None)
    parser.add_argument(
        "--store", choices=("sqlite", "postgresql"), default=None, help="[each that the goal is run on]"
    )
    parser.add_argument("--seed", type=int, default=None, help="[a new one, printed]")
    given = parser.parse_args()
    if given.goal is None and given.kills is None:
        parser.error("say which: --goal B3, --goal all, or --kills 1000")
    name, count = (given.goal or "B1"), (given.count if given.kills is None else given.kills)
    logging.getLogger("fettlebook").setLevel(logging.CRITICAL)  # trouble is what is asked for
    held = [
        judge(each, store, count or GOALS[each].slice, time.time_ns() if given.seed is None else given.seed)
        for each in (GOALS if name == "all" else (name,))
        for store in ((given.store,) if given.store else GOALS[each].stores)
    ]
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
