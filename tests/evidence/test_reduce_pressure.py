"""One flow sweep, reduced: rows made by the law give back its coefficients and their slopes."""

import numpy as np
import pytest

from dossier.case.records import PressureDropTable
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.records.reduced import reduce_pressure_drop, row_spread
from tests.made_bench import case, entry, sweep

approx = pytest.approx
A, B, HOUSING = 1.2e9, 4e6, 2e8
FLOW = np.linspace(10.0, 100.0, 12) / 6e4
FLUID = case([entry(sweep())]).fluid("fluid")
WARM = 60.0 + 273.15
MU, RHO = fluid_at(FLUID, WARM)


def reduced(flow=FLOW, a=A, b=B, warmth=WARM, housing=None, **conditions):
    states = [fluid_at(FLUID, t) for t in np.broadcast_to(warmth, flow.shape)]
    mu, rho = np.array(states).T
    drop = a * mu * flow + b * rho * flow**2
    only = np.zeros(len(flow), dtype=bool) if housing is None else housing
    drop = np.where(only, HOUSING * mu * flow, drop)
    column = None if conditions else np.broadcast_to(warmth, flow.shape).astype(float)
    table = PressureDropTable(flow=flow, pressure_drop=drop, temperature=column, housing=only)
    made = case([entry(sweep(), conditions=conditions)], {"S1": table})
    return reduce_pressure_drop(made, made.records[0])


def test_the_law_comes_back_with_nothing_left():
    found = reduced()
    assert (found.assembly.a, found.assembly.b) == approx((A, B), rel=1e-6)
    assert np.sqrt(np.diag(found.assembly.covariance)) == approx([0.0, 0.0], abs=1e-6 * A)
    assert found.viscosity == approx(MU)
    assert found.housing is None
    assert reduced(temperature="60 degC").assembly.a == approx(A, rel=1e-6)


def test_the_housing_is_a_fit_of_its_own_rows():
    rows = np.arange(24) % 2 == 1
    found = reduced(flow=np.repeat(FLOW, 2), housing=rows)
    assert found.assembly.a == approx(A, rel=1e-6)
    assert found.housing.a == approx(HOUSING, rel=1e-6)


def test_slopes_are_those_of_the_law():
    found = reduced()
    # a Q is fixed by the drop: a flow that is really x larger means a x smaller, b twice.
    assert found.per_flow == approx((-A, -2 * B), rel=5e-3)
    warmer = fluid_at(FLUID, WARM + 0.1)[0] / MU - 1.0
    assert found.per_kelvin[0] == approx(-A * warmer / 0.1, rel=5e-3)
    both = np.sum(found.per_viscosity, axis=0)
    assert found.per_viscosity[0][0] < 0.0
    # A viscosity higher by one share at both points is higher by it everywhere, nearly.
    assert both[0] == approx(-A, rel=0.06)


@pytest.mark.parametrize(
    ("options", "said"),
    [({"a": 0.0, "b": 0.0}, "no differential pressure"),
     ({"housing": np.ones(12, dtype=bool)}, "no rows of the assembly")],
)  # fmt: skip
def test_what_cannot_be_fitted_is_said(options, said):
    with pytest.raises(ValueError, match=said):
        reduced(**options)


def test_without_a_temperature_there_is_no_viscosity():
    table = PressureDropTable(flow=FLOW, pressure_drop=FLOW, temperature=None,
                              housing=np.zeros(12, dtype=bool))  # fmt: skip
    made = case([entry(sweep())], {"S1": table})
    with pytest.raises(ValueError, match="no temperature column"):
        reduce_pressure_drop(made, made.records[0])


def test_rows_spread_as_they_read_with_a_floor():
    assert row_spread(np.array([100.0, 1.0, 50.0])) == approx([100.0, 2.0, 50.0])


def test_a_sweep_below_one_pascal_obeys_the_law_as_well():
    found = reduced(a=1e-5 * A, b=1e-5 * B)
    assert found.pressure_drop.max() < 1.0
    assert (found.assembly.a, found.assembly.b) == approx((1e-5 * A, 1e-5 * B), rel=1e-6)
