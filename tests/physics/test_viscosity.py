"""Viscosity and density against a published example, test liquids of ISO 4548-2, and algebra."""

# mypy: disable-error-code=call-arg

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from chemicals import viscosity_index
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from dossier.physics.viscosity import (
    density,
    dynamic_viscosity,
    kinematic_viscosity,
    temperature_at_viscosity,
    walther_constants,
)

REFERENCE = Path(__file__).parents[1] / "reference"
T40, T100, ZERO = 313.15, 373.15, 273.15


def read(name):
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


LINES = read("walther_arithmetic")
LIQUID = read("iso_4548_2_test_liquid")
DENSITY = read("density_lubricants")


def line(kv40, kv100):
    return walther_constants(T40, kv40 * 1e-6, T100, kv100 * 1e-6)


def viscosity(kv40, kv100, celsius):
    return 1e6 * kinematic_viscosity(*line(kv40, kv100), celsius + ZERO)


def half_place(value):
    """Return a little over half of the last place that a number in a table was written to."""
    decimals = len(str(value).partition(".")[2]) if str(value).partition(".")[2] != "0" else 0
    return 0.51 * 10.0**-decimals


class TestWalther:
    @pytest.mark.parametrize("result", read("walther_public_example")["result"])
    def test_published_example(self, result):
        case = read("walther_public_example")
        (t1, nu1), (t2, nu2) = ((t + result["offset"], nu * 1e-6) for t, nu in case["points"])
        a, b = walther_constants(t1, nu1, t2, nu2)
        assert a == pytest.approx(result["a"], abs=result["place"])
        assert b == pytest.approx(result["b"], abs=result["place"])
        nu = 1e6 * kinematic_viscosity(a, b, case["at"] + result["offset"])
        assert nu == pytest.approx(result["viscosity"], abs=result["viscosity_place"])

    @pytest.mark.parametrize("oil", LIQUID["oil"], ids=lambda oil: oil["name"])
    @pytest.mark.parametrize("index", LIQUID["indices"])
    def test_test_liquids_of_iso_4548_2(self, oil, index):
        """The chain viscosity index, 100 degC, line, temperature against an outside number."""
        kv40 = oil["kv40"]
        kv100 = brentq(
            lambda kv: viscosity_index(kv40 * 1e-6, kv * 1e-6, rounding=False) - index, 5.0, 30.0
        )
        found = temperature_at_viscosity(*line(kv40, kv100), LIQUID["viscosity"] * 1e-6) - ZERO
        assert found == pytest.approx(oil["temperature"], abs=LIQUID["within"])
        cold = temperature_at_viscosity(*line(kv40, kv100), 500e-6) - ZERO
        assert cold == pytest.approx(oil["cold"], abs=LIQUID["within"])

    @pytest.mark.parametrize("row", LINES["grades"], ids=lambda row: row[0])
    def test_generic_oils(self, row):
        _, kv40, kv100, a, b, index, *expected = row
        assert line(kv40, kv100) == (pytest.approx(a, abs=5.1e-6), pytest.approx(b, abs=5.1e-6))
        for celsius, nu in zip(LINES["temperatures"], expected, strict=True):
            assert viscosity(kv40, kv100, celsius) == pytest.approx(nu, abs=half_place(nu))
        chemical = viscosity_index(kv40 * 1e-6, kv100 * 1e-6, rounding=False)
        assert chemical == pytest.approx(index, abs=0.0051)

    @pytest.mark.parametrize("row", LINES["lines"], ids=lambda row: str(row[0]))
    def test_more_lines(self, row):
        kv40, kv100, a, b, *expected = row
        assert line(kv40, kv100) == (pytest.approx(a, abs=5.1e-6), pytest.approx(b, abs=5.1e-6))
        found = viscosity(kv40, kv100, np.array(LINES["warmer"], dtype=float))
        for nu, value in zip(found, expected, strict=True):
            assert nu == pytest.approx(value, abs=half_place(value))

    @pytest.mark.parametrize(("nu", "celsius"), LINES["reached"])
    def test_temperature_of_a_viscosity(self, nu, celsius):
        found = temperature_at_viscosity(*line(105.0, 14.0), nu * 1e-6) - ZERO
        assert found == pytest.approx(celsius, abs=5.1e-4)

    @given(st.floats(10.0, 500.0), st.floats(0.05, 0.5), st.floats(230.0, 420.0))
    def test_round_trip_and_the_two_points(self, kv40, share, temperature):
        kv100 = kv40 * share
        assume(kv100 >= 2.0)
        a, b = line(kv40, kv100)
        assert 1e6 * kinematic_viscosity(a, b, T40) == pytest.approx(kv40, rel=1e-9)
        assert 1e6 * kinematic_viscosity(a, b, T100) == pytest.approx(kv100, rel=1e-9)
        try:
            nu = kinematic_viscosity(a, b, temperature)
        except ValueError:
            assume(False)
        assert temperature_at_viscosity(a, b, nu) == pytest.approx(temperature, rel=1e-9)

    @given(st.floats(250.0, 380.0), st.floats(0.1, 30.0))
    def test_falls_with_temperature(self, temperature, step):
        a, b = line(105.0, 14.0)
        cold, warm = kinematic_viscosity(a, b, np.array([temperature, temperature + step]))
        assert cold > warm

    def test_order_of_the_points_does_not_matter(self):
        swapped = walther_constants(T100, 14e-6, T40, 105e-6)
        assert swapped == pytest.approx(line(105.0, 14.0), rel=1e-12)

    @pytest.mark.parametrize("nu", [1.99e-6, 0.0, -1e-6, math.nan, math.inf, 105.0])
    def test_given_viscosity_refused(self, nu):
        with pytest.raises(ValueError, match="2 mm2/s and above"):
            walther_constants(T40, 105e-6, T100, nu)
        with pytest.raises(ValueError, match="2 mm2/s and above"):
            temperature_at_viscosity(*line(105.0, 14.0), nu)

    @pytest.mark.parametrize("kv40", [3.0, 4.7, 6.1, 8.0, 10.0, 13.3, 17.0, 22.0, 31.0, 47.0])
    def test_the_end_itself_is_accepted_whatever_the_rounding(self, kv40):
        a, b = line(kv40, 2.0)
        assert kinematic_viscosity(a, b, T100) == pytest.approx(2e-6)
        assert temperature_at_viscosity(a, b, 2e-6) == pytest.approx(T100)

    def test_computed_viscosity_refused(self):
        a, b = line(10.0, 2.0)
        with pytest.raises(ValueError, match=r"374\.15 K .* below .* 2 mm2/s and above"):
            kinematic_viscosity(a, b, T100 + 1.0)
        with pytest.raises(ValueError, match=r"400 K .* below"):
            kinematic_viscosity(a, b, np.array([T40, 400.0]))
        with pytest.raises(ValueError, match="above the range"):
            kinematic_viscosity(*line(105.0, 14.0), 150.0)

    @pytest.mark.parametrize("temperature", [0.0, -3.0, math.nan, math.inf])
    def test_temperature_refused(self, temperature):
        with pytest.raises(ValueError, match="temperature"):
            kinematic_viscosity(*line(105.0, 14.0), temperature)
        with pytest.raises(ValueError, match="temperature"):
            walther_constants(temperature, 105e-6, T100, 14e-6)

    def test_viscosity_must_fall(self):
        for t2, nu2 in ((T100, 105e-6), (T100, 110e-6), (T40, 14e-6)):
            with pytest.raises(ValueError, match="fall with temperature"):
                walther_constants(T40, 105e-6, t2, nu2)
        with pytest.raises(ValueError, match="slope"):
            temperature_at_viscosity(8.0, 0.0, 1e-5)


class TestDensity:
    @pytest.mark.parametrize(("celsius", "table", "simple"), DENSITY["rows"])
    def test_table_form(self, celsius, table, simple):
        found = density(DENSITY["rho15"], celsius + ZERO)
        assert found == pytest.approx(table, abs=0.0051)
        assert found == pytest.approx(simple, rel=0.012)  # the simple rule is 1.1 % off at 120 degC

    def test_expansion_agrees_with_the_table_in_fahrenheit(self):
        """At base temperature the slope is K0 / rho, and 1 K is 1.8 degF."""
        rho15, step = DENSITY["rho15"], 1e-3
        slope = (density(rho15, 288.15 - step) - density(rho15, 288.15 + step)) / (2 * step * rho15)
        assert slope == pytest.approx(1.8 * DENSITY["k0_fahrenheit"] / rho15, rel=1e-4)
        assert slope == pytest.approx(DENSITY["alpha15"], rel=1e-4)

    def test_base_temperature_and_arrays(self):
        assert density(870.0, 288.15) == pytest.approx(870.0)
        found = density(870.0, np.array([273.15, 353.15]))
        assert found.tolist() == [density(870.0, 273.15), density(870.0, 353.15)]

    @given(st.floats(801.0, 1164.0), st.floats(230.0, 400.0), st.floats(0.1, 20.0))
    def test_falls_with_temperature(self, rho15, temperature, step):
        assert density(rho15, temperature) > density(rho15, temperature + step)

    @pytest.mark.parametrize("rho15", [*DENSITY["refused"], 0.87, 0.0, math.nan, math.inf])
    def test_density_refused(self, rho15):
        with pytest.raises(ValueError, match="density at 15"):
            density(rho15, 300.0)

    @pytest.mark.parametrize("temperature", [80.0, 500.0, math.nan, math.inf])
    def test_temperature_refused(self, temperature):
        with pytest.raises(ValueError, match="tabulated"):
            density(870.0, temperature)
        with pytest.raises(ValueError, match="tabulated"):
            density(870.0, np.array([300.0, temperature]))


class TestDynamic:
    def test_definition(self):
        """1 mm2/s at 1 g/cm3 is 1 mPa s; 24 mm2/s at 850 kg/m3 is 20.4 mPa s (arithmetic)."""
        assert dynamic_viscosity(1e-6, 1000.0) == pytest.approx(1e-3, rel=1e-12)
        assert dynamic_viscosity(24e-6, 850.0) == pytest.approx(0.0204, rel=1e-12)

    @pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
    def test_refused(self, bad):
        with pytest.raises(ValueError, match="viscosity"):
            dynamic_viscosity(bad, 850.0)
        with pytest.raises(ValueError, match="density"):
            dynamic_viscosity(24e-6, bad)
