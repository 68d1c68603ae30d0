"""The loaded filter on duty: pressure drop at the interval, margin to the valve, life."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from dossier.evidence.bench import Bench
from dossier.evidence.quantities.capacity import (
    Loaded,
    injection_flow_components,
    injection_level_u,
    loaded_specimens,
)
from dossier.evidence.quantities.pressure import pressure_components, range_notes
from dossier.evidence.quantities.valve import lowest_opening
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.records.usable import usable_runs, usable_sweeps
from dossier.evidence.registry import NORMAL_OIL, RATED_FLOW, Conditions, Quantity, StatedAt
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import (
    SHOWN,
    generator,
    half_width_of,
    middle_of,
    once,
    positive_normal,
    scatter_component,
    stated_ingression,
    trials,
    widening,
)
from dossier.evidence.statistics.estimate import (
    Budget,
    Component,
    Estimate,
    NotDemonstrated,
    SpecimenValue,
)
from dossier.physics.values import Bounded, Floats
from dossier.words import later, say

HOURS = StatedAt(name="hours", dimension="time", unit="h", default="duty.service_interval")
STANDARD = (
    "loading curve of the run as described in ISO 4548-12:2017 (from memory), carried by the "
    "viscous part of the element (common practice); Monte Carlo after JCGM 101:2008"
)
_on_duty = partial(Quantity, conditions=(RATED_FLOW, NORMAL_OIL, HOURS), section="pressure")
_declared = partial(_on_duty, dimension="pressure", unit="kPa", standard=STANDARD)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draws:
    """Draws of what all specimens of a side have in common."""

    rate: Floats
    """Ingression (m,) [kg/s]."""
    mass: Floats
    """Relative error of the injected mass, injection flow (m,) [-]."""
    drop: Floats
    """Relative error of the carried pressure drop (m,) [-]."""
    own_mass: Floats
    """Relative error of each run's injected mass, gravimetry (n, m) [-]."""


@once("duty", "oil", "multipass", "pressure")
def _draws(bench: Bench, side: Side, flow: float, temperature: float) -> _Draws:
    value, u = stated_ingression(bench)
    runs, sweeps = usable_runs(bench, side), usable_sweeps(bench, side)
    # One stream for the duty and one for each shared instrument: both filters see the same error.
    rates = positive_normal(generator(bench, "ingression"), value, u)
    flows = injection_flow_components(bench, runs, [1.0] * len(runs))
    parts = pressure_components(
        bench, sweeps, flow, *fluid_at(bench.case.application.oil, temperature)
    )
    loaded = loaded_specimens(bench, side, flow, temperature)
    mean = float(np.mean([one.clean for one in loaded]))
    extra = widening(bench, [run.record for run in runs] + [sweep.record for sweep in sweeps], 1.0)
    rng = generator(bench, f"{side} gravimetry")
    own = [injection_level_u(bench, bench.entries[run.record]) for run in runs]
    return _Draws(
        rate=rates,
        mass=_shared(bench, side, flows, 1.0),
        drop=_shared(bench, side, [*parts], mean) + _shared(bench, side, extra, 1.0),
        own_mass=np.array(own)[:, None] * rng.standard_normal((len(runs), trials())),
    )


def _shared(bench: Bench, side: Side, components: Sequence[Component], scale: float) -> Floats:
    total: Floats = np.zeros(trials())
    for part in components:
        rng = generator(bench, f"{part.name} {part.shared or side}")
        total = total + part.u / scale * rng.standard_normal(trials())
    return total


def _loaded_drop(specimens: Sequence[Loaded], draws: _Draws, seconds: float) -> Floats:
    """Return draws of each specimen's pressure drop after `seconds` on duty (n, m) [Pa]."""
    mass = draws.rate * seconds
    drops = [
        one.at_mass(mass / (1.0 + draws.mass + own)) * (1.0 + draws.drop)
        for one, own in zip(specimens, draws.own_mass, strict=True)
    ]
    return np.array(drops)


def _estimate(
    bench: Bench,
    purpose: str,
    specimens: Sequence[Loaded],
    found: Sequence[Bounded],
    draw: Callable[[str], Floats],
    inputs: Sequence[str],
) -> Estimate:
    """Return the estimate of the mean from the nominal values `found` (n) and draws of each.

    The scatter of the specimens is added by t with n - 1 degrees of freedom; `draw` gives each
    specimen (n, m) with one of the `inputs` varied by itself, or under "" with all of them.
    """
    n, own, nominal = len(specimens), draw(""), np.array([each.value for each in found])
    samples, scatter = own.mean(axis=0), []
    if n > 1 and np.isfinite(nominal).all():
        u = float(nominal.std(ddof=1)) / math.sqrt(n)
        samples = samples + u * generator(bench, f"{purpose} scatter").standard_t(n - 1, trials())
        scatter = [scatter_component(n, u)]

    def components() -> Iterator[Component]:
        yield from scatter
        for name in inputs:
            u = half_width_of(draw(name).mean(axis=0))
            yield Component(name=name, u=u, source=say("Monte Carlo, this input alone"))

    each = [
        SpecimenValue.of(one, value, half_width_of(draws), bound)
        for one, (value, bound), draws in zip(specimens, found, own, strict=True)
    ]
    return Estimate(
        value=float(nominal.mean()),
        u=half_width_of(samples),
        per_specimen=tuple(each),
        components=Budget(components),
        bound="larger than" if any(each.bound for each in found) else "",
        samples=samples,
        specimen_samples=own,
        sources=tuple(dict.fromkeys(i for one in specimens for i in (one.record, *one.sweeps))),
    )


def _alone(draws: _Draws, name: str) -> _Draws:
    """Return draws in which only the named input varies, or all; any other is one number for all.

    A result only rises or only falls with one that all specimens share: the ends of its middle
    68.27 % are those of the result's, and no other draw is looked at.
    """
    if not name:
        return draws
    still, rate, own = np.zeros(1), draws.rate[:SHOWN], draws.own_mass[:, :SHOWN]
    return _Draws(
        rate=middle_of(rate) if name == "ingression" else np.median(rate, keepdims=True),
        mass=middle_of(draws.mass[:SHOWN]) if name == "injection flow" else still,
        drop=draws.drop[:SHOWN] if name == "clean pressure drop" else still,
        own_mass=own if name == "gravimetry" else np.zeros((len(own), 1)),
    )


INPUTS = (
    later("ingression"), later("injection flow"), later("gravimetry"), later("clean pressure drop"),
)  # fmt: skip
OPENING = later("opening pressure")


@once()
def _drop_estimate(
    bench: Bench, side: Side, flow: float, temperature: float, seconds: float
) -> Estimate:
    specimens = loaded_specimens(bench, side, flow, temperature)
    draws = _draws(bench, side, flow, temperature)
    rate, _ = stated_ingression(bench)
    nominal = [float(one.at_mass(np.array(rate * seconds))) for one in specimens]
    if not np.isfinite(nominal).all():
        heaviest = min(float(one.mass[-1]) for one in specimens)
        words = later(
            "{mass:.4g} g reach the filter in {hours:g} h, more than the {most:.4g} g of the test"
        )
        grams, most = rate * seconds * 1e3, heaviest * 1e3
        reason = say(words, mass=grams, hours=seconds / 3600, most=most)
        raise NotDemonstrated(reason, tuple(one.record for one in specimens))
    _accept_pressure(specimens, max(nominal))

    def drop(name: str) -> Floats:
        return _loaded_drop(specimens, _alone(draws, name), seconds)

    values = [Bounded(value) for value in nominal]
    found = _estimate(bench, f"{side} loaded pressure drop", specimens, values, drop, INPUTS)
    return replace(found, notes=_notes(bench, side, temperature))


def _accept_pressure(specimens: Sequence[Loaded], pressure: float) -> None:
    """Raise NotDemonstrated where a result would rest on a pressure [Pa] that no run went to.

    What the element does above the differential pressure of its run is not known.
    """
    tested = min(one.tested for one in specimens)
    if pressure > tested * (1.0 + 1e-9):
        words = later(
            "{pressure:.4g} kPa is more than the {tested:.4g} kPa that the filter was run to"
        )
        reason = say(words, pressure=pressure / 1e3, tested=tested / 1e3)
        raise NotDemonstrated(reason, tuple(one.record for one in specimens))


def _notes(bench: Bench, side: Side, temperature: float) -> tuple[str, ...]:
    mu, rho = fluid_at(bench.case.application.oil, temperature)
    return say(DUST), *range_notes(usable_sweeps(bench, side), mu / rho)


DUST = later("test dust stands for the application's contaminant: a comparison, not a promise")


@_declared(
    title="Pressure drop at the service interval",
    symbol="Δp(t)",
    records=("pressure_drop", "multipass"),
    better="lower",
    meaning="Predicted differential pressure of the loaded assembly after the stated hours.",
    formula="Δp(m) = ah·µ·Q + b·ρ·Q² + (a − ah)·µ·Q·g(m), m = R·t",
    example='at = { temperature = "90 degC" }\nmax = "100 kPa"',
)
def pressure_drop_at_interval(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the loaded pressure drop [Pa] at `at["flow"]`, `at["temperature"]`, `at["hours"]`."""
    return _drop_estimate(bench, side, at["flow"], at["temperature"], at["hours"])


@_declared(
    title="Margin to the bypass valve",
    symbol="M",
    records=("pressure_drop", "multipass", "bypass_valve"),
    better="higher",
    share_of="",
    meaning="Lowest opening pressure of the valve less the predicted differential pressure.",
    formula="M = pmin − Δp(t)",
    example='at = { temperature = "90 degC", hours = "350 h" }\nmin = "40 kPa"',
)
def bypass_margin(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the margin [Pa]; the assembly's whole pressure drop counts as that at the valve."""
    opening = lowest_opening(bench, side)
    drop = _drop_estimate(bench, side, at["flow"], at["temperature"], at["hours"])
    limits = _limit_draws(bench, side, opening)
    assert drop.samples is not None
    assert drop.specimen_samples is not None
    source = "; ".join(opening.notes)
    of_valve = Component(name=OPENING, u=opening.u, dof=opening.dof, source=source)
    return replace(
        drop,
        value=opening.value - drop.value,
        u=math.hypot(drop.u, opening.u),
        per_specimen=tuple(
            replace(s, value=opening.value - s.value, u=math.hypot(s.u, opening.u))
            for s in drop.per_specimen
        ),
        components=Budget(lambda: (*drop.components, *[of_valve] * (opening.u > 0))),
        samples=limits - drop.samples,
        specimen_samples=limits - drop.specimen_samples,
        sources=drop.sources + opening.sources,
        notes=drop.notes + opening.notes,
    )


@Quantity(
    title="Predicted service life",
    symbol="t*",
    dimension="time",
    unit="h",
    section="capacity",
    records=("multipass", "pressure_drop", "bypass_valve"),
    better="higher",
    meaning="Hours until the loaded filter reaches the valve's lowest opening pressure with oil "
    "at its normal temperature and rated flow; without a valve, its terminal pressure drop.",
    formula="t* = m / R, m where Δp(m) reaches pmin, linear between readings",
    standard=STANDARD,
    example='min = "600 h"',
)
def service_life(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the predicted life [s]; a bound where the run carried ends below the opening."""
    application = bench.case.application
    flow, warmth = application.circuit.rated_flow, application.duty.normal_oil
    specimens = loaded_specimens(bench, side, flow, warmth)
    draws = _draws(bench, side, flow, warmth)
    rate, _ = stated_ingression(bench)
    limit = _life_limit(bench, side)
    _accept_pressure(specimens, limit.value)
    masses = [one.mass_to(limit.value) for one in specimens]
    values = [Bounded(mass / rate, bound) for mass, bound in masses]
    # Beyond the tested loading nothing changes: a draw far out in the tail only thins the grid.
    top = 2.0 * max(float(one.drop[-1]) for one in specimens)
    limits = np.clip(_limit_draws(bench, side, limit), 0.0, top)

    ends = {OPENING: limits} if limit.u > 0 else {}
    still = np.array([limit.value])

    def life(name: str) -> Floats:
        return _lives(
            specimens, _alone(draws, name), ends.get(name, still)[:SHOWN] if name else limits
        )

    found = _estimate(bench, f"{side} life", specimens, values, life, (*INPUTS, *ends))
    return replace(found, notes=(*_notes(bench, side, warmth), *limit.notes))


def _life_limit(bench: Bench, side: Side) -> Estimate:
    if bench.case.application.circuit.opening:
        return lowest_opening(bench, side)
    terminal = min(run.terminal + run.housing for run in usable_runs(bench, side))
    return Estimate(value=terminal, u=0.0)


def _limit_draws(bench: Bench, side: Side, opening: Estimate) -> Floats:
    """Return draws of the valve's lowest opening pressure (m,) [Pa]; one stream a side."""
    rng = generator(bench, f"{side} opening pressure")
    few = opening.dof < math.inf
    t = rng.standard_t(opening.dof, trials()) if few else rng.standard_normal(trials())
    return opening.value + opening.u * t


def _lives(specimens: Sequence[Loaded], draws: _Draws, limit: Floats) -> Floats:
    """Return draws of each specimen's life (n, m) [s]; `limit` (m or 1) [Pa]."""
    # A pressure drop that is really higher by a factor reaches the limit at the reading
    # limit / factor: the inverse of the loading curve, interpolated once for all draws.
    lives = [
        _masses(one, limit / (1.0 + draws.drop)) * (1.0 + draws.mass + own) / draws.rate
        for one, own in zip(specimens, draws.own_mass, strict=True)
    ]
    return np.array(lives)


def _masses(one: Loaded, wanted: Floats) -> Floats:
    """Return the mass at each wanted drop; at most the largest tested mass, the safe side."""
    grid = np.linspace(float(wanted.min()), float(wanted.max()), 401)
    return np.interp(wanted, grid, one.masses_to(grid))
