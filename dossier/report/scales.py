"""In which units quantities print: those of the case, US customary ones beside, or instead."""

from contextlib import AbstractContextManager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from typing import Any

from dossier.case.units import affine
from dossier.words import held

CUSTOMARY = {
    "psi": ("pressure", ("Pa", "hPa", "kPa", "MPa", "mbar", "bar")),
    "gal/min": ("flow", ("L/min", "L/h", "m3/h", "m3/s")),
    "in3/min": ("volume rate", ("mL/min",)),
    "gal": ("volume", ("L",)),
    "in3": ("volume", ("mL",)),
    "inch": ("length", ("mm",)),
    "degF": ("temperature", ("degC",)),
    "delta_degF": ("temperature difference", ("K", "delta_degC")),
}
"""US customary unit -> its dimension, and the units that it prints for; all others stay.

By common practice of the trade (from memory): leakage and samples in cubic inches.  What standards
of tests state stays as they do: um(c), g, mg, mg/L, counts per mL (ISO 4406, ISO 16889), mm2/s
(ASTM D445), kg/m3 (ASTM D4052).  Factors are exact by definition: `case.units`.
"""
INSTEAD, BESIDE = "US customary", "US customary beside"
_form: ContextVar[str] = ContextVar("_form", default="SI")


@dataclass(frozen=True, slots=True)
class Scale:
    """A unit that numbers print in, and how to come to it from the one they are in."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0

    def of(self, value: Any) -> Any:
        """Return values of the other unit in this one."""
        return value * self.factor + self.offset

    def back(self, value: Any) -> Any:
        """Return values in this unit in the other one."""
        return (value - self.offset) / self.factor


@cache
def customary() -> dict[str, Scale]:
    """Return the US customary scale of each unit that has one."""
    found = {}
    for into, (dimension, units) in CUSTOMARY.items():
        factor, start = affine(into, dimension)
        for unit in units:
            own, beginning = affine(unit, dimension)
            found[unit] = Scale(into, own / factor, round((beginning - start) / factor, 9))
    return found


def scales(unit: str) -> tuple[Scale, ...]:
    """Return the units that numbers in `unit` print in: one, or the second beside the first."""
    other = customary().get(unit)
    if other is None or _form.get() == "SI":
        return (Scale(unit),)
    return (other,) if instead() else (Scale(unit), other)


def instead() -> bool:
    """Return whether US customary units print in place of SI."""
    return _form.get() == INSTEAD


def form() -> str:
    """Return how quantities print now, as `units` of a case says it."""
    return _form.get()


def in_form(units: str) -> AbstractContextManager[None]:
    """Print quantities inside as `units` of a case says."""
    return held(_form, units)
