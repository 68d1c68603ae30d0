"""Efficiency and ratio say one thing of one penetration, whatever the uncertainty is made of."""

import math
from dataclasses import replace

import numpy as np
import pytest

from dossier.decision.probability import AgainstLimit, Threshold, probability
from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.filtration import inverse
from tests.made_bench import SIZES, bench, exact, run

approx = pytest.approx
HERE = 3


def computed(quantity, *runs, at=None, **options):
    made = bench(runs, limits=options.pop("limits", exact()), **options)
    return all_quantities()[quantity].compute(made, "candidate", at or {"size": 14.0})


def counts(*down, up=1e6):
    return [run(f"M{i}", f"C{i}", up=up, down=n) for i, n in enumerate(down, 1)]


@pytest.mark.parametrize(
    "down", [(1e4, 1.01e4), (1e4, 1.2e4), (9e3, 1e4, 1.1e4), (3.0, 5.0), (10.0,)]
)
@pytest.mark.parametrize("basis", ["mean", "every_specimen", "population"])
def test_a_limit_on_either_is_met_with_one_probability(down, basis):
    if basis == "population" and (len(down) < 2 or max(down) < 50):
        return
    runs = counts(*down)
    part, ratio = computed("efficiency", *runs), computed("filtration_ratio", *runs)
    for limit in (1.05, 0.95):
        least = 1.0 - limit * max(down) / 1e6
        limits = Threshold(least, None), Threshold(1.0 / (1.0 - least), None)
        by_share = probability(AgainstLimit(part, limits[0], basis, 0.9, None))
        by_ratio = probability(AgainstLimit(ratio, limits[1], basis, 0.9, None))
        assert by_share.probability == approx(by_ratio.probability, abs=2e-4)
        assert by_ratio.value == approx(1.0 / (1.0 - by_share.value))


def test_values_of_both_agree():
    part, ratio = computed("efficiency", *counts(1e4, 3e4)), computed(
        "filtration_ratio", *counts(1e4, 3e4)
    )  # fmt: skip
    assert part.value == approx(0.98)
    assert ratio.value == approx(50.0)
    assert [s.value for s in part.per_specimen] == approx([0.99, 0.97])
    assert [s.value for s in ratio.per_specimen] == approx([100.0, 100.0 / 3.0])
    assert ratio.u / ratio.value == approx(part.u / 0.02)
    own = zip(ratio.per_specimen, part.per_specimen, strict=True)
    assert all(r.u / r.value == approx(e.u / (1.0 - e.value)) for r, e in own)


def test_a_part_that_hides_the_scatter_keeps_it_on_either_scale():
    part, ratio = computed("efficiency", *counts(1e4, 1.0001e4)), computed(
        "filtration_ratio", *counts(1e4, 1.0001e4)
    )  # fmt: skip
    hidden = part.components[0].scatter
    assert 0.0 < hidden < part.components[0].u
    assert ratio.components[0].scatter == approx(hidden * ratio.value**2)


def test_nothing_downstream_is_a_bound_on_the_good_side():
    (one,) = counts(0.0)
    part, ratio = computed("efficiency", one), computed("filtration_ratio", one)
    assert part.bound == part.per_specimen[0].bound == "larger than"
    assert ratio.bound == ratio.per_specimen[0].bound == "larger than"
    assert ratio.value == approx(1e6 / -math.log(0.05), rel=0.02)
    assert ratio.per_specimen[0].value == approx(1e6 / 3.0, rel=0.01)  # the rule of three
    assert np.allclose(1.0 - part.samples, 1.0 / ratio.samples)
    assert inverse(replace(computed("filtration_ratio", *counts(1e4)), bound="")).bound == ""


def test_the_lowest_efficiency_is_that_of_the_worst_tenth():
    (one,) = counts(1e4)
    down = one.down.copy()
    down[6, HERE] *= 4.0
    assert computed("lowest_efficiency", replace(one, down=down)).value == approx(0.96)


def test_the_first_tenth_is_the_first():
    (one,) = counts(1e4)
    down = one.down.copy()
    down[0, HERE] *= 3.0
    found = computed("initial_efficiency", replace(one, down=down))
    assert found.value == approx(0.97)
    assert any("first tenth" in note for note in found.notes)


@pytest.mark.parametrize("quantity", ["efficiency", "filtration_ratio", "initial_efficiency"])
def test_a_size_without_counts_says_so(quantity):
    found = computed(quantity, run(), at={"size": 12.0})
    assert "record M1 has no counts at 12" in found.reason


@pytest.mark.parametrize(
    ("quantity", "at", "said"),
    [
        ("size_at_ratio", {"ratio": 1.0}, "not above one"),
        ("size_at_ratio", {"ratio": math.inf}, "not above one"),
        ("size_at_efficiency", {"efficiency": 0.0}, "not between"),
        ("size_at_efficiency", {"efficiency": 1.0}, "not between"),
    ],
)
def test_a_ratio_that_is_none_is_refused(quantity, at, said):
    assert said in computed(quantity, run(), at=at).reason


def test_a_size_is_asked_by_ratio_or_by_efficiency():
    ratio = np.exp(0.3 * SIZES)
    one = run(up=ratio * 1e6, down=1e6, ratio=ratio)
    by_ratio = computed("size_at_ratio", one, at={"ratio": 20.0})
    by_share = computed("size_at_efficiency", one, at={"efficiency": 0.95})
    assert by_share.value == approx(by_ratio.value)
    assert by_ratio.value == approx(math.log(20.0) / 0.3)
