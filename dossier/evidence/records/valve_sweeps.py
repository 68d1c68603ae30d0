"""The bypass valve's sweeps, a specimen each, and what is read from them without extrapolation."""

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from dossier.case.case import Record
from dossier.case.records import ValveTable
from dossier.evidence.bench import Bench
from dossier.evidence.records.instruments import absolute_accuracy
from dossier.evidence.records.readings import Effect, Reading, accounted, estimate_of
from dossier.evidence.records.usable import usable_records
from dossier.evidence.spoken import Side, number_text
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.physics import valve
from dossier.physics.values import Bound, Floats
from dossier.words import later, say

Branch = tuple[Floats, Floats]
"""Differential pressure (n,) [Pa] and flow (n,) [m3/s], in the order measured."""
STEP_NAME = later("step from row to row of each sweep")
OF_THE_SWEEPS = {
    "differential pressure": later("differential pressure of the valve sweeps"),
    "flow": later("flow of the valve sweeps"),
}
"""What the instruments of a valve sweep contribute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveSweep:
    """Rising and falling sweep of one specimen."""

    record: Record
    specimen: str
    rising: Branch
    falling: Branch


@dataclass(frozen=True, slots=True)
class Read:
    """A value read from a sweep, and the step between rows there."""

    value: float
    bound: Bound = ""
    step: float = 0.0
    """Change of the value between the two rows that it lies between [its unit]."""


Reader = Callable[[ValveSweep, float], Read]
"""Reads one result from a sweep at a flow [m3/s] or a differential pressure [Pa]."""


def sweeps_of(record: Record) -> Iterator[ValveSweep]:
    """Yield the sweeps of a bypass valve record, one for each specimen that its rows name."""
    table = record.table
    if not isinstance(table, ValveTable):
        return
    names = np.array(record.specimens)
    for name in dict.fromkeys(record.specimens):
        own = names == name
        rising, falling = valve.sweep_branches(
            table.pressure_drop[own], table.flow[own], table.rising[own]
        )
        yield ValveSweep(record=record, specimen=name, rising=rising, falling=falling)


def usable_valves(bench: Bench, side: Side) -> tuple[ValveSweep, ...]:
    """Return the valve sweeps of one filter that carry a result."""
    records = usable_records(bench, side, "bypass_valve", lambda _: True, say("a sweep"))
    found = tuple(sweep for record in records for sweep in sweeps_of(record))
    accounted(bench, side, found, lambda record: (s.specimen for s in sweeps_of(record)))
    return found


def criterion(sweeps: Sequence[ValveSweep]) -> float:
    """Return the flow [m3/s] at which the valves counted as open: the same for all of them."""
    flows = {}
    for sweep in sweeps:
        stated = sweep.record.entry.conditions.criterion_flow
        if stated is None or not stated > 0:
            words = later(
                "record {record} states no criterion flow above zero: the flow at which the valve "
                "counts as open or as reseated, among the record's conditions"
            )
            raise NotDemonstrated(say(words, record=sweep.record.id), (sweep.record.id,))
        flows[sweep.record.id] = stated
    if max(flows.values()) > min(flows.values()) * (1.0 + 1e-9):
        printed = {name: number_text(each * 6e4, ".4g") for name, each in flows.items()}
        told = ", ".join(f"{name}: {flow} L/min" for name, flow in printed.items())
        words = later("the records state different criterion flows ({flows}): no common result")
        raise NotDemonstrated(say(words, flows=told), tuple(flows))
    return next(iter(flows.values()))


Result = Literal["pressure", "flow"]


def from_sweeps(
    bench: Bench, side: Side, read: Reader, *, result: Result, at: float | None = None
) -> Estimate:
    """Return the estimate of the `result` that `read` takes from each specimen's sweeps.

    A pressure [Pa] is read at a flow `at` [m3/s], the record's criterion flow if None; a flow at a
    pressure.  A result outside the sweep, or a sweep that cannot be read, is not demonstrated.
    """
    sweeps, notes = usable_valves(bench, side), []
    if at is None:
        at = criterion(sweeps)
        words = later("counted at a flow of {flow:.4g} L/min, the record's criterion")
        notes.append(say(words, flow=at * 6e4))
    readings = [_reading(bench, sweep, read, result, at) for sweep in sweeps]
    return estimate_of(bench, readings, own_name=STEP_NAME, notes=notes)


def _reading(bench: Bench, sweep: ValveSweep, read: Reader, result: Result, at: float) -> Reading:
    entry, record = sweep.record.entry, sweep.record
    direct, other = ("differential pressure", "flow")[:: 1 if result == "pressure" else -1]
    try:
        found = read(sweep, at)
        known = absolute_accuracy(bench.case, bench.limits, entry, (direct,), found.value)
        effects = [Effect(OF_THE_SWEEPS[direct], known.u, known)]
        if not found.bound:
            known = absolute_accuracy(bench.case, bench.limits, entry, (other,), at)
            changed = _change(sweep, read, at, found, known.u)
            effects.append(Effect(OF_THE_SWEEPS[other], changed, known))
    except ValueError as error:
        words = later("record {record}, specimen {specimen}: {error}")
        reason = say(words, record=record.id, specimen=sweep.specimen, error=error)
        raise NotDemonstrated(reason, (record.id,)) from None
    reading = Reading(
        record=record, specimen=sweep.specimen, value=found.value, effects=tuple(effects)
    )
    return replace(reading, bound=found.bound, own=found.step / math.sqrt(12.0))


def _change(sweep: ValveSweep, read: Reader, at: float, found: Read, u: float) -> float:
    """Return the larger change of the result when read at `at` - u and + u.

    A shift that leads out of the sweep shows nothing; the other one then stands (JCGM 100:2008,
    5.1.3, note 2).
    """
    changes = []
    for shifted in (at - u, at + u):
        with suppress(ValueError):
            other = read(sweep, shifted)
            changes += [] if other.bound else [abs(other.value - found.value)]
    if not changes:
        raise ValueError(say("the sweep is shorter than the uncertainty of its readings"))
    return max(changes)


def opening_from_sweep(sweep: ValveSweep, flow: float) -> Read:
    """Return the opening pressure [Pa] at the criterion `flow` [m3/s], from the rising sweep."""
    p, q = sweep.rising
    value, bound = valve.opening_pressure(p, q, flow)
    return Read(value, bound, 0.0 if bound else step_at(q, p, flow))


def step_at(x: Floats, y: Floats, at: float) -> float:
    """Return the largest change of y between two rows that `at` lies between; 0 at a row itself.

    Between two rows the result may lie anywhere: a rectangular distribution of that width.
    """
    low, high = np.minimum(x[:-1], x[1:]), np.maximum(x[:-1], x[1:])
    steps = np.abs(np.diff(y))[(low < at) & (at < high)]
    return float(steps.max()) if steps.size else 0.0


def accept_inside(x: Floats, at: float, name: str, unit: str, factor: float) -> None:
    """Raise ValueError, in the printed `unit`, where `at` lies outside the rows of a sweep.

    `factor` is printed units per working unit.
    """
    if x.size >= 2 and x.min() <= at <= x.max():
        return
    place: dict[str, Any] = {"name": say(name), "at": at * factor, "unit": unit}
    if not x.size:
        words = later("{name} {at:.4g} {unit} lies outside the sweep, which has no rows")
        raise ValueError(say(words, **place))
    words = later(
        "{name} {at:.4g} {unit} lies outside the sweep, {low:.4g} to {high:.4g} {unit}; nothing is "
        "extrapolated"
    )
    raise ValueError(say(words, low=x.min() * factor, high=x.max() * factor, **place))
