"""The units that laboratories use most, so that pint need not be loaded for them.

The figures are those of pint (SI brochure), which a test compares to the last digit.
"""

import re

USUAL: dict[str, dict[str, tuple[float, float]]] = {
    "flow": {
        "L/min": (1.6666666666667e-05, 0.0),
        "L/h": (2.7777777777778e-07, 0.0),
        "L/s": (0.001, 0.0),
        "mL/min": (1.6666666666667e-08, 0.0),
        "m3/h": (0.00027777777777778, 0.0),
        "m3/s": (1.0, 0.0),
    },
    "pressure": {
        "Pa": (1.0, 0.0),
        "hPa": (100.0, 0.0),
        "kPa": (1000.0, 0.0),
        "MPa": (1000000.0, 0.0),
        "mbar": (100.0, 0.0),
        "bar": (100000.0, 0.0),
        "psi": (6894.7572931684, 0.0),
    },
    "temperature": {
        "degC": (1.0, 273.15),
        "K": (1.0, 0.0),
        "degF": (0.55555555555554, 255.37222222222),
    },
    "temperature difference": {
        "K": (1.0, 0.0),
        "degC": (1.0, 0.0),
    },
    "kinematic viscosity": {
        "mm2/s": (1e-06, 0.0),
        "cSt": (1e-06, 0.0),
        "m2/s": (1.0, 0.0),
    },
    "density": {
        "kg/L": (1000.0, 0.0),
        "kg/m3": (1.0, 0.0),
        "g/mL": (1000.0, 0.0),
        "g/cm3": (1000.0, 0.0),
    },
    "volume": {
        "mL": (1e-06, 0.0),
        "L": (0.001, 0.0),
        "m3": (1.0, 0.0),
    },
    "time": {
        "s": (1.0, 0.0),
        "min": (60.0, 0.0),
        "h": (3600.0, 0.0),
        "d": (86400.0, 0.0),
    },
    "mass": {
        "mg": (1e-06, 0.0),
        "g": (0.001, 0.0),
        "kg": (1.0, 0.0),
    },
    "mass rate": {
        "mg/h": (2.7777777777778e-10, 0.0),
        "g/h": (2.7777777777778e-07, 0.0),
        "g/min": (1.6666666666667e-05, 0.0),
        "kg/h": (0.00027777777777778, 0.0),
        "mg/min": (1.6666666666667e-08, 0.0),
    },
    "concentration": {
        "mg/L": (0.001, 0.0),
        "g/L": (1.0, 0.0),
        "mg/mL": (1.0, 0.0),
        "kg/m3": (1.0, 0.0),
    },
    "count concentration": {
        "1/mL": (1.0, 0.0),
        "1/L": (0.001, 0.0),
        "1/m3": (1e-06, 0.0),
        "1/cm3": (1.0, 0.0),
    },
    "length": {
        "um": (0.001, 0.0),
        "mm": (1.0, 0.0),
        "cm": (10.0, 0.0),
        "m": (1000.0, 0.0),
        "inch": (25.4, 0.0),
    },
    "volume rate": {
        "mL/min": (1.6666666666667e-08, 0.0),
        "L/min": (1.6666666666667e-05, 0.0),
        "mL/h": (2.7777777777778e-10, 0.0),
        "L/h": (2.7777777777778e-07, 0.0),
        "mL/s": (1e-06, 0.0),
    },
}
"""Dimension -> unit as written -> (factor, offset), as `units.affine` gives them."""

SPELLED: dict[str, dict[str, str]] = {
    "flow": {
        "lpm": "L/min", "l/min": "L/min", "ltr/min": "L/min", "litres/min": "L/min",
        "liters/min": "L/min", "gpm": "gal/min", "usgpm": "gal/min", "usgal/min": "gal/min",
        "l/h": "L/h", "lph": "L/h", "m3/hr": "m3/h", "m³/hr": "m3/h", "cc/min": "mL/min",
    },
    "pressure": {
        "psid": "psi", "psig": "psi", "lbf/in2": "psi", "kpa": "kPa", "kpad": "kPa",
        "kpa(d)": "kPa", "kpag": "kPa", "bard": "bar", "bar(d)": "bar", "barg": "bar",
        "bar(g)": "bar",
    },
    "temperature": {
        "c": "degC", "°c": "degC", "degc": "degC", "degreesc": "degC", "celsius": "degC",
        "grad": "degC", "grdc": "degC", "gradc": "degC", "f": "degF", "°f": "degF",
        "degf": "degF", "degreesf": "degF", "fahrenheit": "degF",
    },
    "time": {
        "min": "min", "minute": "min", "minutes": "min", "minuten": "min", "sec": "s",
        "secs": "s", "seconds": "s", "sekunden": "s", "hr": "h", "hrs": "h", "hours": "h",
        "std": "h", "stunden": "h", "days": "d",
    },
    "volume": {"cc": "mL", "ml": "mL", "ltr": "L"},
    "volume rate": {"cc/min": "mL/min", "ccm": "mL/min", "lpm": "L/min"},
    "concentration": {"mg/l": "mg/L", "g/l": "g/L"},
}  # fmt: skip
"""Dimension -> unit as laboratories spell it, in small letters without blanks -> as it is known.

Gallons are those of the United States, as in the trade's data (common practice).  ``psia`` is no
spelling of a differential pressure.
"""
_COUNTED = re.compile(
    r"(?:#|no\.?|n|p|pcs|parts?|particles?|counts?|1)?(?:/|per)(?P<of>[0-9]*)(?P<unit>ml|cm3|cc|l)"
)


def spelled(unit: str, dimension: str) -> str:
    """Return a unit as it is known here, from one as laboratories spell it; else as it came."""
    close = re.sub(r"[\s_]", "", unit).rstrip(".").lower()
    if dimension == "count concentration":
        match = _COUNTED.fullmatch(close)
        volume = {"l": "L"}.get(match["unit"], "mL") if match else ""
        return f"{match['of'] or 1}/{volume}" if match else unit
    return SPELLED.get(dimension, {}).get(close, unit)
