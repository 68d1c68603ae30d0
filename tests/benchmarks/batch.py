"""Forty dossiers with one worker and with two: `dossier build CASE... --jobs N`."""

import shutil
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.timing import INPUTS, PYTHON, heading, run

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


def main(count=40):
    heading(f"{count} dossiers with one worker and with two")
    with tempfile.TemporaryDirectory() as folder:
        cases = copies(folder, count)
        walls = {}
        for jobs in (2, 1):
            out = Path(folder, f"out{jobs}")
            command = [PYTHON, "-m", "dossier", "build", *cases, "--out", out, "--jobs", jobs]
            walls[jobs], _ = run(command)
            print(f"  {jobs} at once: {walls[jobs]:.1f} s, {walls[jobs] / count:.2f} s a dossier")
        same = all(
            path.read_bytes() == (Path(folder, "out2") / path.name).read_bytes()
            for path in sorted(Path(folder, "out1").iterdir())
        )
        assert len(list(Path(folder, "out1").iterdir())) == 2 * count
    gain = walls[1] / walls[2]
    print(f"  gain {gain:.2f}; target at least {TARGET}: {'met' if gain >= TARGET else 'MISSED'}; "
          f"files {'the same' if same else 'DIFFERENT'}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
