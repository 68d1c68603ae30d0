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

from dossier.evidence.statistics.counting import dispersion, dispersion_of_differences

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


DISPERSED = read("over_dispersion")["case"]

fractional = st.floats(0.05, 1e5)
confidences = st.floats(0.5, 0.999)


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
