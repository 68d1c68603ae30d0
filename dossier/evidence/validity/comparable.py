"""Were both filters tested alike?  Only then is one set against the other."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import TypeVar

from dossier.case.case import Record
from dossier.case.fields import Dust
from dossier.case.records import MeasurementTable
from dossier.evidence.bench import Bench
from dossier.evidence.limits import international
from dossier.evidence.records.fluid import tested_viscosity
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.registry import Quantity
from dossier.words import later, say

CONDITIONS: Mapping[str, tuple[str, str, float]] = {
    "test flow": (later("test flow"), "L/min", 6e4),
    "terminal": (later("terminal differential pressure"), "kPa", 1e-3),
    "base level": (later("base upstream level"), "mg/L", 1e3),
    "viscosity": (later("viscosity of the test fluid"), "mm²/s", 1e6),
    "criterion flow": (later("flow at which the valve counts as open"), "L/min", 6e4),
}
"""Conditions as printed, each with its unit, and how many of these are one working unit."""
OF_RUN: Mapping[str, Callable[[MultipassResult], float]] = {
    "test flow": lambda run: run.flow,
    "terminal": lambda run: run.terminal,
    "base level": lambda run: run.base_level,
    "viscosity": lambda run: run.viscosity / run.density,
}
PATHS = ("full_flow", "fine")
Value = TypeVar("Value", str, float)
Told = tuple[str, str, Value | None]
"""Side, record and value [working unit] or words, None where it is not stated."""


def unlike_tests(bench: Bench, quantity: Quantity) -> str:
    """Return in what the tests of the two filters differ, both values with it, or an empty string.

    A multi-pass result depends on flow, terminal, base level, dust and viscosity of its test; flow
    sweeps are carried to one oil and flow, and so compare as they are; a valve's result depends on
    viscosity and criterion flow, and what is measured once on its method.  Where a valve's record
    only says how low it may open, nothing is compared by it.
    """
    found: Iterator[str] = iter(())
    if "multipass" in quantity.records:
        found = _multipass(bench)
    elif quantity.records == ("bypass_valve",):
        found = _valves(bench, _records(bench, quantity))
    elif quantity.records == ("measurement",):
        records = _records(bench, quantity)
        methods = [(r.entry.filter, r.id, r.entry.standard.partition(":")[0]) for r in records]
        found = _unlike(say("method"), methods)
    return next(found, "")


def _multipass(bench: Bench) -> Iterator[str]:
    for path in PATHS:
        runs = [run for run in bench.multipass if run.path == path]
        for name, of in OF_RUN.items():
            yield from _apart(bench, name, [(r.side, r.record, of(r)) for r in runs])
        yield from _dusts(bench, path, say("test dust"), lambda dust: dust.kind)


def other_batch(bench: Bench) -> str:
    """Return that a run of each filter is not known to be with one batch of dust; else empty.

    Batches of one dust differ within the limits of its standard, and capacity follows them.
    """
    words = say("batch of the test dust")
    found = (_dusts(bench, path, words, lambda dust: dust.known_batch) for path in PATHS)
    return next((words for each in found for words in each), "")


def _dusts(bench: Bench, path: str, name: str, of: Callable[[Dust], str]) -> Iterator[str]:
    """Yield how the dust of the runs on one path differs, by the words that `of` gives of it."""
    runs = [run for run in bench.multipass if run.path == path]
    dusts = [(run, bench.entries[run.record].conditions.dust) for run in runs]
    return _unlike(name, [(run.side, run.record, of(dust) if dust else "") for run, dust in dusts])


def other_method(bench: Bench, quantity: Quantity) -> str:
    """Return that records of the two filters name another method or edition of it; else empty.

    An inspection goes by a plan of the house, for which there is no known method.
    """
    tests: dict[tuple[str, str], list[Told[str]]] = {}
    for r in _records(bench, quantity):
        told = (r.entry.filter, r.id, _method(bench, r))
        tests.setdefault((r.entry.kind, r.entry.path), []).append(told)
    found = (_unlike(say("method"), each) for _, each in sorted(tests.items()))
    return next((words for each in found for words in each), "")


def _method(bench: Bench, record: Record) -> str:
    standard = record.entry.standard
    return str(international(standard, bench.limits.methods) or standard)


def _valves(bench: Bench, records: Sequence[Record]) -> Iterator[str]:
    thick = [(r.entry.filter, r.id, _viscosity(bench, r)) for r in records]
    yield from _apart(bench, "viscosity", thick)
    criteria = [(r.entry.filter, r.id, r.entry.conditions.criterion_flow) for r in records]
    yield from _apart(bench, "criterion flow", criteria)


def _viscosity(bench: Bench, record: Record) -> float | None:
    with suppress(ValueError):
        return tested_viscosity(bench.case, record.entry)
    return None


def _records(bench: Bench, quantity: Quantity) -> list[Record]:
    """Return the records that a quantity rests on, inspections aside."""
    kinds = [kind for kind in quantity.records if kind != "inspection"]
    every = [each for kind in kinds for each in bench.case.of_kind(kind)]
    return [each for each in every if each.id not in bench.excluded and _shows(each, quantity)]


def _shows(record: Record, quantity: Quantity) -> bool:
    """Return whether a record has what a quantity rests on: of measurements, its column."""
    if not isinstance(record.table, MeasurementTable):
        return True
    names = {name.replace("-", "_").replace(" ", "_") for name in record.table.names}
    return quantity.name in names


def _pairs(
    name: str, told: Sequence[Told[Value]], differ: Callable[[str, Value, str, Value], str]
) -> Iterator[str]:
    """Yield how each pair of the two filters differs, as `differ` says, and what is not stated."""
    if len({side for side, _, _ in told}) < 2:
        return
    for side, record, own in told:
        if own is None:
            yield say("{name} is not stated in record {record}", name=name, record=record)
            continue
        for other_side, other, theirs in told:
            if (side, other_side) == ("candidate", "reference") and theirs is not None:
                yield from filter(None, [differ(record, own, other, theirs)])


def _apart(bench: Bench, condition: str, told: Sequence[Told[float]]) -> Iterator[str]:
    """Yield each pair of the two filters whose values differ by more than the tolerance."""
    limit, (printed, unit, scale) = bench.limits.comparable[condition], CONDITIONS[condition]
    name, clause, mark = say(printed), say(limit.clause), say(limit.mark)
    words = later(
        "{name} {own:.4g} {unit} in record {record} and {theirs:.4g} {unit} in record "
        "{other}, more than {share:.3g} % apart ({clause}; {mark})"
    )

    def differ(record: str, own: float, other: str, theirs: float) -> str:
        if abs(own - theirs) <= limit.value * min(own, theirs):
            return ""
        said = {"record": record, "other": other, "name": name, "clause": clause, "mark": mark}
        own, theirs, share = own * scale, theirs * scale, 100 * limit.value
        return say(words, own=own, theirs=theirs, unit=unit, share=share, **said)

    return _pairs(name, told, differ)


def _unlike(name: str, told: Sequence[Told[str]]) -> Iterator[str]:
    """Yield each pair of the two filters whose words differ but for blanks and capitals."""
    words = later("{name} {own} in record {record} and {theirs} in record {other}")

    def differ(record: str, own: str, other: str, theirs: str) -> str:
        if "".join(own.split()).casefold() == "".join(theirs.split()).casefold():
            return ""
        return say(words, name=name, own=own, record=record, theirs=theirs, other=other)

    return _pairs(name, [(side, record, words or None) for side, record, words in told], differ)
