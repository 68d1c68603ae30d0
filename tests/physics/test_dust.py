"""A3 dust against the other columns of the remembered table, and against itself."""

import math
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.physics.particles import (
    counts_per_mass,
    counts_per_mass_limits,
    grade,
    volume_finer,
)

FILE = Path(__file__).parents[1] / "reference" / "iso_12103_a3.toml"
A3 = tomllib.loads(FILE.read_text(encoding="utf-8"))
SIZES = [row[0] for row in A3["counts"]]
PER_KG = 1e9  # (1/mL) / (mg/L) = 1e6 1/m3 / (1e-3 kg/m3)


@pytest.mark.parametrize(("size", "low3", "high3", "low15", "high15"), A3["counts"])
def test_counts_agree_with_the_other_levels(size, low3, high3, low15, high15):
    ours = counts_per_mass(size) / PER_KG
    assert ours == pytest.approx((low3 + high3) / 2 / 3, rel=0.02)
    assert ours == pytest.approx((low15 + high15) / 2 / 15, rel=0.01)
    low, high = (limit / PER_KG for limit in counts_per_mass_limits(size))
    assert low3 / 3 * 0.99 < low < ours < high < high3 / 3 * 1.01  # fewer counts, wider limits
    assert (low + high) / 2 == pytest.approx(ours, rel=1e-12)


@pytest.mark.parametrize(("size", "count"), A3["middle_10_mg_L"])
def test_middle_of_the_limits(size, count):
    assert counts_per_mass(size) / PER_KG * 10 == pytest.approx(count, rel=1e-9)


@pytest.mark.parametrize(("size", "count"), A3["per_mL_per_mg_L"])
def test_counts_in_one_milligram_per_litre(size, count):
    assert counts_per_mass(size) / PER_KG == pytest.approx(count, rel=1e-9)


@pytest.mark.parametrize("k", range(1, len(SIZES) - 1))
def test_straight_in_both_logarithms_predicts_a_size_left_out(k):
    (x0, y0), (x, y), (x1, y1) = ((s, counts_per_mass(s)) for s in SIZES[k - 1 : k + 2])
    predicted = y0 * (y1 / y0) ** (math.log(x / x0) / math.log(x1 / x0))
    assert predicted == pytest.approx(y, rel=0.08 if x <= 10 else 0.2)


@given(st.floats(1.0, 30.0), st.floats(1.0, 30.0))
def test_larger_sizes_are_fewer_and_more_of_the_volume_is_finer(one, two):
    small, large = sorted((one, two))
    assert counts_per_mass(small) >= counts_per_mass(large)
    assert volume_finer(small) <= volume_finer(large)


@pytest.mark.parametrize("pair", list(pairwise(SIZES)))
def test_halfway_in_the_logarithm_is_the_geometric_mean(pair):
    middle = math.sqrt(pair[0] * pair[1])
    ends = [counts_per_mass(size) for size in pair]
    assert counts_per_mass(middle) == pytest.approx(math.sqrt(ends[0] * ends[1]), rel=1e-12)
    for k in (0, 1):
        ends = [counts_per_mass_limits(size)[k] for size in pair]
        limit = counts_per_mass_limits(middle)[k]
        assert limit == pytest.approx(math.sqrt(ends[0] * ends[1]), rel=1e-12)


def test_counts_make_twice_the_mass_so_mass_is_never_computed_from_them():
    mass = 0.0  # mg/L from spheres between 1 and 10 um(c), counts at 10 mg/L
    steps = [1 + 9 * k / 900 for k in range(901)]
    for x0, x1 in pairwise(steps):
        between = (counts_per_mass(x0) - counts_per_mass(x1)) * 1e-2  # 1/m3 at 10 mg/L
        mass += between * math.pi / 6 * ((x0 + x1) / 2 * 1e-6) ** 3 * A3["density"] * 1e3
    assert mass == pytest.approx(A3["spheres_below_10um_mg_L"], rel=0.03)
    assert mass > 2 * 10 * volume_finer(10.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 0.99])
def test_nothing_is_extrapolated(bad):
    for function in (counts_per_mass, counts_per_mass_limits, volume_finer):
        with pytest.raises(ValueError, match="outside the table"):
            function(bad)
    with pytest.raises(ValueError, match="outside the table"):
        counts_per_mass(30.01)
    with pytest.raises(ValueError, match="outside the table"):
        volume_finer(120.1)


@pytest.mark.parametrize(
    ("designation", "letter"),
    [
        ("ISO 12103-1 A3", "A3"), ("iso 12103-1:2016, A2", "A2"), ("ISO 12103-1 A4 COARSE", "A4"),
        ("ISO 12103-1, A3 medium test dust", "A3"), ("ISO 12103-1 A2 medium", ""),
        ("ISO 12103-1 A5", ""), ("road dust", ""),
    ],
)  # fmt: skip
def test_a_grade_is_its_letter_unless_a_word_names_another(designation, letter):
    assert grade(designation) == letter


@pytest.mark.parametrize(("size", "low", "high"), A3["volume_finer"])
def test_the_share_that_is_finer_is_the_middle_of_the_table(size, low, high):
    assert volume_finer(size) == pytest.approx((low + high) / 200)
