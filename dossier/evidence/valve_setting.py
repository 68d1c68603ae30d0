"""The lowest pressure at which the bypass valve may open."""

import math

from dossier.evidence.bench import Bench
from dossier.evidence.estimate import Estimate, NotDemonstrated
from dossier.evidence.registry import Side

__all__ = ["opening_pressure"]


def opening_pressure(bench: Bench, side: Side) -> Estimate | NotDemonstrated:
    """Return the valve's lowest opening pressure [Pa].

    The lower end of the application's band, taken as a limit without uncertainty: a valve inside
    the band may open there.
    """
    valve = bench.case.application.circuit.bypass_valve
    if valve is None or valve.location == "none" or valve.opening is None:
        return NotDemonstrated(
            reason="the application names no bypass valve with an opening band",
        )
    return Estimate(
        value=valve.opening.min,
        u=0.0,
        dof=math.inf,
        unit="Pa",
        notes=("lowest opening pressure: lower end of the application's band",),
    )
