"""Bounds prove one side only, and shares of a population follow the binomial law."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.decision.deciding import by_count, censored, decide_bounds, decide_statement
from dossier.decision.probability import AgainstLimit, Threshold
from dossier.decision.rules import Verdict
from dossier.evidence.statistics.combine import combine
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue

MORE, LESS = "larger than", "smaller than"
RULE = SimpleNamespace(kind="guard_band", confidence=0.95)


def estimate(*values, u=1.0, bound="", **changes):
    each = [
        SpecimenValue(specimen=f"C{i}", record="B1", value=value, u=u, bound=one)
        for i, (value, one) in enumerate(values, 1)
    ]
    found = combine(each, [u] * len(each), [])
    made = {name: getattr(found, name) for name in Estimate.__dataclass_fields__}
    return Estimate(**(made | {"bound": bound} | changes))


def decided(found, lower=None, upper=None, basis="every_specimen", coverage=0.9, rule=RULE):
    asked = AgainstLimit(found, Threshold(lower, upper), basis, coverage, None)
    return decide_bounds(asked, rule)


def test_only_bounds_without_draws_are_judged_as_bounds():
    assert censored(estimate((100.0, MORE), (90.0, "")))
    assert not censored(estimate((100.0, ""), (90.0, "")))
    assert not censored(estimate((100.0, MORE), samples=np.ones(3)))


@pytest.mark.parametrize(
    ("bound", "value", "limits", "verdict"),
    [
        (MORE, 100.0, {"lower": 90.0}, "pass"),
        (MORE, 100.0, {"lower": 101.0}, "not demonstrated"),
        (MORE, 100.0, {"lower": 99.9}, "not demonstrated"),  # inside, and not by enough
        (MORE, 100.0, {"upper": 90.0}, "fail"),
        (MORE, 100.0, {"upper": 110.0}, "not demonstrated"),
        (MORE, 100.0, {"lower": 90.0, "upper": 110.0}, "not demonstrated"),
        (LESS, 100.0, {"upper": 110.0}, "pass"),
        (LESS, 100.0, {"upper": 99.0}, "not demonstrated"),
        (LESS, 100.0, {"lower": 110.0}, "fail"),
        (LESS, 100.0, {"lower": 90.0}, "not demonstrated"),
    ],
)
def test_a_bound_decides_only_what_holds_for_all_that_it_allows(bound, value, limits, verdict):
    found = decided(estimate((value, bound)), **limits)
    assert found.verdict == Verdict(verdict)
    if verdict == "not demonstrated":
        assert found.probability is None
        assert "C1" in found.reason


def test_the_least_favourable_specimen_decides_and_the_words_count_the_bounds():
    found = decided(estimate((100.0, MORE), (95.0, ""), (120.0, MORE)), lower=90.0)
    assert found.verdict is Verdict.PASS
    assert found.probability == pytest.approx(0.9999997133, abs=1e-9)  # Phi(5)
    assert "2 of 3" in found.reason


def test_among_specimens_as_sure_as_each_other_the_nearest_to_the_limit_decides():
    found = decided(estimate((2000.0, MORE), (1910.0, ""), (2000.0, MORE)), lower=1600.0).deciding
    assert (found.specimen, found.value, found.bound) == ("C2", 1910.0, "")
    assert found.lower == pytest.approx(1601.645, abs=1e-3)  # 1600 + 1.645 u


def test_one_fail_decides_against_open_ones():
    mixed = estimate((80.0, ""), (85.0, MORE), (70.0, ""))
    found = decided(mixed, lower=90.0)
    assert found.verdict is Verdict.FAIL
    assert found.probability == pytest.approx(0.0, abs=1e-12)
    better = estimate((89.0, ""), (85.0, MORE))
    assert decided(better, lower=90.0).probability == pytest.approx(0.158655, abs=1e-5)  # Phi(-1)


def test_a_conditional_verdict_says_nothing_of_proof():
    graded = SimpleNamespace(kind="graded", confidence=0.95)
    found = decided(estimate((91.0, ""), (200.0, MORE)), lower=90.0, rule=graded)
    assert found.verdict is Verdict.CONDITIONAL_PASS
    assert found.reason == ""


@pytest.mark.parametrize(("n", "coverage"), [(28, 0.9), (29, 0.9), (58, 0.95), (59, 0.95)])
def test_a_share_is_shown_by_specimens_without_a_failure(n, coverage):
    # 29 without a failure show 90 % at 95 % confidence, 59 show 95 %: MIL-HDBK-style tables and
    # the success-run theorem, 1 - p^n (common practice, from memory).
    found = decided(estimate(*[(1e3, MORE)] * n), lower=90.0, basis="population", coverage=coverage)
    shown = 1.0 - coverage**n
    assert (found.verdict is Verdict.PASS) is (shown >= 0.95)
    if found.verdict is Verdict.PASS:
        assert found.probability == pytest.approx(shown)
    else:
        assert f"{n} of {n}" in found.reason


def test_doubt_about_any_specimen_is_taken_off_in_full():
    # One of 59 lies 2.5 standard uncertainties inside: 0.62 % of doubt against a spare of 0.15 %.
    sure, near = [(1e3, MORE)] * 58, (92.5, MORE)
    rule = SimpleNamespace(kind="guard_band", confidence=0.95)
    found = decided(estimate(*sure, near), lower=90.0, basis="population", coverage=0.95, rule=rule)
    assert found.verdict is Verdict.NOT_DEMONSTRATED
    more = decided(estimate(*[(1e3, MORE)] * 69, near), lower=90.0, basis="population",
                   coverage=0.95)  # fmt: skip
    doubt = 1.0 - 0.5 * math.erfc(-2.5 / math.sqrt(2.0))
    assert more.probability == pytest.approx(1.0 - 0.95**70 - doubt, abs=1e-9)


def test_the_mean_of_values_and_bounds_is_a_bound():
    both = estimate((100.0, MORE), (104.0, ""), u=0.1, bound=MORE)
    good = decided(both, lower=50.0, basis="mean")
    assert good.verdict is Verdict.PASS
    open_one = decided(both, lower=110.0, basis="mean")
    assert (open_one.verdict, open_one.probability) == (Verdict.NOT_DEMONSTRATED, None)
    assert decided(both, upper=50.0, basis="mean").verdict is Verdict.FAIL
    every = estimate((100.0, MORE), (104.0, MORE), u=0.1, bound=MORE)
    found = decided(every, lower=99.0, basis="mean")
    assert "every specimen by itself" in found.reason


STATED = st.lists(st.sampled_from([0.0, 0.4, 0.5, 1.0, math.nan]), max_size=5)


@given(STATED)
def test_a_statement_holds_where_every_specimen_was_found_so(values):
    found = estimate((1.0, ""), per_specimen=tuple(
        SpecimenValue(specimen=f"C{i}", record="I", value=v, u=0.0) for i, v in enumerate(values)
    ), components=(Component(name="x", u=0.0, dof=1.0, source=""),))  # fmt: skip
    outcome = decide_statement(found, SimpleNamespace(basis="every_specimen", coverage=0.9), RULE)
    good = bool(values) and all(v >= 0.5 for v in values)
    assert (outcome.verdict is Verdict.PASS) is good
    wrong = [f"C{i}" for i, v in enumerate(values) if not v >= 0.5]
    assert all(name in outcome.reason for name in wrong)


@pytest.mark.parametrize(("n", "shown"), [(28, False), (29, True)])
def test_a_statement_of_a_share_needs_as_many_specimens(n, shown):
    found = estimate(*[(1.0, "")] * n)
    outcome = decide_statement(found, SimpleNamespace(basis="population", coverage=0.9), RULE)
    assert (outcome.verdict is Verdict.PASS) is shown


def test_a_count_shows_the_share_of_the_binomial_tables():
    """Clopper-Pearson, one-sided: 0 of 3 at 95 % shows 0.05^(1/3); 1 of 10 shows 60.6 %."""
    assert by_count(3, 0, 0.95).value == pytest.approx(0.05 ** (1 / 3))
    # P(X <= 1 failures of 10 | p failing = 0.3942) = 0.05: published tables print 0.394.
    share = 1.0 - by_count(10, 1, 0.95).value
    assert share == pytest.approx(0.394, abs=5e-4)
    assert by_count(2, 2, 0.95).value == 0.0
