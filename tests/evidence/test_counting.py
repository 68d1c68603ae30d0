"""Count statistics against tables, exact binomial and Poisson sums, and simulated counters."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.evidence.records.reduced import dispersion_of_differences

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


DISPERSED = read("over_dispersion")["case"]

fractional = st.floats(0.05, 1e5)
confidences = st.floats(0.5, 0.999)


class TestDispersion:
    @pytest.mark.parametrize("phi", [1.0, 4.0])
    def test_finds_the_true_dispersion(self, phi: float) -> None:
        # negative binomial counts of mean 200 and variance 200 phi; 4000 of them
        rng, m, mean = np.random.default_rng(17), 4000, 200.0
        rates = np.full(m, mean) if phi == 1 else rng.gamma(mean / (phi - 1), phi - 1, m)
        counts = rng.poisson(rates).astype(float)
        assert dispersion_of_differences(counts) == pytest.approx(phi, rel=0.12)

    def test_differences_are_blind_to_a_trend(self) -> None:
        rng = np.random.default_rng(23)
        counts = rng.poisson(np.linspace(50.0, 1500.0, 3000)).astype(float)
        assert dispersion_of_differences(counts) == pytest.approx(1.0, rel=0.12)

    def test_differences_by_hand(self) -> None:
        # (2^2 + 6^2) / (10 + 12 + 12 + 6)
        assert dispersion_of_differences([10, 12, 6]) == pytest.approx(1.0)
        # (10^2 + 10^2) / (100 + 110 + 110 + 100)
        assert dispersion_of_differences([100, 110, 100]) == pytest.approx(200 / 420)

    @given(st.lists(st.integers(1, 900), min_size=3, max_size=20), st.floats(0.1, 10))
    def test_scale_with_the_counts(self, counts: list[int], factor: float) -> None:
        scaled = [factor * n for n in counts]
        assert dispersion_of_differences(scaled) == pytest.approx(
            factor * dispersion_of_differences(counts), abs=1e-9
        )

    @pytest.mark.parametrize("counts", [[], [5.0], [5.0, 9.0], [0.0, 0.0, 0.0]])
    def test_too_few_tell_nothing(self, counts: list[float]) -> None:
        assert dispersion_of_differences(counts) == 1.0
