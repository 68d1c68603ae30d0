"""Many dossiers by one process, by two, and by a cluster of two workers on this machine.

``python -m tests.benchmarks.batch [SMALL [DEMO]]``; only the ratios mean something.
"""

import shutil
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.timing import INPUTS, PYTHON, heading, run
from tests.small_case import record, requirement, write

CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")
TARGET = 1.9


def copies(folder, count):
    """Make `count` cases with numbers of their own out of the demo cases."""
    made = []
    for place in range(count):
        case = Path(shutil.copytree(INPUTS / CASES[place % len(CASES)], Path(folder, f"c{place}")))
        text = (case / "case.toml").read_text()
        start = text.index('number = "') + len('number = "')
        (case / "case.toml").write_text(f"{text[:start]}B{place:02d}-{text[start:]}")
        made.append(case)
    return made


def variants(folder, count):
    """Make `count` small cases, each with other measured values."""
    made = []
    for place in range(count):
        values = [1800 + 7 * place + 13 * each for each in range(3)]
        rows = "".join(f"S{each + 1},{value}\n" for each, value in enumerate(values))
        table = record("M1", "measurement", f"specimen,burst pressure [kPa]\n{rows}")
        asked = requirement("burst_pressure", min=f"{1500 + place} kPa")
        case = write(Path(folder, f"v{place}"), [table], [asked], plan=("S1", "S2", "S3"))
        text = (case / "case.toml").read_text()
        (case / "case.toml").write_text(text.replace("SMALL-1", f"SMALL-{place + 1}"))
        made.append(case)
    return made


def contest(cases, folder):
    """Time one process, two, and a cluster of two workers; say whether all wrote the same."""
    walls, outs = {}, {}
    for name, jobs in (("one process", 1), ("two processes", 2)):
        _time(name, cases, folder, ("--jobs", jobs), walls, outs)
    try:
        from distributed import LocalCluster
    except ImportError:
        print("  no cluster: the extra of that name is not installed")
    else:  # started now: its workers are never quite idle
        with LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster:
            there = ("--scheduler", cluster.scheduler_address)
            _time("cluster of two", cases, folder, there, walls, outs)
    _compare(walls, outs, len(cases))


def _time(name, cases, folder, options, walls, outs):
    outs[name] = Path(folder, name.replace(" ", "-"))
    walls[name], _ = run([PYTHON, "-m", "dossier", "build", *cases, "--out", outs[name], *options])
    print(f"  {name:14s} {walls[name]:8.1f} s, {walls[name] / len(cases):.2f} s a dossier")


def _compare(walls, outs, count):
    first, *others = walls
    written = sorted(path.name for path in outs[first].iterdir() if path.is_file())
    assert len(written) == 2 * count
    for other in others:
        same = all(
            (outs[first] / name).read_bytes() == (outs[other] / name).read_bytes()
            for name in written
        )
        gain = walls[first] / walls[other]
        print(
            f"  {other}: {gain:.2f} times one; target at least {TARGET}: "
            f"{'met' if gain >= TARGET else 'MISSED'}; files {'the same' if same else 'DIFFERENT'}"
        )


def main(count=200, demos=40):
    for words, make, many in (("small", variants, count), ("demo", copies, demos)):
        if many:
            heading(f"{many} {words} dossiers")
            with tempfile.TemporaryDirectory() as folder:
                contest(make(folder, many), folder)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
