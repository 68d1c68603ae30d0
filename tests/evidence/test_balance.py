"""The particle balance by its closed form: what counting and the counters' ratio can explain."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity import balance
from dossier.evidence.validity.balance import (
    BLURRED,
    DOUBTFUL,
    SURE,
    TOGETHER,
    VAGUE,
    _apart,
    _by_trend,
    _counting,
    _doubt,
    _quotients,
    _Slope,
    _slope,
)


@pytest.mark.parametrize("side", ["up", "down"])
@pytest.mark.parametrize(("share", "judged"), [(0.9, True), (1.1, False)])
def test_a_size_is_judged_where_the_counting_of_all_its_readings_is_small(
    side, share, judged, monkeypatch
):
    """Ten tenths of nine readings; the other side is counted without noise."""
    monkeypatch.setattr(balance, "_settled", lambda *_: np.arange(10))
    monkeypatch.setattr(balance, "_once_through", lambda *_: 70.0)
    counts = {"up": 100.0, "down": 30.0}
    # of the mean: sqrt(10 N / (9 V)) / 10 = share of a twentieth of 70
    volume = counts[side] / (90.0 * (share * 0.05 * 70.0) ** 2)
    counted = {"counted_up": 1e12, "counted_down": 1e12, f"counted_{side}": volume}
    result = SimpleNamespace(
        sizes=[10.0], readings=np.full((10, 1), 9),
        **{name: np.full((10, 1), value) for name, value in counts.items()}, **counted,
    )  # fmt: skip
    found = _quotients(None, result)
    assert (found.quotients, found.few) == (({10.0: 1.0}, []) if judged else ({}, [10.0]))


@pytest.mark.parametrize(("number", "judged"), [(3, False), (4, True)])
def test_a_size_is_judged_by_four_tenths_in_which_the_loop_has_settled(number, judged, monkeypatch):
    monkeypatch.setattr(balance, "_settled", lambda *_: np.arange(10 - number, 10))
    monkeypatch.setattr(balance, "_once_through", lambda *_: 70.0)
    result = SimpleNamespace(
        sizes=[10.0], readings=np.full((10, 1), 9), up=np.full((10, 1), 100.0),
        down=np.full((10, 1), 30.0), counted_up=1e12, counted_down=1e12,
    )  # fmt: skip
    found = _quotients(None, result)
    assert (found.quotients, found.steep) == (({10.0: 1.0}, []) if judged else ({}, [10.0]))


RECORD = SimpleNamespace(entry=SimpleNamespace(conditions=SimpleNamespace(dust=None)))


def apart(quotient, penetration, free=0.0, u=0.1, sure=2.0):
    """Hold a run against one whose dust is exact: both hold back 20 um(c), one passes 5 um(c)."""
    limit = SimpleNamespace(tolerance=0.0, agreed=free, value=sure)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(balance, "ratio_accuracy", lambda *_: SimpleNamespace(u=u))
        other = {5.0: (quotient, penetration), 20.0: (1.0, 0.0)}
        own = {5.0: (1.0, 0.0), 20.0: (1.0, 0.0)}
        return _apart(None, None, limit, RECORD, RECORD, own, other)


@pytest.mark.parametrize("penetration", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("free", [0.0, 0.3])
@pytest.mark.parametrize("sign", [-1, 1])
def test_an_error_of_the_counters_ratio_moves_a_quotient_by_what_passes(penetration, free, sign):
    explained = math.hypot(free, 2.0 * 0.1 * penetration / (1.0 - penetration))
    assert apart(math.exp(0.99 * sign * explained), penetration, free) is None
    found = apart(math.exp(1.01 * sign * explained), penetration, free)
    assert found == pytest.approx((5.0, explained))


def test_counting_blurs_the_mean_of_a_tenth_by_what_its_readings_counted():
    """Of N per mL in nine readings of V mL, the mean has the variance N / (9 V)."""
    result = SimpleNamespace(
        up=np.array([[80.0], [100.0]]), down=np.array([[8.0], [12.0]]), readings=np.full((2, 1), 9),
        counted_up=2.5, counted_down=25.0,
    )  # fmt: skip
    found = _counting(result, np.array([0, 1]), 0)
    assert found == pytest.approx((90.0 / (9 * 2.5), 10.0 / (9 * 25.0)))


@pytest.mark.parametrize(
    ("batches", "free"),
    [(("77", "77"), 0.1), (("77", "78"), 0.3), (("", ""), 0.3), (("77", ""), 0.3)],
)
def test_only_runs_of_one_batch_are_held_to_what_one_dust_varies_by(batches, free, monkeypatch):
    """The counters err by nothing here: all that two runs may differ by is what the dust may."""
    limit = SimpleNamespace(tolerance=0.1, agreed=0.3, value=2.0)
    monkeypatch.setattr(balance, "ratio_accuracy", lambda *_: SimpleNamespace(u=0.0))
    runs = [
        SimpleNamespace(entry=SimpleNamespace(conditions=SimpleNamespace(
            dust=SimpleNamespace(kind="ISO 12103-1 A3", known_batch=batch))))
        for batch in batches
    ]  # fmt: skip
    shapes = [{5.0: (math.exp(x), 0.5), 20.0: (1.0, 0.0)} for x in (1.01 * free, 0.0)]
    assert _apart(None, None, limit, *runs, *shapes) == pytest.approx((5.0, free))
    shapes[0][5.0] = (math.exp(0.99 * free), 0.5)
    assert _apart(None, None, limit, *runs, *shapes) is None


@pytest.mark.parametrize(("kind", "met"), [("ISO 12103-1, A3", True), ("A2 of some maker", False)])
def test_another_dust_is_known_by_its_own_counts(kind, met):
    stated = SimpleNamespace(kind=kind, source="a table")
    held = SimpleNamespace(conditions=SimpleNamespace(dust=stated))
    assert balance._dust(held, None)[0] is met
    held.conditions.dust = None
    assert balance._dust(held, None)[0] is None


DOWN = np.array([5.0, 9.0, 4.0, 12.0, 11.0, 16.0, 14.0, 21.0])
"""A filter that lets more and more pass, counted in eight tenths [1/mL]."""
INJECTED = np.array([98.0, 101.0, 99.0, 102.0, 97.0, 103.0, 101.0, 99.0])


def sloped(tenths=8, drift=0.0, slope=1.2, level=80.0, counted=1e12, off=0.0, down=DOWN, held=2.0):
    """Fit upstream counts that rise by `slope` with those downstream, `off` by turns."""
    down = down[:tenths]
    up = level * INJECTED[:tenths] / INJECTED[:tenths].mean() + slope * down
    up += off * np.array([1.0, -1.0] * 4)[:tenths]
    result = SimpleNamespace(
        sizes=np.array([10.0, 20.0]), readings=np.full((tenths, 2), 9),
        up=np.column_stack([up, INJECTED[:tenths] + 2.0]), counted_up=counted,
        down=np.column_stack([down, np.full(tenths, 2.0)]), counted_down=counted,
    )  # fmt: skip
    result.down[3, 1] = held
    return _slope(result, 0, 1, np.arange(tenths), drift)


@pytest.mark.parametrize("slope", [1.2, -0.4])
@pytest.mark.parametrize("level", [80.0, -30.0])
def test_a_slope_without_noise_is_found_and_the_injection_may_drift(slope, level):
    found = sloped(slope=slope, level=level, drift=0.03)
    assert (found.size, found.value, found.steady) == pytest.approx((10.0, slope, slope))
    assert found.half == pytest.approx(0.03 * abs(level) / 17.0, rel=1e-4)
    assert found.u == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("slope", [1.2, -0.4])
def test_the_width_of_a_slope_is_that_of_counting(slope):
    """Squares of two terms, added up by hand; what counting blurs is a share of the slope."""
    counted, up = 40.0, 80.0 * INJECTED / INJECTED.mean() + slope * DOWN
    x = INJECTED / INJECTED.mean()
    variance = (up.mean() + slope**2 * DOWN.mean() + 0.8**2 * 104.0) / (9 * counted)
    squares = (x @ x) * (DOWN @ DOWN) - (x @ DOWN) ** 2
    blurred = DOWN.mean() / (9 * counted) / DOWN.var()
    found = sloped(slope=slope, counted=counted)
    wanted = SURE * math.sqrt(variance * (x @ x) / squares) + blurred * abs(slope)
    assert found.half == pytest.approx(wanted)
    assert found.u > 0.01
    assert sloped(slope=slope, counted=4.0 * counted).u == pytest.approx(0.5 * found.u)


def test_the_width_of_a_slope_is_that_of_its_residuals_where_they_are_larger():
    """Two figures are fitted to eight tenths: six degrees of freedom."""
    terms = np.column_stack([INJECTED / INJECTED.mean(), DOWN])
    off = np.array([1.0, -1.0] * 4)
    line, (left,), *_ = np.linalg.lstsq(terms, off)
    found = sloped(off=1.0)
    assert found.value == pytest.approx(1.2 + line[1])
    spread = np.linalg.inv(terms.T @ terms)[1, 1] * left / 6.0
    assert found.half == pytest.approx(SURE * math.sqrt(spread), rel=1e-4)
    time = np.arange(8.0) - 3.5
    through = np.linalg.inv(np.array([[x @ y for y in terms.T] for x in (terms[:, 0], time)]))
    assert found.steady == pytest.approx(1.2 + through[1] @ [terms[:, 0] @ off, time @ off])


@pytest.mark.parametrize(
    ("how", "shows"),
    [
        ({"tenths": 6}, True),
        ({"tenths": 5}, False),
        ({"down": np.full(8, 3.0)}, False),
        ({"down": DOWN / 40.0}, True),
        ({"held": 104.0}, False),
        ({"counted": DOWN.mean() / (9 * 1.01 * BLURRED * DOWN.var())}, False),
        ({"counted": DOWN.mean() / (9 * 0.99 * BLURRED * DOWN.var())}, True),
    ],
)
def test_a_slope_takes_six_tenths_that_differ_by_more_than_counting(how, shows):
    assert (sloped(**how) is not None) is shows


def test_where_the_terms_are_their_own_instruments_the_slope_is_that_of_least_squares():
    terms = np.column_stack([INJECTED / 100.0, DOWN])
    up = 70.0 * terms[:, 0] + 0.7 * DOWN
    slope, u = _by_trend(terms, terms, up, 0.5)
    assert slope == pytest.approx(0.7)
    assert u == pytest.approx(math.sqrt(0.5 * np.linalg.inv(terms.T @ terms)[1, 1]))


def doubt(*slopes):
    return _doubt([_Slope(10.0, math.nan, math.nan, steady, u) for steady, u in slopes])


@pytest.mark.parametrize("off", [-0.001, 0.001])
def test_slopes_are_doubted_beyond_a_factor_and_chance(off):
    u = 0.02
    half = TOGETHER * u
    assert bool(doubt((DOUBTFUL + half + off, u))) is (off > 0)
    assert bool(doubt((1.0 / DOUBTFUL - half + off, u))) is (off < 0)
    far = VAGUE + off
    assert bool(doubt((10.0, far / TOGETHER))) is (off < 0)


def test_slopes_of_many_runs_weigh_by_how_well_they_are_known():
    """Nine of u and one of u / 3 weigh alike: 2 and 4 have the mean 3, with u / sqrt(18)."""
    u = 0.2 * math.sqrt(18.0) / TOGETHER
    assert "over 10 runs upstream rises 3.00 ± 0.20 for" in doubt(*[(2.0, u)] * 9, (4.0, u / 3.0))
