"""What either filter does in the circuit: flows, long-run contamination, what it spares."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.bench import Bench, Curve
from dossier.evidence.quantities.fine_path import HAS_FINE, HAS_MAIN, fine_share, pump_flow
from dossier.evidence.quantities.size_classes import class_efficiency
from dossier.evidence.quantities.sump import size_class, sump_estimate
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import Side
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.physics import circuit as physics
from dossier.physics import cleanliness, dust
from dossier.words import say

Floats = NDArray[np.float64]
CODED = (4.0, 6.0, 14.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LongRun:
    """Long-run contamination of one size class at normal oil."""

    size: float
    """[um(c)] and larger."""
    sump: Estimate
    """[1/mL]."""
    bearings: float
    """Concentration of the oil that reaches the bearings [1/mL]."""
    time_constant: float
    """Time in which 63.2 % of a change has happened [s]; inf without a stated sump volume."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitSide:
    """The circuit with one filter in it."""

    side: str
    share: Estimate | None
    """Share through the fine path at normal oil [-]."""
    turnover: float | None
    """Time in which the fine path passes one sump volume at normal oil [s]."""
    share_curve: Curve | None
    """Share through the fine path against oil temperature [K]."""
    long_run: tuple[LongRun, ...]
    code: str
    """ISO 4406 code of the sump in the long run; empty where a size is lacking."""
    spared: float | None
    """Life of the full-flow filter with the fine path over that without it [-]."""
    spared_mass_share: float
    """Share of the dust's mass in the size classes that `spared` rests on [-]."""
    notes: tuple[str, ...]


def circuit_summary(bench: Bench) -> tuple[CircuitSide, ...]:
    """Return the circuit's state for the candidate and, where described, the reference."""
    sides: list[Side] = ["candidate"]
    if bench.case.qualification.reference is not None:
        sides.append("reference")
    if bench.case.application.circuit.sump_volume is None:
        return ()
    return tuple(_side(bench, side) for side in sides)


def _side(bench: Bench, side: Side) -> CircuitSide:
    circuit, duty = bench.case.application.circuit, bench.case.application.duty
    notes: list[str] = []
    share, curve, turnover = None, None, None
    if circuit.arrangement in HAS_FINE:
        found = fine_share(bench, side, duty.normal_oil)
        if isinstance(found, NotDemonstrated):
            notes.append(say("share through the fine path: {reason}", reason=found.reason))
        else:
            share = found
            turnover = (circuit.sump_volume or math.nan) / (found.value * pump_flow(bench))
            curve = _curve(bench, side)
    long_run = _long_run(bench, side, notes)
    spared, covered = _spared(bench, side, notes)
    return CircuitSide(
        side=side, share=share, turnover=turnover, share_curve=curve, long_run=long_run,
        code=_code(long_run), spared=spared, spared_mass_share=covered,
        notes=tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _curve(bench: Bench, side: Side) -> Curve | None:
    duty = bench.case.application.duty
    x, estimates = [], []
    for temperature in np.linspace(duty.cold_start, duty.hot_oil, 25):
        one = fine_share(bench, side, float(temperature))
        if not isinstance(one, NotDemonstrated):
            x.append(float(temperature))
            estimates.append(one)
    if not x:
        return None
    y = np.array([one.value for one in estimates])
    ends = np.array([one.interval() for one in estimates])
    return Curve(side=side, label=side, x=np.array(x), y=y, low=ends[:, 0], high=ends[:, 1])


def _counted(bench: Bench, side: Side) -> list[float]:
    path = "full_flow" if bench.case.application.circuit.arrangement in HAS_MAIN else "fine"
    runs = usable_runs(bench, side, path)
    return [] if isinstance(runs, NotDemonstrated) else [float(size) for size in runs[0].sizes]


def _long_run(bench: Bench, side: Side, notes: list[str]) -> tuple[LongRun, ...]:
    circuit = bench.case.application.circuit
    temperature = bench.case.application.duty.normal_oil
    found = []
    for size in _counted(bench, side):
        one = sump_estimate(bench, side, size, temperature)
        known = size_class(bench, side, size, temperature)
        if isinstance(one, NotDemonstrated) or isinstance(known, NotDemonstrated):
            reason = one.reason if isinstance(one, NotDemonstrated) else say("not known")
            notes.append(say("{size:g} µm(c): {reason}", size=size, reason=reason))
            continue
        parts = [
            part.value if part is not None else empty
            for part, empty in ((known.main, 1.0), (known.fine, 1.0), (known.share, 0.0))
        ]
        cleaned = float(physics.cleaned_share(*parts))
        passage = float(str(one.details["passage"]))
        volume = circuit.sump_volume or math.inf
        found.append(
            LongRun(
                size=size, sump=one, bearings=passage * one.value,
                time_constant=physics.time_constant(volume, pump_flow(bench), cleaned),
            )
        )  # fmt: skip
    return tuple(found)


def _code(long_run: Sequence[LongRun]) -> str:
    at = {each.size: each.sump.value for each in long_run}
    values = [at.get(size) for size in CODED]
    if any(value is None for value in values):
        return ""
    c4, c6, c14 = (float(value) for value in values if value is not None)
    return cleanliness.code(c4, c6, c14)


def _spared(bench: Bench, side: Side, notes: list[str]) -> tuple[float | None, float]:
    """Return how much longer the full-flow filter lives with the fine path beside it.

    In each size class between neighbouring counted sizes the full-flow filter catches its part of
    the flow cleaned; the classes are weighted by the mass of A3 dust in them.
    """
    arrangement = bench.case.application.circuit.arrangement
    if arrangement not in HAS_FINE & HAS_MAIN:
        return None, 0.0
    main, fine = usable_runs(bench, side), usable_runs(bench, side, "fine")
    share = fine_share(bench, side, bench.case.application.duty.normal_oil)
    for one in (main, fine, share):
        if isinstance(one, NotDemonstrated):
            notes.append(say("life with and without the fine path: {reason}", reason=one.reason))
            return None, 0.0
    assert not isinstance(main, NotDemonstrated)
    assert not isinstance(fine, NotDemonstrated)
    assert not isinstance(share, NotDemonstrated)
    sizes = main[0].sizes
    if not np.array_equal(sizes, fine[0].sizes):
        other_sizes = say("the paths were counted at other sizes")
        notes.append(say("life with and without the fine path: {reason}", reason=other_sizes))
        return None, 0.0
    try:
        mass = np.diff([dust.volume_finer(float(size)) for size in sizes])
    except ValueError as error:  # a size beyond the table of the dust
        notes.append(say("life with and without the fine path: {reason}", reason=error))
        return None, 0.0
    own, other = (class_efficiency(runs)[:-1] for runs in (main, fine))
    caught = (1.0 - share.value) * own
    cleaned = caught + share.value * other
    part = np.where(cleaned > 0, caught / np.where(cleaned > 0, cleaned, 1.0), 1.0)
    return float(mass.sum() / (mass * part).sum()), float(mass.sum())
