import math
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.case.units import (
    DIMENSIONS,
    USUAL,
    UnitError,
    _pint_affine,
    affine,
    from_si,
    parse_quantity,
    parse_size,
)

# Exact definitions: SI brochure (litre, bar, minute); psi from 0.45359237 kg, 9.80665 m/s2 and
# 25.4 mm; US gallon 231 cubic inches.
KNOWN = [
    ("95 L/min", "flow", 95e-3 / 60),
    ("1 gal/min", "flow", 231 * 0.0254**3 / 60),
    ("25 psi", "pressure", 25 * 0.45359237 * 9.80665 / 0.0254**2),
    ("1.7 bar", "pressure", 1.7e5),
    ("105 mm2/s", "kinematic viscosity", 105e-6),
    ("105 cSt", "kinematic viscosity", 105e-6),
    ("-15 degC", "temperature", 258.15),
    ("14 degF", "temperature", 263.15),
    ("2 degC", "temperature difference", 2.0),
    ("2 K", "temperature difference", 2.0),
    ("500 h", "time", 1.8e6),
    ("0.12 g/h", "mass rate", 0.12e-3 / 3600),
    ("12.5 mL", "volume", 12.5e-6),
    ("10.1 mg/L", "concentration", 10.1e-3),
    ("0.880 kg/L", "density", 880.0),
    ("20000 1/mL", "count concentration", 20000.0),
    ("95 %", "fraction", 0.95),
    (75, "number", 75.0),
    ("75", "number", 75.0),
]


@pytest.mark.parametrize(("text", "dimension", "expected"), KNOWN)
def test_value_with_unit_becomes_working_value(text, dimension, expected):
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        (95, "flow"),
        ("95", "flow"),
        ("95 kPa", "flow"),
        ("95,5 L/min", "flow"),
        ("95, L/min", "flow"),
        ("1.234,5 L/min", "flow"),
        ("L/min", "flow"),
        ("nan L/min", "flow"),
        ("1e999 L/min", "flow"),
        (True, "number"),
        (math.nan, "number"),
        ("0.95", "fraction"),
        (0.95, "fraction"),
        ("-300 degC", "temperature"),
        ("95 __import__('os')", "flow"),
        ("9 L**999999/min", "flow"),
        (None, "pressure"),
        (["1 kPa"], "pressure"),
    ],
)
def test_what_is_no_value_with_that_unit_is_refused_with_an_example(text, dimension):
    with pytest.raises(UnitError, match=r"write|number|absolute zero"):
        parse_quantity(text, dimension)


def test_plain_micrometres_are_refused_with_the_reason():
    with pytest.raises(UnitError, match="ISO 4402"):
        parse_size("10 um")
    assert parse_size("10 um(c)") == 10.0
    assert parse_size("10 µm(c)") == 10.0


@given(st.floats(-200, 2000), st.sampled_from(["degC", "degF", "K"]))
def test_to_working_unit_and_back(value, unit):
    if unit == "K" and value <= 0:
        return
    factor, offset = affine(unit, "temperature")
    assert from_si(value * factor + offset, unit, "temperature") == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("unit", ["mm²/s", "mm2/s", "cSt"])
def test_raised_figures_are_read_as_printed(unit):
    assert affine(unit, "kinematic viscosity") == pytest.approx((1e-6, 0.0))


@pytest.mark.parametrize(("text", "dimension"), [
    ("20 um(c)", "kinematic viscosity"), ("20 um(c)", "length"), ("5 m (s)", "length"),
])  # fmt: skip
def test_a_particle_size_is_no_other_quantity(text, dimension):
    with pytest.raises(UnitError, match="is not understood"):
        parse_quantity(text, dimension)


def test_a_decimal_comma_is_named():
    with pytest.raises(UnitError, match=r"decimal comma; write '1\.5 bar'"):
        parse_quantity("1,5 bar", "pressure")


@pytest.mark.parametrize(
    ("dimension", "unit"), [(each, unit) for each, units in USUAL.items() for unit in units]
)
def test_units_known_without_pint_are_as_pint_gives_them(dimension, unit):
    target, example = DIMENSIONS[dimension]
    assert affine(unit, dimension) == USUAL[dimension][unit]
    assert _pint_affine(unit, target, dimension, example) == USUAL[dimension][unit]


def test_units_of_the_demo_cases_and_of_print_load_nothing_that_is_not_used():
    script = (
        "import sys; from dossier.make.api import read_case, assess\n"
        "from dossier.evidence.statistics.combine import with_trials\n"
        "with with_trials(2000):\n"
        "    for name in sys.argv[1:]: assess(read_case(name), pages='ferry' in name)\n"
        "from dossier.report.scales import customary; customary()\n"
        "assert 'scipy' in sys.modules and not {'pint', 'numpy.f2py'} & set(sys.modules)"
    )
    inputs = Path(__file__).parents[2] / "inputs"
    cases = [str(inputs / name) for name in ("polder-pumps", "ropeway-drive", "chain-ferry")]
    subprocess.run([sys.executable, "-c", script, *cases], check=True)


@pytest.mark.parametrize(("unit", "factor"), [("1/100 mL", 0.01), ("per 100 mL", 0.01)])
def test_counts_in_so_many_millilitres(unit, factor):
    assert affine(unit, "count concentration") == (factor, 0.0)
