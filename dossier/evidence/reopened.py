"""Which evidence of the dossier before a change leaves standing, and which it has tested anew."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from dossier.case.application import Application
from dossier.case.case import Case, Record
from dossier.case.compared import Source
from dossier.case.problems import CaseProblem
from dossier.case.records import MeasurementTable
from dossier.case.whole import tables
from dossier.evidence.limits import Limits
from dossier.evidence.registry import Quantity

ANEW = "test it anew on the changed filter"


def reopening(case: Case, limits: Limits) -> dict[str, tuple[str, ...]]:
    """Return kind of record, or measured column, of the candidate -> what changed and reopens it.

    Empty where the case names no change of the filter.
    """
    change, found = case.qualification.change, dict[str, tuple[str, ...]]()
    for what in change.of_filter if change else ():
        for each in limits.reopened[what]:
            found[each] = (*found.get(each, ()), what)
    return found


def reopens(quantity: Quantity, reopened: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """Return which changes reopen a quantity: by the records, or the column, that it rests on."""
    behind = [
        *quantity.records,
        quantity.name.replace("_", " ").replace("anti drain", "anti-drain"),
    ]
    return tuple(dict.fromkeys(what for each in behind for what in reopened.get(each, ())))


def still_standing(case: Case, limits: Limits) -> Case:
    """Return the case without the carried columns that are reopened, beside others that are not."""
    reopened = reopening(case, limits)
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
    parts = {key: tuple(getattr(table, key)[n] for n in kept)
             for key in ("names", "values", "bounds", "units")}  # fmt: skip
    return replace(record, table=replace(table, **parts))


def reopened_problems(case: Case, limits: Limits) -> Iterator[CaseProblem]:
    """Yield carried records that a change reopens, and evidence that is left out beside others."""
    reopened = reopening(case, limits)
    for record in case.records:
        table = record.table
        whats = table.names if isinstance(table, MeasurementTable) else (record.entry.kind,)
        if _carried_candidate(case, record) and all(what in reopened for what in whats):
            changed = dict.fromkeys(each for what in whats for each in reopened[what])
            what = f"carries {record.id} ({', '.join(whats)}), reopened by: {', '.join(changed)}"
            yield CaseProblem("case.toml", "carried . records", what, ANEW)
    for source in case.carried:
        yield from _left_out(case, source, reopened)


def _left_out(
    case: Case, source: Source, reopened: Mapping[str, tuple[str, ...]]
) -> Iterator[CaseProblem]:
    """Yield records that lack beside those carried of their kind, or tested anew without need."""
    ends, issued = source.ends(), case.qualification.issued
    counting: dict[tuple[str, ...], str] = {}
    for each in case.records:
        counting.setdefault(_kind(each.entry, case.application), each.id)
    for record in tables(source.document, "record"):
        name, kind = str(record.get("id")), _kind(record, case.application)
        end = ends.get(name)
        over = end is not None and issued is not None and end < issued
        anew = record.get("filter") == "candidate" and record.get("kind") in reopened
        if name in source.records or over or anew or kind not in counting:
            continue
        if kind[0] == "measurement" and _all_anew(case, kind, reopened):
            continue
        what = f"leaves out {name} of {source.name}, though {counting[kind]} of its kind counts"
        hint = "carry it as well: nobody chooses among the evidence"
        yield CaseProblem("case.toml", "carried . records", what, hint)


def _kind(entry: Any, application: Application) -> tuple[str, ...]:
    """Return what tells kinds of evidence apart, of a record or of its table in case.toml."""
    told = entry.get if isinstance(entry, Mapping) else lambda key, _="": getattr(entry, key)
    path = application.circuit.path_of(told("path", "full_flow"))
    method = str(told("standard", "")).partition(":")[0]
    kind = str(told("kind", ""))
    return kind, str(told("filter", "")), path, method if kind == "measurement" else ""


def _all_anew(case: Case, kind: tuple[str, ...], reopened: Mapping[str, tuple[str, ...]]) -> bool:
    """Return whether all that counts of a kind of measurement is reopened, and tested anew."""
    own = [r.table for r in case.records if _kind(r.entry, case.application) == kind]
    return kind[1] == "candidate" and all(
        isinstance(table, MeasurementTable) and set(table.names) <= set(reopened) for table in own
    )
