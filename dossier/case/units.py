"""Units at the door: strings with units become SI floats, and back."""

import math
import re
import sys
from contextlib import suppress
from functools import cache, lru_cache
from typing import Any

Affine = dict[str, tuple[float, float]]
_VOLUME = {"mL": 1e-6, "cm3": 1e-6, "L": 1e-3, "m3": 1.0}
_VOLUME |= {"gal": 3.785411784e-3, "in3": 1.6387064e-5}
_TIME = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_MASS = {"mg": 1e-6, "g": 1e-3, "kg": 1.0}


def _factors(units: dict[str, float], per: dict[str, float] | None = None) -> Affine:
    """Return units, or each of them per each of others, with their factors and no offset."""
    if per is None:
        return {unit: (factor, 0.0) for unit, factor in units.items()}
    ratios = {f"{a}/{b}": x / y for a, x in units.items() for b, y in per.items()}
    return {unit: (float(f"{factor:.14g}"), 0.0) for unit, factor in ratios.items()}


USUAL: dict[str, Affine] = {
    "flow": _factors(_VOLUME, _TIME),
    "pressure": _factors(
        {"Pa": 1.0, "hPa": 1e2, "kPa": 1e3, "MPa": 1e6, "mbar": 1e2, "bar": 1e5}
        | {"psi": 6894.7572931684}
    ),
    "temperature": {"K": (1.0, 0.0), "degC": (1.0, 273.15)}
    | {"degF": (0.55555555555554, 255.37222222222)},
    "temperature difference": _factors({"K": 1.0, "degC": 1.0, "delta_degC": 1.0})
    | {"delta_degF": (0.55555555555556, 0.0)},
    "kinematic viscosity": _factors({"mm2/s": 1e-6, "cSt": 1e-6, "m2/s": 1.0}),
    "density": _factors(_MASS, _VOLUME),
    "volume": _factors(_VOLUME),
    "time": _factors(_TIME),
    "mass": _factors(_MASS),
    "mass rate": _factors(_MASS, _TIME),
    "concentration": _factors(_MASS, _VOLUME),
    "count concentration": _factors({"1": 1e-6}, _VOLUME),
    "length": _factors({"um": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}),
    "volume rate": _factors(_VOLUME, _TIME),
}
"""Dimension -> unit as written -> (factor, offset), as `affine` gives them without pint."""

_SHARES = _factors({"": 1.0, "1": 1.0, "%": 0.01})
PURE = {"number": _SHARES, "fraction": _SHARES, "cleanliness code": _factors({"classes": 1.0})}
"""The same of what is a number by itself."""

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


def as_known(unit: str, dimension: str) -> str:
    """Return a unit as it is known here, from one as laboratories spell it; else as it came."""
    close = re.sub(r"[\s_]", "", unit).rstrip(".").lower()
    if dimension == "count concentration":
        match = _COUNTED.fullmatch(close)
        volume = {"l": "L"}.get(match["unit"], "mL") if match else ""
        return f"{match['of'] or 1}/{volume}" if match else unit
    return SPELLED.get(dimension, {}).get(close, unit)


DIMENSIONS: dict[str, tuple[str, str]] = {
    "flow": ("m**3/s", "95 L/min"),
    "pressure": ("Pa", "170 kPa"),
    "temperature": ("K", "90 degC"),
    "temperature difference": ("delta_degC", "2 K"),
    "kinematic viscosity": ("m**2/s", "105 mm2/s"),
    "density": ("kg/m**3", "0.880 kg/L"),
    "volume": ("m**3", "38 L"),
    "time": ("s", "500 h"),
    "mass": ("kg", "12 g"),
    "mass rate": ("kg/s", "0.12 g/h"),
    "concentration": ("kg/m**3", "10 mg/L"),
    "count concentration": ("1/mL", "20000 1/mL"),
    "counts per mass": ("1/kg", "1.3e9 1/g"),
    "number": ("dimensionless", "75"),
    "fraction": ("dimensionless", "95 %"),
    "length": ("mm", "96 mm"),
    "size": ("um", "10 um(c)"),
    "volume rate": ("m**3/s", "5 mL/min"),
    "cleanliness code": ("dimensionless", "18/16/13"),
}
"""Dimension name -> (unit the rooms work in, an example a user may type)."""


def usual_unit(dimension: str) -> str:
    """Return the unit that a dimension is written in by default."""
    return split_quantity(DIMENSIONS[dimension][1])[1]


SMALLEST, LARGEST = 1e-24, 1e15
"""Working values outside these are slips of the exponent: no unit of the table comes near."""

_NUMBER = re.compile(r"^\s*([+-]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")
_PER = re.compile(r"([0-9]+)/(mL|L)")
"""Counts per so many millilitres or litres, as `as_known` writes them."""
_RAISED = str.maketrans("²³", "23")
_CALL = re.compile(r"[A-Za-zµμ0-9]\s*\(")
"""As in um(c): a size, and not a micrometre times a speed of light."""
_POWER = re.compile(r"(?<=[A-Za-z])(\d)")


class UnitError(ValueError):
    """A text that is not a value with the unit that is wanted."""


@cache
def _registry() -> Any:
    from pint import UnitRegistry

    return UnitRegistry(cache_folder=None)


def is_unit(text: str) -> bool:
    """Return whether a text is a unit of some dimension."""
    for dimension in DIMENSIONS:
        with suppress(UnitError):
            return bool(affine(text, dimension))
    return False


@cache
def affine(unit: str, dimension: str) -> tuple[float, float]:
    """Return (factor, offset) with working value = factor * value + offset.

    `unit` is the text inside the square brackets of a column header or behind a number, such as
    ``kPa`` or ``degC``; `dimension` is a key of `DIMENSIONS`.  Raises UnitError when the unit is
    not known or has another dimension.  Definitions of units: those of pint (SI brochure).
    """
    target, example = DIMENSIONS[dimension]
    text, usual = unit.strip(), PURE.get(dimension) or USUAL.get(dimension, {})
    if text in usual:
        return usual[text]
    if text == "%":
        raise UnitError(f"'%' is no unit of {dimension}; write it like {example!r}")
    if text == "" or len(text) > 40:
        raise UnitError(f"{dimension} needs a unit; write it like {example!r}")
    text = as_known(text, dimension)
    per = _PER.fullmatch(text) if dimension == "count concentration" else None
    if per is not None and float(per[1]) > 0:
        return float(f"{usual[f'1/{per[2]}'][0] / float(per[1]):.14g}"), 0.0
    return usual.get(text) or _pint_affine(text, target, dimension, example)


def _pint_affine(text: str, target: str, dimension: str, example: str) -> tuple[float, float]:
    registry = _registry()
    spelled = _POWER.sub(r"**\1", text.translate(_RAISED))
    if dimension == "temperature difference":
        spelled = {"degC": "delta_degC", "K": "delta_degC"}.get(spelled, spelled)
    odd = "**" in re.sub(r"\*\*\d(?!\d)", "", spelled)
    if odd or _CALL.search(spelled) or not re.fullmatch(r"[A-Za-zµμ°_*/0-9.() ]+", spelled):
        raise UnitError(f"unit {text!r} is not understood; write {dimension} like {example!r}")
    try:
        zero = float(registry.Quantity(0.0, spelled).to(target).magnitude)
        one = float(registry.Quantity(1.0, spelled).to(target).magnitude)
    except Exception as error:
        raise UnitError(
            f"unit {text!r} is not a unit of {dimension}; write it like {example!r}"
        ) from error
    offset = zero if dimension == "temperature" else 0.0
    # Affine units are anchored at 0 and 1; the factor is rounded to shed the subtraction's noise.
    return (float(f"{one - offset:.14g}"), float(f"{offset:.14g}"))


def vanishes(text: str) -> bool:
    """Return whether a number with a decimal point is too small to be held: not 0, yet read as 0.

    Those that lose digits for their smallness (subnormal ones) count among them.
    """
    digits = re.split("[eE]", text, maxsplit=1)[0]
    return abs(float(text)) < sys.float_info.min and any(each in "123456789" for each in digits)


@lru_cache(maxsize=10_000)
def split_quantity(text: str) -> tuple[float, str]:
    """Return (number, unit text) of a string such as ``95 L/min``; UnitError if it has no number.

    A decimal comma is refused: TOML files use the decimal point.
    """
    match = _NUMBER.match(text)
    if re.match(r"\s*[+-]?\d+,\d", text):
        pointed = text.strip().replace(",", ".", 1)
        raise UnitError(f"{text!r} has a decimal comma; write {pointed!r}")
    if match is None or match.group(2)[:1] == ",":
        raise UnitError(f"{text!r} does not start with a number (use a decimal point)")
    value = float(match.group(1))
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is not a finite number")
    if vanishes(match.group(1)):
        raise UnitError(f"{text[:40]!r} is too small: it would be read as zero; check its exponent")
    return value, match.group(2)


def parse_quantity(text: object, dimension: str) -> float:
    """Return the value of `text` in the working unit of `dimension` (see `DIMENSIONS`).

    A bare number is taken only where the dimension is ``number``; sizes go through `parse_size`.
    Raises UnitError with the value that came and an example of what is wanted.
    """
    if dimension == "size":
        return parse_size(text)
    example = DIMENSIONS[dimension][1]
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise UnitError(f"{text!r} is not a value with a unit; write it like {example!r}")
    if not isinstance(text, str):
        if dimension != "number":
            raise UnitError(f"{text!r} has no unit; write {dimension} like {example!r}")
        if not math.isfinite(text):
            raise UnitError(f"{text!r} is not a finite number")
        return float(text)
    value, unit = split_quantity(text)
    if dimension == "fraction" and unit == "":
        raise UnitError(f"{text!r} has no unit; write a share in percent like {example!r}")
    factor, offset = affine(unit, dimension)
    result = factor * value + offset
    if (result or (value and not offset)) and not SMALLEST <= abs(result) <= LARGEST:
        raise UnitError(f"{text[:40]!r} is no {dimension} that can be measured; check its exponent")
    if dimension == "temperature" and not result > 0:
        raise UnitError(f"{text!r} is below absolute zero")
    return result


def parse_size(text: object) -> float:
    """Return a particle size in um(c) from a string such as ``10 um(c)``.

    Plain micrometres are refused: a counter calibrated to ISO 11171 and one calibrated to the
    older ISO 4402 give the same particle different sizes.
    """
    if isinstance(text, str):
        value, unit = split_quantity(text)
        plain = unit.replace("µ", "u").replace("μ", "u").replace(" ", "")
        if plain == "um(c)" and value > 0:
            return value
        if plain == "um":
            raise UnitError(
                f"{text!r} does not say how the counter was calibrated: write '{value:g} um(c)' "
                "for a calibration to ISO 11171; sizes of the older ISO 4402 differ (10 um there "
                "is about 9.8 um(c), 5 um about 6.4 um(c))"
            )
    raise UnitError(f"{text!r} is not a particle size; write it like '10 um(c)'")


def from_si(value: float, unit: str, dimension: str) -> float:
    """Return a working value of `dimension` expressed in `unit`, the inverse of `affine`."""
    if dimension == "size":
        return value
    factor, offset = affine(unit, dimension)
    return (value - offset) / factor
