"""Until when a decision holds: the end of a concession it rests on, or its review, come first."""

from collections.abc import Collection, Iterable, Sequence
from datetime import date

from dossier.case.model import Concession
from dossier.decision.finding import Finding
from dossier.decision.rules import Decision, Verdict, overall
from dossier.words import say

APPROVES = (Decision.APPROVED, Decision.APPROVED_WITH_CONDITIONS)
FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)


def expired(decision: str) -> str:
    """Return how a decision reads once its last day is over, as a code."""
    return f"expired: was {decision}"


def over(decision: str, until: date | None, today: date | None) -> date | None:
    """Return the last day of an approval that is over; None while it holds, or where none ends.

    `until` is that last day; where the decision is no approval, it was one until then.
    """
    if until is None or decision not in APPROVES:
        return until
    return until if today is not None and today > until else None


def conceded(findings: Iterable[Finding]) -> tuple[Concession, ...]:
    """Return the concessions that cover mandatory findings."""
    mandatory = (each for each in findings if each.demand.severity == "mandatory")
    return tuple(each.concession for each in mandatory if each.concession)


def behind(
    covered: Collection[tuple[str, str]], granted: Iterable[Concession], on: date
) -> tuple[Concession, ...]:
    """Return the concessions of requirement and text in `covered` that run on that day."""
    return tuple(
        each
        for each in granted
        if (each.requirement, each.text) in covered and (each.until is None or each.until >= on)
    )


def valid_until(
    decision: str, covered: Iterable[Concession], review_due: date | None
) -> date | None:
    """Return the last day on which an approval holds; None where none is set.

    It is the earliest among the ends of the concessions `covered`, which it rests on, and its
    review.  What approves nothing has no such day.
    """
    if decision not in APPROVES:
        return None
    ends = [each.until for each in covered]
    return min((end for end in (*ends, review_due) if end is not None), default=None)


def ran_out(
    decision: Decision, findings: Sequence[Finding], granted: Iterable[Concession], on: date
) -> date | None:
    """Return the last day of an approval that is one no more, since concessions ended before `on`.

    None where it is an approval, or would be none with those concessions.
    """
    past = {each.requirement: each.until for each in granted if each.until and each.until < on}
    open_ones = {f.demand.id for f in findings if f.verdict in FAILS and not f.concession}
    was = overall(
        [
            (f.verdict, f.demand.severity == "mandatory", bool(f.concession or f.demand.id in past))
            for f in findings
        ]
    )
    if decision in APPROVES or was not in APPROVES:
        return None
    return min(day for requirement, day in past.items() if requirement in open_ones)


def late_review(findings: Iterable[Finding], review_due: date | None) -> str:
    """Return a sentence where a review is due later than a concession ends; else empty."""
    ends = [each for each in conceded(findings) if each.until]
    first = min(ends, key=lambda each: each.until or date.max, default=None)
    if first is None or first.until is None or review_due is None or review_due <= first.until:
        return ""
    return say(
        "The review is due on {review}, but the concession on {requirement} ends on {until}: after "
        "that day nothing covers the requirement.",
        review=review_due, requirement=first.requirement, until=first.until,
    )  # fmt: skip
