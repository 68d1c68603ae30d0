"""Rules of validity for flow sweeps, measurements and inspections, and of which kind is which."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from dossier.case.case import Case, Record
from dossier.case.records import MeasurementTable, PressureDropTable
from dossier.case.seen import plain
from dossier.case.tables.written import lowered
from dossier.evidence.limits import Limit
from dossier.evidence.records.measured import column_of, outside_drawing, rows_of
from dossier.evidence.records.reduced import PressureDropResult, row_spread
from dossier.evidence.records.usable import expected, missing_specimens, named_in_plan
from dossier.evidence.records.valve_sweeps import sweeps_of
from dossier.evidence.requirement import Demand
from dossier.evidence.validity import valves
from dossier.evidence.validity.pressures import ALTERED, same_curve
from dossier.evidence.validity.rules import Found, Held, Rules, stated_instead, unlike
from dossier.physics.pressure_drop import offset_of_fit
from dossier.physics.values import printed_digits
from dossier.words import later, say, say_count


def results_named(record: Record) -> dict[str, tuple[str, ...]]:
    """Return what a record holds results of: for each thing, the specimens it was found on.

    The things are codes; `_spoken` says them.
    """
    if record.entry.kind == "bypass_valve":
        return {"valve sweep": tuple(sweep.specimen for sweep in sweeps_of(record))}
    table = record.table
    if isinstance(table, MeasurementTable):
        return dict.fromkeys(table.names, record.specimens)
    found: dict[str, tuple[str, ...]] = {}
    for row in rows_of(record):
        key = lowered(row.characteristic)
        found[key] = (*found.get(key, ()), row.specimen)
    return found


def _spoken(record: Record, what: str) -> str:
    """Return what results are of, in words: a code of ours, or as the inspection calls it."""
    return what if record.entry.kind == "inspection" else say(what)


SUMMARIES = {"mean", "average", "median", "minimum", "maximum", "min", "max", "std", "stdev", "sum",
             "total", "limit", "mittel", "mittelwert", "summe", "grenzwert"}  # fmt: skip
"""What stands before a row that a laboratory computed of the others."""


def _named(held: Held, _: Limit) -> Found:
    side = held.entry.filter
    sides = [side, "reference" if side == "candidate" else "candidate"]
    own, others = (set(map(plain, named_in_plan(held.case, each))) for each in sides)
    wrong = []
    for what, specimens in results_named(held.record).items():
        thing = _spoken(held.record, what)
        if not what:
            wrong.append(say("a row without a characteristic"))
        if "" in specimens:
            wrong.append(say("{thing}: a row without a specimen", thing=thing))
        spelled = {plain(name): name for name in specimens if name}
        for name, times in Counter(plain(each) for each in specimens if each).items():
            words = later("{thing}: specimen {name} more than once") if times > 1 else ""
            if name in SUMMARIES:
                words = later("{thing}: {name} is no specimen: leave out what is computed")
            elif name in others - own:
                words = later("{thing}: {name} is a specimen of the other filter")
            wrong += [say(words, thing=thing, name=spelled[name])] if words else []
    return not wrong, "; ".join(wrong) or say("every specimen named once")


def _count(held: Held, _: Limit) -> Found:
    """Compare all results of this kind and filter, in whichever record, with the plan."""
    case, kind, side = held.case, held.entry.kind, held.entry.filter
    if not named_in_plan(case, side):
        return None, say("the case names no planned specimens")
    alike = case.of_kind(kind, side)
    planned = expected(case, side, {each.id for each in alike})
    siblings = [results_named(other) for other in alike]
    short = []
    for what in results_named(held.record):
        tested = {name for results in siblings for name in results.get(what, ())}
        words = missing_specimens(planned, tested, others_allowed=kind != "inspection")
        if words:
            short.append(f"{_spoken(held.record, what)}: {words}")
    number = len(planned)
    well = say_count(number, "as planned, {number} specimen", "as planned, {number} specimens")
    return not short, "; ".join(short) or well


SMALL = 500.0
"""How many times below the most that is asked for a unit is in doubt: a thousandth would pass."""


def _credible(held: Held, limit: Limit) -> Found:
    """Ask whether a result is so far beyond what is asked that its unit is in doubt."""
    table = held.record.table
    assert isinstance(table, MeasurementTable)
    values = dict(zip(table.names, table.values, strict=True))
    for demand in held.demands:
        found = values.get(demand.quantity.name.replace("_", " "))
        asked = demand.lower or demand.upper
        if found is None or not asked or np.isnan(found).all():
            continue
        most, low = float(np.nanmax(found)), not demand.lower
        far = 0.0 < most * SMALL < asked if low else most > limit.tolerance * asked
        if far:
            words = later(
                "{most:.4g} {unit} where {requirement} asks for {least:.4g} {unit}: look at the "
                "unit of the column"
            )
            ends: dict[str, Any] = {"most": demand.shown(most), "least": demand.shown(asked)}
            beyond = not low and most > limit.value * asked
            met: Literal[False, "warning"] = False if beyond else "warning"
            return met, say(words, unit=demand.unit, requirement=demand.id, **ends)
    return True, say("no result out of all proportion to what is asked")


def _given(held: Held, _: Limit) -> Found:
    table, names = held.record.table, held.record.specimens
    assert isinstance(table, MeasurementTable)
    words = later("no {result} of {specimen}")
    empty = [
        say(words, result=say(name), specimen=names[row] or say("a row without a specimen"))
        for name, values in zip(table.names, table.values, strict=True)
        for row in np.flatnonzero(np.isnan(values))
    ]
    words = later("{specimens} specimens, {results} results each")
    well = say(words, specimens=len(names), results=len(table.names))
    return not empty, ", ".join(empty) or well


def _schedule(held: Held, _: Limit) -> Found | None:
    if column_of(held.record, "burst pressure") is None:
        return None
    return None, say("the record holds results, not times")


def _soak(held: Held, limit: Limit) -> Found | None:
    stated = held.conditions.temperature
    if column_of(held.record, "collapse pressure") is None:
        return None
    if stated is None:
        return None, say("no temperature among the conditions")
    words = say("{celsius:.4g} °C", celsius=stated - 273.15)
    return abs(stated - limit.value) <= limit.tolerance, words


def _size(held: Held, limit: Limit) -> Found:
    flow = held.case.application.circuit.rated_flow
    return flow <= limit.value * (1.0 + 1e-9), say("{flow:.4g} L/min", flow=flow * 6e4)


def _drawing(held: Held, _: Limit) -> Found | None:
    rows = list(rows_of(held.record))
    if all(np.isnan(row.lower) and np.isnan(row.upper) for row in rows):
        return None
    outside = [words for words in map(outside_drawing, rows) if words]
    return not outside, "; ".join(outside) or say("every dimension inside its limits")


@dataclass(frozen=True, kw_only=True)
class Swept(Held):
    """A flow sweep as it is held against its rules."""

    result: PressureDropResult

    @property
    def scale(self) -> float:
        """The pressure that errors are held against: decided on, or the largest read [Pa]."""
        decided = decided_pressures(self.case, self.demands, self.entry.path)
        return min([float(self.result.rows[3].max()), *decided])


def _clean(held: Held, _: Limit) -> Found:
    own, path_of = held.entry, held.case.application.circuit.path_of
    last = own.finished or own.tested
    loaded = [each.entry for each in held.case.of_kind("multipass", own.filter)]
    alike = (each for each in loaded if path_of(each.path) == path_of(own.path))
    runs = [each.tested for each in alike if each.specimen == own.specimen]
    if not runs:
        return True, say("no multi-pass run of this specimen")
    return last <= min(runs), say("swept {swept}, run {run}", swept=last, run=min(runs))


def _temperature(held: Held, _: Limit) -> Found:
    table, instead = held.record.table, stated_instead(held.record, "temperature")
    if instead is not None:
        return instead
    if not isinstance(table, PressureDropTable) or table.temperature is None:
        return None, say("no temperature column")
    low, high = float(table.temperature.min()), float(table.temperature.max())
    return True, say("{low:.1f} °C to {high:.1f} °C", low=low - 273.15, high=high - 273.15)


def _flows(held: Swept, limit: Limit) -> Found:
    flows = np.sort(held.result.rows[0])
    number = 1 + int((np.diff(flows) > limit.tolerance * flows[-1]).sum())
    words = say_count(number, "{number} flow of the assembly", "{number} flows of the assembly")
    return number >= limit.value, words


def decided_pressures(case: Case, demands: Sequence[Demand], path: str) -> list[float]:
    """Return the differential pressures that requirements decide on by the flow sweeps [Pa].

    A largest pressure drop by itself; else what the valve leaves, its lowest opening pressure less
    the margin that is wanted.  One that the reference sets has no figure of its own.  On a fine
    path, what drives it.
    """
    circuit = case.application.circuit
    if path == "fine":
        return [circuit.gallery_pressure or math.inf]
    found, opening = [], circuit.opening.min if circuit.opening else None
    for demand in demands:
        if demand.not_applicable or "pressure_drop" not in demand.quantity.records:
            continue
        pressure = demand.quantity.dimension == "pressure"
        if pressure and demand.upper is not None:
            found.append(demand.upper)
        elif opening is not None and demand.not_worse is None:
            found.append(opening - (demand.lower or 0.0 if pressure else 0.0))
    return [each for each in found if each > 0]


def _fit(held: Swept, limit: Limit) -> Found:
    result, scale = held.result, held.scale
    flow, mu, rho, drop = result.rows
    off = drop - result.assembly.at(flow, mu, rho)
    share = float((np.abs(off) / np.maximum(drop, scale)).max())
    unresolved = [n for n, ok in zip("ab", result.assembly.resolved, strict=True) if not ok]
    words = later(
        "largest residual {share:.1%} of the reading, or of {scale:.3g} kPa where that is more"
    )
    found = say(words, share=share, scale=scale / 1e3)
    if unresolved:
        names = ", ".join(unresolved)
        found = say("{residual}; coefficient {names} not resolved", residual=found, names=names)
    return share <= limit.value, found


def _own_noise(held: Swept, limit: Limit) -> Found:
    """Ask whether the pressures are another's, or were computed from the rows they stand in.

    A gauge does not know by how much flow meter and thermometer err: no reading is to every digit
    what they foretell.  Rows that were altered, or a zero that was moved, do not hide it.
    """
    flow, mu, rho, drop = held.result.rows
    found, step = unlike(held, limit), float(np.partition(printed_digits(drop), ALTERED)[ALTERED])
    terms = np.column_stack([mu * flow, rho * flow**2, np.ones(len(flow))])
    off = np.zeros(len(flow))
    for _ in range(3):
        near = np.argsort(off, kind="stable")[: max(3, len(flow) - 2)]
        foretold = terms @ np.linalg.lstsq(terms[near], drop[near])[0]
        off = np.abs(drop - foretold)
    if found[0] is True and same_curve(drop, np.rint(foretold / step) * step, taken=3):
        return False, say("what flow and temperature foretell, to every digit: computed, not read")
    return found


def _offset(held: Swept, limit: Limit) -> Found:
    flow, mu, rho, drop = held.result.rows
    if len(drop) < 5:
        return None, say("too few rows")
    try:
        offset, u = offset_of_fit(flow, mu, rho, drop, row_spread(drop))
    except ValueError as error:
        return None, str(error)
    met = abs(offset) / held.scale <= limit.value or abs(offset) <= 3.0 * u
    return met, say("offset {offset:+.2f} kPa ± {u:.2f} kPa", offset=offset / 1e3, u=u / 1e3)


def _viscosities(held: Swept, limit: Limit) -> Found:
    _, mu, rho, _ = held.result.rows
    nu = mu / rho
    low, high = float(nu.min()), float(nu.max())
    words = later("{low:.0f} mm²/s to {high:.0f} mm²/s")
    return high / low >= limit.value, say(words, low=low * 1e6, high=high * 1e6)


SWEEP: Rules = {
    "swept while clean": _clean,
    "temperature": _temperature,
    "number of flows": _flows,
    "fit": _fit,
    "zero offset": _offset,
    "noise of its own": _own_noise,
    "two viscosities": _viscosities,
}
SPECIMENS: Rules = {"specimens named once": _named, "specimen count": _count}
KINDS: dict[str, Rules] = {
    "bypass_valve": {**SPECIMENS, **valves.RULES},
    "measurement": {
        **SPECIMENS,
        "every result given": _given,
        "size of the result": _credible,
        "size of filter": _size,
        "hold schedule": _schedule,
        "soak temperature": _soak,
    },
    "inspection": {**SPECIMENS, "inside the drawing": _drawing},
}
"""Rules of each kind of record that is judged as it is read."""
