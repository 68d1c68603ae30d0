"""Pressure drop against a flow library, hand-worked sets, algebra and simulated sweeps."""

# mypy: disable-error-code=call-arg

import math
import tomllib
from pathlib import Path

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls

from dossier.physics import pressure_drop as pd
from dossier.physics.viscosity import kinematic_viscosity, walther_constants

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "pressure_drop_arithmetic.toml").read_text(
        encoding="utf-8"
    )
)
LPM = 1e-3 / 60.0  # m3/s
A, B = 1.1e9, 1.3e7
MU = np.repeat([0.0204, 0.4], 6)
RHO = np.repeat([840.0, 880.0], 6)
Q = np.tile(np.arange(10.0, 70.0, 10.0), 2) * LPM


def recovery():
    case = CASES["recovery"]
    flow = np.array(case["flow"]) * LPM
    rho = np.full(6, case["density"])
    mu = rho * case["viscosity"] * 1e-6
    return flow, mu, rho, np.array(case["pressure_drop"]) * 1e3


def exact(a=A, b=B):
    return a * MU * Q + b * RHO * Q**2


def predict(a, b, flow, viscosity, density):
    return pd.Path(a, b).pressure_drop(flow, viscosity, density)


def flow_at(a, b, viscosity, density, drop):
    return pd.Path(a, b).flow(drop, viscosity, density)


class TestFit:
    def test_recovery_set(self):
        fit = pd.fit_pressure_drop(*recovery())
        assert fit.a == pytest.approx(CASES["recovery"]["a"], rel=1e-8)
        assert fit.b == pytest.approx(CASES["recovery"]["b"], rel=1e-8)
        assert fit.resolved == (True, True)
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.0, 0.0], abs=1e-9 * fit.a)

    def test_packed_bed_of_the_library(self):
        """Rows made by the library's Ergun equation give its two published constants back."""
        d, e, length, area = 1e-4, 0.6, 5e-4, 0.05
        rows = [
            fluids.Ergun(dp=d, voidage=e, vs=q / area, rho=r, mu=m, L=length)
            for q, m, r in zip(Q, MU, RHO, strict=True)
        ]
        fit = pd.fit_pressure_drop(Q, MU, RHO, np.array(rows), np.array(rows))
        assert fit.a == pytest.approx(150 * (1 - e) ** 2 * length / (e**3 * d**2 * area), rel=1e-6)
        assert fit.b == pytest.approx(1.75 * (1 - e) * length / (e**3 * d * area**2), rel=1e-3)

    @given(st.floats(1e7, 1e11), st.floats(1e5, 1e9))
    def test_exact_rows_come_back(self, a, b):
        fit = pd.fit_pressure_drop(Q, MU, RHO, exact(a, b))
        assert fit.a == pytest.approx(a, rel=1e-5)
        assert fit.b == pytest.approx(b, rel=1e-3)

    @given(st.floats(0.1, 10.0), st.floats(0.1, 10.0), st.integers(0, 50))
    def test_unit_scaling(self, k, c, seed):
        drop = exact() * (1 + 0.02 * np.random.default_rng(seed).standard_normal(12))
        fit = pd.fit_pressure_drop(Q, MU, RHO, drop)
        other = pd.fit_pressure_drop(c * Q, MU, RHO, k * drop)
        scale = k / np.array([c, c**2])
        assert np.array([other.a, other.b]) == pytest.approx(scale * [fit.a, fit.b], rel=1e-7)
        assert other.covariance == pytest.approx(np.outer(scale, scale) * fit.covariance, rel=1e-6)

    @pytest.mark.parametrize("weighted", [False, True])
    def test_covariance_is_what_simulated_sweeps_scatter(self, weighted):
        rng, found, stated = np.random.default_rng(3), [], []
        sd = 0.03 * exact() if weighted else np.full(12, 900.0)
        for _ in range(1500):
            fit = pd.fit_pressure_drop(
                Q, MU, RHO, exact() + sd * rng.standard_normal(12), 7.0 * sd if weighted else None
            )
            found.append((fit.a, fit.b))
            stated.append(fit.covariance)
        assert np.array(found).mean(axis=0) == pytest.approx([A, B], rel=0.02)
        ratio = np.cov(np.array(found).T) / np.mean(stated, axis=0)
        assert ratio == pytest.approx(np.ones((2, 2)), abs=0.12)

    def test_weights_decide_between_rows_that_disagree(self):
        drop = exact()
        drop[:3] *= 1.5
        sd = np.ones(12)
        sd[:3] = 1e6
        fit = pd.fit_pressure_drop(Q, MU, RHO, drop, sd)
        assert fit.a == pytest.approx(A, rel=1e-6)

    @given(st.integers(0, 400))
    def test_a_negative_coefficient_is_bound_and_said_so(self, seed):
        rng = np.random.default_rng(seed)
        truth = (A, 0.0) if seed % 2 else (0.0, B)
        drop = exact(*truth) + 0.02 * exact(*truth).max() * rng.standard_normal(12)
        sd = rng.uniform(1.0, 30.0, 12)
        fit = pd.fit_pressure_drop(Q, MU, RHO, drop, sd)
        columns = np.column_stack([MU * Q, RHO * Q**2]) / sd[:, None]
        length = np.linalg.norm(columns, axis=0)
        expected = nnls(columns / length, drop / sd)[0] / length
        free = np.linalg.lstsq(columns / length, drop / sd, rcond=None)[0]
        assert [fit.a, fit.b] == pytest.approx(expected, rel=1e-6)
        assert fit.resolved == tuple(free >= 0)
        for k, ok in enumerate(fit.resolved):
            assert np.all(fit.covariance[k] == 0) == (not ok)
            assert np.all(fit.covariance[:, k] == 0) == (not ok)

    def test_both_signs_of_unresolved_occur(self):
        rng, seen = np.random.default_rng(9), set()
        for truth in ((A, 0.0), (0.0, B)):
            for _ in range(20):
                drop = exact(*truth) + 0.02 * exact(*truth).max() * rng.standard_normal(12)
                seen.add(pd.fit_pressure_drop(Q, MU, RHO, drop).resolved)
        assert seen == {(True, True), (True, False), (False, True)}

    def test_rows_without_flow_carry_nothing(self):
        zero = np.zeros(1)
        fit = pd.fit_pressure_drop(
            *(np.append(v, w) for v, w in zip((Q, MU, RHO), (zero, [0.02], [850.0]), strict=True)),
            np.append(exact(), 0.0),
        )
        assert (fit.a, fit.b) == (pytest.approx(A), pytest.approx(B))

    def test_rank_deficient_refused(self):
        one = np.full(5, 40 * LPM)
        with pytest.raises(ValueError, match="cannot tell"):
            pd.fit_pressure_drop(one, np.full(5, 0.02), np.full(5, 850.0), np.full(5, 2e4))

    def test_two_viscosities_at_one_flow_are_enough(self):
        mu, one = np.array([0.02, 0.02, 0.4]), np.full(3, 40 * LPM)
        rho = np.full(3, 850.0)
        fit = pd.fit_pressure_drop(one, mu, rho, A * mu * one + B * rho * one**2)
        assert (fit.a, fit.b) == (pytest.approx(A), pytest.approx(B))

    @pytest.mark.parametrize("place", range(5))
    @pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
    def test_refused(self, place, bad):
        rows = [Q.copy(), MU.copy(), RHO.copy(), exact(), np.ones(12)]
        rows[place][4] = bad
        if place == 3 and bad == -1.0:
            assert pd.fit_pressure_drop(*rows).a > 0
            return
        for call in (pd.fit_pressure_drop, pd.offset_of_fit):
            with pytest.raises(ValueError, match=r"flow|viscosity|density|drop|deviation"):
                call(*rows)

    def test_too_few_rows_refused(self):
        with pytest.raises(ValueError, match="3 rows with flow"):
            pd.fit_pressure_drop(Q[:2], MU[:2], RHO[:2], exact()[:2])
        with pytest.raises(ValueError, match="4 rows with flow"):
            pd.offset_of_fit(Q[:3], MU[:3], RHO[:3], exact()[:3])
        with pytest.raises(ValueError, match="length"):
            pd.fit_pressure_drop(Q, MU[:5], RHO, exact())

    def test_a_falling_pressure_refused(self):
        with pytest.raises(ValueError, match="does not rise"):
            pd.fit_pressure_drop(Q, MU, RHO, -exact())


class TestOffset:
    @given(st.floats(-5e3, 5e3), st.floats(0.5, 3.0))
    def test_found_exactly(self, offset, weight):
        found = pd.offset_of_fit(Q, MU, RHO, exact() + offset, np.full(12, weight))
        assert found.value == pytest.approx(offset, abs=1e-3)
        assert found.u == pytest.approx(0.0, abs=1e-3)

    def test_uncertainty_is_what_simulated_sweeps_scatter(self):
        rng, found = np.random.default_rng(5), []
        for _ in range(1500):
            found.append(pd.offset_of_fit(Q, MU, RHO, exact() + 300.0 * rng.standard_normal(12)))
        values, stated = np.array(found).T
        assert values.mean() == pytest.approx(0.0, abs=4 * values.std() / math.sqrt(1500))
        assert math.sqrt((stated**2).mean()) == pytest.approx(values.std(ddof=1), rel=0.08)

    def test_a_coefficient_may_be_negative_here(self):
        drop = exact(A, -0.2 * B) + 500.0
        assert pd.offset_of_fit(Q, MU, RHO, drop).value == pytest.approx(500.0, abs=1e-3)

    def test_rank_deficient_refused(self):
        two = np.tile([20 * LPM, 40 * LPM], 3)
        with pytest.raises(ValueError, match="cannot tell"):
            pd.offset_of_fit(two, np.full(6, 0.02), np.full(6, 850.0), 1e9 * two)


class TestPredict:
    def test_carried_to_another_oil(self):
        case, base = CASES["rescaled"], CASES["recovery"]
        rho = base["density"]
        q = case["flow"] * LPM

        def at(viscosity, a=base["a"], b=base["b"]):
            return predict(a, b, q, viscosity * 1e-6 * rho, rho) / 1e3

        assert at(base["viscosity"], b=0.0) == pytest.approx(case["viscous"], rel=1e-7)
        assert at(base["viscosity"], a=0.0) == pytest.approx(case["inertial"], rel=1e-7)
        assert at(case["viscosity"]) == pytest.approx(case["pressure_drop"], rel=1e-7)
        whole = at(base["viscosity"]) * case["viscosity"] / base["viscosity"]
        assert whole == pytest.approx(case["whole_scaled"], rel=1e-7)

    def test_a_viscous_element_multiplies_from_hot_to_cold(self):
        case = CASES["cold_over_hot"]
        cold, hot = (predict(A, 0.0, 1e-3, nu * 1e-6 * 850, 850.0) for nu in case["viscosities"])
        assert cold / hot == pytest.approx(case["ratio"], abs=0.051)

    def test_laminar_pipe_of_the_library(self):
        """Hagen-Poiseuille: a = 128 L / (pi D^4)."""
        d, length, mu, rho, q = 0.020, 1.0, 0.0119, 850.0, 10 * LPM
        found = predict(128 * length / (math.pi * d**4), 0.0, q, mu, rho)
        library = fluids.one_phase_dP(m=rho * q, rho=rho, mu=mu, D=d, L=length)
        assert found == pytest.approx(library, rel=1e-6)
        assert found == pytest.approx(505.0517, abs=5.1e-5)

    def test_loss_coefficient_of_the_library(self):
        """Dp = K rho v^2 / 2: b = K / (2 area^2)."""
        found = predict(0.0, 2.5 / (2 * 2e-4**2), 3.0 * 2e-4, 0.02, 850.0)
        assert found == pytest.approx(fluids.dP_from_K(K=2.5, rho=850, V=3), rel=1e-12)
        assert found == pytest.approx(9562.5)

    def test_packed_bed_of_the_library(self):
        """The library's documented example, Ergun equation over one square metre."""
        found = predict(
            150 * 0.6**2 / (0.4**3 * 8e-4**2), 1.75 * 0.6 / (0.4**3 * 8e-4), 1e-3, 1e-3, 1e3
        )
        assert found == pytest.approx(1338.86718750, rel=1e-9)
        library = fluids.Ergun(dp=8e-4, voidage=0.4, vs=1e-3, rho=1e3, mu=1e-3, L=1)
        assert found == pytest.approx(library, rel=1e-9)

    def test_arrays_go_row_by_row(self):
        many = predict(A, B, Q, MU, RHO)
        one = [predict(A, B, *map(float, row)) for row in zip(Q, MU, RHO, strict=True)]
        assert many.tolist() == pytest.approx(one)
        assert predict(A, B, Q, 0.02, 850.0).shape == Q.shape

    @pytest.mark.parametrize("place", range(5))
    @pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
    def test_refused(self, place, bad):
        values = [A, B, 1e-3, 0.02, 850.0]
        values[place] = bad
        with pytest.raises(ValueError, match=r"coefficient|flow|viscosity|density"):
            predict(*values)
        with pytest.raises(ValueError, match=r"coefficient|sum|drop|viscosity|density"):
            flow_at(*values[:2], *values[3:], values[2])


class TestFlow:
    @pytest.mark.parametrize(("cd", "litres"), CASES["orifice"]["rows"])
    def test_orifice(self, cd, litres):
        """Q = Cd A sqrt(2 dp / rho): b = 1 / (2 Cd^2 A^2), by hand and by the library."""
        case = CASES["orifice"]
        d, dp, rho = case["diameter"] / 1e3, case["pressure_drop"] * 1e3, case["density"]
        area = math.pi / 4 * d**2
        found = flow_at(0.0, 1 / (2 * (cd * area) ** 2), 0.01, rho, dp)
        assert found / LPM == pytest.approx(litres, abs=5.1e-4)
        mass = fluids.flow_meter.flow_meter_discharge(
            D=10.0, Do=d, P1=dp, P2=0.0, rho=rho, C=cd, expansibility=1.0
        )
        assert found == pytest.approx(mass / rho, rel=1e-9)

    def test_orifice_area(self):
        case, area = CASES["orifice"], CASES["orifice"]["area"]
        b = 1 / (2 * (area["cd"] * area["mm2"] * 1e-6) ** 2)
        dp = predict(0.0, b, area["flow"] * LPM, 0.01, case["density"])
        assert dp / 1e3 == pytest.approx(case["pressure_drop"], rel=2e-5)

    @given(st.floats(0.0, 1e11), st.floats(0.0, 1e9), st.floats(1e-3, 10.0), st.floats(1.0, 1e7))
    def test_inverse_of_predict(self, a, b, mu, dp):
        if a < 1.0 and b < 1.0:
            a = 1e9
        q = flow_at(a, b, mu, 850.0, dp)
        assert predict(a, b, q, mu, 850.0) == pytest.approx(dp, rel=1e-9)

    def test_no_pressure_no_flow(self):
        assert flow_at(A, B, 0.02, 850.0, 0.0) == 0.0
        assert flow_at(0.0, B, 0.02, 850.0, 0.0) == 0.0
        with pytest.raises(ValueError, match="without resistance"):
            flow_at(0.0, 0.0, 0.02, 850.0, 1e5)


class TestColdStart:
    case = CASES["cold_start"]

    def state(self, celsius):
        a, b = walther_constants(
            313.15, self.case["kv40"] * 1e-6, 373.15, self.case["kv100"] * 1e-6
        )
        rho = self.case["rho15"] * (1 - self.case["expansion"] * (celsius - 15))
        return kinematic_viscosity(a, b, celsius + 273.15) * rho, rho

    def drop(self, kelvin):
        mu, rho = self.state(kelvin - 273.15)
        return predict(self.case["a"], self.case["b"], self.case["flow"] * LPM, mu, rho)

    @pytest.mark.parametrize(("celsius", "kpa"), case["drops"])
    def test_pressure_drops(self, celsius, kpa):
        place = 10.0 ** -len(str(kpa).partition(".")[2])
        assert self.drop(celsius + 273.15) / 1e3 == pytest.approx(kpa, abs=0.51 * place)

    @pytest.mark.parametrize(("kpa", "celsius"), case["opening"])
    def test_opening_temperatures(self, kpa, celsius):
        found = pd.opening_temperature(self.drop, kpa * 1e3, 233.15, 423.15)
        assert found.value - 273.15 == pytest.approx(celsius, abs=5.1e-5)
        assert found.bound == ""

    def test_flow_that_a_cold_element_passes(self):
        case = self.case["passing"]
        mu, rho = self.state(case["temperature"])
        q = flow_at(self.case["a"], self.case["b"], mu, rho, case["pressure_drop"] * 1e3)
        assert q / LPM == pytest.approx(case["flow"], abs=5.1e-6)

    def test_bounds(self):
        assert pd.opening_temperature(self.drop, 1e9, 253.15, 393.15) == (253.15, "smaller than")
        assert pd.opening_temperature(self.drop, 1e3, 253.15, 393.15) == (393.15, "larger than")

    @given(st.floats(250.0, 390.0), st.floats(1e-3, 0.1))
    def test_known_law(self, temperature, rate):
        found = pd.opening_temperature(
            lambda t: 1e5 * math.exp(-rate * (t - temperature)), 1e5, 240.0, 400.0
        )
        assert found == (pytest.approx(temperature, abs=1e-6), "")

    def test_ends_of_the_range_count_as_found(self):
        def falling(t):
            return 500.0 - t

        assert pd.opening_temperature(falling, 200.0, 300.0, 400.0) == (300.0, "")
        assert pd.opening_temperature(falling, 100.0, 300.0, 400.0) == (400.0, "")
        just_shut = pd.opening_temperature(falling, 200.01, 300.0, 400.0)
        assert just_shut == (300.0, "smaller than")
        assert pd.opening_temperature(falling, 99.99, 300.0, 400.0) == (400.0, "larger than")

    @pytest.mark.parametrize(
        ("law", "opening", "low", "high", "why"),
        [
            (lambda t: t, 350.0, 300.0, 400.0, "rises"),
            (lambda t: math.nan, 350.0, 300.0, 400.0, "pressure drop"),
            (lambda t: 500 - t, math.nan, 300.0, 400.0, "opening"),
            (lambda t: 500 - t, 150.0, 400.0, 300.0, "low to high"),
            (lambda t: 500 - t, 150.0, 0.0, 300.0, "low to high"),
        ],
    )
    def test_refused(self, law, opening, low, high, why):
        with pytest.raises(ValueError, match=why):
            pd.opening_temperature(law, opening, low, high)


def test_coefficients_below_one_come_back_as_well():
    flow, one = np.linspace(1.0, 8.0, 6), np.ones(6)
    found = pd.fit_pressure_drop(flow, one, one, 0.5 * flow + 0.25 * flow**2)
    assert (found.a, found.b, found.resolved) == (
        pytest.approx(0.5), pytest.approx(0.25), (True, True),
    )  # fmt: skip
