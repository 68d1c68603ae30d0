"""Rows with a twin in another run: by how near the nearest is beside the second, not by units."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.evidence.validity.copies import TWINS, _in_between, _same_class, _twins


def scores(seed, rows=40):
    return np.random.default_rng(seed).standard_normal((rows, 8))


@given(st.integers(0, 2**31), st.floats(0.01, 100.0))
def test_twins_do_not_depend_on_the_scale_and_need_more_than_chance(seed, scale):
    a, b, noise = scores(seed), scores(seed + 1), scores(seed + 2)
    copied = a[::-1] + 0.15 * noise
    assert _twins(scale * a, scale * copied) == pytest.approx(_twins(a, copied))
    assert _twins(a, copied) > 0.5
    assert _twins(a, b) < TWINS
    assert _twins(a, a, own=True) < TWINS
    assert _twins(np.vstack([a, copied]), np.vstack([a, copied]), own=True) > 0.5


def test_few_rows_and_few_classes_tell_nothing():
    a = scores(1)
    assert _twins(a[:9], a[:9]) == 0.0
    assert _twins(a[:, :5], a[:, :5]) == 0.0
    assert _twins(a[:10], a[:10]) == 1.0
    assert _twins(a[:, :6], a[:, :6]) == 1.0


def test_rows_without_a_reading_take_no_class_away():
    """Every class lacks one reading, in another row each: the 34 rows left have their twins."""
    a = scores(1)[:, :6]
    b = a.copy()
    b[range(6), range(6)] = 0.0
    assert _twins(a, b) >= 34 / 40
    assert _twins(b, a) >= 34 / 40


def test_a_class_without_noise_in_one_of_the_runs_tells_nothing():
    a = scores(1)[:, :6]
    b = a * np.array([0.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    assert _twins(a, b) == _twins(b, a) == 0.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_class_that_is_another_to_the_letter_or_its_mirror_is_told(sign):
    noise = scores(3)[:, 0]
    noise /= np.sqrt((noise**2).mean())
    run = SimpleNamespace(
        sides=[SimpleNamespace(name="upstream", sizes=np.array([5.0, 10.0]))],
        classes=np.full((40, 2), 100.0), noise=np.column_stack([noise, sign * noise]),
    )  # fmt: skip
    assert "counts upstream from 5 µm(c) on scatter with those upstream from 10" in _same_class(run)


@pytest.mark.parametrize("mean", [20.0, 1e4, 1e6])
def test_a_row_in_between_is_told_from_one_that_was_counted(mean):
    counts = np.random.default_rng(5).poisson(mean, (30, 12)).astype(float)
    assert _in_between(SimpleNamespace(rows=(np.arange(30.0), counts))) == ""
    counts[7] = np.rint(0.5 * (counts[6] + counts[8]))
    said = _in_between(SimpleNamespace(rows=(np.arange(30.0), counts)))
    assert said.startswith("the counts at 7 min are the mean")
