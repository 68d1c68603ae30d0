"""What the charts draw is what the tables say, at every point."""

import numpy as np
import pytest

from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.capacity import loaded_specimens
from dossier.evidence.quantities.curves import curves_of
from dossier.evidence.quantities.pressure import outside
from dossier.evidence.records.fluid import fluid_at
from tests.made_bench import MU, application, bench, exact, run, sweep

approx = pytest.approx

HOT, COLD = 90.0 + 273.15, -10.0 + 273.15
DUTY = {"hot_oil": "90 degC", "ingression": {"value": "0.06 g/h", "u": "0.009 g/h"}}
SPREAD = [[4e15, 0.0], [0.0, 0.0]]


def made(*results, **options):
    return bench(results, app=application(duty=DUTY), limits=exact(viscosity=0.05), **options)


def pair(side="candidate", a=1.2e9):
    named = side[0].upper()
    return [sweep(f"S{named}1", f"{named}1", side, a=a, covariance=SPREAD),
            sweep(f"S{named}2", f"{named}2", side, a=1.05 * a, covariance=SPREAD)]  # fmt: skip


BENCH = made(*pair(), *pair("reference", 1e9), widened={"SC1": 0.15, "SC2": 0.15})


@pytest.fixture(scope="module")
def drawn():
    return curves_of(BENCH)


@pytest.mark.parametrize("at", [0, 17, -1])
@pytest.mark.parametrize(("line", "side"), [(0, "candidate"), (1, "reference")])
def test_chart_and_table_give_one_value_and_one_interval(drawn, line, side, at):
    asked = all_quantities()["clean_pressure_drop"].compute
    for curve, flow, warmth in (
        (drawn.clean_hot[line], drawn.clean_hot[line].x[at], HOT),
        (drawn.clean_cold[line], drawn.clean_cold[line].x[at], drawn.cold_temperature),
        (drawn.against_temperature[line], 60 / 6e4, drawn.against_temperature[line].x[at]),
    ):
        found = asked(BENCH, side, {"flow": float(flow), "temperature": float(warmth)})
        assert curve.side == side
        assert curve.y[at] == approx(found.value)
        assert (curve.low[at], curve.high[at]) == approx(found.interval())


def test_flows_stay_inside_the_sweeps_and_reach_past_the_rated_one(drawn):
    curve = drawn.clean_hot[0]
    assert curve.x[0] == approx(0.05 * 60 / 6e4)
    assert curve.x[-1] == approx(1.1 * 60 / 6e4)
    narrow = [sweep(flow=np.linspace(10.0, 30.0, 5) / 6e4)]
    limits = exact()
    inside = curves_of(made(*narrow)).clean_hot[0].x
    assert 25 / 6e4 < inside[-1] <= 30 * limits.flow_factor / 6e4


def test_the_cold_line_is_of_the_coldest_oil_that_was_swept_to_the_rated_flow(drawn):
    def beyond(temperature):
        at = 60 / 6e4, *fluid_at(BENCH.case.application.oil, temperature)
        return [outside(sweep, BENCH.limits, *at) for sweep in BENCH.pressure[:2]]

    at = drawn.cold_temperature
    assert COLD < at < HOT
    assert beyond(at) == ["", ""]
    assert any(beyond(at - 4.0))  # the line has a point each 2.5 K
    assert (at - 273.15) == approx(round(at - 273.15))


def test_lines_over_flow_end_where_the_supply_gives_no_more():
    whole = curves_of(made(*pair()))
    most = float(whole.clean_cold[0].y[20])
    circuit = {"rated_flow": "60 L/min", "system_pressure": f"{most} Pa"}
    drawn = curves_of(bench(pair(), app=application(duty=DUTY, circuit=circuit), limits=exact()))
    assert float(drawn.clean_cold[0].y.max()) <= most < float(whole.clean_cold[0].y.max())
    assert len(drawn.clean_cold[0].low) == len(drawn.clean_cold[0].x)


def test_nothing_is_drawn_of_a_side_that_carries_no_result():
    drawn = curves_of(made(*pair(), unusable={"SC1": "rows of each sweep"}))
    assert drawn.clean_hot == drawn.against_temperature == ()
    assert drawn.cold_temperature is None
    assert any("rows of each sweep" in note for note in drawn.notes)


def test_a_sweep_in_thin_oil_gives_no_cold_line():
    thin = [sweep(viscosity=np.full(5, MU / 10))]
    drawn = curves_of(made(*thin))
    assert (drawn.clean_cold, drawn.cold_temperature) == ((), None)


def test_hours_are_contaminant_over_its_rate_and_the_band_is_that_of_the_rate():
    rated = fluid_at(BENCH.case.application.oil, HOT)[0] / MU
    tests = [sweep(a=1.2e9), run(curve=np.array([20e3, 60e3, 150e3]))]
    lab = made(*tests)
    (curve,) = curves_of(lab).against_hours
    (one,) = loaded_specimens(lab, "candidate", 60 / 6e4, HOT)
    rate, relative = 0.06e-3 / 3600, 1.96 * 0.009 / 0.06
    middle = len(curve.x) // 2
    for draw, factor in ((curve.y, 1.0), (curve.low, 1 - relative), (curve.high, 1 + relative)):
        assert draw[middle] == approx(float(one.at_mass(np.array(rate * curve.x[middle] * factor))))
    assert curve.y[0] == approx(one.drop[0])
    assert one.drop[0] == approx(1.2e9 * MU * rated * 60 / 6e4 * 1.0)
    assert curve.x[-1] == approx(one.mass_to(one.tested)[0] / rate)


def test_a_rate_that_is_stated_without_a_doubt_has_no_band():
    duty = DUTY | {"ingression": {"value": "0.06 g/h"}}
    tests = [sweep(a=1.2e9), run(curve=np.array([20e3, 60e3, 150e3]))]
    lab = bench(tests, app=application(duty=duty), limits=exact())
    (curve,) = curves_of(lab).against_hours
    rate = 0.06e-3 / 3600
    (one,) = loaded_specimens(lab, "candidate", 60 / 6e4, HOT)
    for draw in (curve.low, curve.y, curve.high):
        assert draw == approx(one.at_mass(rate * curve.x))


def test_without_an_ingression_nothing_is_predicted():
    drawn = curves_of(bench([sweep(), run()], limits=exact()))
    assert drawn.against_hours == ()
    assert any("no ingression" in note for note in drawn.hours_notes)
    assert not drawn.notes


@pytest.mark.parametrize(
    "odd", [{"oil": {"density15": "0.78 kg/L"}}, {"oil": {"density15": "5 kg/L"}},
            {"duty": {"hot_oil": "200 degC"}}],
)  # fmt: skip
def test_an_oil_that_is_in_no_table_leaves_charts_empty(odd):
    found = curves_of(bench(pair(), app=application(**odd), limits=exact()))
    assert found.against_temperature == ()


def test_sweeps_alone_lack_nothing_but_a_prediction_over_hours():
    drawn = curves_of(made(*pair()))
    assert drawn.clean_hot
    assert not drawn.notes
    assert any("multipass" in note for note in drawn.hours_notes)
