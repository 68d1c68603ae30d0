"""From few specimens to a population: tolerance factors, outliers, zero-failure plans."""

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.requirement import Demand
from dossier.evidence.spoken import number_text
from dossier.evidence.statistics.estimate import Estimate
from dossier.evidence.statistics.uncertainty import accept_fraction, t_quantile
from dossier.physics.values import find_root
from dossier.words import later, say

NEGLIGIBLE = 1e-12
"""Tail probability beyond which the non-central t-distribution is taken as 0 or 1 [-]."""


class Grubbs(NamedTuple):
    """The observation farthest from the mean, and how far is too far."""

    position: int
    """Index of the farthest observation, the first if several are as far [-]."""
    distance: float
    """G: its distance from the mean in experimental standard deviations [-]."""
    two_sided: float
    """Critical value at 5 % where an outlier may lie on either side [-]."""


def tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Return the exact one-sided tolerance factor k of a normal population [-].

    With `confidence` [-], a share `coverage` [-] of the population lies above mean - k s (or
    below mean + k s) of `n` specimens [-], s with n - 1 degrees of freedom.

    Raises ValueError unless n >= 2, 0.5 <= coverage < 1 and 0.5 <= confidence < 1.
    Source: k = t'(confidence; n - 1, z_coverage sqrt(n)) / sqrt(n), t' the quantile of the
    non-central t-distribution; NIST/SEMATECH e-Handbook, 7.2.6.3 (from memory).
    """
    from scipy.special import ndtri

    _accept_specimens(n)
    _accept_upper_half(coverage, "coverage")
    _accept_upper_half(confidence, "confidence")
    root = math.sqrt(n)
    delta = float(ndtri(coverage)) * root
    top = _bounds(n - 1, delta, 1.0 - confidence)[1]
    t = find_root(
        lambda each: _noncentral_t_cdf(each, n - 1, delta) - confidence, 0.0, top, xtol=1e-10
    )
    return t / root


def tolerance_confidence(n: int, coverage: float, k: float) -> float:
    """Return the confidence with which `coverage` of a population lies beyond mean - k s [-].

    `k` [-] is the distance of the mean of `n` specimens [-] from the limit in experimental
    standard deviations, negative when the mean is on the wrong side; `coverage` is a share [-].
    It is the inverse of `tolerance_factor`.

    Raises ValueError unless n >= 2, 0.5 <= coverage < 1 and k is finite.
    Source: as `tolerance_factor`.
    """
    from scipy.special import ndtri

    _accept_specimens(n)
    _accept_upper_half(coverage, "coverage")
    if not (-math.inf < k < math.inf):
        raise ValueError(f"k must be finite, not {k} [-]")
    root = math.sqrt(n)
    return _noncentral_t_cdf(k * root, n - 1, float(ndtri(coverage)) * root)


def two_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Return the exact two-sided tolerance factor k of a normal population [-].

    With `confidence` [-], a share `coverage` [-] of the population lies within mean -/+ k s of `n`
    specimens [-], s with n - 1 degrees of freedom.

    Raises ValueError unless n >= 2, 0.5 <= coverage < 1 and 0.5 <= confidence < 1.
    Source: as `two_sided_confidence`.
    """
    _accept_specimens(n)
    _accept_upper_half(coverage, "coverage")
    _accept_upper_half(confidence, "confidence")
    top = 1.0
    while two_sided_confidence(n, coverage, top) < confidence:
        top *= 2.0
    return find_root(
        lambda k: two_sided_confidence(n, coverage, k) - confidence, 0.0, top, xtol=1e-9
    )


def two_sided_confidence(n: int, coverage: float, k: float) -> float:
    """Return the confidence with which `coverage` of a population lies within mean -/+ k s [-].

    `k` [-] is the distance of the mean of `n` specimens [-] from the nearer limit in experimental
    standard deviations; zero confidence where it is not above zero.  Never above the confidence
    that `coverage` of it lies inside that limit alone.

    Raises ValueError unless n >= 2, 0.5 <= coverage < 1 and k is finite.
    Source: given the mean is off by z / sqrt(n) standard deviations, the interval holds the share
    if s is at least r / k, where a half-width r about it holds that share; integrated over z with
    s by chi-square (Wald and Wolfowitz 1946, exact form; as tabulated in ISO 16269-6, annex, and
    NIST/SEMATECH e-Handbook, 7.2.6.3; from memory).
    """
    from scipy.special import chdtrc

    _accept_specimens(n)
    _accept_upper_half(coverage, "coverage")
    if not (-math.inf < k < math.inf):
        raise ValueError(f"k must be finite, not {k} [-]")
    if k <= 0.0:
        return 0.0
    weights, half = _off_centre(n, coverage)
    return float(weights @ chdtrc(n - 1.0, (n - 1.0) * (half / k) ** 2))


@functools.lru_cache(maxsize=32)
def _off_centre(n: int, coverage: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return weights (m,) of means that are off, and the half-width that holds `coverage` (m,).

    Simpson's rule on the normal density of |z| from 0 to 9, with a sum of one; the half-width by
    bisection on Phi(z / sqrt(n) + r) - Phi(z / sqrt(n) - r).
    """
    from scipy.special import ndtr

    z = np.linspace(0.0, 9.0, 1001)
    step = np.ones(1001)
    step[1:-1:2], step[2:-1:2] = 4.0, 2.0
    weights = step * np.exp(-0.5 * z * z)
    off = z / math.sqrt(n)
    low, high = np.zeros(1001), off + 12.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        held = ndtr(off + middle) - ndtr(off - middle) >= coverage
        low, high = np.where(held, low, middle), np.where(held, middle, high)
    return weights / weights.sum(), high


def grubbs(values: Sequence[float] | NDArray[np.float64]) -> Grubbs:
    """Return which of `values` (n,) is farthest from the mean, its G, and a critical value at 5 %.

    The page flags, nobody deletes: an outlier is left out only for a physical cause.  Of six or
    fewer values the test flags too many (NIST/SEMATECH e-Handbook, 1.3.5.17.1).

    Raises ValueError for fewer than three values, one that is not finite, or all of them equal.
    Source: F. E. Grubbs, Technometrics 11 (1969), 1, critical values by t at 0.05 / (2 n) and
    0.05 / n with n - 2 degrees of freedom (NIST/SEMATECH e-Handbook, 1.3.5.17.1; from memory).
    """
    observed = np.asarray(values, dtype=np.float64)
    if not (observed.ndim == 1 and observed.size >= 3 and bool(np.isfinite(observed).all())):
        raise ValueError(f"three or more finite values are needed, not {observed.tolist()} [-]")
    if not observed.max() > observed.min():
        raise ValueError(f"{observed.size} equal values of {observed[0]} have no spread to judge")
    distance = np.abs(observed - observed.mean())
    position = int(distance.argmax())
    n = observed.size
    t2 = t_quantile(1.0 - 0.05 / (2 * n), n - 2.0) ** 2
    critical = (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))
    return Grubbs(position, float(distance[position] / observed.std(ddof=1)), critical)


def zero_failure_reliability(n: int, confidence: float) -> float:
    """Return the share of a population shown to conform by `n` specimens without a failure [-].

    `confidence` is one-sided [-].  Raises ValueError unless n >= 1 and 0 < confidence < 1.
    Source: reliability^n = 1 - confidence, binomial (common practice, from memory).
    """
    if not n >= 1:
        raise ValueError(f"one or more specimens are needed, not {n} [-]")
    return math.exp(math.log1p(-accept_fraction(confidence, "confidence")) / n)


def zero_failure_specimens(reliability: float, confidence: float) -> int:
    """Return how many specimens without a failure show a `reliability` [-] at `confidence` [-].

    Raises ValueError unless 0 < reliability < 1 and 0 < confidence < 1.
    Source: n = ln(1 - confidence) / ln(reliability) rounded up (common practice, from memory); a
    quotient that is whole but for the rounding of the logarithms (1e-12) is taken as whole.
    """
    accept_fraction(reliability, "reliability")
    accept_fraction(confidence, "confidence")
    exact = math.log1p(-confidence) / math.log(reliability)
    return math.ceil(exact * (1.0 - 1e-12))


def _noncentral_t_cdf(t: float, dof: int, delta: float) -> float:
    """Return P(T <= t) of the non-central t-distribution, `delta` not negative [-].

    The library gives up (nan) far out in either tail.  There the elementary bounds decide; below
    zero the answer is 0, which can only understate a confidence (by less than 1e-12 where tested).
    """
    from scipy.special import nctdtr

    found = float(nctdtr(dof, delta, t))
    if 0.0 <= found <= 1.0:
        return found
    low, high = _bounds(dof, delta, NEGLIGIBLE)
    if t <= max(low, 0.0):
        return 0.0
    if t >= high:
        return 1.0 - NEGLIGIBLE
    raise ArithmeticError(f"non-central t at {t} with {dof} and {delta} cannot be computed")


def _bounds(dof: int, delta: float, tail: float) -> tuple[float, float]:
    """Return (low, high) with P(T <= low) <= tail and P(T >= high) <= tail.

    T = (Z + delta) / sqrt(W / dof): half the tail is given to the normal Z, half to chi-square W
    (Bonferroni).
    """
    from scipy.special import chdtri, ndtri

    z = -float(ndtri(0.5 * tail))
    wide = math.sqrt(float(chdtri(dof, 0.5 * tail)) / dof)
    narrow = math.sqrt(float(chdtri(dof, 1.0 - 0.5 * tail)) / dof)
    lowest = delta - z
    return lowest / (wide if lowest > 0 else narrow), (delta + z) / narrow


def _accept_specimens(n: int) -> None:
    if not n >= 2:
        raise ValueError(f"two or more specimens are needed, not {n} [-]")


def _accept_upper_half(value: float, name: str) -> None:
    if not (0.5 <= value < 1.0):
        raise ValueError(f"{name} must be 0.5 or above and below 1, not {value} [-]")


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
        f"{number_text(demand.shown(value), '.4g')}{unit}"
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
