"""What would flip a verdict: each requirement decided again with one of its inputs changed."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache, partial
from itertools import islice

from dossier.decision.finding import Finding, Flip, Sensitivity
from dossier.decision.rules import Verdict
from dossier.evidence.bench import Bench
from dossier.evidence.changed import INPUTS, inputs_of
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.combine import with_trials

ABOVE = (1.01, 1.02, 1.03, 1.05, 1.07, 1.1, 1.15, 1.2, 1.25, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 2.0)
BELOW = (0.99, 0.98, 0.97, 0.95, 0.93, 0.9, 0.87, 0.83, 0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.52, 0.5)
"""Factors that are tried, the nearest first: after the last, four halvings find any other."""
TRIALS = 1000
"""Draws of each: they leave a probability of 95 % uncertain by 0.7 %, and its limit by a fifteenth
of the standard uncertainty, which is less than the steps of the factors."""
MOST = 40
"""So many findings are looked at, the least certain first: a case may have hundreds."""

Decide = Callable[[Bench], Callable[[Demand], Finding]]


def flips_of(bench: Bench, findings: Sequence[Finding], decide: Decide) -> list[Sensitivity]:
    """Return what each input of each finding does; an input that changes nothing is left out."""
    certain = [1.0 if each.probability is None else each.probability for each in findings]
    order = sorted(range(len(findings)), key=certain.__getitem__)[:MOST]
    asked = [findings[i] for i in sorted(order)]
    bench = replace(bench, alike={})
    with with_trials(TRIALS):
        found = [each for name in INPUTS for each in _moved(bench, asked, name, decide)]
    place = {finding.demand.id: i for i, finding in enumerate(asked)}
    return sorted(found, key=lambda each: place[each.requirement])


def _moved(
    bench: Bench, findings: Sequence[Finding], name: str, decide: Decide
) -> Iterator[Sensitivity]:
    """Yield what one input does to each finding that may rest on it.

    All findings are decided on one bench for each factor, which is let go with the input.
    """
    benches = _alone(bench), bench

    @cache
    def changed(factor: float, compared: bool) -> Callable[[Demand], Finding]:
        return decide(INPUTS[name](benches[compared], factor))

    def again(demand: Demand, factor: float) -> Finding:
        asked = _at_flow(demand, factor) if name == "flow" else demand
        return changed(factor, demand.not_worse is not None)(asked)

    for finding in findings:
        if name in inputs_of(bench, finding.demand.quantity):
            tried = partial(again, finding.demand)
            ends = tried(BELOW[-1]), tried(ABOVE[-1])
            if finding.verdict != ends[0].verdict or _seen(ends[0]) != _seen(ends[1]):
                yield Sensitivity(finding.demand.id, name, tuple(_flips(finding, ends, tried)))


def _alone(bench: Bench) -> Bench:
    """Return the bench without the filter now fitted, which a comparison alone needs."""
    return replace(bench, case=bench.case.asking(reference=None))


def _at_flow(demand: Demand, factor: float) -> Demand:
    flow = demand.at.get("flow")
    if not isinstance(flow, float):
        return demand
    return replace(demand, at={**demand.at, "flow": flow * factor})


def _seen(finding: Finding) -> tuple[object, ...]:
    """Return what shows whether an input changes anything."""
    found = finding.estimate, finding.reference
    return finding.verdict, *(each and (each.value, each.u) for each in found)


def _flips(
    finding: Finding, ends: Sequence[Finding], tried: Callable[[float], Finding]
) -> Iterator[Flip]:
    """Yield the first factor on either side at which the verdict is another, by bisection.

    What does not pass between two limits may pass and fail again on the way to an end: there all
    factors are tried, the nearest first.
    """
    verdict, demand = finding.verdict, finding.demand
    window = demand.lower is not None and demand.upper is not None and verdict != Verdict.PASS
    for factors, end in zip((BELOW, ABOVE), ends, strict=True):
        if window:
            scan = (Flip(factor, tried(factor).verdict) for factor in factors)
            yield from islice((flip for flip in scan if flip.verdict != verdict), 1)
            continue
        low, high, found = -1, len(factors) - 1, end.verdict
        while high - low > 1 and found != verdict:
            middle = (low + high) // 2
            now = tried(factors[middle]).verdict
            low, high, found = (middle, high, found) if now == verdict else (low, middle, now)
        if found != verdict:
            yield Flip(factors[high], found)
