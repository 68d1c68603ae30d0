"""The probability that a requirement is met, on each basis, given what was measured."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.decision.rules import (
    Tolerance,
    conformance_probability,
    conformance_probability_of_samples,
)
from dossier.evidence.registry import ShareOf, reference_line
from dossier.evidence.statistics.combine import as_samples
from dossier.evidence.statistics.estimate import Estimate, SpecimenValue
from dossier.evidence.statistics.tolerance import tolerance_confidence, two_sided_confidence
from dossier.evidence.statistics.uncertainty import Part, reach
from dossier.words import decimal_mark, say

Floats = NDArray[np.float64]
Keyed = dict[tuple[str, str], Part]
"""Parts of an uncertainty by name and shared key."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit as it enters a decision: its value, and what is uncertain about it."""

    lower: float | None
    upper: float | None
    factor: float = 1.0
    """The limit is this factor times the reference's value [-], and `offset` [unit]."""
    offset: float = 0.0
    reference: Estimate | None = None

    @property
    def limits(self) -> Tolerance:
        """Both ends [unit]."""
        return Tolerance(self.lower, self.upper)

    @property
    def parts(self) -> tuple[Part, ...]:
        """What is uncertain about the limit itself, from the reference filter [unit].

        Of a reference given by draws, their half-width at the degrees of freedom of its specimens.
        """
        if self.reference is None:
            return ()
        if self.reference.samples is not None:
            few = max(1, len(self.reference.per_specimen) - 1)
            return (Part(abs(self.factor) * self.reference.u, few),)
        return tuple(part.times(self.factor) for part in self.reference.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What the rules need to reach a verdict."""

    value: float
    """The value compared with the limits: mean, worst specimen, or quantile [unit]."""
    probability: float
    """Probability that the requirement is met [-]."""


def against(
    reference: Estimate, not_worse: float, higher_is_better: bool, share_of: ShareOf = "value"
) -> Threshold:
    """Return the threshold that the reference sets, a share `not_worse` [-] from its value.

    The reference's uncertainty comes along; what both filters share is taken out of it when the
    difference is formed.  `share_of` as in `reference_line`.
    """
    factor, offset = reference_line(not_worse, higher_is_better, share_of)
    limit = factor * reference.value + offset
    return Threshold(
        lower=limit if higher_is_better else None,
        upper=None if higher_is_better else limit,
        factor=factor,
        offset=offset,
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
            return conformance_probability_of_samples(estimate.samples, threshold.limits)
        return _analytic(estimate.value, estimate.parts, estimate.scale, threshold)
    if estimate.samples is not None or reference.samples is not None:
        own = as_samples(estimate, draws("candidate as draws"))
        other = as_samples(reference, draws("reference as draws"))
        difference = own - threshold.factor * other - threshold.offset
        zero = Tolerance(
            None if threshold.lower is None else 0.0, None if threshold.upper is None else 0.0
        )
        return conformance_probability_of_samples(difference, zero)
    return _difference(estimate, reference, threshold)


def _analytic(value: float, parts: Sequence[Part], scale: str, threshold: Threshold) -> float:
    """Return the probability on the estimate's own scale; `parts` are in its unit."""
    if scale == "linear":
        return by_parts(value, [*parts, *threshold.parts], threshold.limits)
    turned = Tolerance(_inverse(threshold.upper), _inverse(threshold.lower))
    spread = [part.times(1.0 / value**2) for part in parts]
    limit = threshold.lower if threshold.lower is not None else threshold.upper
    if limit is not None:
        spread += [part.times(1.0 / limit**2) for part in threshold.parts]
    return by_parts(1.0 / value, spread, turned)


def _inverse(limit: float | None) -> float | None:
    return None if limit is None else 1.0 / limit


def by_parts(value: float, parts: Sequence[Part], limits: Tolerance) -> float:
    """Return the conformance probability with each part at its own degrees of freedom [-].

    The one-sided limits of the parts add as in `reach`.  With three specimens common effective
    degrees of freedom let a filter at the limit pass in up to 6.4 % of cases at a stated risk of
    5 %, and taking the specimens' own errors alone where the scatter is smaller in up to 8 % with
    two; this form stays at or below the risk.
    """
    given = [part for part in parts if part.u > 0 or part.scatter > 0]
    if not given:
        return conformance_probability(value, 0.0, math.inf, limits)
    if len(given) == 1 and given[0].scatter == 0.0:
        return conformance_probability(value, given[0].u, given[0].dof, limits)
    chances = []
    if limits.lower is not None:
        chances.append(_one_sided(value - limits.lower, parts))
    if limits.upper is not None:
        chances.append(_one_sided(limits.upper - value, parts))
    return max(0.0, 1.0 - sum(1.0 - chance for chance in chances))


def _one_sided(distance: float, parts: Sequence[Part]) -> float:
    """Return p with `reach` of the parts = |distance|, turned to 1 - p below zero."""
    if distance < 0:
        return 1.0 - _one_sided(-distance, parts)
    low, high = 0.5, 1.0 - 1e-12
    for _ in range(60):
        middle = 0.5 * (low + high)
        near = reach(parts, middle) <= distance
        low, high = (middle, high) if near else (low, middle)
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
    other_u = {key: part.times(factor) for key, part in _components(reference, turn).items()}
    good_is_high = (threshold.lower is not None) != turn
    zero = Tolerance(0.0, None) if good_is_high else Tolerance(None, 0.0)
    offset = 0.0 if turn else threshold.offset
    return by_parts(value - factor * other - offset, less_common(own_u, other_u), zero)


def _components(estimate: Estimate, turn: bool) -> Keyed:
    return keyed(estimate, 1.0 / estimate.value**2 if turn else 1.0)


def keyed(estimate: Estimate, scale: float) -> Keyed:
    """Return the components of an estimate as parts by name and key, in `scale` [-] of its unit."""
    if not estimate.components:
        return {("", ""): Part(estimate.u, estimate.dof).times(scale)}
    return {(c.name, c.shared): c.part.times(scale) for c in estimate.components}


def less_common(own: Keyed, other: Keyed) -> list[Part]:
    """Return the parts of a difference: what both have under one shared key subtracts."""
    parts: list[Part] = []
    for key in sorted(own.keys() | other.keys()):
        if key in own and key in other and key[1]:
            parts.append(Part(abs(own[key].u - other[key].u), own[key].dof))
        else:
            parts += [table[key] for table in (own, other) if key in table]
    return parts


def _every(
    estimate: Estimate, threshold: Threshold, draws: Callable[[str], np.random.Generator]
) -> Judged:
    """Return the least favourable specimen: its value and its own probability."""
    limits = Tolerance(threshold.lower, threshold.upper)
    found: list[tuple[float, float]] = []
    other = threshold.reference
    shift: Floats | float = 0.0
    if other is not None and estimate.specimen_samples is not None:
        drawn = as_samples(other, draws("limit from the reference"))
        shift = threshold.factor * (drawn - other.value)
    for index, each in enumerate(estimate.per_specimen):
        if estimate.specimen_samples is not None:
            own = estimate.specimen_samples[index] - shift
            chance = conformance_probability_of_samples(own, limits)
        else:
            chance = specimen_probability(each, estimate.scale, threshold)
        found.append((chance, each.value))
    chance, value = min(found)
    return Judged(value=value, probability=chance)


def specimen_probability(each: SpecimenValue, scale: str, threshold: Threshold) -> float:
    """Return the probability that one specimen conforms, by its own value or bound and u [-]."""
    return _analytic(each.value, [Part(each.u, math.inf)], scale, threshold)


def _population(estimate: Estimate, threshold: Threshold, coverage: float) -> Judged:
    """Return the confidence at which the exact tolerance limit reaches the limit.

    The share `coverage` of the population conforms with that confidence: beyond one limit, or
    between two of them, where the nearer decides by the two-sided factor.  Shared components and
    the limit's own uncertainty are subtracted from the distance first, at the same confidence.
    """
    turn = estimate.scale == "reciprocal"
    values = np.array([each.value for each in estimate.per_specimen])
    values = 1.0 / values if turn else values
    shift = 1.0 / estimate.value**2 if turn else 1.0
    known = [c.part for c in estimate.components if not c.of_specimens]
    common = [Part(p.u, p.dof).times(shift) for p in (*known, *threshold.parts)]
    mean, s = float(values.mean()), float(values.std(ddof=1))
    ends = [(end, side) for end, side in ((threshold.lower, 1.0), (threshold.upper, -1.0))
            if end is not None]  # fmt: skip
    if turn:
        ends = [(1.0 / end, -side) for end, side in ends]
    distance, side = min((side * (mean - edge), side) for edge, side in ends)
    both = len(ends) == 2
    chance = _confidence(len(values), s, distance, common, coverage, both)
    quantile = mean - side * _z(0.5 + 0.5 * coverage if both else coverage) * s
    return Judged(value=1.0 / quantile if turn else quantile, probability=chance)


def _z(coverage: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(coverage))


def _confidence(
    n: int, s: float, distance: float, common: Sequence[Part], coverage: float, both: bool
) -> float:
    """Return the confidence g with k(g) s + reach(g) of `common` = distance, by bisection on g.

    With `both` limits k is the two-sided factor, and the common errors count on either side.
    """
    if s == 0.0 and not any(part.u > 0 for part in common):
        return 1.0 if distance >= 0 else 0.0
    tolerance = two_sided_confidence if both else tolerance_confidence
    low, high = 1e-9, 1.0 - 1e-9
    for _ in range(60):
        middle = 0.5 * (low + high)
        p = 0.5 + 0.5 * middle if both else max(0.5, middle)
        rest = distance - reach(common, p)
        reached = tolerance(n, coverage, rest / s) if s > 0 else float(rest >= 0)
        if reached >= middle:
            low = middle
        else:
            high = middle
    return low


MOST, LEAST = 0.999, 0.001
"""A probability beyond them is said as a bound: models of measurement know no better [-]."""


def chance_text(chance: float, wanted: float | None = None) -> str:
    """Return a probability [-] in percent, "> 99.9 %" at most.

    One decimal, or more where it would otherwise be said on the wrong side of the probability
    `wanted` [-] that a verdict is taken by.
    """
    if not 0.0 <= chance <= 1.0:
        return say("no number")
    if chance > MOST:
        return say("> {percent} %", percent=_percent(MOST, 1))
    if chance < LEAST:
        return say("< {percent} %", percent=_percent(LEAST, 1))
    return say("{percent} %", percent=_percent(chance, _decimals(chance, wanted)))


def _percent(chance: float, decimals: int) -> str:
    return f"{100 * chance:.{decimals}f}".replace(".", decimal_mark())


def _decimals(chance: float, wanted: float | None) -> int:
    """Return the decimals with which the percentage stays on its side of `wanted`."""
    for decimals in range(1, 12):
        said = round(chance, decimals + 2)
        if wanted is None or chance == wanted or (said < wanted) == (chance < wanted):
            return decimals
    return 12
