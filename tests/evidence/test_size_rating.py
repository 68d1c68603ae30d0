"""The size at a ratio: on a known law the answer and its spread have closed forms."""

import math

import numpy as np
import pytest

from dossier.evidence.quantities.filtration import _near, _relative, size_rating
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from dossier.physics.multipass import sizes_at_ratio
from tests.made_bench import SIZES, bench, exact, run

approx = pytest.approx

GROWTH = 0.3
"""ln(ratio) = GROWTH * size: the interpolation is exact on it [1/um]."""


def law(record="M1", specimen="C1", counts=1e4, **changes):
    """A run whose ratio is exp(GROWTH x); `counts` particles seen downstream at each size."""
    ratio = np.exp(GROWTH * SIZES)
    down = np.full(len(SIZES), counts)
    return run(record, specimen, up=ratio * down, down=down, ratio=ratio, **changes)


def rated(*runs, at=12.0, limits=None, **options):
    lab = bench(runs, limits=limits or exact(), **options)
    return attempt(size_rating, lab, "candidate", math.exp(GROWTH * at))


def test_on_an_exponential_law_the_size_is_exact():
    made = rated(law())
    assert made.value == approx(12.0)
    assert made.bound == ""


def test_noise_of_both_sides_is_carried_through_the_slope():
    # Halfway between 10 and 14 um: ln ratio is the mean of two independent ends.
    down = np.full(len(SIZES), 400.0)
    noisy = run(up=np.exp(GROWTH * SIZES) * down, down=down, ratio=np.exp(GROWTH * SIZES),
                dispersion=np.full(len(SIZES), 2.0))  # fmt: skip
    ends = [1.0 / (400.0 * math.exp(GROWTH * x)) + 2.0 / 400.0 for x in (10.0, 14.0)]
    made = rated(noisy)
    assert made.u == approx(0.5 * math.sqrt(sum(ends)) / GROWTH, rel=0.03)
    assert made.samples.std() == approx(made.u, rel=0.03)
    assert made.per_specimen[0].u == approx(made.u, rel=0.03)


def test_upstream_noise_counts_as_well():
    few = np.full(len(SIZES), 4e4)
    down = few / np.exp(GROWTH * SIZES)
    made = rated(run(up=few, down=down, ratio=np.exp(GROWTH * SIZES)), at=5.0)
    ends = [(1.0 + math.exp(GROWTH * x)) / 4e4 for x in (4.0, 6.0)]
    assert made.u == approx(0.5 * math.sqrt(sum(ends)) / GROWTH, rel=0.03)


def test_calibration_in_counts_moves_every_size_alike():
    made = rated(law(counts=1e12), law("M2", "C2", counts=1e12), limits=exact(counts=0.06))
    assert made.u == approx(math.sqrt(2.0) * 0.06 / math.sqrt(3.0) / GROWTH, rel=0.03)
    assert made.samples.std() == approx(made.u, rel=0.03)


def test_calibration_in_sizes_scales_the_size():
    made = rated(law(counts=1e12), limits=exact(size=0.03))
    assert made.u == approx(12.0 * 0.03 / math.sqrt(3.0), rel=0.01)
    assert made.samples.std() == approx(made.u, rel=0.02)


def test_a_recorded_deviation_widens_like_a_calibration():
    made = rated(law(counts=1e12), law("M2", "C2", counts=1e12), widened={"M1": 0.2})
    assert made.u == approx(0.2 / 2.0 / GROWTH, rel=0.03)


def test_the_scatter_of_specimens_is_that_of_their_sizes():
    shifted = law("M2", "C2", counts=1e12)
    ratio = np.exp(GROWTH * (SIZES - 1.0))
    made = rated(law(counts=1e12), run("M2", "C2", up=shifted.raw_up, down=shifted.raw_down,
                                       ratio=ratio))  # fmt: skip
    assert [each.value for each in made.per_specimen] == approx([12.0, 13.0])
    assert made.value == approx(12.5)
    assert made.components[0].u == made.u == approx(0.5)  # 1 / sqrt 2 / sqrt 2
    assert made.components[0].dof == 1.0
    assert made.components[0].of_specimens


def test_noise_larger_than_the_scatter_stands_in_its_place():
    made = rated(law(counts=100.0), law("M2", "C2", counts=100.0))
    ends = [1.0 / (100.0 * math.exp(GROWTH * x)) + 1.0 / 100.0 for x in (10.0, 14.0)]
    assert made.u == approx(0.5 * math.sqrt(sum(ends)) / GROWTH / math.sqrt(2.0), rel=0.05)
    assert not made.components[0].of_specimens


@pytest.mark.parametrize(("at", "bound"), [(3.0, "smaller than"), (31.0, "larger than")])
def test_outside_the_counted_sizes_the_result_is_a_bound(at, bound):
    assert rated(law(), at=at).bound == bound
    assert rated(law(), law("M2", "C2"), at=at).per_specimen[1].bound == bound


def test_a_larger_bound_of_one_specimen_makes_the_mean_a_bound():
    short = law("M2", "C2", sizes=SIZES)
    slow = run("M2", "C2", up=short.raw_up, down=short.raw_down, ratio=np.exp(0.05 * SIZES))
    assert rated(law(), slow).bound == "larger than"
    fast = run("M2", "C2", up=short.raw_up, down=short.raw_down, ratio=np.exp(2.0 * SIZES))
    assert rated(law(), fast).bound == "smaller than"
    third = run("M3", "C3", up=short.raw_up, down=short.raw_down, ratio=np.exp(2.0 * SIZES))
    assert rated(law(), slow, third).bound == "larger than"


@pytest.mark.parametrize(("least", "carries"), [(19.0, False), (20.0, True)])
def test_too_few_upstream_at_any_size_give_no_ratio(least, carries):
    up = np.full(len(SIZES), 1e6)
    up[-1] = least
    found = rated(run(up=up, down=up / np.exp(GROWTH * SIZES), ratio=np.exp(GROWTH * SIZES)))
    assert isinstance(found, NotDemonstrated) is not carries


@pytest.mark.parametrize("counts", [25.0, 400.0, 1e6])
@pytest.mark.parametrize("at", [2.0, 4.1, 12.0, 29.0, 60.0])
def test_sizes_that_are_left_out_change_no_draw(counts, at):
    rng = np.random.default_rng(3)
    ratio = np.exp(GROWTH * SIZES + rng.normal(0.0, 0.2, len(SIZES)))
    made = run(up=ratio * counts, down=np.full(len(SIZES), counts), ratio=ratio)
    drawn = _relative(made) * rng.standard_normal((2000, len(SIZES))) + rng.normal(0.0, 0.05)
    near = _near(made, math.exp(GROWTH * at), 0.05)
    ln, goal = np.log(ratio) + drawn, GROWTH * at
    whole, part = sizes_at_ratio(SIZES, ln, goal), sizes_at_ratio(SIZES[near], ln[:, near], goal)
    inside = np.isfinite(whole)
    assert np.array_equal(whole[inside], part[inside])
    assert np.array_equal(whole == np.inf, part == np.inf)
    assert near.stop - near.start < len(SIZES) or counts == 25.0
