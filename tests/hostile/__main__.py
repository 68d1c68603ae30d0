"""Run mutants of the demo cases and print what became of them: a table, operator by outcome."""

import argparse
import time
from collections import Counter

from tests.hostile.fuzz import Told, run_all


def table(told: list[Told]) -> str:
    """Return counts by kind and operator (rows) and by outcome (columns)."""
    columns = sorted({each.outcome for each in told})
    rows = sorted({(each.kind, each.operator) for each in told})
    counts = Counter((each.kind, each.operator, each.outcome) for each in told)
    lines = [f"{'':52}" + "".join(f"{c[:18]:>20}" for c in columns)]
    for kind, name in rows:
        cells = "".join(f"{counts[kind, name, c] or '':>20}" for c in columns)
        lines.append(f"{kind:8} {name[:42]:43}{cells}")
    totals = Counter((each.kind, each.outcome) for each in told)
    for kind in sorted({each.kind for each in told}):
        lines.append(
            f"{kind:8} {'in all':43}" + "".join(f"{totals[kind, c] or '':>20}" for c in columns)
        )
    slowest = max(told, key=lambda each: each.seconds)
    lines.append(f"{len(told)} mutants, slowest {slowest.seconds:.1f} s ({slowest.told})")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.hostile", description=__doc__)
    parser.add_argument("--mutants", type=int, default=2100)
    parser.add_argument("--first", type=int, default=0, help="number of the first mutant")
    parser.add_argument("--jobs", type=int, default=None)
    given = parser.parse_args()
    start = time.perf_counter()
    told = run_all(given.mutants, given.first, given.jobs)
    print(table(told))
    print(f"{time.perf_counter() - start:.0f} s in all")
    faults = [each for each in told if each.fault]
    for each in faults:
        print(f"FAULT [{each.kind}] {each.told}\n    {each.outcome}: {each.fault}")
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
