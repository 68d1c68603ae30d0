"""Numbers of specimens: published plans, and the laws that the formulas must obey."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dossier.request.counted import (
    MOST,
    guard_band,
    mean_specimens,
    population_specimens,
    success_run_specimens,
    tolerance_band,
)

SUCCESS_RUN = {
    (0.90, 0.90): 22, (0.90, 0.95): 29, (0.95, 0.90): 45, (0.95, 0.95): 59, (0.99, 0.90): 230,
    (0.99, 0.95): 299, (0.80, 0.90): 11,
}  # fmt: skip
"""(reliability, confidence): n without a failure. Common tables of success-run plans, and those of
ISO 16269-6 for one-sided, distribution-free tolerance intervals; numbers from memory."""


@pytest.mark.parametrize(("plan", "n"), SUCCESS_RUN.items())
def test_success_runs_are_those_of_the_tables(plan, n):
    assert success_run_specimens(*plan) == n


def test_one_specimen_supports_nothing():
    assert success_run_specimens(0.5, 0.4) == 2
    assert mean_specimens(1e-6, 1.0, 0.95, 0.5) == 2


def test_guard_band_is_students():
    assert guard_band(4, 2.0, 0.95) == pytest.approx(2.0 * 2.353363 / 2.0, rel=1e-6)  # t table
    assert guard_band(4, 2.0, 0.95, math.sqrt(2.0)) == pytest.approx(math.sqrt(2.0) * 2.353363)


@given(
    st.floats(0.1, 3.0), st.floats(0.5, 10.0), st.sampled_from([0.9, 0.95, 0.99]),
    st.floats(0.3, 1.0), st.sampled_from([1.0, 1.4]),
)  # fmt: skip
def test_the_number_is_the_smallest_that_is_enough(scatter, margin, confidence, share, spread):
    def band(k):
        return stats.t.ppf(confidence, k - 1) * scatter * spread / math.sqrt(k)

    if band(MOST) > share * margin:
        with pytest.raises(ValueError, match="more than"):
            mean_specimens(scatter, margin, confidence, share, spread)
        return
    n = mean_specimens(scatter, margin, confidence, share, spread)
    assert band(n) <= share * margin * (1 + 1e-9)
    assert n == 2 or band(n - 1) > share * margin * (1 - 1e-9)


def test_a_share_of_a_population_takes_what_the_noncentral_t_says():
    n = population_specimens(4.0, 10.0, 0.95, 0.95, 0.5)
    z = stats.norm.ppf(0.95)

    def band(k):
        return (stats.nct.ppf(0.95, k - 1, z * math.sqrt(k)) / math.sqrt(k) - z) * 4.0

    left = 10.0 - z * 4.0
    assert band(n) <= 0.5 * left < band(n - 1)
    assert tolerance_band(n, 4.0, 0.95, 0.95) == pytest.approx(band(n), rel=1e-6)


def test_a_population_wider_than_the_margin_has_no_number():
    with pytest.raises(ValueError, match="no number of specimens is enough"):
        population_specimens(4.0, 6.5, 0.95, 0.95, 0.5)


def test_simulated_campaigns_at_the_margin_pass_as_often_as_the_plan_promises():
    """With the whole margin for scatter, a mean at limit + m passes in at least half of all."""
    rng = np.random.default_rng(7)
    n = mean_specimens(1.0, 1.0, 0.95, 1.0)
    runs = rng.normal(1.0, 1.0, (20_000, n))
    low = runs.mean(axis=1) - stats.t.ppf(0.95, n - 1) * runs.std(axis=1, ddof=1) / math.sqrt(n)
    assert (low > 0).mean() > 0.5
    at_limit = runs - 1.0
    wrong = at_limit.mean(axis=1) - stats.t.ppf(0.95, n - 1) * at_limit.std(
        axis=1, ddof=1
    ) / math.sqrt(n)
    assert (wrong > 0).mean() == pytest.approx(0.05, abs=0.006)
