"""Clean pressure drop and the oil temperature at which the valve opens."""

import math

import numpy as np
import pytest

from dossier.evidence.quantities import all_quantities
from dossier.evidence.records.fluid import (
    fluid_at,
    kinematic_at,
    temperature_of,
    viscosity_accuracy,
)
from dossier.evidence.statistics.estimate import NotDemonstrated
from tests.made_bench import application, bench, entry, exact, instrument, sweep

approx = pytest.approx
Q = 60.0 / 6e4
HEAD = {"location": "head", "opening": {"min": "40 kPa", "max": "60 kPa"}}
OIL = application().oil


def computed(quantity, *sweeps, at=None, valve=HEAD, **options):
    app = application(circuit={"bypass_valve": valve})
    made = bench(sweeps, app=app, limits=options.pop("limits", exact()), **options)
    given = {"flow": Q} | (at or {})
    return all_quantities()[quantity].compute(made, "candidate", given)


def test_the_drop_is_the_law_at_the_oil_s_state():
    warm = 90.0 + 273.15
    mu, rho = fluid_at(OIL, warm)
    found = computed("clean_pressure_drop", sweep(b=3e6), at={"temperature": warm})
    assert found.value == approx(1.2e9 * mu * Q + 3e6 * rho * Q**2)
    assert any("beyond the tested" in note for note in found.notes)
    nu = kinematic_at(OIL, warm)
    like = sweep(viscosity=np.full(5, nu * 850.0))
    assert computed("clean_pressure_drop", like, at={"temperature": warm}).notes == ()


def test_outside_the_sweeps_it_is_refused():
    found = computed("clean_pressure_drop", sweep(), at={"temperature": 273.15})
    assert isinstance(found, NotDemonstrated)
    assert found.records == ("S1",)
    hot = computed("clean_pressure_drop", sweep(), at={"temperature": 5.0})
    assert "oil of the application" in hot.reason


def viscous(start=40e3, warm=80.0 + 273.15):
    """The coefficient of a filter that drops `start` at a temperature [1/m3]."""
    return start / (fluid_at(OIL, warm)[0] * Q)


WARM = 80.0 + 273.15
THICK = {"viscosity": np.full(5, kinematic_at(OIL, WARM) * 850.0),
         "pressure_drop": np.full(5, 80e3)}  # fmt: skip


def opened(*sweeps, **options):
    return computed("cold_bypass_temperature", *sweeps, **options)


def slope():
    """Kelvin a pascal at the opening, by the law over a kelvin."""
    ends = [viscous() * fluid_at(OIL, WARM + d)[0] * Q for d in (-0.5, 0.5)]
    return 1.0 / abs(ends[1] - ends[0])


def test_the_valve_opens_where_the_drop_is_its_lowest_opening():
    assert opened(sweep(a=viscous(), **THICK)).value == approx(WARM, abs=1e-3)


def test_errors_are_carried_through_the_slope_of_the_law():
    gauge = [instrument("DP", ["differential pressure"], reading_u="2 %")]
    one = sweep(a=viscous(), **THICK)
    found = opened(one, instruments=gauge, entries=[entry(one, ["DP"])])
    assert found.u == approx(0.02 * 40e3 * slope(), rel=1e-3)
    wide = opened(one, widened={"S1": 0.1})
    assert wide.u == approx(0.1 * 40e3 * slope(), rel=1e-3)
    fitted = sweep(a=viscous(), covariance=[[(0.01 * viscous()) ** 2, 0], [0, 0]], **THICK)
    assert opened(fitted).u == approx(0.01 * 40e3 * slope(), rel=1e-3)
    assert opened(fitted).per_specimen[0].u == approx(opened(fitted).u)


def test_a_filter_that_never_opens_it_or_always_gives_no_temperature():
    assert "no temperature" in opened(sweep(a=1e5, **THICK)).reason
    thin = sweep(a=viscous(), viscosity=np.full(5, 0.001))
    assert "outside the tested viscosities" in opened(thin).reason
    assert "names no bypass valve" in opened(sweep(), valve=None).reason


def test_the_oil_follows_its_two_points_and_back():
    for kv, warm in ((OIL.kv40.value, 313.15), (OIL.kv100.value, 373.15)):
        assert kinematic_at(OIL, warm) == approx(kv, rel=1e-9)
        assert temperature_of(OIL, kv) == approx(warm, abs=1e-6)
    mu, rho = fluid_at(OIL, 313.15)
    assert mu == approx(OIL.kv40.value * rho)


@pytest.mark.parametrize(("celsius", "share"), [(40.0, (0.01, 0.0)), (100.0, (0.0, 0.02))])
def test_at_each_point_the_oil_is_known_as_that_point(celsius, share):
    stated = application(oil={"kv40": {"value": "110 mm2/s", "u": "1.1 mm2/s"},
                              "kv100": {"value": "14.5 mm2/s", "u": "0.29 mm2/s"}}).oil  # fmt: skip
    found = viscosity_accuracy(exact(), stated, "oil", celsius + 273.15)
    assert found.u == approx(math.hypot(*share), rel=2e-3)


def test_an_oil_without_a_figure_has_the_grade_s_width():
    found = viscosity_accuracy(exact(viscosity=0.1), OIL, "oil", 350.0)
    assert found.u == approx(0.1 / math.sqrt(3.0))
