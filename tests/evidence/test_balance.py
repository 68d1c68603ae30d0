"""The particle balance by its closed form: what counting and the counters' ratio can explain."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity import balance
from dossier.evidence.validity.balance import _apart, _counting, _quotients


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
