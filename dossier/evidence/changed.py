"""A bench on which one input is another, all else and the validity of the records as it is.

What was measured is another on the candidate alone: the filter now fitted stays as it was found.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from dossier.case.fields import SIDES, Measured
from dossier.case.records import InspectionTable, MeasurementTable, Table, ValveTable
from dossier.evidence.bench import Bench
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.registry import Quantity
from dossier.physics.pressure_drop import PressureDropFit


def ingression(bench: Bench, factor: float) -> Bench:
    """Return the bench with `factor` times the contaminant reaching the filter [-]."""
    stated = bench.case.application.duty.ingression
    return _asked(bench, "duty", ingression=stated and _times(stated, factor))


def viscosity(bench: Bench, factor: float) -> Bench:
    """Return the bench with an oil `factor` times as viscous [-] at 40 °C and at 100 °C."""
    oil = bench.case.application.oil
    return _asked(bench, "oil", kv40=_times(oil.kv40, factor), kv100=_times(oil.kv100, factor))


def flow(bench: Bench, factor: float) -> Bench:
    """Return the bench with `factor` times the flow of the circuit [-]."""
    circuit = bench.case.application.circuit
    pump = circuit.pump_flow and circuit.pump_flow * factor
    return _asked(bench, "circuit", rated_flow=circuit.rated_flow * factor, pump_flow=pump)


def opening(bench: Bench, factor: float) -> Bench:
    """Return the bench with a bypass valve that opens at `factor` times the pressure [-]."""
    valve = bench.case.application.circuit.bypass_valve
    if valve is not None and valve.opening is not None:
        band = {end: getattr(valve.opening, end) * factor for end in ("min", "max")}
        wider = {"opening": valve.opening.model_copy(update=band)}
        bench = _asked(bench, "circuit", bypass_valve=valve.model_copy(update=wider))
    return _read(bench, factor, (ValveTable,))


def counts(bench: Bench, factor: float) -> Bench:
    """Return the bench with `factor` times the particles counted downstream of candidates [-]."""

    def more(run: MultipassResult) -> MultipassResult:
        less = {name: getattr(run, name) / factor for name in ("ratio", "interval_ratio")}
        return replace(run, down=run.down * factor, raw_down=run.raw_down * factor, **less)

    return replace(bench, multipass=_candidates(bench.multipass, more))


def mass(bench: Bench, factor: float) -> Bench:
    """Return the bench with `factor` times the contaminant injected in every candidate [-]."""

    def more(run: MultipassResult) -> MultipassResult:
        held, add = run.balance, run.injected * (factor - 1.0)
        balance = held and held._replace(injected=held.injected + add, retained=held.retained + add)
        return replace(run, mass=run.mass * factor, injected=run.injected * factor, balance=balance)

    return replace(bench, multipass=_candidates(bench.multipass, more))


def pressure(bench: Bench, factor: float) -> Bench:
    """Return the bench with `factor` times the pressure in every flow sweep of a candidate [-]."""

    def fit(of: PressureDropFit) -> PressureDropFit:
        return replace(of, a=of.a * factor, b=of.b * factor, covariance=of.covariance * factor**2)

    def pair(of: tuple[float, float]) -> tuple[float, float]:
        return of[0] * factor, of[1] * factor

    def more(sweep: PressureDropResult) -> PressureDropResult:
        slopes: dict[str, Any] = {k: pair(getattr(sweep, k)) for k in ("per_flow", "per_kelvin")}
        slopes["per_viscosity"] = tuple(map(pair, sweep.per_viscosity))
        drop, alone = sweep.pressure_drop * factor, sweep.housing and fit(sweep.housing)
        whole = fit(sweep.assembly)
        return replace(sweep, pressure_drop=drop, assembly=whole, housing=alone, **slopes)

    return replace(bench, pressure=_candidates(bench.pressure, more))


def reading(bench: Bench, factor: float) -> Bench:
    """Return the bench with `factor` times what was read on candidates [-]: strength, lengths."""
    return _read(bench, factor, (ValveTable, MeasurementTable, InspectionTable), ("candidate",))


Made = TypeVar("Made", MultipassResult, PressureDropResult)


def _candidates(made: Sequence[Made], more: Callable[[Made], Made]) -> tuple[Made, ...]:
    return tuple(each if each.side == "reference" else more(each) for each in made)


Change = Callable[[Bench, float], Bench]
INPUTS: Mapping[str, Change] = {
    "ingression": ingression, "viscosity": viscosity, "flow": flow, "opening": opening,
    "counts": counts, "mass": mass, "pressure": pressure, "reading": reading,
}  # fmt: skip
"""Inputs by name: the first four of the application, the others of what was measured."""


def inputs_of(bench: Bench, quantity: Quantity) -> Iterator[str]:
    """Yield the inputs that a quantity may depend on, by the records that it is computed from."""
    rests_on, application = set(quantity.records), bench.case.application
    if quantity.dimension == "statement":
        return
    if {"multipass", "pressure_drop"} <= rests_on and application.duty.ingression is not None:
        yield "ingression"
    if "pressure_drop" in rests_on:
        yield from ("viscosity", "flow")
        if application.circuit.opening:
            yield "opening"
    if "multipass" not in rests_on:
        yield "pressure" if "pressure_drop" in rests_on else "reading"
    else:
        yield {"capacity": "mass", "pressure": "pressure"}.get(quantity.section, "counts")


def _asked(bench: Bench, part: str, **values: Any) -> Bench:
    application = bench.case.application
    changed = getattr(application, part).model_copy(update=values)
    own = application.model_copy(update={part: changed})
    return replace(bench, case=replace(bench.case, application=own))


def _times(measured: Measured, factor: float) -> Measured:
    u = None if measured.u is None else measured.u * factor
    return measured.model_copy(update={"value": measured.value * factor, "u": u})


def _read(
    bench: Bench, factor: float, kinds: tuple[type, ...], sides: Sequence[str] = SIDES
) -> Bench:
    records = [
        replace(record, table=_scaled(record.table, factor))
        if record.entry.filter in sides and isinstance(record.table, kinds)
        else record
        for record in bench.case.records
    ]
    return replace(bench, case=replace(bench.case, records=tuple(records)))


def _scaled(table: Table, factor: float) -> Table:
    if isinstance(table, ValveTable):
        return replace(table, pressure_drop=table.pressure_drop * factor)
    if isinstance(table, MeasurementTable):
        return replace(table, values=tuple(each * factor for each in table.values))
    if isinstance(table, InspectionTable):
        return replace(table, found=tuple(_number(each, factor) for each in table.found))
    return table


def _number(found: str, factor: float) -> str:
    """Return a cell with its number times `factor`; a word as it is."""
    try:
        return f"{float(found) * factor:.10f}"
    except ValueError:
        return found
