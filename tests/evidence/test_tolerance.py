"""Tolerance factors, outliers and zero-failure plans against tables, quadrature and simulation."""

import itertools
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from dossier.evidence.statistics.tolerance import (
    _bounds,
    grubbs,
    tolerance_confidence,
    tolerance_factor,
    two_sided_confidence,
    two_sided_factor,
    zero_failure_reliability,
    zero_failure_specimens,
)
from dossier.evidence.statistics.uncertainty import coverage_factor, t_quantile

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


FACTORS = read("tolerance_one_sided")
TWO_SIDED = read("tolerance_two_sided")
NIST = read("nist_sematech")
ZERO = read("zero_failure")


def confidence_by_quadrature(n: int, coverage: float, k: float) -> float:
    """Integrate P(Z <= k sqrt(n) r - z sqrt(n)) over the distribution of r = s / sigma."""
    dof, root = n - 1, math.sqrt(n)
    z = float(stats.norm.ppf(coverage))
    chi = stats.chi(dof, scale=1 / math.sqrt(dof))

    def part(r: float) -> float:
        return float(stats.norm.cdf((k * r - z) * root) * chi.pdf(r))

    edges = [chi.ppf(1e-13), *chi.ppf([0.001, 0.1, 0.5, 0.9, 0.999]), chi.isf(1e-13)]
    return math.fsum(
        integrate.quad(part, a, b, epsabs=1e-10, limit=200)[0] for a, b in itertools.pairwise(edges)
    )


class TestToleranceFactor:
    @pytest.mark.parametrize("row", FACTORS["rows"])
    def test_table(self, row: list[float]) -> None:
        n = int(row[0])
        for coverage, k in zip((0.90, 0.95, 0.99), row[1:4], strict=True):
            assert tolerance_factor(n, coverage, 0.95) == pytest.approx(k, abs=5.1e-5)

    @pytest.mark.parametrize(("n", "k90", "k95"), FACTORS["handbook"])
    def test_handbook_table(self, n: int, k90: float, k95: float) -> None:
        place = FACTORS["small_print"]
        assert tolerance_factor(n, 0.90, 0.95) == pytest.approx(k90, abs=place)
        assert tolerance_factor(n, 0.95, 0.95) == pytest.approx(k95, abs=place)

    def test_nist_7_2_6_3(self) -> None:
        case = NIST["tolerance"]
        k = tolerance_factor(case["n"], case["coverage"], case["confidence"])
        assert k == pytest.approx(case["exact_k"], abs=5.1e-5)
        assert k == pytest.approx(case["natrella_k"], abs=0.0015)
        assert case["mean"] + k * case["s"] == pytest.approx(case["upper"], abs=1e-4)

    def test_is_not_the_approximation(self) -> None:
        exact = tolerance_factor(3, 0.95, 0.95)
        assert NIST["tolerance"]["approximation_at_3"] - exact == pytest.approx(1.92, abs=0.01)

    def test_bounds_of_a_population(self) -> None:
        case = FACTORS["example"]
        for coverage, name in ((0.90, "k90"), (0.95, "k95"), (0.99, "k99")):
            bound = case["mean"] - tolerance_factor(case["n"], coverage, 0.95) * case["s"]
            assert bound == pytest.approx(case[name], abs=0.006)

    @pytest.mark.parametrize("n", [2, 3, 7, 30])
    @pytest.mark.parametrize("coverage", [0.5, 0.9, 0.999])
    @pytest.mark.parametrize("confidence", [0.5, 0.95, 0.99])
    def test_by_quadrature(self, n: int, coverage: float, confidence: float) -> None:
        k = tolerance_factor(n, coverage, confidence)
        assert confidence_by_quadrature(n, coverage, k) == pytest.approx(confidence, abs=2e-6)

    def test_median_is_the_t_limit_of_the_mean(self) -> None:
        for n in (2, 5, 12):
            k = tolerance_factor(n, 0.5, 0.95)
            assert k == pytest.approx(t_quantile(0.95, n - 1) / math.sqrt(n), rel=1e-8)

    def test_covers_a_simulated_population_as_often_as_claimed(self) -> None:
        rng, runs, n = np.random.default_rng(29), 40_000, 3
        drawn = rng.normal(size=(runs, n))
        bound = drawn.mean(1) - tolerance_factor(n, 0.95, 0.90) * drawn.std(1, ddof=1)
        covered = int((bound <= stats.norm.ppf(0.05)).sum())
        law = stats.binom(runs, 0.90)
        assert law.ppf(0.0001) <= covered <= law.ppf(0.9999)

    @settings(max_examples=60)
    @given(st.integers(2, 80), st.floats(0.5, 0.995), st.floats(0.5, 0.995))
    def test_grows_with_coverage_and_confidence_and_falls_with_n(
        self, n: int, coverage: float, confidence: float
    ) -> None:
        k = tolerance_factor(n, coverage, confidence)
        assert tolerance_factor(n, coverage + 0.004, confidence) > k
        assert tolerance_factor(n, coverage, confidence + 0.004) > k
        if confidence > 0.75:
            assert tolerance_factor(n + 1, coverage, confidence) < k

    @pytest.mark.parametrize(
        ("n", "coverage", "confidence"),
        [(1, 0.9, 0.9), (5, 0.4, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.4), (5, 0.9, 1.0),
         (5, math.nan, 0.9), (5, 0.9, math.nan)],
    )  # fmt: skip
    def test_refuses(self, n: int, coverage: float, confidence: float) -> None:
        with pytest.raises(ValueError, match=r"specimens|coverage|confidence"):
            tolerance_factor(n, coverage, confidence)


class TestTwoSidedFactor:
    @pytest.mark.parametrize("row", TWO_SIDED["rows"])
    def test_table(self, row: list[float]) -> None:
        for coverage, k in zip((0.90, 0.95, 0.99), row[1:], strict=True):
            assert two_sided_factor(int(row[0]), coverage, 0.95) == pytest.approx(k, abs=0.0051)

    @pytest.mark.parametrize(("n", "k"), TWO_SIDED["few"])
    def test_two_and_three_specimens(self, n: int, k: float) -> None:
        assert two_sided_factor(n, 0.95, 0.95) == pytest.approx(k, rel=1e-5)

    def test_nist_7_2_6_3(self) -> None:
        case = TWO_SIDED["handbook"]
        found = two_sided_factor(case["n"], case["coverage"], case["confidence"])
        assert found == pytest.approx(case["k"], rel=0.003)

    def test_a_population_inside_two_limits_as_often_as_claimed(self) -> None:
        rng, runs, n = np.random.default_rng(31), 40_000, 3
        drawn = rng.normal(size=(runs, n))
        mean, half = drawn.mean(1), two_sided_factor(n, 0.95, 0.90) * drawn.std(1, ddof=1)
        held = stats.norm.cdf(mean + half) - stats.norm.cdf(mean - half) >= 0.95
        law = stats.binom(runs, 0.90)
        assert law.ppf(0.0001) <= int(held.sum()) <= law.ppf(0.9999)

    @settings(max_examples=40)
    @given(st.integers(2, 60), st.floats(0.5, 0.995), st.floats(0.5, 0.99))
    def test_is_farther_than_one_sided_and_nearer_than_half_the_rest_on_either_side(
        self, n: int, coverage: float, confidence: float
    ) -> None:
        k = two_sided_factor(n, coverage, confidence)
        assert two_sided_confidence(n, coverage, k) == pytest.approx(confidence, abs=1e-6)
        assert k > tolerance_factor(n, coverage, confidence)
        assert k < tolerance_factor(n, 0.5 + 0.5 * coverage, 0.5 + 0.5 * confidence)

    @pytest.mark.parametrize("k", [-1.0, 0.0])
    def test_on_the_wrong_side_nothing_is_shown(self, k: float) -> None:
        assert two_sided_confidence(3, 0.9, k) == 0.0

    @pytest.mark.parametrize(
        ("n", "coverage", "k"), [(1, 0.9, 2.0), (3, 0.4, 2.0), (3, 1.0, 2.0), (3, 0.9, math.nan)]
    )
    def test_refuses(self, n: int, coverage: float, k: float) -> None:
        with pytest.raises(ValueError, match=r"specimens|coverage|finite"):
            two_sided_confidence(n, coverage, k)


class TestToleranceConfidence:
    @settings(max_examples=60)
    @given(st.integers(2, 60), st.floats(0.5, 0.999), st.floats(0.5, 0.999))
    def test_inverts_the_factor(self, n: int, coverage: float, confidence: float) -> None:
        k = tolerance_factor(n, coverage, confidence)
        assert tolerance_confidence(n, coverage, k) == pytest.approx(confidence, abs=1e-8)

    @pytest.mark.parametrize(
        "k",
        [
            -30.0,
            -5.0,
            -4.274642506518117,
            -1.997579550267273,
            -1.0,
            -0.1,
            0.0,
            0.1,
            8.0,
            50.0,
            1e18,
        ],
    )
    @pytest.mark.parametrize(
        ("n", "coverage"),
        [(2, 0.9), (6, 0.999), (8, 0.99), (15, 0.9), (43, 0.9), (100, 0.9999), (1000, 0.99)],
    )
    def test_far_tails(self, n: int, coverage: float, k: float) -> None:
        found = tolerance_confidence(n, coverage, k)
        assert found == pytest.approx(confidence_by_quadrature(n, coverage, k), abs=2e-6)
        assert 0.0 <= found <= 1.0

    @pytest.mark.parametrize("tail", [0.5, 0.05, 1e-4])
    @pytest.mark.parametrize(("n", "coverage"), [(2, 0.5), (3, 0.9), (8, 0.999), (60, 0.95)])
    def test_elementary_bounds_bound(self, n: int, coverage: float, tail: float) -> None:
        root = math.sqrt(n)
        low, high = _bounds(n - 1, float(stats.norm.ppf(coverage)) * root, tail)
        assert confidence_by_quadrature(n, coverage, low / root) <= tail + 1e-7
        assert confidence_by_quadrature(n, coverage, high / root) >= 1 - tail - 1e-7

    def test_at_zero_is_a_normal_tail(self) -> None:
        # mean exactly on the limit: P(Z <= -z sqrt(n))
        expected = stats.norm.cdf(-stats.norm.ppf(0.9) * math.sqrt(4))
        assert tolerance_confidence(4, 0.9, 0.0) == pytest.approx(expected)

    @pytest.mark.parametrize(
        ("n", "coverage", "k"),
        [(1, 0.9, 1.0), (5, 0.3, 1.0), (5, 0.9, math.nan), (5, 0.9, math.inf)],
    )
    def test_refuses(self, n: int, coverage: float, k: float) -> None:
        with pytest.raises(ValueError, match=r"specimens|coverage|k must be finite"):
            tolerance_confidence(n, coverage, k)


class TestGrubbs:
    def test_nist_1_3_5_17_1(self) -> None:
        case = NIST["grubbs"]
        found = grubbs(case["values"])
        assert found.position == case["farthest"]
        assert math.floor(found.distance * 1e4) / 1e4 == case["G"]
        assert found.distance > found.two_sided > case["one_sided"]

    @pytest.mark.parametrize("row", FACTORS["rows"])
    def test_table(self, row: list[float]) -> None:
        found = grubbs(np.arange(row[0]) ** 2)
        assert found.two_sided == pytest.approx(row[6], abs=5.1e-5)

    def test_largest_possible(self) -> None:
        found = grubbs([0.0] * 7 + [-1.0])
        assert found.position == 7
        assert found.distance == pytest.approx(NIST["grubbs"]["largest_possible"], abs=5e-5)

    def test_flags_normal_data_one_time_in_twenty(self) -> None:
        rng, runs = np.random.default_rng(31), 4000
        flagged = 0
        for values in rng.normal(size=(runs, 10)):
            found = grubbs(values)
            flagged += found.distance > found.two_sided
        law = stats.binom(runs, 0.05)
        assert law.ppf(0.0001) <= flagged <= law.ppf(0.9999)

    @pytest.mark.parametrize(
        "values", [[1.0, 2.0], [1.0, 2.0, math.nan], [1.0, 2.0, math.inf], [0.1, 0.1, 0.1]]
    )
    def test_refuses(self, values: list[float]) -> None:
        with pytest.raises(ValueError, match=r"three or more finite values|no spread"):
            grubbs(values)


class TestZeroFailure:
    @pytest.mark.parametrize(("reliability", "confidence", "n"), ZERO["specimens"])
    def test_specimens(self, reliability: float, confidence: float, n: int) -> None:
        assert zero_failure_specimens(reliability, confidence) == n

    @pytest.mark.parametrize(("n", "confidence", "reliability"), ZERO["reliability"])
    def test_reliability(self, n: int, confidence: float, reliability: float) -> None:
        assert zero_failure_reliability(n, confidence) == pytest.approx(reliability, abs=5e-4)

    def test_whole_quotient_is_not_rounded_up(self) -> None:
        assert zero_failure_specimens(0.9, 1 - 0.9**2) == 2
        assert zero_failure_specimens(0.5, 0.5) == 1
        assert zero_failure_specimens(0.5, 0.875) == 3
        for reliability in np.linspace(0.5, 0.95, 10):
            for n in range(1, 12):
                assert zero_failure_specimens(reliability, 1 - reliability**n) == n

    @given(st.floats(0.01, 0.999), st.floats(0.01, 0.999))
    def test_smallest_that_suffices(self, reliability: float, confidence: float) -> None:
        n = zero_failure_specimens(reliability, confidence)
        assert 1 - reliability**n >= confidence - 1e-9
        assert n == 1 or 1 - reliability ** (n - 1) < confidence
        assert zero_failure_reliability(n, confidence) >= reliability - 1e-9

    @pytest.mark.parametrize("wrong", [0.0, 1.0, 95.0, math.nan])
    def test_refuses(self, wrong: float) -> None:
        for call in (
            lambda: zero_failure_specimens(wrong, 0.9),
            lambda: zero_failure_specimens(0.9, wrong),
            lambda: zero_failure_reliability(3, wrong),
        ):
            with pytest.raises(ValueError, match="between 0 and 1"):
                call()
        with pytest.raises(ValueError, match="one or more specimens"):
            zero_failure_reliability(0, 0.9)


class TestSmallSamples:
    """t-limits of a mean: the table's t columns and two worked intervals."""

    @pytest.mark.parametrize("row", FACTORS["rows"])
    def test_t_columns(self, row: list[float]) -> None:
        assert t_quantile(0.95, row[0] - 1) == pytest.approx(row[4], abs=5.1e-5)
        assert coverage_factor(0.95, row[0] - 1) == pytest.approx(row[5], abs=5.1e-5)

    def test_mean_bound(self) -> None:
        case = FACTORS["example"]
        bound = case["mean"] - t_quantile(0.95, case["n"] - 1) * case["s"] / math.sqrt(case["n"])
        assert bound == pytest.approx(case["mean_bound"], abs=0.006)

    def test_nist_1_3_5_2(self) -> None:
        case = NIST["interval"]
        half = coverage_factor(0.95, case["n"] - 1) * case["s"] / math.sqrt(case["n"])
        assert case["mean"] - half == pytest.approx(case["lower"], abs=1.1e-6)
        assert case["mean"] + half == pytest.approx(case["upper"], abs=1.1e-6)
