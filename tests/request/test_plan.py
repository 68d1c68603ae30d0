"""Tests, points and sizes follow from the requirements of a case that has no records."""

import shutil
import tomllib
from pathlib import Path
from typing import get_args

import pytest

from dossier.case.application import Circuit
from dossier.case.problems import CaseError
from dossier.case.read import read_asked_files
from dossier.case.units import parse_quantity
from dossier.evidence.limits import designation_of, method_of
from dossier.evidence.quantities import all_quantities
from dossier.make.decide import limits
from dossier.make.request_files import asked_of, make_request, settings_of
from dossier.request.counted import TOGETHER, assumptions_of, needs_scatter
from dossier.request.points import Settings, counted_sizes
from dossier.request.reported import measured_column
from tests.small_case import requirement, write
from tests.spelled import INPUTS

ASSUMED = {"temperature": ("1 K", "3 K"), "cleanliness code": ("0.2 classes", "1 classes")}
GENERAL = Settings(criterion_flow=1 / 6e4, terminal_fine=175e3)


def asked(folder, requirements, **options):
    write(folder, [], requirements, **options)
    (folder / "case.toml").unlink()
    return asked_of(folder)


def assumed(demands, scatter="4 %", margin="10 %", share="50 %"):
    own = [(d.id, ASSUMED[d.quantity.dimension]) for d in demands
           if d.quantity.dimension in ASSUMED]  # fmt: skip
    return assumptions_of(
        [scatter, *(f"{name}={pair[0]}" for name, pair in own)],
        [margin, *(f"{name}={pair[1]}" for name, pair in own)],
        share,
        demands,
    )


def requested(folder, settings=GENERAL, **options):
    found, demands = asked_of(folder)
    return make_request(found, demands, assumed(demands, **options), settings)


def small(folder, requirements, settings=GENERAL, **options):
    found, demands = asked(folder, requirements, **options)
    return make_request(found, demands, assumed(demands), settings)


@pytest.mark.parametrize("case", ["polder-pumps", "ropeway-drive", "chain-ferry"])
def test_what_the_demo_cases_tested_is_what_their_requirements_ask_for(case):
    """Kinds and paths of the candidate's records, against the request made without records."""
    request = requested(INPUTS / case)
    tested = {
        (record["kind"], record.get("path", "full_flow"))
        for record in tomllib.loads((INPUTS / case / "case.toml").read_text())["record"]
        if record["filter"] == "candidate"
    }
    wanted = {(test.needed.kind, test.needed.path) for test in request.tests}
    assert wanted == tested | (wanted & {("bypass_valve", "full_flow")})


@pytest.mark.parametrize("case", ["polder-pumps", "ropeway-drive", "chain-ferry"])
def test_sizes_of_the_requirements_are_counted(case):
    request = requested(INPUTS / case)
    for test in request.tests:
        for demand in test.needed.demands:
            if test.needed.kind == "multipass" and "size" in demand.at:
                assert demand.at["size"] in test.points.sizes


def test_a_size_that_is_looked_for_has_a_counted_one_on_each_side(tmp_path):
    _, demands = asked(
        tmp_path / "a", [requirement("size_at_efficiency", at={"efficiency": "90 %"},
                                     max="16 um(c)", basis="mean")],
    )  # fmt: skip
    sizes = counted_sizes(demands)
    assert 16.0 in sizes
    assert min(sizes) < 16.0 < max(sizes)


def test_sizes_of_an_older_calibration_are_counted_as_converted(tmp_path):
    _, demands = asked_of(INPUTS / "public-specification")
    sizes = counted_sizes(demands)
    for demand in demands:
        if demand.quantity.name == "size_at_ratio":
            assert any(abs(size - demand.upper) < 1e-9 for size in sizes)
            assert min(sizes) < demand.upper < max(sizes)


def test_a_cleanliness_code_needs_its_three_sizes(tmp_path):
    _, demands = asked(
        tmp_path / "a", [requirement("sump_cleanliness", max="18/16/13", basis="mean")]
    )
    assert counted_sizes(demands) == (4.0, 6.0, 14.0)


def test_a_run_ends_where_the_valve_is_fully_open_unless_the_call_says_otherwise(tmp_path):
    folder = tmp_path / "a"
    request = small(folder, [requirement("injected_capacity", min="20 g", basis="mean")])
    assert request.tests[0].points.terminal == pytest.approx(190e3)
    assert request.tests[0].points.flow == pytest.approx(60 / 6e4)
    given = requested(folder, Settings(terminal=125e3))
    assert given.tests[0].points.terminal == pytest.approx(125e3)


def test_without_valve_or_limit_somebody_has_to_say_where_a_run_ends(tmp_path):
    with pytest.raises(CaseError, match="--terminal"):
        small(tmp_path / "a", [requirement("injected_capacity", min="20 g", basis="mean")],
              valve={"location": "none"})  # fmt: skip


def test_a_valve_sweep_needs_the_flow_that_counts_as_open(tmp_path):
    with pytest.raises(CaseError, match="--criterion-flow"):
        small(tmp_path / "a", [requirement("valve_reseat_pressure", min="110 kPa")], Settings())


def test_the_sweep_reaches_the_oil_and_the_flow_of_the_application(tmp_path):
    cold = requirement(
        "clean_pressure_drop", max="900 kPa", basis="mean",
        at={"flow": "90 L/min", "temperature": "0 degC"},
    )  # fmt: skip
    request = small(tmp_path / "a", [cold])
    points = request.tests[0].points
    assert max(points.flows) == pytest.approx(1.2 * parse_quantity("90 L/min", "flow"))
    from dossier.evidence.records.fluid import kinematic_at

    wanted = kinematic_at(request.asked.application.oil, 273.15)
    assert wanted > 2 * 500e-6, "the example has to lie beyond what 500 mm2/s may be carried to"
    assert max(points.viscosities) * 2 >= wanted
    assert min(points.viscosities) <= 24e-6


def test_a_population_with_nothing_measured_is_a_success_run(tmp_path):
    each = requirement("statement", at={"characteristic": "sound"}, must_hold=True,
                       basis="population", coverage="90 %")  # fmt: skip
    found, demands = asked(tmp_path / "a", [each])
    assert not needs_scatter(demands[0])
    request = make_request(found, demands, assumptions_of(["1 %"], ["1 %"], "1 %", demands),
                           Settings())  # fmt: skip
    assert request.counts[0].n == 29  # 1 - 0.95 >= 0.9^n
    assert request.tests[0].specimens == {"candidate": 29}
    assert len(request.tests[0].sheets[0].rows) == 29


def test_the_filter_now_fitted_is_tested_only_where_it_is_the_limit(tmp_path):
    both = [
        requirement("retained_capacity", "C1", not_worse_than_reference="5 %", basis="mean"),
        requirement("clean_pressure_drop", "P1", max="40 kPa", at={"temperature": "90 degC"},
                    basis="mean"),
    ]  # fmt: skip
    request = small(tmp_path / "a", both)
    assert {test.needed.kind: set(test.specimens) for test in request.tests} == {
        "multipass": {"candidate", "reference"},
        "pressure_drop": {"candidate"},
    }
    compared = next(each for each in request.counts if each.demand.id == "C1")
    alone = next(each for each in request.counts if each.demand.id == "P1")
    assert compared.n > alone.n


def test_an_advisory_requirement_sets_no_number(tmp_path):
    hard = requirement("clean_pressure_drop", "P2", max="40 kPa", at={"temperature": "90 degC"},
                       basis="population", coverage="95 %", severity="advisory")  # fmt: skip
    easy = requirement("injected_capacity", min="20 g", basis="mean")
    request = small(tmp_path / "a", [easy, hard])
    assert max(each.n for each in request.counts) > 20
    assert all(test.specimens["candidate"] == 4 for test in request.tests)


def test_planned_specimens_are_never_fewer_than_the_case_names(tmp_path):
    case = Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "in"))
    request = requested(case, margin="50 %")
    assert request.names["candidate"][:3] == ("C1", "C2", "C3")
    assert all(test.specimens["candidate"] >= 3 for test in request.tests)


def test_nothing_is_assumed_in_silence():
    _, demands = asked_of(INPUTS / "polder-pumps")
    with pytest.raises(CaseError) as caught:
        assumptions_of([], [], "", demands)
    assert {problem.place for problem in caught.value.problems} == {
        "--scatter", "--margin", "--share"
    }  # fmt: skip
    with pytest.raises(CaseError, match="'B9' is not known"):
        assumptions_of(["B9=1 %"], ["10 %"], "50 %", demands)
    with pytest.raises(CaseError, match="temperature has no meaning"):
        assumptions_of(["4 %"], ["10 %"], "50 %", demands)
    with pytest.raises(CaseError, match="do not compare"):
        assumptions_of(["4 %", "B2=1 K", "L1=20 h"], ["10 %", "B2=3 K"], "50 %", demands)


@pytest.mark.parametrize("bad", ["0 %", "-4 %", "nan %", "1e999 %", "much"])
def test_what_is_no_scatter_or_margin_is_refused(bad):
    _, demands = asked_of(INPUTS / "ropeway-drive")
    for scatter, margin in ((bad, "10 %"), ("4 %", bad)):
        with pytest.raises(CaseError, match="--scatter" if scatter == bad else "--margin"):
            assumptions_of([scatter], [margin], "50 %", demands)


@pytest.mark.parametrize("share", ["0 %", "101 %", "5", "half"])
def test_a_share_that_is_none_is_refused(share):
    _, demands = asked_of(INPUTS / "ropeway-drive")
    with pytest.raises(CaseError, match="--share"):
        assumed(demands, share=share)


def test_what_is_carried_over_is_not_asked_again_unless_the_change_reopens_it(tmp_path):
    """Another glue reopens multi-pass runs; the sweeps, the valve and the fitted filter stand."""
    folder = tmp_path / "case"
    shutil.copytree(INPUTS / "polder-glue", folder)
    case = folder / "case.toml"
    text = case.read_text().replace('runs = "runs.csv"', "")
    case.write_text(text)
    request = requested(folder, scatter="1 %", margin="20 %", share="100 %")
    found = [(test.needed.kind, dict(test.specimens)) for test in request.tests]
    assert found == [("multipass", {"candidate": 3, "reference": 0})]
    assert request.names["candidate"] == ("D1", "D2", "D3")
    more = requested(folder, scatter="4 %", margin="10 %")
    numbers = {test.needed.kind: dict(test.specimens) for test in more.tests}
    assert numbers == {
        "pressure_drop": {"candidate": 3},
        "multipass": {"candidate": 6, "reference": 3},
    }
    used = {"C1", "C2", "C3", "R1", "R2", "R3"}
    assert used.isdisjoint(more.names["candidate"] + more.names["reference"])
    case.write_text(text.replace('"PD-C2", ', ""))
    with pytest.raises(CaseError, match="leaves out PD-C2 of LFQ-0412 rev 0, though PD-C1"):
        requested(folder, scatter="1 %", margin="20 %", share="100 %")
    case.write_text(text.replace('what = ["glue"]', 'what = ["medium", "valve"]'))
    anew = requested(folder, scatter="1 %", margin="20 %", share="100 %")
    assert [test.needed.kind for test in anew.tests] == [
        "pressure_drop", "multipass", "bypass_valve",
    ]  # fmt: skip


def test_what_the_call_settles_is_read_and_what_it_leaves_out_is_not():
    asked, demands = asked_of(INPUTS / "polder-pumps")
    given = settings_of(demands, asked, "1 L/min", "", "", pytest.fail)
    assert given.criterion_flow == pytest.approx(1.0 / 6e4)
    with pytest.raises(CaseError, match="--terminal-fine"):
        settings_of(demands, asked, "", "", "150", None)
    answered = settings_of(demands, asked, "", "", "", lambda _: "1 L/min")
    assert answered.criterion_flow == given.criterion_flow
    unswept = [each for each in demands if "bypass_valve" not in each.quantity.records]
    settings_of(unswept, asked, "", "", "", pytest.fail)  # nobody is asked for what nothing needs


def test_each_of_several_applications_asks_for_itself_and_all_together(tmp_path):
    """Of one there are no parts and no mark; without case.toml there is no language either."""
    names = ["lock-gates", "dredger", "pump-barge"]
    found = read_asked_files(Path(__file__).parents[2] / "inputs" / "canal-fleet")
    assert [(part.mark, part.file) for part in found.parts] == [(n, f"{n}.toml") for n in names]
    assert {found.language, *(part.language for part in found.parts)} == {"en"}
    assert (found.file, found.mark) == ("lock-gates.toml", "")
    own = [each.text for part in found.parts for each in part.application.requirement]
    assert {*own} == {each.text for each in found.application.requirement}
    assert [*found.requests] == [each for part in found.parts for each in part.requests]
    one = read_asked_files(INPUTS / "polder-pumps")
    assert (one.parts, one.mark, one.language) == ((), "", "en")
    shutil.copytree(INPUTS / "polder-pumps", tmp_path / "a")
    (tmp_path / "a" / "case.toml").unlink()
    (tmp_path / "a" / "requested.toml").unlink()
    bare = read_asked_files(tmp_path / "a")
    assert (bare.draft, bare.language, bare.requests) == (None, "", ())
    assert bare.application == one.application


def test_two_applications_are_several_and_a_requirement_that_occurs_twice_is_refused(tmp_path):
    for name in ("canal-fleet", "ropeway-drive"):
        shutil.copytree(Path(__file__).parents[2] / "inputs" / name, tmp_path / name)
    case = tmp_path / "canal-fleet"
    text = (case / "case.toml").read_text().replace('"dredger.toml", ', "")
    (case / "case.toml").write_text(text)
    (case / "requested.toml").unlink()
    assert [part.mark for part in read_asked_files(case).parts] == ["lock-gates", "pump-barge"]
    twice = write(tmp_path / "twice", [], [requirement("burst_pressure", min="1500 kPa")] * 2)
    with pytest.raises(CaseError, match="requirement 'Q1': occurs 2 times"):
        read_asked_files(twice)


ALL = all_quantities()


@pytest.mark.parametrize("name", [n for n, q in ALL.items() if "measurement" in q.records])
def test_a_measurement_is_asked_for_by_a_method_that_its_record_may_go_by(tmp_path, name):
    """Else it is made as asked, and carries no result."""
    limit = {"basis": "mean"} | tomllib.loads(ALL[name].example)
    asked_for = small(tmp_path / "a", [requirement(name, **limit)]).tests[0].needed
    method = method_of(asked_for.standard, limits().methods)
    assert measured_column(name) in method.results
    assert designation_of(asked_for.standard).edition == method.editions[-1]


@pytest.mark.parametrize(("place", "swept"), [("filter", True), ("head", False)])
def test_a_life_that_ends_with_the_valve_of_the_filter_needs_its_sweep(tmp_path, place, swept):
    valve = {"location": place, "opening": {"min": "140 kPa", "max": "180 kPa"}}
    life = requirement("service_life", min="300 h", basis="mean")
    tests = small(tmp_path / "a", [life], valve=valve).tests
    assert ("bypass_valve" in {test.needed.kind for test in tests}) is swept


@pytest.mark.parametrize(
    "limit", [{"quantity": "valve_reseat_pressure", "min": "110 kPa", "basis": "mean"},
              {"quantity": "burst_pressure", "min": "1 MPa", "basis": "population"}],
)  # fmt: skip
def test_a_test_of_its_own_is_planned_whole(tmp_path, limit):
    """Else a laboratory leaves specimens out, and nothing shows it."""
    request = small(tmp_path / "a", [requirement(**limit)])
    (test,) = request.tests
    assert len(request.names["candidate"]) == test.specimens["candidate"] > 2
    assert {len(sheet.specimens) for sheet in test.sheets} == {test.specimens["candidate"]}


def test_more_valves_than_the_plan_has_specimens_are_others(tmp_path):
    """Swept beside those of the plan they would be a condition on page one."""
    drop = requirement("clean_pressure_drop", "P1", max="60 kPa", at={"temperature": "90 degC"},
                       basis="mean")  # fmt: skip
    reseat = requirement("valve_reseat_pressure", "V1", min="110 kPa", basis="mean")
    folder = tmp_path / "a"
    found, demands = asked(folder, [drop, reseat])
    assume = assumptions_of(["4 %", "V1=8 %"], ["10 %"], "50 %", demands)
    request = make_request(found, demands, assume, GENERAL)
    valves = next(test for test in request.tests if test.needed.kind == "bypass_valve")
    names = valves.sheets[0].specimens
    assert len(names) > len(request.names["candidate"])
    assert set(names).isdisjoint(request.names["candidate"])


@pytest.mark.parametrize("arrangement", get_args(Circuit.model_fields["arrangement"].annotation))
def test_no_specimen_is_asked_for_twice_in_any_arrangement(tmp_path, arrangement):
    """What is read counts a specimen once: where there is but a fine path, every run is of it."""
    wanted = [
        requirement("clean_pressure_drop", "P1", max="60 kPa", at={"temperature": "90 degC"}),
        requirement("efficiency", "E1", min="90 %", at={"size": "10 um(c)"}),
        requirement("sump_concentration", "F1", max="9 1/mL", at={"size": "10 um(c)"}),
    ]
    folder = write(tmp_path / "a", [], [each | {"basis": "mean"} for each in wanted])
    (folder / "case.toml").unlink()
    path = folder / "application.toml"
    more = f'"{arrangement}", partial_flow_share = "10 %", gallery_pressure = "3 bar"'
    path.write_text(path.read_text().replace('"full_flow"', more))
    path_of = asked_of(folder)[0].application.circuit.path_of
    sheets = [
        (test.needed.kind, path_of(test.needed.path), sheet.specimen)
        for test in requested(folder).tests
        for sheet in test.sheets
    ]
    assert len(sheets) == len(set(sheets))


def test_runs_and_sweeps_of_the_filter_now_fitted_are_of_the_same_specimens(tmp_path):
    """Else a comparison lacks a specimen, though all was done as asked."""
    wanted = [
        requirement("efficiency", "E1", at={"size": "10 um(c)"}, not_worse_than_reference="20 %"),
        requirement("clean_pressure_drop", "P1", at={"temperature": "90 degC"},
                    not_worse_than_reference="10 %"),
        requirement("valve_leakage", "V1", at={"pressure": "90 kPa"},
                    not_worse_than_reference="10 %"),
    ]  # fmt: skip
    found, demands = asked(tmp_path / "a", [each | {"basis": "mean"} for each in wanted])
    assume = assumptions_of(["4 %", "E1=6 %", "V1=8 %"], ["10 %"], "50 %", demands)
    request = make_request(found, demands, assume, GENERAL)
    plan = request.names["reference"]
    for test in request.tests:
        own = [n for s in test.sheets if s.filter == "reference" for n in s.specimens]
        alike = test.needed.kind in TOGETHER
        assert own == list(plan) if alike else set(own).isdisjoint(plan)


def test_an_oil_that_is_not_known_at_a_temperature_asked_for_stops_no_request(tmp_path):
    odd = requirement("clean_pressure_drop", max="60 kPa", at={"temperature": "400 degC"})
    assert small(tmp_path / "a", [odd]).tests[0].points.viscosities == pytest.approx(
        (24e-6, 500e-6), rel=0.5
    )
