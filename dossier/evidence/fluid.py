"""Viscosity and density of an oil at a temperature."""

import functools

from dossier.case.model import Oil
from dossier.physics import viscosity

__all__ = ["fluid_at", "kinematic_at"]

T40, T100 = 313.15, 373.15


@functools.lru_cache(maxsize=256)
def _line(kv40: float, kv100: float) -> tuple[float, float]:
    return viscosity.walther_constants(T40, kv40, T100, kv100)


def kinematic_at(oil: Oil, temperature: float) -> float:
    """Return the kinematic viscosity [m2/s] of `oil` at `temperature` [K] (ASTM D341)."""
    a, b = _line(oil.kv40, oil.kv100)
    return float(viscosity.kinematic_viscosity(a, b, temperature))


def fluid_at(oil: Oil, temperature: float) -> tuple[float, float]:
    """Return dynamic viscosity [Pa s] and density [kg/m3] of `oil` at `temperature` [K].

    ASTM D341 for the viscosity, ASTM D1250 (lubricants) for the density.
    """
    nu = kinematic_at(oil, temperature)
    rho = float(viscosity.density(oil.density15, temperature))
    return float(viscosity.dynamic_viscosity(nu, rho)), rho
