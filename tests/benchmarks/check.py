"""`check` on a multi-pass record of a million rows against pandas.read_csv of the same file."""

import io
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.timing import INPUTS, PYTHON, heading, race, ratio

ROWS = 1_000_000
READ = "import sys, pandas; pandas.read_csv(sys.argv[1], comment='#')"


def large_case(folder):
    """Make a case in `folder` whose first record has a million rows; return the case folder.

    The readings of the demo record are interpolated and counted anew with Poisson noise.  They are
    far closer together than a counter can take them, so that the record carries no result.
    """
    case = Path(shutil.copytree(INPUTS / "polder-pumps", Path(folder, "million")))
    path = case / "records" / "mp-c1.csv"
    lines = path.read_text().splitlines()
    small = pd.read_csv(io.StringIO("\n".join(x for x in lines if not x.startswith("#"))))
    moments = np.linspace(small.iloc[0, 0], small.iloc[-1, 0], ROWS)
    rng = np.random.default_rng(1)
    columns = {}
    for name in small.columns:
        values = np.interp(moments, small.iloc[:, 0], small[name])
        if name.startswith(("upstream", "downstream")):
            columns[name] = np.round(rng.poisson(values * 2.5) / 2.5, 1)
        else:
            columns[name] = np.round(values, 6 if name.startswith("time") else 2)
    remarks = "".join(f"{line}\n" for line in lines if line.startswith("#"))
    path.write_text(remarks + pd.DataFrame(columns).to_csv(index=False))
    return case, path


def main(rounds=9):
    heading(f"check of a record of {ROWS} rows against pandas.read_csv, whole processes")
    with tempfile.TemporaryDirectory() as folder:
        case, path = large_case(folder)
        print(f"  {path.stat().st_size / 1e6:.0f} MB")
        medians = race(
            {
                "check, a million rows": [PYTHON, "-m", "dossier", "check", case],
                "pandas.read_csv": [PYTHON, "-c", READ, path],
                "check, the demo case": [PYTHON, "-m", "dossier", "check", INPUTS / "polder-pumps"],
            },
            rounds,
        )
        ratio(medians, "check, a million rows", "pandas.read_csv", 3.0)
        more = medians["check, a million rows"][0] - medians["check, the demo case"][0]
        print(f"  the million rows alone take {more:.2f} s")
        _reading(case, path, rounds)


def _reading(case, path, rounds):
    """Compare reading the whole case, digests and checks included, in one process by turns."""
    from dossier.make.read import read_case

    times = {"read_case": [], "read_csv": []}
    for turn in range(rounds + 1):
        for name, work in (
            ("read_case", lambda: read_case(case)),
            ("read_csv", lambda: pd.read_csv(path, comment="#")),
        ):
            begun = time.perf_counter()
            work()
            if turn:
                times[name].append(time.perf_counter() - begun)
    ours, theirs = (statistics.median(found) for found in times.values())
    print(
        f"  reading alone, imports made: {ours:.2f} s against {theirs:.2f} s: {ours / theirs:.2f}"
    )


if __name__ == "__main__":
    main()
