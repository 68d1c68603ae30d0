"""A specimen far from the others is named, with the result without it; nothing is left out."""

import math
from dataclasses import dataclass

import numpy as np

from dossier.evidence.requirement import Demand
from dossier.evidence.spoken import shown
from dossier.evidence.statistics.estimate import Estimate
from dossier.evidence.statistics.tolerance import grubbs
from dossier.words import later, say

FEW = 6
"""Up to this many values the test flags too many (NIST/SEMATECH e-Handbook, 1.3.5.17.1) [-]."""


@dataclass(frozen=True, slots=True)
class Outlier:
    """The specimen farthest from the others, where it is farther than chance explains."""

    specimen: str
    value: float
    """Its result [unit of the estimate]."""
    distance: float
    """Grubbs G [-]."""
    critical: float
    """Two-sided critical value at 5 % [-]."""
    specimens: int
    with_it: float
    """Mean of the specimens [unit of the estimate], on the scale that is averaged on."""
    without_it: float


def find_outlier(estimate: Estimate) -> Outlier | None:
    """Return the outlying specimen of an estimate by Grubbs' test at 5 %, or None.

    Fewer than three specimens, results that are only bounds, are not finite or all agree cannot be
    judged.  Where decisions are on the reciprocal scale, so is the test.
    Source: see `grubbs`.
    """
    each = estimate.per_specimen
    turn = estimate.scale == "reciprocal"
    if len(each) < 3 or any(one.bound or not _usable(one.value, turn) for one in each):
        return None
    values = np.array([1.0 / value if turn else value for value in (one.value for one in each)])
    if not values.max() > values.min():
        return None
    found = grubbs(values)
    if not found.distance > found.two_sided:
        return None
    rest = np.delete(values, found.position)
    means = float(values.mean()), float(rest.mean())
    whole, without = (1.0 / mean if turn else mean for mean in means)
    far, distances = each[found.position], (found.distance, found.two_sided)
    return Outlier(far.specimen or far.record, far.value, *distances, len(each), whole, without)


def _usable(value: float, turn: bool) -> bool:
    return math.isfinite(value) and (value > 0.0 or not turn)


def outlier_note(outlier: Outlier, demand: Demand) -> str:
    """Return the sentence that flags an outlier, in the unit of the requirement."""
    unit = "" if demand.unit == "1" else f" {demand.unit}"
    own, whole, without = (
        f"{shown(demand.shown(value), '.4g')}{unit}"
        for value in (outlier.value, outlier.with_it, outlier.without_it)
    )
    few = ""
    if outlier.specimens <= FEW:
        few = say("; of {number} or fewer values the test flags too many", number=FEW)
    words = later(
        "specimen {specimen} ({own}) lies far from the others: Grubbs G = {distance:.4g}, critical "
        "{critical:.4g} (two-sided, 5 %){few}. Mean with it {whole}, without it {without}. It "
        "stays in the result: only a physical cause and a recorded deviation may leave it out"
    )
    said = {"specimen": outlier.specimen, "own": own, "whole": whole, "without": without}
    return say(words, distance=outlier.distance, critical=outlier.critical, few=few, **said)
