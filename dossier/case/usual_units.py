"""The units that laboratories use most, so that pint need not be loaded for them.

The figures are those of pint (SI brochure), which a test compares to the last digit.
"""

__all__ = ["USUAL"]

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
