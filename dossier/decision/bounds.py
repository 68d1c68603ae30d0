"""Deciding on results that are only bounds, and on statements that hold or do not.

A bound proves one side only.  "> 2000 kPa" shows that a minimum of 1600 kPa is met; against a
minimum of 2100 kPa it shows nothing, neither pass nor fail; against a maximum it can only fail.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.case.application import DecisionRule
from dossier.decision.deciding import Deciding, deciding
from dossier.decision.probability import (
    Threshold,
    chance_text,
    probability,
    specimen_probability,
)
from dossier.decision.rules import Verdict, judge
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Bound, Estimate, SpecimenValue
from dossier.words import later, say

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


def decide_bounds(
    estimate: Estimate,
    threshold: Threshold,
    demand: Demand,
    rule: DecisionRule,
    draws: Callable[[str], np.random.Generator],
) -> Ruling:
    """Return the outcome for a `censored` estimate; a bound that proves nothing decides nothing.

    The mean basis takes the mean of values and bounds, itself a bound; where all are bounds their
    scatter is not the type's, and each is judged.  The population basis counts the specimens that
    conform: n of n show a share p with the confidence 1 - p^n (binomial, common practice).
    """
    if demand.basis == "mean" and not all(each.bound for each in estimate.per_specimen):
        return _mean(estimate, threshold, demand, rule, draws)
    ones = [_one(each, estimate, threshold, rule) for each in estimate.per_specimen]
    failed = [one for one in ones if one.stands and one.verdict not in GOOD]
    if failed:
        worst = min(failed, key=lambda one: one.chance)
        return Ruling(worst.verdict, worst.chance, "", _worst(worst, threshold))
    undecided = [one for one in ones if not one.stands]
    if undecided:
        return Ruling(Verdict.NOT_DEMONSTRATED, None, _proves_nothing(undecided))
    worst = min(ones, key=lambda one: one.chance)
    if demand.basis == "population":
        return _share([one.chance for one in ones], demand.coverage, rule)
    return Ruling(worst.verdict, worst.chance, _each(ones, worst), _worst(worst, threshold))


def _worst(one: _One, threshold: Threshold) -> Deciding:
    """Return one specimen's value or bound as what decides, against the limits themselves."""
    return Deciding(
        kind="worst specimen", value=one.each.value, specimen=one.each.specimen,
        bound=one.each.bound, lower=threshold.lower, upper=threshold.upper,
    )  # fmt: skip


def _one(each: SpecimenValue, estimate: Estimate, threshold: Threshold, rule: DecisionRule) -> _One:
    chance = specimen_probability(each, estimate.scale, threshold)
    verdict = judge(rule.kind, each.value, chance, threshold.limits, rule.confidence)
    stands = _stands(each.bound, each.value, threshold, verdict)
    return _One(each, chance, verdict, stands)


def _stands(bound: Bound, value: float, threshold: Threshold, verdict: Verdict) -> bool:
    """Return whether a verdict on a bound holds for every value that the bound allows."""
    if not bound:
        return True
    beyond = threshold.upper if bound == "larger than" else threshold.lower
    if beyond is None:
        return verdict in GOOD
    outside = value > beyond if bound == "larger than" else value < beyond
    return outside and verdict not in GOOD


def _mean(
    estimate: Estimate,
    threshold: Threshold,
    demand: Demand,
    rule: DecisionRule,
    draws: Callable[[str], np.random.Generator],
) -> Ruling:
    judged = probability(estimate, threshold, demand.basis, demand.coverage, draws)
    verdict = judge(rule.kind, judged.value, judged.probability, threshold.limits, rule.confidence)
    if _stands(estimate.bound, judged.value, threshold, verdict):
        decides = deciding(
            estimate, threshold, demand.basis, demand.coverage, draws, judged, rule.confidence
        )
        return Ruling(verdict, judged.probability, "", replace(decides, bound=estimate.bound))
    reason = say(
        "the mean is only a bound ({bound} the value shown), which does not reach the limit with "
        "the wanted probability: the true mean may lie on either side",
        bound=say(estimate.bound),
    )
    return Ruling(Verdict.NOT_DEMONSTRATED, None, reason)


def _proves_nothing(undecided: Sequence[_One]) -> str:
    words = later("{specimen} ({bound} its value)")
    names = ", ".join(
        say(words, specimen=one.each.specimen, bound=say(one.each.bound)) for one in undecided
    )
    return say(
        "the result is only a bound and proves neither pass nor fail: specimen {names}. The test "
        "has to go on beyond the limit",
        names=names,
    )


def _each(ones: Sequence[_One], worst: _One) -> str:
    """Return the reason in words where bounds carried a verdict that is no plain pass."""
    if worst.verdict is not Verdict.PASS:
        return ""
    bounds = sum(1 for one in ones if one.each.bound)
    return say(
        "every specimen by itself conforms with the wanted probability, {bounds} of {number} "
        "by a bound that proves it",
        bounds=bounds,
        number=len(ones),
    )


def _share(chances: Sequence[float], coverage: float, rule: DecisionRule) -> Ruling:
    """Return the outcome for a share of the population from specimens that all conform.

    The chance that one of them does not is taken off in full (Bonferroni).
    """
    n = len(chances)
    doubt = math.fsum(1.0 - chance for chance in chances)
    shown = max(0.0, 1.0 - coverage**n - doubt)
    count = counted(n, 0, rule.confidence, coverage)
    if shown >= rule.confidence:
        return Ruling(Verdict.PASS, shown, "", count)
    return Ruling(Verdict.NOT_DEMONSTRATED, None, _too_few(n, coverage, shown, rule), count)


def counted(n: int, failures: int, confidence: float, coverage: float | None = None) -> Deciding:
    """Return what `failures` among `n` specimens show of the type, at a `confidence` [-].

    The value is the share that conforms, at least; `coverage` [-] is the share that was asked for.
    Source: Clopper-Pearson, one-sided; without a failure reliability^n = 1 - confidence.
    """
    from scipy.special import betaincinv

    held = n - failures
    share = float(betaincinv(held, failures + 1, 1.0 - confidence)) if held else 0.0
    return Deciding(kind="count", value=share, specimens=n, failures=failures, lower=coverage)


def _too_few(n: int, coverage: float, shown: float, rule: DecisionRule) -> str:
    return say(
        "{number} of {number} specimens conform: that shows with {shown} confidence that "
        "{coverage:.4g} % of the filter type do, short of the wanted {wanted:.4g} %",
        number=n,
        shown=chance_text(shown, rule.confidence),
        coverage=100 * coverage,
        wanted=100 * rule.confidence,
    )


def decide_statement(estimate: Estimate, demand: Demand, rule: DecisionRule) -> Ruling:
    """Return the outcome for a statement: it holds where every specimen was found so."""
    each = estimate.per_specimen
    wrong = [one.specimen for one in each if not one.value >= 0.5]
    if not each:
        return Ruling(Verdict.FAIL, None, _not_so(wrong, 0))
    count = counted(len(each), len(wrong), rule.confidence)
    if wrong:
        return Ruling(Verdict.FAIL, None, _not_so(wrong, len(each)), count)
    if demand.basis == "population":
        found = _share([1.0] * len(each), demand.coverage, rule)
        if found.verdict is not Verdict.PASS:
            return found
    words = say("found so on each of {number} specimens", number=len(each))
    return Ruling(Verdict.PASS, None, words, count)


def _not_so(wrong: Sequence[str], number: int) -> str:
    if not wrong:
        return say("not found so, of {number} specimens", number=number)
    names = ", ".join(wrong)
    return say("not found so on {names}, of {number} specimens", names=names, number=number)
