"""Roots and rising fits against SciPy, an independent implementation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, isotonic_regression

from dossier.physics.roots import MANY, find_root, never_falling

FUNCTIONS = {
    "exponential": lambda x, c: math.exp(x) - 3.0 - c,
    "cubic": lambda x, c: x**3 + x - c,
    "steep": lambda x, c: math.tanh(20.0 * (x - c)),
    "flat": lambda x, c: math.atan(0.01 * (x - c)),
}


@given(c=st.floats(-1.9, 1.9))
@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_root_is_that_of_an_independent_library(name, c):
    def function(x):
        return FUNCTIONS[name](x, c)

    expected = brentq(function, -6.0, 5.5, xtol=1e-13, rtol=1e-14)
    assert find_root(function, -6.0, 5.5, xtol=1e-13, rtol=1e-14) == pytest.approx(
        expected, abs=1e-12
    )


def test_a_root_at_an_end_and_few_calls():
    assert find_root(lambda x: x, 0.0, 1.0, xtol=1e-12) == 0.0
    assert find_root(lambda x: x - 1.0, 0.0, 1.0, xtol=1e-12) == 1.0
    calls = []
    find_root(lambda x: calls.append(x) or math.exp(x) - 2.0, 0.0, 5.0, xtol=1e-12)
    assert len(calls) < 15


@pytest.mark.parametrize("function", [lambda x: x + 3.0, lambda x: math.nan])
def test_no_change_of_sign_is_refused(function):
    with pytest.raises(ValueError, match="no change of sign"):
        find_root(function, 0.0, 1.0, xtol=1e-9)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60))
def test_a_rising_fit_is_that_of_an_independent_library(values):
    drops = np.array(values)
    found = never_falling(drops)
    assert found == pytest.approx(isotonic_regression(drops).x, rel=1e-9, abs=1e-7)
    assert (np.diff(found) >= 0).all()


def test_a_long_record_takes_the_compiled_way_to_the_same_values():
    drops = np.cumsum(np.random.default_rng(2).normal(0.1, 1.0, MANY))
    first = never_falling(drops)[: MANY // 2]
    assert (np.diff(first) >= 0).all()
    assert never_falling(drops)[-1] == pytest.approx(isotonic_regression(drops).x[-1])
