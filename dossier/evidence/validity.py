"""Was each test run as its standard asks? One engine over one data file of limits."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from dossier.case.case import Case, Record
from dossier.case.model import Deviation
from dossier.case.records import InspectionTable
from dossier.evidence.check import Check
from dossier.evidence.instruments import measures
from dossier.evidence.limits import Limit, Limits
from dossier.words import later, say

__all__ = ["Verdicts", "apply_rule", "cover", "does_not_apply", "general_checks", "unusable"]


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What a rule found: met or not, or None where it could not be checked."""

    met: bool | None
    found: str
    instead: Literal["", "stated", "does not apply", "warning"] = ""
    """The outcome where it is neither met nor not met, and that is no lack of evidence; or a
    warning from a mandatory rule that has a wider limit beyond which it is not met."""


def does_not_apply(why: str) -> Verdicts:
    """Return that a rule has nothing to judge here, and `why`."""
    return Verdicts(None, why, "does not apply")


Rule = Callable[[Limit], Verdicts]


def apply_rule(limits: Limits, record: Record, rule: str, judge: Rule) -> Check | None:
    """Return the check of one rule on one record, or None where no limit is set for it."""
    limit = limits.find(rule, record.entry.kind, record.entry.standard)
    if limit is None:
        return None
    verdict = judge(limit)
    outcome: str
    if verdict.instead:
        outcome = verdict.instead
    elif verdict.met is None:
        outcome = "not checked"
    elif verdict.met:
        outcome = "met"
    else:
        outcome = "not met" if limit.mandatory else "warning"
    return Check(
        record=record.id,
        rule=rule,
        standard=f"{say(limit.clause)} ({say(limit.mark)})",
        limit=say(limit.text),
        found=verdict.found,
        outcome=outcome,  # type: ignore[arg-type]  # one of the words of Outcome
        mandatory=limit.mandatory,
        guards=limit.guards,
    )


def general_checks(case: Case, record: Record, limits: Limits) -> Iterator[Check]:
    """Yield the checks that every kind of record goes through: calibration, method, rule."""
    found = (
        apply_rule(limits, record, "calibration in date", lambda _: _calibration(case, record)),
        apply_rule(
            limits, record, "instrument for each reading", lambda _: _measured(case, record)
        ),
        apply_rule(
            limits, record, "method in scope of the laboratory", lambda _: _scope(case, record)
        ),
        apply_rule(limits, record, "rule agreed before the test", lambda _: _agreed(case, record)),
    )
    yield from (check for check in found if check is not None)


def _calibration(case: Case, record: Record) -> Verdicts:
    entry = record.entry
    if not entry.instruments:
        # Looking needs no instrument; whatever was measured does.
        if _looked_at(record):
            return does_not_apply(say("no instrument named in the record"))
        return Verdicts(False, say("no instrument named in the record"))
    last = entry.finished or entry.tested
    out = []
    for name in entry.instruments:
        instrument = case.instrument(name)
        if not (instrument.calibrated <= entry.tested and last <= instrument.due):
            out.append(
                say(
                    "{name} calibrated {calibrated}, due {due}",
                    name=name, calibrated=instrument.calibrated, due=instrument.due,
                )
            )  # fmt: skip
    if not out:
        names = ", ".join(entry.instruments)
        return Verdicts(True, say("{names} in date on {day}", names=names, day=entry.tested))
    late = "; ".join(out)
    if last == entry.tested:
        return Verdicts(False, say("tested {day} with {late}", day=entry.tested, late=late))
    words = say("tested {first} to {last} with {late}", first=entry.tested, last=last, late=late)
    return Verdicts(False, words)


READ: Mapping[str, tuple[str, ...]] = {
    "multipass": (later("counts"), later("differential pressure"), later("flow")),
    "pressure_drop": (later("differential pressure"), later("flow")),
    "bypass_valve": (later("differential pressure"), later("flow")),
}
"""What a result of each kind of record rests on, among the things that instruments measure."""


def _measured(case: Case, record: Record) -> Verdicts:
    own = [case.instrument(name) for name in record.entry.instruments]
    wanted = READ[record.entry.kind]
    lacking = [name for name in wanted if not any(measures(each, name) for each in own)]
    if lacking:
        # An instrument that does not say what it measures may measure it.
        met = (
            None if any(not (each.measures or measures(each, "counts")) for each in own) else False
        )
        names = ", ".join(say(name) for name in lacking)
        return Verdicts(met, say("no instrument of the record measures: {names}", names=names))
    return Verdicts(True, say("measured: {names}", names=", ".join(map(say, wanted))))


def _looked_at(record: Record) -> bool:
    table = record.table
    return isinstance(table, InspectionTable) and not any(unit.strip() for unit in table.unit)


def _scope(case: Case, record: Record) -> Verdicts:
    laboratory = case.laboratory(record.entry.laboratory)
    met = record.entry.standard in laboratory.methods
    standard, listed = record.entry.standard, ", ".join(laboratory.methods)
    if not listed:
        return Verdicts(met, say("{standard}; the laboratory lists none", standard=standard))
    words = say("{standard}; the laboratory lists {listed}", standard=standard, listed=listed)
    return Verdicts(met, words)


def _agreed(case: Case, record: Record) -> Verdicts:
    agreed, tested = case.application.decision_rule.agreed, record.entry.tested
    words = say("agreed {agreed}, tested {tested}", agreed=agreed, tested=tested)
    return Verdicts(agreed <= tested, words)


def cover(checks: Iterable[Check], deviations: Iterable[Deviation]) -> tuple[Check, ...]:
    """Return the checks with those covered that a recorded deviation names by rule and record.

    A deviation covers a check that is not met or not made only when it names the rule; its effect
    is then what it says.  Rules of metrology and integrity are not covered by anybody's word.
    """
    named = {(d.record, d.rule): d.text for d in deviations if d.rule}
    return tuple(
        replace(check, outcome="covered by a deviation", deviation=named[check.record, check.rule])
        if check.mandatory
        and check.outcome in STOPPING
        and not check.guards
        and (check.record, check.rule) in named
        else check
        for check in checks
    )


STOPPING = ("not met", "not checked")
"""Outcomes of a mandatory rule that stop the results of its record."""


def unusable(checks: Iterable[Check]) -> Mapping[str, str]:
    """Return record -> reason for each record that fails a mandatory check without a deviation."""
    reasons: dict[str, list[str]] = {}
    for check in checks:
        if check.outcome in STOPPING and check.mandatory:
            reasons.setdefault(check.record, []).append(
                say(
                    "{rule}: {found} (limit: {limit}; {standard})", rule=say(check.rule),
                    found=check.found, limit=check.limit, standard=check.standard,
                )
            )  # fmt: skip
    return {record: "; ".join(texts) for record, texts in reasons.items()}
