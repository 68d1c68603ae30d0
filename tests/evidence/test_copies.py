"""Rows with a twin in another run: by how near the nearest is beside the second, not by units."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.evidence.validity.copies import (
    TWINS,
    _in_between,
    _same_class,
    _same_row,
    _twins,
)
from dossier.physics.values import same_curve


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


def counted(seed, name, rows=30, mean=400.0):
    counts = np.random.default_rng(seed).poisson(mean, (rows, 12)).astype(float)
    return SimpleNamespace(rows=(np.arange(float(rows)), counts), record=SimpleNamespace(id=name))


@pytest.mark.parametrize("mean", [20.0, 1e4])
def test_a_row_of_another_run_or_of_the_same_is_told_from_one_that_was_counted(mean):
    """Of Poisson counts no two rows are so alike but by a chance of one in a million."""
    one, other = counted(5, "A", mean=mean), counted(6, "B", rows=40, mean=mean)
    assert _same_row(one, other) == _same_row(one, one) == {}
    other.rows[1][33] = one.rows[1][7]
    told = _same_row(one, other)
    assert told["A"].startswith("the counts at 7 min are those at 33 min of record B")
    assert told["B"].startswith("the counts at 33 min are those at 7 min of record A")
    one.rows[1][21] = one.rows[1][7]
    assert "at 7 min are those at 21 min of record A" in _same_row(one, one)["A"] or (
        "at 21 min are those at 7 min of record A" in _same_row(one, one)["A"]
    )


def test_five_classes_or_few_particles_tell_no_row_from_another():
    for mean, classes, told in ((400.0, 5, False), (400.0, 6, True), (3.0, 12, False)):
        one, other = counted(5, "A", mean=mean), counted(6, "B", mean=mean)
        for each in (one, other):
            each.rows = (each.rows[0], each.rows[1][:, :classes])
        other.rows[1][3] = one.rows[1][7]
        assert bool(_same_row(one, other)) is told


FLOW = np.linspace(10.0, 100.0, 12)


def pressures(seed=1, rows=12):
    """A sweep's pressures with the noise of a good laboratory [Pa]."""
    law = 1000.0 * FLOW[:rows] + 20.0 * FLOW[:rows] ** 2
    return law * (1.0 + 0.002 * np.random.default_rng(seed).standard_normal(rows))


def printed(values):
    """Pressures as printed, to 0.01 kPa [Pa]."""
    return np.round(values, -1)


@pytest.mark.parametrize(
    ("factor", "offset"), [(1.0, 0.0), (1.07, 0.0), (0.8, 0.0), (1.0, 500.0), (1.05, 300.0)]
)
def test_a_curve_but_for_a_factor_or_an_offset_is_a_copy(factor, offset):
    one, other = printed(pressures()), printed(factor * pressures() + offset)
    assert same_curve(one, other)
    assert same_curve(other, one)
    one = np.append([0.0, 7.0, 0.0], one)  # no pressure has no digit
    other = np.append([0.0, 0.0, 9.0], other)
    assert same_curve(one, np.append(other, [7.0, 9.0]))
    assert same_curve(np.append(one, [7.0, 9.0]), other)
    moved = other * np.where(np.arange(15) == 8, 1.004, 1.0)
    assert same_curve(one, printed(moved)), "as long as one row alone was altered"
    assert not same_curve(one, printed(other * np.where(np.arange(15) % 2, 1.004, 1.0)))


def test_copies_of_pressures_below_one_pascal_are_told_alike():
    one, other = printed(pressures()), printed(1.05 * pressures() + 300.0)
    assert same_curve(1e-6 * one, 1e-6 * other)
    assert same_curve(1e-6 * one, other)
    assert same_curve(one, 1e-6 * other)


@pytest.mark.parametrize(("factor", "offset"), [(1.07, 0.0), (1.0, 30.5)])
def test_a_copy_is_known_by_its_small_pressures_too(factor, offset):
    """Four figures, of which the largest leave 100 Pa open and the smallest 0.1 Pa."""
    values = np.append(np.geomspace(130.0, 800.0, 12), np.geomspace(3e4, 9e5, 5))
    values *= 1.0 + 0.002 * np.random.default_rng(1).standard_normal(17)
    one, other = ([float(f"{v:.3e}") for v in each] for each in (values, factor * values + offset))
    assert same_curve(np.array(one), np.array(other))


def test_what_is_bent_is_no_copy():
    bent = pressures() + 1e-8 * pressures() ** 2
    assert not same_curve(printed(pressures()), printed(bent))


def test_curves_with_noise_of_their_own_are_no_copies():
    curves = [printed(pressures(seed)) for seed in range(12)]
    assert not any(same_curve(a, b) for a in curves for b in curves if a is not b)


@pytest.mark.parametrize(("rows", "told"), [(9, False), (10, True)])
def test_few_rows_make_no_curve(rows, told):
    one = printed(pressures(rows=rows) * 3.0)
    assert same_curve(one, one) is told


@pytest.mark.parametrize(("share", "told"), [(0.98, False), (1.02, True)])
def test_digits_that_agree_by_chance_are_no_copy(share, told):
    """The density of the difference of two readings tells the chance of agreeing in one row.

    Twelve rows, of which factor and offset take up two; those take the finest digits.
    """
    density = 1.0 / (0.002 * math.sqrt(2.0) * math.sqrt(2.0 * math.pi))
    level = share * 2.0 * density * 10.0 / 1e-6**0.1
    near = 100.0 * np.round(level / 100.0) + np.array([-30.0, -20.0, -10.0, 10.0, 20.0] * 2)
    coarse = [10_000.0, 20_000.0, 30_000.0]  # sure to agree, whichever they are
    curve = np.concatenate([[5_000_010.0, 7_000_010.0], near, coarse])
    assert same_curve(curve, curve) is told
