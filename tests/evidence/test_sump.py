"""Long-run concentration: the mass balance of the sump, solved by hand."""

import math

import numpy as np
import pytest

from dossier.evidence.quantities.sump import size_class, sump_estimate
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.statistics.combine import DRAWS
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from tests.evidence.test_fine_path import FINE, circuit, fine
from tests.laboratory import DUST_COUNTS, DUST_SIZES
from tests.made_bench import SIZES, application, bench, exact, run, sweep

approx = pytest.approx
Q = 60.0 / 6e4
WARM = 90.0 + 273.15
RATE = 0.06e-3 / 3600.0
DUTY = {
    "ingression": {"value": "0.06 g/h", "u": "0.006 g/h"}, "ingression_dust": "ISO 12103-1 A3",
}  # fmt: skip
PER_KG = dict(zip(DUST_SIZES, DUST_COUNTS * 1e8, strict=True))
"""A3 as counted once through at 10 mg/L, in a kilogram."""


def sump(*results, arrangement="full_flow", size=10.0, duty=None, limits=None, **options):
    changes = options.pop("circuit", {})
    app = application(duty=DUTY | (duty or {}), circuit=circuit(arrangement, **changes))
    made = bench(results, app=app, limits=limits or exact(), **options)
    return attempt(sump_estimate, made, "candidate", size, WARM)


def one_pass(efficiency, size=10.0):
    return RATE * PER_KG[size] / (Q * efficiency) / 1e6


def test_a_full_flow_filter_removes_once_a_pass():
    found = sump(run(passes=0.1))
    assert found.value == approx(one_pass(0.9), rel=1e-3)
    assert found.details["passage"] == approx(0.1)


FINE_RUN = {"path": "fine", "flow": 6.0 / 6e4}


def test_both_paths_clean_by_their_shares():
    found = sump(run(passes=0.6), run("M2", passes=0.01, **FINE_RUN), sweep(a=1e9), fine(),
                 arrangement="combined")  # fmt: skip
    mu = fluid_at(application().oil, WARM)[0]
    w = (300e3 + 1e9 * mu * Q) / ((FINE + 1e9) * mu * Q)
    assert found.value == approx(one_pass((1 - w) * 0.4 + w * 0.99), rel=1e-3)
    assert found.per_specimen[0].value == approx(found.value, rel=1e-3)
    assert found.details["passage"] == approx(0.6)
    assert {"M1", "M2", "F1"} <= set(found.sources)


def test_through_flow_mixes_both_paths_ahead_of_the_bearings():
    part = fine(a=9e9, flow=sweep().flow)
    found = sump(run(passes=0.6, flow=54 / 6e4), run("M2", passes=0.01, path="fine", flow=6 / 6e4),
                 sweep(a=1e9), part, arrangement="combined_through_flow", circuit={
                     "gallery_pressure": None})  # fmt: skip
    assert found.details["passage"] == approx(0.9 * 0.6 + 0.1 * 0.01, rel=1e-4)


def test_a_partial_flow_filter_protects_by_the_sump_alone():
    found = sump(run(passes=0.01, **FINE_RUN), fine(), arrangement="partial_flow")
    assert found.details["passage"] == 1.0


def test_a_stated_share_stands_in_where_none_can_be_computed():
    found = sump(run(passes=0.01, path="fine", flow=3.0 / 6e4), arrangement="partial_flow",
                 circuit={"partial_flow_share": "5 %"})  # fmt: skip
    assert found.value == approx(one_pass(0.05 * 0.99), rel=1e-3)
    assert any("as the application states it" in note for note in found.notes)


def test_the_budget_holds_ingression_and_the_wider_side_of_the_spectrum():
    found = sump(run(passes=0.1))
    by_name = {part.name: part for part in found.components}
    assert by_name["ingression"].u == approx(0.1 * found.value, rel=0.01)
    # A rectangle of the dust's band at 10 um(c), +/- 11 %: half of what holds 68.27 % of it.
    wide = 0.11 * 0.682690 * found.value
    assert by_name["number spectrum of the dust"].u == approx(wide, rel=0.05)
    assert {part.shared for part in found.components} == {"rate", "counts", ""}
    assert found.u == approx(math.hypot(0.1, 0.11 / math.sqrt(3.0)) * found.value, rel=0.05)
    assert found.per_specimen[0].u / found.per_specimen[0].value == approx(found.u / found.value)


def test_the_wider_half_of_a_lopsided_spectrum_counts(monkeypatch):
    from dossier.evidence.quantities import sump as module

    middle = PER_KG[10.0]
    for low, high in ((0.6, 1.1), (0.9, 1.4)):
        ends = (low * middle, high * middle)
        monkeypatch.setattr(module.particles, "counts_per_mass_limits", lambda _, ends=ends: ends)  # type: ignore[attr-defined]
        found = sump(run(passes=0.1))
        drawn = {part.name: part.u for part in found.components}["number spectrum of the dust"]
        assert drawn == approx(0.4 * 0.682690 * found.value, rel=0.02)


def test_two_specimens_each_have_their_own_balance():
    found = sump(run(passes=0.1), run("M2", "C2", passes=0.3))
    assert [each.value for each in found.per_specimen] == approx(
        [one_pass(0.9), one_pass(0.7)], rel=1e-3
    )
    assert found.value == approx(one_pass(0.8), rel=1e-3)  # from the mean penetration


def classes(cumulative):
    return np.append(cumulative[:-1] - cumulative[1:], cumulative[-1])


def test_coarse_classes_are_thinned_out_more():
    passes = np.array([0.9, 0.8, 0.5, 0.3, 0.1, 0.01])
    up = PER_KG[4.0] * (4.0 / SIZES) ** 3
    each = 1.0 - classes((up * passes)[2:]) / classes(up[2:])
    comes = np.array([PER_KG[x] for x in SIZES[2:]])
    wanted = RATE / Q / 1e6 * (classes(comes) / each).sum()
    assert sump(run(up=up, down=up * passes)).value == approx(wanted, rel=1e-3)


VALVE = {"location": "head", "opening": {"min": "30 kPa", "max": "40 kPa"}}


@pytest.mark.parametrize(
    ("drops", "opens"), [((0.5, 0.9), False), ((0.5, 1.1), True), ((1.1, 1.2), True)]
)
def test_where_a_clean_specimen_may_open_the_valve_nothing_is_known(drops, opens):
    mu = fluid_at(application().oil, WARM)[0]
    sweeps = [sweep(f"S{i}", f"C{i}", a=30e3 * d / mu / Q) for i, d in enumerate(drops, 1)]
    found = sump(run(), run("M2", "C2"), *sweeps, circuit={"bypass_valve": VALVE})
    assert isinstance(found, NotDemonstrated) is opens


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"size": 8.0}, "no counts at 8"),
        ({"duty": {"ingression_dust": "ISO 12103-1 A2"}}, "A3 only"),
        ({"duty": {"ingression": None}}, "no ingression"),
        ({"duty": {"ingression": {"value": "0.06 g/h"}}}, "no uncertainty"),
        ({"circuit": {"rated_flow": "200 L/min"}}, "of the run in record M1"),
        ({"arrangement": "combined"}, "there is no"),
    ],
)
def test_what_cannot_be_known_is_said(options, said):
    found = sump(run(), **options)
    assert isinstance(found, NotDemonstrated)
    assert said in found.reason


def test_a_size_beyond_the_spectrum_is_said():
    big = np.array([4.0, 6.0, 10.0, 14.0, 20.0, 40.0])
    found = sump(run(sizes=big), size=40.0)
    assert "dust spectrum" in found.reason


def test_nothing_removed_in_a_draw_is_an_infinite_concentration():
    found = sump(run(up=1000.0, down=950.0))
    assert found.samples.shape == (DRAWS,)
    assert 0.1 < np.isposinf(found.samples).mean() < 0.15  # 1 - Phi((1 - P) / u(P))


def test_of_a_full_flow_arrangement_no_fine_path_is_asked():
    app = application(duty=DUTY, circuit=circuit("full_flow"))
    known = size_class(bench([run()], app=app, limits=exact()), "candidate", 10.0, WARM)
    assert list(known.parts) == ["main"]


def test_a_specimen_that_catches_nothing_has_no_long_run():
    """Its concentration would come out below zero, and so below any limit."""
    found = sump(run(passes=0.1), run("M2", "C2", passes=1.05))
    assert isinstance(found, NotDemonstrated)
    assert "catches nothing" in found.reason


@pytest.mark.parametrize(
    ("arrangement", "invalid", "stands_in"),
    [
        ("partial_flow", {}, True),
        ("partial_flow", {"F1": "leaked"}, False),
        ("combined", {}, False),
    ],
)
def test_a_stated_share_stands_in_for_no_invalid_sweep_and_no_filter(
    arrangement, invalid, stands_in
):
    """A machine shares out its flow as stated; a can does it itself, and may do it otherwise."""
    flow = 3.0 / 6e4
    runs = [run(passes=0.5, flow=57.0 / 6e4)] if arrangement == "combined" else []
    beyond = fine(flow=sweep().flow / 50)
    found = sump(*runs, run("M2", passes=0.01, path="fine", flow=flow), beyond,
                 arrangement=arrangement, circuit={"partial_flow_share": "5 %"},
                 unusable=invalid)  # fmt: skip
    assert isinstance(found, NotDemonstrated) is not stands_in
