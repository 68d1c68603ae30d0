"""The probability that a requirement is met, on each basis, given what was measured."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.decision.rules import (
    Limits,
    conformance_probability,
    conformance_probability_of_samples,
)
from dossier.evidence.draws import as_samples
from dossier.evidence.estimate import Estimate, SpecimenValue
from dossier.evidence.tolerance import tolerance_confidence
from dossier.evidence.uncertainty import coverage_factor, t_quantile

__all__ = [
    "Judged",
    "Threshold",
    "against",
    "by_parts",
    "fixed",
    "interval",
    "probability",
    "specimen_probability",
]

Floats = NDArray[np.float64]
Part = tuple[float, float]
"""Standard uncertainty and degrees of freedom of one part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """A limit as it enters a decision: its value, and what is uncertain about it."""

    lower: float | None
    upper: float | None
    u: float = 0.0
    """Standard uncertainty of the limit itself, from the reference filter [unit]."""
    factor: float = 1.0
    """The limit is this factor times the reference's value [-]."""
    reference: Estimate | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What the rules need to reach a verdict."""

    value: float
    """The value compared with the limits: mean, worst specimen, or quantile [unit]."""
    probability: float
    """Probability that the requirement is met [-]."""


def fixed(lower: float | None, upper: float | None) -> Threshold:
    """Return the threshold of a limit that is exactly known [unit]."""
    return Threshold(lower=lower, upper=upper)


def against(reference: Estimate, not_worse: float, higher_is_better: bool) -> Threshold:
    """Return the threshold that the reference sets: 1 -/+ `not_worse` [-] times its value.

    The reference's uncertainty comes along; what both filters share is taken out of it when the
    difference is formed.
    """
    factor = 1.0 - not_worse if higher_is_better else 1.0 + not_worse
    limit = factor * reference.value
    return Threshold(
        lower=limit if higher_is_better else None,
        upper=None if higher_is_better else limit,
        u=factor * reference.u,
        factor=factor,
        reference=reference,
    )


def probability(
    estimate: Estimate,
    threshold: Threshold,
    basis: str,
    coverage: float,
    draws: Callable[[str], np.random.Generator],
) -> Judged:
    """Return value and conformance probability on `basis` (JCGM 106:2012, 7.3 and 7.4).

    `draws` gives a random generator for a purpose; `coverage` is the share of the population.
    """
    if basis == "every_specimen":
        return _every(estimate, threshold, draws)
    if basis == "population":
        return _population(estimate, threshold, coverage)
    return Judged(value=estimate.value, probability=_mean(estimate, threshold, draws))


def _mean(
    estimate: Estimate, threshold: Threshold, draws: Callable[[str], np.random.Generator]
) -> float:
    reference = threshold.reference
    if reference is None:
        if estimate.samples is not None:
            return conformance_probability_of_samples(
                estimate.samples, Limits(threshold.lower, threshold.upper)
            )
        parts = [(c.u, c.dof) for c in estimate.components]
        return _analytic(estimate.value, parts, estimate.scale, threshold)
    if estimate.samples is not None or reference.samples is not None:
        own = as_samples(estimate, draws("candidate as draws"))
        other = as_samples(reference, draws("reference as draws"))
        difference = own - threshold.factor * other
        zero = Limits(
            None if threshold.lower is None else 0.0, None if threshold.upper is None else 0.0
        )
        return conformance_probability_of_samples(difference, zero)
    return _difference(estimate, reference, threshold)


def _analytic(value: float, parts: Sequence[Part], scale: str, threshold: Threshold) -> float:
    """Return the probability on the estimate's own scale; `parts` are in its unit."""
    limits = Limits(threshold.lower, threshold.upper)
    if scale == "linear":
        return by_parts(value, [*parts, (threshold.u, math.inf)], limits)
    turned = Limits(_inverse(threshold.upper), _inverse(threshold.lower))
    spread = [(u / value**2, dof) for u, dof in parts]
    limit = threshold.lower if threshold.lower is not None else threshold.upper
    if threshold.u > 0 and limit is not None:
        spread.append((threshold.u / limit**2, math.inf))
    return by_parts(1.0 / value, spread, turned)


def _inverse(limit: float | None) -> float | None:
    return None if limit is None else 1.0 / limit


def by_parts(value: float, parts: Sequence[Part], limits: Limits) -> float:
    """Return the conformance probability with each part at its own degrees of freedom [-].

    `parts` are (standard uncertainty, degrees of freedom).  The one-sided limit of the sum is the
    root of the sum of squares of the parts' one-sided limits, t(p, dof) u each, as in the method
    of variance estimates recovery (Zou and Donner 2008, from memory).  With three specimens the
    common effective degrees of freedom let a filter at the limit pass in up to 6.4 % of cases at
    a stated risk of 5 %; this form stays at or below the risk.
    """
    if len([u for u, _ in parts if u > 0]) < 2:
        u, dof = next(((u, dof) for u, dof in parts if u > 0), (0.0, math.inf))
        return conformance_probability(value, u, dof, limits)
    chances = []
    if limits.lower is not None:
        chances.append(_one_sided(value - limits.lower, parts))
    if limits.upper is not None:
        chances.append(_one_sided(limits.upper - value, parts))
    return max(0.0, 1.0 - sum(1.0 - chance for chance in chances))


def _one_sided(distance: float, parts: Sequence[Part]) -> float:
    """Return p with sqrt(sum (t(p, dof) u)^2) = |distance|, turned to 1 - p below zero."""
    if distance < 0:
        return 1.0 - _one_sided(-distance, parts)
    low, high = 0.5, 1.0 - 1e-12
    for _ in range(60):
        middle = 0.5 * (low + high)
        reach = math.sqrt(sum((t_quantile(middle, dof) * u) ** 2 for u, dof in parts if u > 0))
        low, high = (middle, high) if reach <= distance else (low, middle)
    return low


def _difference(estimate: Estimate, reference: Estimate, threshold: Threshold) -> float:
    """Return P(candidate - factor * reference on the good side of zero).

    Components under the same key are common errors and subtract; all others stand on their own.
    """
    turn = estimate.scale == "reciprocal"
    value = 1.0 / estimate.value if turn else estimate.value
    factor = 1.0 / threshold.factor if turn else threshold.factor
    other = 1.0 / reference.value if turn else reference.value
    own_u = _components(estimate, turn)
    other_u = {key: (u * factor, dof) for key, (u, dof) in _components(reference, turn).items()}
    parts: list[Part] = []
    for key in sorted(own_u.keys() | other_u.keys()):
        if key in own_u and key in other_u and key[1] != "":
            parts.append((abs(own_u[key][0] - other_u[key][0]), own_u[key][1]))
        else:
            parts += [table[key] for table in (own_u, other_u) if key in table]
    good_is_high = (threshold.lower is not None) != turn
    zero = Limits(0.0, None) if good_is_high else Limits(None, 0.0)
    return by_parts(value - factor * other, parts, zero)


def _components(estimate: Estimate, turn: bool) -> dict[tuple[str, str], Part]:
    scale = 1.0 / estimate.value**2 if turn else 1.0
    return {(c.name, c.shared): (c.u * scale, c.dof) for c in estimate.components}


def _every(
    estimate: Estimate, threshold: Threshold, draws: Callable[[str], np.random.Generator]
) -> Judged:
    """Return the least favourable specimen: its value and its own probability."""
    limits = Limits(threshold.lower, threshold.upper)
    found: list[tuple[float, float]] = []
    for index, each in enumerate(estimate.per_specimen):
        if estimate.specimen_samples is not None:
            own = estimate.specimen_samples[index]
            if threshold.u > 0:
                shift = threshold.u * draws("limit from the reference").standard_normal(len(own))
                own = own - shift
            chance = conformance_probability_of_samples(own, limits)
        else:
            chance = specimen_probability(each, estimate.scale, threshold)
        found.append((chance, each.value))
    chance, value = min(found)
    return Judged(value=value, probability=chance)


def specimen_probability(each: SpecimenValue, scale: str, threshold: Threshold) -> float:
    """Return the probability that one specimen conforms, by its own value or bound and u [-]."""
    return _analytic(each.value, [(each.u, math.inf)], scale, threshold)


def _population(estimate: Estimate, threshold: Threshold, coverage: float) -> Judged:
    """Return the confidence at which the exact one-sided tolerance limit reaches the limit.

    The share `coverage` of the population conforms with that confidence.  Shared components and
    the limit's own uncertainty are subtracted from the distance first, at the same confidence.
    """
    turn = estimate.scale == "reciprocal"
    values = np.array([each.value for each in estimate.per_specimen])
    values = 1.0 / values if turn else values
    shift = 1.0 / estimate.value**2 if turn else 1.0
    fixed_u = [c.u * shift for c in estimate.components if not _is_scatter(c.name)]
    common = math.sqrt(sum(u * u for u in fixed_u) + (threshold.u * shift) ** 2)
    ends = [(threshold.lower, 1.0), (threshold.upper, -1.0)]
    chances, quantiles = [], []
    for limit, sign in ends:
        if limit is None:
            continue
        edge, side = (1.0 / limit, -sign) if turn else (limit, sign)
        distance = side * (float(values.mean()) - edge)
        chances.append(_confidence(values, distance, common, coverage))
        quantiles.append(float(values.mean()) - side * _z(coverage) * float(values.std(ddof=1)))
    worst = int(np.argmin(chances))
    value = 1.0 / quantiles[worst] if turn else quantiles[worst]
    total = 1.0 - sum(1.0 - chance for chance in chances)
    return Judged(value=value, probability=max(0.0, total))


def _is_scatter(name: str) -> bool:
    return name.startswith("scatter of")


def _z(coverage: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(coverage))


def _confidence(values: Floats, distance: float, common: float, coverage: float) -> float:
    """Return the confidence g with k(g) s + z(g) u = distance, by bisection on g."""
    from scipy.special import ndtri

    n, s = len(values), float(values.std(ddof=1))
    if s == 0.0 and common == 0.0:
        return 1.0 if distance >= 0 else 0.0
    low, high = 1e-9, 1.0 - 1e-9
    for _ in range(60):
        middle = 0.5 * (low + high)
        rest = distance - max(0.0, float(ndtri(middle))) * common
        reached = tolerance_confidence(n, coverage, rest / s) if s > 0 else float(rest >= 0)
        if reached >= middle:
            low = middle
        else:
            high = middle
    return low


def interval(estimate: Estimate, confidence: float = 0.95) -> tuple[float, float]:
    """Return the two-sided interval of the mean [unit] (JCGM 100:2008, 6.3; JCGM 101:2008, 7.7)."""
    tail = 0.5 * (1.0 - confidence)
    if estimate.samples is not None:
        ends = np.quantile(estimate.samples, [tail, 1.0 - tail], method="nearest")
        return float(ends[0]), float(ends[1])
    k = coverage_factor(confidence, estimate.dof)
    if estimate.scale == "reciprocal":
        middle, half = 1.0 / estimate.value, k * estimate.u / estimate.value**2
        top = math.inf if middle - half <= 0 else 1.0 / (middle - half)
        return 1.0 / (middle + half), top
    return estimate.value - k * estimate.u, estimate.value + k * estimate.u
