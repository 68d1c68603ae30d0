"""Readings that are lacking, counted by hand: rows that are gone count as rows that are empty."""

from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.validity.readings import _present, _whole

LIMIT = SimpleNamespace(value=0.9)
TIME = np.arange(1, 101) * 60.0
"""A run of a hundred minutes, ten rows in each tenth [s]."""


def present(gone):
    """Return what is said of a run without some of its rows, counted from 1."""
    kept = ~np.isin(np.arange(1, 101), [*gone])
    rows = kept.reshape(10, 10).sum(axis=1)
    result = SimpleNamespace(end_time=6000.0, readings=np.repeat(rows[:, None], 3, axis=1))
    return _present(SimpleNamespace(time=TIME[kept]), result, 0.0, LIMIT)


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
    ],
)
def test_rows_that_are_gone_are_lacking_where_they_stood(gone, met, words):
    found = present(gone)
    assert (found.met, words in found.found) == (met, True), found.found


@pytest.mark.parametrize(
    ("off", "volume", "met"), [(0.0, 0.5, True), (0.4, 1.0, False), (-0.4, 1.0, False)]
)
def test_counts_above_and_below_whole_particles_are_told(off, volume, met):
    counts = (np.arange(3.0, 43.0)[:, None] + off) / volume
    side = SimpleNamespace(name="upstream", counts=counts, volume=volume, rounded=0.0, sizes=[4.0])
    found = _whole((side,))
    assert found.met is met
    assert ("40 values are no whole number" in found.found) is not met
