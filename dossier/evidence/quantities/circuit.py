"""Behaviour in the circuit: share through the fine path, turnover, long-run contamination."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from dossier.case.application import HAS_FINE, HAS_MAIN
from dossier.evidence.bench import Bench, Curve, curve_of
from dossier.evidence.quantities.filtration import inverse
from dossier.evidence.quantities.fine_path import fine_share
from dossier.evidence.quantities.sump import class_efficiency, sump_estimate
from dossier.evidence.records.usable import usable_runs
from dossier.evidence.registry import NORMAL_OIL, SIZE, Conditions, Quantity
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import SHOWN, half_width_of, with_trials
from dossier.evidence.statistics.estimate import (
    Budget,
    Component,
    Estimate,
    NotDemonstrated,
    attempt,
)
from dossier.physics import circuit as physics
from dossier.physics import particles
from dossier.words import say

SPLIT = (
    "equal pressure of parallel paths, each a·µ·Q + b·ρ·Q² (own, from mass and pressure balance)"
)
BALANCE = "sump balance in closed form (mass balance); ISO 12103-1 A3 counts from memory"
_declared = partial(Quantity, section="circuit", conditions=(NORMAL_OIL,))
_split = partial(_declared, records=("pressure_drop",), standard=SPLIT, of_fine_path=True)
_balanced = partial(_declared, records=("multipass", "pressure_drop"), better="lower")


@_split(
    title="Share through the fine path",
    symbol="w",
    dimension="fraction",
    unit="%",
    better="neither",
    meaning="Share of the rated flow that passes the fine path, from the balance of pressures.",
    formula="Δpf(w·Q) = pg + Δpm((1 − w)·Q); with all oil to the engine Δpf(w·Q) = Δpm((1 − w)·Q)",
    example='at = { temperature = "90 degC" }\nbetween = { min = "5 %", max = "15 %" }',
)
def partial_flow_share(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the share of the rated flow through the fine path [-] at `at["temperature"]` [K]."""
    return fine_share(bench, side, at["temperature"])


@_split(
    title="Time for the sump to pass the fine path once",
    symbol="τ",
    dimension="time",
    unit="min",
    better="lower",
    meaning="Time in which the fine path passes one sump volume; with perfect mixing 36.8 % of "
    "the oil has then not yet passed.",
    formula="τ = V / (w·Q)",
    example='at = { temperature = "90 degC" }\nmax = "8 min"',
)
def turnover_time(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the time [s] in which the fine path passes one sump volume."""
    circuit = bench.case.application.circuit
    if circuit.sump_volume is None or not circuit.sump_volume > 0:
        raise NotDemonstrated(say("the application states no sump volume"))
    share = fine_share(bench, side, at["temperature"])
    return inverse(share, circuit.sump_volume / circuit.pumped)


@_balanced(
    title="Long-run concentration in the sump",
    symbol="C",
    dimension="count concentration",
    unit="1/mL",
    conditions=(SIZE, NORMAL_OIL),
    meaning="Particles of a size and larger in a millilitre of sump oil after a long time.",
    formula="C = R(x) / (Q·[(1 − w)·E(x) + w·Ef(x)])",
    standard=BALANCE,
    example='at = { size = "10 um(c)", temperature = "90 degC" }\nmax = "200 1/mL"',
)
def sump_concentration(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the long-run concentration in the sump [1/mL]."""
    return sump_estimate(bench, side, at["size"], at["temperature"])


@_balanced(
    title="Cleanliness code of the sump, classes above the wanted",
    symbol="K",
    dimension="cleanliness code",
    unit="classes",
    share_of="",
    meaning="Long-run ISO 4406 code of the sump at 4, 6 and 14 µm(c) against the wanted code: "
    "classes by which the worst of the three sizes lies above it, negative when all lie below.",
    formula="K = max over the sizes of lg(C / Cw) / lg 2",
    standard="ISO 4406:2021 (table from memory); " + BALANCE,
    example='at = { temperature = "90 degC" }\nmax = "18/16/13"',
)
def sump_cleanliness(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return by how many classes the sump's code exceeds the wanted code [-]."""
    numbers = [int(n) for n in re.findall(r"\d+", str(at["code"]))]
    try:
        limits = [particles.upper_limit(number) for number in numbers]
    except ValueError as error:
        raise NotDemonstrated(say("wanted code: {error}", error=error)) from None
    return _classes([sump_estimate(bench, side, size, at["temperature"]) for size in CODED], limits)


def _classes(found: list[Estimate], limits: list[float]) -> Estimate:
    def classes(values: list[float]) -> list[float]:
        return [math.log2(v / limit) for v, limit in zip(values, limits, strict=True)]

    def leading() -> Iterator[Component]:
        """Yield the parts of the size that is worst: log2 turns them into classes."""
        one = found[int(np.argmax(classes(values)))]
        for part in one.components:
            yield part.times(1.0 / (one.value * math.log(2.0)))

    drawn = [one.samples for one in found if one.samples is not None]
    rows = zip(drawn, limits, strict=True)
    draws = np.max([np.log2(np.maximum(one, 1e-300) / limit) for one, limit in rows], axis=0)
    u = half_width_of(draws)
    specimens = [
        replace(each[0], value=max(classes([one.value for one in each])), u=u, bound="")
        for each in zip(*(one.per_specimen for one in found), strict=True)
    ]
    values = [one.value for one in found]
    code = particles.code(*values)
    return Estimate(
        value=max(classes(values)),
        u=u,
        per_specimen=tuple(specimens),
        components=Budget(leading),
        samples=draws,
        sources=tuple(dict.fromkeys(s for one in found for s in one.sources)),
        notes=(say("long-run code {code}", code=code), *found[0].notes),
        details={"code": code},
    )


CODED = (4.0, 6.0, 14.0)
"""Sizes of an ISO 4406 code [um(c)]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LongRun:
    """Long-run contamination of one size class at normal oil."""

    size: float
    """[um(c)] and larger."""
    sump: float
    """[1/mL]."""
    u: float
    """Standard uncertainty of it [1/mL]."""
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
    if bench.case.application.circuit.sump_volume is None:
        return ()
    return tuple(_side(bench, side) for side in bench.sides)


def _side(bench: Bench, side: Side) -> CircuitSide:
    circuit, duty = bench.case.application.circuit, bench.case.application.duty
    notes: list[str] = []
    share, curve, turnover = None, None, None
    if circuit.arrangement in HAS_FINE:
        found = attempt(fine_share, bench, side, duty.normal_oil)
        if isinstance(found, NotDemonstrated):
            notes.append(say("share through the fine path: {reason}", reason=found.reason))
        else:
            share = found
            turnover = (circuit.sump_volume or math.nan) / (found.value * circuit.pumped)
            curve = _curve(bench, side)
    long_run = tuple(_long_run(bench, side, notes))
    spared, covered = _spared(bench, side, notes)
    return CircuitSide(
        side=side, share=share, turnover=turnover, share_curve=curve, long_run=long_run,
        code=_code(long_run), spared=spared, spared_mass_share=covered,
        notes=tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _curve(bench: Bench, side: Side) -> Curve | None:
    duty = bench.case.application.duty
    temperatures = np.linspace(duty.cold_start, duty.hot_oil, 25)
    with with_trials(SHOWN):
        found = [(float(t), attempt(fine_share, bench, side, float(t))) for t in temperatures]
    shares = [(t, one) for t, one in found if isinstance(one, Estimate)]
    return curve_of(side, shares) if shares else None


def _counted(bench: Bench, side: Side) -> list[float]:
    path = "full_flow" if bench.case.application.circuit.arrangement in HAS_MAIN else "fine"
    runs = attempt(usable_runs, bench, side, path)
    return [] if isinstance(runs, NotDemonstrated) else [float(size) for size in runs[0].sizes]


def _long_run(bench: Bench, side: Side, notes: list[str]) -> Iterator[LongRun]:
    circuit = bench.case.application.circuit
    temperature = bench.case.application.duty.normal_oil
    for size in _counted(bench, side):
        try:
            with with_trials(SHOWN):
                one = sump_estimate(bench, side, size, temperature)
        except NotDemonstrated as why:
            notes.append(say("{size:g} µm(c): {reason}", size=size, reason=why.reason))
            continue
        cleaned = float(str(one.details["cleaned"]))
        passage = float(str(one.details["passage"]))
        volume = circuit.sump_volume or math.inf
        constant = physics.time_constant(volume, circuit.pumped, cleaned)
        reach = {"bearings": passage * one.value, "time_constant": constant}
        yield LongRun(size=size, sump=one.value, u=one.u, **reach)


def _code(long_run: Sequence[LongRun]) -> str:
    at = {each.size: each.sump for each in long_run}
    known = [at[size] for size in CODED if size in at]
    return particles.code(*known) if len(known) == len(CODED) else ""


def _spared(bench: Bench, side: Side, notes: list[str]) -> tuple[float | None, float]:
    """Return how much longer the full-flow filter lives with the fine path beside it.

    In each size class between neighbouring counted sizes the full-flow filter catches its part of
    the flow cleaned; the classes are weighted by the mass of A3 dust in them.
    """
    arrangement = bench.case.application.circuit.arrangement
    if arrangement not in HAS_FINE & HAS_MAIN:
        return None, 0.0
    try:
        main, fine = usable_runs(bench, side), usable_runs(bench, side, "fine")
        share = fine_share(bench, side, bench.case.application.duty.normal_oil)
        if not np.array_equal(main[0].sizes, fine[0].sizes):
            raise NotDemonstrated(say("the paths were counted at other sizes"))
        mass = np.diff([particles.volume_finer(float(size)) for size in main[0].sizes])
    except (NotDemonstrated, ValueError) as why:  # or a size beyond the table of the dust
        notes.append(say("life with and without the fine path: {reason}", reason=why))
        return None, 0.0
    own, other = (class_efficiency(runs)[:-1] for runs in (main, fine))
    caught = (1.0 - share.value) * own
    cleaned = caught + share.value * other
    part = np.where(cleaned > 0, caught / np.where(cleaned > 0, cleaned, 1.0), 1.0)
    return float(mass.sum() / (mass * part).sum()), float(mass.sum())
