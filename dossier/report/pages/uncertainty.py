"""The decision rule in words, with its risk, and the uncertainty budget of every finding."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from dossier.case.application import DecisionRule
from dossier.case.case import Case
from dossier.decision.finding import Assessment, Finding
from dossier.evidence.statistics.estimate import Component
from dossier.report.blocks import Cell, Column, Table
from dossier.report.format import date_text, percent, significant, speak, with_unit
from dossier.report.pages.fixed_words import mark
from dossier.report.pages.places import Places, alike, condensed, same_as
from dossier.report.pages.results import component_u, dof_text, result_row
from dossier.words import later, say


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyPage:
    """How well the results are known and how they are judged."""

    rule: tuple[str, ...]
    budget: Table
    decided: Table
    notes: Table


def uncertainty_page(case: Case, assessment: Assessment, places: Places) -> UncertaintyPage:
    """Return the section on uncertainty and decision rule as formatted text."""
    rule = case.application.decision_rule
    return UncertaintyPage(
        rule=rule_words(rule, assessment.seed),
        budget=_budget(assessment.findings, places),
        decided=_decided(assessment.findings, rule.confidence),
        notes=_notes(assessment.findings),
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


def rule_words(rule: DecisionRule, seed: int) -> tuple[str, ...]:
    """Return the agreed decision rule and its risk, a sentence or two a paragraph."""
    confidence = with_unit(significant(100.0 * rule.confidence), "%")
    risk = with_unit(significant(100.0 * (1.0 - rule.confidence)), "%")
    return (
        say(RULES[rule.kind], agreed=date_text(rule.agreed), confidence=confidence, risk=risk),
        say(
            "This is the risk of each requirement by itself, given its own measurement; it says "
            "nothing on how often such filters occur. Decisions are taken on unrounded numbers. "
            "Where a basis other than the mean was required, the probability is that of the least "
            "favourable specimen, or that the stated share of the population conforms."
        ),
        say(
            "Uncertainty by JCGM 100:2008: contributions add in squares. Where the linear law does "
            "not hold, by Monte Carlo (JCGM 101:2008) with the fixed seed {seed}.",
            seed=seed,
        ),
        say(
            "Probabilities combine the one-sided limit of each contribution, by Student's t at its "
            "own degrees of freedom, as the root of the sum of squares; where few specimens happen "
            "to scatter less than their own errors, whichever of the two limits lies farther out "
            "stands. With few specimens this keeps the stated risk, which common effective degrees "
            "of freedom (Welch and Satterthwaite) would exceed. The square of the half-width of a "
            "95 % interval is nine tenths by those and one tenth by these."
        ),
    )


def _budget(findings: Iterable[Finding], places: Places) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for ids, group in alike(findings):
        finding = group[0]
        if finding.estimate is not None:
            lines = _lines(finding, finding.estimate.components)
            rows += [(places.asked(ids), *line) for line in lines]
    return Table(
        caption=say("Uncertainty budget of each result"),
        columns=(
            Column(say("Requirement"), 13),
            Column(say("Contribution"), 40),
            Column(say("u in the result"), 12, "right"),
            Column(say("Share of variance"), 8, "right"),
            Column(say("Degrees of freedom"), 9, "right"),
            Column(say("Where the figure comes from"), 18),
        ),
        rows=tuple(rows),
        note=say(
            "u: standard uncertainty that the contribution gives the result, in the unit the "
            "requirement is written in. *: one error common to both filters. Contributions below "
            "1 % of the variance are added up. Certificates: in the list of instruments."
        ),
        empty=say("No result carries an uncertainty budget."),
    )


def _lines(finding: Finding, components: Sequence[Component]) -> list[tuple[Cell, ...]]:
    """Return a line for each contribution that counts, and one for all the small ones together."""
    total = sum(component.u**2 for component in components)
    known = 0 < total < math.inf
    small = [c for c in components if known and c.u**2 < 0.01 * total]
    if len(small) < 2:
        small = []
    lines = [_line(finding, c, total) for c in components if c not in small]
    if small:
        u = math.sqrt(sum(c.u**2 for c in small))
        share = "<\u00a01\u00a0%" if u**2 < 0.01 * total else percent(u**2 / total)
        text = component_u(finding.demand, replace(small[0], u=u))
        name = say("{number} smaller contributions together", number=len(small))
        lines.append((name, text, share, "–", "–"))
    return lines


def _line(finding: Finding, component: Component, total: float) -> tuple[Cell, ...]:
    part = component.u**2 / total if 0 < total < math.inf else None
    share = "–" if part is None else percent(part) if part >= 0.01 else "<\u00a01\u00a0%"
    return (
        f"{speak(component.words)}{'*' if _common(finding, component) else ''}",
        component_u(finding.demand, component),
        share,
        dof_text(component.dof),
        speak(component.source),
    )


def _common(finding: Finding, component: Component) -> bool:
    """Return whether an error is one that the other filter's result shares, if it has one."""
    if finding.reference is None:
        return bool(component.shared)
    theirs = {(each.name, each.shared) for each in finding.reference.components}
    return bool(component.shared) and (component.name, component.shared) in theirs


def _decided(findings: Sequence[Finding], threshold: float) -> Table:
    again = same_as(findings)
    kinds: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for finding in findings:
        row = result_row(finding, threshold)
        reason = say("same as {other}", other=again[row.id]) if row.id in again else row.reason
        kinds.setdefault((finding.verdict.value, row.basis), []).append((row.id, reason))
    rows = tuple(
        (basis, mark(verdict), condensed(reasons)) for (verdict, basis), reasons in kinds.items()
    )
    return Table(
        caption=say("How each verdict was reached"),
        columns=(
            Column(say("Judged on"), 19),
            Column(say("Verdict"), 16),
            Column(say("Reason"), 65),
        ),
        rows=rows,
    )


def _notes(findings: Iterable[Finding]) -> Table:
    said = [
        (", ".join(ids), speak(note))
        for ids, group in alike(findings)
        if group[0].estimate is not None
        for note in dict.fromkeys(group[0].estimate.notes)
        if note
    ]
    notes: dict[str, list[str]] = {}
    for ids, note in said:
        notes.setdefault(note, []).append(ids)
    return Table(
        caption=say("Notes on the results"),
        columns=(Column(say("Requirement"), 20), Column(say("Note"), 80)),
        rows=tuple((", ".join(ids), note) for note, ids in notes.items()),
        empty=say("There is nothing to note."),
    )
