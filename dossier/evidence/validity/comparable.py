"""Were both filters tested alike?  Only then is one set against the other."""

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from dossier.case.case import Record
from dossier.case.records import MeasurementTable
from dossier.evidence.bench import Bench
from dossier.evidence.records.fluid import kinematic_at
from dossier.evidence.records.reduced import MultipassResult
from dossier.evidence.registry import Quantity
from dossier.evidence.validity.standards import read_as
from dossier.words import later, say

Unit = tuple[str, float]
FLOW: Unit = ("L/min", 6e4)
PRESSURE: Unit = ("kPa", 1e-3)
VISCOSITY: Unit = ("mm²/s", 1e6)
LEVEL: Unit = ("mg/L", 1e3)
"""Printed units, and how many of them are one working unit."""
NAMES = {
    "test flow": later("test flow"),
    "terminal": later("terminal differential pressure"),
    "base level": later("base upstream level"),
    "viscosity": later("viscosity of the test fluid"),
    "criterion flow": later("flow at which the valve counts as open"),
}
MULTIPASS: tuple[tuple[str, Unit, Callable[[MultipassResult], float]], ...] = (
    ("test flow", FLOW, lambda run: run.flow),
    ("terminal", PRESSURE, lambda run: run.terminal),
    ("base level", LEVEL, lambda run: run.base_level),
    ("viscosity", VISCOSITY, lambda run: run.viscosity / run.density),
)
Value = TypeVar("Value", str, float)
Told = tuple[str, str, Value | None]
"""Side, record and value [working unit] or words, None where it is not stated."""


def difference(bench: Bench, quantity: Quantity) -> str:
    """Return in what the tests of the two filters differ, both values with it, or an empty string.

    A multi-pass result depends on flow, terminal, base level, dust and viscosity of its test; flow
    sweeps are carried to one oil and flow, and so compare as they are; a valve's result depends on
    viscosity and criterion flow, and what is measured once on its method.  Where a valve's record
    only says how low it may open, nothing is compared by it.
    """
    found: list[Iterator[str]] = []
    if "multipass" in quantity.records:
        found.append(_multipass(bench))
    if quantity.records == ("bypass_valve",):
        found.append(_valves(bench))
    if quantity.records == ("measurement",):
        found.append(_methods(bench, quantity))
    return next((words for each in found for words in each), "")


def _multipass(bench: Bench) -> Iterator[str]:
    entries = {record.id: record.entry for record in bench.case.records}
    for path in ("full_flow", "fine"):
        runs = [run for run in bench.multipass if run.path == path]
        for name, unit, of in MULTIPASS:
            yield from _apart(bench, name, unit, [(r.side, r.record, of(r)) for r in runs])
        dusts = [(r.side, r.record, entries[r.record].conditions.dust) for r in runs]
        kinds = [(side, record, dust.kind if dust else "") for side, record, dust in dusts]
        yield from _unlike(say("test dust"), kinds)


def other_batch(bench: Bench) -> str:
    """Return that a run of each filter is not known to be with one batch of dust; else empty.

    Batches of one dust differ within the limits of its standard, and capacity follows them.
    """
    words, entries = say("batch of the test dust"), bench.entries
    for path in ("full_flow", "fine"):
        runs = [run for run in bench.multipass if run.path == path]
        dusts = [(run.side, run.record, entries[run.record].conditions.dust) for run in runs]
        batches = [(side, record, dust.known_batch if dust else "") for side, record, dust in dusts]
        for difference in _unlike(words, batches):
            return difference
    return ""


def other_method(bench: Bench, quantity: Quantity) -> str:
    """Return that records of the two filters name another method or edition of it; else empty.

    An inspection goes by a plan of the house, for which there is no known method.
    """
    records = [
        r for kind in quantity.records if kind != "inspection" for r in _records(bench, kind)
    ]
    methods = bench.limits.methods
    for kind, path in sorted({(r.entry.kind, r.entry.path) for r in records}):
        told = [
            (r.entry.filter, r.id, str(read_as(r.entry.standard, methods) or r.entry.standard))
            for r in records
            if (r.entry.kind, r.entry.path) == (kind, path)
            and (kind != "measurement" or _measures(r, quantity))
        ]
        for words in _unlike(say("method"), told):
            return words
    return ""


def _valves(bench: Bench) -> Iterator[str]:
    records = _records(bench, "bypass_valve")
    thick = [(r.entry.filter, r.id, _viscosity(bench, r)) for r in records]
    yield from _apart(bench, "viscosity", VISCOSITY, thick)
    criteria = [(r.entry.filter, r.id, r.entry.conditions.criterion_flow) for r in records]
    yield from _apart(bench, "criterion flow", FLOW, criteria)


def _viscosity(bench: Bench, record: Record) -> float | None:
    entry = record.entry
    if entry.fluid is None or entry.conditions.temperature is None:
        return None
    try:
        return kinematic_at(bench.case.fluid(entry.fluid), entry.conditions.temperature)
    except ValueError:
        return None


def _methods(bench: Bench, quantity: Quantity) -> Iterator[str]:
    records = [r for r in _records(bench, "measurement") if _measures(r, quantity)]
    yield from _unlike(
        say("method"), [(r.entry.filter, r.id, r.entry.standard.partition(":")[0]) for r in records]
    )


def _measures(record: Record, quantity: Quantity) -> bool:
    names = record.table.names if isinstance(record.table, MeasurementTable) else ()
    return any(name.replace("-", "_").replace(" ", "_") == quantity.name for name in names)


def _records(bench: Bench, kind: str) -> list[Record]:
    return [
        record
        for record in bench.case.records
        if record.entry.kind == kind and record.id not in bench.excluded
    ]


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


def _apart(bench: Bench, name: str, unit: Unit, told: Sequence[Told[float]]) -> Iterator[str]:
    """Yield each pair of the two filters whose values differ by more than the tolerance."""
    limit, words = bench.limits.comparable[name], say(NAMES[name])

    def differ(record: str, own: float, other: str, theirs: float) -> str:
        if abs(own - theirs) <= limit.value * min(own, theirs):
            return ""
        return say(
            "{name} {own:.4g} {unit} in record {record} and {theirs:.4g} {unit} in record "
            "{other}, more than {share:.3g} % apart ({clause}; {mark})",
            name=words, own=own * unit[1], theirs=theirs * unit[1], unit=unit[0],
            record=record, other=other, share=100 * limit.value,
            clause=say(limit.clause), mark=say(limit.mark),
        )  # fmt: skip

    return _pairs(words, told, differ)


def _unlike(name: str, told: Sequence[Told[str]]) -> Iterator[str]:
    """Yield each pair of the two filters whose words differ but for blanks and capitals."""

    def differ(record: str, own: str, other: str, theirs: str) -> str:
        if "".join(own.split()).casefold() == "".join(theirs.split()).casefold():
            return ""
        return say(
            "{name} {own} in record {record} and {theirs} in record {other}",
            name=name, own=own, record=record, theirs=theirs, other=other,
        )  # fmt: skip

    return _pairs(name, [(side, record, words or None) for side, record, words in told], differ)
