"""How oil divides: of viscous paths every split has a closed form."""

import math

import pytest

from dossier.evidence.quantities.fine_path import fine_share, pairs_of, path_flow
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from tests.made_bench import application, bench, entry, exact, instrument, sweep

approx = pytest.approx
WARM = 90.0 + 273.15
GALLERY = 300e3
Q = 60.0 / 6e4
MU, RHO = fluid_at(application().oil, WARM)
MAIN, FINE = 1e9, 2e11
"""Viscous coefficients: some 15 kPa at the rated flow, and a share near a tenth [1/m3]."""


def circuit(arrangement, gallery="300 kPa", **changes):
    made = {"arrangement": arrangement, "bypass_valve": None}
    return made | ({"gallery_pressure": gallery} if gallery else {}) | changes


def fine(record="F1", specimen="C1", a=FINE, **changes):
    return sweep(record, specimen, a=a, path="fine", flow=changes.pop("flow", FLOWS), **changes)


FLOWS = sweep().flow / 8.0


def shared(*sweeps, arrangement="combined", gallery="300 kPa", **options):
    changes = options.pop("circuit", {})
    app = application(circuit=circuit(arrangement, gallery, **changes))
    made = bench(sweeps, app=app, limits=options.pop("limits", exact()), **options)
    return attempt(fine_share, made, "candidate", WARM)


def test_to_the_sump_alone_the_gallery_drives_it():
    found = shared(fine(), arrangement="partial_flow")
    assert found.value == approx(GALLERY / (FINE * MU * Q), rel=1e-6)


def test_beside_a_full_flow_path_its_drop_drives_it_too():
    found = shared(fine(), sweep(a=MAIN))
    # a_f mu w Q = p + a_m mu (1 - w) Q
    wanted = (GALLERY + MAIN * MU * Q) / ((FINE + MAIN) * MU * Q)
    assert found.value == approx(wanted, rel=1e-6)


def test_parallel_to_the_engine_the_shares_are_as_the_conductances():
    found = shared(fine(a=9e9, flow=sweep().flow), sweep(a=MAIN),
                   arrangement="combined_through_flow", gallery=None)  # fmt: skip
    assert found.value == approx(MAIN / (MAIN + 9e9), rel=1e-6)


VALVE = {"location": "head", "opening": {"min": "5 kPa", "max": "10 kPa"}}


def test_an_open_valve_holds_the_drop_at_its_highest_opening():
    found = shared(fine(), sweep(a=MAIN), circuit={"bypass_valve": VALVE})
    assert found.value == approx((GALLERY + 10e3) / (FINE * MU * Q), rel=1e-6)
    assert any("valve is open" in note for note in found.notes)


def test_what_grows_with_the_square_of_the_flow_opens_the_valve_too():
    inertial = sweep(a=1e6, b=20e3 / (RHO * Q**2))
    found = shared(fine(), inertial, circuit={"bypass_valve": VALVE})
    assert found.value == approx((GALLERY + 10e3) / (FINE * MU * Q), rel=1e-6)


def test_a_valve_that_stays_shut_changes_nothing():
    shut = VALVE | {"opening": {"min": "10 kPa", "max": "100 kPa"}}
    found = shared(fine(), sweep(a=MAIN), circuit={"bypass_valve": shut})
    assert found.value == shared(fine(), sweep(a=MAIN)).value
    assert not any("valve is open" in note for note in found.notes)


def test_the_pump_s_flow_divides_where_it_is_stated():
    found = shared(fine(), arrangement="partial_flow", circuit={"pump_flow": "80 L/min"})
    assert found.value == approx(GALLERY / (FINE * MU * 80 / 6e4), rel=1e-6)


def test_the_fit_s_error_is_carried_through_the_balance():
    one = fine(covariance=[[(1e-3 * FINE) ** 2, 0.0], [0.0, 0.0]])
    found = shared(one, arrangement="partial_flow")
    assert found.u == approx(1e-3 * found.value, rel=2e-3)  # w is as 1 / a
    both = shared(one, sweep(a=MAIN, covariance=[[(0.01 * MAIN) ** 2, 0.0], [0.0, 0.0]]))
    w = both.value
    main = 0.01 * MAIN * (1 - w) / (FINE + MAIN)  # dw / da_m of the closed form
    assert both.u == approx(math.hypot(1e-3 * FINE * w / (FINE + MAIN), main), rel=2e-3)


def test_errors_of_two_coefficients_of_one_fit_are_correlated():
    a, b = FINE, 1e10
    u = (1e-3 * a, 1e-3 * b)

    def spread(correlation):
        off = correlation * u[0] * u[1]
        one = fine(b=b, covariance=[[u[0] ** 2, off], [off, u[1] ** 2]])
        return shared(one, arrangement="partial_flow").u

    assert spread(1.0) ** 2 + spread(-1.0) ** 2 == approx(2.0 * spread(0.0) ** 2, rel=1e-3)
    assert spread(1.0) > 1.01 * spread(0.0)


def test_one_gauge_errs_alike_on_both_paths():
    sweeps = (fine(a=9e9, flow=sweep().flow), sweep(a=MAIN))
    gauge = [instrument("DP", ["differential pressure"], reading_u="2 %")]
    found = shared(
        *sweeps, arrangement="combined_through_flow", gallery=None, instruments=gauge,
        entries=[entry(each, ["DP"]) for each in sweeps],
    )  # fmt: skip
    assert found.u == approx(0.0, abs=5e-5)  # the ratio of two drops does not feel it
    apart = [*gauge, instrument("D2", ["differential pressure"], reading_u="2 %")]
    named = zip(sweeps, ("DP", "D2"), "LM", strict=True)
    entries = [entry(each, [name], laboratory=rig) for each, name, rig in named]
    two = shared(
        *sweeps, arrangement="combined_through_flow", gallery=None, instruments=apart,
        entries=entries, laboratory=[{"id": n, "name": "Laboratory"} for n in "LM"],
    )  # fmt: skip
    w = two.value
    assert two.u == approx(math.sqrt(2.0) * 0.02 * w * (1 - w), rel=0.03)


def test_the_scatter_within_laboratories_is_kept_beside_that_of_all():
    sweeps = [fine(f"F{k}", f"C{k}", a=FINE * f) for k, f in enumerate((1.0, 1.02, 1.3, 1.32))]
    found = shared(
        *sweeps, arrangement="partial_flow",
        entries=[entry(each, laboratory=n) for each, n in zip(sweeps, "LLMM", strict=True)],
        laboratory=[{"id": n, "name": "Laboratory"} for n in "LM"],
    )  # fmt: skip
    one, two, three, four = (GALLERY / (FINE * f * MU * Q) for f in (1.0, 1.02, 1.3, 1.32))
    # Two of either: half their squared difference is their variance; pooled over both, of four.
    pooled = ((one - two) ** 2 + (three - four) ** 2) / 2.0 / 2.0
    assert found.components[0].within == approx(math.sqrt(pooled / 4.0), rel=1e-3)
    assert found.components[0].within < 0.2 * found.components[0].u


def test_thicker_oil_takes_less_through_the_fine_path():
    found = shared(fine(), arrangement="partial_flow", limits=exact(viscosity=0.01))
    assert found.u == approx(found.value * 0.01 / math.sqrt(1.5), rel=0.01)  # and that of the sweep


def test_each_specimen_divides_by_its_own_pair():
    found = shared(fine(), fine("F2", "C2", a=1.1 * FINE), sweep(a=MAIN), sweep("S2", "C2", a=2e9))
    second = (GALLERY + 2e9 * MU * Q) / ((1.1 * FINE + 2e9) * MU * Q)
    assert found.per_specimen[1].value == approx(second, rel=1e-6)


@pytest.mark.parametrize(
    ("sweeps", "options", "said"),
    [
        ([sweep()], {"arrangement": "full_flow"}, "has no fine path"),
        ([fine()], {"gallery": None, "arrangement": "partial_flow"}, "gallery pressure"),
        ([sweep()], {}, "fine path: there is no"),
        ([fine()], {}, "there is no"),
        ([fine(), fine("F2", "C2"), sweep("S2", "C2")], {}, "of specimen C1"),
        ([fine(a=1e9)], {"arrangement": "partial_flow"}, "flow split: the fine path would take"),
        ([fine(flow=FLOWS / 9)], {"arrangement": "partial_flow"}, "of record F1"),
        ([fine(), sweep(flow=sweep().flow / 4)], {}, "of record S1"),
    ],
)
def test_what_is_missing_or_out_of_range_is_said(sweeps, options, said):
    found = shared(*sweeps, **options)
    assert isinstance(found, NotDemonstrated)
    assert said in found.reason


def test_without_a_full_flow_path_a_pair_is_its_fine_path_alone():
    app = application(circuit=circuit("partial_flow"))
    (pair,) = pairs_of(bench([fine()], app=app), "candidate")
    assert (pair.main, pair.fine.record) == (None, "F1")


def test_flows_of_the_paths_in_the_application():
    def of(arrangement, **changes):
        return application(circuit=circuit(arrangement, **changes)).circuit

    assert path_flow(of("full_flow"), "full_flow") == approx(Q)
    assert path_flow(of("combined"), "fine") is None
    part = of("combined", partial_flow_share="10 %", pump_flow="80 L/min")
    assert path_flow(part, "fine") == approx(8 / 6e4)
    assert path_flow(part, "full_flow") == approx(Q)
    alone = of("partial_flow", partial_flow_share="10 %")
    assert path_flow(alone, "full_flow") == path_flow(alone, "fine") == approx(6 / 6e4)
    assert bench([sweep()]).case.application.circuit.pumped == approx(Q)
