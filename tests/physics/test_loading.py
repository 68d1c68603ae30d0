"""The loading curve against algebra."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from dossier.physics import multipass as loading

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
