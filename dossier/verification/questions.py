"""The questions an auditor asks of a decision record, as far as a program can answer them.

Numbers and words are our own; the usual clauses behind them are ISO/IEC 17025:2017, 6.2 to 7.11,
and 21 CFR 11.10, 11.50, from memory.  "no" is a finding for a person to weigh, since a dossier
that refuses a filter may rest on a test that went wrong; only the binding ones fail a verification.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

from dossier.case.case import Case
from dossier.case.model import Qualification
from dossier.decision.finding import Assessment, decision_of
from dossier.decision.rules import Verdict
from dossier.evidence.records.usable import missing_specimens
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


def answers(case: Case, assessment: Assessment, today: date) -> tuple[AuditAnswer, ...]:
    """Return the answers that follow from a case read again and decided again."""
    return (
        *_on_findings(case, assessment),
        *_on_uncertainty(case, assessment),
        *_on_tests(case, assessment),
        *_on_filters(case),
        *_on_agreements(case.qualification, today),
    )


def _answer(question: str, against: Iterable[str] | None, *, binding: bool = False) -> AuditAnswer:
    """Return yes if nothing speaks against it, else no with what does; None asks nothing."""
    found = list(dict.fromkeys(against or ()))
    word: Word = "does not apply" if against is None else "no" if found else "yes"
    more = f" and {len(found) - 4} more" if len(found) > 4 else ""
    detail = "; ".join(found[:4]) + more
    return AuditAnswer(question=question, word=word, detail=detail, binding=binding)


def _on_findings(case: Case, assessment: Assessment) -> Iterator[AuditAnswer]:
    requirements, findings = case.application.requirement, assessment.findings
    asked, given = [each.id for each in requirements], [each.demand.id for each in findings]
    words = later("Has every requirement exactly one finding?")
    odd = sorted(x for x in {*asked, *given} if asked.count(x) > 1 or given.count(x) != 1)
    yield _answer(words, odd, binding=True)
    words = later("Does every result name a record whose raw data are attached?")
    known = {record.id for record in case.records}
    found = [(f.demand.id, f.estimate) for f in findings]
    yield _answer(words, [n for n, result in found if result and not {*result.sources} & known])
    words = later("Does every mandatory requirement of an approval have a result?")
    mandatory = [f for f in findings if f.demand.severity == "mandatory"]
    lacking = [f.demand.id for f in mandatory if f.verdict is Verdict.NOT_DEMONSTRATED]
    approves = assessment.decision.value.startswith("approved")
    yield _answer(words, lacking if approves else None, binding=True)
    words = later("Does every requirement state where it comes from?")
    yield _answer(words, [each.id for each in requirements if not each.source.strip()])
    words = later("Was the decision rule agreed before the first test?")
    last = max(part.application.decision_rule.agreed for part in case.each)
    yield _answer(words, [r.id for r in case.records if r.entry.tested < last])
    words = later("Does the decision follow from the findings?")
    gives = decision_of(findings, assessment.conditions)
    other = [] if gives is assessment.decision else [f"the findings give {gives.value!r}"]
    yield _answer(words, other, binding=True)


def _on_uncertainty(case: Case, assessment: Assessment) -> Iterator[AuditAnswer]:
    words = later("Is an uncertainty given where the rule needs one?")
    kinds = {part.application.decision_rule.kind for part in case.each}
    decided = [(f.demand.id, f.estimate) for f in assessment.findings if f.probability]
    bare = [name for name, found in decided if found and not found.bound and not found.u >= 0]
    yield _answer(words, None if kinds == {"simple_acceptance"} else bare)
    words = later("Is every result at least as large as its standard uncertainty?")
    every = [(f.demand.id, f.estimate) for f in assessment.findings if f.estimate]
    wide = [name for name, each in every if not each.bound and each.u > abs(each.value) > 0]
    yield _answer(words, wide if every else None)


def _on_tests(case: Case, assessment: Assessment) -> Iterator[AuditAnswer]:
    words = later("Was every instrument in calibration over its tests?")
    yield _answer(words, _uncalibrated(case))
    words = later("Does every test name its instruments?")
    tested = [r for r in case.records if r.entry.kind != "inspection"]
    yield _answer(words, [r.id for r in tested if not r.entry.instruments])
    words = later("Does every instrument cite its certificate?")
    tools = case.qualification.instrument
    yield _answer(words, [tool.id for tool in tools if not tool.certificate.strip()])
    words = later("Is every method one that its laboratory is accredited for?")
    limits, houses = assessment.bench.limits, case.qualification.laboratory
    accredited = {each.id for each in houses if each.accreditation}
    inside = [r for r in case.records if r.entry.laboratory in accredited]
    fit = {r.id for r in inside if in_scope(case, r, limits)}
    yield _answer(words, [r.id for r in case.records if r.id not in fit])


def _uncalibrated(case: Case) -> Iterator[str]:
    for record in case.records:
        last = record.entry.finished or record.entry.tested
        for tool in map(case.instrument, record.entry.instruments):
            if not tool.calibrated <= record.entry.tested <= last <= tool.due:
                yield f"{tool.id} for {record.id}"


def _on_filters(case: Case) -> Iterator[AuditAnswer]:
    asked = case.qualification
    both = {"candidate": asked.candidate, "reference": asked.reference}
    sides = [(side, filter_) for side, filter_ in both.items() if filter_]
    words = later("Is every planned specimen accounted for?")
    tested: dict[str, set[str]] = {side: set() for side in both}
    for each in case.records:
        tested[each.entry.filter] |= {each.entry.specimen or "", *each.specimens}
    planned = [(side, filter_.specimens) for side, filter_ in sides if filter_.specimens]
    told = (
        (side, missing_specimens(names, tested[side] - {""}, others_allowed=True))
        for side, names in planned
    )
    lost = [f"{side}: {words}" for side, words in told if words]
    unplanned = AuditAnswer(question=words, word="open", detail="no test plan names specimens")
    yield _answer(words, lost) if planned else unplanned
    words = later("Are the lots of the filters named?")
    yield _answer(words, [each.part_number for side, each in sides if not asked.lots_of(side)])
    words = later("Has every record that was left out a physical cause and a name?")
    out = [d for d in asked.deviation if d.effect == "record excluded"]
    bare = [d.record for d in out if not (d.cause.strip() and d.agreed_by.strip())]
    yield _answer(words, bare if out else None)


def _on_agreements(asked: Qualification, today: date) -> Iterator[AuditAnswer]:
    words = later("Is every concession bounded and still running?")
    ended = [
        f"{c.requirement}, until {c.until}" for c in asked.concession if c.until and c.until < today
    ]
    yield _answer(words, ended if asked.concession else None)
    words = later("Is a review due date set, and still ahead?")
    due = asked.review_due
    over = "none is set" if due is None else f"it was {due.isoformat()}" if due < today else ""
    yield _answer(words, filter(None, [over]))
    words = later("Is the dossier that it replaces named?")
    bare = [] if asked.replaces.strip() else ["revision above 0 that replaces nothing"]
    yield _answer(words, bare if asked.revision else None)
