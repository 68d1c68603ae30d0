"""Lines for the charts: clean and loaded pressure drop over flow, temperature and hours."""

from collections.abc import Callable, Sequence

import numpy as np

from dossier.evidence.bench import Bench, Curve, Curves, curve_of
from dossier.evidence.quantities.capacity import loaded_specimens
from dossier.evidence.quantities.pressure import clean_estimate, outside
from dossier.evidence.records.fluid import fluid_at, kinematic_at
from dossier.evidence.records.reduced import PressureDropResult
from dossier.evidence.records.usable import usable_sweeps
from dossier.evidence.spoken import SIDES, Side
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from dossier.physics.values import Floats
from dossier.words import say

POINTS = 41


def curves_of(bench: Bench) -> Curves:
    """Return every line the charts need; a side that cannot be computed is left out with a note."""
    notes: list[str] = []
    application = bench.case.application
    flow, duty, oil = application.circuit.rated_flow, application.duty, application.oil
    sides = _sides(bench, notes)
    cold = _coldest(bench, [s for group in sides.values() for s in group])
    flows = np.linspace(0.05, 1.1, POINTS) * flow
    hot = [_over_flow(bench, side, group, flows, duty.hot_oil) for side, group in sides.items()]
    chilled = [
        _over_flow(bench, side, group, flows, cold)
        for side, group in sides.items()
        if cold is not None
    ]
    warmth = np.array([]) if cold is None else np.linspace(cold, duty.hot_oil, POINTS)
    temperature = [
        _band(bench, side, group, warmth, lambda t: (flow, *fluid_at(oil, t)))
        for side, group in sides.items()
    ]
    return Curves(
        clean_hot=tuple(c for c in hot if len(c.x)),
        clean_cold=tuple(c for c in chilled if len(c.x)),
        cold_temperature=cold,
        against_temperature=tuple(c for c in temperature if len(c.x)),
        against_hours=tuple(_over_hours(bench, flow, duty.normal_oil, notes)),
        notes=tuple(notes),
    )


def _sides(bench: Bench, notes: list[str]) -> dict[Side, tuple[PressureDropResult, ...]]:
    found: dict[Side, tuple[PressureDropResult, ...]] = {}
    for side in bench.sides:
        sweeps = attempt(usable_sweeps, bench, side)
        if isinstance(sweeps, NotDemonstrated):
            notes.append(say("{side}: {reason}", side=say(SIDES[side]), reason=sweeps.reason))
        else:
            found[side] = sweeps
    return found


def _coldest(bench: Bench, sweeps: Sequence[PressureDropResult]) -> float | None:
    """Return the cold start, or the coldest oil that the tested viscosities allow [K]."""
    if not sweeps:
        return None
    oil, duty = bench.case.application.oil, bench.case.application.duty
    thickest = min(float((s.viscosity / s.density).max()) for s in sweeps)
    allowed = thickest * bench.limits.viscosity_factor * 0.999
    for temperature in np.arange(duty.cold_start, duty.hot_oil, 0.5):
        if kinematic_at(oil, float(temperature)) <= allowed:
            return float(temperature)
    return None


Point = tuple[float, float, float]


def _over_flow(
    bench: Bench,
    side: Side,
    sweeps: Sequence[PressureDropResult],
    flows: Floats,
    temperature: float,
) -> Curve:
    try:
        mu, rho = fluid_at(bench.case.application.oil, temperature)
    except ValueError:  # the quantities say why; the chart stays empty
        flows = flows[:0]
    return _band(bench, side, sweeps, flows, lambda q: (q, mu, rho))


def _band(
    bench: Bench,
    side: Side,
    sweeps: Sequence[PressureDropResult],
    x: Floats,
    point: Callable[[float], Point],
) -> Curve:
    """Return the line over those of `x` (n,) whose points lie inside what was swept."""
    points = [(float(value), point(float(value))) for value in x]
    inside = [
        (value, clean_estimate(bench, sweeps, at))
        for value, at in points
        if not any(outside(sweep, bench.limits, *at) for sweep in sweeps)
    ]
    return curve_of(side, inside)


def _over_hours(bench: Bench, flow: float, temperature: float, notes: list[str]) -> list[Curve]:
    ingression = bench.case.application.duty.ingression
    if ingression is None or not ingression.value > 0:
        notes.append(say("no ingression stated: no prediction over service hours"))
        return []
    found = []
    for side in bench.sides:
        specimens = attempt(loaded_specimens, bench, side, flow, temperature)
        if isinstance(specimens, NotDemonstrated):
            notes.append(say("{side}: {reason}", side=say(SIDES[side]), reason=specimens.reason))
            continue
        most = min(one.mass_to(one.tested)[0] for one in specimens)
        mass = np.linspace(0.0, most, 2 * POINTS)
        drops = np.array([one.at_mass(mass) for one in specimens])
        relative = 1.96 * (ingression.u or 0.0) / ingression.value
        slow, fast = (
            np.array([one.at_mass(np.minimum(mass * f, one.mass[-1])) for one in specimens])
            for f in (max(0.0, 1.0 - relative), 1.0 + relative)
        )
        ends = {"low": slow.min(axis=0), "high": fast.max(axis=0)}
        hours = mass / ingression.value
        found.append(Curve(side=side, label=side, x=hours, y=drops.mean(axis=0), **ends))
    return found
