"""Draws of the mean of few counts: by their own errors, or farther where the specimens differ."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.penetration import _scattered
from tests.made_bench import bench, exact, run


def passages(*values):
    return [SimpleNamespace(value=value) for value in values]


def test_specimens_that_are_alike_leave_the_draws_as_they_are():
    draws = 0.02 + 1e-3 * np.random.default_rng(1).standard_normal(2001)
    assert _scattered(passages(0.02, 0.02, 0.02), draws) == pytest.approx(draws)
    assert _scattered(passages(0.02), draws) is draws


def test_specimens_that_differ_reach_as_far_as_student_s_t():
    """t of two degrees of freedom at 97.5 %: 4.303 (ISO 2854, table, from memory)."""
    draws = 0.02 + 1e-6 * np.random.default_rng(2).standard_normal(20_001)
    found = _scattered(passages(0.01, 0.02, 0.03), draws)
    reach = 4.303 * 0.01 / math.sqrt(3.0)
    low, middle, high = np.quantile(found, [0.025, 0.5, 0.975])
    assert middle == pytest.approx(0.02, abs=1e-5)
    assert (middle - low, high - middle) == pytest.approx((reach, reach), rel=0.01)


@pytest.mark.parametrize(("down", "bound"), [(0.0, True), (900.0, False)])
def test_a_specimen_behind_which_nothing_was_counted_has_a_bound(down, bound):
    runs = [run("M1", "C1", passes=0.1), run("M2", "C2", down=np.full(6, down))]
    made = bench(runs, limits=exact())
    found = all_quantities()["efficiency"].compute(made, "candidate", {"size": 10.0})
    assert [bool(each.bound) for each in found.per_specimen] == [False, bound]
