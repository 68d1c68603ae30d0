"""Strength, integrity and cleanliness: results measured once on each specimen."""

from functools import partial

from dossier.evidence.records.measured import measured
from dossier.evidence.registry import Quantity

MEAN = "mean over the specimens; a result “> x” or “< x” enters and is decided as a bound"
_declared = partial(Quantity, section="strength", records=("measurement",), formula=MEAN)
_pressure = partial(_declared, dimension="pressure", unit="kPa", better="higher")
ROWS = {
    "collapse pressure": _pressure(
        name="collapse_pressure",
        title="Collapse pressure of the element",
        symbol="Δpc",
        meaning="Differential pressure at which the element collapses or bursts.",
        standard="ISO 4548-3:1997 and ISO 2941:2009 (titles and abstracts seen)",
        example='quantity = "collapse_pressure"\nmin = "700 kPa"\nbasis = "every_specimen"',
    ),
    "burst pressure": _pressure(
        name="burst_pressure",
        title="Burst pressure of the housing",
        symbol="pb",
        meaning="Gauge pressure at which the housing leaks or bursts.",
        standard="ISO 4548-6:2021 (extract seen)",
        example='quantity = "burst_pressure"\nmin = "1600 kPa"\nbasis = "every_specimen"',
    ),
    "first bubble pressure": _pressure(
        name="first_bubble_pressure",
        title="First bubble pressure",
        symbol="p₁",
        meaning="Pressure at which the first bubble leaves the wetted element: a sign of sound "
        "making, not a measure of efficiency.",
        standard="ISO 2942 (abstract seen)",
        example='quantity = "first_bubble_pressure"\nmin = "2.0 kPa"',
    ),
    "pulse cycles": _declared(
        name="pulse_cycles",
        title="Pressure pulses withstood",
        symbol="Np",
        dimension="number",
        unit="1",
        better="higher",
        meaning="Pressure cycles to the first leak or failure.",
        formula=MEAN + "; cycles are counted exactly",
        standard="ISO 4548-5 (scope seen)",
        example='quantity = "pulse_cycles"\nmin = 100000\nbasis = "every_specimen"',
    ),
    "vibration hours": _declared(
        name="vibration_hours",
        title="Vibration withstood",
        symbol="tw",
        dimension="time",
        unit="h",
        better="higher",
        meaning="Hours of vibration to the first leak or crack.",
        formula=MEAN + "; hours are taken as exact",
        standard="ISO 4548-7:2012 (scope seen)",
        example='quantity = "vibration_hours"\nmin = "48 h"\nbasis = "every_specimen"',
    ),
    "anti-drain leakage": _declared(
        name="anti_drain_leakage",
        title="Leakage of the anti-drain valve",
        symbol="qa",
        dimension="volume rate",
        unit="mL/min",
        better="lower",
        meaning="Oil that runs back through the anti-drain valve at standstill.",
        standard="ISO 4548-9:2008 (title seen)",
        example='quantity = "anti_drain_leakage"\nmax = "0.5 mL/min"',
    ),
    "initial cleanliness": _declared(
        name="initial_cleanliness",
        title="Dirt in the new filter",
        symbol="m₀",
        dimension="mass",
        unit="mg",
        better="lower",
        meaning="Mass of particles that a new filter brings of its own.",
        standard="gravimetry of what a flush carries out, common practice",
        example='quantity = "initial_cleanliness"\nmax = "15 mg"',
    ),
}
"""Column of the measurement records -> the quantity that it holds."""

for _name, _row in ROWS.items():
    _row(partial(measured, _name, _row))
