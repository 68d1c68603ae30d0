"""Rules that hold a multi-pass run against the filter's flow sweeps, and the machine it is for."""

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from dossier.case.application import Application
from dossier.case.case import Case
from dossier.case.fields import SIDES, Measured
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.fine_path import path_flow
from dossier.evidence.records.reduced import PressureDropResult
from dossier.evidence.spoken import number_text
from dossier.evidence.validity.balance import Reduced
from dossier.evidence.validity.readings import Run
from dossier.evidence.validity.rules import AGREES, Found, Rules
from dossier.words import later, say

NEAR = 1.0 + 1e-6
"""Allowance for rounding where equal values are written in different units."""


def terms_of(
    application: Application, kind: str, path: str, term: Literal["flow", "base_level", "terminal"]
) -> tuple[float | None, ...]:
    """Return what requirements state for a kind of test on one flow path, each value once.

    None stands for a requirement that states nothing, whose test is run as the application is: one
    that says otherwise does not speak for the others.  Advisory ones count where none is mandatory.
    A requirement on the circuit states it for the fine path, any other for the full-flow path.
    """
    alone = application.circuit.arrangement == "partial_flow"
    known = all_quantities()
    reading = [
        each
        for each in application.requirement
        if each.quantity in known
        and kind in known[each.quantity].records
        and (alone or (known[each.quantity].section == "circuit") == (path == "fine"))
    ]
    found = []
    for each in [one for one in reading if one.severity == "mandatory"] or reading:
        stated = getattr(each.test, term)
        found.append(stated.value if isinstance(stated, Measured) else stated)
    return tuple(dict.fromkeys(found)) or (None,)


def _flow(held: Run, limit: Limit) -> Found:
    application, entry = held.case.application, held.entry
    rated = path_flow(application.circuit, entry.path)
    terms = terms_of(application, entry.kind, entry.path, "flow")
    wanted = [flow for flow in (rated if each is None else each for each in terms) if flow]
    if len(wanted) < len(terms):
        return None, say("the application states no share of the partial flow for the fine path")
    read = held.table.flow
    tested = [held.result.flow]  # as stated; what was read may be off by as much again
    if read is not None and not np.isnan(read).all():
        tested.append(float(np.nanmean(read)))
    farthest = max(tested, key=lambda flow: max(abs(flow / each - 1.0) for each in wanted))
    met = all(abs(farthest / flow - 1.0) <= limit.value * NEAR for flow in wanted)
    listed = "; ".join(number_text(flow * 6e4, ".4g") for flow in wanted)
    words = later("tested at {flow:.4g} L/min, wanted {listed} L/min")
    return met, say(words, flow=farthest * 6e4, listed=listed)


def _terminal(held: Run, _: Limit) -> Found:
    circuit, entry, terminal = held.case.application.circuit, held.entry, held.result.terminal
    assembly, across = terminal + held.result.housing, held.result.path != "fine"
    terms = terms_of(held.case.application, entry.kind, entry.path, "terminal")
    stated = max((each for each in terms if each is not None), default=None)
    opening = circuit.opening.min if circuit.opening and across else None
    if opening is None and stated is None:
        return "does not apply", say("no bypass valve across this path, and no terminal required")
    met = assembly * NEAR >= (opening or 0.0) and terminal * NEAR >= (stated or 0.0)
    found = [say("run to {assembly:.4g} kPa", assembly=assembly / 1e3)]
    if opening is not None:
        found.append(say("the valve may open at {opening:.4g} kPa", opening=opening / 1e3))
    if stated is not None:
        words = later("{terminal:.4g} kPa across the element, {stated:.4g} kPa required")
        found.append(say(words, terminal=terminal / 1e3, stated=stated / 1e3))
    if met and _beyond(held, terms, assembly if across else 0.0):
        words = later("{found}: what is held beyond is counted; state the terminal that is asked")
        return "warning", say(words, found="; ".join(found))
    return met, "; ".join(found)


def _beyond(held: Run, terms: Sequence[float | None], across: float) -> bool:
    """Return whether a run went beyond what every requirement states, or else the valve opens at.

    Asked where a capacity is; `across` is the pressure across the valve [Pa], zero without one.
    """
    opening = held.case.application.circuit.opening
    known = [each for each in terms if each is not None]
    read, most = across, opening.max if opening else math.inf
    if len(known) == len(terms):
        read, most = held.result.terminal, min(known)
    far = read > most * (1.0 + held.limits.comparable["terminal"].value) * NEAR
    return far and any(each.quantity.name in CAPACITIES for each in held.demands)


CAPACITIES = {"injected_capacity", "retained_capacity"}
"""Quantities that grow with the differential pressure that a run goes to."""


def agrees(held: Run, limit: Limit) -> Found:
    """Hold the clean pressure drop of a run against that of the sweeps at its flow and oil."""
    expected = held.swept(lambda sweep: sweep.assembly.at(*held.point))
    if expected is None:
        return "does not apply", say("no flow sweep of this filter")
    found = float(held.result.curve[0])
    off = found / expected - 1.0 if expected > 0 else np.inf
    words = later("{found:.1f} kPa in the run, {expected:.1f} kPa from the sweep, {off:+.0%}")
    said = say(words, found=found / 1e3, expected=expected / 1e3, off=off)
    if not abs(off) <= limit.tolerance:
        return "warning" if abs(off) <= limit.value else False, said
    doubt = held.against[AGREES]
    return "warning" if doubt else True, doubt or said


def lopsided(
    case: Case, runs: Sequence[Reduced], sweeps: Sequence[PressureDropResult], limits: Limits
) -> Mapping[str, str]:
    """Return record -> that the two filters differ in how their runs agree with their own sweeps.

    What gauge, oil and housing of a laboratory do to that they do to both alike: sweeps of the one
    filter given out as the other's move them apart.  What is far off by itself is told by itself.
    """
    swept = {(each.side, each.path, each.specimen): each.assembly for each in sweeps}
    alike: dict[tuple[str, str], dict[str, dict[str, float]]] = {}
    for record, run in runs:
        path = swept.get((run.side, run.path, run.specimen))
        expected = path.at(run.flow, run.viscosity, run.density) if path else 0.0
        if expected > 0:
            sides = alike.setdefault((case.laboratory_of(record.entry), run.path), {})
            sides.setdefault(run.side, {})[record.id] = float(run.curve[0]) / expected - 1.0
    found: dict[str, str] = {}
    limit = limits.find(AGREES, "multipass", "")
    for sides in alike.values():
        if limit is None or len(sides) < len(SIDES):
            continue
        own, other = (float(np.mean([*sides[side].values()])) for side in SIDES)
        if abs(own - other) > limit.agreed and max(abs(own), abs(other)) <= limit.tolerance:
            words = say(LOPSIDED, own=own, other=other)
            found |= {name: words for each in sides.values() for name in each}
    return found


LOPSIDED = later(
    "clean runs are {own:+.1%} off their sweeps with the candidate, {other:+.1%} with the filter "
    "now fitted: see whether sweeps, or specimens, are mixed up"
)


def _housing(held: Run, limit: Limit) -> Found:
    if not held.sweeps:
        return "does not apply", say("no flow sweep of this filter")
    expected = held.swept(lambda sweep: sweep.housing.at(*held.point) if sweep.housing else None)
    if expected is None:
        return None, say("no flow sweep of this filter has rows of the housing")
    housing, allowed = held.result.housing, max(limit.value * expected, limit.tolerance)
    words = later("{found:.2f} kPa in the run, {expected:.2f} kPa from the sweep")
    found = say(words, found=housing / 1e3, expected=expected / 1e3)
    return abs(housing - expected) <= allowed, found


def _volume(held: Run, limit: Limit) -> Found:
    volume = held.conditions.system_volume
    if volume is None:
        return None, say("no system volume among the conditions")
    least = max(limit.value * held.result.flow, limit.agreed)
    met = least / (1.0 + limit.tolerance) <= volume.value <= 2.0 * least * (1.0 + limit.tolerance)
    words = later("{volume:.4g} L, wanted {least:.4g} L to {most:.4g} L")
    return met, say(words, volume=volume.value * 1e3, least=least * 1e3, most=2e3 * least)


RULES: Rules = {
    "flow of the application": _flow,
    "terminal of the application": _terminal,
    "housing agrees": _housing,
    "system volume": _volume,
}
