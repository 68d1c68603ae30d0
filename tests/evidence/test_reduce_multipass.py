"""One run, reduced: constant counts and a straight loading have closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from dossier.case.records import MultipassTable
from dossier.evidence.records.reduced import ZERO_COUNT_LIMIT, reduce_multipass
from tests.made_bench import case, entry, exact, run

approx = pytest.approx
MINUTES = np.arange(0.0, 101.0)
LIMITS = exact()
CONDITIONS = {
    "flow": "60 L/min", "temperature": "40 degC", "injection_flow": "0.25 L/min",
    "injection_concentration": {"start": "1000 mg/L", "end": "1200 mg/L"},
    "housing_pressure_drop": "10 kPa", "terminal_pressure_drop": "90 kPa",
    "sample_volume": "20 mL", "dilution": {"upstream": 10.0, "downstream": 2.0},
}  # fmt: skip


def table(up=(400.0, 100.0), down=(20.0, 4.0), **changes):
    """Counts that never change, and a drop that rises by 1 kPa a minute: it ends at 100 kPa."""
    ones = np.ones((len(MINUTES), 1))
    made = MultipassTable(
        time=60.0 * MINUTES, pressure_drop=1e3 * MINUTES, flow=None, temperature=None,
        sizes=np.array([10.0, 20.0]), upstream=ones * up, downstream=ones * down,
    )  # fmt: skip
    return replace(made, **changes)


def reduced(of=None, **conditions):
    given = {k: v for k, v in (CONDITIONS | conditions).items() if v is not None}
    made = case([entry(run(), conditions=given)], {"M1": of or table()})
    return reduce_multipass(made, made.records[0], LIMITS)


READINGS = 100 - LIMITS.first_minutes
"""A reading a minute, the first minutes left out."""


def test_ratio_and_raw_counts_are_those_of_what_was_seen():
    found = reduced()
    assert found.ratio == approx([20.0, 25.0])
    assert found.interval_ratio == approx(np.tile([20.0, 25.0], (10, 1)))
    assert (found.counted_up, found.counted_down) == approx((2.0, 10.0))  # mL of undiluted oil
    # Of even tenths the equivalent count is what was counted; the first tenth is shorter.
    shares = np.array([10.0 - LIMITS.first_minutes, *[10.0] * 9])
    wanted = 100.0 / (1.0 / shares).sum() * np.array([400.0, 100.0]) * 2.0
    assert found.raw_up == approx(wanted)
    assert found.raw_down == approx(wanted / np.array([20.0, 25.0]) * 5.0)
    assert found.exposure == approx([5.0, 5.0])
    assert found.raw_up / found.raw_down * found.exposure == approx(found.ratio)


def test_nothing_seen_downstream_is_a_bound_on_what_was_watched():
    found = reduced(table(down=(20.0, 0.0)))
    assert found.zero_downstream.tolist() == [False, True]
    # None of an expected 3.00 (Garwood, 95 %) in five times the volume watched upstream.
    assert found.exposure[1] == approx(5.0)
    assert found.ratio[1] == approx(found.raw_up[1] * 5.0 / -math.log(0.05))
    assert approx(-math.log(0.05)) == ZERO_COUNT_LIMIT


def test_the_run_ends_where_the_element_reaches_its_terminal_drop():
    found = reduced()
    assert found.end_time == approx(100 * 60.0)
    assert reduced(housing_pressure_drop="0 kPa").end_time == approx(90 * 60.0)
    assert (found.housing, found.terminal) == approx((10e3, 90e3))


def test_mass_is_level_times_flow_times_time():
    found = reduced()
    rate = 1.1 * 0.25e-3 / 60.0
    assert found.injected == approx(rate * 6000.0)
    assert found.mass == approx(rate * 60.0 * MINUTES)
    assert found.base_level == approx(1.1 * 0.25 / 60.0, rel=1e-3)


def test_read_volumes_come_before_the_stated_flow():
    found = reduced(injection_volume={"start": "60 L", "end": "30 L"})
    assert found.injection_flow == approx(0.030 / 6000.0)


def test_rows_after_the_end_count_in_nothing():
    late = np.linspace(0.0, 120.0, 121)
    ones = np.ones((121, 1))
    up = np.where(late[:, None] > 100.0, 9e9, ones * (400.0, 100.0))
    long = table(time=60.0 * late, pressure_drop=1e3 * late, upstream=up,
                 downstream=ones * (20.0, 4.0))  # fmt: skip
    assert reduced(long).ratio == approx([20.0, 25.0])
    assert len(reduced(long).mass) == 101


def test_a_gap_on_one_side_is_one_on_both():
    gap = np.tile([20.0, 4.0], (101, 1))
    gap[50:55] = math.nan
    up = np.tile([400.0, 100.0], (101, 1))
    up[50:55] = 9e9
    found = reduced(table(upstream=up, downstream=gap))
    assert found.ratio == approx([20.0, 25.0])
    assert found.readings[4:7, 0].tolist() == [9, 6, 10]  # the row at 50 min ends the fifth
    assert found.dispersion == approx([0.0, 0.0])  # the rows left do not scatter at all
    wild = np.tile([20.0, 4.0], (101, 1))
    wild[50:55] = [[200.0], [20.0], [200.0], [20.0], [200.0]]
    blank = np.where(up > 1e6, math.nan, up)
    assert reduced(table(upstream=blank, downstream=wild)).dispersion == approx([0.0, 0.0])
    gap[:] = math.nan
    with pytest.raises(ValueError, match="no reading"):
        reduced(table(downstream=gap))


def test_counts_that_scatter_more_than_counting_are_over_dispersed():
    swing = np.tile([20.0, 4.0], (101, 1))
    swing[::2, 0] += 10.0
    found = reduced(table(downstream=swing))
    # Neighbours of 200 and 300 raw counts: 100 squared over their sum.
    assert found.dispersion == approx([100.0**2 / 500.0, 0.0])


def test_the_balance_takes_off_what_stayed_and_what_was_drawn():
    stayed = {"final_concentration": {"value": "10 mg/L"}, "system_volume": {"value": "100 L"}}
    drawn = {"upstream": "0.1 L/min", "downstream": "0.1 L/min"}
    assert reduced(**stayed).balance is None  # not known is not zero
    plain = reduced(**stayed, sample_flow={"upstream": "0 L/min", "downstream": "0 L/min"}).balance
    assert plain.left_in_system == approx(10e-3 * 0.1)
    assert plain.retained == approx(plain.injected - 1e-3)
    sampled = reduced(**stayed, sample_flow=drawn).balance
    drawn_off = 10e-3 * 0.1e-3 * 100.0
    assert plain.retained - 2 * drawn_off < sampled.retained <= plain.retained - drawn_off
    assert reduced().balance is None
    assert "final concentration" in reduced().missing_balance
    assert reduced(final_concentration={"value": "10 mg/L"}).balance is None


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        ({"housing_pressure_drop": None}, "condition of the record is missing"),
        ({"terminal_pressure_drop": None}, "must be above zero"),
        ({"terminal_pressure_drop": "0 kPa"}, "must be above zero"),
        ({"sample_volume": None}, "sample volume"),
        ({"injection_concentration": None}, "no injection concentration"),
        ({"injection_flow": None}, "condition of the record is missing"),
        ({"flow": None}, "condition of the record is missing"),
    ],
)
def test_what_is_missing_is_said(conditions, said):
    with pytest.raises(ValueError, match=said):
        reduced(**conditions)
