"""The probability that a requirement is met, on each basis, given what was measured."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from dossier.decision.rules import Tolerance, conformance_probability
from dossier.decision.rules import conformance_probability_of_samples as share_inside
from dossier.evidence.registry import ShareOf, reference_line
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.combine import DRAWS, as_samples
from dossier.evidence.statistics.estimate import Estimate, SpecimenValue
from dossier.evidence.statistics.tolerance import tolerance_confidence, two_sided_confidence
from dossier.evidence.statistics.uncertainty import Part, reach
from dossier.physics.values import Floats
from dossier.system.grouped import grouped
from dossier.words import decimal_mark, say

Keyed = dict[tuple[str, str], Part]
"""Parts of an uncertainty by name and shared key."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit as it enters a decision: its value, and what is uncertain about it."""

    lower: float | None
    upper: float | None
    factor: float = 1.0
    """The limit moves by this factor with the reference's value [-]."""
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
    specimen: int | None = None
    """Place of the specimen that is judged, where each is by itself [-]."""


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
        reference=reference,
    )


def threshold_of(demand: Demand, reference: Estimate | None) -> Threshold:
    """Return the limits of a requirement, or those that the reference sets where it asks so."""
    if demand.not_worse is None or reference is None:
        return Threshold(demand.lower, demand.upper)
    quantity = demand.quantity
    return against(reference, demand.not_worse, quantity.better == "higher", quantity.share_of)


@dataclass(frozen=True, slots=True)
class AgainstLimit:
    """A result, held against a limit on a basis."""

    estimate: Estimate
    threshold: Threshold
    basis: str
    coverage: float
    """Share of the population that must conform, for the population basis [-]."""
    draws: Callable[[str], np.random.Generator]
    """Gives a random generator for a purpose."""


def probability(asked: AgainstLimit) -> Judged:
    """Return value and conformance probability on its basis (JCGM 106:2012, 7.3 and 7.4)."""
    if asked.basis == "every_specimen":
        return _every(asked)
    if asked.basis == "population":
        return _population(asked.estimate, asked.threshold, asked.coverage)
    drawn, limits = mean_draws(asked), asked.threshold.limits
    if drawn is None:
        chance = by_parts(*mean_on_scale(asked.estimate, asked.threshold))
    else:
        chance = chance_by_draws(drawn, limits)
    return Judged(value=asked.estimate.value, probability=chance)


OF_CHANCE = 3.0
"""Standard deviations of a share of draws that another seed does not reach, but once in 700."""


def chance_by_draws(drawn: Floats, limits: Tolerance) -> float:
    """Return the conformance probability that draws (m,) show at least, whatever their seed [-].

    Their share less three standard deviations of it (binomial): none passes by a seed looked for.
    """
    share = share_inside(drawn, limits)
    return max(0.0, share - OF_CHANCE * math.sqrt(share * (1.0 - share) / DRAWS))


def share_needed(confidence: float) -> float:
    """Return the share of draws from which they show `confidence` [-]: `chance_by_draws` turned."""
    middle, k = confidence + 0.5 * OF_CHANCE**2 / DRAWS, 1.0 + OF_CHANCE**2 / DRAWS
    return (middle + math.sqrt(middle**2 - k * confidence**2)) / k


def mean_draws(asked: AgainstLimit) -> Floats | None:
    """Return draws of the mean, less what a limit from the reference is off; None without any."""
    estimate, reference = asked.estimate, asked.threshold.reference
    if reference is None:
        return estimate.samples
    if estimate.samples is None and reference.samples is None:
        return None
    own = as_samples(estimate, asked.draws("candidate as draws"))
    other = as_samples(reference, asked.draws("reference as draws"))
    shifted: Floats = own - asked.threshold.factor * (other - reference.value)
    return shifted


OnScale = tuple[float, Sequence[Part], Tolerance]
"""A value, what is uncertain about its distance to the limits, and these, on one scale."""


def mean_on_scale(estimate: Estimate, threshold: Threshold) -> OnScale:
    """Return the mean on the scale of the estimate, with the limits.

    Of a limit from the reference, components under the same key are common errors and subtract;
    all others stand on their own.
    """
    reference = threshold.reference
    if reference is None:
        return _on_scale(estimate.value, estimate.parts, estimate.scale, threshold)
    turn = estimate.scale == "reciprocal"
    factor = 1.0 / threshold.factor if turn else threshold.factor
    other = {key: part.times(factor) for key, part in _components(reference, turn).items()}
    parts = less_common(_components(estimate, turn), other)
    if turn:
        return 1.0 / estimate.value, parts, _turned(threshold)
    return estimate.value, parts, threshold.limits


def _on_scale(value: float, parts: Sequence[Part], scale: str, threshold: Threshold) -> OnScale:
    """Return a value on its own scale; `parts` are in its unit, those of the limit join them."""
    if scale == "linear":
        return value, [*parts, *threshold.parts], threshold.limits
    spread = [part.times(1.0 / value**2) for part in parts]
    limit = threshold.lower if threshold.lower is not None else threshold.upper
    if limit is not None:
        spread += [part.times(1.0 / limit**2) for part in threshold.parts]
    return 1.0 / value, spread, _turned(threshold)


def _turned(threshold: Threshold) -> Tolerance:
    return Tolerance(_inverse(threshold.upper), _inverse(threshold.lower))


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
    few, chances = _by_dof(given), []
    if limits.lower is not None:
        chances.append(_one_sided(value - limits.lower, few))
    if limits.upper is not None:
        chances.append(_one_sided(limits.upper - value, few))
    return max(0.0, 1.0 - sum(1.0 - chance for chance in chances))


def _by_dof(parts: Sequence[Part]) -> list[Part]:
    """Return parts with the same reach: of equal degrees of freedom as one, if nothing scatters."""
    known = grouped((part.dof, part.u) for part in parts if part.scatter == 0.0)
    merged = [Part(math.hypot(*each), dof) for dof, each in known.items()]
    return merged + [part for part in parts if part.scatter > 0.0]


def _one_sided(distance: float, parts: Sequence[Part]) -> float:
    """Return p with `reach` of the parts = |distance|, turned to 1 - p below zero."""
    if distance < 0:
        return 1.0 - _one_sided(-distance, parts)
    return bisected(0.5, 1.0 - 1e-12, lambda p: reach(parts, p) <= distance)


def bisected(low: float, high: float, holds: Callable[[float], bool], times: int = 60) -> float:
    """Return up to where a condition `holds` on the way from `low`, where it does, to `high`."""
    for _ in range(times):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _components(estimate: Estimate, turn: bool) -> Keyed:
    return keyed(estimate, 1.0 / estimate.value**2 if turn else 1.0)


def keyed(estimate: Estimate, scale: float) -> Keyed:
    """Return the components of an estimate as parts by name and key, in `scale` [-] of its unit."""
    if not estimate.components:
        return {("", ""): Part(estimate.u, estimate.dof).times(scale)}
    return {(c.name, c.shared): c.times(scale) for c in estimate.components}


def less_common(own: Keyed, other: Keyed) -> list[Part]:
    """Return the parts of a difference: what both have under one shared key subtracts."""
    parts: list[Part] = []
    for key in sorted(own.keys() | other.keys()):
        if key in own and key in other and key[1]:
            parts.append(own[key].less(other[key]))
        else:
            parts += [table[key] for table in (own, other) if key in table]
    return parts


def _every(asked: AgainstLimit) -> Judged:
    """Return the least favourable specimen: its value and its own probability."""
    drawn, threshold, found = specimen_draws(asked), asked.threshold, []
    for index, each in enumerate(asked.estimate.per_specimen):
        if drawn is None:
            chance = specimen_probability(each, asked.estimate.scale, threshold)
        else:
            chance = chance_by_draws(drawn[index], threshold.limits)
        found.append((chance, room_inside(each.value, threshold), index))
    chance, _, index = min(found)
    value = asked.estimate.per_specimen[index].value
    return Judged(value=value, probability=chance, specimen=index)


def room_inside(value: float, threshold: Threshold) -> float:
    """Return how far inside the nearer limit a value lies, negative outside [unit]."""
    sides = (threshold.lower, 1.0), (threshold.upper, -1.0)
    return min(sign * (value - end) for end, sign in sides if end is not None)


def specimen_draws(asked: AgainstLimit) -> Floats | None:
    """Return draws of each specimen (n, m), less what a limit from the reference is off."""
    own, other = asked.estimate.specimen_samples, asked.threshold.reference
    if own is None or other is None:
        return own
    drawn = as_samples(other, asked.draws("limit from the reference"))
    shifted: Floats = own - asked.threshold.factor * (drawn - other.value)
    return shifted


def specimen_probability(each: SpecimenValue, scale: str, threshold: Threshold) -> float:
    """Return the probability that one specimen conforms, by its own value or bound and u [-]."""
    return by_parts(*specimen_on_scale(each, scale, threshold))


def specimen_on_scale(each: SpecimenValue, scale: str, threshold: Threshold) -> OnScale:
    """Return one specimen on the scale of the estimate, with the limits."""
    return _on_scale(each.value, [Part(each.u, math.inf)], scale, threshold)


@dataclass(frozen=True, slots=True)
class Share:
    """What a share of the population is judged by, on the scale of the estimate."""

    n: int
    mean: float
    s: float
    side: float
    """+1 where the lower limit is the nearer, -1 where the upper is [-]."""
    distance: float
    common: Sequence[Part]
    both: bool
    turn: bool

    def at(self, distance: float) -> float:
        """Return the value at `distance` from the mean toward the limit [unit]."""
        value = self.mean - self.side * distance
        return 1.0 / value if self.turn else value


def share_of_type(estimate: Estimate, threshold: Threshold) -> Share:
    """Return what is known of the type from its specimens, toward the nearer limit."""
    turn = estimate.scale == "reciprocal"
    values = np.array([each.value for each in estimate.per_specimen])
    values = 1.0 / values if turn else values
    shift = 1.0 / estimate.value**2 if turn else 1.0
    own = [part for part in estimate.components if not part.of_specimens]
    known = [part if part.shared else Part(part.u, part.dof) for part in own]
    known += [Part(part.u, part.dof) for part in threshold.parts]
    mean, s = float(values.mean()), float(values.std(ddof=1))
    limits = _turned(threshold) if turn else threshold.limits
    ends = [(side, end) for side, end in ((1, limits.lower), (-1, limits.upper)) if end is not None]
    distance, side = min((side * (mean - end), side) for side, end in ends)
    common = [part.times(shift) for part in known]
    return Share(len(values), mean, s, side, distance, common, len(ends) == 2, turn)


def _population(estimate: Estimate, threshold: Threshold, coverage: float) -> Judged:
    """Return the confidence at which the exact tolerance limit reaches the limit.

    The share `coverage` of the population conforms with that confidence: beyond one limit, or
    between two of them, where the nearer decides by the two-sided factor.  Shared components and
    the limit's own uncertainty are subtracted from the distance first, at the same confidence.
    """
    from scipy.special import ndtri

    share = share_of_type(estimate, threshold)
    quantile = share.at(float(ndtri(0.5 + 0.5 * coverage if share.both else coverage)) * share.s)
    chance = _confidence(share.n, share.s, share.distance, share.common, coverage, share.both)
    return Judged(value=quantile, probability=chance)


def _confidence(
    n: int, s: float, distance: float, common: Sequence[Part], coverage: float, both: bool
) -> float:
    """Return the confidence g with k(g) s + reach(g) of `common` = distance, by bisection on g.

    With `both` limits k is the two-sided factor, and the common errors count on either side.
    """
    if s == 0.0 and not any(part.u > 0 for part in common):
        return 1.0 if distance >= 0 else 0.0
    tolerance = two_sided_confidence if both else tolerance_confidence

    def reached(confidence: float) -> bool:
        p = 0.5 + 0.5 * confidence if both else max(0.5, confidence)
        rest = distance - reach(common, p)
        return (tolerance(n, coverage, rest / s) if s > 0 else float(rest >= 0)) >= confidence

    return bisected(1e-9, 1.0 - 1e-9, reached)


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
