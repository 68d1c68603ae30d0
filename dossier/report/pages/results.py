"""One finding as formatted text: limit, result, probability, verdict."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dossier.decision.finding import Finding
from dossier.decision.probability import chance_text
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue
from dossier.report.blocks import Cell, Column, Line, Mark, Table
from dossier.report.format import (
    PLUS_MINUS,
    SPACE,
    beyond,
    bound_text,
    fixed,
    percent,
    significant,
    speak,
    unit_text,
    with_interval,
    with_uncertainty,
    with_unit,
)
from dossier.report.pages.fixed_words import mark
from dossier.report.pages.places import Places, alike, named
from dossier.words import later, say

PASSES = 4
"""Rank from which on a finding is a pass, or one of an advisory requirement."""
BASIS = {
    "mean": later("mean of the filter type"),
    "every_specimen": later("every specimen by itself"),
    "population": later("share of the population: {share} conform"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRow:
    """One finding, ready to print."""

    id: str
    severity: str
    text: str
    """The requirement in the words of whoever wrote it."""
    what: str
    """Quantity and conditions in one phrase, or the characteristic that was looked at."""
    basis: str
    limit: str
    result: str
    reference: str
    probability: str
    verdict: Mark
    reason: str
    concession: str
    source: str


def result_row(finding: Finding, threshold: float) -> ResultRow:
    """Return `finding` as formatted text; `threshold` is the agreed confidence [-]."""
    demand = finding.demand
    shown = finding.estimate
    return ResultRow(
        id=demand.id,
        severity=demand.severity,
        text=speak(demand.text),
        what=what_of(demand),
        basis=_basis(demand),
        limit=limit_text(finding),
        result=say("no result") if shown is None else estimate_text(demand, shown, finding),
        reference="" if finding.reference is None else estimate_text(demand, finding.reference),
        probability=_probability(finding, threshold),
        verdict=mark(finding.verdict.value),
        reason=speak(finding.reason),
        concession=speak(finding.concession.text) if finding.concession else "",
        source=speak(demand.source),
    )


def what_of(demand: Demand) -> str:
    """Return quantity and conditions in one phrase; an inspected characteristic by its name."""
    if "characteristic" in demand.at:
        return speak(str(demand.at["characteristic"]))
    title = say(demand.quantity.title)
    if not demand.at_text:
        return title
    return say("{quantity} at {conditions}", quantity=title, conditions=speak(demand.at_text))


def _basis(demand: Demand) -> str:
    words = BASIS[demand.basis]
    if demand.basis == "population":
        return say(words, share=percent(demand.coverage))
    return say(words)


def _probability(finding: Finding, threshold: float) -> str:
    if finding.probability is None:
        return "–"
    return chance_text(finding.probability, threshold).replace(" ", SPACE)


def limits_shown(finding: Finding) -> list[float]:
    """Return the limits applied to a finding, in the requirement's own unit."""
    ends = (finding.lower, finding.upper)
    return [finding.demand.shown(end) for end in ends if end is not None]


def limit_text(finding: Finding) -> str:
    """Return the limit as it was applied, such as "≥ 95 %"; with its origin where derived."""
    demand = finding.demand
    if demand.must_hold:
        return say("must hold")
    numbers = limits_shown(finding)
    if demand.not_worse is not None:
        return _against_reference(demand, finding, numbers)
    texts = [significant(number, 10) for number in numbers]
    if len(texts) == 2:
        return with_unit(say("{low} to {high}", low=texts[0], high=texts[1]), demand.unit)
    if not texts:
        return "–"
    sign = "≥" if finding.lower is not None else "≤"
    return f"{sign}\u00a0{with_unit(texts[0], demand.unit)}"


def limit_brief(finding: Finding) -> str:
    """Return the limit in few words; one that the reference sets by its number and origin."""
    numbers = limits_shown(finding)
    if finding.demand.not_worse is None or not numbers:
        return limit_text(finding)
    sign = "≥" if finding.lower is not None else "≤"
    number = with_unit(significant(numbers[0]), finding.demand.unit)
    return say("{limit}, by the reference", limit=f"{sign}\u00a0{number}")


def _against_reference(demand: Demand, finding: Finding, numbers: Sequence[float]) -> str:
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
    if not numbers:
        return words
    sign = "≥" if finding.lower is not None else "≤"
    return f"{words} ({sign}\u00a0{with_unit(significant(numbers[0]), demand.unit)})"


def estimate_text(demand: Demand, estimate: Estimate, finding: Finding | None = None) -> str:
    """Return an estimate with its uncertainty and unit; the finding adds interval and limits."""
    if demand.quantity.dimension == "statement":
        return _statement(estimate)
    value = demand.shown(estimate.value)
    limits = limits_shown(finding) if finding else []
    if estimate.bound:
        return with_unit(
            bound_text(beyond(value, estimate.bound, limits), estimate.bound), demand.unit
        )
    found = finding.interval if finding is not None else None
    if found is None and math.isfinite(estimate.value) and math.isfinite(estimate.u):
        found = estimate.interval()
    if found is None:
        return with_unit(with_uncertainty(value, 0.0, limits)[0], demand.unit)
    low, high = sorted(demand.shown(end) for end in found)
    return with_unit(with_interval(value, low, high, limits), demand.unit)


def _statement(estimate: Estimate) -> str:
    held = sum(1 for each in estimate.per_specimen if each.value >= 0.5)
    total = len(estimate.per_specimen)
    if total:
        return say("found so on {held} of {total}", held=held, total=total)
    return say("found so") if estimate.value >= 0.5 else say("not found so")


def specimen_texts(demand: Demand, estimate: Estimate | None) -> tuple[str, ...]:
    """Return a line for each result, after the specimens that had it: "C1 98.40 ± 0.19"."""
    if estimate is None:
        return ("–",)
    same: dict[str, list[str]] = {}
    for each in estimate.per_specimen:
        text = _specimen(demand, each)
        same.setdefault(text, []).append(each.specimen or each.record)
    return tuple(f"{named(names)}\u2002{text}" for text, names in same.items()) or ("–",)


def _specimen(demand: Demand, each: SpecimenValue) -> str:
    if demand.quantity.dimension == "statement":
        return say("found so") if each.value >= 0.5 else say("not found so")
    value = demand.shown(each.value)
    if each.bound and demand.quantity.dimension == "fraction" and value >= 100.0:
        return say("none counted")  # downstream: nothing is larger than all
    if each.bound:
        return bound_text(beyond(value, each.bound), each.bound)
    expanded = 2.0 * each.u / abs(demand.spread_factor)
    number, spread = with_uncertainty(value, expanded)
    return f"{number}{PLUS_MINUS}{spread}" if 0 < expanded < float("inf") else number


def component_u(demand: Demand, component: Component) -> str:
    """Return a budget line's standard uncertainty in the requirement's unit."""
    u = component.u / abs(demand.spread_factor)
    return with_unit(significant(u, 2, keep=True), demand.unit)


def margin_rank(finding: Finding) -> tuple[int, float]:
    """Return the order in which findings decide: failed, open, conditional, then thin margins."""
    order = {"fail": 0, "conditional fail": 1, "not demonstrated": 2, "conditional pass": 3}
    advisory = 10 if finding.demand.severity == "advisory" else 0
    chance = 2.0 if finding.probability is None else finding.probability
    return order.get(finding.verdict.value, PASSES) + advisory, chance


def results_table(
    caption: str, findings: Sequence[Finding], places: Places, empty: str = ""
) -> Table:
    """Return each specimen's own result, both filters side by side, a row a quantity.

    Limit, result of the filter type and probability stand once, in the table of requirements, to
    which every identifier leads.
    """
    rows: list[tuple[Cell, ...]] = []
    anchors = []
    for ids, group in alike(findings):
        first = group[0]
        rows.append(
            (
                places.asked(ids),
                _measured(first, places),
                specimen_texts(first.demand, first.estimate),
                specimen_texts(first.demand, first.reference),
                _verdicts(group),
            )
        )
        anchors.append(places.results[ids[0]])
    return Table(
        caption=caption,
        columns=(
            Column(say("Requirement"), 12),
            Column(say("Quantity / unit; records"), 36),
            Column(say("Candidate, each specimen ± U"), 20, "right"),
            Column(say("Reference, each specimen ± U"), 20, "right"),
            Column(say("Verdict"), 12),
        ),
        rows=tuple(rows),
        anchors=tuple(anchors),
        note=say(
            "U: here twice the standard uncertainty of a specimen by itself. Limit, result of the "
            "filter type and probability: in the table of requirements."
        ),
        empty=empty,
    )


def _verdicts(group: Sequence[Finding]) -> Cell:
    """Return the verdict of all, or each with its requirement where they differ."""
    if len({finding.verdict for finding in group}) == 1:
        return mark(group[0].verdict.value)
    each = [(f.demand.id, mark(f.verdict.value)) for f in group]
    return tuple(Mark(f"{name}: {own.text}", own.kind) for name, own in each)


def _measured(finding: Finding, places: Places) -> Cell:
    demand = finding.demand
    unit = unit_text(demand.unit)
    title = f"{what_of(demand)} / {unit}" if unit else what_of(demand)
    sources = [*(finding.estimate.sources if finding.estimate else ())]
    sources += finding.reference.sources if finding.reference else ()
    records = places.listed(sources)
    return (title, records) if records.parts else (title, Line((say("no record"),), small=True))


def dof_text(dof: float) -> str:
    """Return degrees of freedom as printed; large ones and unstated ones as the infinity sign."""
    return fixed(int(dof), 0) if dof < 1000 else "∞"
