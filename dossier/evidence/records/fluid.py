"""Viscosity and density of an oil at a temperature."""

import functools
import math

from dossier.case.application import Oil
from dossier.case.case import Case
from dossier.case.model import RecordEntry
from dossier.evidence.limits import Limits
from dossier.evidence.records.instruments import InputAccuracy
from dossier.physics import viscosity
from dossier.words import say

T40, T100 = 313.15, 373.15
STEP = 1e-3
"""Relative step of a shifted viscosity [-]."""


@functools.lru_cache(maxsize=256)
def _line(kv40: float, kv100: float) -> tuple[float, float]:
    return viscosity.walther_constants(T40, kv40, T100, kv100)


def kinematic_at(oil: Oil, temperature: float) -> float:
    """Return the kinematic viscosity [m2/s] of `oil` at `temperature` [K] (ASTM D341)."""
    a, b = _line(oil.kv40.value, oil.kv100.value)
    return float(viscosity.kinematic_viscosity(a, b, temperature))


def fluid_at(oil: Oil, temperature: float) -> tuple[float, float]:
    """Return dynamic viscosity [Pa s] and density [kg/m3] of `oil` at `temperature` [K].

    ASTM D341 for the viscosity, ASTM D1250 (lubricants) for the density.
    """
    nu = kinematic_at(oil, temperature)
    rho = float(viscosity.density(oil.density15, temperature))
    return float(viscosity.dynamic_viscosity(nu, rho)), rho


def tested_viscosity(case: Case, entry: RecordEntry) -> float:
    """Return the kinematic viscosity [m2/s] of a record's fluid at the temperature that it states.

    Raises ValueError where either is lacking, or the oil is not known at that temperature.
    """
    if entry.fluid is None or entry.conditions.temperature is None:
        raise ValueError(say("no test fluid or temperature"))
    return kinematic_at(case.fluid(entry.fluid), entry.conditions.temperature)


def temperature_of(oil: Oil, nu: float) -> float:
    """Return the temperature [K] at which `oil` has the kinematic viscosity `nu` [m2/s]."""
    return viscosity.temperature_at_viscosity(*_line(oil.kv40.value, oil.kv100.value), nu)


def viscosity_accuracy(limits: Limits, oil: Oil, name: str, temperature: float) -> InputAccuracy:
    """Return how well the viscosity of `oil`, called `name`, is known at `temperature` [K].

    As stated of its two viscosities, through the slope of the line on each; where either is
    without, the width of a viscosity grade stands in as a rectangular distribution, and says so.
    """
    if oil.kv40.u is None or oil.kv100.u is None:
        u = limits.accuracy["viscosity"] / math.sqrt(3.0)
        return InputAccuracy(u=u, source=limits.accuracy_source("viscosity"), shared=name)
    moved = [
        (oil.kv40.value * (1.0 + STEP), oil.kv100.value, oil.kv40.u / oil.kv40.value),
        (oil.kv40.value, oil.kv100.value * (1.0 + STEP), oil.kv100.u / oil.kv100.value),
    ]
    nu = kinematic_at(oil, temperature)
    changes = [
        u * (float(viscosity.kinematic_viscosity(*_line(kv40, kv100), temperature)) / nu - 1.0)
        for kv40, kv100, u in moved
    ]
    return InputAccuracy(u=math.hypot(*changes) / STEP, source=name, shared=name)
