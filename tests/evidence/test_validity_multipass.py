"""The test flow: its mean and nearly all of its rows lie inside, on both sides."""

from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity.multipass import (
    _as_read,
    _falling,
    _final_level,
    _flow,
    _injection_level,
    _reached,
    _still,
    _upstream,
)
from dossier.evidence.validity.readings import CountedSide

LIMIT = SimpleNamespace(value=0.05, agreed=0.9)


def met(*rows, stated=1.0):
    conditions = SimpleNamespace(flow=SimpleNamespace(value=stated))
    record = SimpleNamespace(entry=SimpleNamespace(stated=None),
                             table=SimpleNamespace(flow=np.array(rows)))  # fmt: skip
    return _flow(SimpleNamespace(record=record, conditions=conditions), LIMIT)[0]


def many(value, share=0.0, other=1.0):
    """A hundred rows, a share of which reads otherwise; no two are alike, as of a meter."""
    out = round(100 * share)
    rows = np.array([other] * out + [value] * (100 - out))
    return list(rows + np.linspace(-1e-4, 1e-4, 100) * rows)


@pytest.mark.parametrize(
    ("rows", "good"),
    [
        (many(1.049), True), (many(0.951), True), (many(1.051), False), (many(0.949), False),
        (many(1.0, 0.05, 1.2), True), (many(1.0, 0.06, 1.2), False), (many(1.0, 0.06, 0.8), False),
        (many(0.96, 0.05, 0.0), False), (many(1.04, 0.05, 2.0), False),
        (many(1.0, 0.10, np.nan), True), (many(1.0, 0.11, np.nan), None),
    ],
)  # fmt: skip
def test_mean_and_rows_lie_inside_on_both_sides(rows, good):
    assert met(*rows) is good


@pytest.mark.parametrize(("others", "good"), [(0, None), (4, None), (5, True)])
def test_rows_that_say_one_value_are_a_setting(others, good):
    assert met(*[1.0] * (100 - others), *np.linspace(1.001, 1.002, others)) is good


@pytest.mark.parametrize(
    ("name", "value", "told"), [("flow", 1e-3, "60 L/min"), ("temperature", 313.15, "40 °C")]
)
def test_a_setting_is_told_in_the_unit_of_a_page(name, value, told):
    record = SimpleNamespace(entry=SimpleNamespace(stated=None),
                             table=SimpleNamespace(**{name: np.full(100, value)}))  # fmt: skip
    found = _as_read(SimpleNamespace(record=record), name, LIMIT)
    assert found[0] is None
    assert found[1].startswith(f"the rows say {told} throughout")


@pytest.mark.parametrize(
    ("level", "good"), [(0.0, True), (0.049, True), (0.05, False), (-0.001, False)]
)
def test_the_final_level_lies_from_nothing_to_below_the_limit(level, good):
    conditions = SimpleNamespace(final_concentration=SimpleNamespace(value=level))
    assert _final_level(SimpleNamespace(conditions=conditions), LIMIT)[0] is good


@pytest.mark.parametrize(("noises", "good"), [(2.9, True), (3.1, False), (-3.1, True)])
@pytest.mark.parametrize("side", ["up", "down"])
def test_upstream_may_lie_below_downstream_by_noise_alone(side, noises, good):
    """By so many standard deviations of a Poisson count of 400, the other side known exactly."""
    counted = {"raw_up": 1e12, "raw_down": 1e12, f"raw_{side}": 400.0}
    low, high = (7.0 - noises * 0.05 * 7.0, 7.0) if side == "down" else (7.0, 0.0)
    if side == "up":
        high = low + noises * 0.05 * low
    result = SimpleNamespace(
        up=np.array([[low]]), down=np.array([[high]]), dispersion=np.array([1.0]),
        sizes=np.array([4.0]), **{name: np.array([value]) for name, value in counted.items()},
    )  # fmt: skip
    assert _upstream(SimpleNamespace(result=result), SimpleNamespace(value=3.0))[0] is good


@pytest.mark.parametrize(
    ("last", "good"), [(100.0, True), (104.9, True), (105.1, False), (100e3, False)]
)
def test_a_terminal_after_rows_that_do_not_rise_is_a_step(last, good):
    """Nothing is foretold of flat or falling rows but the tolerance, here a twentieth."""
    for steady in ([100.0] * 6, [106.0, 105.0, 104.0, 103.0, 102.0, 100.0]):
        time = np.arange(7) * 60.0
        table = SimpleNamespace(time=time, pressure_drop=np.array([*steady, last]))
        limit = SimpleNamespace(value=2.0, tolerance=0.05)
        result = SimpleNamespace(end_time=time[-1])
        assert _reached(SimpleNamespace(table=table, result=result), limit)[0] is good


def test_a_step_is_told_by_the_row_before_it_the_row_itself_and_what_was_foretold():
    table = SimpleNamespace(time=np.arange(7) * 60.0, pressure_drop=np.array([1e5] * 6 + [2e5]))
    limit, result = SimpleNamespace(value=2.0, tolerance=0.05), SimpleNamespace(end_time=360.0)
    told = _reached(SimpleNamespace(table=table, result=result), limit)
    words = "after 6.0 min, from 100.0 kPa to 200.0 kPa, at most 105.0 kPa foretold"
    assert told == (False, words)


@pytest.mark.parametrize(("last", "good"), [(1.1**3, True), (1.1**3 * 1.01, False)])
def test_a_terminal_is_foretold_by_the_steepest_of_the_last_rows(last, good):
    """Rows that grow by a tenth each foretell two tenths, and the last lies twice as far ahead."""
    drop = np.array([*(100.0 * 1.1 ** np.arange(6)), 0.0])
    drop[-1] = drop[-2] * last * (1.0 - 1e-9 if good else 1.0)
    table = SimpleNamespace(time=np.array([0, 1, 2, 3, 4, 5, 6.5]) * 60.0, pressure_drop=drop)
    limit = SimpleNamespace(value=2.0, tolerance=0.0)
    result = SimpleNamespace(end_time=table.time[-1])
    assert _reached(SimpleNamespace(table=table, result=result), limit)[0] is good


@pytest.mark.parametrize(
    ("start", "end", "good"),
    [(0.3, 0.3, True), (0.31, 0.29, True), (0.28, 0.32, False), (0.0, 0.0, False)],
)
def test_the_injection_levels_lie_near_their_mean_however_small(start, end, good):
    ends = SimpleNamespace(start=SimpleNamespace(value=start), end=SimpleNamespace(value=end))
    conditions = SimpleNamespace(injection_concentration=ends)
    assert _injection_level(SimpleNamespace(conditions=conditions), LIMIT)[0] is good


LOADING = 27.0 * np.exp(np.linspace(0.0, 1.8, 60))
"""A run's differential pressure in minutes [kPa]."""


@pytest.mark.parametrize("digit", [0.01, 0.1, 1.0, 5.0, 0.6895])
@pytest.mark.parametrize("noise", [0.0, 0.002])
@pytest.mark.parametrize("hours", [1, 10])
def test_a_gauge_that_is_printed_coarsely_does_not_stand_still(digit, noise, hours):
    """Nor one of three figures, whose steps grow tenfold at 100 kPa."""
    drop = np.interp(np.arange(60 * hours) / hours, np.arange(60), LOADING)
    for seed in range(20):
        read = drop * (1.0 + noise * np.random.default_rng(seed).standard_normal(len(drop)))
        figures = np.where(read < 100.0, np.round(read, 1), np.round(read))
        for printed in (np.round(read / digit) * digit, figures):
            assert not _still(np.arange(len(drop)) * 60.0, printed * 1e3)


@pytest.mark.parametrize(("rows", "told"), [(4, False), (6, True), (20, True)])
@pytest.mark.parametrize("digit", [0.01, 0.1])
def test_a_gauge_that_froze_and_leapt_is_told(rows, told, digit):
    drop = np.round(LOADING / digit) * digit
    drop[30 : 30 + rows] = drop[30]
    found = _still(np.arange(1, 61) * 60.0, drop * 1e3)
    assert bool(found) is told
    assert not told or found.startswith(f"{rows} rows of {drop[30]:.2f} kPa from 31 min on, then ")


@pytest.mark.parametrize(
    ("rows", "good"),
    [
        ([[9.6, 9.6], [2.0, 0.0]], True),
        ([[9.6, 9.5], [2.0, 2.4]], False),
        ([[np.nan, 9.5], [2.0, np.nan]], True),
        ([[20.0, 24.8], [90.0, 9.1]], True),  # 24.8, printed in tens
    ],
)
def test_no_row_counts_more_of_a_part_than_of_the_whole(rows, good):
    means = np.array([[9.0, 1.0]] * 10)
    sizes, table = np.array([20.0, 25.0]), SimpleNamespace(time=np.array([60.0, 120.0]))
    side = CountedSide("downstream", sizes, np.array(rows), 2.5, 0.0)
    held = SimpleNamespace(sides=[side], table=table,
                           result=SimpleNamespace(up=means, down=means, sizes=sizes))  # fmt: skip
    met, words = _falling(held, None)
    assert met is good
    assert good or "at 2 min: 2.4 per mL from 25 µm(c) on, and 2 per mL from 20" in words
