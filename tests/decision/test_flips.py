"""What flips a verdict is found by deciding again: where, and to what, a scan finds the same."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from dossier.decision.assess import _deciding
from dossier.decision.flips import ABOVE, BELOW, TRIALS, _seen, flips_of
from dossier.evidence.changed import INPUTS
from dossier.evidence.prepare import prepare
from dossier.evidence.requirement import resolve
from dossier.evidence.statistics.combine import DRAWS, trials, with_trials
from dossier.make.decide import limits
from dossier.make.read import read_case
from tests.made_bench import application, bench, exact, run, sweep
from tests.small_case import record, requirement, small

ON = date(2026, 3, 1)
CASES = Path(__file__).parents[2] / "inputs"
SIMPLE = {"kind": "simple_acceptance", "confidence": "95 %", "agreed": date(2026, 1, 5)}


def decided(asked, rule=SIMPLE):
    app = application([asked], decision_rule=rule, duty={"hot_oil": "100 degC"})
    lab = bench([sweep(), sweep("S2", "C2"), run(), run("M2", "C2")], app=app, limits=exact())
    (demand,) = resolve(app, "application.toml")[0]
    decide = _deciding(ON)
    return lab, decide(lab)(demand), decide


def drop(limit, **more):
    at = {"flow": "60 L/min", "temperature": "100 degC"}
    return requirement("clean_pressure_drop", at=at, max=f"{limit} kPa", **more)


def flips(lab, finding, decide):
    return {each.input: each for each in flips_of(lab, [finding], decide)}


@pytest.mark.parametrize("share", [1.004, 1.06, 1.24, 1.59])
def test_a_viscous_drop_flips_at_the_first_factor_beyond_limit_over_value(share):
    lab, finding, _ = decided(drop(100))
    limit = share * finding.estimate.value / 1e3
    lab, finding, decide = decided(drop(f"{limit:.6f}"))
    assert finding.verdict == "pass"
    (flip,) = [f for f in flips(lab, finding, decide)["viscosity"].flips if f.factor > 1]
    assert flip.factor == min(f for f in ABOVE if f > share)
    assert flip.verdict == "fail"


def test_what_fails_may_be_saved_and_what_is_far_stays():
    lab, finding, _ = decided(drop(100))
    value = finding.estimate.value / 1e3
    lab, finding, decide = decided(drop(f"{0.81 * value:.6f}"))
    found = flips(lab, finding, decide)["pressure"]
    assert [(f.factor, f.verdict) for f in found.flips] == [(0.8, "pass")]
    lab, finding, decide = decided(drop(f"{2.1 * value:.6f}"))
    assert flips(lab, finding, decide)["pressure"].flips == ()


def test_in_a_comparison_the_candidate_is_moved_alone():
    at = {"flow": "60 L/min", "temperature": "100 degC"}
    asked = requirement("clean_pressure_drop", at=at, not_worse_than_reference="21 %")
    app = application([asked], decision_rule=SIMPLE, duty={"hot_oil": "100 degC"})
    made = [sweep(), sweep("S2", "C2"), sweep("S3", "R1", "reference")]
    made.append(sweep("S4", "R2", "reference"))
    lab = bench(made, app=app, limits=exact())
    (demand,) = resolve(app, "application.toml")[0]
    finding = _deciding(ON)(lab)(demand)
    assert finding.verdict == "pass"  # both filters alike, so that a factor above 1.21 fails
    found = flips(lab, finding, _deciding(ON))["pressure"].flips
    assert [(f.factor, f.verdict) for f in found] == [(1.25, "fail")]


@pytest.mark.parametrize(("found", "factor"), [(142.0, 0.99), (136.0, 1.02)])
def test_what_fails_beside_a_window_may_pass_inside_it(found, factor):
    band = {"min": "138 mm", "max": "141 mm"}
    asked = requirement("dimension", at={"characteristic": "overall length"}, between=band)
    table = f"characteristic,specimen,found,lower,upper,unit\noverall length,C1,{found},,,mm\n"
    case = small([record("I1", "inspection", table, instruments=["CA"])], [asked])
    lab = prepare(case, limits(), 1)
    (demand,) = resolve(case.application, "application.toml")[0]
    failed = _deciding(ON)(lab)(demand)
    assert failed.verdict == "fail"
    moved = flips(lab, failed, _deciding(ON))["reading"].flips
    assert [(f.factor, f.verdict) for f in moved] == [(factor, "pass")]


def test_bisection_finds_what_a_scan_of_all_factors_finds():
    rule = {"kind": "graded", "confidence": "95 %", "agreed": date(2026, 1, 5)}
    asked = requirement("efficiency", at={"size": "10 um(c)"}, min="88 %", basis="mean")
    lab, finding, decide = decided(asked, rule)
    with with_trials(TRIALS):
        scans = [
            [(f, decide(INPUTS["counts"](lab, f))(finding.demand).verdict) for f in factors]
            for factors in (BELOW, ABOVE)
        ]
    first = [next((each for each in scan if each[1] != finding.verdict), None) for scan in scans]
    found = flips(lab, finding, decide)["counts"].flips
    assert [(f.factor, f.verdict) for f in found] == [each for each in first if each]
    assert found


def test_an_input_that_a_requirement_does_not_rest_on_is_left_out():
    lab, finding, decide = decided(drop(100))
    assert set(flips(lab, finding, decide)) == {"viscosity", "flow", "pressure"}
    set_aside = replace(finding, demand=replace(finding.demand, not_applicable="No such flow."))
    other = decide(lab)(set_aside.demand)
    assert flips(lab, other, decide) == {}


@pytest.mark.parametrize("name", ["polder-pumps", "chain-ferry"])
def test_what_benches_share_is_what_each_finds_by_itself(name):
    case = read_case(CASES / name)
    demands, _ = resolve(case.application, "application.toml")
    every = [each for each in demands if not each.not_applicable]
    lab, decide = prepare(case, limits(), 7), _deciding(ON)
    together = replace(lab, alike={})
    with with_trials(20):
        for change in INPUTS.values():
            for factor in (0.8, 1.3):
                alone, shared = (decide(change(each, factor)) for each in (lab, together))
                assert [_seen(alone(one)) for one in every] == [_seen(shared(one)) for one in every]


def test_of_many_findings_the_least_certain_are_looked_at():
    lab, finding, decide = decided(drop(100))
    many = [
        replace(finding, demand=replace(finding.demand, id=f"P{i}"), probability=i / 100)
        for i in range(60, 0, -1)
    ]
    found = {each.requirement for each in flips_of(lab, many, decide)}
    assert found == {f"P{i}" for i in range(1, 41)}


def test_factors_lie_from_half_to_twice_and_four_halvings_do():
    assert (BELOW[-1], ABOVE[-1]) == (0.5, 2.0)
    for factors in (BELOW, ABOVE):
        away = [abs(f - 1.0) for f in factors]
        assert away == sorted(away)
        assert len(set(factors)) == 16


def test_fewer_draws_end_with_the_search():
    lab, finding, decide = decided(drop(100))
    seen = []
    list(flips_of(lab, [finding], lambda *asked: seen.append(trials()) or decide(*asked)))
    assert set(seen) == {TRIALS}
    assert TRIALS < DRAWS
    assert trials() == DRAWS
