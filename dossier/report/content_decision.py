"""Page one: the question, the answer, what decided it, and the chart of margins."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case
from dossier.case.model import Filter
from dossier.decision.finding import Assessment, Finding
from dossier.decision.rules import Decision
from dossier.report.blocks import Cell, Chart, Column, Fact, Line, Link, Table
from dossier.report.content_margins import margins_caption, margins_chart
from dossier.report.content_results import PASSES, limit_brief, margin_rank, result_row
from dossier.report.format import NONE, date_text, speak
from dossier.report.page_one import LEAST, chart_height, shortened
from dossier.report.places import Places, places_of, same_as
from dossier.report.signing import SignOff
from dossier.report.words import Answer, answer_of

__all__ = ["DecisionPage", "decision_page"]

CLOSEST, MOST = 4, 5
"""How many findings page one shows: at least so many, at most so many that do not pass."""
BOUNDS = ((4, 210), (4, 100), (3, 90), (2, 80))
"""How many conditions page one shows, and how much of each [characters], until the chart has room;
page two has all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionPage:
    """Everything on page one, and what of it is said in full on page two."""

    question: str
    title: str
    answer: Answer
    tally: str
    """How many requirements ended in which verdict."""
    concerns: tuple[Line, ...]
    """Mandatory requirements that are not demonstrated, with the reason, one sentence each."""
    conditions: tuple[Line, ...]
    conditions_in_full: tuple[str, ...]
    """Every condition in full, where page one shortens or leaves out one; else empty."""
    closest: Table
    margins: Chart
    identity: tuple[Fact, ...]


def decision_page(
    case: Case,
    assessment: Assessment,
    signoff: SignOff,
    issued: date,
    style: str,
    *,
    logo: bool = False,
) -> DecisionPage:
    """Return page one as formatted text; the chart takes the height that the words leave."""
    places, findings = places_of(assessment), assessment.findings
    answer, tally = answer_of(assessment.decision.value, signoff), _tally(findings)
    conditions, open_ones = _conditions(assessment), _concerns(findings)
    title, question = shortened(case.qualification.title, 150), _question(case)
    closest = _closest(case, findings, places)
    for most, longest in BOUNDS:
        concerns = _bounded(open_ones, "reasons", most, longest)
        short = _bounded(conditions, "conditions", most, longest)
        height = chart_height(
            title=title, question=question, answer=(answer.text, tally),
            word=f"{answer.word} {answer.stamp}", lists=(concerns, short), table=closest,
            caption=margins_caption(findings, left_out=999), logo=logo,
        )  # fmt: skip
        if height >= LEAST:
            break
    cut = any(isinstance(part, Link) for line in short for part in line.parts)
    return DecisionPage(
        question=question,
        title=title,
        answer=answer,
        tally=tally,
        concerns=concerns,
        conditions=short,
        conditions_in_full=conditions if cut else (),
        closest=closest,
        margins=margins_chart(findings, style, max(height, LEAST)),
        identity=_identity(case, issued),
    )


def _bounded(texts: Sequence[str], target: str, most: int, longest: int) -> tuple[Line, ...]:
    """Return the first texts, long ones shortened with a link to where they stand in full."""
    lines = []
    for text in texts[:most]:
        short = shortened(text, longest)
        more = (" ", Link("in full", target)) if short != text else ()
        lines.append(Line((short, *more)))
    left = len(texts) - len(lines)
    if left > 0:
        lines.append(Line((Link(f"{left} more", target),)))
    return tuple(lines)


def _named(filter_: Filter) -> str:
    part = shortened(filter_.part_number, 40)
    return f"{part} of {shortened(filter_.maker, 50)}" if filter_.maker else part


def _question(case: Case) -> str:
    candidate = _named(case.qualification.candidate)
    reference = case.qualification.reference
    instead = f" in place of {_named(reference)}" if reference else ""
    title = shortened(case.application.title, 120)
    return f"May the filter {candidate} be fitted{instead} in: {title}?"


def _tally(findings: Sequence[Finding]) -> str:
    parts = []
    for severity in ("mandatory", "advisory"):
        own = [f.verdict.value for f in findings if f.demand.severity == severity]
        if own:
            counts = Counter(own)
            words = ", ".join(f"{count}\u00a0{name}" for name, count in counts.most_common())
            parts.append(f"{len(own)} {severity} requirements: {words}.")
    return " ".join(parts)


def _concerns(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return a sentence for each reason why mandatory requirements are not answered."""
    reasons: dict[str, list[str]] = {}
    for f in findings:
        if f.demand.severity == "mandatory" and f.verdict.value == "not demonstrated":
            reasons.setdefault(speak(f.reason), []).append(f.demand.id)
    return tuple(f"{', '.join(ids)}: {reason}." for reason, ids in reasons.items())


def _conditions(assessment: Assessment) -> tuple[str, ...]:
    """Return the conditions of an approval; any other decision has none to keep."""
    if assessment.decision is not Decision.APPROVED_WITH_CONDITIONS:
        return ()
    return tuple(speak(text) for text in assessment.conditions)


def _closest(case: Case, findings: Sequence[Finding], places: Places) -> Table:
    threshold = case.application.decision_rule.confidence
    again = same_as(findings)
    decided = [
        f for f in findings if f.verdict.value != "not applicable" and f.demand.id not in again
    ]
    against = sum(margin_rank(f)[0] < PASSES for f in decided)
    rows: list[tuple[Cell, ...]] = []
    for finding in sorted(decided, key=margin_rank)[: max(CLOSEST, min(MOST, against))]:
        row = result_row(finding, threshold)
        rows.append(
            (
                places.asked([row.id]), shortened(row.what, 70), limit_brief(finding), row.result,
                row.probability, row.verdict,
            )
        )  # fmt: skip
    return Table(
        caption="The results that decide: those that do not pass first, then the least certain",
        columns=(
            Column("Requirement", 13),
            Column("Quantity", 27),
            Column("Limit", 16, "right"),
            Column("Result ± U", 18, "right"),
            Column("Probability", 10, "right"),
            Column("Verdict", 16),
        ),
        rows=tuple(rows),
        note="U: 95 % interval. Probability: that the requirement is met, given the measurement.",
    )


def _whole(filter_: Filter | None) -> str:
    if filter_ is None:
        return NONE
    return f"{filter_.part_number} of {filter_.maker}" if filter_.maker else filter_.part_number


def _identity(case: Case, issued: date) -> tuple[Fact, ...]:
    qualification, application = case.qualification, case.application
    laboratories = tuple(laboratory.name for laboratory in qualification.laboratory)
    facts = [
        Fact("Dossier", f"{qualification.number}, revision {qualification.revision}"),
        Fact("Issued", date_text(issued)),
        Fact("Title", qualification.title),
        Fact("Candidate", _whole(qualification.candidate)),
        Fact("Reference", _whole(qualification.reference)),
        Fact("Application", f"{application.title}, revision {application.revision}"),
        Fact("Covers", application.equipment or "no equipment named"),
        Fact("Tests by", laboratories),
    ]
    if qualification.replaces:
        facts.append(Fact("Replaces", qualification.replaces))
    if qualification.review_due:
        facts.append(Fact("Review due", date_text(qualification.review_due)))
    return tuple(facts)
