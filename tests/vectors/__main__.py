"""`python -m tests.vectors FILE...` judges files of check values through the project's public functions.

Exit 0: everything judged is the same. 1: something differs. 2: wrong use, or a file that cannot be read.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

from tests.vectors.judge import Report, UnreadableError, judge, read_cases


def main(names: Sequence[str]) -> int:
    """Print what became of each file; return the exit code."""
    if not names or any(name.startswith("-") for name in names):
        print(__doc__, file=sys.stderr)
        return 2
    try:
        files = [(name, read_cases(Path(name))) for name in names]
    except UnreadableError as error:
        print(f"unreadable: {error}", file=sys.stderr)
        return 2
    reports = []
    for name, cases in files:
        report = judge(cases)
        reports.append(report)
        for line in sentences(name, report):
            print(line)
    return 1 if any(report.differences for report in reports) else 0


def sentences(name: str, report: Report) -> list[str]:
    """The lines to print about one file: differences first, the sum last."""
    lines = [f"DIFFERENT {difference}" for difference in report.differences]
    lines += [f"not judged: {case}: {reason}" for case, reason in report.not_judged.items()]
    lines += [f"no adapter yet: {kind} ({number} cases)" for kind, number in report.no_adapter.items()]
    if not report.same and not report.differences:
        return [*lines, f"{name}: NOT JUDGED"]
    count = len(report.differences)
    return [*lines, f"{name}: {len(report.same)} same, {count} {'difference' if count == 1 else 'differences'}"]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
