"""Arrays are accepted by a stated condition; NaN and infinity never meet it."""

import math

import numpy as np
import pytest

from dossier.physics.values import Bounded, all_finite, all_positive, increasing


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_positive(bad):
    assert all_positive("flow", [1, 2], "m3/s").tolist() == [1.0, 2.0]
    with pytest.raises(ValueError, match=r"flow must be above zero, not .* m3/s"):
        all_positive("flow", [1.0, bad], "m3/s")
    with pytest.raises(ValueError, match=f"not {bad:g} m3/s"):
        all_positive("flow", bad, "m3/s")


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_finite(bad):
    assert all_finite("time", [-1, 0], "s").tolist() == [-1.0, 0.0]
    with pytest.raises(ValueError, match=r"time must be finite, not .* s"):
        all_finite("time", np.array([[0.0, bad]]), "s")


@pytest.mark.parametrize("bad", [[], [[1.0, 2.0]], [1.0, 1.0], [2.0, 1.0], [1.0, math.nan]])
def test_increasing(bad):
    assert increasing("size", [4, 6], "um(c)").tolist() == [4.0, 6.0]
    assert increasing("size", [4], "um(c)").tolist() == [4.0]
    with pytest.raises(ValueError, match="size"):
        increasing("size", bad, "um(c)")


def test_a_value_is_no_bound_unless_said():
    assert Bounded(3.0).bound == ""
