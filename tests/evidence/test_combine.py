"""From specimens to the type: scatter, own errors, and what instruments have in common."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.evidence.records.instruments import InputAccuracy
from dossier.evidence.statistics.combine import (
    DRAWS,
    _within,
    as_samples,
    combine,
    draws_of,
    farther,
    half_width_of,
    positive_normal,
    shared_components,
    widening,
)
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue
from dossier.evidence.statistics.uncertainty import half_width, precision
from tests.made_bench import bench, run

approx = pytest.approx
INF = math.inf


def combined(values, own, shared=()):
    each = [SpecimenValue(specimen=f"C{i}", record=f"R{i}", value=v, u=own)
            for i, v in enumerate(values)]  # fmt: skip
    return combine(each, [own] * len(values), list(shared))


@given(
    st.lists(st.integers(-10, 10), min_size=2, max_size=8), st.sampled_from([0.0, 0.1, 1.0, 5.0])
)
def test_the_larger_of_scatter_and_own_errors_stands(values, own):
    n = len(values)
    scatter = float(np.std(values, ddof=1)) / math.sqrt(n)
    (part,) = combined(values, own).components
    assert part.u == approx(max(scatter, own / math.sqrt(n)), abs=1e-12)
    seen = scatter >= own * math.sqrt(n) / n
    assert part.of_specimens is seen
    assert (part.dof, part.scatter_dof) == ((n - 1, INF) if seen else (INF, n - 1))
    assert part.scatter == (0.0 if seen else approx(scatter))
    assert combined(values, own).value == approx(np.mean(values), abs=1e-12)


def test_one_specimen_has_its_own_error_and_no_scatter():
    (part,) = combined([5.0], 0.3).components
    assert (part.u, part.dof, part.scatter, part.of_specimens) == (0.3, INF, 0.0, False)


def test_effective_degrees_of_freedom_follow_welch_and_satterthwaite():
    common = Component(name="meter", u=1.0, dof=INF, source="x")
    found = combined([9.0, 11.0], 0.0, [common])  # a scatter of 1 with one degree of freedom
    assert (found.u, found.dof) == approx((math.sqrt(2.0), 4.0))


def known(shared, laboratory="", u=1.0):
    return InputAccuracy(u=u, source=shared, shared=shared, laboratory=laboratory)


def test_one_instrument_adds_up_and_two_stand_apart():
    parts = shared_components("x", [(known("A"), 1.0), (known("A"), 2.0), (known("B"), -4.0)])
    assert {p.shared: p.u for p in parts} == {"A": 3.0, "B": 4.0}


def test_instruments_of_one_laboratory_err_together():
    parts = shared_components("x", [(known("A", "L"), 3.0), (known("B", "L"), -4.0),
                                    (known("C", "M"), 12.0)])  # fmt: skip
    together = parts[-1]
    assert together.shared == ""
    assert together.u == approx(math.sqrt(2 * 3 * 4))  # (3 + 4)^2 = 3^2 + 4^2 + 24
    assert math.sqrt(sum(p.u**2 for p in parts)) == approx(math.hypot(7.0, 12.0))


def test_widening_names_the_records_that_widen():
    lab = bench([run()], widened={"M1": 0.3, "M2": 0.4})
    (part,) = widening(lab, ["M1", "M2", "M3"], -10.0)
    assert part.u == approx(10.0 * 0.5 / 3.0)
    assert "M1, M2" in part.source
    assert "M3" not in part.source
    assert widening(lab, ["M3"], 10.0) == []


RNG = np.random.default_rng


def test_draws_of_a_component_follow_its_law():
    few = draws_of(Component(name="x", u=2.0, dof=3.0, source=""), RNG(1))
    assert np.quantile(few, 0.95) == approx(2.0 * 2.353, rel=0.03)  # t of 3 at 95 %
    many = draws_of(Component(name="x", u=2.0, dof=INF, source=""), RNG(1))
    assert np.quantile(many, 0.95) == approx(2.0 * 1.645, rel=0.02)
    both = Component(name="x", u=2.0, dof=INF, source="", scatter=1.5, scatter_dof=1.0)
    wide = draws_of(both, RNG(1))
    assert np.quantile(wide, [0.05, 0.95]) == approx([-1.5 * 6.314, 1.5 * 6.314], rel=0.05)
    assert np.quantile(wide, 0.6) == approx(2.0 * 0.2533, rel=0.05)  # t of 1 at 60 % is 0.325


def test_the_farther_of_two_stands_on_both_sides():
    normal = np.array([-1.6448536, -0.1, 0.1, 1.6448536])
    found = farther(2.0 * normal, normal, 1.0, 1.0)
    assert found == approx([-6.314, -0.2, 0.2, 6.314], rel=1e-3)


def test_draws_of_an_estimate_are_its_own_or_its_components():
    parts = tuple(Component(name=n, u=u, dof=INF, source="") for n, u in (("a", 3.0), ("b", 4.0)))
    one = Estimate(value=100.0, u=5.0, dof=INF, components=parts)
    found = as_samples(one, RNG(1))
    assert (found.mean(), found.std()) == approx((100.0, 5.0), rel=0.02)
    turned = Estimate(value=100.0, u=5.0, dof=INF, components=parts, scale="reciprocal")
    inverse = 1.0 / as_samples(turned, RNG(1))
    assert (inverse.mean(), inverse.std()) == approx((0.01, 5e-4), rel=0.02)
    given_ = Estimate(value=1.0, u=1.0, dof=INF, samples=np.ones(3))
    assert as_samples(given_, RNG(1)) is given_.samples


def test_a_rate_is_above_zero_however_uncertain():
    found = positive_normal(RNG(1), 1.0, 1.0)
    assert found.shape == (DRAWS,)
    assert found.min() > 0.0
    assert found.mean() == approx(1.0 + 0.2420 / 0.8413, rel=0.01)  # truncated normal, closed form
    with pytest.raises(ValueError, match="too large"):
        positive_normal(RNG(1), -50.0, 1.0)


def test_an_interval_is_that_of_its_scale():
    part = (Component(name="a", u=0.1, dof=INF, source=""),)
    half = half_width([part[0]])
    one = Estimate(value=2.0, u=0.1, dof=INF, components=part)
    assert one.interval() == approx((2.0 - half, 2.0 + half))
    assert half == approx(0.196, rel=1e-3)
    turned = Estimate(value=2.0, u=0.1, dof=INF, components=part, scale="reciprocal")
    assert turned.interval() == approx((1 / (0.5 + half / 4), 1 / (0.5 - half / 4)))
    open_end = Estimate(value=2.0, u=9.0, dof=INF, scale="reciprocal")
    assert open_end.interval()[1] == INF
    drawn_ = Estimate(value=0.0, u=1.0, dof=INF, samples=np.arange(1001.0))
    assert drawn_.interval() == (25.0, 975.0)
    assert drawn_.interval(0.90) == (50.0, 950.0)


def test_a_component_scales_whole():
    one = Component(name="x", u=2.0, dof=3.0, source="", scatter=1.0, scatter_dof=1.0)
    turned = one.times(-3.0)
    assert (turned.u, turned.scatter, turned.dof, turned.scatter_dof) == (6.0, 3.0, 3.0, 1.0)


@pytest.mark.parametrize(("own", "u", "dof"), [(0.1, math.sqrt(5.0 / 4.0), 2), (9.0, 4.5, INF)])
def test_the_scatter_within_laboratories_is_pooled_over_them(own, u, dof):
    """Squares of 2 and 8 about the means of two laboratories, with two degrees of freedom."""
    values, spread = np.array([1.0, 3.0, 10.0, 14.0]), Component(name="x", u=3.0, source="x")
    found = _within(spread, precision(values, ["A", "A", "B", "B"]), [own] * 4)
    assert (found.within, found.within_dof) == (approx(u), dof)
    for houses in (["A"] * 4, ["A", "B", "C", "D"]):
        assert _within(spread, precision(values, houses), [own] * 4) is spread


def test_draws_without_bound_are_as_uncertain_as_can_be():
    """And nothing is printed beside the pages: inf less inf would be a warning, and no number."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert half_width_of(np.full(9, np.inf)) == np.inf
