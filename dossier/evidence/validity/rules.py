"""Was each test run as its standard asks? One engine over one data file of limits."""

import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from dossier.case.case import Case, Record
from dossier.case.consistency import plain
from dossier.case.model import Deviation, Instrument, Qualification
from dossier.case.problems import CaseProblem
from dossier.case.records import InspectionTable, MeasurementTable
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.records.instruments import READ_BY, measures
from dossier.evidence.validity.check import Check, Outcome
from dossier.words import later, say

AGREES = "clean pressure drop agrees"
"""The rule that holds a run and a sweep of the same specimen against each other."""


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


def apply_rules(limits: Limits, record: Record, rules: Mapping[str, Rule]) -> Iterator[Check]:
    """Yield the check of each rule by name on one record that a limit is set for."""
    for name, judge in rules.items():
        limit = limits.find(name, record.entry.kind, record.entry.standard)
        if limit is not None:
            verdict = judge(limit)
            yield Check(
                record=record.id, rule=name, standard=limit.origin, limit=say(limit.text),
                found=verdict.found, outcome=_outcome(verdict, limit), mandatory=limit.mandatory,
                guards=limit.guards, from_memory=limit.from_memory, weighs=limit.weighs,
            )  # fmt: skip


def _outcome(verdict: Verdicts, limit: Limit) -> Outcome:
    if verdict.instead:
        return verdict.instead
    if verdict.met is None:
        return "not checked"
    return "met" if verdict.met else "not met" if limit.mandatory else "warning"


def unlike(words: str) -> Verdicts:
    """Return that no other record is against this one, or in `words` what one has."""
    return Verdicts(not words, words or say("no other record is against it"))


def general_checks(case: Case, record: Record, limits: Limits) -> Iterator[Check]:
    """Return the checks that every kind of record goes through: instruments, decision rule."""
    rules: dict[str, Rule] = {
        "calibration in date": lambda limit: _calibration(case, record, limit),
        "calibration interval": lambda limit: _interval(case, record, limit),
        "certificate named": lambda _: _certificate(case, record),
        "instrument for each reading": lambda _: _measured(case, record),
        "rule agreed before the test": lambda _: _agreed(case, record),
    }
    return apply_rules(limits, record, rules)


def _calibration(case: Case, record: Record, limit: Limit) -> Verdicts:
    entry = record.entry
    if not entry.instruments:
        return _without(record)
    last = entry.finished or entry.tested
    words = later("{name} calibrated {calibrated}, due {due}")
    out = [
        say(words, name=each.id, calibrated=each.calibrated, due=each.due)
        for each in _used(case, record)
        if not (each.calibrated <= entry.tested and last <= each.due)
        or not _years(each) <= limit.value
    ]
    if not out:
        names = ", ".join(entry.instruments)
        return Verdicts(True, say("{names} in date on {day}", names=names, day=entry.tested))
    late = "; ".join(out)
    if last == entry.tested:
        return Verdicts(False, say("tested {day} with {late}", day=entry.tested, late=late))
    words = later("tested {first} to {last} with {late}")
    return Verdicts(False, say(words, first=entry.tested, last=last, late=late))


def _used(case: Case, record: Record) -> list[Instrument]:
    return [case.instrument(name) for name in record.entry.instruments]


def _without(record: Record) -> Verdicts:
    """Return what a record without instruments is: looking needs none, measuring does."""
    words = say("no instrument named in the record")
    return does_not_apply(words) if _looked_at(record) else Verdicts(False, words)


def _years(instrument: Instrument) -> float:
    return (instrument.due - instrument.calibrated).days / 365.25


def _interval(case: Case, record: Record, limit: Limit) -> Verdicts:
    years = {each.id: _years(each) for each in _used(case, record)}
    if not years:
        return _without(record)
    long = {name: found for name, found in years.items() if found > limit.value + 0.01}
    shown = long or {max(years, key=lambda name: years[name]): max(years.values())}
    words = [say("{name}: {years:.1f} years", name=name, years=y) for name, y in shown.items()]
    return Verdicts(not long, "; ".join(words))


def _certificate(case: Case, record: Record) -> Verdicts:
    used = _used(case, record)
    if not used:
        return _without(record)
    bare = [each.id for each in used if not _numbered(each.certificate)]
    if bare:
        names = ", ".join(bare)
        return Verdicts(
            False, say("no certificate with a number: {names}; give that of each", names=names)
        )
    for each in used:
        same = {
            i.id for i in _named_anywhere(case) if _told(i.certificate) == _told(each.certificate)
        }
        if len(same) > 1:
            words = later(
                "{certificate} is named for {names}: name the certificate of each, or the sheet of "
                "it that is its own"
            )
            return Verdicts(
                False, say(words, certificate=each.certificate, names=", ".join(sorted(same)))
            )
    return Verdicts(True, say("a certificate for each"))


def _named_anywhere(case: Case) -> list[Instrument]:
    names = {name for each in case.records for name in each.entry.instruments}
    return [each for each in case.qualification.instrument if each.id in names]


def _told(certificate: str) -> str:
    """Return the letters and digits that tell a certificate from another."""
    return "".join(c for c in plain(certificate) if c.isalnum())


def _numbered(certificate: str) -> bool:
    """Return whether a certificate has a number; a year, a day or a nought is none."""
    words = re.findall(r"[\w/.-]*\d[\w/.-]*", certificate)
    return any(not re.fullmatch(r"[0.]+|(19|20)\d\d(-\d\d-\d\d)?", word) for word in words)


READ: Mapping[str, tuple[str, ...]] = {
    "multipass": (
        "counts", "differential pressure", "flow", "injection flow", "mass", "temperature",
    ),
    "pressure_drop": ("differential pressure", "flow", "temperature"),
    "bypass_valve": ("differential pressure", "flow"),
}  # fmt: skip
"""What a result of each kind of record rests on, among the things that instruments measure."""


def _wanted(record: Record) -> list[tuple[str, ...]]:
    """Return what has to be measured, each with what else serves; what is stated is left out."""
    table = record.table
    if isinstance(table, MeasurementTable):
        return [READ_BY[name] for name in table.names]
    if isinstance(table, InspectionTable):
        return [] if _looked_at(record) else [("length",)]
    names = READ[record.entry.kind]
    return [(name,) for name in names if stated_instead(record, name) is None]


def stated_instead(record: Record, condition: str) -> Verdicts | None:
    """Return that the laboratory's report states a condition that no column holds, or None."""
    stated = record.entry.stated
    if stated is None or condition not in stated.conditions:
        return None
    column = getattr(record.table, condition, None)
    if column is not None and not np.isnan(column).all():
        return None
    return Verdicts(None, say("stated in report {report}", report=stated.report), "stated")


def _measured(case: Case, record: Record) -> Verdicts:
    own = _used(case, record)
    wanted = list(dict.fromkeys(_wanted(record)))
    lacking = [
        names for names in wanted if not any(measures(each, n) for each in own for n in names)
    ]
    if lacking:
        words = ", ".join(say(names[0]) for names in lacking)
        told = later(
            "no instrument of the record measures: {names}; name it in the record, or say so in "
            "its 'measures'"
        )
        return Verdicts(False, say(told, names=words))
    for each in own:
        kinds = {OF_ONE_KIND.get(n, n): n for names in wanted for n in names if measures(each, n)}
        if len(kinds) > MOST_KINDS or (len(kinds) > 1 and "counts" in kinds):
            listed = ", ".join(say(name) for name in kinds.values())
            words = later("{name} measures {listed}: name the instrument of each")
            return Verdicts(False, say(words, name=each.id, listed=listed))
    if not wanted:
        return does_not_apply(say("nothing was read from an instrument"))
    words = ", ".join(say(names[0]) for names in wanted)
    return Verdicts(True, say("measured: {names}", names=words))


OF_ONE_KIND = {"injection flow": "flow", "volume rate": "flow", "differential pressure": "pressure"}
"""Measurands that an instrument for another of the same kind may measure."""
MOST_KINDS = 2
"""Unlike kinds of reading that one instrument may stand for in a record; counts stand alone."""


def _looked_at(record: Record) -> bool:
    table = record.table
    return isinstance(table, InspectionTable) and not any(unit.strip() for unit in table.unit)


def _agreed(case: Case, record: Record) -> Verdicts:
    agreed, tested = case.application.decision_rule.agreed, record.entry.tested
    words = say("agreed {agreed}, tested {tested}", agreed=agreed, tested=tested)
    return Verdicts(agreed <= tested, words)


def cover(checks: Iterable[Check], deviations: Iterable[Deviation]) -> tuple[Check, ...]:
    """Return the checks with those covered that a recorded deviation names by rule and record.

    A deviation covers a check that is not met or not made only when it names the rule; its effect
    is then what it says.  Rules of metrology and integrity are not covered by anybody's word: the
    check then says why, and what would help.
    """
    named = {(d.record, d.rule): d.text for d in deviations if d.rule}
    return tuple(
        _covered(check, named[check.record, check.rule])
        if check.mandatory and check.outcome in STOPPING and (check.record, check.rule) in named
        else check
        for check in checks
    )


def _covered(check: Check, text: str) -> Check:
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


def deviation_problems(qualification: Qualification, limits: Limits) -> list[CaseProblem]:
    """Return a problem for each deviation from a rule that its record is not held to."""
    entries = {entry.id: entry for entry in qualification.record}
    found = []
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
        found.append(CaseProblem("case.toml", f"deviation number {number} . rule", what, hint))
    return found


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
