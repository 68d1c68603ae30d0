"""Rules of validity on any record: its instruments, what came before it, and the time it took."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

from dossier.case.case import Case, Record
from dossier.case.model import Instrument
from dossier.case.records import InspectionTable, MeasurementTable
from dossier.case.seen import plain
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.records.instruments import READ_BY, measures
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.statistics.between import rigs_of
from dossier.evidence.validity.rules import Found, Held, Rules, stated_instead
from dossier.words import later, say

Judge = Callable[[Held, Limit], Found]


def _by_instruments(judge: Callable[[Held, Limit, list[Instrument]], Found]) -> Judge:
    """Return what judges a record by its instruments: looking needs none, measuring does."""

    def rule(held: Held, limit: Limit) -> Found:
        used = held.case.instruments(held.entry)
        if used:
            return judge(held, limit, used)
        words = say("no instrument named in the record")
        return "does not apply" if _looked_at(held.record) else False, words

    return rule


def _calibration(held: Held, limit: Limit, used: list[Instrument]) -> Found:
    first, last = _days(held.record)
    words = later("{name} calibrated {calibrated}, due {due}")
    late = "; ".join(
        say(words, name=each.id, calibrated=each.calibrated, due=each.due)
        for each in used
        if not (each.calibrated <= first and last <= each.due and _years(each) <= limit.value)
    )
    names, words = ", ".join(held.entry.instruments), later("{names} in date on {day}")
    if late:
        words = later("tested {first} to {last} with {late}")
    if late and last == first:
        words = later("tested {day} with {late}")
    return not late, say(words, names=names, day=first, first=first, last=last, late=late)


def _years(instrument: Instrument) -> float:
    return (instrument.due - instrument.calibrated).days / 365.25


def _interval(_: Held, limit: Limit, used: list[Instrument]) -> Found:
    years = {each.id: _years(each) for each in used}
    long = [name for name, found in years.items() if found > limit.value + 0.01]
    words = [
        say("{name}: {years:.1f} years", name=name, years=years[name])
        for name in long or [max(years, key=lambda name: years[name])]
    ]
    return not long, "; ".join(words)


def _certificate(held: Held, _: Limit, used: list[Instrument]) -> Found:
    bare = [each.id for each in used if not _numbered(each.certificate)]
    if bare:
        words = later("no certificate with a number: {names}; give that of each")
        return False, say(words, names=", ".join(bare))
    anywhere = {name for each in held.case.records for name in each.entry.instruments}
    known = [each for each in held.case.qualification.instrument if each.id in anywhere]
    for each in used:
        same = {i.id for i in known if _told(i.certificate) == _told(each.certificate)}
        if len(same) > 1:
            words = later(
                "{certificate} is named for {names}: name the certificate of each, or the sheet of "
                "it that is its own"
            )
            return False, say(words, certificate=each.certificate, names=", ".join(sorted(same)))
    return True, say("a certificate for each")


@cache
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
    return [(name,) for name in READ[record.entry.kind] if stated_instead(record, name) is None]


def _measured(held: Held, _: Limit) -> Found:
    own = held.case.instruments(held.entry)
    wanted = list(dict.fromkeys(_wanted(held.record)))
    lacking = [
        say(names[0])
        for names in wanted
        if not any(measures(each, n) for each in own for n in names)
    ]
    if lacking:
        words = later(
            "no instrument of the record measures: {names}; name it in the record, or say so in "
            "its 'measures'"
        )
        return False, say(words, names=", ".join(lacking))
    for each in own:
        kinds = {OF_ONE_KIND.get(n, n): n for names in wanted for n in names if measures(each, n)}
        if len(kinds) > MOST_KINDS or (len(kinds) > 1 and "counts" in kinds):
            listed = ", ".join(say(name) for name in kinds.values())
            words = later("{name} measures {listed}: name the instrument of each")
            return False, say(words, name=each.id, listed=listed)
    if not wanted:
        return "does not apply", say("nothing was read from an instrument")
    return True, say("measured: {names}", names=", ".join(say(names[0]) for names in wanted))


OF_ONE_KIND = {"injection flow": "flow", "volume rate": "flow", "differential pressure": "pressure"}
"""Measurands that an instrument for another of the same kind may measure."""
MOST_KINDS = 2
"""Unlike kinds of reading that one instrument may stand for in a record; counts stand alone."""


def _looked_at(record: Record) -> bool:
    table = record.table
    return isinstance(table, InspectionTable) and not any(unit.strip() for unit in table.unit)


def _agreed(held: Held, _: Limit) -> Found:
    agreed, tested = held.case.application.decision_rule.agreed, held.entry.tested
    return agreed <= tested, say("agreed {agreed}, tested {tested}", agreed=agreed, tested=tested)


DESTROY = frozenset({"burst pressure", "collapse pressure", "pulse cycles", "vibration hours"})
"""Measurements that leave no specimen for a later test: broken, or tired."""
AFTER_LOADING = ("collapse pressure", "valve leakage")
"""Measurements that a loaded specimen may serve: a collapse goes on where the loading ended."""
RUN = later("multi-pass run")
SWEEP = later("flow sweep")
KINDS = {"multipass": RUN, "pressure_drop": SWEEP}


@dataclass(frozen=True, slots=True)
class _Test:
    """One test of one specimen."""

    record: str
    what: str
    """Column of the measurement, or the kind of record."""
    specimen: str
    path: str
    """Path of the filter that was tested; empty for the whole of it."""
    began: date

    @property
    def uses_up(self) -> bool:
        return self.what in DESTROY or self.what == RUN

    def spoils(self, later_test: "_Test") -> bool:
        """Return whether the specimen was no longer new for another test of it, if that came later.

        A run loads the path it was made on; its own sweep, and two results of one thing, have rules
        of their own.
        """
        if self.what == RUN:
            return not later_test.path and later_test.what not in AFTER_LOADING
        return self.what in DESTROY and self.what != later_test.what

    def before(self, other: "_Test") -> bool:
        """Return whether this test came first; of one day, what leaves a specimen new does."""
        return self.began < other.began or (self.began == other.began and other.uses_up)


def _new(held: Held, _: Limit) -> Found | None:
    """Ask whether an earlier test had used up a specimen; nothing where no test needs a new one."""
    side, own = held.entry.filter, list(_tests(held.case, held.record))
    if not own:
        return None
    others = [
        test
        for each in held.case.records
        if each.entry.filter == side and each is not held.record
        for test in _tests(held.case, each)
    ]
    words = later("{specimen}: used up by the {what} of record {record}, {day}")
    wrong = [
        say(words, specimen=test.specimen, what=say(by.what), record=by.record, day=by.began)
        for test in own
        for by in (*others, *own)
        if by is not test and by.specimen == test.specimen and by.spoils(test) and by.before(test)
    ]
    return not wrong, "; ".join(dict.fromkeys(wrong)) or say("no earlier test used it up")


def _tests(case: Case, record: Record) -> Iterator[_Test]:
    entry, table = record.entry, record.table
    if entry.kind in KINDS:
        path = case.application.circuit.path_of(entry.path)
        yield _Test(record.id, KINDS[entry.kind], entry.specimen or "", path, entry.tested)
    elif isinstance(table, MeasurementTable):
        for name in table.names:
            for specimen in filter(None, record.specimens):
                yield _Test(record.id, name, specimen, "", entry.tested)


INSTRUMENTS: Rules = {
    "calibration in date": _by_instruments(_calibration),
    "calibration interval": _by_instruments(_interval),
    "certificate named": _by_instruments(_certificate),
    "instrument for each reading": _measured,
    "rule agreed before the test": _agreed,
}
BEFORE: Rules = {"new specimen": _new}
TIME = "time for each run"
"""The rule that asks whether a rig can have made all its runs of a day."""


def hurried(
    case: Case, runs: Sequence[tuple[Record, MultipassResult]], limits: Limits
) -> Mapping[str, str]:
    """Return record -> how much was run on its rig on its days, in words, where that is too much.

    A run takes as long as its rows say, and the time to prepare it.
    """
    rigs = rigs_of(case, [record.entry for record, _ in runs], "counts")
    found: dict[str, str] = {}
    for record, _ in runs:
        limit = limits.find(TIME, "multipass", record.entry.standard)
        if limit is None:
            continue
        alike = (run for run in runs if rigs[run[0].id] == rigs[record.id])
        own = [run for run in alike if _within(record, run[0])]
        hours = sum(result.end_time / 3600.0 + limit.tolerance for _, result in own)
        first, last = _days(record)
        if hours > limit.value * ((last - first).days + 1):
            names = ", ".join(each.id for each, _ in own)
            words = later("{hours:.1f} h of work on one rig from {first} to {last}: {names}")
            found[record.id] = say(words, hours=hours, first=first, last=last, names=names)
    return found


def _days(record: Record) -> tuple[date, date]:
    return record.entry.tested, record.entry.finished or record.entry.tested


def _within(record: Record, other: Record) -> bool:
    first, last = _days(record)
    return first <= _days(other)[0] and _days(other)[1] <= last
