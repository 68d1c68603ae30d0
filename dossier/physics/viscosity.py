"""Viscosity and density of a lubricating oil over temperature, SI (m2/s, Pa s, kg/m3, K).

Viscosity by the Walther line as used in ASTM D341, lg lg(nu + 0.7) = A - B lg T with nu in mm2/s
and T in kelvin: a low-shear estimate for a homogeneous Newtonian oil.  Density by the lubricant
form of ASTM D1250 / API MPMS 11.1.
"""

import math

import numpy as np

from dossier.physics.values import Number, all_positive, positive
from dossier.words import later, say

SI = 1e6  # mm2/s in one m2/s
LEAST, MOST = 2.0, 2e7
"""Ends of the working form Z = nu + 0.7 [mm2/s] (ASTM D341; the upper one from memory)."""
ROUNDING = 1e-9
"""Share of an end by which rounding may overstep it [-]."""
LIGHTEST, HEAVIEST = 801.0, 1164.0
"""Densities at 15 degC that the lubricant table spans, about [kg/m3]."""
COLDEST, WARMEST = 222.0, 424.0
"""Temperatures that the table spans, about -50 degC to 150 degC (from memory) [K]."""
EXPANSION = 0.6278
"""K0 of the metric table, 1.8 times the 0.34878 of the table in degF [kg/(m3 K)]."""

TOO_THICK = later(
    "at {worst:g} K the viscosity is above the range of the working form, which holds for "
    "{least:g} mm2/s and above (up to {most:g} mm2/s)"
)
TOO_THIN = later(
    "at {worst:g} K the viscosity is below the range of the working form, which holds for "
    "{least:g} mm2/s and above (up to {most:g} mm2/s)"
)


def walther_constants(t1: float, nu1: float, t2: float, nu2: float) -> tuple[float, float]:
    """Return (A, B) [-] of the line through two points of temperature and viscosity.

    `t1`, `t2` [K]; `nu1`, `nu2` kinematic viscosities [m2/s].  Raises ValueError for a viscosity
    below 2 mm2/s, where the working form does not hold, and unless the viscosity falls with
    temperature.  Source: ASTM D341, working form (from public summaries).
    """
    x1, x2 = (math.log10(positive(later("temperature"), t, "K")) for t in (t1, t2))
    w1, w2 = _double_log(nu1), _double_log(nu2)
    if not (x1 - x2) * (w1 - w2) < 0.0:
        words = later(
            "viscosity must fall with temperature, not {nu1:g} mm2/s at {t1:g} K and {nu2:g} mm2/s "
            "at {t2:g} K"
        )
        raise ValueError(say(words, nu1=nu1 * SI, t1=t1, nu2=nu2 * SI, t2=t2))
    b = (w1 - w2) / (x2 - x1)
    return w1 + b * x1, b


def kinematic_viscosity(a: float, b: float, temperature: Number) -> Number:
    """Return the kinematic viscosity [m2/s] at `temperature` [K], a float or an array.

    `a`, `b` [-] from `walther_constants`.  Raises ValueError where the result is below 2 mm2/s or
    above 2e7 mm2/s, and unless 0 < temperature < inf.  Source: ASTM D341, working form.
    """
    t = all_positive(later("temperature"), temperature, "K")
    w = np.asarray(a - b * np.log10(t))
    low, high = (math.log10(math.log10(nu + 0.7)) for nu in (LEAST, MOST))
    good = (w >= low - ROUNDING) & (w <= high + ROUNDING)
    if not good.all():
        worst = float(t[~good].flat[0])
        words = TOO_THICK if float(w[~good].flat[0]) > high else TOO_THIN
        raise ValueError(say(words, worst=worst, least=LEAST, most=MOST))
    result: Number = (10.0 ** (10.0 ** (a - b * np.log10(temperature))) - 0.7) / SI
    return result


def temperature_at_viscosity(a: float, b: float, nu: float) -> float:
    """Return the temperature [K] at which the oil has kinematic viscosity `nu` [m2/s].

    `a`, `b` [-] from `walther_constants`.  Raises ValueError for nu below 2 mm2/s and unless b > 0.
    Source: ASTM D341, working form, solved for T.
    """
    slope = positive(later("slope B"), b, later("(a number)"))
    return float(10.0 ** ((a - _double_log(nu)) / slope))


def density(rho15: float, temperature: Number) -> Number:
    """Return the density [kg/m3] at `temperature` [K] (a float or an array), ambient pressure.

    rho15 exp(-alpha dT (1 + 0.8 alpha dT)), alpha = 0.6278 / rho15 [1/K], dT from 15 degC; `rho15`
    density at 15 degC [kg/m3].  Raises ValueError outside about 801 kg/m3 to 1164 kg/m3 and outside
    about -50 degC to 150 degC.  Source: ASTM D1250 / API MPMS 11.1, lubricants (constants from a
    public calculator; metric form and ranges from memory).
    """
    if not (LIGHTEST <= rho15 <= HEAVIEST):
        words = later(
            "density at 15 degC must be in {lightest:g} kg/m3 to {heaviest:g} kg/m3, the range of "
            "the lubricant table, not {rho15:g} kg/m3"
        )
        raise ValueError(say(words, lightest=LIGHTEST, heaviest=HEAVIEST, rho15=rho15))
    t = np.asarray(temperature, dtype=float)
    good = (t >= COLDEST) & (t <= WARMEST)
    if not good.all():
        words = later("density is tabulated from about {low:g} K to {high:g} K, not at {t:g} K")
        raise ValueError(say(words, low=COLDEST, high=WARMEST, t=float(t[~good].flat[0])))
    step = EXPANSION / rho15 * (temperature - 288.15)
    result: Number = rho15 * np.exp(-step * (1.0 + 0.8 * step))
    return result


def dynamic_viscosity(nu: Number, rho: Number) -> Number:
    """Return the dynamic viscosity [Pa s], nu rho, of `nu` [m2/s] and `rho` [kg/m3].

    Both of one temperature.  Raises ValueError unless both are above zero and finite.
    Source: definition of kinematic viscosity.
    """
    all_positive(later("kinematic viscosity"), nu, "m2/s")
    all_positive(later("density"), rho, "kg/m3")
    return nu * rho


def _double_log(nu: float) -> float:
    """Return lg lg(nu + 0.7), nu given in [m2/s] and taken in mm2/s; refuse outside the form."""
    if not (LEAST * (1.0 - ROUNDING) <= nu * SI <= MOST * (1.0 + ROUNDING)):
        words = later(
            "the working form holds for {least:g} mm2/s and above (up to {most:g} mm2/s), not for "
            "{nu:g} mm2/s"
        )
        raise ValueError(say(words, least=LEAST, most=MOST, nu=nu * SI))
    return math.log10(math.log10(nu * SI + 0.7))
