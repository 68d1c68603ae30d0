"""Was each test run as its standard asks? One engine over one data file of limits."""

import difflib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from dossier.case.case import Case, Record
from dossier.case.model import Conditions, Deviation, Qualification, RecordEntry
from dossier.case.problems import CaseProblem
from dossier.evidence.limits import Check, Limit, Limits, Outcome
from dossier.evidence.requirement import Demand
from dossier.words import later, say

AGREES = "clean pressure drop agrees"
"""The rule that holds a run and a sweep of the same specimen against each other."""

Found = tuple[bool | Literal["stated", "does not apply", "warning"] | None, str]
"""What a rule found, with its words: met or not, or None where it could not be checked; else the
outcome where it is neither, and that is no lack of evidence, or a warning from a mandatory rule
that has a wider limit beyond which it is not met."""


@dataclass(frozen=True, kw_only=True)
class Held:
    """One record as it is held against its rules, and what they look at beside it."""

    case: Case
    record: Record
    limits: Limits
    demands: Sequence[Demand]
    against: Mapping[str, str]
    """Rule -> what other records have against this one, in words, or nothing."""

    @property
    def entry(self) -> RecordEntry:
        """What the case says of the record."""
        return self.record.entry

    @property
    def conditions(self) -> Conditions:
        """The conditions that it says the record was made at."""
        return self.record.entry.conditions


Rules = Mapping[str, Callable[[Any, Limit], Found | None]]
"""Name of a rule -> what judges a `Held`, or one of its kind; None where there is nothing to ask of
such a record."""


def checks_of(held: Held, tables: Iterable[Rules]) -> Iterator[Check]:
    """Yield the check of each rule of `tables` that a limit is set for."""
    for name, judge in (each for table in tables for each in table.items()):
        limit = held.limits.find(name, held.entry.kind, held.entry.standard)
        found = judge(held, limit) if limit else None
        if limit and found:
            yield Check(
                record=held.record.id, rule=name, standard=limit.origin, limit=say(limit.text),
                found=found[1], outcome=_outcome(found[0], limit), mandatory=limit.mandatory,
                guards=limit.guards, from_memory=limit.from_memory, weighs=limit.weighs,
            )  # fmt: skip


def _outcome(found: bool | Outcome | None, limit: Limit) -> Outcome:
    if isinstance(found, str):
        return found
    if found is None:
        return "not checked"
    return "met" if found else "not met" if limit.mandatory else "warning"


def unlike(held: Held, limit: Limit) -> Found:
    """Return that no other record is against this one, or in words what one has."""
    words = held.against[limit.rule]
    return not words, words or say("no other record is against it")


def stated_instead(record: Record, condition: str) -> Found | None:
    """Return that the laboratory's report states a condition that no column holds, or None."""
    stated = record.entry.stated
    if stated is None or condition not in stated.conditions:
        return None
    column = getattr(record.table, condition, None)
    if column is not None and not np.isnan(column).all():
        return None
    return "stated", say("stated in report {report}", report=stated.report)


def cover(checks: Iterable[Check], deviations: Iterable[Deviation]) -> tuple[Check, ...]:
    """Return the checks with those covered that a recorded deviation names by rule and record.

    A deviation covers a check that is not met or not made only when it names the rule; its effect
    is then what it says.  Rules of metrology and integrity are not covered by anybody's word: the
    check then says why, and what would help.
    """
    named = {(d.record, d.rule): d.text for d in deviations if d.rule}
    return tuple(_covered(check, named.get((check.record, check.rule))) for check in checks)


def _covered(check: Check, text: str | None) -> Check:
    if text is None or not check.stops:
        return check
    if not check.guards:
        return replace(check, outcome="covered by a deviation", deviation=text)
    return replace(check, found=say(NOT_COVERED[check.guards], found=check.found))


NOT_COVERED = {
    "metrology": later(
        "{found}; the recorded deviation does not cover it, since nobody can agree on how well "
        "something was measured: repeat the test, or exclude the record with its physical cause"
    ),
    "integrity": later(
        "{found}; the recorded deviation does not cover it, since nobody can agree on whether "
        "something was measured: repeat the test, or exclude the record with its physical cause"
    ),
}
"""What is said where a deviation names a rule that no deviation covers."""


def deviation_problems(qualification: Qualification, limits: Limits) -> Iterator[CaseProblem]:
    """Yield a problem for each deviation from a rule that its record is not held to."""
    entries = {entry.id: entry for entry in qualification.record}
    for number, each in enumerate(qualification.deviation, 1):
        entry = entries.get(each.record)
        if entry is None or not each.rule:
            continue
        known = limits.rules(entry.kind, entry.standard)
        known += (AGREES,) if entry.kind == "pressure_drop" else ()
        if each.rule in known:
            continue
        what = f"{each.rule[:80]!r} is no rule for a {entry.kind} record"
        near = difflib.get_close_matches(each.rule, known, n=1, cutoff=0.8)
        hint = (f"did you mean {near[0]!r}? " if near else "") + f"rules: {', '.join(known)}"
        yield CaseProblem("case.toml", f"deviation number {number} . rule", what, hint)


def unusable(checks: Iterable[Check]) -> Mapping[str, str]:
    """Return record -> reason for each record that fails a mandatory check without a deviation."""
    reasons: dict[str, list[str]] = {}
    words = later("{rule}: {found} (limit: {limit}; {standard})")
    for each in (check for check in checks if check.stops):
        told = {"rule": say(each.rule), "found": each.found, "standard": each.standard}
        reasons.setdefault(each.record, []).append(say(words, limit=each.limit, **told))
    return {record: "; ".join(every) for record, every in reasons.items()}
