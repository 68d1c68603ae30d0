"""Reduction of the multi-pass test against published pairs, hand-worked runs and algebra."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from dossier.evidence.quantities.filtration import as_efficiency
from dossier.evidence.statistics.estimate import Estimate
from dossier.physics import multipass as mp

REFERENCE = Path(__file__).parents[1] / "reference"
LITRES_PER_MIN = 1e-3 / 60.0  # m3/s


def read(name):
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


HAND = read("multipass_arithmetic")
ratios = st.floats(1e-3, 1e6)
PLAIN = st.floats(-3.0, 8.0, allow_subnormal=False)  # differences below that overflow a slope
tenth_means = arrays(float, (10, 3), elements=st.floats(0.0, 1e6))
some_means = arrays(float, (10, 3), elements=st.floats(1e-2, 1e6))


def half_place(decimals):
    return 0.5000001 * 10.0**-decimals


def efficiency_of(ratio):
    """Return the efficiency that a filter of that ratio is told to have [-]."""
    return as_efficiency(Estimate(value=1.0 / ratio, u=0.0)).value


class TestEfficiency:
    @pytest.mark.parametrize(("ratio", "percent"), read("stle_tlt_2020_03")["pairs"])
    def test_published_pairs(self, ratio, percent):
        assert 100 * efficiency_of(ratio) == pytest.approx(percent, abs=half_place(1))

    @pytest.mark.parametrize(("ratio", "percent", "decimals"), read("handbook_ratio_table")["rows"])
    def test_handbook_table(self, ratio, percent, decimals):
        assert 100 * efficiency_of(ratio) == pytest.approx(percent, abs=half_place(decimals))

    def test_textbook_exercise(self):
        book = read("esposito_fluid_power")
        ratio = book["upstream"] / book["downstream"]
        assert ratio == pytest.approx(book["ratio"], abs=half_place(1))
        assert 100 * efficiency_of(ratio) == pytest.approx(book["efficiency"], abs=half_place(1))

    def test_ratio_two_is_half(self):
        # Common practice, no source.
        assert efficiency_of(2.0) == 0.5


class TestTerminalTime:
    @pytest.mark.parametrize(
        ("share", "kpa"),
        list(zip(HAND["pressure"]["shares"], HAND["pressure"]["points"], strict=True)),
    )
    def test_shares_of_net_pressure_on_a_straight_run(self, share, kpa):
        case = HAND["pressure"]
        end = case["terminal_element"] + case["housing"]
        assert end == case["final_assembly"]
        drop = np.array([case["clean_assembly"], end, 2 * end - case["clean_assembly"]])
        found = mp.terminal_time(np.array([0.0, 1000.0, 2000.0]), drop * 1e3, kpa * 1e3)
        assert found == pytest.approx(10.0 * share, rel=1e-12)

    def test_the_crossing_that_stays_counts_and_empty_rows_are_skipped(self):
        time = np.array([0.0, 60.0, 120.0, 180.0, 240.0, 300.0])
        drop = np.array([10.0, math.nan, 30.0, 20.0, math.nan, 40.0])
        assert mp.terminal_time(time, drop, 25.0) == pytest.approx(210.0)
        assert mp.terminal_time(time, drop, 35.0) == pytest.approx(270.0)

    def test_a_row_on_the_terminal_is_the_end(self):
        assert mp.terminal_time(np.array([1.0, 2.0, 3.0]), np.array([1.0, 5.0, 9.0]), 5.0) == 2.0

    @given(st.floats(0.1, 10.0), st.floats(0.1, 10.0), st.floats(1.5, 8.5))
    def test_unit_scaling(self, seconds, pascals, terminal):
        time, drop = np.arange(10.0), np.array([1, 2, 2, 4, 3, 5, 6, 7, 8, 9.0])
        plain = mp.terminal_time(time, drop, terminal)
        scaled = mp.terminal_time(time * seconds, drop * pascals, terminal * pascals)
        assert scaled == pytest.approx(plain * seconds, rel=1e-9)

    @pytest.mark.parametrize(
        ("drop", "terminal", "why"),
        [
            ([1.0, 2.0, 3.0], 3.1, "not reached"),
            ([1.0, math.nan, math.nan], 3.1, "not reached"),
            ([1.0, 6.0, 3.0], 5.0, "passed and not kept"),
            ([5.0, 6.0, 7.0], 4.0, "first reading"),
            ([5.0, 6.0, 7.0], 5.0, "first reading"),
            ([1.0, math.inf, 7.0], 5.0, "finite"),
            ([1.0, 6.0, 7.0], math.nan, "terminal"),
            ([math.nan, math.nan, math.nan], 5.0, "time"),
        ],
    )
    def test_refused(self, drop, terminal, why):
        with pytest.raises(ValueError, match=why):
            mp.terminal_time(np.array([0.0, 1.0, 2.0]), np.array(drop), terminal)

    def test_time_must_rise(self):
        with pytest.raises(ValueError, match="rise"):
            mp.terminal_time(np.array([0.0, 2.0, 1.0]), np.array([1.0, 2.0, 3.0]), 2.5)


class TestTenths:
    @given(st.integers(10, 5000), st.integers(0, 200), st.lists(st.integers(-5, 6000), min_size=1))
    def test_against_whole_numbers(self, end, skip, times):
        assume(skip < end)

        def tenth(t):
            if t <= 0 or t <= skip or t > end:
                return -1
            return next(j for j in range(10) if j * end < 10 * t <= (j + 1) * end)

        found = mp.tenths(np.array(times, dtype=float), float(end), float(skip))
        assert found.tolist() == [tenth(t) for t in times]

    def test_a_reading_within_the_first_second_counts_where_nothing_is_skipped(self):
        assert mp.tenths(np.array([0.0, 0.5, 1.0]), 20.0, 0.0).tolist() == [-1, 0, 0]

    @pytest.mark.parametrize(
        ("end", "skip"), [(0.0, 0.0), (math.nan, 0.0), (9.0, -1.0), (9.0, 9.0)]
    )
    def test_refused(self, end, skip):
        with pytest.raises(ValueError, match="time"):
            mp.tenths(np.array([1.0]), end, skip)

    def test_time_must_be_known(self):
        with pytest.raises(ValueError, match="time"):
            mp.tenths(np.array([1.0, math.nan]), 9.0, 0.0)


class TestMeans:
    @given(
        arrays(float, (40, 2), elements=st.one_of(st.just(math.nan), st.floats(0.0, 1e6))),
        arrays(np.int64, 40, elements=st.integers(-1, 9)),
    )
    def test_against_loops(self, counts, index):
        means, readings = mp.interval_means(counts, index)
        for tenth in range(10):
            for k in range(2):
                cells = [c for c, i in zip(counts[:, k], index, strict=True) if i == tenth]
                values = [c for c in cells if c == c]
                assert readings[tenth, k] == len(values)
                expected = math.fsum(values) / len(values) if values else math.nan
                assert means[tenth, k] == pytest.approx(expected, rel=1e-9, nan_ok=True)

    def test_a_zero_is_a_count_and_an_empty_cell_is_not(self):
        counts = np.array([[0.0, math.nan], [4.0, 6.0], [math.nan, math.nan]])
        means, readings = mp.interval_means(counts, np.array([0, 0, 1]))
        assert means[0].tolist() == [2.0, 6.0]
        assert np.isnan(means[1:]).all()
        assert readings[:2].tolist() == [[2, 1], [0, 0]]

    @pytest.mark.parametrize("bad", [-1.0, math.inf])
    def test_counts_refused(self, bad):
        with pytest.raises(ValueError, match="counts"):
            mp.interval_means(np.array([[bad]]), np.array([0]))

    @pytest.mark.parametrize("index", [[10], [-2], [0, 1]])
    def test_index_refused(self, index):
        with pytest.raises(ValueError, match=r"tenth|index"):
            mp.interval_means(np.array([[1.0]]), np.array(index))


class TestRatios:
    up = np.array(HAND["averaging"]["upstream"], dtype=float)[:, None]
    down = np.array(HAND["averaging"]["downstream"], dtype=float)[:, None]

    def test_overall_is_the_ratio_of_averages(self):
        case = HAND["averaging"]
        ratio, zero = mp.overall_ratio(self.up, self.down)
        assert ratio[0] == pytest.approx(case["ratio_of_means"], abs=half_place(2))
        assert not zero[0]
        assert ratio[0] < 75 < case["mean_of_ratios"]
        percent = 100 * efficiency_of(float(ratio[0]))
        assert percent == pytest.approx(case["efficiency"], abs=half_place(3))

    def test_tenths_of_the_hand_worked_run(self):
        case = HAND["averaging"]
        found, zero = mp.interval_ratios(self.up, self.down)
        assert found.min() == pytest.approx(case["lowest"], abs=half_place(2))
        assert found.max() == pytest.approx(case["highest"], abs=half_place(1))
        assert found.mean() == pytest.approx(case["mean_of_ratios"], abs=half_place(2))
        assert 1 / (1 / found).mean() == pytest.approx(case["harmonic_mean"], abs=half_place(2))
        assert not zero.any()

    def test_full_chain_from_rows_to_ratio(self):
        time = np.arange(1.0, 101.0) * 30.0
        index = mp.tenths(time, 3000.0, 120.0)
        rows = np.maximum(index, 0)
        spoilt = np.where(index[:, None] < 0, 9e9, self.down[rows])
        means, _ = mp.interval_means(spoilt, index)
        assert means == pytest.approx(self.down)

    @given(some_means, some_means, st.floats(1e-3, 1e3))
    def test_scaling_the_counts_leaves_the_ratio(self, up, down, factor):
        # Common practice, no source.
        plain, scaled = (
            mp.overall_ratio(up, down)[0],
            mp.overall_ratio(up * factor, down * factor)[0],
        )
        assert scaled == pytest.approx(plain, rel=1e-9)
        one, other = mp.interval_ratios(up, down)[0], mp.interval_ratios(up * factor, down * factor)
        assert other[0] == pytest.approx(one, rel=1e-9)

    @given(some_means, some_means)
    def test_overall_lies_between_the_tenths(self, up, down):
        each, overall = mp.interval_ratios(up, down)[0], mp.overall_ratio(up, down)[0]
        assert np.all(overall >= each.min(axis=0) * (1 - 1e-9))
        assert np.all(overall <= each.max(axis=0) * (1 + 1e-9))

    @given(some_means, tenth_means)
    def test_nothing_downstream_is_marked_and_never_infinite(self, up, down):
        down = np.where(down < 5e5, 0.0, down)
        for found, zero, lower in (
            (*mp.interval_ratios(up, down), down),
            (*mp.overall_ratio(up, down), down.sum(axis=0)),
        ):
            assert not np.isinf(found).any()
            assert np.array_equal(zero, lower == 0)
            assert np.array_equal(np.isnan(found), zero)

    def test_a_missing_mean_is_not_a_zero(self):
        up, down = np.full((10, 1), 8.0), np.full((10, 1), 2.0)
        down[3] = math.nan
        found, zero = mp.interval_ratios(up, down)
        assert math.isnan(found[3, 0])
        assert not zero.any()
        with pytest.raises(ValueError, match="downstream means"):
            mp.overall_ratio(up, down)

    def test_ten_means_are_needed(self):
        with pytest.raises(ValueError, match="ten means"):
            mp.overall_ratio(np.ones((9, 2)), np.ones((9, 2)))
        with pytest.raises(ValueError, match="shape"):
            mp.interval_ratios(np.ones((10, 2)), np.ones((10, 1)))

    @pytest.mark.parametrize("bad", [-1.0, math.inf])
    def test_refused(self, bad):
        wrong = np.full((10, 1), 1.0)
        wrong[4] = bad
        for call in (mp.overall_ratio, mp.interval_ratios):
            with pytest.raises(ValueError, match="upstream means"):
                call(wrong, np.ones((10, 1)))


class TestSizes:
    sizes = np.array(HAND["sizes"]["counted"], dtype=float)
    curve = np.array(HAND["sizes"]["ratios"], dtype=float)

    @pytest.mark.parametrize(("target", "size"), HAND["sizes"]["at_ratio"])
    def test_hand_worked_ratio(self, target, size):
        found = mp.size_reaching(self.sizes, self.curve, float(target))
        assert found.value == pytest.approx(size, abs=half_place(3))
        assert found.bound == ""

    def test_counted_points_come_back_exactly(self):
        for size, ratio in zip(self.sizes, self.curve, strict=True):
            found = mp.size_reaching(self.sizes, self.curve, float(ratio))
            assert found == (pytest.approx(size, rel=1e-12), "")

    def test_no_extrapolation(self):
        assert mp.size_reaching(self.sizes, self.curve, 1.5) == (4.0, "smaller than")
        assert mp.size_reaching(self.sizes, self.curve, 1901.0) == (14.0, "larger than")

    def test_a_dip_takes_the_last_upward_crossing(self):
        dip = mp.size_reaching(np.array([4.0, 6.0, 8.0, 10.0]), np.array([2, 80, 40, 160.0]), 75.0)
        assert dip.value == pytest.approx(8 + 2 * math.log(75 / 40) / math.log(4))
        no_dip = mp.size_reaching(np.array([4.0, 6.0, 8.0, 10.0]), np.array([2, 80, 75, 160]), 75.0)
        assert no_dip.value == pytest.approx(4 + 2 * math.log(75 / 2) / math.log(40))

    def test_a_curve_that_ends_below_is_larger_than(self):
        found = mp.size_reaching(np.array([4.0, 6.0, 8.0]), np.array([2.0, 80.0, 40.0]), 75.0)
        assert found == (8.0, "larger than")

    @given(arrays(float, 6, elements=st.floats(0.1, 1e4)), st.floats(0.2, 5e3))
    @example(np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.05]), 1.05)
    def test_from_the_size_on_the_target_is_kept(self, curve, target):
        sizes = np.array([4.0, 5.0, 7.0, 10.0, 14.0, 20.0])
        value, bound = mp.size_reaching(sizes, curve, target)
        larger = curve[sizes > value * (1 + 1e-12)]
        assert np.all(larger >= target)
        if bound == "larger than":
            assert curve[-1] < target
        elif bound == "smaller than":
            assert curve[0] > target
            assert curve.min() >= target
        else:
            level = math.exp(np.interp(value, sizes, np.log(curve)))
            assert level == pytest.approx(target, rel=1e-6)

    @given(arrays(float, (5, 4), elements=PLAIN), PLAIN)
    def test_many_curves_at_once_agree_with_one(self, curves, target):
        sizes = np.array([4.0, 6.0, 10.0, 14.0])
        many = mp.sizes_at_ratio(sizes, curves, target)
        for found, curve in zip(many, curves, strict=True):
            below = [k for k in range(4) if curve[k] < target]
            if not below:
                assert found == (sizes[0] if curve[0] == target else -math.inf)
            elif below[-1] == 3:
                assert found == math.inf
            else:
                pair = slice(below[-1], below[-1] + 2)
                assert found == pytest.approx(np.interp(target, curve[pair], sizes[pair]))

    def test_a_higher_ratio_never_needs_a_smaller_size(self):
        targets = np.geomspace(1.2, 3000.0, 60)
        found = [
            mp.sizes_at_ratio(self.sizes, np.log(self.curve)[None], math.log(t))[0] for t in targets
        ]
        assert np.all(np.array(found[1:]) >= found[:-1])

    @pytest.mark.parametrize(
        ("sizes", "curve", "target"),
        [
            ([4.0, 4.0], [2.0, 3.0], 2.5),
            ([6.0, 4.0], [2.0, 3.0], 2.5),
            ([4.0, 6.0], [2.0, math.nan], 2.5),
            ([4.0, 6.0], [2.0, math.inf], 2.5),
            ([4.0, 6.0], [0.0, 3.0], 2.5),
            ([4.0, 6.0], [2.0, 3.0], math.nan),
            ([4.0, 6.0], [2.0, 3.0], 0.0),
            ([4.0, 6.0, 8.0], [2.0, 3.0], 2.5),
            ([], [], 2.5),
        ],
    )
    def test_refused(self, sizes, curve, target):
        with pytest.raises(ValueError, match=r"size|ratio"):
            mp.size_reaching(np.array(sizes), np.array(curve), target)

    @pytest.mark.parametrize("bad", [math.nan, math.inf])
    def test_many_refused(self, bad):
        sizes = np.array([4.0, 6.0])
        with pytest.raises(ValueError, match="ratio"):
            mp.sizes_at_ratio(sizes, np.array([[0.0, bad]]), 1.0)
        with pytest.raises(ValueError, match="ratio"):
            mp.sizes_at_ratio(sizes, np.array([[0.0, 2.0]]), bad)


class TestMass:
    def test_planning(self):
        plan = HAND["planning"]
        ci, qi = plan["injection_level"] / 1e3, plan["injection_flow"] * LITRES_PER_MIN
        level = mp.base_level(ci, qi, plan["test_flow"] * LITRES_PER_MIN)
        assert level * 1e3 == pytest.approx(plan["base_level"])
        injected = mp.injected_mass(ci, qi, plan["minutes"] * 60)
        assert injected * 1e3 == pytest.approx(plan["injected"])

    @pytest.mark.parametrize("balance", HAND["capacity"]["balance"])
    def test_capacity(self, balance):
        case = HAND["capacity"]
        end = case["minutes"] * 60
        start, final = (v / 1e3 for v in case["volumes"])
        qi = mp.injection_flow(start, final, end)
        assert qi / LITRES_PER_MIN == pytest.approx(case["injection_flow"], abs=half_place(4))
        ci = sum(case["samples"]) / 2e3
        cb = mp.base_level(ci, qi, case["test_flow"] * LITRES_PER_MIN)
        assert cb * 1e3 == pytest.approx(case["base_level"], abs=half_place(2))
        injected = mp.injected_mass(ci, qi, end)
        assert injected * 1e3 == pytest.approx(case["injected"], abs=half_place(3))
        drawn = case["sample_flow"] * LITRES_PER_MIN
        level, volume = balance["final_level"] / 1e3, case["system_volume"] / 1e3
        terms, up, down = (
            mp.retained_mass(injected, level, volume, qu, qd, cb, end)
            for qu, qd in ((drawn, drawn), (drawn, 0.0), (0.0, drawn))
        )
        left = injected - terms.left_in_system
        for name, found in (
            ("left", terms.left_in_system),
            ("upstream", left - up.retained),
            ("downstream", left - down.retained),
        ):
            assert 1e3 * found == pytest.approx(balance[name], abs=half_place(4))
        assert terms.retained * 1e3 == pytest.approx(balance["retained"], abs=half_place(3))
        assert terms.injected == injected
        assert not terms.level_below_base

    @pytest.mark.parametrize(
        ("rate", "mass"),
        list(zip(read("ff_f_351")["rates"], read("ff_f_351")["masses"], strict=True)),
    )
    def test_feed_of_a_federal_specification(self, rate, mass):
        hours = read("ff_f_351")["hours"]
        found = mp.injected_mass(rate / 1e3, 1.0 / 3600.0, hours * 3600.0)
        assert found * 1e3 == pytest.approx(mass, rel=1e-9)

    def test_terms_add_up_and_one_sided_draws_stay_apart(self):
        terms = mp.retained_mass(0.05, 0.02, 0.025, 2e-6, 0.0, 0.01, 3000.0)
        assert terms.left_in_system == pytest.approx(0.02 * 0.025)
        assert terms.retained == pytest.approx(0.05 - 0.02 * 0.025 - 0.02 * 2e-6 * 3000.0)
        other = mp.retained_mass(0.05, 0.02, 0.025, 0.0, 2e-6, 0.01, 3000.0)
        assert other.retained == pytest.approx(0.05 - 0.02 * 0.025 - 0.01 * 2e-6 * 3000.0)
        assert terms.injected == other.injected == 0.05

    def test_a_level_below_base_never_raises_what_is_retained(self):
        low = mp.retained_mass(0.05, 0.0095, 0.025, 0.0, 2e-6, 0.01, 3000.0)
        assert low.level_below_base
        assert low.retained == pytest.approx(0.05 - 0.0095 * 0.025)

    def test_more_lost_than_injected_shows(self):
        assert mp.retained_mass(0.001, 0.2, 0.025, 0.0, 0.0, 0.01, 60.0).retained < 0.0

    @pytest.mark.parametrize("place", range(7))
    @pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
    def test_balance_refused(self, place, bad):
        values = [0.05, 0.02, 0.025, 2e-6, 2e-6, 0.01, 3000.0]
        values[place] = bad
        with pytest.raises(ValueError, match="must be"):
            mp.retained_mass(*values)

    @pytest.mark.parametrize("place", range(3))
    @pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 0.0])
    def test_products_refused(self, place, bad):
        values = [4.0, 4e-6, 1e-3]
        values[place] = bad
        for call in (mp.base_level, mp.injected_mass):
            with pytest.raises(ValueError, match="must be above zero"):
                call(*values)

    @pytest.mark.parametrize(
        ("start", "end", "time"),
        [(1.0, 1.0, 1.0), (1.0, 2.0, 1.0), (1.0, -0.1, 1.0), (math.nan, 0.0, 1.0), (1.0, 0.5, 0.0)],
    )
    def test_injection_flow_refused(self, start, end, time):
        with pytest.raises(ValueError, match=r"volume|time"):
            mp.injection_flow(start, end, time)
