"""The Monte Carlo: assessing a case with all imports made, and its draws alone."""

import statistics
import time

import numpy as np

from tests.benchmarks.timing import INPUTS, heading


def median_of(work, rounds):
    times = []
    for turn in range(rounds + 1):
        begun = time.perf_counter()
        work()
        if turn:
            times.append(time.perf_counter() - begun)
    return statistics.median(times)


def bare():
    """A million normal draws, interpolated on a curve and sorted: the least such work costs."""
    draws = np.random.default_rng(1).standard_normal((10, 100_000))
    curve = np.linspace(-5, 5, 60)
    for row in draws:
        np.quantile(np.interp(row, curve, curve**3), [0.16, 0.84], method="nearest")


def main(rounds=5):
    from dossier.make.decide import assess
    from dossier.make.read import read_case

    heading("Monte Carlo")
    for name in ("polder-pumps", "ropeway-drive", "chain-ferry"):
        case = read_case(INPUTS / name)
        found = median_of(lambda case=case: assess(case), rounds)
        unit = median_of(bare, rounds)
        print(
            f"  assess {name:16s} {found:.3f} s, as long as {found / unit:.1f} million bare draws"
        )


if __name__ == "__main__":
    main()
