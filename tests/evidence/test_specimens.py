"""Was there time for each run? Hours of work on one rig, counted by hand."""

from datetime import date

import pytest

from dossier.evidence.validity.general import hurried
from dossier.make.decide import limits
from tests.made_bench import bench, entry, instrument, run

DAY = date(2026, 2, 2)
COUNTERS = [instrument(name, ["counts"], kind="particle counter") for name in "AB"]


def told(number, hours, **changes):
    """What is said of so many runs of so many hours, all on one day and one rig."""
    own = changes.pop("instruments", ["A"] * number)
    runs = [run(f"M{k}", f"C{k}", end_time=3600.0 * hours) for k in range(number)]
    entries = [entry(r, [name], tested=DAY, **changes) for r, name in zip(runs, own, strict=True)]
    made = bench(runs, entries=entries, instruments=COUNTERS)
    return hurried(made.case, list(zip(made.case.records, runs, strict=True)), limits())


@pytest.mark.parametrize(
    ("number", "hours", "wrong"),
    [(4, 2.0, False), (5, 1.19, False), (5, 1.21, True), (1, 13.9, False), (1, 14.1, True)],
)  # 16 h a day, 2 h beside each run
def test_a_rig_works_sixteen_hours_a_day(number, hours, wrong):
    assert set(told(number, hours)) == ({f"M{k}" for k in range(number)} if wrong else set())


def test_more_days_and_more_rigs_have_more_hours():
    assert not told(6, 1.0, finished=date(2026, 2, 3))
    assert not told(6, 1.0, instruments=["A", "B"] * 3)
    assert len(told(6, 1.0)) == 6
