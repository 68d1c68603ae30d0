"""Rules of the valve's record, on sweeps of any number of rows."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.case.records import MeasurementTable
from dossier.evidence.validity import other, valves
from dossier.evidence.validity.other import _credible, _named
from dossier.evidence.validity.valves import _both_sweeps, _fitted, _rows


@pytest.fixture
def swept(monkeypatch):
    def put(*sizes):
        """Give the record sweeps of so many rising and falling rows."""
        made = [
            SimpleNamespace(
                specimen=f"V{k}", rising=(np.zeros(up),) * 2, falling=(np.zeros(down),) * 2
            )
            for k, (up, down) in enumerate(sizes)
        ]
        monkeypatch.setattr(valves, "sweeps_of", lambda _: made)

    return put


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ([(5, 5), (1, 1)], "both for every specimen"),
        ([(5, 5), (0, 1)], "V1: no rising sweep"),
        ([(1, 0), (5, 5)], "V0: no falling sweep"),
        ([(0, 0)], "V0: no rising sweep; V0: no falling sweep"),
    ],
)
def test_each_specimen_is_swept_up_and_down(sizes, words, swept):
    swept(*sizes)
    held = SimpleNamespace(record=None)
    assert _both_sweeps(held, None) == (words.startswith("both"), words)


@pytest.mark.parametrize(
    ("sizes", "words", "met"),
    [
        ([(5, 9), (7, 5)], "at least 5 rows", True),
        ([(5, 9), (4, 9)], "at least 4 rows", False),
        ([(5, 9), (9, 1)], "at least 1 row", False),
        ([], "at least 0 rows", False),
    ],
)
def test_the_shortest_of_all_sweeps_counts(sizes, words, met, swept):
    swept(*sizes)
    assert _rows(SimpleNamespace(record=None), SimpleNamespace(value=5)) == (met, words)


def fitted(opened, monkeypatch, flow=1.0, rated=60.0):
    """What is said of two valves that open at a pressure [kPa] and let a flow [L/min] through."""
    sweeps = (SimpleNamespace(specimen=f"V{k}", rising=(np.zeros(5),)) for k in range(2))
    monkeypatch.setattr(valves, "sweeps_of", lambda _: sweeps)
    read = SimpleNamespace(value=opened * 1e3, bound="")
    monkeypatch.setattr(valves, "opening_from_sweep", lambda *_: read)
    band = SimpleNamespace(min=160e3, max=200e3)
    valve = SimpleNamespace(location="filter", opening=band)
    circuit = SimpleNamespace(bypass_valve=valve, rated_flow=rated / 6e4)
    case = SimpleNamespace(application=SimpleNamespace(circuit=circuit))
    conditions = SimpleNamespace(criterion_flow=flow / 6e4)
    held = SimpleNamespace(case=case, conditions=conditions, record=None)
    return _fitted(held, SimpleNamespace(value=2.0))


@pytest.mark.parametrize(
    ("flow", "rated", "met"),
    [
        (3.0, 60.0, True), (3.1, 60.0, "warning"), (1.0, 8.0, True), (1.1, 8.0, "warning"),
    ],
)  # fmt: skip
def test_a_valve_counts_as_open_before_much_flows(flow, rated, met, monkeypatch):
    found, words = fitted(180, monkeypatch, flow, rated)
    assert (found, f"counts as open from {flow:g} L/min" in words) == (met, met is not True)


@pytest.mark.parametrize(
    ("opened", "met"),
    [(160, True), (200, True), (159, "warning"), (201, "warning"), (79, False), (401, False)],
)
def test_where_a_valve_opens_is_held_against_the_band_of_the_application(opened, met, monkeypatch):
    found, words = fitted(opened, monkeypatch)
    assert (found, "wanted 160 to 200 kPa" in words) == (met, met is not True)


@pytest.mark.parametrize(
    ("values", "ends", "met"),
    [
        ([math.nan] * 2, (1.0, None), True),  # empty cells alone say nothing
        ([math.nan, 5.0], (1.0, None), True),
        ([math.nan, 5.1], (1.0, None), "warning"),
        ([math.nan, 10.1], (1.0, None), False),
        ([0.0, 0.0], (None, 1.0), True),
        ([0.0, 2.1e-3], (None, 1.0), True),
        ([0.0, 1.9e-3], (None, 1.0), "warning"),
    ],
)
def test_a_result_is_held_against_what_is_asked_where_there_is_one(values, ends, met):
    table = MeasurementTable(
        specimen=("C1", "C2"), names=("burst pressure",), values=(np.array(values),),
        bounds=(("", ""),), units=("Pa",), remarks=("", ""),
    )  # fmt: skip
    demand = SimpleNamespace(
        quantity=SimpleNamespace(name="burst_pressure"), lower=ends[0], upper=ends[1],
        id="B1", unit="Pa", shown=lambda value: value,
    )  # fmt: skip
    held = SimpleNamespace(record=SimpleNamespace(table=table), demands=[demand])
    assert _credible(held, SimpleNamespace(value=10.0, tolerance=5.0))[0] == met


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("C1", "C2", "1"), "every specimen named once"),
        (("C1", "c1"), "specimen c1 more than once"),
        (("C1", "R1"), "R1 is a specimen of the other filter"),
        (("C1", "C2", "Mean"), "Mean is no specimen"),
    ],
)
def test_rows_of_another_filter_and_of_no_specimen_are_told(names, words, monkeypatch):
    plans = {"candidate": {"C1", "1"}, "reference": {"R1", "1"}}
    monkeypatch.setattr(other, "named_in_plan", lambda _, side: plans[side])
    monkeypatch.setattr(other, "results_named", lambda _: {"burst pressure": names})
    entry = SimpleNamespace(filter="candidate", kind="measurement")
    held = SimpleNamespace(case=None, entry=entry, record=SimpleNamespace(entry=entry))
    met, said = _named(held, None)
    assert (words in said, met) == (True, words.startswith("every"))
