"""Which evidence of the dossier before a change leaves standing, and which it has tested anew."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

from dossier.case.case import Case, Record
from dossier.case.compared import Source, kind_of
from dossier.case.model import Qualification, RecordEntry
from dossier.case.problems import CaseProblem
from dossier.case.records import MeasurementTable
from dossier.evidence.limits import Limits
from dossier.evidence.registry import Quantity

ANEW = "test it anew on the changed filter"


def reopening(case: Qualification, limits: Limits) -> dict[str, tuple[str, ...]]:
    """Return kind of record, or measured column, of the candidate -> what changed and reopens it.

    Empty where the case names no change of the filter.
    """
    found = dict[str, tuple[str, ...]]()
    for what in case.remade:
        for each in limits.reopened[what]:
            found[each] = (*found.get(each, ()), what)
    return found


def reopens(quantity: Quantity, reopened: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """Return which changes reopen a quantity."""
    whats = (what for each in needs(quantity) for what in reopened.get(each, ()))
    return tuple(dict.fromkeys(whats))


def needs(quantity: Quantity) -> tuple[str, ...]:
    """Return the kinds of record, and the column of measurements, that a quantity rests on."""
    column = quantity.name.replace("_", " ").replace("anti drain", "anti-drain")
    return *quantity.records, column


def still_standing(case: Case, limits: Limits) -> Case:
    """Return the case without the carried columns that are reopened, beside others that are not."""
    reopened = reopening(case.qualification, limits)
    records = tuple(
        _without(each, set(reopened)) if _carried_candidate(case, each) else each
        for each in case.records
    )
    return replace(case, records=records)


def _carried_candidate(case: Case, record: Record) -> bool:
    return record.entry.filter == "candidate" and case.source(record.id) is not None


def _without(record: Record, reopened: set[str]) -> Record:
    table = record.table
    if not isinstance(table, MeasurementTable) or reopened.isdisjoint(table.names):
        return record
    kept = [n for n, name in enumerate(table.names) if name not in reopened]
    columns = ("names", "values", "bounds", "units")
    parts = {key: tuple(getattr(table, key)[n] for n in kept) for key in columns}
    return replace(record, table=replace(table, **parts))


def reopened_problems(case: Case, limits: Limits) -> Iterator[CaseProblem]:
    """Yield carried records that a change reopens, and evidence that is left out beside others."""
    reopened = reopening(case.qualification, limits)
    own = (record for record in case.records if record.entry.filter == "candidate")
    gone = {record.id: record for record in own if _reopened(record, reopened)}
    for record in gone.values():
        if _carried_candidate(case, record):
            shows = _shows(record)
            changed = dict.fromkeys(each for what in shows for each in reopened[what])
            what = f"carries {record.id} ({', '.join(shows)}), reopened by: {', '.join(changed)}"
            yield CaseProblem("case.toml", "carried . records", what, ANEW)
    counting = [record.entry for record in case.records if record.id not in gone]
    for source in case.carried:
        yield from left_out(case.qualification, source, counting)


def left_out(
    case: Qualification, source: Source, counting: Sequence[RecordEntry]
) -> Iterator[CaseProblem]:
    """Yield records of a source that lack, though one of their kind is among those `counting`."""
    issued = case.issued or date.min
    over = {name for each in source.case.carried if each.until < issued for name in each.records}
    kinds = {kind_of(each): each.id for each in reversed(counting)}
    for entry in source.case.record:
        beside = kinds.get(kind_of(entry))
        if beside is None or entry.id in source.records | over:
            continue  # of a kind of which nothing counts, nothing is chosen
        what = f"leaves out {entry.id} of {source.name}, though {beside} of its kind counts"
        hint = "carry it as well: nobody chooses among the evidence"
        yield CaseProblem("case.toml", "carried . records", what, hint)


def _reopened(record: Record, reopened: Mapping[str, tuple[str, ...]]) -> bool:
    """Return whether all that a record shows is reopened."""
    return all(what in reopened for what in _shows(record))


def _shows(record: Record) -> tuple[str, ...]:
    """Return the kind of a record, or the columns of one of measurements."""
    table = record.table
    return table.names if isinstance(table, MeasurementTable) else (record.entry.kind,)
