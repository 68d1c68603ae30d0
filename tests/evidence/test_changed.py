"""A changed input changes what is proportional to it by its factor, and nothing else."""

import numpy as np
import pytest

from dossier.evidence.changed import INPUTS, inputs_of
from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.valve import lowest_opening
from tests.evidence.test_duty import AT, HEAD, WARM, Q, loading
from tests.made_bench import application, bench, entry, exact, sweep
from tests.small_case import bench as small_bench
from tests.small_case import record

DECLARED = all_quantities()
LEVELS = {"start": {"value": "1000 mg/L"}, "end": {"value": "1000 mg/L"}}
FACTORS = pytest.mark.parametrize("factor", [0.8, 1.0, 1.2])


def lab():
    duty = {"normal_oil": "90 degC", "ingression": {"value": "0.1 g/h", "u": "0.00001 g/h"}}
    made = [loading(), sweep()]
    more = {"conditions": {"injection_concentration": LEVELS}}
    entries = [entry(each, **(more if each.record == "M1" else {})) for each in made]
    app = application(duty=duty, circuit={"bypass_valve": HEAD})
    return bench(made, app=app, limits=exact(), entries=entries)


def value(of, quantity, at):
    return DECLARED[quantity].compute(of, "candidate", at).value


LAWS = [
    ("ingression", "service_life", -1), ("mass", "service_life", 1),
    ("counts", "efficiency", None), ("viscosity", "clean_pressure_drop", 1),
    ("pressure", "clean_pressure_drop", 1), ("ingression", "clean_pressure_drop", 0),
    ("mass", "injected_capacity", 1), ("counts", "injected_capacity", 0),
]  # fmt: skip


@FACTORS
@pytest.mark.parametrize(("name", "quantity", "power"), LAWS)
def test_a_result_moves_as_its_law_says(name, quantity, power, factor):
    # life m/R, viscous drop a µ Q, capacity as injected, efficiency 1 - downstream / upstream
    at = AT | {"size": 10.0, "temperature": 373.15}
    before, after = (value(each, quantity, at) for each in (lab(), INPUTS[name](lab(), factor)))
    if power is None:
        assert 1.0 - after == pytest.approx(factor * (1.0 - before))
    else:
        assert after == pytest.approx(before * factor**power)


@FACTORS
def test_all_that_a_sweep_says_of_pressure_is_scaled(factor):
    spread = [[4e15, 1e3], [1e3, 2e9]]
    before = sweep(a=2e9, b=3e3, covariance=spread, housing=1e8, per_flow=(2.0, 3.0),
                   per_kelvin=(5.0, 7.0), per_viscosity=((11.0, 13.0), (17.0, 19.0)))  # fmt: skip
    (after,) = INPUTS["pressure"](bench([before], limits=exact()), factor).pressure
    for name in ("pressure_drop", "per_flow", "per_kelvin", "per_viscosity"):
        assert np.array(getattr(after, name)) == pytest.approx(
            factor * np.array(getattr(before, name))
        )
    for one, other in ((before.assembly, after.assembly), (before.housing, after.housing)):
        assert (other.a, other.b) == pytest.approx((factor * one.a, factor * one.b))
        assert other.covariance == pytest.approx(factor**2 * one.covariance)


@FACTORS
def test_what_more_is_injected_is_retained_and_nothing_else_of_the_balance_moves(factor):
    (before,), (after,) = lab().multipass, INPUTS["mass"](lab(), factor).multipass
    assert after.balance.injected == pytest.approx(before.balance.injected * factor)
    extra = after.balance.injected - before.balance.injected
    assert after.balance.retained - before.balance.retained == pytest.approx(extra)
    assert after.balance.left_in_system == before.balance.left_in_system


@FACTORS
def test_flow_and_opening_are_those_of_the_circuit(factor):
    assert INPUTS["flow"](lab(), factor).case.application.circuit.rated_flow == pytest.approx(
        Q * factor
    )
    assert lowest_opening(INPUTS["opening"](lab(), factor), "candidate").value == pytest.approx(
        60e3 * factor
    )
    at = {"flow": Q, "temperature": WARM}
    assert value(INPUTS["flow"](lab(), factor), "clean_pressure_drop", at) == value(
        lab(), "clean_pressure_drop", at
    )  # whose flow the requirement states


@FACTORS
def test_the_flow_of_the_pump_is_that_of_the_circuit_too(factor):
    circuit = {"bypass_valve": HEAD, "pump_flow": "80 L/min"}
    of = bench([sweep()], app=application(circuit=circuit), limits=exact())
    for each, pump in ((of, 80.0 / 6e4), (lab(), None)):
        found = INPUTS["flow"](each, factor).case.application.circuit.pump_flow
        assert found == (pump and pytest.approx(pump * factor))


@FACTORS
def test_readings_are_scaled_as_they_stand(factor):
    tables = [
        ("measurement", "specimen,burst pressure [kPa]\nB1,1500\nB2,> 1600\n"),
        ("bypass_valve", "differential pressure [kPa],flow [L/min],direction\n"
                         "100,0.1,rising\n200,5,rising\n150,1,falling\n"),
        ("inspection", "characteristic,specimen,found,lower,upper,unit\n"
                       "height,C1,120.5,120,121,mm\nseal,C1,yes,,,\n"),
    ]  # fmt: skip
    records = [record(f"T{i}", kind, table) for i, (kind, table) in enumerate(tables)]
    of = small_bench(records)
    before, after = (
        [each.table for each in made.case.records] for made in (of, INPUTS["reading"](of, factor))
    )
    assert np.array_equal(after[0].values[0], before[0].values[0] * factor)
    assert after[0].bounds == before[0].bounds
    assert np.array_equal(after[1].pressure_drop, before[1].pressure_drop * factor)
    assert np.array_equal(after[1].flow, before[1].flow)
    assert float(after[2].found[0]) == pytest.approx(120.5 * factor)
    assert after[2].found[1] == "yes"


def test_each_quantity_has_an_input_but_a_statement():
    for name, quantity in DECLARED.items():
        found = list(inputs_of(lab(), quantity))
        assert set(found) <= set(INPUTS)
        assert bool(found) is (name != "statement")
