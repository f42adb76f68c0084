"""`python -m tests.bench [--only NAME] [--rounds N] [--long] [--books DIR [--fill]] [--json | --table]`: exit 1 when a
judged figure does not hold, or misses an aim that is demanded."""

import argparse
import json
import sys
from hashlib import sha256
from pathlib import Path

from tests.bench import (  # noqa: F401  they register
    bench_access,
    bench_append,
    bench_gate,
    bench_late,
    bench_numbers,
    bench_proof,
    bench_pull,
    bench_read,
    bench_redraw,
    bench_size,
    bench_start,
    bench_view,
)
from tests.bench.figures import FIGURES, PEER_FILES, PEERS, Verdict, as_json, as_table, judge
from tests.bench.running import Bench


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--only", action="append", metavar="NAME", help="figures whose name holds this; repeatable")
    parser.add_argument("--rounds", type=int, default=5, metavar="N", help="rounds of each figure [5]")
    parser.add_argument("--long", action="store_true", help="with the books of a million entries")
    parser.add_argument("--books", type=Path, metavar="DIR", help="keep those books there, and take them from there")
    parser.add_argument("--fill", action="store_true", help="only fill the books that --books lacks")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", dest="as_json")
    form.add_argument("--table", action="store_true", help="print the table of README")
    asked = parser.parse_args()
    chosen = [f for f in FIGURES.values() if not asked.only or any(part in f.name for part in asked.only)]
    if not chosen or asked.rounds < 1:
        parser.error("no figure has such a name" if not chosen else "at least one round")
    if asked.fill:
        if asked.books is None:
            parser.error("--fill goes with --books")
        with Bench(1, True, asked.books) as bench:
            bench_gate.fill(bench)
            bench_proof.fill(bench)
        return 0
    out = sys.stderr if asked.as_json or asked.table else sys.stdout
    for name in PEER_FILES:
        print(f"peer {name}: SHA-256 {sha256((PEERS / name).read_bytes()).hexdigest()}", file=out)
    verdicts: list[Verdict] = []
    with Bench(asked.rounds, asked.long, asked.books) as bench:
        for one in chosen:
            verdicts.append(judge(one, bench))
            print(verdicts[-1].line(), file=out, flush=True)
        print(f"probes: {json.dumps(bench.noise.summary()) if bench.noise.disk else 'none'}", file=out)
    if asked.as_json:
        print(json.dumps(as_json(verdicts), indent=2))
    if asked.table:
        print(as_table(verdicts))
    return int(any(v.failed for v in verdicts))


if __name__ == "__main__":
    sys.exit(main())
