"""The questions an auditor asks of a decision record, as far as a program can answer them.

Numbers and words are our own; the usual clauses behind them are ISO/IEC 17025:2017, 6.2 to 7.11,
and 21 CFR 11.10, 11.50, from memory.  "no" is a finding for a person to weigh, since a dossier
that refuses a filter may rest on a test that went wrong; only the binding ones fail a verification.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from dossier.case.case import Case, Record
from dossier.decision.finding import Assessment, decision_of
from dossier.decision.rules import Verdict
from dossier.evidence.limits import Limits
from dossier.evidence.validity.method import in_scope

Word = Literal["yes", "no", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The answer to one question."""

    question: str
    word: Word
    detail: str = ""
    binding: bool = False
    """Whether "no" alone fails the verification."""


def answers(case: Case, assessment: Assessment, today: date) -> tuple[Answer, ...]:
    """Return the answers that follow from a case read again and decided again."""
    return tuple(ask(case, assessment, today) for ask in _QUESTIONS)


def _said(question: str, against: Iterable[str], *, binding: bool = False) -> Answer:
    """Return yes if nothing speaks against it, else no with what does."""
    found = list(dict.fromkeys(against))
    more = f" and {len(found) - 4} more" if len(found) > 4 else ""
    detail = "; ".join(found[:4]) + more
    return Answer(question=question, word="no" if found else "yes", detail=detail, binding=binding)


def _one_row_each(case: Case, assessment: Assessment, _: date) -> Answer:
    asked = [each.id for each in case.application.requirement]
    given = [each.demand.id for each in assessment.findings]
    wrong = [x for x in {*asked, *given} if asked.count(x) > 1 or given.count(x) != 1]
    question = "Has every requirement exactly one finding?"
    return _said(question, sorted(wrong), binding=True)


def _evidence(case: Case, assessment: Assessment, _: date) -> Answer:
    known = {record.id for record in case.records}
    decided = [f for f in assessment.findings if f.estimate is not None]
    wrong = [f"{f.demand.id}" for f in decided if f.estimate and not {*f.estimate.sources} & known]
    return _said("Does every result name a record whose raw data are attached?", wrong)


def _nothing_missing(case: Case, assessment: Assessment, _: date) -> Answer:
    mandatory = [f for f in assessment.findings if f.demand.severity == "mandatory"]
    untested = [f.demand.id for f in mandatory if f.verdict is Verdict.NOT_DEMONSTRATED]
    approves = assessment.decision.value.startswith("approved")
    question = "Does no approval leave a mandatory requirement untested?"
    return _said(question, untested if approves else (), binding=True)


def _complete_rows(case: Case, assessment: Assessment, _: date) -> Answer:
    rows = case.application.requirement
    return _said(
        "Does every requirement state where it comes from?",
        [each.id for each in rows if not each.source.strip()],
    )


def _rule_first(case: Case, assessment: Assessment, _: date) -> Answer:
    agreed = case.application.decision_rule.agreed
    early = [r.id for r in case.records if r.entry.tested < agreed]
    return _said("Was the decision rule agreed before the first test?", early)


def _follows(case: Case, assessment: Assessment, _: date) -> Answer:
    gives = decision_of(assessment.findings, assessment.conditions)
    wrong = [] if gives is assessment.decision else [f"the findings give {gives.value!r}"]
    return _said("Does the decision follow from the findings?", wrong, binding=True)


def _uncertain(case: Case, assessment: Assessment, _: date) -> Answer:
    if case.application.decision_rule.kind == "simple_acceptance":
        question = "Is an uncertainty given where the rule needs one?"
        return Answer(question=question, word="yes", detail="simple acceptance needs none")
    decided = [f for f in assessment.findings if f.estimate is not None and f.probability]
    bare = [
        f.demand.id
        for f in decided
        if f.estimate and not f.estimate.bound and not f.estimate.u >= 0
    ]
    return _said("Is an uncertainty given where the rule needs one?", bare)


def _spread(case: Case, assessment: Assessment, _: date) -> Answer:
    wide = [
        f.demand.id
        for f in assessment.findings
        if f.estimate and not f.estimate.bound and f.estimate.u > abs(f.estimate.value) > 0
    ]
    return _said("Is no standard uncertainty larger than its result?", wide)


def _calibrated(case: Case, assessment: Assessment, _: date) -> Answer:
    late = []
    for record in case.records:
        for name in record.entry.instruments:
            tool = case.instrument(name)
            last = record.entry.finished or record.entry.tested
            if not tool.calibrated <= record.entry.tested <= last <= tool.due:
                late.append(f"{name} for {record.id}")
    return _said("Was every instrument in calibration over its tests?", late)


def _tools_named(case: Case, assessment: Assessment, _: date) -> Answer:
    tested = [r for r in case.records if r.entry.kind != "inspection"]
    return _said(
        "Does every test name its instruments?", [r.id for r in tested if not r.entry.instruments]
    )


def _certificates(case: Case, assessment: Assessment, _: date) -> Answer:
    bare = [tool.id for tool in case.qualification.instrument if not tool.certificate.strip()]
    return _said("Does every instrument cite its certificate?", bare)


def _scope(case: Case, assessment: Assessment, _: date) -> Answer:
    limits = assessment.bench.limits
    outside = [r.id for r in case.records if not _accredited(case, r, limits)]
    return _said("Is every method one that its laboratory is accredited for?", outside)


def _accredited(case: Case, record: Record, limits: Limits) -> bool:
    accreditation = case.laboratory(record.entry.laboratory).accreditation
    return bool(accreditation) and in_scope(case, record, limits)


def _specimens(case: Case, assessment: Assessment, _: date) -> Answer:
    lost = []
    for side in ("candidate", "reference"):
        filter_ = getattr(case.qualification, side)
        if filter_ is None:
            continue
        tested = {r.entry.specimen for r in case.records if r.entry.filter == side}
        lost += [f"{side} {name}" for name in filter_.specimens if name not in tested]
    question = "Is every planned specimen accounted for?"
    sides = (case.qualification.candidate, case.qualification.reference)
    if not any(side.specimens for side in sides if side):
        return Answer(question=question, word="open", detail="no test plan names specimens")
    return _said(question, lost)


def _lots(case: Case, assessment: Assessment, _: date) -> Answer:
    sides = (case.qualification.candidate, case.qualification.reference)
    bare = [side.part_number for side in sides if side and not side.lots]
    return _said("Are the lots of the filters named?", bare)


def _exclusions(case: Case, assessment: Assessment, _: date) -> Answer:
    out = [d for d in case.qualification.deviation if d.effect == "record excluded"]
    bare = [d.record for d in out if not (d.cause.strip() and d.agreed_by.strip())]
    return _said("Has every excluded record a physical cause and a name?", bare)


def _concessions(case: Case, assessment: Assessment, today: date) -> Answer:
    granted = case.qualification.concession
    over = [f"{c.requirement}, until {c.until}" for c in granted if c.until and c.until < today]
    return _said("Is every concession bounded and still running?", over)


def _review(case: Case, assessment: Assessment, today: date) -> Answer:
    due = case.qualification.review_due
    question = "Is a review due date set, and still ahead?"
    if due is None:
        return Answer(question=question, word="no", detail="none is set")
    return _said(question, [f"it was {due.isoformat()}"] if due < today else [])


def _replaced(case: Case, assessment: Assessment, _: date) -> Answer:
    revised = case.qualification.revision > 0 and not case.qualification.replaces.strip()
    return _said(
        "If it replaces a dossier, is that one named?",
        ["revision above 0 that replaces nothing"] if revised else [],
    )


_QUESTIONS: tuple[Callable[[Case, Assessment, date], Answer], ...] = (
    _one_row_each, _evidence, _nothing_missing, _complete_rows, _rule_first, _follows, _uncertain,
    _spread, _calibrated, _tools_named, _certificates, _scope, _specimens, _lots, _exclusions,
    _concessions, _review, _replaced,
)  # fmt: skip
