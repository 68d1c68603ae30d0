"""Readings that are lacking, counted by hand: rows that are gone count as rows that are empty."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson, ranksums

from dossier.evidence.quantities import all_quantities
from dossier.evidence.validity.multipass import _alive
from dossier.evidence.validity.readings import (
    SPREAD,
    TELLING,
    CountedSide,
    _chances,
    _coarse,
    _plateaus,
    _present,
    _rank_chance,
    _rounding,
    _step,
    _whole,
)
from dossier.physics.values import last_digit, printed_digits, printed_step

LIMIT = SimpleNamespace(value=0.9)
TIME = np.arange(1, 101) * 60.0
"""A run of a hundred minutes, ten rows in each tenth [s]."""


def present(gone):
    """Return what is said of a run without some of its rows, counted from 1."""
    kept = ~np.isin(np.arange(1, 101), [*gone])
    rows = kept.reshape(10, 10).sum(axis=1)
    result = SimpleNamespace(end_time=6000.0, readings=np.repeat(rows[:, None], 3, axis=1))
    return found_in(TIME[kept], result)


def found_in(time, result, skip=0.0):
    """Return what is said of a run whose first `skip` [s] count in no tenth."""
    held = SimpleNamespace(table=SimpleNamespace(time=time), result=result,
                           limits=SimpleNamespace(first_minutes=skip / 60.0))  # fmt: skip
    return _present(held, LIMIT)


@pytest.mark.parametrize(
    ("gone", "met", "words"),
    [
        ([], True, "100% of the readings present; fewest in tenth 1, 10 of 10"),
        ([45], True, "99% of the readings present; fewest in tenth 5, 9 of 10"),
        ([45, 46], False, "98% of the readings present; fewest in tenth 5, 8 of 10"),
        ([1, 2, 3], False, "97% of the readings present; fewest in tenth 1, 7 of 10"),
        (range(5, 100, 10), True, "90% of the readings present; fewest in tenth 1, 9 of 10"),
        ([*range(5, 100, 10), 96], False, "89% of the readings present"),
        (range(21, 81), False, "40% of the rows present"),
        (range(42, 100), False, "42% of the rows present"),
    ],
)
def test_rows_that_are_gone_are_lacking_where_they_stood(gone, met, words):
    found = present(gone)
    assert (found[0], words in found[1]) == (met, True), found[1]


def test_a_run_may_begin_with_a_row_at_time_zero():
    """Every later row is where it was, one place further on."""
    time = np.concatenate([[0.0], TIME])
    result = SimpleNamespace(end_time=6000.0, readings=np.full((10, 3), 10))
    assert found_in(time, result, 30.0)[0] is True


def test_one_reading_may_be_lacking_in_a_short_tenth_but_not_in_each():
    """Five rows in each tenth, and twenty, of which a tenth may be lacking."""
    for number, gone, met in (
        (5, [2], True), (5, range(2, 50, 5), False), (20, [7, 8], True), (20, [7, 8, 9], False),
    ):  # fmt: skip
        times = np.delete(np.arange(1, 10 * number + 1) * 600.0 / number, [*gone])
        rows = np.bincount(np.ceil(times / 600.0).astype(int) - 1)
        result = SimpleNamespace(end_time=6000.0, readings=rows[:, None])
        assert found_in(times, result)[0] is met


def test_where_most_rows_are_gone_their_share_of_all_places_is_told():
    result = SimpleNamespace(end_time=600.0)
    found = found_in(TIME[[0, 1, 2, 9]], result)
    assert found == (False, "40% of the rows present")


def test_a_first_row_that_is_late_by_rounding_has_none_before_it():
    result = SimpleNamespace(end_time=6001.0, readings=np.full((10, 1), 10))
    found = found_in(TIME + 1e-5, result)
    assert found[1].startswith("100% of the readings present")


def test_the_fewest_readings_are_told_by_the_share_of_those_wanted():
    """Nine of the ten rows of the first tenth count in none; of the fifth, two are lacking.

    Of another size none is: that which has the fewest is told.
    """
    kept = ~np.isin(np.arange(1, 101), [45, 46])
    rows = np.array([1, 10, 10, 10, 8, 10, 10, 10, 10, 10])
    result = SimpleNamespace(
        end_time=6000.0, readings=np.column_stack([np.maximum(rows, 10), rows])
    )
    found = found_in(TIME[kept], result, 550.0)
    assert "fewest in tenth 5, 8 of 10" in found[1]


@pytest.mark.parametrize(
    ("off", "volume", "met"), [(0.0, 0.5, True), (0.4, 1.0, False), (-0.4, 1.0, False)]
)
def test_counts_above_and_below_whole_particles_are_told(off, volume, met):
    counts = (np.arange(3.0, 43.0)[:, None] + off) / volume
    side = CountedSide("upstream", np.array([4.0]), counts, volume, 0.0)
    found = _whole(SimpleNamespace(sides=[side], demands=()), None)
    assert found[0] is met
    assert ("40 values are no whole number" in found[1]) is not met


@pytest.mark.parametrize("k", [0, 1])
@pytest.mark.parametrize("seed", range(5))
def test_gaps_are_witnessed_by_their_neighbours_and_by_the_next_size(k, seed):
    """Both witnesses a second time, by a plain loop; cells of the other size are empty as well."""
    rng = np.random.default_rng(seed)
    counts = rng.uniform(10.0, 90.0, (24, 2))
    counts[[0, 5, 6, 11, 17, 23], k] = np.nan
    counts[[3, 12, 17], 1 - k] = np.nan
    own, other = counts[:, k], counts[:, 1 - k]
    beside, used, off, plain = [], set(), [], []
    full = [row for row in range(24) if not np.isnan(own[row])]
    for row in range(24):
        if np.isnan(own[row]) and (row == 0 or not np.isnan(own[row - 1])):
            ends = [max((r for r in full if r < row), default=full[0]),
                    min((r for r in full if r > row), default=full[-1])]  # fmt: skip
            beside.append(own[ends].mean())
            used |= set(ends)
    for row in range(1, 23):
        moved = other[row] - 0.5 * (other[row - 1] + other[row + 1])
        if not np.isnan(moved):
            (off if np.isnan(own[row]) else plain).append(moved)
    others = [own[row] for row in full if row not in used]
    assert [*_chances(counts, k)] == pytest.approx(
        [_rank_chance(np.array(a), np.array(b)) for a, b in ((beside, others), (off, plain))]
    )


@pytest.mark.parametrize("number", [0, 1, 5, 500])
def test_ranks_of_values_with_nothing_beside_them_are_sure(number):
    values, none = np.arange(float(number)), np.array([])
    assert _rank_chance(values, none) == _rank_chance(none, values) == 1.0


@pytest.mark.parametrize(("m", "n"), [(9, 30), (40, 60), (3, 500)])
@pytest.mark.parametrize("shift", [0.0, 0.7, -2.0])
def test_ranks_of_many_values_are_judged_by_the_normal_law(m, n, shift):
    """By another library: the rank sum by its normal distribution, without a correction."""
    rng = np.random.default_rng(m)
    some, others = rng.standard_normal(m) + shift, rng.standard_normal(n - m)
    assert _rank_chance(some, others) == pytest.approx(ranksums(some, others).pvalue, rel=1e-9)


@pytest.mark.parametrize("end", [max, min])
@pytest.mark.parametrize(("ties", "met"), [(1, True), (2, True), (12, False)])
def test_values_that_repeat_at_an_end_are_no_counting(end, ties, met):
    """Of a hundred counts of 10 000, 0.4 are expected at one value."""
    column = 10_000.0 + np.random.default_rng(1).permutation(np.arange(-50.0, 50.0)) * 3.0
    far = np.argsort(column)[-ties:] if end is max else np.argsort(column)[:ties]
    column[far] = end(column)
    side = CountedSide("upstream", np.array([4.0]), column[:, None], 1.0, 0.0)
    found = _plateaus(SimpleNamespace(sides=[side], demands=()), None)
    assert found[0] is met
    assert (f"{ties} readings of just {end(column):.10g} per mL" in found[1]) is not met


@pytest.mark.parametrize(("short", "met"), [(3.0, True), (5.0, False)])
def test_less_than_the_next_smaller_size_foretells_is_dead_beyond_counting(short, met):
    """Of 40 000 counts at 5 um(c), a power of one foretells 20 000 at 10 um(c).

    Chance alone is three standard deviations short in one case of 741, five in one of 3.5 million
    (normal law).
    """
    least = 20_000.0 - short * np.sqrt(20_000.0)
    result = SimpleNamespace(
        sizes=np.array([5.0, 10.0]), raw_up=np.array([1e6, 1e6]), exposure=np.ones(2),
        raw_down=np.array([40_000.0, least]),
    )  # fmt: skip
    sides = [None, CountedSide("downstream", result.sizes, np.ones((9, 2)), 1.0, 0.0)]
    held = SimpleNamespace(result=result, sides=sides)
    assert _alive(held, SimpleNamespace(value=1.0))[0] is met


@pytest.mark.parametrize(
    ("foretold", "counted", "met"), [(71, 0, False), (69, 0, True), (71, 1, True)]
)
def test_a_channel_that_stops_is_told(foretold, counted, met):
    """Of eight particles at 5 um(c) one is counted at 10 um(c), and none in two rows of fifty."""
    down = np.full((50, 2), [8.0 * foretold, foretold])
    down[7:9, 1], down[20:22, 1] = (0, counted), (2 * foretold, 2 * foretold - counted)
    result = SimpleNamespace(
        sizes=np.array([5.0, 10.0]), raw_up=down.sum(axis=0), exposure=np.ones(2),
        raw_down=down.sum(axis=0),
    )  # fmt: skip
    sides = [None, CountedSide("downstream", result.sizes, down / 2.5, 2.5, 0.0)]
    found = _alive(SimpleNamespace(result=result, sides=sides), SimpleNamespace(value=9.0))
    assert found[0] is met
    assert (f"at 10 µm(c) for so long that {2 * foretold} are" in found[1]) is not met


def judged(values, volume, rounded=0.0):
    side = CountedSide("upstream", np.array([4.0]), np.asarray(values)[:, None], volume, rounded)
    return _whole(SimpleNamespace(sides=[side], demands=()), None)


@pytest.mark.parametrize("volume", [0.3, 0.4, 0.45, 0.7, 3.0, 8.0, 25.0, 1 / 3])
@pytest.mark.parametrize("places", range(-1, 7))
def test_whole_particles_printed_to_any_digits_are_never_told(volume, places):
    """The volume is printed to three digits as well; of 8 mL, 0.125 lies between two hundredths."""
    stated = round(volume, 3)
    found = judged(np.round(np.arange(1.0, 2001.0) / volume, places), stated, _rounding(stated))
    assert "no whole number" not in found[1]


def test_a_tenth_of_a_particle_is_told_beside_thirty_million():
    """Values of 1/mL with seven decimals leave 0.00000005 of it open."""
    found = judged(3e7 + np.arange(20.0) + 0.1, 1.0)
    assert "20 values are no whole number of particles" in found[1]


@pytest.mark.parametrize(("number", "step"), [(19, 0.0), (20, 0.25)])
def test_a_step_is_told_by_twenty_values_among_which_nothing_is_none(number, step):
    counts = np.append(np.zeros(5), np.arange(1.0, number + 1.0) * 0.25)
    assert _step(counts) == pytest.approx(step)


@pytest.mark.parametrize(("number", "met"), [(19, "does not apply"), (20, True)])
def test_values_that_tell_are_counted_and_empty_ones_are_none(number, met):
    """Odd numbers of particles in 8 mL, which take three digits."""
    found = judged(np.append(np.arange(1.0, 2.0 * number, 2.0) / 8.0, [0.0] * 50), 8.0)
    assert (found[0], found[1] == f"{number} values, all whole") == (met, met is True)


@pytest.mark.parametrize(("share", "met"), [(0.999, False), (1.001, "does not apply")])
def test_a_value_tells_where_its_digits_leave_less_than_a_third_of_a_particle_open(share, met):
    """Half a particle off, in odd numbers printed to the last digit of one."""
    volume = 2.0 * TELLING * share
    values = np.arange(3.0, 200.0, 2.0)
    off = np.abs(values * volume - np.rint(values * volume)) > 0.5 * volume
    found = judged(values, volume)
    assert found[0] == met
    first = values[off][0]
    words = f"{off.sum()} values are no whole number of particles, such as {first:g} per mL"
    assert (words in found[1]) is (met is False)
    assert (f"which stands for {first * volume:.2f}" in found[1]) is (met is False)


def test_counts_of_an_unknown_volume_tell_nothing():
    assert judged(np.arange(1.0, 81.0, 2.0) / 8.0, 0.0)[0] == "does not apply"


@pytest.mark.parametrize(("step", "met"), [(1.0, True), (2.0, False)])
def test_counts_that_are_multiples_of_more_than_one_particle_are_told(step, met):
    found = judged(np.arange(1.0, 41.0) * step / 8.0, 8.0)
    assert found[0] == met
    words = "multiples of 0.25 per mL, where one particle stands for 0.125 per mL"
    assert (words in found[1]) is not met


VOLUME = 2.5
"""What is counted of a sample of 25 mL, diluted ten times [mL]."""


def rounded_away(mean, digit, size=20.0, asked=({"size": 20.0},), quantity="efficiency"):
    """Hold counts of `mean` particles in steps of `digit` [1/mL] against what is asked."""
    small = np.random.default_rng(1).poisson(40_000, 400)
    raw = np.random.default_rng(2).poisson(mean, 400)
    counts = np.column_stack([small, raw]) / VOLUME
    counts = np.rint(counts / digit) * digit
    side = CountedSide("downstream", np.array([5.0, size]), counts, VOLUME, 0.0)
    demands = [SimpleNamespace(quantity=all_quantities()[quantity], at=at) for at in asked]
    return _coarse(SimpleNamespace(sides=[side], demands=demands))


def test_a_row_with_more_digits_does_not_hide_that_the_others_are_rounded():
    raw = np.random.default_rng(2).poisson(1.0, (400, 1)) / VOLUME
    counts = np.rint(raw)
    counts[7] = 0.4
    side = CountedSide("downstream", np.array([20.0]), counts, VOLUME, 0.0)
    asked = SimpleNamespace(quantity=all_quantities()["efficiency"], at={"size": 20.0})
    assert "steps of 1 per mL" in _coarse(SimpleNamespace(sides=[side], demands=[asked]))


@pytest.mark.parametrize("steps", [2.5, 5.0, 25.0])
def test_counts_that_scatter_over_the_printed_steps_keep_their_mean(steps):
    """By the law of Poisson: the mean of what is printed, in particles."""
    least = (SPREAD * steps) ** 2
    every = np.arange(0, int(2 * least) + 200)
    for mean in np.geomspace(least, 2 * least, 20):
        printed = steps * np.rint(every / steps)
        assert poisson.pmf(every, mean) @ printed == pytest.approx(mean, rel=0.01)
    few = poisson.pmf(every, 0.2) @ printed
    assert few < 0.1


@pytest.mark.parametrize(
    ("mean", "digit", "told"),
    [(1.0, 1.0, True), (3.5, 1.0, True), (5.0, 1.0, False), (1.0, 0.1, False), (0.01, 1.0, True),
     (40.0, 10.0, True), (900.0, 10.0, False)],
)  # fmt: skip
def test_counts_that_their_printing_rounds_away_are_told(mean, digit, told):
    found = rounded_away(mean, digit)
    assert bool(found) is told
    assert not told or f"20 µm(c): printed in steps of {digit:g} per mL" in found


@pytest.mark.parametrize(
    ("size", "asked", "quantity", "told"),
    [
        (20.0, ({"size": 5.0},), "efficiency", False), (20.0, (), "efficiency", False),
        (20.0, ({"size": 5.0}, {"size": 6.0}), "efficiency", True),  # read between 5 and 20
        (20.0, ({},), "size_at_efficiency", True), (20.0, ({},), "retained_capacity", False),
        (20.0, ({},), "turnover_time", False), (20.0, ({},), "sump_cleanliness", True),
    ],
)  # fmt: skip
def test_only_sizes_that_something_asks_for_have_to_be_printed_well(size, asked, quantity, told):
    assert bool(rounded_away(0.5, 1.0, size, asked, quantity)) is told


@given(st.lists(st.tuples(st.integers(1, 999_999), st.integers(-8, 1)), min_size=1))
def test_the_last_digit_is_the_one_that_is_printed_last(printed):
    """A whole number that does not end in a nought, times a power of ten."""
    odd = [(n if n % 10 else n + 1, power) for n, power in printed]
    values = np.array([float(f"{n}e{power}") for n, power in odd])
    wanted = [10.0**power for _, power in odd]
    np.testing.assert_allclose(last_digit(values), wanted, rtol=1e-12)
    np.testing.assert_allclose(last_digit(-values[None, :]), [wanted], rtol=1e-12)
    assert last_digit(np.array([0.0, 3e-9])).tolist() == [1e-9, 1e-9]


@given(
    st.sampled_from([1.0, 1e3, 6894.757293168361, 133.322387415, 1.0 / 6e4, 3.785411784e-3 / 60.0]),
    st.sampled_from([0.01, 0.1, 1.0, 5.0]), st.integers(0, 2**31),
)  # fmt: skip
def test_the_step_of_printing_is_found_in_any_unit(unit, step, seed):
    """Units of pressure and flow by their definitions: kPa, psi, mmHg, L/min, US gal/min."""
    steps = np.random.default_rng(seed).integers(1, 20_000, 30)
    values = steps * step * unit
    common = max(math.gcd(*map(int, steps[k::3])) for k in range(3))
    assert printed_step(values) == pytest.approx(common * step * unit, rel=1e-9)
    if common == 1 and step < 5.0 and unit >= 1.0:  # as of pressures
        digits = last_digit(steps * step) * unit
        np.testing.assert_allclose(printed_digits(values), digits, rtol=1e-9)
    altered = values * np.where(np.arange(30) % 29, 1.0, 1.0 + 1e-6)  # the first and the last
    assert printed_step(altered) >= 0.99 * step * unit
