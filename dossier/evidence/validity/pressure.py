"""Rules of validity for a flow sweep."""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from dossier.case.case import Case, Record
from dossier.case.records import PressureDropTable
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.records.reduce_multipass import row_spread
from dossier.evidence.records.reduced import PressureDropResult
from dossier.evidence.requirement import Demand
from dossier.evidence.validity.check import Check
from dossier.evidence.validity.rules import Rule, Verdicts, apply_rules, stated_instead, unlike
from dossier.physics.pressure_drop import offset_of_fit
from dossier.words import later, say, say_count


def pressure_checks(
    case: Case,
    record: Record,
    result: PressureDropResult,
    limits: Limits,
    decided: Sequence[float],
    told: str,
) -> Iterator[Check]:
    """Return every check of a reduced flow sweep; `decided` as of `decided_pressures` [Pa].

    `told` says what another sweep has against this one, in words, or nothing.
    """
    scale = min([float(result.pressure_drop[~result.housing_rows].max()), *decided])
    rules: dict[str, Rule] = {
        "swept while clean": lambda _: _clean(case, record),
        "temperature": lambda _: _temperature(record),
        "number of flows": lambda limit: _flows(result, limit),
        "fit": lambda limit: _fit(result, limit, scale),
        "zero offset": lambda limit: _offset(result, limit, scale),
        "noise of its own": lambda _: unlike(told),
        "two viscosities": lambda limit: _viscosities(result, limit),
    }
    return apply_rules(limits, record, rules)


def _clean(case: Case, record: Record) -> Verdicts:
    own, path_of = record.entry, case.application.circuit.path_of
    last = own.finished or own.tested
    runs = [
        each.entry.tested
        for each in case.records
        if each.entry.kind == "multipass"
        and (each.entry.filter, path_of(each.entry.path), each.entry.specimen)
        == (own.filter, path_of(own.path), own.specimen)
    ]
    if not runs:
        return Verdicts(True, say("no multi-pass run of this specimen"))
    return Verdicts(last <= min(runs), say("swept {swept}, run {run}", swept=last, run=min(runs)))


def _temperature(record: Record) -> Verdicts:
    instead = stated_instead(record, "temperature")
    if instead is not None:
        return instead
    table = record.table
    if not isinstance(table, PressureDropTable) or table.temperature is None:
        return Verdicts(None, say("no temperature column"))
    low, high = float(table.temperature.min()), float(table.temperature.max())
    words = later("{low:.1f} °C to {high:.1f} °C")
    return Verdicts(True, say(words, low=low - 273.15, high=high - 273.15))


def _flows(result: PressureDropResult, limit: Limit) -> Verdicts:
    flows = np.sort(result.flow[~result.housing_rows])
    number = 1 + int((np.diff(flows) > limit.tolerance * flows[-1]).sum())
    words = say_count(number, "{number} flow of the assembly", "{number} flows of the assembly")
    return Verdicts(number >= limit.value, words)


def decided_pressures(case: Case, demands: Sequence[Demand], path: str) -> list[float]:
    """Return the differential pressures that requirements decide on by the flow sweeps [Pa].

    A largest pressure drop by itself; else what the valve leaves, its lowest opening pressure less
    the margin that is wanted.  One that the reference sets has no figure of its own.  On a fine
    path, what drives it.
    """
    valve = case.application.circuit.bypass_valve
    if path == "fine":
        return [case.application.circuit.gallery_pressure or math.inf]
    opening = valve.opening.min if valve is not None and valve.opening is not None else None
    found = []
    for demand in demands:
        if demand.not_applicable or "pressure_drop" not in demand.quantity.records:
            continue
        pressure = demand.quantity.dimension == "pressure"
        if pressure and demand.upper is not None:
            found.append(demand.upper)
        elif opening is not None and demand.not_worse is None:
            found.append(opening - (demand.lower or 0.0 if pressure else 0.0))
    return [each for each in found if each > 0]


def _fit(result: PressureDropResult, limit: Limit, scale: float) -> Verdicts:
    rows = ~result.housing_rows
    flow, mu, rho = result.flow[rows], result.viscosity[rows], result.density[rows]
    off = result.pressure_drop[rows] - result.assembly.at(flow, mu, rho)
    share = float((np.abs(off) / np.maximum(result.pressure_drop[rows], scale)).max())
    unresolved = [n for n, ok in zip("ab", result.assembly.resolved, strict=True) if not ok]
    words = say(
        "largest residual {share:.1%} of the reading, or of {scale:.3g} kPa where that is more",
        share=share, scale=scale / 1e3,
    )  # fmt: skip
    if unresolved:
        names = ", ".join(unresolved)
        words = say("{residual}; coefficient {names} not resolved", residual=words, names=names)
    return Verdicts(share <= limit.value, words)


def _offset(result: PressureDropResult, limit: Limit, scale: float) -> Verdicts:
    rows = ~result.housing_rows
    if int(rows.sum()) < 5:
        return Verdicts(None, say("too few rows"))
    flow, drop = result.flow[rows], result.pressure_drop[rows]
    try:
        offset, u = offset_of_fit(
            flow, result.viscosity[rows], result.density[rows], drop, row_spread(drop)
        )
    except ValueError as error:
        return Verdicts(None, str(error))
    share = abs(offset) / scale
    met = share <= limit.value or abs(offset) <= 3.0 * u
    words = say("offset {offset:+.2f} kPa ± {u:.2f} kPa", offset=offset / 1e3, u=u / 1e3)
    return Verdicts(met, words)


def _viscosities(result: PressureDropResult, limit: Limit) -> Verdicts:
    rows = ~result.housing_rows
    nu = result.viscosity[rows] / result.density[rows]
    ratio = float(nu.max() / nu.min())
    low, high = nu.min() * 1e6, nu.max() * 1e6
    found = say("{low:.0f} mm²/s to {high:.0f} mm²/s", low=low, high=high)
    return Verdicts(ratio >= limit.value, found)
