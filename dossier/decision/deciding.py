"""The number that decides a requirement, and the limits inside which it passes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from dossier.case.application import DecisionRule
from dossier.decision.probability import (
    AgainstLimit,
    Judged,
    OnScale,
    Share,
    Threshold,
    bisected,
    by_parts,
    chance_text,
    mean_draws,
    mean_on_scale,
    probability,
    room_inside,
    share_needed,
    share_of_type,
    specimen_draws,
    specimen_on_scale,
    specimen_probability,
)
from dossier.decision.rules import Verdict, verdict_by
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Estimate, SpecimenValue
from dossier.evidence.statistics.tolerance import tolerance_factor, two_sided_factor
from dossier.evidence.statistics.uncertainty import reach
from dossier.physics.values import Bound, Floats
from dossier.words import later, say

DecidingKind = Literal["mean", "worst specimen", "tolerance bound", "count"]
"""What the number that decides is: a code, said where it is printed."""


def _tolerance_bound(share: Share, coverage: float, confidence: float) -> tuple[float, ...]:
    """Return K and g, and the value beyond which `coverage` lies with `confidence` [-, unit, unit].

    As `_confidence`; g is on the scale of the estimate.
    """
    factor = two_sided_factor if share.both else tolerance_factor
    k = factor(share.n, coverage, confidence) if share.s > 0 else 0.0
    p = 0.5 + 0.5 * confidence if share.both else confidence
    g = reach(share.common, p)
    return k, g, share.at(k * share.s + g)


@dataclass(frozen=True, slots=True)
class Deciding:
    """The number that decides, and the limits inside which it passes by the agreed rule."""

    kind: DecidingKind
    value: float
    """Mean, worst specimen's value, or tolerance bound [unit]; of a count the share shown [-]."""
    lower: float | None = None
    """Lower acceptance limit: the limit and its guard band [unit]; inf where nothing passes."""
    upper: float | None = None
    """Upper acceptance limit [unit]; -inf where nothing passes."""
    specimen: str = ""
    """The worst specimen, where one decides."""
    bound: Bound = ""
    """Where the value is only a bound of the true one."""
    specimens: int = 0
    """Of a count: how many were looked at [-]."""
    failures: int = 0
    """Of a count: how many of them did not conform [-]."""
    k: float | None = None
    """Of a tolerance bound: the tolerance factor [-]."""
    g: float | None = None
    """Of a tolerance bound: the reach of common errors, on the scale of the estimate."""


def deciding(asked: AgainstLimit, judged: Judged, confidence: float) -> Deciding:
    """Return the number that decides, with its acceptance limits at `confidence` [-].

    It lies inside them just where the conformance probability, beyond two limits both together, is
    at least the confidence (JCGM 106:2012, 8.3.2, from memory).  A tolerance bound holds the
    confidence already: it passes inside the limits themselves.
    """
    estimate, threshold = asked.estimate, asked.threshold
    if asked.basis == "population":
        share = share_of_type(estimate, threshold)
        k, g, bound = _tolerance_bound(share, asked.coverage, confidence)
        return Deciding("tolerance bound", bound, threshold.lower, threshold.upper, k=k, g=g)
    turn = estimate.scale == "reciprocal"
    each = None if judged.specimen is None else estimate.per_specimen[judged.specimen]
    drawn = mean_draws(asked) if each is None else specimen_draws(asked)
    if drawn is not None:
        own = drawn if judged.specimen is None else drawn[judged.specimen]
        ends = _accepted_of_draws(judged.value, own, threshold, confidence)
    elif each is None:
        ends = _accepted(mean_on_scale(estimate, threshold), confidence, turn)
    else:
        ends = _accepted(specimen_on_scale(each, estimate.scale, threshold), confidence, turn)
    if each is None:
        return Deciding("mean", judged.value, *ends)
    return Deciding("worst specimen", judged.value, *ends, specimen=each.specimen)


Ends = tuple[float | None, float | None]
NOTHING = math.inf, -math.inf
"""The limits inside which no value lies."""


def _accepted_of_draws(
    value: float, drawn: Floats, threshold: Threshold, confidence: float
) -> Ends:
    """Return between which values enough of the draws, moved with the value, lie inside."""
    moved = np.sort(drawn) - value
    least = math.ceil(share_needed(confidence) * drawn.size - 1e-9)
    low, high = moved[: drawn.size - least + 1], moved[least - 1 :]  # windows of `least` draws
    if threshold.lower is None or threshold.upper is None:
        return (
            None if threshold.lower is None else threshold.lower - float(low[-1]),
            None if threshold.upper is None else threshold.upper - float(high[0]),
        )
    fits = high - low <= threshold.upper - threshold.lower
    if not fits.any():
        return NOTHING
    return threshold.lower - float(low[fits][-1]), threshold.upper - float(high[fits][0])


def _accepted(scaled: OnScale, confidence: float, turn: bool) -> Ends:
    lower, upper = _on_scale(scaled, confidence)
    if not turn:
        return lower, upper
    return (
        None if upper is None else 1.0 / upper if upper > 0 else math.inf,
        None if lower is None else 1.0 / lower,
    )


def _on_scale(scaled: OnScale, confidence: float) -> Ends:
    _, parts, limits = scaled
    guard = reach(parts, confidence)
    lower = None if limits.lower is None else limits.lower + guard
    upper = None if limits.upper is None else limits.upper - guard
    if lower is None or upper is None:
        return lower, upper
    if by_parts(lower, parts, limits) >= confidence - 1e-9:  # the other limit is far away
        return lower, upper
    middle = 0.5 * (lower + upper)
    if by_parts(middle, parts, limits) < confidence:
        return NOTHING
    # between where it is enough beyond both limits together, and where beyond one alone
    near = bisected(middle, lower, lambda end: by_parts(end, parts, limits) >= confidence, 50)
    return near, lower + upper - near


GOOD = (Verdict.PASS, Verdict.CONDITIONAL_PASS)


@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict, what it was judged on, and the reason where the usual words do not fit."""

    verdict: Verdict
    probability: float | None
    reason: str = ""
    deciding: Deciding | None = None


@dataclass(frozen=True, slots=True)
class _One:
    """One specimen's verdict, and whether it stands although its result may be a bound."""

    each: SpecimenValue
    chance: float
    verdict: Verdict
    stands: bool


def censored(estimate: Estimate) -> bool:
    """Return whether a specimen's result is only a bound, with no draws that carry it."""
    return estimate.samples is None and any(each.bound for each in estimate.per_specimen)


def decide_bounds(asked: AgainstLimit, rule: DecisionRule) -> Ruling:
    """Return the outcome for a `censored` estimate; a bound that proves nothing decides nothing.

    The mean basis takes the mean of values and bounds, itself a bound; where all are bounds their
    scatter is not the type's, and each is judged.  The population basis counts the specimens that
    conform: n of n show a share p with the confidence 1 - p^n (binomial, common practice).
    """
    every = asked.estimate.per_specimen
    if asked.basis == "mean" and not all(each.bound for each in every):
        return _mean(asked, rule)
    ones = [_one(each, asked.estimate.scale, asked.threshold, rule) for each in every]
    failed = [one for one in ones if one.stands and one.verdict not in GOOD]
    undecided = [one for one in ones if not one.stands]
    if undecided and not failed:
        return Ruling(Verdict.NOT_DEMONSTRATED, None, _proves_nothing(undecided))
    if asked.basis == "population" and not failed:
        return _share([one.chance for one in ones], asked.coverage, rule)
    worst = min(
        failed or ones, key=lambda one: (one.chance, room_inside(one.each.value, asked.threshold))
    )
    reason = "" if failed else _each(ones, worst)
    return Ruling(worst.verdict, worst.chance, reason, _worst(worst.each, asked, rule))


def _worst(each: SpecimenValue, asked: AgainstLimit, rule: DecisionRule) -> Deciding:
    """Return a specimen as what decides: a bound passes inside the limits themselves."""
    lower, upper = asked.threshold.lower, asked.threshold.upper
    if not each.bound and rule.kind != "simple_acceptance":
        scaled = specimen_on_scale(each, asked.estimate.scale, asked.threshold)
        lower, upper = _accepted(scaled, rule.confidence, asked.estimate.scale == "reciprocal")
    return Deciding("worst specimen", each.value, lower, upper, each.specimen, each.bound)


def _one(each: SpecimenValue, scale: str, threshold: Threshold, rule: DecisionRule) -> _One:
    chance = specimen_probability(each, scale, threshold)
    verdict = verdict_by(rule.kind, each.value, chance, threshold.limits, rule.confidence)
    return _One(each, chance, verdict, _stands(each.bound, each.value, threshold, verdict))


def _stands(bound: Bound, value: float, threshold: Threshold, verdict: Verdict) -> bool:
    """Return whether a verdict on a bound holds for every value that the bound allows."""
    if not bound:
        return True
    beyond = threshold.upper if bound == "larger than" else threshold.lower
    if beyond is None:
        return verdict in GOOD
    outside = value > beyond if bound == "larger than" else value < beyond
    return outside and verdict not in GOOD


def _mean(asked: AgainstLimit, rule: DecisionRule) -> Ruling:
    judged, threshold, bound = probability(asked), asked.threshold, asked.estimate.bound
    chance, confidence = judged.probability, rule.confidence
    verdict = verdict_by(rule.kind, judged.value, chance, threshold.limits, confidence)
    if _stands(bound, judged.value, threshold, verdict):
        decides = replace(deciding(asked, judged, confidence), bound=bound)
        return Ruling(verdict, chance, "", decides)
    words = later(
        "the mean is only a bound ({bound} the value shown), which does not reach the limit with "
        "the wanted probability: the true mean may lie on either side"
    )
    return Ruling(Verdict.NOT_DEMONSTRATED, None, say(words, bound=say(bound)))


def _proves_nothing(undecided: Sequence[_One]) -> str:
    words = later("{specimen} ({bound} its value)")
    named = [say(words, specimen=o.each.specimen, bound=say(o.each.bound)) for o in undecided]
    words = later(
        "the result is only a bound and proves neither pass nor fail: specimen {names}. The test "
        "has to go on beyond the limit"
    )
    return say(words, names=", ".join(named))


def _each(ones: Sequence[_One], worst: _One) -> str:
    """Return the reason in words where bounds carried a verdict that is no plain pass."""
    if worst.verdict is not Verdict.PASS:
        return ""
    words = later(
        "every specimen by itself conforms with the wanted probability, {bounds} of {number} "
        "by a bound that proves it"
    )
    return say(words, bounds=sum(1 for one in ones if one.each.bound), number=len(ones))


def _share(chances: Sequence[float], coverage: float, rule: DecisionRule) -> Ruling:
    """Return the outcome for a share of the population from specimens that all conform.

    The chance that one of them does not is taken off in full (Bonferroni).
    """
    n = len(chances)
    doubt = math.fsum(1.0 - chance for chance in chances)
    shown = max(0.0, 1.0 - coverage**n - doubt)
    count = by_count(n, 0, rule.confidence, coverage)
    if shown >= rule.confidence:
        return Ruling(Verdict.PASS, shown, "", count)
    words = later(
        "{number} of {number} specimens conform: that shows with {shown} confidence that "
        "{coverage:.4g} % of the filter type do, short of the wanted {wanted:.4g} %"
    )
    asked, wanted, said = 100 * coverage, 100 * rule.confidence, chance_text(shown, rule.confidence)
    reason = say(words, number=n, shown=said, coverage=asked, wanted=wanted)
    return Ruling(Verdict.NOT_DEMONSTRATED, None, reason, count)


def by_count(n: int, failures: int, confidence: float, coverage: float | None = None) -> Deciding:
    """Return what `failures` among `n` specimens show of the type, at a `confidence` [-].

    The value is the share that conforms, at least; `coverage` [-] is the share that was asked for.
    Source: Clopper-Pearson, one-sided; without a failure reliability^n = 1 - confidence.
    """
    from scipy.special import betaincinv

    held = n - failures
    share = float(betaincinv(held, failures + 1, 1.0 - confidence)) if held else 0.0
    return Deciding("count", share, coverage, specimens=n, failures=failures)


def decide_statement(estimate: Estimate, demand: Demand, rule: DecisionRule) -> Ruling:
    """Return the outcome for a statement: it holds where every specimen was found so."""
    each = estimate.per_specimen
    wrong = [one.specimen for one in each if not one.value >= 0.5]
    if not each:
        return Ruling(Verdict.FAIL, None, say("not found so, of {number} specimens", number=0))
    count = by_count(len(each), len(wrong), rule.confidence)
    if wrong:
        words = later("not found so on {names}, of {number} specimens")
        reason = say(words, names=", ".join(wrong), number=len(each))
        return Ruling(Verdict.FAIL, None, reason, count)
    if demand.basis == "population":
        found = _share([1.0] * len(each), demand.coverage, rule)
        if found.verdict is not Verdict.PASS:
            return found
    words = say("found so on each of {number} specimens", number=len(each))
    return Ruling(Verdict.PASS, None, words, count)
