"""Rules of validity for bypass valves, measurements and inspections."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from dossier.case.case import Case, Record
from dossier.case.records import MeasurementTable
from dossier.case.tables.column_names import lowered
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.records.fluid import kinematic_at
from dossier.evidence.records.inspected import outside_drawing, rows_of
from dossier.evidence.records.measured import column_of, specimens_of
from dossier.evidence.records.usable import expected, missing_specimens, named_in_plan
from dossier.evidence.records.valve_sweeps import opening_from_sweep, sweeps_of
from dossier.evidence.requirement import Demand
from dossier.evidence.validity.check import Check
from dossier.evidence.validity.rules import Rule, Verdicts, apply_rules, does_not_apply, unlike
from dossier.words import later, say, say_count

KINDS = ("bypass_valve", "measurement", "inspection")


def other_checks(
    case: Case, record: Record, limits: Limits, demands: Sequence[Demand], told: str
) -> Iterator[Check]:
    """Yield every check of a bypass valve, measurement or inspection record; none for others.

    `told` says what another sweep has against this one, in words, or nothing.
    """
    if record.entry.kind not in KINDS:
        return
    rules: dict[str, Rule] = {
        "specimens named once": lambda _: _named(record),
        "specimen count": lambda _: _count(case, record),
    }
    if record.entry.kind == "bypass_valve":
        rules |= {
            "rising and falling sweep": lambda _: _both_sweeps(record),
            "rows of each sweep": lambda limit: _rows(record, limit),
            "criterion flow": lambda _: _criterion(record),
            "test viscosity": lambda limit: _viscosity(case, record, limit),
            "valve of the application": lambda limit: _fitted(case, record, limit),
            "noise of its own": lambda _: unlike(told),
        }
    elif record.entry.kind == "measurement":
        rules |= {
            "every result given": lambda _: _given(record),
            "size of the result": lambda limit: _credible(record, demands, limit),
            "size of filter": lambda limit: _size(case, limit),
        }
        if column_of(record, "burst pressure") is not None:
            not_timed = Verdicts(None, say("the record holds results, not times"))
            rules["hold schedule"] = lambda _: not_timed
        if column_of(record, "collapse pressure") is not None:
            rules["soak temperature"] = lambda limit: _soak(record, limit)
    elif any(not (np.isnan(row.lower) and np.isnan(row.upper)) for row in rows_of(record)):
        rules["inside the drawing"] = lambda _: _drawing(record)
    yield from apply_rules(limits, record, rules)


def results_named(record: Record) -> dict[str, tuple[str, ...]]:
    """Return what a record holds results of: for each thing, the specimens it was found on.

    The things are codes; `_spoken` says them.
    """
    if record.entry.kind == "bypass_valve":
        return {"valve sweep": tuple(sweep.specimen for sweep in sweeps_of(record))}
    table = record.table
    if isinstance(table, MeasurementTable):
        return {name: specimens_of(record) for name in table.names}
    found: dict[str, tuple[str, ...]] = {}
    for row in rows_of(record):
        key = lowered(row.characteristic)
        found[key] = (*found.get(key, ()), row.specimen)
    return found


def _spoken(record: Record, what: str) -> str:
    """Return what results are of, in words: a code of ours, or as the inspection calls it."""
    return what if record.entry.kind == "inspection" else say(what)


def _named(record: Record) -> Verdicts:
    wrong = []
    for what, specimens in results_named(record).items():
        thing = _spoken(record, what)
        if not what:
            wrong.append(say("a row without a characteristic"))
        if "" in specimens:
            wrong.append(say("{thing}: a row without a specimen", thing=thing))
        twice = [name for name, times in Counter(specimens).items() if name and times > 1]
        wrong += [
            say("{thing}: specimen {name} more than once", thing=thing, name=name) for name in twice
        ]
    return Verdicts(not wrong, "; ".join(wrong) or say("every specimen named once"))


def _count(case: Case, record: Record) -> Verdicts:
    """Compare all results of this kind and filter, in whichever record, with the plan."""
    side = record.entry.filter
    if not named_in_plan(case, side):
        return Verdicts(None, say("the case names no planned specimens"))
    alike = [r for r in case.records if (r.entry.kind, r.entry.filter) == (record.entry.kind, side)]
    planned = expected(case, side, {each.id for each in alike})
    siblings = [results_named(other) for other in alike]
    short = []
    for what in results_named(record):
        tested = {name for results in siblings for name in results.get(what, ())}
        words = missing_specimens(planned, tested, others_allowed=record.entry.kind != "inspection")
        if words:
            short.append(f"{_spoken(record, what)}: {words}")
    number = len(planned)
    well = say_count(number, "as planned, {number} specimen", "as planned, {number} specimens")
    return Verdicts(not short, "; ".join(short) or well)


def _both_sweeps(record: Record) -> Verdicts:
    wrong = []
    for sweep in sweeps_of(record):
        if sweep.rising[0].size == 0:
            wrong.append(say("{specimen}: no rising sweep", specimen=sweep.specimen))
        if sweep.falling[0].size == 0:
            wrong.append(say("{specimen}: no falling sweep", specimen=sweep.specimen))
    return Verdicts(not wrong, "; ".join(wrong) or say("both for every specimen"))


def _rows(record: Record, limit: Limit) -> Verdicts:
    counts = [min(s.rising[0].size, s.falling[0].size) for s in sweeps_of(record)]
    least = min(counts, default=0)
    words = say_count(least, "at least {number} row", "at least {number} rows")
    return Verdicts(least >= limit.value, words)


def _fitted(case: Case, record: Record, limit: Limit) -> Verdicts:
    """Hold where the valves open against the application."""
    valve = case.application.circuit.bypass_valve
    flow = record.entry.conditions.criterion_flow
    if valve is None or valve.location != "filter" or valve.opening is None or not flow:
        return does_not_apply(say("no valve inside the filter with an opening band and a flow"))
    low, high = valve.opening.min, valve.opening.max
    wrong = []
    for sweep in sweeps_of(record):
        if not sweep.rising[0].size:
            continue
        try:
            opened = opening_from_sweep(sweep, flow)
        except ValueError:
            continue  # what rests on it says so
        shut = opened.bound == "larger than" and opened.value >= high
        if shut or not low / limit.value <= opened.value <= limit.value * high:
            wrong.append(
                say(
                    SHUT if shut else ELSEWHERE, specimen=sweep.specimen, found=opened.value / 1e3,
                    low=low / 1e3, high=high / 1e3,
                )
            )  # fmt: skip
    well = say("every valve opens about where the application says")
    return Verdicts(not wrong, "; ".join(wrong) or well)


ELSEWHERE = later("{specimen} opens at {found:.4g} kPa, wanted {low:.4g} to {high:.4g} kPa")
SHUT = later(
    "{specimen} does not open up to {found:.4g} kPa, wanted {low:.4g} to {high:.4g} kPa: look at "
    "the units of the columns"
)


def _credible(record: Record, demands: Sequence[Demand], limit: Limit) -> Verdicts:
    """Ask whether a result is so far above what is asked that its unit is in doubt."""
    table = record.table
    assert isinstance(table, MeasurementTable)
    values = dict(zip(table.names, table.values, strict=True))
    for demand in demands:
        found = values.get(demand.quantity.name.replace("_", " "))
        if found is None or not demand.lower or np.isnan(found).all():
            continue
        if (most := float(np.nanmax(found))) > limit.value * demand.lower:
            words = later(
                "{most:.4g} {unit} where {requirement} asks for {least:.4g} {unit}: look at the "
                "unit of the column"
            )
            ends: dict[str, Any] = {"most": demand.shown(most), "least": demand.shown(demand.lower)}
            return Verdicts(False, say(words, unit=demand.unit, requirement=demand.id, **ends))
    return Verdicts(True, say("no result out of all proportion to what is asked"))


def _criterion(record: Record) -> Verdicts:
    flow = record.entry.conditions.criterion_flow
    if flow is None or not flow > 0:
        return Verdicts(False, say("no criterion_flow above zero among the conditions"))
    return Verdicts(True, say("{flow:.4g} L/min", flow=flow * 6e4))


def _viscosity(case: Case, record: Record, limit: Limit) -> Verdicts:
    entry = record.entry
    if entry.fluid is None or entry.conditions.temperature is None:
        return Verdicts(None, say("no test fluid or temperature"))
    try:
        nu = kinematic_at(case.fluid(entry.fluid), entry.conditions.temperature)
    except ValueError as error:
        return Verdicts(None, str(error))
    met = any(abs(nu / wanted - 1.0) <= limit.tolerance for wanted in (limit.value, limit.agreed))
    return Verdicts(met, say("{nu:.4g} mm²/s", nu=nu * 1e6))


def _given(record: Record) -> Verdicts:
    table = record.table
    assert isinstance(table, MeasurementTable)
    names = specimens_of(record)
    empty = [
        say(
            "no {result} of {specimen}", result=say(name),
            specimen=names[row] or say("a row without a specimen"),
        )
        for name, values in zip(table.names, table.values, strict=True)
        for row in np.flatnonzero(np.isnan(values))
    ]  # fmt: skip
    words = later("{specimens} specimens, {results} results each")
    well = say(words, specimens=len(names), results=len(table.names))
    return Verdicts(not empty, ", ".join(empty) or well)


def _soak(record: Record, limit: Limit) -> Verdicts:
    stated = record.entry.conditions.temperature
    if stated is None:
        return Verdicts(None, say("no temperature among the conditions"))
    words = say("{celsius:.4g} °C", celsius=stated - 273.15)
    return Verdicts(abs(stated - limit.value) <= limit.tolerance, words)


def _size(case: Case, limit: Limit) -> Verdicts:
    flow = case.application.circuit.rated_flow
    return Verdicts(flow <= limit.value * (1.0 + 1e-9), say("{flow:.4g} L/min", flow=flow * 6e4))


def _drawing(record: Record) -> Verdicts:
    outside = [words for words in map(outside_drawing, rows_of(record)) if words]
    return Verdicts(not outside, "; ".join(outside) or say("every dimension inside its limits"))
