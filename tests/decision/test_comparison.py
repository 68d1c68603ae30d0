"""One function tells whether two filters differ, and every sentence follows it."""

# mypy: disable-error-code=call-arg

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest

from dossier.decision.cautions import cautions_for
from dossier.decision.comparison import gains_and_losses, quotient, side_by_side
from dossier.evidence.quantities import all_quantities
from dossier.evidence.statistics.estimate import Component
from tests.report.sample import bench, case, demand, estimate, finding

approx = pytest.approx
DECLARED = all_quantities()


def pair(name, own, other, u=0.001, other_u=None):
    asked = demand(DECLARED[name], name[:1].upper(), at_text="here")
    found, reference = estimate(own, u), estimate(other, u if other_u is None else other_u)
    return finding(asked, found, "pass", reference=reference)


def test_a_change_is_relative_and_of_an_efficiency_by_what_passes():
    mass = side_by_side([pair("retained_capacity", 0.044, 0.040, 0.0004)], "retained_capacity")
    assert mass.change == approx(0.1)
    passes = side_by_side([pair("efficiency", 0.98, 0.96, 0.001)], "efficiency")
    assert passes.change == approx(-0.5)


@pytest.mark.parametrize(
    ("name", "own", "other", "better"),
    [
        ("efficiency", 0.98, 0.96, True), ("efficiency", 0.96, 0.98, False),
        ("retained_capacity", 0.05, 0.04, True), ("retained_capacity", 0.04, 0.05, False),
        ("clean_pressure_drop", 20e3, 30e3, True), ("clean_pressure_drop", 30e3, 20e3, False),
    ],
)  # fmt: skip
def test_what_is_better(name, own, other, better):
    found = side_by_side([pair(name, own, other, 1e-6)], name)
    assert (found.better, found.differs) == (better, True)
    said = gains_and_losses([pair(name, own, other, 1e-6)])
    assert ("gains: it" in said, "gives up: it" in said) == (better, not better)


@pytest.mark.parametrize(
    ("own", "common", "differs"), [(0.00203, 0.0, True), (0.00205, 0.0, False), (0.002, 0.1, True)]
)
def test_a_difference_is_told_beyond_its_95_percent_interval(own, common, differs):
    """0.004 kg is 1.96 times 0.00204 kg; what both share through one balance is in neither."""
    parts = (
        Component(name="own", u=own, dof=math.inf, source="x"),
        Component(name="balance", u=common, dof=math.inf, source="x", shared="B"),
    )
    one = pair("retained_capacity", 0.044, 0.040)
    held = replace(
        one,
        estimate=replace(one.estimate, components=parts),
        reference=replace(one.reference, components=parts[1:]),
    )
    assert side_by_side([held], "retained_capacity").differs is differs


def test_a_value_that_is_not_above_zero_is_no_difference():
    assert not side_by_side([pair("efficiency", 0.99, 1.0)], "efficiency").differs
    assert not side_by_side([pair("efficiency", 1.0, 0.99)], "efficiency").differs


def told(*findings):
    lab = bench(case())
    given = cautions_for(lab, findings, SimpleNamespace(value="approved"))
    return {each.title: each.text for each in given}


UP, DOWN = (0.98, 0.96), (0.96, 0.98)
MORE, LESS = (0.05, 0.04), (0.04, 0.05)


@pytest.mark.parametrize(
    ("passes", "holds", "title", "share"),
    [
        (UP, LESS, "Trades capacity for efficiency", "20 %"),
        (DOWN, MORE, "Trades efficiency for capacity", "25 %"),
        (UP, MORE, "", ""),
        (DOWN, LESS, "", ""),
    ],
)
def test_a_trade_is_told_where_one_is_gained_and_the_other_lost(passes, holds, title, share):
    pairs = [pair("efficiency", *passes, 1e-6), pair("retained_capacity", *holds, 1e-6)]
    trades = {t: text for t, text in told(*pairs).items() if t.startswith("Trades")}
    assert list(trades) == ([title] if title else [])
    assert share in trades.get(title, "")
    assert not [t for t in told(pairs[0]) if t.startswith("Trades")]


@pytest.mark.parametrize("blurred", ["efficiency", "retained_capacity"])
def test_what_the_tests_cannot_tell_apart_is_traded_for_nothing(blurred):
    values = {"efficiency": UP, "retained_capacity": LESS}
    spread = {"efficiency": 0.02, "retained_capacity": 0.01}
    pairs = [pair(n, *v, spread[n] if n == blurred else 1e-6) for n, v in values.items()]
    assert not [t for t in told(*pairs) if t.startswith("Trades")]
    words = {"efficiency": "efficiency", "retained_capacity": "capacity"}[blurred]
    assert f"no difference in {words}" in gains_and_losses(pairs)


def test_without_a_pair_nothing_is_said():
    one = pair("efficiency", *UP)
    alone = finding(one.demand, one.estimate, "pass")
    assert side_by_side([alone], "efficiency") is None
    assert gains_and_losses([alone]) == ""


def test_all_three_are_listed():
    said = gains_and_losses([pair("efficiency", *UP, 1e-6), pair("retained_capacity", *MORE, 1e-6),
                             pair("clean_pressure_drop", 30e3, 20e3)])  # fmt: skip
    assert "lets 50 % less through at here and holds 25 % more contaminant" in said
    assert "gives up: it has 50 % more clean pressure drop" in said


def test_a_quotient_errs_by_the_shares_that_its_two_sides_err_by():
    """Of 200 (u = 2) over 50 (u = 2.5): hypot(1 %, 5 %) of 4 (JCGM 100:2008, 5.1.6)."""

    def known(value, u):
        part = Component(name="meter", u=u, dof=math.inf, source=f"meter of {value}")
        return estimate(value, u, components=(part,), dof=math.inf)

    value, low, high = quotient(known(200.0, 2.0), known(50.0, 2.5))
    assert value == 4.0
    half = 1.959964 * math.hypot(0.01, 0.05)
    assert (math.log(high / value), math.log(value / low)) == approx((half, half), rel=1e-4)
