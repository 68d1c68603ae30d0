"""Rules of validity for the sweeps of bypass valves."""

from functools import partial

import numpy as np

from dossier.case.fields import Band
from dossier.evidence.limits import Limit
from dossier.evidence.records.fluid import tested_viscosity
from dossier.evidence.records.valve_sweeps import ValveSweep, opening_from_sweep, sweeps_of
from dossier.evidence.validity.rules import Found, Held, Rules, unlike
from dossier.words import later, say, say_count


def _both_sweeps(held: Held, _: Limit) -> Found:
    branches = (
        (later("{specimen}: no rising sweep"), "rising"),
        (later("{specimen}: no falling sweep"), "falling"),
    )
    wrong = [
        say(words, specimen=sweep.specimen)
        for sweep in sweeps_of(held.record)
        for words, branch in branches
        if getattr(sweep, branch)[0].size == 0
    ]
    return not wrong, "; ".join(wrong) or say("both for every specimen")


def _rows(held: Held, limit: Limit) -> Found:
    sweeps = tuple(sweeps_of(held.record))
    if ended := next(filter(None, map(_ended, sweeps)), ""):
        return False, ended
    least = min((min(s.rising[0].size, s.falling[0].size) for s in sweeps), default=0)
    return least >= limit.value, say_count(least, "at least {number} row", "at least {number} rows")


def _ended(sweep: ValveSweep) -> str:
    """Return that the highest pressure of a valve was the end of its gauge, in words, or nothing.

    A valve takes more pressure for more flow, as its rows before the highest foretell; a gauge at
    its end repeats one reading.
    """
    drop, flow = (np.concatenate([sweep.rising[k], sweep.falling[k]]) for k in (0, 1))
    top = float(drop.max(initial=0.0))
    highest = flow[drop == top]
    before = np.flatnonzero(sweep.rising[0] < top)[-3:]
    if len(highest) < MOST_EQUAL or len(before) < 3 or not top > 0:
        return ""
    rise, more = (branch[before[-1]] - branch[before[:-1]] for branch in sweep.rising)
    foretold = float((rise / np.maximum(more, 1e-12)).min() * np.ptp(highest))
    if not foretold > LEAP * float(np.diff(np.unique(drop)).min()):
        return ""
    words = later(
        "{specimen}: {number} rows of {pressure:.4g} kPa, the highest, from {low:.4g} L/min to "
        "{high:.4g} L/min: the gauge was at the end of its range"
    )
    low, high, number = highest.min() * 6e4, highest.max() * 6e4, len(highest)
    named = partial(say, words, specimen=sweep.specimen, number=number)
    return named(pressure=top / 1e3, low=low, high=high)


MOST_EQUAL, LEAP = 3, 2.5
"""Rows with the highest reading, and steps of its printing that more flow foretells, that tell."""


def _fitted(held: Held, limit: Limit) -> Found:
    """Hold where the valves open against the application: a warning outside its band.

    Or where so much flow was let through before they counted as open that this hides it.
    """
    valve, flow = held.case.application.circuit.bypass_valve, held.conditions.criterion_flow
    if valve is None or valve.location != "filter" or valve.opening is None or not flow:
        return "does not apply", say("no valve inside the filter with an opening band and a flow")
    sweeps = tuple(sweeps_of(held.record))
    far, outside = (
        "; ".join(filter(None, (_misplaced(each, flow, valve.opening, factor) for each in sweeps)))
        for factor in (limit.value, 1.0)
    )
    if far or outside:
        return (False, far) if far else ("warning", outside)
    most = max(OPEN_SHARE * held.case.application.circuit.rated_flow, OPEN_FLOW) * (1.0 + 1e-6)
    if flow > most:
        words = later("counts as open from {flow:.4g} L/min on: ask for at most {most:.4g} L/min")
        return "warning", say(words, flow=flow * 6e4, most=most * 6e4)
    return True, say("every valve opens about where the application says")


OPEN_SHARE, OPEN_FLOW = 0.05, 1.0 / 6e4
"""Share of the rated flow [-], and flow [m3/s], beyond both of which a valve is long open (own)."""


def _misplaced(sweep: ValveSweep, flow: float, wanted: Band, factor: float) -> str:
    """Return that a valve opens beyond `factor` times the wanted band, in words, or nothing."""
    if not sweep.rising[0].size:
        return ""
    try:
        opened = opening_from_sweep(sweep, flow)
    except ValueError:
        return ""  # what rests on it says so
    low, high, found = wanted.min, wanted.max, opened.value
    shut = opened.bound == "larger than" and found >= high
    if not shut and low / factor <= found <= factor * high:
        return ""
    words, low, high = SHUT if shut else ELSEWHERE, low / 1e3, high / 1e3
    return say(words, specimen=sweep.specimen, found=found / 1e3, low=low, high=high)


ELSEWHERE = later("{specimen} opens at {found:.4g} kPa, wanted {low:.4g} to {high:.4g} kPa")
SHUT = later(
    "{specimen} does not open up to {found:.4g} kPa, wanted {low:.4g} to {high:.4g} kPa: look at "
    "the units of the columns"
)


def _criterion(held: Held, _: Limit) -> Found:
    flow = held.conditions.criterion_flow
    if flow is None or not flow > 0:
        return False, say("no criterion flow above zero among the conditions")
    return True, say("{flow:.4g} L/min", flow=flow * 6e4)


def _viscosity(held: Held, limit: Limit) -> Found:
    try:
        nu = tested_viscosity(held.case, held.entry)
    except ValueError as error:
        return None, str(error)
    met = any(abs(nu / wanted - 1.0) <= limit.tolerance for wanted in (limit.value, limit.agreed))
    return met, say("{nu:.4g} mm²/s", nu=nu * 1e6)


RULES: Rules = {
    "rising and falling sweep": _both_sweeps,
    "rows of each sweep": _rows,
    "criterion flow": _criterion,
    "test viscosity": _viscosity,
    "valve of the application": _fitted,
    "noise of its own": unlike,
}
