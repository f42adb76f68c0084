"""`python -m tests.bench [--only NAME] [--rounds N] [--json]`: exit 1 when a judged figure does not hold."""

import argparse
import json
import sys
from hashlib import sha256

from tests.bench import bench_append, bench_read, bench_start  # noqa: F401  importing registers their figures
from tests.bench.figures import FIGURES, PEER_FILES, PEERS, Verdict, as_json, judge
from tests.bench.running import Bench


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--only", action="append", metavar="NAME", help="figures whose name holds this; repeatable")
    parser.add_argument("--rounds", type=int, default=5, metavar="N", help="rounds of each figure [5]")
    parser.add_argument("--json", action="store_true", dest="as_json")
    asked = parser.parse_args()
    chosen = [f for f in FIGURES.values() if not asked.only or any(part in f.name for part in asked.only)]
    if not chosen or asked.rounds < 1:
        parser.error("no figure has such a name" if not chosen else "at least one round")
    out = sys.stderr if asked.as_json else sys.stdout
    for name in PEER_FILES:
        print(f"peer {name}: SHA-256 {sha256((PEERS / name).read_bytes()).hexdigest()}", file=out)
    verdicts: list[Verdict] = []
    with Bench(asked.rounds) as bench:
        for one in chosen:
            verdicts.append(judge(one, bench))
            print(verdicts[-1].line(), file=out, flush=True)
        print(f"probes: {json.dumps(bench.noise.summary()) if bench.noise.disk else 'none'}", file=out)
    if asked.as_json:
        print(json.dumps(as_json(verdicts), indent=2))
    return int(any(v.failed for v in verdicts))


if __name__ == "__main__":
    sys.exit(main())
