"""Capacity: what gravimetry, the injection flow and the filled volume give, added up by hand."""

import math

import pytest

from dossier.evidence.quantities import all_quantities
from dossier.evidence.statistics.estimate import NotDemonstrated
from tests.made_bench import bench, entry, exact, instrument, run

approx = pytest.approx
LEVELS = {"start": {"value": "1000 mg/L"}, "end": {"value": "1000 mg/L"}}


def capacity(quantity, *runs, levels=LEVELS, limits=None, instruments=(), conditions=None, **more):
    given = {"injection_concentration": levels} | (conditions or {})
    entries = [entry(each, [i["id"] for i in instruments], conditions=given) for each in runs]
    made = bench(runs, entries=entries, limits=limits or exact(), instruments=instruments, **more)
    return all_quantities()[quantity].compute(made, "candidate", {})


def both(start, end, u=None):
    ends = {"start": {"value": f"{start} mg/L"}, "end": {"value": f"{end} mg/L"}}
    if u is not None:
        for each in ends.values():
            each["u"] = f"{u} mg/L"
    return ends


def test_half_the_difference_of_the_samples_is_a_drift():
    found = capacity("injected_capacity", run(), levels=both(1060, 940))
    # half-width 60 of 1000, rectangular, and half of that over the whole injection
    assert found.u / found.value == approx(0.5 * 0.06 / math.sqrt(3.0))


def test_stated_levels_average_and_unstated_take_the_standard_s():
    stated = capacity("injected_capacity", run(), levels=both(1000, 1000, 30))
    assert stated.u / stated.value == approx(0.03 / math.sqrt(2.0))
    limits = exact(**{"injection level": 0.06})
    stood = capacity("injected_capacity", run(), limits=limits)
    assert stood.u / stood.value == approx(0.06 / math.sqrt(3.0))
    again = capacity("injected_capacity", run(), levels=both(1000, 1000, 30), limits=limits)
    assert again.u == approx(stated.u)
    assert ("as the laboratory states" in again.notes[0], "stands in" in stood.notes[0]) == (
        True, True,
    )  # fmt: skip


FINAL = {"final_concentration": {"value": "10 mg/L"}, "system_volume": {"value": "100 L"}}


@pytest.mark.parametrize(
    ("name", "stated"), [("final level", "final_concentration"), ("system volume", "system_volume")]
)
def test_what_is_left_in_the_system_is_known_as_its_level_and_volume(name, stated):
    left = 1e-3
    found = capacity("retained_capacity", run(), limits=exact(**{name: 0.1}), conditions=FINAL)
    assert found.u == approx(left * 0.1 / math.sqrt(3.0))
    own = {k: v | {"u": "2 mg/L" if "conc" in k else "20 L"} for k, v in FINAL.items()}
    known = {k: own[k] if k == stated else FINAL[k] for k in FINAL}
    other = capacity("retained_capacity", run(), limits=exact(**{name: 0.1}), conditions=known)
    assert other.u == approx(left * 0.2)
    whole = capacity("retained_capacity", run(), conditions=own)
    assert whole.u == approx(left * math.hypot(0.2, 0.2))


def test_retained_is_injected_less_what_stayed():
    assert capacity("injected_capacity", run()).value == approx(0.040)
    assert capacity("retained_capacity", run()).value == approx(0.039)
    injected = capacity("injected_capacity", run(), limits=exact(**{"final level": 0.5}),
                        conditions=FINAL)  # fmt: skip
    assert injected.u == 0.0


def test_without_a_balance_nothing_is_retained():
    without = run("M2", "C2", balance=None, missing_balance="no final level")
    found = capacity("retained_capacity", run(), without)
    assert isinstance(found, NotDemonstrated)
    assert found.reason == "record M2: no final level"


def test_one_injection_flow_meter_errs_alike_in_every_run():
    meter = [instrument("FM", ["injection flow"], reading_u="2 %")]
    two = capacity("injected_capacity", run(), run("M2", "C2"), instruments=meter)
    assert two.u == approx(0.02 * 0.040)
    assert two.per_specimen[0].u == approx(two.u)


def test_gravimetry_is_each_run_s_own():
    two = capacity("injected_capacity", run(), run("M2", "C2"), levels=both(1000, 1000, 30))
    assert two.u == approx(0.040 * 0.03 / math.sqrt(2.0) / math.sqrt(2.0))


def test_a_deviation_widens_the_mass():
    found = capacity("injected_capacity", run(), widened={"M1": 0.1})
    assert found.u == approx(0.1 * 0.040)


def test_two_laboratories_may_differ():
    runs = [run(), run("M2", "C2")]
    given = {"injection_concentration": LEVELS}
    entries = [entry(r, laboratory=n, conditions=given) for r, n in zip(runs, "LM", strict=True)]
    limits = exact(**{"between laboratories: capacity": 0.3})
    rigs = [{"id": n, "name": "Laboratory"} for n in "LM"]
    made = bench(runs, entries=entries, limits=limits, laboratory=rigs)
    found = all_quantities()["injected_capacity"].compute(made, "candidate", {})
    assert found.u == approx(0.040 * 0.3 / math.sqrt(3.0) / math.sqrt(2.0))


@pytest.mark.parametrize("end", ["start", "end"])
def test_one_stated_level_of_two_states_nothing_of_the_mean(end):
    levels = both(1000, 1000)
    levels[end]["u"] = "30 mg/L"
    found = capacity(
        "injected_capacity", run(), levels=levels, limits=exact(**{"injection level": 0.06})
    )
    assert found.u / found.value == approx(0.06 / math.sqrt(3.0))
