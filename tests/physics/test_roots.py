import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, isotonic_regression

from dossier.physics.values import _quadratic_step, find_root, never_falling


def test_a_root_known_in_closed_form():
    assert find_root(lambda x: x**2 - 2.0, 0.0, 2.0, xtol=1e-12) == pytest.approx(math.sqrt(2.0))


@pytest.mark.parametrize("function", [lambda x: x + 5.0, lambda x: math.nan])
def test_ends_that_do_not_enclose_a_root_are_refused(function):
    with pytest.raises(ValueError, match="no change of sign"):
        find_root(function, 0.0, 1.0, xtol=1e-9)


@given(st.floats(0.2, 6.0), st.floats(1e-6, 1e6), st.floats(0.0, 1.0))
def test_roots_are_those_of_a_published_method_within_the_stated_room(power, scale, place):
    def function(x):
        return ((x / scale) ** power - place**power) * math.exp(x / scale)

    root = find_root(function, 0.0, scale, xtol=1e-12 * scale)
    assert abs(function(0.0)) < 1e-290 or root == pytest.approx(
        brentq(function, 0.0, scale, xtol=1e-14 * scale), abs=1e-11 * scale
    )


@pytest.mark.parametrize("root", [1e-13, 1.0 - 1e-13])
def test_no_step_goes_nearer_to_an_end_than_half_the_room(root):
    """So that one more step encloses a root at an end from its other side."""
    asked = []
    find_root(lambda x: asked.append(x) or x - root, 0.0, 1.0, xtol=1e-9)
    assert min(min(x, 1.0 - x) for x in asked[2:]) >= 0.499e-9
    assert len(asked) < 6


@pytest.mark.parametrize("along", [0.1, 0.3, 0.5, 0.7, 0.9])
@pytest.mark.parametrize("risen", [0.05, 0.2, 0.4, 0.6, 0.8, 0.95])
def test_a_quadratic_step_is_taken_where_the_parabola_runs_one_way(along, risen):
    """The parabola x(f) through three points, by the polynomial fit of another program."""
    values = np.array([risen, 0.0, 1.0])
    f = values - 0.5 * risen  # the root lies between the new point and the other
    parabola = np.polynomial.Polynomial.fit(f, [along, 0.0, 1.0], 2)
    one_way = (parabola.deriv()(f[1:]) > 0.0).all()
    wanted = (along - parabola(0.0)) / along if one_way else 0.5
    found = _quadratic_step((along, f[0]), (0.0, f[1]), (1.0, f[2]))
    assert found == pytest.approx(wanted)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50))
def test_a_rising_fit_is_that_of_another_program(values):
    theirs = isotonic_regression(values).x
    assert never_falling(np.array(values)) == pytest.approx(theirs, rel=1e-9, abs=1e-6)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50))
def test_a_rising_fit_rises_keeps_the_mean_and_is_its_own_fit(values):
    data = np.array(values)
    fit = never_falling(data)
    assert (np.diff(fit) >= 0).all()
    assert fit.mean() == pytest.approx(data.mean(), rel=1e-9, abs=1e-6)
    assert never_falling(fit) == pytest.approx(fit, rel=1e-12, abs=1e-9)
