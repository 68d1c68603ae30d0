"""The decision rule in words, with its risk, and the uncertainty budget of every finding."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dossier.case.case import Case
from dossier.case.model import DecisionRule
from dossier.decision.finding import Assessment, Finding
from dossier.evidence.estimate import Component
from dossier.report.blocks import Cell, Column, Table
from dossier.report.content_results import alike, component_u, dof_text, result_row
from dossier.report.format import date_text, percent, significant, speak, with_unit

__all__ = ["UncertaintyPage", "rule_words", "uncertainty_page"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyPage:
    """How well the results are known and how they are judged."""

    rule: tuple[str, ...]
    budget: Table
    decided: Table
    notes: Table


def uncertainty_page(case: Case, assessment: Assessment) -> UncertaintyPage:
    """Return the section on uncertainty and decision rule as formatted text."""
    rule = case.application.decision_rule
    return UncertaintyPage(
        rule=rule_words(rule, assessment.seed),
        budget=_budget(assessment.findings),
        decided=_decided(assessment.findings, rule.confidence),
        notes=_notes(assessment.findings),
    )


def rule_words(rule: DecisionRule, seed: int) -> tuple[str, ...]:
    """Return the agreed decision rule and its risk, a sentence or two a paragraph."""
    confidence = with_unit(significant(100.0 * rule.confidence), "%")
    risk = with_unit(significant(100.0 * (1.0 - rule.confidence)), "%")
    agreed = f"Agreed on {date_text(rule.agreed)}. "
    words = {
        "guard_band": (
            f"{agreed}Guard band: a requirement passes if the probability that it is met, given "
            f"the measurement and its uncertainty, is at least {confidence}; otherwise it fails. "
            "This sets the acceptance limit inside the requirement's limit by a guard band "
            "(JCGM 106:2012; the two words of ILAC-G8:09/2019). The risk that a "
            f"requirement reported as passed is in truth not met is at most {risk}."
        ),
        "graded": (
            f"{agreed}Graded: pass if the probability that the requirement is met is at least "
            f"{confidence}; conditional pass if it is less but the value lies inside the limit; "
            f"fail if the probability is at most {risk}; conditional fail between (the words of "
            "ILAC-G8:09/2019; JCGM 106:2012). The risk that a requirement reported as passed is "
            f"in truth not met is at most {risk}; for a conditional pass it may be up to 50 %."
        ),
        "simple_acceptance": (
            f"{agreed}Simple acceptance: a requirement passes if the value itself lies inside the "
            "limit; the uncertainty is not taken off (JCGM 106:2012). The risk that a "
            "requirement reported as passed is in truth not met can be as high as 50 %, at the "
            "limit; it is one less the probability printed for each requirement."
        ),
    }[rule.kind]
    return (
        words,
        "This is the risk of each requirement by itself, given its own measurement; it says "
        "nothing on how often such filters occur. Decisions are taken on unrounded numbers. "
        "Where a basis other than the mean was required, the probability is that of the least "
        "favourable specimen, or that the stated share of the population conforms.",
        "Uncertainty by JCGM 100:2008: contributions add in squares, effective degrees of freedom "
        "by Welch and Satterthwaite, expanded at 95 % by Student's t. Where the linear law does "
        f"not hold, by Monte Carlo (JCGM 101:2008) with the fixed seed {seed}.",
        "Probabilities that rest on several contributions combine the one-sided limit of each, at "
        "its own degrees of freedom, as the root of the sum of squares: with few specimens this "
        "keeps the stated risk, which common effective degrees of freedom would exceed.",
    )


def _budget(findings: Iterable[Finding]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for ids, finding in alike(findings):
        if finding.estimate is None:
            continue
        components = finding.estimate.components
        total = sum(component.u**2 for component in components)
        for component in components:
            rows.append((ids, *_line(finding, component, total)))
    return Table(
        caption="Uncertainty budget of each result",
        columns=(
            Column("Requirement", 11),
            Column("Contribution", 36),
            Column("u in the result", 11, "right"),
            Column("Share of variance", 8, "right"),
            Column("Degrees of freedom", 9, "right"),
            Column("Where the figure comes from", 25),
        ),
        rows=tuple(rows),
        note="u: standard uncertainty that the contribution gives the result, in the unit the "
        "requirement is written in.",
        empty="No result carries an uncertainty budget.",
    )


def _line(finding: Finding, component: Component, total: float) -> tuple[Cell, ...]:
    part = component.u**2 / total if 0 < total < float("inf") else None
    share = "–" if part is None else percent(part) if part >= 0.01 else f"<\u00a0{percent(0.01)}"
    shared = "; common to both filters" if component.shared else ""
    return (
        f"{speak(component.name)}{shared}",
        component_u(finding.demand, component),
        share,
        dof_text(component.dof),
        speak(component.source),
    )


def _decided(findings: Sequence[Finding], threshold: float) -> Table:
    rows = []
    for finding in findings:
        row = result_row(finding, threshold)
        rows.append((row.id, row.basis, row.probability, row.verdict, row.reason))
    return Table(
        caption="How each verdict was reached",
        columns=(
            Column("Requirement", 13),
            Column("Judged on", 19),
            Column("Probability", 12, "right"),
            Column("Verdict", 16),
            Column("Reason", 40),
        ),
        rows=tuple(rows),
    )


def _notes(findings: Iterable[Finding]) -> Table:
    rows = [
        (ids, speak(note))
        for ids, finding in alike(findings)
        if finding.estimate is not None
        for note in dict.fromkeys(finding.estimate.notes)
        if note
    ]
    return Table(
        caption="Notes on the results",
        columns=(Column("Requirement", 20), Column("Note", 80)),
        rows=tuple(rows),
        empty="There is nothing to note.",
    )
