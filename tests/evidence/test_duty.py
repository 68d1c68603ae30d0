"""On duty: pressure after hours, margin to the valve, life; of a straight loading all are exact."""

import math
from dataclasses import replace

import numpy as np
import pytest

from dossier.evidence.quantities import all_quantities, duty
from dossier.evidence.quantities.capacity import Loaded
from dossier.evidence.quantities.duty import _alone, _Draws, _loaded_drop
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.statistics.combine import half_width_of
from dossier.evidence.statistics.estimate import Estimate
from tests.made_bench import MU, application, bench, entry, exact, instrument, run, sweep

approx = pytest.approx
Q, WARM = 60.0 / 6e4, 90.0 + 273.15
MASS = np.array([0.0, 0.08])
RATE = 0.1e-3 / 3600.0
HOURS = 400.0 * 3600.0
"""Half the tested mass."""
AT = {"flow": Q, "temperature": WARM, "hours": HOURS}
OIL = fluid_at(application().oil, WARM)[0] / MU
CLEAN = 1.2e9 * MU * Q * OIL
"""Clean drop in the application's oil; the run grows it fivefold in a straight line [Pa]."""
HEAD = {"location": "head", "opening": {"min": "60 kPa", "max": "80 kPa"}}


def loading(record="M1", specimen="C1", **changes):
    drop = 1.2e9 * MU * Q * np.array([1.0, 5.0])
    return run(record, specimen, mass=MASS, curve=drop, terminal=200e3, **changes)


def computed(quantity, *results, u="0.00001 g/h", valve=HEAD, limits=None, given=None, **options):
    duty = {"normal_oil": "90 degC", "ingression": {"value": "0.1 g/h", "u": u}}
    app = application(duty=duty, circuit={"bypass_valve": valve})
    levels = given or {"start": {"value": "1000 mg/L"}, "end": {"value": "1000 mg/L"}}
    runs = {"conditions": {"injection_concentration": levels}}
    names = [i["id"] for i in options.get("instruments", ())]
    made = results or (loading(), sweep())
    entries = options.pop("entries", None) or [
        entry(each, names, **(runs if each.record[0] == "M" else {})) for each in made
    ]
    lab = bench(made, app=app, limits=limits or exact(), entries=entries, **options)
    return all_quantities()[quantity].compute(lab, "candidate", AT)


def test_after_hours_the_drop_is_that_of_the_mass():
    found = computed("pressure_drop_at_interval")
    assert found.value == approx(CLEAN * 3.0)  # clean and half of the four-fold growth
    assert found.samples.mean() == approx(found.value, rel=1e-3)
    assert found.u == approx(0.0, abs=4.0)


def test_ingression_acts_through_the_slope_of_the_loading():
    found = computed("pressure_drop_at_interval", u="0.005 g/h")
    assert found.u == approx(0.05 * 2.0 * CLEAN, rel=0.02)
    assert {c.name: c.u for c in found.components}["ingression"] == approx(found.u, rel=0.02)


@pytest.mark.parametrize("name", ["ingression", "injection flow"])
def test_two_draws_of_what_all_specimens_share_say_what_all_of_them_do(name):
    rng, still = np.random.default_rng(5), np.zeros(1)
    rates, masses = rng.normal(RATE, 0.1 * RATE, 2001), rng.normal(0.0, 0.05, 2001)
    draws = _Draws(rate=rates, mass=masses, drop=still, own_mass=np.zeros((2, 1)))
    one = Loaded(
        record="M1", sweeps=(), specimen="C1", clean=1.0, tested=1.0,
        mass=np.array([0.0, 0.035, 0.08]), drop=np.array([9.0, 14.0, 80.0]),
    )  # fmt: skip
    bent = one, replace(one, drop=np.array([8.0, 20.0, 50.0]))
    varied = {
        "ingression": replace(draws, mass=still),
        "injection flow": replace(draws, rate=np.median(rates, keepdims=True)),
    }
    every, two = (
        _loaded_drop(bent, each, HOURS).mean(axis=0) for each in (varied[name], _alone(draws, name))
    )
    assert (len(every), len(two)) == (2001, 2)
    assert half_width_of(two) == approx(half_width_of(every), rel=1e-12)


def test_the_pressure_s_error_scales_the_whole_drop():
    gauge = [instrument("DP", ["differential pressure"], reading_u="2 %")]
    found = computed("pressure_drop_at_interval", instruments=gauge)
    assert found.samples.std() == approx(0.02 * found.value, rel=0.02)
    assert {c.name: c.u for c in found.components}["clean pressure drop"] == approx(
        0.02 * found.value, rel=0.02
    )


@pytest.mark.parametrize(("name", "said"), [("injection flow", "injection flow"),
                                            ("injection level", "gravimetry")])  # fmt: skip
def test_an_error_of_the_injected_mass_moves_the_loading(name, said):
    found = computed("pressure_drop_at_interval", limits=exact(**{name: 0.03}))
    wanted = 0.03 / math.sqrt(3.0) * 2.0 * CLEAN
    assert found.u == approx(wanted, rel=0.03)
    assert {c.name: c.u for c in found.components}[said] == approx(wanted, rel=0.03)


def test_a_deviation_of_run_or_sweep_widens_the_drop():
    one = computed("pressure_drop_at_interval", widened={"S1": 0.1})
    both = computed("pressure_drop_at_interval", widened={"S1": 0.1, "M1": 0.1})
    assert one.samples.std() == approx(0.1 / 2.0 * one.value, rel=0.02)
    assert both.samples.std() == approx(math.sqrt(2.0) * one.samples.std(), rel=0.02)


def test_the_scatter_of_specimens_follows_t():
    two = (loading(), loading("M2", "C2"), sweep(), sweep("S2", "C2", a=1.25e9))
    found = computed("pressure_drop_at_interval", *two)
    values = [each.value for each in found.per_specimen]
    scatter = abs(values[1] - values[0]) / 2.0
    assert found.components[0].u == approx(scatter)
    assert found.components[0].of_specimens
    assert np.quantile(found.samples, 0.9) - found.value == approx(3.078 * scatter, rel=0.03)


def test_more_than_the_tested_mass_is_no_result():
    short = run(mass=MASS / 4, curve=1.2e9 * MU * Q * np.array([1.0, 5.0]), terminal=200e3)
    assert "more than the 20 g" in computed("pressure_drop_at_interval", short, sweep()).reason
    low = loading(housing=-150e3)  # run to 50 kPa only
    assert "was run to" in computed("pressure_drop_at_interval", low, sweep()).reason


def test_the_margin_is_the_opening_less_the_drop():
    found = computed("bypass_margin", u="0.005 g/h")
    drop = computed("pressure_drop_at_interval", u="0.005 g/h")
    assert found.value == approx(60e3 - 3.0 * CLEAN)
    assert found.u == approx(drop.u)
    assert np.allclose(found.samples, 60e3 - drop.samples)
    assert np.allclose(found.specimen_samples, 60e3 - drop.specimen_samples)
    assert found.per_specimen[0].value == approx(found.value)


def test_the_life_is_the_mass_at_the_opening_over_the_rate():
    found = computed("service_life", u="0.005 g/h")
    mass = (60e3 / CLEAN - 1.0) / 4.0 * 0.08
    assert found.value == approx(mass / RATE)
    assert found.u == approx(0.05 * found.value, rel=0.02)
    assert found.bound == ""


def test_a_higher_drop_shortens_the_life():
    gauge = [instrument("DP", ["differential pressure"], reading_u="2 %")]
    found = computed("service_life", instruments=gauge)
    assert found.u == approx(0.02 * 60e3 / CLEAN / 4.0 * 0.08 / RATE, rel=0.05)


def test_the_scatter_of_the_opening_is_part_of_a_life(monkeypatch):
    opening = Estimate(value=60e3, u=1.5e3)
    monkeypatch.setattr(duty, "_life_limit", lambda *_: opening)
    found = computed("service_life")
    assert found.u == approx(opening.u / CLEAN / 4.0 * 0.08 / RATE, rel=0.05)
    assert {c.name: c.u for c in found.components}[duty.OPENING] == approx(found.u, rel=0.05)


@pytest.mark.parametrize("name", ["injection flow", "injection level"])
def test_a_life_is_known_no_better_than_the_mass(name):
    found = computed("service_life", limits=exact(**{name: 0.03}))
    assert found.u == approx(0.03 / math.sqrt(3.0) * found.value, rel=0.03)
    assert found.per_specimen[0].u == approx(found.u, rel=0.03)


def test_without_a_valve_the_run_s_end_ends_the_life():
    found = computed("service_life", valve=None)
    assert found.bound == "larger than"  # 200 kPa lie beyond what the run grows to in this oil
    assert found.value == approx(0.08 / RATE)


def test_the_end_of_a_run_is_its_terminal_with_the_housing():
    short = (loading(), sweep())
    whole = [computed("service_life", replace(short[0], terminal=terminal, housing=housing),
                      short[1], valve=None)
             for terminal, housing in ((60e3, 0.0), (50e3, 10e3))]  # fmt: skip
    assert whole[0].value == approx((60e3 / CLEAN - 1.0) / 4.0 * 0.08 / RATE)
    assert whole[1].value == approx(whole[0].value)


def test_a_run_that_ended_below_the_opening_gives_no_life():
    low = loading(housing=-150e3)
    assert "was run to" in computed("service_life", low, sweep()).reason


@pytest.mark.parametrize("quantity", ["pressure_drop_at_interval", "service_life", "bypass_margin"])
def test_without_a_spread_of_the_ingression_nothing_is_predicted(quantity):
    app = application(duty={"normal_oil": "90 degC", "ingression": {"value": "0.1 g/h"}},
                      circuit={"bypass_valve": HEAD})  # fmt: skip
    lab = bench([loading(), sweep()], app=app, limits=exact())
    assert "no uncertainty" in all_quantities()[quantity].compute(lab, "candidate", AT).reason


@pytest.mark.parametrize("quantity", ["pressure_drop_at_interval", "service_life"])
def test_run_and_sweep_of_each_specimen_are_named_as_sources(quantity):
    assert {"M1", "S1"} <= set(computed(quantity).sources)
