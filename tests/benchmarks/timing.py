"""Races: each contestant in a process of its own, by turns, medians compared.

A ratio of two medians of one run says more than either time: the machine is the same.
"""

import os
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
INPUTS = ROOT / "inputs"
PYTHON = sys.executable
ENVIRONMENT = {key: os.environ[key] for key in os.environ.keys() - {"PYTHONDONTWRITEBYTECODE"}}
"""With the byte code that an installed package has: to compile ours takes half a second."""


def run(arguments, expect=(0, 1)):
    """Return (wall, processor) [s] of one process; its output is thrown away."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    done = subprocess.run(
        list(map(str, arguments)),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=ENVIRONMENT | {"PYTHONPATH": str(ROOT)},
        check=False,
    )
    wall = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in expect, done.stderr.decode()[-2000:]
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, busy


def race(contestants, rounds):
    """Return {name: (median wall, median processor)} of commands run by turns, one warm-up each."""
    times = {name: [] for name in contestants}
    for turn in range(rounds + 1):
        for name, command in contestants.items():
            found = run(command)
            if turn:
                times[name].append(found)
    medians = {}
    for name, found in times.items():
        walls, busy = zip(*found, strict=True)
        medians[name] = statistics.median(walls), statistics.median(busy)
        print(
            f"  {name:34s} {medians[name][0]:8.3f} s ({min(walls):.3f} to {max(walls):.3f}), "
            f"processor {medians[name][1]:.3f} s"
        )
    return medians


def ratio(medians, first, second, target):
    """Print the ratio of two medians against its target."""
    wall = medians[first][0] / medians[second][0]
    busy = medians[first][1] / medians[second][1]
    verdict = "met" if wall <= target else "MISSED"
    print(f"  ratio {wall:.2f} (processor time {busy:.2f}); target at most {target:g}: {verdict}")


def heading(text):
    """Print what is measured, and how busy the machine is with other work."""
    print(f"{text} [load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores]")
