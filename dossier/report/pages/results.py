"""One finding as formatted text: limit, result, probability, verdict."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from dossier.decision.finding import Assessment, Finding
from dossier.decision.probability import chance_text
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Estimate, SpecimenValue
from dossier.report.charts.strip import Strip
from dossier.report.format import (
    SPACE,
    apart,
    apart_text,
    beyond,
    bound_text,
    decimals_of,
    distinct,
    fixed,
    joined,
    of_difference,
    percent,
    significant,
    span_text,
    speak,
    telling_half,
    unit_text,
    with_interval,
    with_uncertainty,
    with_unit,
)
from dossier.report.pages.fixed_words import mark
from dossier.report.pages.places import named
from dossier.report.running import in_print
from dossier.report.scales import scales
from dossier.system.grouped import grouped
from dossier.words import later, say

BASIS = {
    "mean": later("mean of the filter type"),
    "every_specimen": later("every specimen by itself"),
    "population": later("share of the population: {share} conform"),
}


def what_of(demand: Demand) -> str:
    """Return quantity and conditions in one phrase; an inspected characteristic by its name."""
    if "characteristic" in demand.at:
        return speak(str(demand.at["characteristic"]))
    title = say(demand.quantity.title)
    if not demand.at_text:
        return title
    conditions = in_print(speak(demand.at_text))
    if demand.at.keys() & {"efficiency", "ratio"}:
        return say("{quantity} of {conditions}", quantity=title, conditions=conditions)
    return say("{quantity} at {conditions}", quantity=title, conditions=conditions)


def basis_of(demand: Demand) -> str:
    """Return on what a requirement is judged."""
    words = BASIS[demand.basis]
    if demand.basis == "population":
        return say(words, share=percent(demand.coverage))
    return say(words)


def probability_of(finding: Finding) -> str:
    """Return how probably a requirement is met; empty where that is not known."""
    if finding.probability is None:
        return ""
    return chance_text(finding.probability, finding.demand.confidence).replace(" ", SPACE)


def printed(assessment: Assessment) -> Assessment:
    """Return an assessment whose findings are in the units that they print in first."""
    return replace(
        assessment,
        findings=tuple(in_units(each)[0] for each in assessment.findings),
        parts=tuple(map(printed, assessment.parts)),
    )


def in_units(finding: Finding) -> tuple[Finding, ...]:
    """Return a finding in each unit that it prints in.

    A limit that nobody wrote in that unit is printed with the fewest digits, four at least, at
    which all that was found stays on its side of it; what equals the limit prints as the limit.
    """
    demand = finding.demand
    return tuple(
        finding
        if each.unit == demand.unit and (demand.rounded or demand.not_worse is None)
        else replace(finding, demand=_rounded(finding, replace(demand, unit=each.unit)))
        for each in scales(demand.unit)
    )


def _rounded(finding: Finding, demand: Demand) -> Demand:
    estimate, found = finding.estimate, finding.deciding
    values = [*(finding.interval or ())]
    values += [estimate.value, *(each.value for each in estimate.per_specimen)] if estimate else []
    values += [found.value, found.lower, found.upper] if found and found.kind != "count" else []
    numbers = [demand.shown(each) for each in values if each is not None]
    ends = [end for end in (finding.lower, finding.upper) if end is not None]
    return replace(demand, rounded=tuple((e, _short(demand.shown(e), numbers)) for e in ends))


def _short(end: float, numbers: Sequence[float]) -> float:
    sides = [(each, apart(each, end)) for each in numbers]
    shorter = (float(f"{end:.{digits}g}") for digits in range(4, 11))
    return next(
        (s for s in shorter if all(apart(each, s) == side for each, side in sides if side)), end
    )


def _each_unit(finding: Finding, text: Callable[[Finding], str]) -> str:
    """Return a number of a finding in each unit that it prints in, as `text` gives it in one."""
    return joined([(text(each), each.demand.unit) for each in in_units(finding)])


def limits_shown(finding: Finding) -> list[float]:
    """Return the limits applied to a finding, in the requirement's own unit."""
    ends = (finding.lower, finding.upper)
    return [finding.demand.shown(end) for end in ends if end is not None]


def _limits(finding: Finding) -> str:
    return span_text(*(significant(number, 10) for number in limits_shown(finding)))


def _signed(finding: Finding) -> str:
    """Return a limit on one side as it was applied, such as "≥ 95 %", or a band."""
    ends = (finding.lower, finding.upper)
    sign = "" if None not in ends else f"≥{SPACE}" if finding.lower is not None else f"≤{SPACE}"
    return sign + _each_unit(finding, _limits)


def limit_text(finding: Finding) -> str:
    """Return the limit as it was applied, such as "≥ 95 %"; with its origin where derived."""
    if finding.demand.must_hold:
        return say("must hold")
    if finding.demand.not_worse is not None:
        return _against_reference(finding)
    return _signed(finding) if limits_shown(finding) else "–"


def limit_brief(finding: Finding) -> str:
    """Return the limit in few words; one that the reference sets by its number and origin."""
    if finding.demand.not_worse is None or not limits_shown(finding):
        return limit_text(finding)
    return say("{limit}, by the reference", limit=_signed(finding))


def _against_reference(finding: Finding) -> str:
    demand = finding.demand
    share = with_unit(significant(100.0 * (demand.not_worse or 0.0)), "%")
    if demand.quantity.share_of != "value":
        some = say("lets at most {share} more through than the reference", share=share)
        none = say("lets no more through than the reference")
    elif demand.quantity.better == "higher":
        some = say("not more than {share} below the reference", share=share)
        none = say("not below the reference")
    else:
        some = say("not more than {share} above the reference", share=share)
        none = say("not above the reference")
    words = some if demand.not_worse else none
    return f"{words} ({_signed(finding)})" if limits_shown(finding) else words


def result_text(finding: Finding) -> str:
    """Return what was found on the candidate, with its uncertainty and unit."""
    return say("no result") if finding.estimate is None else estimate_text(finding)


def estimate_text(finding: Finding, estimate: Estimate | None = None) -> str:
    """Return an estimate with its uncertainty and unit; of a finding's own, beside its limits."""
    found = estimate or finding.estimate
    if found is not None and finding.demand.quantity.dimension == "statement":
        return _statement(found)
    if estimate is not None:
        finding = replace(finding, estimate=estimate, interval=None, lower=None, upper=None)
    return _each_unit(finding, _number)


def _number(finding: Finding) -> str:
    demand, estimate, limits = finding.demand, finding.estimate, limits_shown(finding)
    if estimate is None:
        return ""
    value, found = demand.shown(estimate.value), finding.interval
    if estimate.bound:
        return bound_text(beyond(value, estimate.bound, limits), estimate.bound)
    if found is None and math.isfinite(estimate.value) and math.isfinite(estimate.u):
        found = estimate.interval()
    if found is None:
        return with_uncertainty(value, 0.0, limits)[0]
    low, high = sorted(demand.shown(end) for end in found)
    return with_interval(value, low, high, limits, decimals(finding))


def _statement(estimate: Estimate) -> str:
    held = sum(1 for each in estimate.per_specimen if each.value >= 0.5)
    total = len(estimate.per_specimen)
    if total:
        return say("found so on {held} of {total}", held=held, total=total)
    return say("found so") if estimate.value >= 0.5 else say("not found so")


def specimens_text(demand: Demand, estimate: Estimate) -> str:
    """Return each specimen's own result: "C1 98.50, C2 98.39; U ≤ 0.25"; equal ones together."""
    spreads = [
        2.0 * each.u / abs(demand.spread_factor) for each in estimate.per_specimen if not each.bound
    ]
    widest = max((u for u in spreads if 0 < u < math.inf), default=0.0)
    told = ((_specimen(demand, e, widest), e.specimen or e.record) for e in estimate.per_specimen)
    same = grouped(told)
    found = ", ".join(f"{named(names)}{SPACE}{text}" for text, names in same.items()) or "–"
    if not widest or demand.quantity.dimension == "statement":
        return found
    largest = with_uncertainty(widest, widest)[1]
    return f"{found}; " + say("U\u00a0≤\u00a0{largest}", largest=largest)


def _specimen(demand: Demand, each: SpecimenValue, widest: float) -> str:
    if demand.quantity.dimension == "statement":
        return say("found so") if each.value >= 0.5 else say("not found so")
    value = demand.shown(each.value)
    if each.bound and demand.quantity.dimension == "fraction" and value >= 100.0:
        return say("none counted")  # downstream: nothing is larger than all
    if each.bound:
        return bound_text(beyond(value, each.bound), each.bound)
    return fixed(value, decimals_of(value, widest))


def decimals(finding: Finding) -> int:
    """Return the decimals of all that is printed of a finding in its unit.

    They are those of the result, and more where two different numbers would look the same, so that
    limit, result and the distance between them agree as printed.
    """
    demand, found, estimate = finding.demand, finding.deciding, finding.estimate
    if estimate is None:
        return 0
    number = found is not None and found.kind != "count"
    value = demand.shown(found.value if found is not None and number else estimate.value)
    spread = 2.0 * estimate.u / abs(demand.spread_factor)
    if finding.interval is not None and (found is None or found.kind in ("mean", "count")):
        spread = telling_half(value, *sorted(demand.shown(end) for end in finding.interval))
    ends = _ends(finding) if number else []
    return distinct([value, *limits_shown(finding), *ends], decimals_of(value, spread))


def _printed(finding: Finding, number: float) -> str:
    """Return the number that decides, or a limit inside which it passes; a given one as given."""
    given = number in limits_shown(finding)
    return significant(number, 10) if given else fixed(number, decimals(finding))


def accepted_text(finding: Finding) -> str:
    """Return the acceptance limit, "accepted from 95.2 %"; empty where it is the limit itself."""
    found = finding.deciding
    if found is None or found.kind == "count":
        return ""
    pairs = [(found.lower, finding.lower), (found.upper, finding.upper)]
    own = [end for end, limit in pairs if end is not None and end != limit]
    if not own:
        return ""
    if not all(math.isfinite(end) for end in own):
        return say("no value is accepted")
    number = _each_unit(finding, lambda each: _accepted(each, own))
    if len(own) == 2:
        return say("accepted {between}", between=number)
    if own[0] == found.lower:
        return say("accepted from {number}", number=number)
    return say("accepted up to {number}", number=number)


def _accepted(finding: Finding, own: Sequence[float]) -> str:
    return span_text(*(_printed(finding, finding.demand.shown(end)) for end in own))


def deciding_text(finding: Finding) -> tuple[str, ...]:
    """Return the number that decides, what it is, and its distance from the acceptance limit."""
    return (*_decided(finding), *_distance(finding))


def result_lines(finding: Finding) -> tuple[str, ...]:
    """Return a mean that decides with its interval, else what decides in its place."""
    found = finding.deciding
    mean = found is None or found.kind == "mean"
    return (result_text(finding),) if mean else _decided(finding)


def _decided(finding: Finding) -> tuple[str, ...]:
    demand, found = finding.demand, finding.deciding
    if found is None:
        return (result_text(finding),)
    agreed = percent(demand.confidence)
    if found.kind == "count":
        return (
            say("{failures} failures in {number}", failures=found.failures, number=found.specimens),
            say("at least {share} of the type at {confidence}", share=percent(found.value, 1),
                confidence=agreed),
        )  # fmt: skip
    every = finding.estimate.per_specimen if finding.estimate else ()
    alike = sum((each.value, each.bound) == (found.value, found.bound) for each in every)
    words = say(
        EACH if found.specimen and alike > 1 else DECIDING[found.kind], number=alike,
        specimen=found.specimen, share=percent(demand.coverage), confidence=agreed,
    )  # fmt: skip
    return (f"{_each_unit(finding, _deciding)}, {words}",)


def _ends(finding: Finding) -> list[float]:
    """Return the acceptance limits that a number can reach, in the unit of the requirement."""
    found = finding.deciding
    ends = (found.lower, found.upper) if found else ()
    return [finding.demand.shown(end) for end in ends if end is not None and math.isfinite(end)]


def _deciding(finding: Finding) -> str:
    found = finding.deciding
    if found is None:
        return ""
    value = finding.demand.shown(found.value)
    if found.bound:
        return bound_text(beyond(value, found.bound, _ends(finding)), found.bound)
    return _printed(finding, value)


DECIDING = {
    "mean": later("mean"),
    "worst specimen": later("specimen {specimen}"),
    "tolerance bound": later("bound of {share} of the type, at {confidence}"),
}
"""What the number that decides is."""
EACH = later("each of {number} specimens")


def _distance(finding: Finding) -> tuple[str, ...]:
    """Return how far it lies inside the nearest acceptance limit, or outside, as both print."""
    found, unit = finding.deciding, of_difference(finding.demand.unit)
    if found is None or found.kind == "count" or found.bound or not _ends(finding):
        return ()
    above = found.lower is None or found.value >= found.lower
    below = found.upper is None or found.value <= found.upper
    words = later("inside by {distance}") if above and below else later("outside by {distance}")
    shown = [(_apart(each), of_difference(each.demand.unit)) for each in in_units(finding)]
    points = say("{number} % points", number=shown[0][0])
    distance = points if unit == "%" else joined(shown)
    return (say(words, distance=distance.replace(" ", SPACE)),)


def _apart(finding: Finding) -> str:
    value = finding.demand.shown(finding.deciding.value if finding.deciding else 0.0)
    nearest = min(_ends(finding), key=lambda end: abs(value - end))
    return apart_text(_printed(finding, value), _printed(finding, nearest))


def strip_of(finding: Finding) -> Strip | None:
    """Return what is drawn of a finding on its line; None where there is no number to draw."""
    found, demand, estimate = finding.deciding, finding.demand, finding.estimate
    if found is None or estimate is None or found.kind == "count":
        return None
    interval = finding.interval if found.kind == "mean" else None
    lower, upper = (
        demand.shown(end) if end is not None else None for end in (found.lower, found.upper)
    )
    turned = demand.spread_factor < 0
    return Strip(
        limits=limits_shown(finding),
        lower=upper if turned else lower,
        upper=lower if turned else upper,
        specimens=[demand.shown(each.value) for each in estimate.per_specimen],
        deciding=demand.shown(found.value),
        ends=(demand.shown(interval[0]), demand.shown(interval[1])) if interval else None,
        kind=mark(finding.verdict.value).kind,
        bound={"larger than": 1, "smaller than": -1}.get(found.bound, 0),
        alt=_strip_alt(finding),
    )


def _strip_alt(finding: Finding) -> str:
    demand, estimate = finding.demand, finding.estimate
    each = specimens_text(demand, estimate) if estimate else ""
    return say(
        "On a line in {unit}: limit {limit}; specimens {each}.",
        unit=unit_text(demand.unit) or "1", limit=limit_text(finding), each=each,
    )  # fmt: skip


def dof_text(dof: float) -> str:
    """Return degrees of freedom as printed; large ones and unstated ones as the infinity sign."""
    return fixed(dof, 1 if dof < 10 else 0) if dof < 1000 else "∞"
