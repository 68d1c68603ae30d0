"""Rules of validity that hold a multi-pass run against the machine that the filter is for."""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from dossier.case.application import Application
from dossier.case.case import Case, Record
from dossier.case.fields import Measured
from dossier.evidence.limits import Limit
from dossier.evidence.quantities.fine_path import path_flow
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.registry import all_quantities
from dossier.evidence.spoken import shown
from dossier.evidence.validity.method import on_fine_path
from dossier.evidence.validity.rules import Rule, Verdicts, does_not_apply
from dossier.words import later, say

NEAR = 1.0 + 1e-6
"""Allowance for rounding where equal values are written in different units."""


def relevance_rules(
    case: Case, record: Record, result: MultipassResult, sweeps: Sequence[PressureDropResult]
) -> dict[str, Rule]:
    """Return the rules that hold a run against the application and the filter's flow `sweeps`."""
    return {
        "flow of the application": lambda limit: _flow(case, record, result, limit),
        "terminal of the application": lambda _: _terminal(case, record, result),
        "housing agrees": lambda limit: _housing(result, sweeps, limit),
        "system volume": lambda limit: _volume(record, result, limit),
    }


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


def _flow(case: Case, record: Record, result: MultipassResult, limit: Limit) -> Verdicts:
    application, entry = case.application, record.entry
    rated = path_flow(application.circuit, entry.path)
    terms = terms_of(application, entry.kind, entry.path, "flow")
    wanted = [flow for flow in (rated if each is None else each for each in terms) if flow]
    if len(wanted) < len(terms):
        return Verdicts(
            None, say("the application states no circuit . partial_flow_share for the fine path")
        )
    read = getattr(record.table, "flow", None)
    tested = [result.flow]  # as stated; what was read may be off by as much again
    if read is not None and not np.isnan(read).all():
        tested.append(float(np.nanmean(read)))
    farthest = max(tested, key=lambda flow: max(abs(flow / each - 1.0) for each in wanted))
    met = all(abs(farthest / flow - 1.0) <= limit.value * NEAR for flow in wanted)
    listed = ", ".join(shown(flow * 6e4, ".4g") for flow in wanted)
    words = later("tested at {flow:.4g} L/min, wanted {listed} L/min")
    return Verdicts(met, say(words, flow=farthest * 6e4, listed=listed))


def _terminal(case: Case, record: Record, result: MultipassResult) -> Verdicts:
    assembly = result.terminal + result.housing
    valve = case.application.circuit.bypass_valve
    entry = record.entry
    terms = terms_of(case.application, entry.kind, entry.path, "terminal")
    stated = max((each for each in terms if each is not None), default=None)
    opening = None
    if valve is not None and valve.opening is not None and valve.location != "none":
        opening = None if on_fine_path(case, record) else valve.opening.min
    if opening is None and stated is None:
        return does_not_apply(say("no bypass valve across this path, and no terminal required"))
    met = assembly * NEAR >= (opening or 0.0) and result.terminal * NEAR >= (stated or 0.0)
    words = [say("run to {assembly:.4g} kPa", assembly=assembly / 1e3)]
    if opening is not None:
        words.append(say("the valve may open at {opening:.4g} kPa", opening=opening / 1e3))
    if stated is not None:
        words.append(
            say(
                "{terminal:.4g} kPa across the element, {stated:.4g} kPa required",
                terminal=result.terminal / 1e3, stated=stated / 1e3,
            )
        )  # fmt: skip
    return Verdicts(met, "; ".join(words))


def _housing(
    result: MultipassResult, sweeps: Sequence[PressureDropResult], limit: Limit
) -> Verdicts:
    if not sweeps:
        return does_not_apply(say("no flow sweep of this filter"))
    swept = [sweep for sweep in sweeps if sweep.housing is not None]
    own = [sweep for sweep in swept if sweep.specimen == result.specimen] or swept
    fits = [sweep.housing for sweep in own if sweep.housing is not None]
    if not fits:
        return Verdicts(None, say("no flow sweep of this filter has rows of the housing"))
    point = (result.flow, result.viscosity, result.density)
    expected = float(np.mean([fit.at(*point) for fit in fits]))
    words = say(
        "{found:.2f} kPa in the run, {expected:.2f} kPa from the sweep",
        found=result.housing / 1e3, expected=expected / 1e3,
    )  # fmt: skip
    allowed = max(limit.value * expected, limit.tolerance)
    return Verdicts(abs(result.housing - expected) <= allowed, words)


def _volume(record: Record, result: MultipassResult, limit: Limit) -> Verdicts:
    volume = record.entry.conditions.system_volume
    if volume is None:
        return Verdicts(None, say("no system_volume among the conditions"))
    least = max(limit.value * result.flow, limit.agreed)
    met = least / (1.0 + limit.tolerance) <= volume.value <= 2.0 * least * (1.0 + limit.tolerance)
    words = later("{volume:.4g} L, wanted {least:.4g} L to {most:.4g} L")
    return Verdicts(met, say(words, volume=volume.value * 1e3, least=least * 1e3, most=2e3 * least))
