"""Count statistics against tables, exact binomial and Poisson sums, and simulated counters."""

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dossier.evidence.counting import (
    dispersion,
    dispersion_of_differences,
    poisson_interval,
    poisson_upper,
    probability_ratio_exceeds,
    ratio_interval,
    ratio_lower,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


GARWOOD = read("garwood_1936")
RATIOS = read("clopper_pearson_1934")["ratios"]
DISPERSED = read("over_dispersion")["case"]

fractional = st.floats(0.05, 1e5)
confidences = st.floats(0.5, 0.999)


class TestPoisson:
    @pytest.mark.parametrize(("n", "lower", "upper"), GARWOOD["two_sided"])
    def test_table(self, n: int, lower: float, upper: float) -> None:
        place = 5e-5 if n <= 25 else 5e-4 if n <= 1000 else 5e-3
        assert poisson_interval(n, 0.95) == pytest.approx((lower, upper), abs=1.01 * place)

    @pytest.mark.parametrize(("n", "upper"), list(enumerate(GARWOOD["one_sided_upper"])))
    def test_one_sided_table(self, n: int, upper: float) -> None:
        assert poisson_upper(n, 0.95) == pytest.approx(upper, abs=5.1e-5)

    def test_none_counted(self) -> None:
        assert poisson_upper(0, 0.95) == pytest.approx(-math.log(0.05))
        lower, upper = poisson_interval(0, 0.95)
        assert lower == 0.0
        assert upper == pytest.approx(-math.log(0.025))

    @given(st.integers(1, 60), st.floats(0.5, 0.999))
    def test_ends_have_the_tail_by_summation(self, n: int, confidence: float) -> None:
        def below(count: int, mean: float) -> float:
            terms = (k * math.log(mean) - mean - math.lgamma(k + 1) for k in range(count + 1))
            return math.fsum(map(math.exp, terms))

        lower, upper = poisson_interval(n, confidence)
        tail = 0.5 * (1 - confidence)
        assert below(n, upper) == pytest.approx(tail, rel=1e-6)
        assert 1 - below(n - 1, lower) == pytest.approx(tail, rel=1e-6, abs=1e-12)
        assert below(n, poisson_upper(n, confidence)) == pytest.approx(1 - confidence, rel=1e-6)

    @given(fractional, confidences)
    def test_fractional_counts_equal_chi_square(self, n: float, confidence: float) -> None:
        lower, upper = poisson_interval(n, confidence)
        tail = 0.5 * (1 - confidence)
        assert lower == pytest.approx(0.5 * stats.chi2.ppf(tail, 2 * n), rel=1e-6, abs=1e-12)
        assert upper == pytest.approx(0.5 * stats.chi2.isf(tail, 2 * n + 2), rel=1e-6)
        assert lower < n < upper

    @pytest.mark.parametrize("n", [-1.0, math.nan, math.inf])
    def test_refuses_a_count(self, n: float) -> None:
        for call in (poisson_interval, poisson_upper):
            with pytest.raises(ValueError, match="count must be zero or above"):
                call(n, 0.95)

    @pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0, math.nan])
    def test_refuses_a_confidence(self, confidence: float) -> None:
        for call in (poisson_interval, poisson_upper):
            with pytest.raises(ValueError, match="confidence must lie between"):
                call(3, confidence)


class TestRatio:
    @pytest.mark.parametrize(("x", "y", "low", "high", "one_sided"), RATIOS)
    def test_table(self, x: int, y: int, low: float, high: float, one_sided: float) -> None:
        lower, upper = ratio_interval(x, y, 1.0, 0.95)
        assert lower == pytest.approx(low, abs=5.1e-5)
        assert (math.nan if upper is None else upper) == pytest.approx(
            high, abs=5.1e-5, nan_ok=True
        )
        assert ratio_lower(x, y, 1.0, 0.95) == pytest.approx(one_sided, abs=5.1e-5)

    @given(st.integers(1, 400), st.integers(1, 400), st.floats(0.6, 0.99))
    def test_whole_counts_equal_exact_binomial(self, x: int, y: int, confidence: float) -> None:
        exact = stats.binomtest(x, x + y).proportion_ci(confidence, method="exact")
        lower, upper = ratio_interval(x, y, 1.0, confidence)
        assert lower == pytest.approx(exact.low / (1 - exact.low), rel=1e-6)
        assert upper == pytest.approx(exact.high / (1 - exact.high), rel=1e-6)

    @given(fractional, fractional, st.floats(1e-3, 1e3), confidences)
    def test_turned_round_and_scaled(
        self, x: float, y: float, exposure: float, confidence: float
    ) -> None:
        lower, upper = ratio_interval(x, y, exposure, confidence)
        back_lower, back_upper = ratio_interval(y, x, 1 / exposure, confidence)
        assert upper is not None
        assert back_upper is not None
        assert lower * back_upper == pytest.approx(1.0, rel=1e-9)
        assert upper * back_lower == pytest.approx(1.0, rel=1e-9)
        assert lower < exposure * x / y < upper
        plain = ratio_interval(x, y, confidence=confidence)
        assert lower == pytest.approx(exposure * plain[0], rel=1e-12)

    def test_exposure_restores_the_concentrations(self) -> None:
        # 10 mL counted upstream diluted ten times, 25 mL downstream undiluted: true ratio 4
        exposure = (25.0 * 10.0) / (10.0 * 1.0)
        concentration_up, concentration_down = 4000.0, 1000.0
        x, y = concentration_up * 10.0 / 10.0, concentration_down * 25.0
        lower, upper = ratio_interval(x, y, exposure, 0.95)
        assert upper is not None
        assert lower < 4.0 < upper
        assert math.sqrt(lower * upper) == pytest.approx(4.0, rel=1e-3)

    @given(fractional, st.floats(1.5, 20), confidences)
    def test_over_dispersion_widens(self, y: float, phi: float, confidence: float) -> None:
        x = 50.0 * y
        lower, upper = ratio_interval(x, y, confidence=confidence)
        wide_lower, wide_upper = ratio_interval(x / phi, y / phi, confidence=confidence)
        assert wide_lower < lower
        assert wide_upper is None or (upper is not None and wide_upper > upper)

    def test_none_counted(self) -> None:
        assert ratio_interval(0, 0) == (0.0, None)
        lower, upper = ratio_interval(0, 7)
        assert lower == 0.0
        assert upper == pytest.approx((0.025 ** (-1 / 7)) - 1)
        assert ratio_lower(0, 7, 1.0, 0.95) == 0.0

    @pytest.mark.parametrize(
        ("x", "y", "exposure", "confidence"),
        [
            (-1.0, 1.0, 1.0, 0.9),
            (1.0, math.nan, 1.0, 0.9),
            (math.inf, 1.0, 1.0, 0.9),
            (1.0, 1.0, 0.0, 0.9),
            (1.0, 1.0, math.nan, 0.9),
            (1.0, 1.0, 1.0, 1.0),
            (1.0, 1.0, 1.0, math.nan),
        ],
    )
    def test_refuses(self, x: float, y: float, exposure: float, confidence: float) -> None:
        for call in (ratio_interval, ratio_lower):
            with pytest.raises(ValueError, match=r"count|exposure|confidence"):
                call(x, y, exposure, confidence)

    @pytest.mark.parametrize("true_ratio", [2.0, 20.0])
    def test_lower_limit_errs_no_more_often_than_claimed(self, true_ratio: float) -> None:
        # unequal volumes: the expected raw counts are ratio * 6 / exposure and 6
        rng, n, exposure = np.random.default_rng(11), 4000, 2.5
        x = rng.poisson(true_ratio * 6.0 / exposure, n)
        y = rng.poisson(6.0, n)
        missed = sum(
            ratio_lower(a, b, exposure, 0.9) > true_ratio for a, b in zip(x, y, strict=True)
        )
        assert missed <= stats.binom.ppf(0.9999, n, 0.1)
        assert missed >= 0.03 * n  # exact, so conservative; but not idle


class TestProbabilityRatioExceeds:
    @given(st.integers(1, 500), st.integers(0, 500), st.floats(0.1, 100), st.floats(0.1, 10))
    def test_equals_the_binomial_tail(self, x: int, y: int, ratio: float, exposure: float) -> None:
        p0 = ratio / (ratio + exposure)
        found = probability_ratio_exceeds(x, y, ratio, exposure)
        assert found == pytest.approx(stats.binom.cdf(x - 1, x + y, p0), rel=1e-6, abs=1e-12)

    @given(fractional, st.floats(0, 1e4), st.floats(0.1, 10), st.floats(0.05, 0.99))
    def test_reaches_a_level_where_the_lower_limit_does(
        self, x: float, y: float, exposure: float, confidence: float
    ) -> None:
        limit = ratio_lower(x, y, exposure, confidence)
        if limit > 1e-12:
            found = probability_ratio_exceeds(x, y, limit, exposure)
            assert found == pytest.approx(confidence, rel=1e-6)

    def test_none_downstream(self) -> None:
        # p0 = 200 / 201 and 1 - p0^x: three counts show next to nothing
        assert probability_ratio_exceeds(3, 0, 200.0, 1.0) == pytest.approx(1 - (200 / 201) ** 3)
        assert probability_ratio_exceeds(3, 0, 2.0, 1.0) < 0.71
        assert probability_ratio_exceeds(0, 0, 2.0, 1.0) == 0.0
        assert probability_ratio_exceeds(0, 9, 2.0, 1.0) == 0.0

    @given(st.integers(0, 300), st.integers(0, 300), st.floats(0.5, 50))
    def test_more_upstream_more_downstream_higher_ratio(self, x: int, y: int, r: float) -> None:
        here = probability_ratio_exceeds(x, y, r, 1.0)
        slack = 1e-12
        assert 0.0 <= here <= 1.0
        assert probability_ratio_exceeds(x + 1, y, r, 1.0) >= here - slack
        assert probability_ratio_exceeds(x, y + 1, r, 1.0) <= here + slack
        assert probability_ratio_exceeds(x, y, 1.1 * r, 1.0) <= here + slack
        assert probability_ratio_exceeds(x, y, r, 1.1) >= here - slack

    def test_a_ratio_at_the_limit_passes_no_more_often_than_the_risk(self) -> None:
        rng, n = np.random.default_rng(5), 4000
        x, y = rng.poisson(400.0, n), rng.poisson(8.0, n)  # true ratio 50, equal volumes
        passed = sum(
            probability_ratio_exceeds(a, b, 50.0, 1.0) >= 0.95 for a, b in zip(x, y, strict=True)
        )
        assert passed <= stats.binom.ppf(0.9999, n, 0.05)
        assert passed >= 0.01 * n

    @pytest.mark.parametrize("ratio", [0.0, -1.0, math.nan, math.inf])
    def test_refuses(self, ratio: float) -> None:
        with pytest.raises(ValueError, match="ratio must be above zero"):
            probability_ratio_exceeds(10, 1, ratio, 1.0)
        with pytest.raises(ValueError, match="count of the denominator"):
            probability_ratio_exceeds(10, math.nan, 2.0, 1.0)


class TestDispersion:
    @pytest.mark.parametrize("case", DISPERSED)
    def test_worked_cases(self, case: dict[str, Any]) -> None:
        found = dispersion(case["counts"])
        assert found.dof == len(case["counts"]) - 1
        assert found.phi * found.dof == pytest.approx(case["index"], rel=1e-4)
        assert found.phi == pytest.approx(case["phi"], rel=5e-4)
        assert found.p_value == pytest.approx(case["p_value"], abs=case["p_tolerance"])

    def test_p_value_equals_chi_square_test_of_equal_counts(self) -> None:
        counts = np.array([31.0, 44.0, 25.0, 38.0, 40.0, 29.0])
        assert dispersion(counts).p_value == pytest.approx(stats.chisquare(counts).pvalue)

    @pytest.mark.parametrize("phi", [1.0, 4.0])
    def test_both_find_the_true_dispersion(self, phi: float) -> None:
        # negative binomial counts of mean 200 and variance 200 phi; 4000 of them
        rng, m, mean = np.random.default_rng(17), 4000, 200.0
        rates = np.full(m, mean) if phi == 1 else rng.gamma(mean / (phi - 1), phi - 1, m)
        counts = rng.poisson(rates).astype(float)
        assert dispersion(counts).phi == pytest.approx(phi, rel=0.1)
        assert dispersion_of_differences(counts) == pytest.approx(phi, rel=0.12)

    def test_differences_are_blind_to_a_trend(self) -> None:
        rng = np.random.default_rng(23)
        counts = rng.poisson(np.linspace(50.0, 1500.0, 3000)).astype(float)
        assert dispersion(counts).phi > 100
        assert dispersion_of_differences(counts) == pytest.approx(1.0, rel=0.12)

    def test_differences_by_hand(self) -> None:
        # (2^2 + 6^2) / (10 + 12 + 12 + 6)
        assert dispersion_of_differences([10, 12, 6]) == pytest.approx(1.0)

    @given(st.lists(st.integers(1, 900), min_size=2, max_size=20), st.floats(0.1, 10))
    def test_scale_with_the_counts(self, counts: list[int], factor: float) -> None:
        scaled = [factor * n for n in counts]
        assert dispersion(scaled).phi == pytest.approx(factor * dispersion(counts).phi, abs=1e-9)
        assert dispersion_of_differences(scaled) == pytest.approx(
            factor * dispersion_of_differences(counts), abs=1e-9
        )

    @pytest.mark.parametrize(
        "counts", [[], [5.0], [0.0, 0.0], [3.0, -1.0], [3.0, math.nan], [math.inf, 1.0], [[1, 2]]]
    )
    def test_refuses(self, counts: list[float]) -> None:
        for call in (dispersion, dispersion_of_differences):
            with pytest.raises(ValueError, match="two or more finite counts"):
                call(counts)
