"""The loading curve against the blocking laws, their differential equation, and algebra."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.integrate import solve_ivp

from dossier.physics import loading

LAWS = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "blocking_laws.toml").read_text(encoding="utf-8")
)
NAMES = ("complete", "standard", "intermediate", "cake")
drops = arrays(float, st.integers(1, 12), elements=st.floats(0.0, 1e5))


class TestMonotone:
    @given(drops)
    def test_least_squares_by_the_minimax_formula(self, drop):
        """f_i = max over j <= i of min over k >= i of mean(y_j .. y_k) (textbook)."""
        n = len(drop)
        expected = [
            max(min(drop[j : k + 1].mean() for k in range(i, n)) for j in range(i + 1))
            for i in range(n)
        ]
        found = loading.monotone_curve(np.arange(n, dtype=float), drop)
        assert found == pytest.approx(np.array(expected), rel=1e-9, abs=1e-6)

    @given(drops)
    def test_never_falls_and_keeps_the_mean(self, drop):
        found = loading.monotone_curve(np.arange(len(drop), dtype=float), drop)
        assert np.all(np.diff(found) >= 0)
        assert found.mean() == pytest.approx(drop.mean(), abs=1e-6)

    def test_a_rising_curve_stays(self):
        drop = np.array([1.0, 2.0, 2.0, 5.0])
        assert loading.monotone_curve(np.arange(4.0), drop).tolist() == drop.tolist()

    @pytest.mark.parametrize(
        ("mass", "drop"),
        [
            ([0.0, 1.0], [1.0, math.nan]),
            ([0.0, math.nan], [1.0, 2.0]),
            ([1.0, 0.0], [1.0, 2.0]),
            ([0.0, 1.0, 2.0], [1.0, 2.0]),
            ([], []),
        ],
    )
    def test_refused(self, mass, drop):
        with pytest.raises(ValueError, match=r"mass|drop"):
            loading.monotone_curve(np.array(mass), np.array(drop))


class TestReading:
    mass = np.array([0.0, 0.010, 0.020, 0.030])
    curve = np.array([10e3, 20e3, 20e3, 60e3])

    def test_straight_lines(self):
        assert loading.mass_at(15e3, self.mass, self.curve) == (pytest.approx(0.005), "")
        assert loading.mass_at(40e3, self.mass, self.curve) == (pytest.approx(0.025), "")
        assert loading.pressure_at(0.005, self.mass, self.curve) == pytest.approx(15e3)
        assert loading.pressure_at(0.015, self.mass, self.curve) == pytest.approx(20e3)

    def test_a_flat_part_is_reached_at_its_start(self):
        assert loading.mass_at(20e3, self.mass, self.curve) == (pytest.approx(0.010), "")

    def test_no_extrapolation(self):
        assert loading.mass_at(9e3, self.mass, self.curve) == (0.0, "smaller than")
        assert loading.mass_at(10e3, self.mass, self.curve) == (0.0, "")
        assert loading.mass_at(60e3, self.mass, self.curve) == (pytest.approx(0.030), "")
        assert loading.mass_at(61e3, self.mass, self.curve) == (0.030, "larger than")
        for outside in (-1e-9, 0.0301, math.nan):
            with pytest.raises(ValueError, match="outside the tested"):
                loading.pressure_at(outside, self.mass, self.curve)

    @given(arrays(float, 8, elements=st.floats(1.0, 1e4)), st.floats(0.0, 1.0))
    def test_there_and_back(self, steps, share):
        mass, curve = np.arange(8.0), np.cumsum(steps)
        limit = curve[0] + share * (curve[-1] - curve[0])
        found = loading.mass_at(float(limit), mass, curve)
        assert found.bound == ""
        assert loading.pressure_at(found.value, mass, curve) == pytest.approx(limit, rel=1e-9)

    def test_a_falling_curve_refused(self):
        for call in (loading.mass_at, loading.pressure_at):
            with pytest.raises(ValueError, match="falls"):
                call(1.0, np.array([0.0, 2.0, 3.0]), np.array([1.0, 3.0, 2.0]))

    @pytest.mark.parametrize("bad", [math.nan, math.inf])
    def test_values_refused(self, bad):
        with pytest.raises(ValueError, match="drop"):
            loading.mass_at(bad, self.mass, self.curve)
        with pytest.raises(ValueError, match="drop"):
            loading.mass_at(1e4, self.mass, np.append(self.curve[:-1], bad))
        with pytest.raises(ValueError, match="mass"):
            loading.pressure_at(0.001, np.append(self.mass[:-1], bad), self.curve)


class TestGrowth:
    @given(
        st.floats(1.0, 1e5),
        st.floats(0.0, 1e5),
        st.floats(0.0, 1e5),
        arrays(float, 6, elements=st.floats(1.0, 50.0)),
    )
    def test_round_trip_through_the_same_oil(self, viscous, inertial, housing, factors):
        factors[0] = 1.0
        element = viscous * factors + inertial
        found = loading.growth(element, inertial)
        assert found == pytest.approx(factors, rel=1e-6)
        back = loading.loaded_pressure_drop(viscous, inertial, housing, found)
        assert back == pytest.approx(element + housing, rel=1e-6)

    def test_only_the_viscous_part_grows(self):
        """By arithmetic: 15 kPa viscous thrice, 5 kPa inertial and 12 kPa housing once."""
        assert loading.loaded_pressure_drop(15e3, 5e3, 12e3, 3.0) == 62e3
        assert loading.growth(np.array([20e3, 50e3]), 5e3).tolist() == [1.0, 3.0]

    @pytest.mark.parametrize("inertial", [20e3, 25e3, -1.0, math.nan])
    def test_no_viscous_part_refused(self, inertial):
        with pytest.raises(ValueError, match=r"viscous|inertial"):
            loading.growth(np.array([20e3, 50e3]), inertial)

    @pytest.mark.parametrize("place", range(4))
    @pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
    def test_refused(self, place, bad):
        values = [15e3, 5e3, 12e3, 3.0]
        values[place] = bad
        with pytest.raises(ValueError, match="must be"):
            loading.loaded_pressure_drop(*values)


class TestBlocking:
    @pytest.mark.parametrize("row", LAWS["rows"], ids=lambda row: f"u={row[0]}")
    def test_table(self, row):
        u, *expected = row
        found = [loading.blocking_growth(u, name) for name in NAMES]
        assert found == pytest.approx(expected, rel=5e-6)

    @pytest.mark.parametrize("name", NAMES)
    def test_solves_the_differential_equation(self, name):
        """dR/du = R^m from R = 1, by an independent solver."""
        m, ends = LAWS["exponents"][name], np.linspace(0.0, 0.9, 10)
        path = solve_ivp(lambda _, r: r**m, (0.0, 0.9), [1.0], t_eval=ends, rtol=1e-10, atol=1e-12)
        assert loading.blocking_growth(ends, name) == pytest.approx(path.y[0], rel=1e-8)

    @given(st.floats(1e-3, 0.99))
    def test_order_of_steepness(self, u):
        found = [loading.blocking_growth(u, name) for name in NAMES]
        assert found == sorted(found, reverse=True)

    @pytest.mark.parametrize(
        ("u", "name"),
        [(1.0, "complete"), (2.0, "standard"), (-0.1, "cake"), (math.nan, "intermediate")],
    )
    def test_refused(self, u, name):
        with pytest.raises(ValueError, match=r"open share|amount held"):
            loading.blocking_growth(u, name)


class TestExponential:
    case = LAWS["exponential"]
    law = (case["dp0"] * 1e3, case["a"] * 1e3, case["b"] * 1e3)

    def test_synthetic_set(self):
        mass = np.array(self.case["mass"]) / 1e3
        found = loading.exponential_loading(mass, *self.law) / 1e3
        assert found == pytest.approx(np.array(self.case["pressure_drop"]), abs=5.1e-5)

    @pytest.mark.parametrize(("kpa", "grams"), case["reached"])
    def test_mass_at_a_limit(self, kpa, grams):
        found = loading.mass_of_exponential(kpa * 1e3, *self.law)
        assert found * 1e3 == pytest.approx(grams, abs=5.1e-5)

    def test_the_read_curve_approaches_the_law(self):
        mass = np.linspace(0.0, 0.045, 2001)
        curve = loading.monotone_curve(mass, loading.exponential_loading(mass, *self.law))
        found = loading.mass_at(1e5, mass, curve)
        assert found.value == pytest.approx(loading.mass_of_exponential(1e5, *self.law), rel=1e-5)

    @given(st.floats(0.0, 0.1))
    def test_there_and_back(self, mass):
        limit = loading.exponential_loading(mass, *self.law)
        assert loading.mass_of_exponential(limit, *self.law) == pytest.approx(mass, abs=1e-9)

    def test_refused(self):
        with pytest.raises(ValueError, match="limit"):
            loading.mass_of_exponential(9e3, *self.law)
        with pytest.raises(ValueError, match="mass"):
            loading.exponential_loading(-1e-3, *self.law)
        for place in range(3):
            law = list(self.law)
            law[place] = -1.0
            with pytest.raises(ValueError, match="must be"):
                loading.exponential_loading(0.01, *law)
