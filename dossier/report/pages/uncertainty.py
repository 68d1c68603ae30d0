"""The decision rule in words, with its risk, and the uncertainty budget of every finding."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dossier.case.application import DecisionRule
from dossier.case.case import Case
from dossier.decision.finding import Assessment, Finding
from dossier.decision.probability import mean_on_scale, threshold_of
from dossier.evidence.statistics.between import BETWEEN
from dossier.evidence.statistics.estimate import Component, Estimate
from dossier.evidence.statistics.uncertainty import Precision
from dossier.report.blocks import Bar, Cell, Column, Table
from dossier.report.format import SPACE, date_text, of_difference, percent, significant, with_unit
from dossier.report.pages.places import Places, alike, condensed
from dossier.report.pages.results import dof_text
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
            "g is the distance to L. Every specimen: y, u and g are those of the worst, shares "
            "those of the mean. A share of the type: y = mean ± (K·s + g) against L itself, below "
            "50 % without g; s the scatter of the specimens, K the tolerance factor of their "
            "number, g of common errors. Filtration ratios and times of the sump: on the "
            "reciprocal. Where the linear law does not hold: by the quantiles of Monte Carlo draws "
            "(MC; JCGM 101:2008, seed {seed}). The 95 % interval: U = k·u, "
            "U² = 0.9·(t·u)² + 0.1·Σ(ti·ui)², t at the effective degrees of freedom ν, ti at "
            "97.5 %.",
            seed=seed,
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
        shares = _shares(group[0], estimate.components)
        told = ", ".join(f"{name}{SPACE}{share}" for name, share, _ in shares)
        told = told or say("Monte Carlo draws of all inputs together")
        known = any(each for _, _, each in shares)
        bar: Cell = Bar(tuple(each for _, _, each in shares)) if known else "–"
        for numbers, ids in grouped((_numbers(f, estimate), f.demand.id) for f in group).items():
            spread, guard, beside, compared = numbers
            told = say("{parts}; u: of its distance", parts=told) if compared else told
            rows.append((places.asked(ids), spread, guard, bar, f"{beside}{told}"))
            bar, told = "–", say("as above")
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


def _numbers(finding: Finding, estimate: Estimate) -> tuple[str, str, str, bool]:
    """Return u with what belongs to it, g, what stands beside g, and whether filters compare."""
    compared = finding.demand.not_worse is not None
    return _spread(finding, estimate), *_guard(finding), compared


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
    text = significant(max(widths) / abs(demand.spread_factor), 2, keep=True)
    return with_unit(text, of_difference(demand.unit)), ""


def _spread(finding: Finding, estimate: Estimate) -> str:
    """Return standard uncertainty, coverage factor and effective degrees of freedom.

    Of the specimen that decides, where one does: as by its own errors alone; of the distance to
    the limit, where that is a share of the other filter's result.
    """
    demand, decides, other = finding.demand, finding.deciding, finding.reference
    worst = [
        each.u for each in estimate.per_specimen
        if decides and (each.specimen, each.value) == (decides.specimen, decides.value)
    ]  # fmt: skip
    drawn = estimate.samples is not None
    u, k, dof = estimate.u, "–", say("MC") if drawn else dof_text(estimate.dof)
    if worst:
        u, k = worst[0], "–" if drawn else significant(1.96, 2, keep=True)
        dof = dof if drawn else "∞"
    elif demand.not_worse is not None and other and estimate.scale == "linear" and not drawn:
        _, parts, _ = mean_on_scale(estimate, threshold_of(demand, other))
        u, dof = math.hypot(*(part.u for part in parts)), "–"
    elif finding.interval is not None and 0 < u < math.inf:
        low, high = finding.interval
        k = significant(0.5 * (high - low) / u, 2, keep=True) if high - low < math.inf else "∞"
    text = significant(u / abs(demand.spread_factor), 2, keep=True)
    return f"{with_unit(text, of_difference(demand.unit))}; {k}; {dof}"


def _shares(finding: Finding, components: Sequence[Component]) -> list[tuple[str, str, float]]:
    """Return name, share as printed and share [-] of each contribution, small ones together."""
    total = sum(component.u**2 for component in components)
    if not 0 < total < math.inf:
        return [(_named(finding, each), "–", 0.0) for each in components]
    ordered = sorted(components, key=lambda each: -each.u)
    small = [each for each in ordered if each.u**2 < FOLDED * total]
    if len(small) < 2:
        small = []
    told = [
        (_named(finding, each), _percent(each.u**2 / total), each.u**2 / total)
        for each in ordered[: len(ordered) - len(small)]
    ]
    if small:
        rest = math.fsum(each.u**2 for each in small) / total
        name = say("{number} smaller together", number=len(small))
        told.append((name, _percent(rest), rest))
    return told


def _percent(share: float) -> str:
    return percent(share) if share >= 0.01 else f"<{SPACE}1{SPACE}%"


def _named(finding: Finding, component: Component) -> str:
    words = retold(component.words)
    if component.name == BETWEEN:
        words = say("laboratory or rig {name}", name=component.shared.removeprefix("rig "))
    return f"{words}{'*' if _common(finding, component) else ''}"


def _common(finding: Finding, component: Component) -> bool:
    """Return whether an error is one that the other filter's result shares."""
    other = finding.reference.components if finding.reference is not None else ()
    theirs = {(each.name, each.shared) for each in other}
    return bool(component.shared) and (component.name, component.shared) in theirs


def _notes(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Return what is noted on results; what several have alike is said once."""
    return condensed(
        (", ".join(ids), retold(note))
        for ids, group in alike(findings)
        if group[0].estimate is not None
        for note in dict.fromkeys(group[0].estimate.notes)
        if note
    )
