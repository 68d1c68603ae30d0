"""Peak memory of one build: of the process that lays out, and of the one that decides and draws."""

import subprocess
import sys
import tempfile

from tests.benchmarks.timing import INPUTS, ROOT, heading

TARGET = 250
ONE = """
import resource, sys
from dossier.command.cli import main
sys.argv = ["dossier", "build", sys.argv[1], "--out", sys.argv[2]]
try:
    main()
except SystemExit:
    pass
own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
other = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(own, other)
"""


def main():
    heading("peak memory of one build")
    for case in ("polder-pumps", "ropeway-drive", "chain-ferry"):
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [sys.executable, "-c", ONE, str(INPUTS / case), folder],
                cwd=ROOT, capture_output=True, text=True, check=True,
            )  # fmt: skip
        own, other = (int(kib) * 1024 / 1e6 for kib in done.stdout.splitlines()[-1].split())
        verdict = "met" if max(own, other) < TARGET else "MISSED"
        print(f"  {case:16s} {own:.0f} MB, deciding before it {other:.0f} MB; "
              f"target below {TARGET}: {verdict}")  # fmt: skip


if __name__ == "__main__":
    main()
