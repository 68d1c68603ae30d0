"""The lowest pressure at which the bypass valve may open."""

import math
from dataclasses import replace

import numpy as np

from dossier.case.application import BypassValve
from dossier.evidence.bench import Bench
from dossier.evidence.records.valve_sweeps import from_sweeps, opening_from_sweep
from dossier.evidence.registry import Side
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from dossier.words import later, say, say_count

BAND = later("lowest opening pressure: lower end of the application's band")


def fitted_valve(bench: Bench) -> BypassValve | None:
    """Return the application's bypass valve, or None where it has none with an opening band."""
    valve = bench.case.application.circuit.bypass_valve
    if valve is None or valve.location == "none" or valve.opening is None:
        return None
    return valve


def opening_pressure(bench: Bench, side: Side) -> Estimate | NotDemonstrated:
    """Return the valve's lowest opening pressure [Pa].

    The lower end of the application's band, taken as a limit without uncertainty: a valve inside
    the band may open there.  Where the valve is in the filter and was tested, and opened lower
    than that, the measured lowest with its uncertainty; never the higher of the two.  A valve that
    was tested, but whose sweeps carry no result, has no known opening pressure.
    """
    valve = fitted_valve(bench)
    if valve is None or valve.opening is None:
        return NotDemonstrated(
            reason=say("the application names no bypass valve with an opening band"),
        )
    band = Estimate(value=valve.opening.min, u=0.0, dof=math.inf, unit="Pa", notes=(say(BAND),))
    if valve.location != "filter" or (side == "reference" and not _tested(bench, side)):
        return band
    if not _tested(bench, side):
        return NotDemonstrated(
            reason=say(
                "the bypass valve is part of the candidate and nobody measured where it opens: "
                "hand in a bypass_valve record of its specimens"
            )
        )
    measured = from_sweeps(bench, side, opening_from_sweep, result="pressure")
    if isinstance(measured, NotDemonstrated):
        words = later("lowest opening pressure of the valve: {reason}")
        reason = say(words, reason=measured.reason)
        return NotDemonstrated(reason=reason, records=measured.records)
    return _lower(band, measured)


def _tested(bench: Bench, side: Side) -> bool:
    return any(
        record.entry.kind == "bypass_valve"
        and record.entry.filter == side
        and record.id not in bench.excluded
        for record in bench.case.records
    )


def _lower(band: Estimate, measured: Estimate) -> Estimate | NotDemonstrated:
    """Return the lower of the band's end and the measured lowest opening pressure."""
    if measured.bound == "smaller than":
        open_ones = [each.specimen for each in measured.per_specimen if each.bound]
        reason = say(
            "the valve of specimen {names} is open at the first reading of record {records}: its "
            "lowest opening pressure is not known",
            names=", ".join(open_ones), records=", ".join(measured.sources),
        )  # fmt: skip
        return NotDemonstrated(reason=reason, records=measured.sources)
    values = np.array([each.value for each in measured.per_specimen])
    scatter = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    lowest = min(float(values.mean()) - scatter, float(values.min()))
    words = say_count(
        len(values),
        "{lowest:.4g} kPa ({number} specimen, mean {mean:.4g} kPa less a standard deviation of "
        "{scatter:.2g} kPa, and not above the lowest of them)",
        "{lowest:.4g} kPa ({number} specimens, mean {mean:.4g} kPa less a standard deviation of "
        "{scatter:.2g} kPa, and not above the lowest of them)",
        lowest=lowest / 1e3, mean=values.mean() / 1e3, scatter=scatter / 1e3,
    )  # fmt: skip
    if lowest >= band.value:
        note = say("{band}; measured not lower: {words}", band=say(BAND), words=words)
        return replace(band, notes=(note,))
    note = say(
        "lowest opening pressure: as measured, {words}, below the application's band", words=words
    )
    return replace(measured, value=lowest, notes=(note,), per_specimen=(), bound="")
