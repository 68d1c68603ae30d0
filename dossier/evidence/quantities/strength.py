"""Strength, integrity and cleanliness: results measured once on each specimen."""

from dossier.evidence.bench import Bench
from dossier.evidence.records.measured import measured
from dossier.evidence.registry import Conditions, Quantity, Side
from dossier.evidence.statistics.estimate import Estimate

MEAN = "mean over the specimens; a result “> x” or “< x” enters and is decided as a bound"


@Quantity(
    name="collapse_pressure",
    title="Collapse pressure of the element",
    symbol="Δpc",
    dimension="pressure",
    unit="kPa",
    section="strength",
    records=("measurement",),
    better="higher",
    meaning="Differential pressure at which the element collapses or bursts.",
    formula=MEAN,
    standard="ISO 4548-3:1997 and ISO 2941:2009 (titles and abstracts seen)",
    example='quantity = "collapse_pressure"\nmin = "700 kPa"\nbasis = "every_specimen"',
)
def collapse_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the collapse pressure [Pa]."""
    return measured(
        bench, side, "collapse pressure",
        unit="Pa", printed="kPa", dimension="pressure", favourable="larger than",
    )  # fmt: skip


@Quantity(
    name="burst_pressure",
    title="Burst pressure of the housing",
    symbol="pb",
    dimension="pressure",
    unit="kPa",
    section="strength",
    records=("measurement",),
    better="higher",
    meaning="Gauge pressure at which the housing leaks or bursts.",
    formula=MEAN,
    standard="ISO 4548-6:2021 (extract seen)",
    example='quantity = "burst_pressure"\nmin = "1600 kPa"\nbasis = "every_specimen"',
)
def burst_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the burst pressure [Pa]."""
    return measured(
        bench, side, "burst pressure",
        unit="Pa", printed="kPa", dimension="pressure", favourable="larger than",
    )  # fmt: skip


@Quantity(
    name="first_bubble_pressure",
    title="First bubble pressure",
    symbol="p₁",
    dimension="pressure",
    unit="kPa",
    section="strength",
    records=("measurement",),
    better="higher",
    meaning="Pressure at which the first bubble leaves the wetted element: a sign of sound "
    "making, not a measure of efficiency.",
    formula=MEAN,
    standard="ISO 2942 (abstract seen)",
    example='quantity = "first_bubble_pressure"\nmin = "2.0 kPa"',
)
def first_bubble_pressure(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the first bubble pressure [Pa]."""
    return measured(
        bench, side, "first bubble pressure",
        unit="Pa", printed="kPa", dimension="pressure", favourable="larger than",
    )  # fmt: skip


@Quantity(
    name="pulse_cycles",
    title="Pressure pulses withstood",
    symbol="Np",
    dimension="number",
    unit="1",
    section="strength",
    records=("measurement",),
    better="higher",
    meaning="Pressure cycles to the first leak or failure.",
    formula=MEAN + "; cycles are counted exactly",
    standard="ISO 4548-5 (scope seen)",
    example='quantity = "pulse_cycles"\nmin = 100000\nbasis = "every_specimen"',
)
def pulse_cycles(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the cycles to failure [-]."""
    return measured(
        bench, side, "pulse cycles",
        unit="1", printed="1", dimension="number", favourable="larger than",
    )  # fmt: skip


@Quantity(
    name="vibration_hours",
    title="Vibration withstood",
    symbol="tw",
    dimension="time",
    unit="h",
    section="strength",
    records=("measurement",),
    better="higher",
    meaning="Hours of vibration to the first leak or crack.",
    formula=MEAN + "; hours are taken as exact",
    standard="ISO 4548-7:2012 (scope seen)",
    example='quantity = "vibration_hours"\nmin = "48 h"\nbasis = "every_specimen"',
)
def vibration_hours(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the time to failure [s]."""
    return measured(
        bench, side, "vibration hours",
        unit="s", printed="h", dimension="time", favourable="larger than",
    )  # fmt: skip


@Quantity(
    name="anti_drain_leakage",
    title="Leakage of the anti-drain valve",
    symbol="qa",
    dimension="volume rate",
    unit="mL/min",
    section="strength",
    records=("measurement",),
    better="lower",
    meaning="Oil that runs back through the anti-drain valve at standstill.",
    formula=MEAN,
    standard="ISO 4548-9:2008 (title seen)",
    example='quantity = "anti_drain_leakage"\nmax = "0.5 mL/min"',
)
def anti_drain_leakage(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the leakage [m3/s]."""
    return measured(
        bench, side, "anti-drain leakage",
        unit="m3/s", printed="mL/min", dimension="volume rate", favourable="smaller than",
    )  # fmt: skip


@Quantity(
    name="initial_cleanliness",
    title="Dirt in the new filter",
    symbol="m₀",
    dimension="mass",
    unit="mg",
    section="strength",
    records=("measurement",),
    better="lower",
    meaning="Mass of particles that a new filter brings of its own.",
    formula=MEAN,
    standard="gravimetry of what a flush carries out, common practice",
    example='quantity = "initial_cleanliness"\nmax = "15 mg"',
)
def initial_cleanliness(bench: Bench, side: Side, at: Conditions) -> Estimate:
    """Return the mass of dirt [kg]."""
    return measured(
        bench, side, "initial cleanliness",
        unit="kg", printed="mg", dimension="mass", favourable="smaller than",
    )  # fmt: skip
