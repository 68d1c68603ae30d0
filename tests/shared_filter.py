"""One filter tested in several simulated laboratories: do intervals cover, how often does it pass?

`python -m tests.shared_filter 2000` prints the shares of many such tests.
"""

import sys
from dataclasses import dataclass

import numpy as np

from dossier.evidence.statistics.between import BETWEEN
from dossier.evidence.statistics.combine import combine
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue
from dossier.evidence.statistics.uncertainty import reach

STATED = 0.05
"""What is stated that laboratories differ by [of the value, which is 1]."""


@dataclass(frozen=True)
class Setting:
    """How many laboratories test how many specimens each, and what is true of them."""

    laboratories: int
    each: tuple[int, ...]
    """Specimens in a laboratory, by turns."""
    times: float
    """What laboratories truly differ by, over what is stated."""
    within: float = 0.03

    @property
    def houses(self):
        """The laboratory of every specimen."""
        p = self.laboratories
        return [f"L{k}" for k in range(p) for _ in range(self.each[k % len(self.each)])]


def draw(setting: Setting, rng: np.random.Generator) -> Estimate:
    """Return the estimate of one such test of a filter whose value is 1."""
    houses = setting.houses
    off = {name: setting.times * STATED * rng.standard_normal() for name in sorted(set(houses))}
    values = [1.0 + off[name] + setting.within * rng.standard_normal() for name in houses]
    own = [0.01] * len(houses)
    specimens = [
        SpecimenValue(specimen=f"S{k}", record=f"R{k}", value=value, u=0.01)
        for k, value in enumerate(values)
    ]
    shared = [
        Component(name=BETWEEN, u=STATED * houses.count(name) / len(houses), source="a study",
                  shared=f"rig {name}")
        for name in off
    ]  # fmt: skip
    where = {f"R{k}": name for k, name in enumerate(houses)}
    return combine(specimens, own, shared, laboratories=where)


def shares(setting: Setting, tests: int, seed: int = 1) -> tuple[float, float, float]:
    """Return how often the result's interval covers, s_L's covers, and the limit is passed."""
    rng = np.random.default_rng(seed)
    hits = np.zeros(3)
    for _ in range(tests):
        found = draw(setting, rng)
        low, high = found.interval()
        told = found.precision
        hits += (
            low <= 1.0 <= high,
            told.low <= setting.times * STATED <= told.high,
            found.value - 1.0 > reach(found.parts, 0.95),
        )
    return tuple(hits / tests)


if __name__ == "__main__":
    for p in (2, 3, 6):
        for each in ((2,), (3,), (3, 1), (1,)):
            for times in (0.0, 0.5, 1.0, 2.0, 3.0, 10.0):
                setting = Setting(p, each, times)
                told = ", ".join(
                    f"{100 * share:5.1f}" for share in shares(setting, int(sys.argv[1]))
                )
                sys.stdout.write(
                    f"p {p} {each!s:<7} times {times:<4} covered, s_L, passed: {told}\n"
                )
