"""Page one: the question, the answer, for what, by whom, and the numbers that decided it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from dossier.case.case import Case
from dossier.case.model import Filter
from dossier.case.requested import said
from dossier.decision.conditions import APPROVES, on_file_text
from dossier.decision.finding import Assessment, Finding
from dossier.decision.rules import WORST, Decision
from dossier.report.blocks import Cell, Fact, Line, Link, Table
from dossier.report.format import date_text
from dossier.report.pages import fixed_words as fixed
from dossier.report.pages.case_pages import lots_fact, of_maker, to_do
from dossier.report.pages.fixed_words import Answer, answer_of, conditions_said
from dossier.report.pages.places import places_of, unasked
from dossier.report.pages.requirements import closest_rows, closest_table, listed, rest, tally
from dossier.report.pages.ruler import NO_QUOTES, in_quotes, rows_that_fit, shortened
from dossier.report.pages.uncertainty import rule_in_brief
from dossier.report.running import retold
from dossier.report.signing import SignOff, role_text
from dossier.system.grouped import grouped
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
    concerns: tuple[Line, ...] = ()
    """Mandatory requirements that are not demonstrated, with the reason, one sentence each."""
    conditions: tuple[Line, ...] = ()
    as_given: str
    """That conditions stand in another language than the page's; empty where none does."""
    conditions_in_full: tuple[Line, ...] = ()
    """Every condition in full, where page one shortens or leaves out one; else empty."""
    closest: Table


def decision_page(
    case: Case, assessment: Assessment, signoff: SignOff, *, logo: bool = False
) -> DecisionPage:
    """Return page one as formatted text; the table takes the room that the other words leave."""
    places, findings = places_of(assessment), assessment.findings
    several = bool(case.parts)
    answer = answer_of(assessment.decision.value, signoff, several=several)
    left = unasked(findings) if assessment.decision in APPROVES else ""
    told = (_together(assessment.parts), tally(findings), left, _on_file(case))
    counts = " ".join(filter(None, told))
    conditions, open_ones = conditions_said(assessment), _concerns(findings)
    title, given = shortened(case.qualification.title, 150), fixed.given_texts(case)
    rows = closest_rows(case, findings, places)
    page = DecisionPage(
        question=_question(case),
        title=say("Title as given: “{title}”", title=title.translate(NO_QUOTES)),
        answer=answer,
        tally=counts,
        facts=_facts(case, assessment, signoff),
        as_given=fixed.as_given(own for own in given if any(own in c for c in conditions)),
        closest=closest_table(rows, rest(findings, rows), several=several),
    )
    for most, longest in BOUNDS:
        concerns = _bounded(open_ones, "reasons", most, longest)
        short = _bounded(conditions, "conditions", most, longest, given)
        page = replace(page, concerns=concerns, conditions=short)
        room = rows_that_fit(page, rest(findings, ()), logo=logo, paper=case.qualification.paper)
        if room >= min(LEAST, len(rows)):
            break
    shown = rows[: max(room, LEAST)]
    closest = closest_table(shown, rest(findings, shown), several=several)
    cut = any(isinstance(part, Link) for line in page.conditions for part in line.parts)
    full = _bounded(conditions, "", len(conditions), 9999, given) if cut else ()
    return replace(page, closest=closest, conditions_in_full=full)


def _facts(case: Case, assessment: Assessment, signoff: SignOff) -> tuple[Fact, ...]:
    """Return for which machines, until when, by whom and under which rule it was decided."""
    return (
        Fact(say("For"), _machines(case) if not assessment.parts else _each(assessment.parts)),
        lots_fact(case, assessment) if assessment.decision in APPROVES else to_do(assessment),
        Fact(say("Valid until"), validity(assessment, signoff)),
        Fact(say("Decided by"), _people(signoff, leave=assessment.decision in APPROVES)),
        Fact(say("Rule"), _rules(case)),
    )


def _rules(case: Case) -> Cell:
    """Return the rule, or each that applications have with theirs."""
    found = grouped((rule_in_brief(p.application.decision_rule), p.mark) for p in case.each)
    if len(found) == 1:
        return next(iter(found))
    return tuple(f"{', '.join(marks)}: {text}" for text, marks in found.items())


APPLICATIONS = 6
"""How many applications page one tells of, the worst first; all stand in their own table."""
MET = {
    Decision.APPROVED: later("all met"),
    Decision.APPROVED_WITH_CONDITIONS: later("met with conditions"),
    Decision.NOT_APPROVED: later("NOT MET"),
    Decision.UNDECIDED: later("NOT DEMONSTRATED"),
}
"""What is said of what one of several applications asks: none of it is an approval."""


def _each(parts: Sequence[Assessment]) -> Cell:
    """Return a line an application: its machines, and whether what it asks is met."""
    order = sorted(parts, key=lambda part: WORST.index(part.decision))
    lines: list[Line] = []
    for part in order[:APPLICATIONS]:
        own = part.bench.case
        names = _machines(own)
        machines = names.parts if isinstance(names, Line) else (str(names),)
        title = in_quotes(own.application.title, 70)
        head = say(
            "{mark}: {met}. {title}: ", mark=own.mark, met=say(MET[part.decision]), title=title
        )
        lines.append(Line((head, *machines)))
    left = len(parts) - len(lines)
    rest = say_count(left, "{number} more", "{number} more")
    return (*lines, *([Line((Link(rest, "application"),))] if left > 0 else []))


def _together(parts: Sequence[Assessment]) -> str:
    """Return what the decision on several applications means for each of them."""
    if not parts:
        return ""
    good = [p.bench.case.mark for p in parts if p.decision in APPROVES]
    bad = [p.bench.case.mark for p in parts if p.decision not in APPROVES]
    words = later(
        "Asked for {number} applications. Each is judged alone; leave is given only where all are "
        "met."
    )
    told = [say(words, number=len(parts))]
    if good and bad:
        words = later(
            "What is asked in {good} is met, in {bad} it is not: leave {bad} out in a new revision "
            "to have the machines of {good} approved."
        )
        told.append(say(words, good=", ".join(good), bad=", ".join(bad)))
    return " ".join(told)


def _machines(case: Case) -> Cell:
    machines = [in_quotes(each) for each in case.application.equipment]
    if not machines:
        return say("no machine named: see the section on the application")
    if len(machines) <= MACHINES:
        return "; ".join(machines)
    count = say_count(len(machines), "{number} machine", "{number} machines")
    return Line((f"{machines[0]}; … {machines[-1]}: {count}, ", Link(say("list"), "scope")))


def validity(assessment: Assessment, signoff: SignOff) -> str:
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


def _people(signoff: SignOff, *, leave: bool) -> Cell:
    """Return who signed in which role on which day; a name that is typed proves no hand.

    A draft names no role: no word on it may be taken for an approval.
    """
    if not signoff.complete:
        held = len(signoff.roles) - len(signoff.missing)
        words = say("nobody yet, {held} of {roles} signed", held=held, roles=len(signoff.roles))
        return Line((words, " (", Link(say("sign-off"), "signoff"), ")"))
    lines = [
        say(
            "{role}: {name}, {day}", role=role_text(each.role, leave=leave),
            name=in_quotes(each.name), day=date_text(each.date),
        )
        for each in signoff.signed
    ]  # fmt: skip
    typed = say("names are typed; digital seals, if any, are in the sign-off")
    return Line(("; ".join(lines), " (", Link(typed, "signoff"), ")"))


def _bounded(
    texts: Sequence[str], target: str, most: int, longest: int, given: Sequence[str] = ()
) -> tuple[Line, ...]:
    """Return the first texts, long ones shortened with a link; `given` words of others apart."""
    lines = []
    for text in texts[:most]:
        short = shortened(text, longest)
        more = (" ", Link(say("in full"), target)) if short != text else ()
        lines.append(Line((*fixed.with_language(text, short, given), *more)))
    left = len(texts) - len(lines)
    if left > 0:
        rest = say_count(left, "{number} more", "{number} more")
        lines.append(Line((Link(rest, target),)))
    return tuple(lines)


def named_filter(filter_: Filter) -> str:
    """Return part number and maker of a filter, long ones shortened."""
    return of_maker(shortened(filter_.part_number, 80), shortened(filter_.maker, 50))


def _question(case: Case) -> str:
    reference = case.qualification.reference
    title = in_quotes(case.application.title, 120)
    if case.parts:
        title = say("the applications {marks}", marks=listed([p.mark for p in case.parts]))
    asked = {"candidate": named_filter(case.qualification.candidate), "application": title}
    if reference is None:
        return say("May the filter {candidate} be fitted in: {application}?", **asked)
    words = later("May the filter {candidate} be fitted in place of {reference} in: {application}?")
    return say(words, reference=named_filter(reference), **asked)


def _on_file(case: Case) -> str:
    """Return since when the requirements are on file, with the first fields that changed."""
    found = case.on_file.changes if case.on_file else ()
    changed = [c for c in found if c.field.rpartition(" . ")[2] not in SAID]
    changes = [shortened(said(each), 90) for each in changed]
    left = len(changes) - NAMED
    more = [say_count(left, "{number} more", "{number} more")] if left > 0 else []
    return retold(" ".join([on_file_text(case), "; ".join([*changes[:NAMED], *more])]).strip())


def _concerns(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return a sentence for each reason why mandatory requirements are not answered."""
    open_ones = (f for f in findings if f.verdict.value == "not demonstrated")
    mandatory = (f for f in open_ones if f.demand.severity == "mandatory")
    reasons = grouped((retold(f.reason), f.demand.id) for f in mandatory)
    return tuple(f"{', '.join(ids)}: {reason}." for reason, ids in reasons.items())
