"""The decision rule in words, with its risk, and the uncertainty budget of every finding."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dossier.case.application import DecisionRule
from dossier.case.case import Case
from dossier.decision.finding import Assessment, Finding
from dossier.decision.probability import mean_on_scale, threshold_of
from dossier.evidence.statistics.between import BETWEEN
from dossier.evidence.statistics.combine import DRAWS, OWN, SHOWN
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue
from dossier.evidence.statistics.uncertainty import Precision
from dossier.report.blocks import Bar, Cell, Column, Table
from dossier.report.format import (
    SPACE,
    date_text,
    decimals_for,
    fixed,
    of_difference,
    percent,
    significant,
    with_unit,
)
from dossier.report.pages.places import Places, alike, condensed
from dossier.report.pages.results import decimals, dof_text
from dossier.report.running import retold
from dossier.system.grouped import grouped
from dossier.words import later, say


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyPage:
    """How well the results are known and how they are judged."""

    rule: tuple[str, ...]
    budget: Table
    laboratories: Table | None
    """What the laboratories differ by; None where one alone tested each filter."""
    notes: tuple[str, ...]


def uncertainty_page(case: Case, assessment: Assessment, places: Places) -> UncertaintyPage:
    """Return the section on uncertainty and decision rule as formatted text."""
    return UncertaintyPage(
        rule=_rules(case, assessment.seed),
        budget=_budget(assessment.findings, places),
        laboratories=_laboratories(assessment.findings, places),
        notes=_notes(assessment.findings),
    )


def _rules(case: Case, seed: int) -> tuple[str, ...]:
    """Return the rule in words; of several applications each rule, and what their number means."""
    first, alone, *rest = rule_words(case.each[0].application.decision_rule, seed)
    if not case.parts:
        return (f"{first} {alone}", *rest)
    by = grouped((rule_in_brief(p.application.decision_rule), p) for p in case.parts)
    lines, kinds = [], set[str]()  # what a kind of rule means is said once
    for brief, parts in by.items():
        rule = parts[0].application.decision_rule
        text = brief if rule.kind in kinds else rule_words(rule, seed)[0]
        kinds.add(rule.kind)
        lines.append(say("{mark}: {text}", mark=", ".join(p.mark for p in parts), text=text))
    return (*lines, f"{say(FAMILY)} {alone}", *rest)


FAMILY = later(
    "Each application is decided by itself, on the same evidence, and the risk is that of each "
    "application and requirement. That all have to be met makes a wrong pass of one no more "
    "likely; that at least one among several passes is wrong is likelier than that a given one is."
)
RULES = {
    "guard_band": later(
        "Agreed on {agreed}. Guard band: a requirement passes if the probability that it is met, "
        "given the measurement and its uncertainty, is at least {confidence}; otherwise it fails. "
        "This sets the acceptance limit inside the requirement's limit by a guard band "
        "(JCGM 106:2012; the two words of ILAC-G8:09/2019). The risk that a requirement reported "
        "as passed is in truth not met is at most {risk}."
    ),
    "graded": later(
        "Agreed on {agreed}. Graded: pass if the probability that the requirement is met is at "
        "least {confidence}; conditional pass if it is less but the value lies inside the limit; "
        "fail if the probability is at most {risk}; conditional fail between (the words of "
        "ILAC-G8:09/2019; JCGM 106:2012). The risk that a requirement reported as passed is in "
        "truth not met is at most {risk}; for a conditional pass it may be up to 50 %."
    ),
    "simple_acceptance": later(
        "Agreed on {agreed}. Simple acceptance: a requirement passes if the value itself lies "
        "inside the limit; the uncertainty is not taken off (JCGM 106:2012). The risk that a "
        "requirement reported as passed is in truth not met can be as high as 50 %, at the limit; "
        "it is one less the probability printed for each requirement."
    ),
}
"""Each kind of decision rule in words."""
IN_BRIEF = {
    "guard_band": later("guard band: pass at a probability of {confidence}, agreed on {agreed}"),
    "graded": later("graded: pass at a probability of {confidence}, agreed on {agreed}"),
    "simple_acceptance": later("simple acceptance: the value itself counts, agreed on {agreed}"),
}


def rule_in_brief(rule: DecisionRule) -> str:
    """Return the agreed decision rule in one line."""
    confidence = with_unit(significant(100.0 * rule.confidence), "%")
    return say(IN_BRIEF[rule.kind], confidence=confidence, agreed=date_text(rule.agreed))


def rule_words(rule: DecisionRule, seed: int) -> tuple[str, ...]:
    """Return the agreed decision rule and its risk, a sentence or two a paragraph."""
    confidence = with_unit(significant(100.0 * rule.confidence), "%")
    risk = with_unit(significant(100.0 * (1.0 - rule.confidence)), "%")
    told = say(RULES[rule.kind], agreed=date_text(rule.agreed), confidence=confidence, risk=risk)
    alone = say(
        "It is that of each requirement by itself; how often such filters occur is not said."
    )
    return (
        f"{told} {alone}",
        say(
            "By hand: u² = Σui² (JCGM 100:2008; ui and degrees of freedom νi in decision.json). "
            "Guard band: g = √Σ(ti·ui)², ti by t at νi and the agreed probability; of few "
            "specimens that scatter less than their own errors, whichever limit lies farther out. "
            "Accepted: from L + g, or up to L − g, of a limit L; the probability is that at which "
            "g is the distance to L. Every specimen: all are those of the worst. A share of the "
            "type: y = mean ± (K·s + g) against L itself, below 50 % without g; s the scatter of "
            "the specimens, K the tolerance factor of their number, g of common errors. "
            "Filtration ratios and times of the sump: on the reciprocal. Where the linear law "
            "does not hold: by the quantiles of Monte Carlo draws (MC; JCGM 101:2008; {draws}, of "
            "what decides nothing {shown}; seed {seed}), a probability as their share less three "
            "standard deviations of it. The 95 % interval: U = k·u, U² = 0.9·(t·u)² + "
            "0.1·Σ(ti·ui)², t at the effective degrees of freedom ν, ti at 97.5 %.",
            seed=seed,
            draws=f"{DRAWS:_}".replace("_", SPACE),
            shown=f"{SHOWN:_}".replace("_", SPACE),
        ),
    )


FOLDED = 0.05
"""Share of the variance below which contributions are told together [-]."""


def _budget(findings: Sequence[Finding], places: Places) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for _, group in alike(findings):
        estimate = group[0].estimate
        if estimate is None or not estimate.u > 0:
            continue
        before: Shares | None = None
        for numbers, ids in grouped((_numbers(f, estimate), f.demand.id) for f in group).items():
            spread, guard, beside, apart, shares = numbers
            bar: Cell = Bar(tuple(each for _, _, each in shares)) if shares != before else "–"
            told = ", ".join(f"{name}{SPACE}{share}" for name, share, _ in shares)
            told = told if shares != before else say("as above")
            told = say("{parts}; of its distance", parts=told) if apart else told
            rows.append((places.asked(ids), spread, guard, bar, f"{beside}{told}"))
            before = shares
    wide = 15 if any(finding.demand.mark for finding in findings) else 11
    return Table(
        caption=say("Uncertainty of each result and its largest parts"),
        columns=(
            Column(say("Requirement"), wide),
            Column(say("u; k; ν"), 18, "right"),
            Column("g", 12, "right"),
            Column("", 5),
            Column(say("Contributions and their shares of the variance"), 65 - wide),
        ),
        rows=tuple(rows),
        note=say(
            "u: standard uncertainty; k: half of the 95 % interval over u; ν: effective degrees of "
            "freedom; g: guard band."
        )
        + (f" {say(COMMON)}" if any("*" in str(row[-1]) for row in rows) else ""),
        empty=say("No result carries an uncertainty budget."),
    )


COMMON = later("*: common to both filters.")


Shares = tuple[tuple[str, str, float], ...]
"""Name, share as printed and share [-] of each contribution."""


def _numbers(finding: Finding, estimate: Estimate) -> tuple[str, str, str, bool, Shares]:
    """Return u with what belongs to it, g, what stands beside, if of a distance, and its shares."""
    apart = _distance(finding, estimate)
    parts = apart or _of_worst(finding, estimate) or estimate.components
    return _spread(finding, estimate), *_guard(finding), bool(apart), _shares(finding, parts)


def _distance(finding: Finding, estimate: Estimate) -> list[Component]:
    """Return the parts of the distance to a share of the other filter's result, where it decides.

    What both filters share has gone out of them; empty where draws or a reciprocal decide.
    """
    demand, other = finding.demand, finding.reference
    if demand.not_worse is None or other is None:
        return []
    if estimate.scale != "linear" or estimate.samples is not None:
        return []
    _, parts, _ = mean_on_scale(estimate, threshold_of(demand, other))
    named = [part for part in parts if isinstance(part, Component)]
    return named if len(named) == len(parts) else []


def _of_worst(finding: Finding, estimate: Estimate) -> list[Component]:
    """Return the parts of the specimen that decides, where one does: no scatter is among them."""
    worst = _worst(finding, estimate)
    if worst is None:
        return []
    common = [c for c in estimate.components if c.shared or not (c.of_specimens or c.scatter)]
    rest = worst.u**2 - math.fsum(c.u**2 for c in common)
    own = Component(name=OWN, u=math.sqrt(max(0.0, rest)), source="")
    return [*common, own] if own.u > 0.01 * worst.u else common


def _worst(finding: Finding, estimate: Estimate) -> SpecimenValue | None:
    decides = finding.deciding
    if decides is None or decides.kind != "worst specimen":
        return None
    named = (each for each in estimate.per_specimen if each.specimen == decides.specimen)
    return next((each for each in named if each.value == decides.value), None)


def _laboratories(findings: Iterable[Finding], places: Places) -> Table | None:
    rows: list[tuple[Cell, ...]] = []
    for ids, group in alike(findings):
        finding, estimate = group[0], group[0].estimate
        if estimate is not None and estimate.precision is not None and not estimate.bound:
            apart = sum(c.stated or c.u for c in estimate.components if c.name == BETWEEN)
            rows.append((places.asked(ids), *_precise(finding, estimate.precision, apart)))
    if not rows:
        return None
    return Table(
        caption=say("What the laboratories that tested the candidate differ by"),
        columns=(
            Column(say("Requirement"), 14),
            Column(say("Laboratories; results"), 14, "right"),
            Column(say("sr, within one"), 13, "right"),
            Column(say("sL, between them"), 13, "right"),
            Column(say("95 % interval of sL"), 19, "right"),
            Column(say("sR, of both"), 12, "right"),
            Column(say("sM, stated or stands in"), 15, "right"),
        ),
        rows=tuple(rows),
        note=say(
            "Standard deviations of single results, in the unit of the requirement, by analysis of "
            "variance as described in ISO 5725-2; sL has one degree of freedom less than there are "
            "laboratories. sL takes nothing off: the budget has the larger of sL and sM, in the "
            "mean times √Σni²/n, and g takes whichever of their limits reaches further. In U "
            "laboratories whose sL is the larger count as one part, and the scatter of specimens "
            "is sr/√n or, where larger, their own errors."
        )
        + (f" {say(ONE_EACH)}" if any("–" in row for row in rows) else ""),
    )


ONE_EACH = later("–: where each laboratory has one result, sr and sL cannot be told apart.")


def _precise(finding: Finding, told: Precision, apart: float) -> tuple[Cell, ...]:
    demand = finding.demand
    own = told.times(1.0 / demand.spread_factor)
    apart /= abs(demand.spread_factor)
    within, between, low, high, together, stated = (
        "–" if s is None else significant(s, 2, keep=True)
        for s in (own.within, own.between, own.low, own.high, own.together, apart)
    )
    ends = say("{low} to {high}", low=low, high=high)
    return (
        f"{own.laboratories}; {own.results}",
        within,
        between,
        with_unit(ends, of_difference(demand.unit)),
        with_unit(together, of_difference(demand.unit)),
        with_unit(stated, of_difference(demand.unit)),
    )


def _guard(finding: Finding) -> tuple[str, str]:
    """Return the distance from the limit to where results are accepted; of two the larger.

    Of a share of the type what stands for common errors, with tolerance factor and scatter beside.
    """
    found, estimate = finding.deciding, finding.estimate
    if found is not None and found.k is not None and found.g is not None and estimate is not None:
        unit, turn = of_difference(finding.demand.unit), estimate.scale == "reciprocal"
        unit, per = ("1", 1.0) if turn else (unit, abs(finding.demand.spread_factor))
        ends = [1.0 / each if turn else each for each in (found.value, estimate.value)]
        s = (abs(ends[0] - ends[1]) - found.g) / found.k  # y = mean ± (K·s + g)
        own, g = (with_unit(significant(each / per, 3, keep=True), unit) for each in (s, found.g))
        return g, say("K {factor}, s {scatter}; ", factor=significant(found.k, 4), scatter=own)
    if found is None or found.kind not in ("mean", "worst specimen"):
        return "–", ""
    pairs = ((found.lower, finding.lower), (found.upper, finding.upper))
    widths = [abs(a - b) for a, b in pairs if a is not None and b is not None]
    if not widths or not 0 < max(widths) < math.inf:
        return "–", ""
    demand = finding.demand
    wide = max(widths) / abs(demand.spread_factor)
    text = fixed(wide, max(decimals_for(wide), decimals(finding)))  # as what is accepted, less L
    return with_unit(text, of_difference(demand.unit)), ""


def _spread(finding: Finding, estimate: Estimate) -> str:
    """Return standard uncertainty, coverage factor and effective degrees of freedom.

    Of the specimen that decides, where one does: as by its own errors alone; of the distance to
    the limit, where that is a share of the other filter's result.
    """
    demand, worst, apart = finding.demand, _worst(finding, estimate), _distance(finding, estimate)
    drawn = estimate.samples is not None
    u, k, dof = estimate.u, "–", say("MC") if drawn else dof_text(estimate.dof)
    if worst is not None:
        u, k = worst.u, "–" if drawn else significant(1.96, 2, keep=True)
        dof = dof if drawn else "∞"
    elif apart:
        u, dof = math.hypot(*(part.u for part in apart)), "–"
    elif finding.interval is not None and 0 < u < math.inf:
        low, high = finding.interval
        k = significant(0.5 * (high - low) / u, 2, keep=True) if high - low < math.inf else "∞"
    text = significant(u / abs(demand.spread_factor), 2, keep=True)
    return f"{with_unit(text, of_difference(demand.unit))}; {k}; {dof}"


def _shares(finding: Finding, components: Sequence[Component]) -> Shares:
    """Return the contributions by name, the largest first and small ones together."""
    total = math.fsum(component.u**2 for component in components)
    by_name = grouped((_named(finding, each), each.u**2) for each in components)
    if not 0 < total < math.inf:
        return tuple((name, "–", 0.0) for name in by_name)
    each = [(name, math.fsum(squares) / total) for name, squares in by_name.items()]
    each.sort(key=lambda one: -one[1])
    small = [share for _, share in each if share < FOLDED]
    if len(small) > 1:
        name = say("{number} smaller together", number=len(small))
        each = [*each[: -len(small)], (name, math.fsum(small))]
    return tuple((name, _percent(share), share) for name, share in each)


def _percent(share: float) -> str:
    return percent(share) if share >= 0.01 else f"<{SPACE}1{SPACE}%"


def _named(finding: Finding, component: Component) -> str:
    words = retold(component.words)
    if component.name == BETWEEN:
        words = say("laboratory or rig {name}", name=component.shared.removeprefix("rig "))
    return f"{words}{'*' if _common(finding, component) else ''}"


def _common(finding: Finding, component: Component) -> bool:
    """Return whether an error is one that the results of both filters share."""
    key, both = (component.name, component.shared), (finding.estimate, finding.reference)
    return bool(component.shared) and all(
        one is not None and key in {(each.name, each.shared) for each in one.components}
        for one in both
    )


def _notes(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Return what is noted on results; what several have alike is said once."""
    return condensed(
        (", ".join(ids), retold(note))
        for ids, group in alike(findings)
        if group[0].estimate is not None
        for note in dict.fromkeys(group[0].estimate.notes)
        if note
    )
