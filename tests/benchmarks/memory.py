"""Peak memory of one build, of the program and of the process that helps with the charts."""

import subprocess
import sys
import tempfile

from tests.benchmarks.timing import INPUTS, ROOT, heading

TARGET = 250
ONE = """
import resource, sys
from dossier.api import build
build(sys.argv[1], sys.argv[2])
own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
helper = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(own, helper)
"""


def main():
    heading("peak memory of one build")
    for case in ("polder-pumps", "ropeway-drive", "chain-ferry"):
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [sys.executable, "-c", ONE, str(INPUTS / case), folder],
                cwd=ROOT, capture_output=True, text=True, check=True,
            )  # fmt: skip
        own, helper = (int(kib) / 1024 for kib in done.stdout.split())
        verdict = "met" if own < TARGET else "MISSED"
        print(f"  {case:16s} {own:.0f} MiB, helper {helper:.0f} MiB (most of it shared); "
              f"target below {TARGET}: {verdict}")  # fmt: skip


if __name__ == "__main__":
    main()
