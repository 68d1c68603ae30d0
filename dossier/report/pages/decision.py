"""Page one: the question, the answer, what decided it, and the chart of margins."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case
from dossier.case.model import Filter
from dossier.case.requested import said
from dossier.decision.conditions import on_file_text
from dossier.decision.finding import Assessment, Finding
from dossier.decision.rules import Decision
from dossier.report.blocks import Cell, Chart, Column, Line, Link, Table
from dossier.report.format import speak
from dossier.report.pages.fixed_words import Answer, answer_of
from dossier.report.pages.margins import (
    LEAST,
    chart_height,
    margins_caption,
    margins_chart,
    shortened,
)
from dossier.report.pages.places import Places, places_of, same_as
from dossier.report.pages.results import PASSES, limit_brief, margin_rank, result_row
from dossier.report.signing import SignOff
from dossier.words import later, say, say_count

CLOSEST, MOST = 4, 5
"""How many findings page one shows: at least so many, at most so many that do not pass."""
NAMED = 4
"""How many changed fields of the application page one names; the section on validity has all."""
SAID = ("revision", "issued")
"""Fields that the sentence before them says."""
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
    """How many requirements ended in which verdict, since when they are on file, until when the
    approval holds, where it has an end."""
    concerns: tuple[Line, ...]
    """Mandatory requirements that are not demonstrated, with the reason, one sentence each."""
    conditions: tuple[Line, ...]
    conditions_in_full: tuple[str, ...]
    """Every condition in full, where page one shortens or leaves out one; else empty."""
    closest: Table
    margins: Chart


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
    answer = answer_of(assessment.decision.value, signoff)
    told = (_tally(findings), _on_file(case), _validity(assessment, signoff))
    tally = " ".join(filter(None, told))
    conditions, open_ones = _conditions(assessment), _concerns(findings)
    title = say("Title as given: “{title}”", title=shortened(case.qualification.title, 150))
    question = _question(case)
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
    )


def _validity(assessment: Assessment, signoff: SignOff) -> str:
    """Return until when the approval holds; empty where nothing ends, or it has ended already."""
    if assessment.valid_until is None or signoff.ended:
        return ""
    words = (
        later("Valid until {day}.")
        if signoff.complete
        else later("Once signed, valid until {day}.")
    )
    return say(words, day=assessment.valid_until)


def _bounded(texts: Sequence[str], target: str, most: int, longest: int) -> tuple[Line, ...]:
    """Return the first texts, long ones shortened with a link to where they stand in full."""
    lines = []
    for text in texts[:most]:
        short = shortened(text, longest)
        more = (" ", Link(say("in full"), target)) if short != text else ()
        lines.append(Line((short, *more)))
    left = len(texts) - len(lines)
    if left > 0:
        rest = say_count(left, "{number} more", "{number} more")
        lines.append(Line((Link(rest, target),)))
    return tuple(lines)


def _named(filter_: Filter) -> str:
    return _of_maker(shortened(filter_.part_number, 40), shortened(filter_.maker, 50))


def _of_maker(part: str, maker: str) -> str:
    return say("{part} of {maker}", part=part, maker=maker) if maker else part


def _question(case: Case) -> str:
    candidate = _named(case.qualification.candidate)
    reference = case.qualification.reference
    title = say("“{title}”", title=shortened(case.application.title, 120))
    if reference is None:
        return say(
            "May the filter {candidate} be fitted in: {application}?",
            candidate=candidate,
            application=title,
        )
    return say(
        "May the filter {candidate} be fitted in place of {reference} in: {application}?",
        candidate=candidate,
        reference=_named(reference),
        application=title,
    )


def _tally(findings: Sequence[Finding]) -> str:
    parts = []
    for severity in ("mandatory", "advisory"):
        own = [f.verdict.value for f in findings if f.demand.severity == severity]
        if own:
            counts = Counter(own).most_common()
            words = ", ".join(f"{count}\u00a0{say(name)}" for name, count in counts)
            parts.append(_counted(severity, len(own), words))
    return " ".join(parts)


def _on_file(case: Case) -> str:
    """Return since when the requirements are on file, with the first fields that changed."""
    changed = [c for c in case.on_file.changes if c.field not in SAID] if case.on_file else []
    changes = [shortened(said(each), 90) for each in changed]
    left = len(changes) - NAMED
    more = [say_count(left, "{number} more", "{number} more")] if left > 0 else []
    return speak(" ".join([on_file_text(case), "; ".join([*changes[:NAMED], *more])]).strip())


def _counted(severity: str, number: int, verdicts: str) -> str:
    if severity == "mandatory":
        return say_count(
            number,
            "{number} mandatory requirement: {verdicts}.",
            "{number} mandatory requirements: {verdicts}.",
            verdicts=verdicts,
        )
    return say_count(
        number,
        "{number} advisory requirement: {verdicts}.",
        "{number} advisory requirements: {verdicts}.",
        verdicts=verdicts,
    )


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
    return tuple(speak(each.text) for each in assessment.conditions)


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
        caption=say(
            "The results that decide: those that do not pass first, then the least certain"
        ),
        columns=(
            Column(say("Requirement"), 13),
            Column(say("Quantity"), 27),
            Column(say("Limit"), 16, "right"),
            Column(say("Result ± U"), 18, "right"),
            Column(say("Probability"), 10, "right"),
            Column(say("Verdict"), 16),
        ),
        rows=tuple(rows),
        note=say(
            "U: 95 % interval. Probability: that the requirement is met, given the measurement."
        ),
    )
