"""Rules of what came before: was each specimen still new, and was there time for each run."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case, Record
from dossier.case.records import MeasurementTable
from dossier.evidence.limits import Limits
from dossier.evidence.records.measured import specimens_of
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.statistics.between import rigs_of
from dossier.evidence.validity.check import Check
from dossier.evidence.validity.rules import Verdicts, apply_rules
from dossier.words import later, say

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


def specimen_checks(case: Case, record: Record, limits: Limits) -> Iterator[Check]:
    """Yield the check of a record of tests that need new specimens; none for others."""
    if any(_tests(case, record)):
        yield from apply_rules(limits, record, {"new specimen": lambda _: _new(case, record)})


def _new(case: Case, record: Record) -> Verdicts:
    """Ask whether an earlier test had used up a specimen of this record."""
    side = record.entry.filter
    others = [
        test
        for each in case.records
        if each.entry.filter == side and each is not record
        for test in _tests(case, each)
    ]
    own = list(_tests(case, record))
    wrong = [
        say(
            "{specimen}: used up by the {what} of record {record}, {day}",
            specimen=test.specimen, what=say(other.what), record=other.record, day=other.began,
        )
        for test in own
        for other in (*others, *own)
        if other is not test
        and other.specimen == test.specimen
        and other.spoils(test)
        and other.before(test)
    ]  # fmt: skip
    return Verdicts(not wrong, "; ".join(dict.fromkeys(wrong)) or say("no earlier test used it up"))


def _tests(case: Case, record: Record) -> Iterator[_Test]:
    entry, table = record.entry, record.table
    if entry.kind in KINDS:
        path = case.application.circuit.path_of(entry.path)
        yield _Test(record.id, KINDS[entry.kind], entry.specimen or "", path, entry.tested)
    elif isinstance(table, MeasurementTable):
        for name in table.names:
            for specimen in filter(None, specimens_of(record)):
                yield _Test(record.id, name, specimen, "", entry.tested)


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
        own = [
            run for run in runs if rigs[run[0].id] == rigs[record.id] and _within(record, run[0])
        ]
        if limit is None:
            continue
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
