"""The share of the pump's flow that takes the fine path, by the arrangement of the circuit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dossier.case.application import HAS_FINE, Circuit
from dossier.evidence.bench import Bench
from dossier.evidence.quantities.pressure import (
    FIT,
    OF_THE_SWEEPS,
    OIL,
    oil_accuracy,
    outside,
    sweep_inputs,
)
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.records.reduced import PressureDropResult
from dossier.evidence.records.usable import usable_sweeps
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.combine import budget, combine_results, once
from dossier.evidence.statistics.estimate import (
    Component,
    Estimate,
    NotDemonstrated,
    stop_if,
)
from dossier.physics.circuit import split_parallel, split_to_sump
from dossier.physics.pressure_drop import Path
from dossier.words import later, say

Ab = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """The sweeps of one specimen: its fine path, and its full-flow path where there is one."""

    fine: PressureDropResult
    main: PressureDropResult | None

    @property
    def sweeps(self) -> dict[str, PressureDropResult]:
        """The sweeps by path: "fine", and "main" where there is one."""
        return {"fine": self.fine} | ({} if self.main is None else {"main": self.main})


@dataclass(frozen=True, slots=True)
class _Oil:
    flow: float
    mu: float
    rho: float
    gallery: float
    opening: float
    """Highest opening pressure of the bypass valve [Pa]; inf without one."""


@once("oil", "circuit", "pressure")
def fine_share(bench: Bench, side: Side, temperature: float) -> Estimate:
    """Return the share [-] of the rated flow through the fine path at oil `temperature` [K].

    From the pressure balance of the paths: to the sump against the gallery pressure, or parallel
    to the full-flow medium where both lead to the engine.  Uncertainty by shifting every input of
    the flow sweeps (JCGM 100:2008, 5.1.4).
    """
    circuit = bench.case.application.circuit
    if circuit.arrangement not in HAS_FINE:
        stop_if(say("the arrangement {name} has no fine path", name=circuit.arrangement))
    pairs = pairs_of(bench, side)
    gallery = circuit.gallery_pressure
    if circuit.arrangement != "combined_through_flow" and gallery is None:
        words = later(
            "the application states no gallery pressure, the regulated pressure at the "
            "bearings that drives the fine path"
        )
        raise NotDemonstrated(say(words))
    try:
        mu, rho = fluid_at(bench.case.application.oil, temperature)
        opening = circuit.opening.max if circuit.opening else math.inf
        oil = _Oil(circuit.pumped, mu, rho, gallery or 0.0, opening)
        shares = [_share(pair, oil) for pair in pairs]
    except ValueError as error:
        raise NotDemonstrated(say("flow split: {error}", error=error)) from None
    for pair, share in zip(pairs, shares, strict=True):
        why = outside(pair.fine, bench.limits, share * oil.flow, mu, rho)
        if pair.main is not None:
            why = why or outside(pair.main, bench.limits, (1.0 - share) * oil.flow, mu, rho)
        stop_if(why, pair.fine.record)
    return _estimate(bench, pairs, shares, oil)


def path_flow(circuit: Circuit, path: str) -> float | None:
    """Return the flow of one path in the application [m3/s].

    The rated flow; for a fine path its stated share of the pump's flow, None where none is stated.
    A circuit of partial flow alone has a fine path, however its records name it.
    """
    if circuit.path_of(path) != "fine":
        return circuit.rated_flow
    share = circuit.partial_flow_share
    return None if share is None else share * circuit.pumped


def _notes(bench: Bench, pairs: Sequence[Pair], oil: _Oil) -> tuple[str, ...]:
    words = later("share of the pump flow as stated")
    if bench.case.application.circuit.pump_flow is None:
        words = later("share of the rated flow, which stands for the pump flow as none is stated")
    opened = later(
        "the bypass valve is open at this temperature: it holds the full-flow medium's pressure "
        "drop at its highest opening pressure"
    )
    opens = any(pair.main and _drop(_ab(pair.main), oil) > oil.opening for pair in pairs)
    return (say(words), say(opened)) if opens else (say(words),)


def pairs_of(bench: Bench, side: Side) -> tuple[Pair, ...]:
    """Return the sweeps of each specimen that the arrangement needs."""
    arrangement = bench.case.application.circuit.arrangement
    try:
        fine = usable_sweeps(bench, side, "fine")
    except NotDemonstrated as why:
        raise NotDemonstrated(say("fine path: {reason}", reason=why.reason), why.records) from None
    if arrangement == "partial_flow":
        return tuple(Pair(fine=s, main=None) for s in fine)
    main = usable_sweeps(bench, side)
    of = {sweep.specimen: sweep for sweep in main}
    lacking = [sweep.specimen for sweep in fine if sweep.specimen not in of]
    if lacking:
        stop_if(say("no full-flow sweep of specimen {names}", names=", ".join(lacking)))
    return tuple(Pair(fine=s, main=of[s.specimen]) for s in fine)


def _ab(sweep: PressureDropResult) -> Ab:
    return sweep.assembly.a, sweep.assembly.b


def _share(pair: Pair, oil: _Oil, **moved: Ab) -> float:
    """Return the share through the fine path, with the coefficients of a path as `moved`.

    Where the full-flow medium would open the bypass valve, the valve holds its pressure drop at
    the highest opening pressure.
    """
    ab = {name: _ab(sweep) for name, sweep in pair.sweeps.items()} | moved
    path, main = Path(*ab["fine"]), ab.get("main")
    if not oil.gallery > 0:
        if main is None:
            raise ValueError(say("a parallel split needs a full-flow path"))
        return split_parallel([Path(*main), path], oil.flow, oil.mu, oil.rho)[1]
    if main is not None and _drop(main, oil) > oil.opening:
        return split_to_sump(path, oil.flow, oil.gallery + oil.opening, oil.mu, oil.rho)
    through = Path(*main) if main is not None else None
    return split_to_sump(path, oil.flow, oil.gallery, oil.mu, oil.rho, through)


def _drop(main: Ab, oil: _Oil) -> float:
    return Path(*main).at(oil.flow, oil.mu, oil.rho)


def _moved(start: Ab, slope: Ab, step: float) -> Ab:
    return max(0.0, start[0] + slope[0] * step), max(0.0, start[1] + slope[1] * step)


def _estimate(bench: Bench, pairs: Sequence[Pair], shares: Sequence[float], oil: _Oil) -> Estimate:
    own = [_own(pair, share, oil) for pair, share in zip(pairs, shares, strict=True)]
    shared, notes = _shared(bench, pairs, shares, oil), _notes(bench, pairs, oil)
    fine, told = [pair.fine for pair in pairs], {"own_name": FIT}
    return combine_results(bench, fine, shares, own, shared, notes=notes, **told)


def _own(pair: Pair, share: float, oil: _Oil) -> float:
    """Return what the fits' own covariances give the share [-]."""
    total = 0.0
    for path, sweep in pair.sweeps.items():
        covariance, slopes = sweep.assembly.covariance, np.zeros(2)
        for k, unit in enumerate(((1.0, 0.0), (0.0, 1.0))):
            if (step := math.sqrt(max(0.0, float(covariance[k, k])))) > 0:
                moved = {path: _moved(_ab(sweep), unit, step)}
                slopes[k] = (_share(pair, oil, **moved) - share) / step
        total += float(slopes @ covariance @ slopes)
    return math.sqrt(max(0.0, total))


def _shared(
    bench: Bench, pairs: Sequence[Pair], shares: Sequence[float], oil: _Oil
) -> list[Component]:
    """Return the shared components; errors of one instrument add up over both paths."""
    found = []
    for pair, share in zip(pairs, shares, strict=True):
        for path, sweep in pair.sweeps.items():
            for name, slope, known in sweep_inputs(bench, sweep):
                change = _share(pair, oil, **{path: _moved(_ab(sweep), slope, known.u)}) - share
                found.append((OF_THE_SWEEPS[name], known, change / len(pairs)))
    known = oil_accuracy(bench, oil.mu, oil.rho)
    thicker = replace(oil, mu=oil.mu * (1.0 + known.u))
    moved = [_share(pair, thicker) for pair in pairs]
    return budget([*found, (OIL, known, float(np.mean(moved)) - float(np.mean(shares)))])
