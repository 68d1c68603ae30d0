"""Risks with two and three specimens, and comparisons by what passes: by simulation and by laws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.decision.deciding import deciding
from dossier.decision.probability import (
    AgainstLimit,
    Threshold,
    _confidence,
    against,
    chance_by_draws,
    less_common,
    probability,
    share_needed,
    specimen_probability,
)
from dossier.evidence.quantities import all_quantities
from dossier.evidence.registry import reference_line
from dossier.evidence.statistics.combine import DRAWS, combine
from dossier.evidence.statistics.estimate import Component, Estimate, SpecimenValue
from dossier.evidence.statistics.uncertainty import Part, half_width, reach, t_quantile

INF = math.inf
RUNS = 20_000


def estimate(values: list[float], own: float, common: float = 0.0) -> Estimate:
    """The estimate of some specimens, each with its own error, and one common to all."""
    parts = [Component(name="meter", u=common, dof=INF, source="x", shared="M")] * (common > 0)
    named = [SpecimenValue(specimen=str(k), record="R", value=v, u=own)
             for k, v in enumerate(values)]  # fmt: skip
    return combine(named, [own] * len(values), parts)


def chance(found: Estimate, limit: float, basis: str = "mean", upper: float | None = None) -> float:
    rng = np.random.default_rng(1)
    return probability(
        AgainstLimit(found, Threshold(limit, upper), basis, 0.9, lambda _: rng)
    ).probability


class TestFewSpecimens:
    @pytest.mark.parametrize("n", [2, 3, 4, 6])
    @pytest.mark.parametrize("common", [0.0, 0.5, 2.0])
    def test_the_risk_stays_at_the_stated_one_for_any_scatter(self, n: int, common: float) -> None:
        """Passing at the limit is `reach` of the parts at 95 % below the distance: counted here."""
        rng = np.random.default_rng(n)
        for scatter in (0.0, 0.5, 1.0, 2.0, 3.0, 5.0):
            drawn = math.hypot(scatter, 1.0) * rng.standard_normal((RUNS, n))
            distance = drawn.mean(1) + common * rng.standard_normal(RUNS)
            seen, own = drawn.std(1, ddof=1) / math.sqrt(n), 1.0 / math.sqrt(n)
            t, z = t_quantile(0.95, n - 1), t_quantile(0.95, INF)
            far = np.hypot(np.maximum(t * seen, z * own), z * common)
            k = int(rng.integers(RUNS))
            parts = [Part(own, INF, seen[k], n - 1.0), Part(common, INF)]
            assert reach(parts, 0.95) == pytest.approx(far[k])
            assert (distance > far).mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / RUNS)

    def test_specimens_that_happen_to_agree_do_not_hide_their_scatter(self) -> None:
        """Two of them 0.9 own errors apart: the scatter's t reaches farther than the errors."""
        found = estimate([10.0, 10.9], own=1.0)
        limit = 10.45 - t_quantile(0.95, 1) * 0.45
        assert chance(found, limit + 1e-6) < 0.95 <= chance(found, limit - 1e-6)

    @given(st.lists(st.floats(5.0, 15.0), min_size=2, max_size=6), st.floats(0.01, 5.0))
    def test_more_error_of_its_own_never_helps(self, values: list[float], own: float) -> None:
        mean = float(np.mean(values))
        assert chance(estimate(values, 1.5 * own), mean - 2.0) <= (
            chance(estimate(values, own), mean - 2.0) + 1e-9
        )

    @pytest.mark.parametrize("n", [2, 3, 4, 6])
    def test_intervals_cover_where_specimens_differ(self, n: int) -> None:
        rng = np.random.default_rng(7 * n)
        for scatter, common in ((2.0, 0.5), (3.0, 1.0), (5.0, 0.0), (3.0, 2.0)):
            covered, runs = 0, 1500
            for _ in range(runs):
                drawn = math.hypot(scatter, 1.0) * rng.standard_normal(n)
                seen, own = float(drawn.std(ddof=1)) / math.sqrt(n), 1.0 / math.sqrt(n)
                first = Part(seen, n - 1.0) if seen >= own else Part(own, INF, seen, n - 1.0)
                shared = common / math.sqrt(n)
                half = half_width([first, Part(shared, INF)])
                covered += abs(drawn.mean() + shared * rng.standard_normal()) <= half
            least = 0.90 if n == 2 else 0.92  # two say little of their scatter
            assert least <= covered / runs <= 0.985, (n, scatter, common)


class TestTwoLimits:
    def test_both_tails_of_a_population_count(self) -> None:
        """Either limit alone leaves a tenth out; both of them together may not leave two."""
        values = [9.0, 10.0, 11.0, 9.5, 10.5, 10.0]
        low, high = chance(estimate(values, 0.0), 7.9, "population"), 12.1
        both = chance(estimate(values, 0.0), 7.9, "population", high)
        assert both < low

    def test_the_risk_with_two_limits(self) -> None:
        """A population of which just 90 % lies between the limits, evenly to both sides."""
        rng, z, passed, runs = np.random.default_rng(5), 1.6448536269514722, 0, 300
        for _ in range(runs):
            found = estimate(list(rng.standard_normal(3)), own=0.0)
            passed += chance(found, -z, "population", z) >= 0.95
        assert passed / runs <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)


class TestWhatPasses:
    @settings(max_examples=60)
    @given(st.floats(0.005, 0.3), st.floats(0.005, 0.3), st.floats(0.0, 0.5))
    def test_an_efficiency_and_its_ratio_are_judged_alike(
        self, mine: float, theirs: float, share: float
    ) -> None:
        def pair(passing: float, turned: bool) -> Estimate:
            found = estimate([0.97 * passing, 1.03 * passing, passing], 0.01 * passing)
            if not turned:
                return replace(found, value=1.0 - found.value)
            scale = 1.0 / passing**2
            return replace(
                found, value=1.0 / passing, scale="reciprocal", u=found.u * scale,
                components=tuple(c.times(scale) for c in found.components),
            )  # fmt: skip

        chances = []
        for turned, share_of in ((False, "penetration"), (True, "inverse penetration")):
            limit = against(pair(theirs, turned), share, True, share_of)
            own = pair(mine, turned)
            rng = np.random.default_rng(1)
            chances.append(
                probability(AgainstLimit(own, limit, "mean", 0.95, lambda _, r=rng: r)).probability
            )
        assert chances[0] == pytest.approx(chances[1], abs=1e-6)

    @given(st.floats(0.001, 0.999), st.floats(0.0, 0.9))
    def test_the_limit_lets_that_share_more_through(self, efficiency: float, share: float) -> None:
        factor, offset = reference_line(share, True, "penetration")
        passing = 1.0 - (factor * efficiency + offset)
        assert passing == pytest.approx((1.0 + share) * (1.0 - efficiency), rel=1e-9)

    def test_no_percentage_of_what_has_no_zero(self) -> None:
        for each in all_quantities().values():
            differs = each.dimension in {"temperature", "cleanliness code"} or "margin" in each.name
            assert (each.share_of == "") == differs, each.name
        with pytest.raises(ValueError, match="arbitrary"):
            reference_line(0.1, True, "")


class TestTheReference:
    """A limit from the reference is uncertain as the reference is, on every basis."""

    @staticmethod
    def judged(
        own: Estimate, other: Estimate, basis: str, share: float = 0.0, *, higher: bool = True
    ) -> float:
        limit = against(other, share, higher)
        rng = np.random.default_rng(3)
        return probability(AgainstLimit(own, limit, basis, 0.9, lambda _: rng)).probability

    @staticmethod
    def normal(value: float, u: float, shared: str = "") -> Estimate:
        part = Component(name="x", u=u, dof=INF, source="x", shared=shared)
        each = [SpecimenValue(specimen=str(k), record="R", value=value, u=0.5) for k in (1, 2, 3)]
        return replace(combine(each, [0.0] * 3, [part]), components=(part,), u=u)

    @staticmethod
    def phi(x: float) -> float:
        return 0.5 * math.erfc(-x / math.sqrt(2.0))

    def test_of_a_mean(self) -> None:
        found = self.judged(self.normal(12.0, 0.6), self.normal(11.0, 0.8), "mean")
        assert found == pytest.approx(self.phi(1.0), abs=1e-6)  # 0.6 and 0.8 make 1
        share = self.judged(self.normal(12.0, 0.6), self.normal(11.0, 1.0), "mean", 0.2)
        assert share == pytest.approx(self.phi((12.0 - 8.8) / 1.0), abs=1e-6)

    def test_of_every_specimen(self) -> None:
        found = self.judged(self.normal(12.0, 0.0), self.normal(11.0, 1.2), "every_specimen")
        assert found == pytest.approx(self.phi(1.0 / 1.3), abs=1e-6)  # 0.5 and 1.2 make 1.3

    @pytest.mark.parametrize("higher", [True, False])
    def test_of_draws(self, higher: bool) -> None:
        rng = np.random.default_rng(1)
        sign = 1.0 if higher else -1.0
        own = self.normal(11.0 + sign, 0.6)
        drawn = replace(own, samples=own.value + 0.6 * rng.standard_normal(100_000))
        other = self.normal(11.0, 0.8)
        taken = replace(other, samples=11.0 + 0.8 * rng.standard_normal(100_000))
        for mine, theirs in ((drawn, other), (own, taken), (drawn, taken)):
            found = self.judged(mine, theirs, "mean", higher=higher)
            assert found == pytest.approx(self.phi(1.0), abs=0.008)  # what another seed may take
        distance = sign * (own.value - 11.0 * (1.0 - 0.01 * sign))  # a hundredth may be lost
        wanted = self.phi(distance / math.hypot(0.6, 0.8 * (1.0 - 0.01 * sign)))
        assert self.judged(drawn, taken, "mean", 0.01, higher=higher) == pytest.approx(
            wanted, abs=0.008
        )
        three = np.array([drawn.samples, drawn.samples + sign, drawn.samples])
        each = replace(own, samples=drawn.samples, specimen_samples=three)
        found = self.judged(each, taken, "every_specimen", higher=higher)
        assert found == pytest.approx(self.phi(1.0), abs=0.008)

    def test_of_a_population(self) -> None:
        values = [11.0, 12.0, 13.0, 12.5, 11.5, 12.0]
        sure, unsure = self.normal(9.0, 0.0), self.normal(9.0, 0.8)
        own = estimate(values, own=0.0)
        firm = self.judged(own, sure, "population")
        assert self.judged(own, unsure, "population") < firm - 0.01
        by_draws = replace(unsure, samples=np.full(4, 9.0))
        assert self.judged(own, by_draws, "population") < firm - 0.01

    def test_what_both_share_is_taken_out(self) -> None:
        own, other = self.normal(12.0, 1.0, "meter"), self.normal(11.0, 1.0, "meter")
        assert self.judged(own, other, "mean") == pytest.approx(1.0, abs=1e-6)
        apart = self.judged(self.normal(12.0, 1.0), self.normal(11.0, 1.0), "mean")
        assert apart == pytest.approx(self.phi(1.0 / math.sqrt(2.0)), abs=1e-6)


class TestPopulation:
    def test_the_scatter_counts_once(self) -> None:
        """Specimens without error of their own: the tolerance factor alone decides."""
        from dossier.evidence.statistics.tolerance import tolerance_confidence

        values = [9.0, 10.0, 11.0, 9.5, 10.5, 10.0]
        found = chance(estimate(values, own=0.0), 8.0, "population")
        s = float(np.std(values, ddof=1))
        assert found == pytest.approx(tolerance_confidence(6, 0.9, 2.0 / s), abs=1e-6)

    @pytest.mark.parametrize(
        ("limits", "reach"),
        [((8.0, None), -1.281552), ((None, 12.0), 1.281552),
         ((8.0, 12.5), -1.644854), ((7.5, 12.0), 1.644854)],
    )  # fmt: skip
    def test_nine_tenths_reach_to_the_quantile_of_the_normal_law(
        self, limits: tuple[float | None, float | None], reach: float
    ) -> None:
        """Toward the nearer limit: beyond one lies a tenth, beyond each of two half of it."""
        values = [9.0, 10.0, 11.0, 9.5, 10.5, 10.0]
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        asked = AgainstLimit(estimate(values, 0.0), Threshold(*limits), "population", 0.9, draws)
        expected = 10.0 + reach * float(np.std(values, ddof=1))
        assert probability(asked).value == pytest.approx(expected, abs=1e-5)

    def test_two_limits_count_both_tails(self) -> None:
        """Both limits 1.5 u away: outside lies what either leaves out, by either part."""
        own = TestTheReference.normal(10.0, 1.0)
        two = replace(own, components=(
            Component(name="x", u=0.6, dof=INF, source="x"),
            Component(name="y", u=0.8, dof=INF, source="y"),
        ))  # fmt: skip
        for found in (own, two):
            tail = 1.0 - TestTheReference.phi(1.5)
            assert chance(found, 8.5, "mean", 11.5) == pytest.approx(1.0 - 2.0 * tail, abs=1e-6)


@pytest.mark.parametrize("upper", [None, 12.0])
def test_of_specimens_without_scatter_or_error_all_are_known(upper: float | None) -> None:
    same = estimate([10.0, 10.0, 10.0], own=0.0)
    found = [chance(same, limit, "population", upper) for limit in (9.0, 10.0, 11.0)]
    assert found == [1.0, 1.0, 0.0]


def test_a_specimen_and_a_reference_of_ratios_are_held_against_each_other_as_penetrations() -> None:
    """1 / 20 against 1 / 16, each known to u / ratio^2 (JCGM 100:2008, 5.1.2)."""
    own = SpecimenValue(specimen="C1", record="R", value=20.0, u=2.0)
    line = against(TestTheReference.normal(16.0, 1.5), 0.0, True)
    distance = (1 / 16 - 1 / 20) / math.hypot(2.0 / 20**2, 1.5 / 16**2)
    wanted = 0.5 * math.erfc(-distance / math.sqrt(2.0))
    assert specimen_probability(own, "reciprocal", line) == pytest.approx(wanted, abs=1e-6)


def test_an_error_in_common_counts_where_specimens_do_not_scatter() -> None:
    """All at 10 and all wrong by the same normal error: phi of the distance over it."""
    found = chance(estimate([10.0, 10.0, 10.0], own=0.0, common=1.0), 9.0, "population")
    assert found == pytest.approx(TestTheReference.phi(1.0), abs=1e-6)


class TestTheNumberThatDecides:
    @given(
        st.lists(st.floats(5.0, 15.0), min_size=2, max_size=6),
        st.floats(0.05, 2.0),
        st.floats(-3.0, 3.0),
        st.sampled_from(["mean", "every_specimen", "population"]),
        st.sampled_from([("lower", 0.0), ("upper", 0.0)])
        | st.tuples(st.sampled_from(["both", "drawn"]), st.floats(0.3, 6.0)),
        st.sampled_from([0.9, 0.95, 0.99]),
    )
    def test_it_is_accepted_just_where_the_probability_is_as_agreed(
        self,
        values: list[float],
        own: float,
        off: float,
        basis: str,
        ends: tuple[str, float],
        confidence: float,
    ) -> None:
        """One fact by two routes: the guard band of the limit, and the probability beyond it."""
        found = estimate(values, own, common=0.3)
        limit = float(np.mean(values)) + off
        threshold = {
            "lower": Threshold(limit, None), "upper": Threshold(None, limit),
        }.get(ends[0], Threshold(limit, limit + ends[1]))  # fmt: skip
        if ends[0] == "drawn":
            spread = np.random.default_rng(2).gamma(4.0, 0.3, 2000)
            found = replace(found, samples=found.value + spread - spread.mean())
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        judged = probability(AgainstLimit(found, threshold, basis, 0.9, draws))
        if abs(judged.probability - confidence) < 1e-6:
            return
        decides = deciding(AgainstLimit(found, threshold, basis, 0.9, draws), judged, confidence)
        inside = (decides.lower is None or decides.value >= decides.lower) and (
            decides.upper is None or decides.value <= decides.upper
        )
        assert inside == (judged.probability > confidence)

    @pytest.mark.parametrize("drawn", [False, True])
    def test_two_close_limits_leave_room_for_both_tails_or_for_nothing(self, drawn: bool) -> None:
        """u = 1: within 1.7 lie 91.1 % at best; within 2.1 95 % up to 0.3897 off the middle."""
        rng = np.random.default_rng(5)
        found = replace(
            estimate([0.0, 0.0], 1e-9), per_specimen=(), dof=INF, u=1.0,
            components=(Component(name="m", u=1.0, source="x"),),
            samples=rng.standard_normal(400_000) if drawn else None,
        )  # fmt: skip
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        for half, most in ((1.7, None), (2.1, 0.3897)):
            threshold = Threshold(-half, half)
            judged = probability(AgainstLimit(found, threshold, "mean", 0.9, draws))
            decides = deciding(AgainstLimit(found, threshold, "mean", 0.9, draws), judged, 0.95)
            if most is None:
                assert (decides.lower, decides.upper) == (INF, -INF)
            else:
                # of draws 95.21 % are needed; a standard deviation takes 7.5 % there
                most -= 0.0278 if drawn else 0.0
                ends = pytest.approx((-most, most), abs=0.02 if drawn else 1e-3)
                assert (decides.lower, decides.upper) == ends

    def test_a_ratio_is_guarded_on_its_own_scale(self) -> None:
        """1/80 with u = 0.001 against 1/40: accepted from 1 / (1/40 - 1.645 u)."""
        found = replace(estimate([80.0, 80.0], 1e-9), scale="reciprocal", per_specimen=(),
                        components=(Component(name="m", u=0.001 * 80**2, source="x"),))  # fmt: skip
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        threshold = Threshold(40.0, None)
        judged = probability(AgainstLimit(found, threshold, "mean", 0.9, draws))
        decides = deciding(AgainstLimit(found, threshold, "mean", 0.9, draws), judged, 0.95)
        assert decides.lower == pytest.approx(1.0 / (1.0 / 40.0 - 1.644854 * 0.001), rel=1e-5)

    def test_no_value_is_accepted_where_the_doubt_is_larger_than_the_scale(self) -> None:
        found = replace(estimate([80.0, 80.0], 1e-9), scale="reciprocal", per_specimen=(),
                        components=(Component(name="m", u=0.1 * 80**2, source="x"),))  # fmt: skip
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        asked = AgainstLimit(found, Threshold(40.0, None), "mean", 0.9, draws)
        assert deciding(asked, probability(asked), 0.95).lower == INF

    def test_of_specimens_that_are_as_sure_the_one_nearest_its_limit_decides(self) -> None:
        found = estimate([5.0, 6.0, 7.0], 1e-6)
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        for limits, worst in (((1.0, None), "0"), ((None, 10.0), "2"), ((4.9, 10.0), "0")):
            threshold = Threshold(*limits)
            judged = probability(AgainstLimit(found, threshold, "every_specimen", 0.9, draws))
            decides = deciding(
                AgainstLimit(found, threshold, "every_specimen", 0.9, draws), judged, 0.95
            )
            assert decides.specimen == worst

    def test_the_tolerance_bound_is_that_of_the_published_example(self) -> None:
        """NIST/SEMATECH e-Handbook, 7.2.6.3: n = 43, 90 % at 99 %, exact k = 1.8740."""
        rng = np.random.default_rng(7)
        values = rng.normal(100.0, 2.0, 43)
        found = estimate(list(values), 1e-12)
        found = replace(found, components=tuple(c for c in found.components if c.of_specimens))
        draws = lambda _: np.random.default_rng(1)  # noqa: E731
        threshold = Threshold(90.0, None)
        judged = probability(AgainstLimit(found, threshold, "population", 0.9, draws))
        decides = deciding(AgainstLimit(found, threshold, "population", 0.9, draws), judged, 0.99)
        k = (values.mean() - decides.value) / values.std(ddof=1)
        assert k == pytest.approx(1.8740, abs=1e-4)
        assert (decides.k, decides.g) == (pytest.approx(1.8740, abs=1e-4), 0.0)


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("scatter", [0.0, 1.0])
def test_far_from_the_limit_the_confidence_stays_below_one(scatter: float, both: bool) -> None:
    common = [Part(1.0, INF)]
    assert 0.999999 < _confidence(3, scatter, 1e9, common, 0.9, both) < 1.0
    assert 0.0 < _confidence(3, scatter, -1e9, common, 0.9, both) < 1e-6


def test_what_both_have_under_one_key_subtracts_and_all_else_stands() -> None:
    own = {
        ("meter", "M"): Part(1.0, 5.0),
        ("fit", ""): Part(2.0, INF),
        ("gauge", "G"): Part(4.0, INF),
    }
    other = {
        ("meter", "M"): Part(3.0, INF),
        ("fit", ""): Part(8.0, INF),
        ("rig", "R"): Part(16.0, INF),
    }
    for one, two, dof in ((own, other, 5.0), (other, own, INF)):
        found = less_common(one, two)
        assert sorted(part.u for part in found) == [2.0, 2.0, 4.0, 8.0, 16.0]
        assert sum(part.dof == dof for part in found) >= 1


@pytest.mark.parametrize("agreed", [0.9, 0.95, 0.99])
def test_no_seed_that_was_looked_for_makes_draws_pass(agreed: float) -> None:
    """Shares of 100 000 draws at the agreed probability: three deviations, one-sided 0.135 %."""
    seen = np.random.default_rng(1).binomial(DRAWS, agreed, 200_000) / DRAWS
    assert (seen >= agreed).mean() == pytest.approx(0.5, abs=0.01)
    assert (seen >= share_needed(agreed)).mean() == pytest.approx(0.00135, abs=0.0005)


@given(st.floats(0.5, 0.999), st.integers(0, 1000))
def test_draws_show_the_agreed_from_the_share_that_is_needed_on(agreed: float, inside: int) -> None:
    drawn, limits = np.arange(1000.0), Threshold(None, inside - 0.5).limits
    shown = chance_by_draws(drawn, limits)
    assert (shown >= agreed) == (inside / 1000 >= share_needed(agreed))
    assert shown <= inside / 1000
    assert chance_by_draws(drawn, Threshold(None, 999.0).limits) == 1.0
