"""Lines for the charts: clean and loaded pressure drop over flow, temperature and hours."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from dossier.evidence.bench import Bench, Curve, Curves, curve_of
from dossier.evidence.quantities.capacity import loaded_specimens
from dossier.evidence.quantities.pressure import Point, Sweeps, clean_estimate, outside
from dossier.evidence.records.fluid import fluid_at, kinematic_at
from dossier.evidence.records.usable import usable_sweeps
from dossier.evidence.spoken import SIDES, Side
from dossier.evidence.statistics.estimate import NotDemonstrated
from dossier.physics.values import KELVIN, Floats
from dossier.words import say

T = TypeVar("T")
POINTS = 41


def curves_of(bench: Bench) -> Curves:
    """Return every line the charts need; a side that cannot be computed is left out with a note."""
    notes, hours_notes = list[str](), list[str]()
    application = bench.case.application
    flow, duty, oil = application.circuit.rated_flow, application.duty, application.oil
    sides = _sides(bench, notes, usable_sweeps)
    cold = _coldest(bench, [s for group in sides.values() for s in group])
    warmth = np.array([]) if cold is None else np.linspace(cold, duty.hot_oil, POINTS)
    try:
        states = {float(t): (flow, *fluid_at(oil, float(t))) for t in warmth}
    except ValueError:  # the quantities say why; the chart stays empty
        states = {}
    known = np.array(list(states))
    temperature = [_band(bench, side, s, known, states.__getitem__) for side, s in sides.items()]
    cold = _reached(temperature, cold)
    swept = _warmest(bench, [s for group in sides.values() for s in group])
    flows = np.linspace(0.05, 1.1, POINTS) * flow
    return Curves(
        clean_hot=_over_flow(bench, sides, flows, duty.hot_oil),
        clean_cold=() if cold is None else _over_flow(bench, sides, flows, cold),
        cold_temperature=cold,
        swept_to=swept,
        against_temperature=tuple(c for c in temperature if len(c.x)),
        against_hours=tuple(_over_hours(bench, flow, duty.normal_oil, hours_notes)),
        hours_notes=tuple(hours_notes),
        notes=tuple(notes),
    )


def _sides(bench: Bench, notes: list[str], of: Callable[..., T], *asked: float) -> dict[Side, T]:
    """Return what can be computed of each side; why it cannot of another goes to the notes."""
    found: dict[Side, T] = {}
    for side in bench.sides:
        try:
            found[side] = of(bench, side, *asked)
        except NotDemonstrated as why:
            notes.append(say("{side}: {reason}", side=say(SIDES[side]), reason=why.reason))
    return found


def _coldest(bench: Bench, sweeps: Sweeps) -> float | None:
    """Return the cold start, or the coldest oil that the tested viscosities allow [K]."""
    if not sweeps:
        return None
    oil, duty = bench.case.application.oil, bench.case.application.duty
    thickest = min(s.swept[1] for s in sweeps)
    allowed = thickest * bench.limits.viscosity_factor * 0.999
    steps = map(float, np.arange(duty.cold_start, duty.hot_oil, 0.5))
    return next((warmth for warmth in steps if kinematic_at(oil, warmth) <= allowed), None)


def _warmest(bench: Bench, sweeps: Sweeps) -> float | None:
    """Return the warmest oil [K] whose viscosity was swept; None where that of hot oil was."""
    oil, hot = bench.case.application.oil, bench.case.application.duty.hot_oil
    thinnest = max((s.swept[0] for s in sweeps), default=0.0)
    if kinematic_at(oil, hot) >= thinnest:
        return None
    steps = map(float, np.arange(hot, bench.case.application.duty.cold_start, -0.5))
    found = next((warmth for warmth in steps if kinematic_at(oil, warmth) >= thinnest), None)
    return None if found is None else KELVIN + math.floor(found - KELVIN)


def _reached(lines: Sequence[Curve], coldest: float | None) -> float | None:
    """Return the coldest oil at which the candidate was swept to the rated flow [K].

    In whole degrees where that is warmer than `coldest`, which the viscosities alone allow.
    """
    begin = next((float(c.x[0]) for c in lines if c.side == "candidate" and len(c.x)), coldest)
    if begin is None or coldest is None or begin <= coldest:
        return coldest
    return KELVIN + math.ceil(begin - KELVIN)


def _over_flow(
    bench: Bench, sides: Mapping[Side, Sweeps], flows: Floats, temperature: float
) -> tuple[Curve, ...]:
    """Return the line of each side as far as its sweeps and the pressure of the supply reach."""
    try:
        oil = fluid_at(bench.case.application.oil, temperature)
    except ValueError:  # the quantities say why; the chart stays empty
        return ()
    found, most = [], bench.case.application.circuit.system_pressure or math.inf
    for side, sweeps in sides.items():
        line = _band(bench, side, sweeps, flows, lambda q: (q, *oil))
        inside = line.y <= most
        ends = {name: getattr(line, name)[inside] for name in ("x", "y", "low", "high")}
        found.append(replace(line, **ends))
    return tuple(line for line in found if len(line.x) > 1)


def _band(
    bench: Bench, side: Side, sweeps: Sweeps, x: Floats, point: Callable[[float], Point]
) -> Curve:
    """Return the line over those of `x` (n,) whose points lie inside what was swept."""
    points = [(float(value), point(float(value))) for value in x]
    inside = [
        (value, clean_estimate(bench, sweeps, at))
        for value, at in points
        if not any(outside(sweep, bench.limits, *at) for sweep in sweeps)
    ]
    return curve_of(side, inside)


def _over_hours(bench: Bench, flow: float, temperature: float, notes: list[str]) -> Iterator[Curve]:
    ingression = bench.case.application.duty.ingression
    if ingression is None or not ingression.value > 0:
        notes.append(say("no ingression stated: no prediction over service hours"))
        return
    sides = _sides(bench, notes, loaded_specimens, flow, temperature)
    for side, specimens in sides.items():
        mass = np.linspace(0.0, min(one.mass_to(one.tested)[0] for one in specimens), 2 * POINTS)
        drops = np.array([one.at_mass(mass) for one in specimens])
        relative = 1.96 * (ingression.u or 0.0) / ingression.value
        slow, fast = (
            np.array([one.at_mass(np.minimum(mass * f, one.mass[-1])) for one in specimens])
            for f in (max(0.0, 1.0 - relative), 1.0 + relative)
        )
        ends = {"low": slow.min(axis=0), "high": fast.max(axis=0)}
        hours = mass / ingression.value
        yield Curve(side=side, label=side, x=hours, y=drops.mean(axis=0), **ends)
