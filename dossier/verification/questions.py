"""The questions an auditor asks of a decision record, as far as a program can answer them.

Numbers and words are our own; the usual clauses behind them are ISO/IEC 17025:2017, 6.2 to 7.11,
and 21 CFR 11.10, 11.50, from memory.  "no" is a finding for a person to weigh, since a dossier
that refuses a filter may rest on a test that went wrong; only the binding ones fail a verification.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

from dossier.case.case import Case
from dossier.decision.finding import Assessment, decision_of
from dossier.decision.rules import Verdict
from dossier.evidence.validity.method import in_scope
from dossier.words import later

Word = Literal["yes", "no", "open", "does not apply"]
_WORDS = later("yes"), later("no")
"""Those that only a note says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditAnswer:
    """The answer to one question."""

    question: str
    word: Word
    detail: str = ""
    binding: bool = False
    """Whether "no" alone fails the verification."""


class _Found(NamedTuple):
    """An answer that does not follow from what speaks against it."""

    word: Word
    detail: str


_Ask = Callable[[Case, Assessment, date], Iterable[str] | _Found | None]
"""Gives what speaks against it, or None where there is nothing to ask."""
_QUESTIONS: dict[str, tuple[_Ask, bool]] = {}
"""Each question with what answers it, and whether it is binding."""


def answers(case: Case, assessment: Assessment, today: date) -> tuple[AuditAnswer, ...]:
    """Return the answers that follow from a case read again and decided again."""
    return tuple(
        _said(question, ask(case, assessment, today), binding=binding)
        for question, (ask, binding) in _QUESTIONS.items()
    )


def _said(question: str, found: Iterable[str] | _Found | None, *, binding: bool) -> AuditAnswer:
    """Return yes if nothing speaks against it, else no with what does."""
    if found is None:
        found = _Found("does not apply", "")
    if not isinstance(found, _Found):
        against = list(dict.fromkeys(found))
        more = f" and {len(against) - 4} more" if len(against) > 4 else ""
        found = _Found("no" if against else "yes", "; ".join(against[:4]) + more)
    return AuditAnswer(question=question, word=found.word, detail=found.detail, binding=binding)


def _asks(question: str, *, binding: bool = False) -> Callable[[_Ask], _Ask]:
    """Add a question; the function gives what speaks against it."""

    def add(ask: _Ask) -> _Ask:
        _QUESTIONS[question] = ask, binding
        return ask

    return add


@_asks(later("Has every requirement exactly one finding?"), binding=True)
def _one_row_each(case: Case, assessment: Assessment, _: date) -> Iterable[str]:
    asked = [each.id for each in case.application.requirement]
    given = [each.demand.id for each in assessment.findings]
    return sorted(x for x in {*asked, *given} if asked.count(x) > 1 or given.count(x) != 1)


@_asks(later("Does every result name a record whose raw data are attached?"))
def _evidence(case: Case, assessment: Assessment, _: date) -> Iterable[str]:
    known = {record.id for record in case.records}
    found = [(f.demand.id, f.estimate) for f in assessment.findings]
    return [name for name, result in found if result and not {*result.sources} & known]


@_asks(later("Does every mandatory requirement of an approval have a result?"), binding=True)
def _nothing_missing(_: Case, assessment: Assessment, __: date) -> Iterable[str] | None:
    if not assessment.decision.value.startswith("approved"):
        return None
    mandatory = [f for f in assessment.findings if f.demand.severity == "mandatory"]
    return [f.demand.id for f in mandatory if f.verdict is Verdict.NOT_DEMONSTRATED]


@_asks(later("Does every requirement state where it comes from?"))
def _complete_rows(case: Case, _: Assessment, __: date) -> Iterable[str]:
    return [each.id for each in case.application.requirement if not each.source.strip()]


@_asks(later("Was the decision rule agreed before the first test?"))
def _rule_first(case: Case, _: Assessment, __: date) -> Iterable[str]:
    last = max(part.application.decision_rule.agreed for part in case.each)
    return [r.id for r in case.records if r.entry.tested < last]


@_asks(later("Does the decision follow from the findings?"), binding=True)
def _follows(_: Case, assessment: Assessment, __: date) -> Iterable[str]:
    gives = decision_of(assessment.findings, assessment.conditions)
    return [] if gives is assessment.decision else [f"the findings give {gives.value!r}"]


@_asks(later("Is an uncertainty given where the rule needs one?"))
def _uncertain(case: Case, assessment: Assessment, _: date) -> Iterable[str] | None:
    if all(part.application.decision_rule.kind == "simple_acceptance" for part in case.each):
        return None
    decided = [(f.demand.id, f.estimate) for f in assessment.findings if f.probability]
    return [name for name, found in decided if found and not found.bound and not found.u >= 0]


@_asks(later("Is every result at least as large as its standard uncertainty?"))
def _spread(_: Case, assessment: Assessment, __: date) -> Iterable[str] | None:
    found = [(f.demand.id, f.estimate) for f in assessment.findings if f.estimate]
    if not found:
        return None
    return [name for name, each in found if not each.bound and each.u > abs(each.value) > 0]


@_asks(later("Was every instrument in calibration over its tests?"))
def _calibrated(case: Case, _: Assessment, __: date) -> Iterable[str]:
    for record in case.records:
        last = record.entry.finished or record.entry.tested
        for tool in map(case.instrument, record.entry.instruments):
            if not tool.calibrated <= record.entry.tested <= last <= tool.due:
                yield f"{tool.id} for {record.id}"


@_asks(later("Does every test name its instruments?"))
def _tools_named(case: Case, _: Assessment, __: date) -> Iterable[str]:
    tested = [r for r in case.records if r.entry.kind != "inspection"]
    return [r.id for r in tested if not r.entry.instruments]


@_asks(later("Does every instrument cite its certificate?"))
def _certificates(case: Case, _: Assessment, __: date) -> Iterable[str]:
    return [tool.id for tool in case.qualification.instrument if not tool.certificate.strip()]


@_asks(later("Is every method one that its laboratory is accredited for?"))
def _scope(case: Case, assessment: Assessment, _: date) -> Iterable[str]:
    limits, houses = assessment.bench.limits, case.qualification.laboratory
    accredited = {each.id for each in houses if each.accreditation}
    inside = [r for r in case.records if r.entry.laboratory in accredited]
    fit = {r.id for r in inside if in_scope(case, r, limits)}
    return [r.id for r in case.records if r.id not in fit]


@_asks(later("Is every planned specimen accounted for?"))
def _specimens(case: Case, _: Assessment, __: date) -> Iterable[str] | _Found:
    sides = {"candidate": case.qualification.candidate, "reference": case.qualification.reference}
    planned = [(side, name) for side, one in sides.items() if one for name in one.specimens]
    measured = {r.id: r.specimens for r in case.of_kind("measurement")}
    named = ((r.entry.filter, (r.entry.specimen, *measured.get(r.id, ()))) for r in case.records)
    tested = {(side, name) for side, names in named for name in names}
    if not planned:
        return _Found("open", "no test plan names specimens")
    return [f"{side} {name}" for side, name in planned if (side, name) not in tested]


@_asks(later("Are the lots of the filters named?"))
def _lots(case: Case, _: Assessment, __: date) -> Iterable[str]:
    asked = case.qualification
    sides = {"candidate": asked.candidate, "reference": asked.reference}
    return [s.part_number for name, s in sides.items() if s and not asked.lots_of(name)]


@_asks(later("Has every record that was left out a physical cause and a name?"))
def _exclusions(case: Case, _: Assessment, __: date) -> Iterable[str] | None:
    out = [d for d in case.qualification.deviation if d.effect == "record excluded"]
    if not out:
        return None
    return [d.record for d in out if not (d.cause.strip() and d.agreed_by.strip())]


@_asks(later("Is every concession bounded and still running?"))
def _concessions(case: Case, _: Assessment, today: date) -> Iterable[str] | None:
    granted = case.qualification.concession
    if not granted:
        return None
    return [f"{c.requirement}, until {c.until}" for c in granted if c.until and c.until < today]


@_asks(later("Is a review due date set, and still ahead?"))
def _review(case: Case, _: Assessment, today: date) -> Iterable[str]:
    due = case.qualification.review_due
    if due is None:
        return ["none is set"]
    return [f"it was {due.isoformat()}"] if due < today else []


@_asks(later("Is the dossier that it replaces named?"))
def _replaced(case: Case, _: Assessment, __: date) -> Iterable[str] | None:
    if case.qualification.revision == 0:
        return None
    bare = not case.qualification.replaces.strip()
    return ["revision above 0 that replaces nothing"] if bare else []
