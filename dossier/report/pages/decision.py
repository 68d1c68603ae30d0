"""Page one: the question, the answer, for what, by whom, and the numbers that decided it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case
from dossier.case.model import Filter
from dossier.case.requested import said
from dossier.decision.conditions import APPROVES, on_file_text
from dossier.decision.finding import Assessment, Finding
from dossier.decision.rules import Decision
from dossier.report.blocks import Cell, Column, Fact, Line, Link, Table
from dossier.report.format import date_text, si_decides, significant, speak, with_unit
from dossier.report.pages.case_pages import of_maker
from dossier.report.pages.fixed_words import Answer, answer_of
from dossier.report.pages.places import Places, places_of, same_as
from dossier.report.pages.results import (
    accepted_text,
    deciding_text,
    limit_brief,
    margin_rank,
    result_row,
    strip_of,
)
from dossier.report.pages.ruler import rows_that_fit, shortened
from dossier.report.signing import SignOff, role_text
from dossier.words import later, say, say_count

LEAST = 4
"""How many rows the table of page one has at least, if so many requirements apply."""
NAMED = 4
"""How many changed fields of the application page one names; the section on validity has all."""
MACHINES = 4
"""How many machines page one names; more are counted, and listed with the application."""
SAID = ("revision", "issued")
"""Fields that the sentence before them says."""
BOUNDS = ((12, 2000), (6, 400), (4, 210), (4, 100), (3, 90), (2, 80))
"""How many conditions page one shows, and how much of each [characters], until the table has room;
page two has all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionPage:
    """Everything on page one, and what of it is said in full on page two."""

    question: str
    title: str
    answer: Answer
    tally: str
    """How many requirements ended in which verdict, and since when they are on file."""
    facts: tuple[Fact, ...]
    """For which machines, until when, by whom, under which rule."""
    concerns: tuple[Line, ...]
    """Mandatory requirements that are not demonstrated, with the reason, one sentence each."""
    conditions: tuple[Line, ...]
    conditions_in_full: tuple[str, ...]
    """Every condition in full, where page one shortens or leaves out one; else empty."""
    closest: Table


def decision_page(
    case: Case, assessment: Assessment, signoff: SignOff, issued: date, *, logo: bool = False
) -> DecisionPage:
    """Return page one as formatted text; the table takes the room that the other words leave."""
    places, findings = places_of(assessment), assessment.findings
    answer = answer_of(assessment.decision.value, signoff)
    tally = " ".join(filter(None, (_tally(findings), _on_file(case))))
    conditions, open_ones = _conditions(assessment), _concerns(findings)
    title = say(
        "Title as given: “{title}”",
        title=shortened(case.qualification.title, 150).translate(NO_QUOTES),
    )
    question = _question(case)
    facts = _facts(case, assessment, signoff)
    rows = _rows(case, findings, places)
    table = _closest(rows, len(rows))
    for most, longest in BOUNDS:
        concerns = _bounded(open_ones, "reasons", most, longest)
        short = _bounded(conditions, "conditions", most, longest)
        room = rows_that_fit(
            title=title, question=question, answer=(answer.text, tally),
            word=f"{answer.word} {answer.stamp}", facts=facts, lists=(concerns, short),
            table=table, logo=logo, paper=case.qualification.paper,
        )  # fmt: skip
        if room >= min(LEAST, len(rows)):
            break
    cut = any(isinstance(part, Link) for line in short for part in line.parts)
    return DecisionPage(
        question=question,
        title=title,
        answer=answer,
        tally=tally,
        facts=facts,
        concerns=concerns,
        conditions=short,
        conditions_in_full=conditions if cut else (),
        closest=_closest(rows, max(room, LEAST)),
    )


def _facts(case: Case, assessment: Assessment, signoff: SignOff) -> tuple[Fact, ...]:
    """Return for which machines, until when, by whom and under which rule it was decided."""
    rule = case.application.decision_rule
    return (
        Fact(say("For"), _machines(case)),
        Fact(say("Valid until"), _validity(case, assessment, signoff)),
        Fact(say("Decided by"), _people(signoff)),
        Fact(
            say("Rule"),
            say(
                KINDS_OF_RULE[rule.kind],
                confidence=with_unit(significant(100.0 * rule.confidence), "%"),
                agreed=date_text(rule.agreed),
            ),
        ),
    )


KINDS_OF_RULE = {
    "guard_band": later("guard band: pass at a probability of {confidence}, agreed on {agreed}"),
    "graded": later("graded: pass at a probability of {confidence}, agreed on {agreed}"),
    "simple_acceptance": later("simple acceptance: the value itself counts, agreed on {agreed}"),
}


def _quoted(name: str, most: int = 60) -> str:
    """Return a name between marks that it cannot end: what people wrote is no word of the page."""
    return say("“{title}”", title=shortened(name, most).translate(NO_QUOTES))


NO_QUOTES = str.maketrans('“”„‟"', "'''''")


def _machines(case: Case) -> Cell:
    machines = [_quoted(each) for each in case.application.equipment]
    if not machines:
        return say("no machine named: see the section on the application")
    if len(machines) <= MACHINES:
        return "; ".join(machines)
    count = say_count(len(machines), "{number} machine", "{number} machines")
    return Line((f"{machines[0]}; … {machines[-1]}: {count}, ", Link(say("list"), "scope")))


def _validity(case: Case, assessment: Assessment, signoff: SignOff) -> str:
    """Return until when an approval holds, or why there is no such day."""
    if signoff.ended is not None:
        return say("over since {day}", day=signoff.ended)
    if assessment.valid_until is not None:
        if signoff.complete:
            return date_text(assessment.valid_until)
        return say("{day}, once signed", day=assessment.valid_until)
    if assessment.decision in APPROVES:
        return say("no end set")
    return say("does not apply: nothing is approved")


def _people(signoff: SignOff) -> Cell:
    """Return who signed in which role on which day; a name that is typed proves no hand.

    A draft names no role: no word on it may be taken for an approval.
    """
    if not signoff.complete:
        held = len(signoff.roles) - len(signoff.missing)
        words = say("nobody yet, {held} of {roles} signed", held=held, roles=len(signoff.roles))
        return Line((words, " (", Link(say("sign-off"), "signoff"), ")"))
    lines = [
        say(
            "{role}: {name}, {day}", role=role_text(each.role), name=_quoted(each.name),
            day=date_text(each.date),
        )
        for each in signoff.signed
    ]  # fmt: skip
    typed = say("names are typed; digital seals, if any, are in the fields of the sign-off")
    return Line(("; ".join(lines), " (", Link(typed, "signoff"), ")"))


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
    return of_maker(shortened(filter_.part_number, 40), shortened(filter_.maker, 50))


def _question(case: Case) -> str:
    candidate = _named(case.qualification.candidate)
    reference = case.qualification.reference
    title = _quoted(case.application.title, 120)
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


def _rows(case: Case, findings: Sequence[Finding], places: Places) -> list[tuple[Cell, ...]]:
    """Return a row for each finding that applies, those that do not pass first."""
    again, rule = same_as(findings), case.application.decision_rule
    decided = [
        f for f in findings if f.verdict.value != "not applicable" and f.demand.id not in again
    ]
    return [_row(f, rule.confidence, places) for f in sorted(decided, key=margin_rank)]


def _row(finding: Finding, confidence: float, places: Places) -> tuple[Cell, ...]:
    row = result_row(finding, confidence)
    advisory = (say("advisory"),) if finding.demand.severity == "advisory" else ()
    what = (shortened(row.what, 70), *advisory)
    return (
        (places.asked([row.id]), row.verdict),
        what,
        (limit_brief(finding), *filter(None, [accepted_text(finding)])),
        deciding_text(finding, confidence),
        strip_of(finding) or "",
    )


def _closest(rows: Sequence[tuple[Cell, ...]], most: int) -> Table:
    left = len(rows) - most
    more = [
        say_count(
            left,
            "{number} further requirement, less close, is in the table of requirements.",
            "{number} further requirements, less close, are in the table of requirements.",
        )
    ]
    return Table(
        caption=say(
            "The results that decide: those that do not pass first, then the least certain"
        ),
        columns=(
            Column(say("Requirement"), 13),
            Column(say("Quantity"), 23),
            Column(say("Limit; accepted"), 22, "right"),
            Column(say("What decides; distance"), 21, "right"),
            Column(say("On a line of its own"), 21),
        ),
        rows=tuple(rows[:most]),
        note=" ".join(
            [
                say(
                    "Line: limit; dashed: limit with its guard band, inside it passes (grey); "
                    "ring: a specimen; diamond: what decides, filled where it passes, a cross "
                    "where it fails, an arrow where it is a bound; bar: 95 % interval."
                ),
                *(more if left > 0 else []),
            ]
        )
        + si_decides(),
        empty=say("No requirement applies."),
    )
