"""Cautions and conditions follow the findings; a concession is the one that was taken."""

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from dossier.case.model import Concession
from dossier.decision.assess import assess_case
from dossier.decision.cautions import GENERAL, cautions_for, conditions_for
from dossier.decision.finding import Condition
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.bench import Bench
from dossier.evidence.limits import Check
from dossier.evidence.quantities import all_quantities
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.requirement import resolve
from dossier.make.decide import limits
from dossier.report.pages.fixed_words import conditions_said
from tests.evidence.test_strength_quantities import burst
from tests.made_bench import application, entry, exact, run, sweep
from tests.made_bench import bench as made
from tests.report import sample
from tests.report.sample import bench, case, demand, estimate, finding, qualification
from tests.small_case import requirement, small

DECLARED = all_quantities()
DAY = date(2026, 3, 1)


def concession(**changes):
    given = {
        "requirement": "Q1", "text": "Until the stronger can comes.", "agreed_by": "Fleet",
        "agreed": date(2026, 2, 10), "until": date(2026, 12, 31), "machines": ("Winch",),
    }  # fmt: skip
    return Concession(**(given | changes))


def assessed(*granted, on=DAY, others=()):
    asked = [requirement("burst_pressure", min="5 MPa"), *others]
    of = small([burst("1000", "1010")], asked)
    of = replace(of, qualification=of.qualification.model_copy(update={"concession": granted}))
    demands, _ = resolve(of.application, "application.toml")
    return assess_case(of, demands, limits(), on)


def test_the_condition_says_the_concession_that_was_taken():
    past = concession(until=date(2026, 2, 15), machines=("Dredge",), agreed_by="Nobody now")
    found = assessed(past, concession())
    assert found.findings[0].concession == concession()
    (condition,) = [each for each in found.conditions if each.kind == "concession"]
    assert "valid until 2026-12-31 on Winch; agreed 2026-02-10 by Fleet" in condition.text
    assert "Dredge" not in condition.text
    assert found.valid_until == date(2026, 12, 31)
    unused = [c.text for c in found.cautions if c.title.startswith("Concession not used")]
    assert len(unused) == 1


@pytest.mark.parametrize(
    ("on", "covered"),
    [(date(2026, 2, 9), False), (date(2026, 2, 10), True), (date(2026, 12, 31), True),
     (date(2027, 1, 1), False)],
)  # fmt: skip
def test_a_concession_covers_from_its_first_day_to_its_last(on, covered):
    found = assessed(concession(), on=on)
    assert bool(found.findings[0].concession) is covered
    assert found.decision is (
        Decision.APPROVED_WITH_CONDITIONS if covered else Decision.NOT_APPROVED
    )
    after = assessed(concession(until=None), on=date(2030, 1, 1))
    assert after.findings[0].concession == concession(until=None)


def test_a_concession_covers_its_own_requirement_alone():
    other = requirement("burst_pressure", "Q2", min="100 kPa")
    found = assessed(concession(requirement="Q2"), others=[other])
    assert [each.concession for each in found.findings] == [None, None]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "[valid until 2026-12-31 on Winch; agreed 2026-02-10 by Fleet]"),
        ({"machines": ()}, "[valid until 2026-12-31; agreed 2026-02-10 by Fleet]"),
        ({"until": None}, "[valid on Winch; agreed 2026-02-10 by Fleet]"),
    ],
)
def test_a_condition_says_how_far_leave_goes(changes, words):
    given = finding(demand(DECLARED["burst_pressure"], "S1"), None, "fail",
                    concession=concession(requirement="S1", **changes))  # fmt: skip
    (condition,) = conditions_for(case(), [given])
    assert condition.text == f"S1: concession: {concession().text} {words}"
    advisory = replace(given, demand=replace(given.demand, severity="advisory"))
    assert not [*conditions_for(case(), [advisory])]


def test_a_conditional_pass_is_a_condition():
    given = finding(demand(DECLARED["efficiency"], "E1"), estimate(0.9, 0.1),
                    "conditional pass", probability=0.81)  # fmt: skip
    (condition,) = conditions_for(case(), [given])
    assert condition.kind == "conditional pass"
    assert "81.0 %" in condition.text


def told(findings=(), lab=None, decision="approved"):
    given = cautions_for(lab or bench(case()), findings, Decision(decision))
    return {each.title: each.text for each in given}


@pytest.mark.parametrize(
    ("verdict", "chance", "thin"),
    [("pass", 0.9749, True), ("pass", 0.9751, False), ("conditional pass", 0.9, True),
     ("fail", 0.2, False), ("pass", None, False)],
)  # fmt: skip
def test_a_margin_is_thin_in_the_worse_half_of_what_passes(verdict, chance, thin):
    # wanted 95 %: half way from there to certainty is 97.5 %
    given = finding(demand(DECLARED["efficiency"], "E1"), estimate(0.9, 0.1), verdict,
                    probability=chance)  # fmt: skip
    assert ("Thin margin: E1" in told([given])) is thin


HEAD = {"location": "head", "opening": {"min": "25 kPa", "max": "30 kPa"}}


def on_duty(cold_start="-10 degC", arrangement="full_flow", **circuit):
    app = application(
        duty={"cold_start": cold_start}, circuit={"arrangement": arrangement, **circuit}
    )
    return made([sweep(), run()], app=app, limits=exact())


def test_cold_oil_is_told_in_degrees_whether_or_not_a_requirement_asks():
    lab = on_duty(bypass_valve=HEAD)
    mu = 25e3 / (1.2e9 * 60 / 6e4)  # the viscosity at which a µ Q reaches the opening
    warm = next(t for t in range(100) if fluid_at(lab.case.application.oil, 273.15 + t)[0] < mu)
    text = told(lab=lab)["The valve opens with cold oil"]
    (said,) = re.findall(r"Below about ([\d.]+) °C", text)
    assert warm - 1 <= float(said) <= warm


@pytest.mark.parametrize(
    "lab",
    [
        on_duty("85 degC", bypass_valve=HEAD),  # a machine that is never so cold
        on_duty(bypass_valve=None),
        on_duty(arrangement="partial_flow", bypass_valve=HEAD),  # no oil on its way to bearings
    ],
)
def test_no_caution_where_cold_oil_passes_by_nothing(lab):
    assert not {"The valve opens with cold oil", "Bypass valve with cold oil"} & set(told(lab=lab))


@pytest.mark.parametrize(
    ("asked", "told_so"), [([20.0], True), ([15.0], False), ([20.0, 15.0], False), ([85.0], False)]
)
def test_a_cold_pressure_drop_asked_of_warmer_oil_than_the_coldest_start_is_told(asked, told_so):
    given = [
        finding(
            demand(DECLARED["clean_pressure_drop"], f"P{t:.0f}", at={"temperature": t + 273.15}),
            estimate(1e5, 1e3), "pass",
        )
        for t in asked
    ]  # fmt: skip
    text = told(given, on_duty("15 degC")).get("Colder than was asked", "")
    assert ("P20 asks about oil at 20 °C; the coldest start is at 15 °C" in text) is told_so


def test_a_valve_in_the_cold_that_nobody_knows_is_told():
    within = {"location": "filter", "opening": {"min": "60 kPa", "max": "80 kPa"}}
    text = told(lab=on_duty(bypass_valve=within))["Bypass valve with cold oil"]
    assert "nobody measured where it opens" in text


@pytest.mark.parametrize(
    ("arrangement", "path", "beyond"),
    [
        ("full_flow", "full_flow", True), ("partial_flow", "fine", True),
        ("full_and_partial_flow", "full_flow", True), ("full_and_partial_flow", "fine", False),
        ("combined", "full_flow", True), ("combined", "fine", False),
        ("combined_through_flow", "full_flow", True), ("combined_through_flow", "fine", True),
    ],
)  # fmt: skip
def test_a_terminal_is_held_against_the_valve_that_guards_its_path(arrangement, path, beyond):
    app = application(circuit={"arrangement": arrangement, "bypass_valve": HEAD})
    lab = made([run(path=path)], app=app)  # run to 150 kPa
    assert ("Capacity beyond the valve's opening" in told(lab=lab)) is beyond


def test_what_was_not_checked_is_listed_with_its_records():
    seen = Check(record="V1", rule="soak temperature", standard="own", limit="x", found="none",
                 outcome="not checked", mandatory=False)  # fmt: skip
    lab = replace(bench(case()), checks=(seen, replace(seen, record="V2")))
    assert "soak temperature (V1, V2)" in told(lab=lab)["Not checked"]
    assert "Not checked" not in told()


def test_a_rule_from_memory_that_warned_says_so():
    warned = [replace(c, from_memory=c.rule == "test flow") for c in bench(case()).checks]
    text = told(lab=replace(bench(case()), checks=tuple(warned)))
    assert "test flow (its limit is from memory" in text["Checks with a warning"]
    assert not any("from memory" in each for each in told().values())


def specimens(number):
    results = [run(f"M{i}", f"C{i}") for i in range(number)]
    results += [run("R1", "R1", "reference")]
    return made(results)


@pytest.mark.parametrize(("number", "few"), [(0, False), (1, True), (5, True), (6, False)])
def test_fewer_than_six_specimens_are_few(number, few):
    assert ("Few specimens" in told(lab=specimens(number))) is few


def test_a_case_without_a_review_says_so():
    assert "No review" in told(lab=made([sweep()]))
    assert "No review" not in told(lab=made([sweep()], review_due=date(2029, 1, 1)))


@pytest.mark.parametrize(("terminal", "beyond"), [(149.9e3, False), (150.1e3, True)])
def test_capacity_beyond_the_opening_is_not_usable(terminal, beyond):
    def lab(app=None):
        runs = [run(terminal=terminal - 5e3, housing=5e3), run("M2", "C2", terminal=90e3)]
        return made([*runs, run("R1", "R1", "reference", terminal=300e3)], app=app)

    title = "Capacity beyond the valve's opening"
    assert (title in told(lab=lab())) is beyond
    assert title not in told(lab=lab(application(circuit={"bypass_valve": None})))


def test_warnings_and_covers_are_told_once_each():
    text = told()
    assert text["Checks with a warning"].endswith("test flow.")
    (covered,) = [told for title, told in text.items() if title.startswith("Deviation accepted")]
    assert "Zero checked afterwards." in covered
    lab: Bench = replace(bench(case()), excluded={"MP-C1": "excluded: it fell"}, checks=())
    assert told(lab=lab)["Record MP-C1 left out"] == "Excluded: it fell."
    assert "Checks with a warning" not in told(lab=lab)


def test_what_is_mandatory_and_not_demonstrated_is_named():
    asked = demand(DECLARED["burst_pressure"], "S1")
    open_one = finding(asked, None, "not demonstrated")
    assert "S1" in told([open_one])["Not demonstrated"]
    advisory = replace(open_one, demand=replace(asked, severity="advisory"))
    assert "Not demonstrated" not in told([advisory, replace(open_one, verdict=Verdict.FAIL)])


def test_a_case_without_a_request_and_a_late_review_are_told():
    assert "Requirements not on file" in told()
    asked = demand(DECLARED["burst_pressure"], "S1")
    covered = finding(asked, None, "fail", concession=concession(requirement="S1"))
    end = date(2026, 12, 31)
    for days, late in ((0, False), (1, True)):
        qual = qualification(review_due=end + timedelta(days))
        lab = bench(case(qual=qual))
        assert ("Review after the end of a concession" in told([covered], lab)) is late


def test_the_usual_cautions_come_last_and_all():
    titles = list(told())
    assert titles[-len(GENERAL) :] == [each.title for each in GENERAL]


def test_what_is_not_approved_and_full_too_early_is_told():
    hours = bench(case()).case.application.duty.service_interval / 3600
    for life, early in ((hours - 1, True), (hours + 1, False)):
        given = finding(demand(DECLARED["service_life"], "L1"), estimate(life * 3600, 1), "fail")
        text = told([given], decision="not approved")
        assert ("Full before the change" in text) is early
        assert "leave to fit" in text["Not to be fitted"]
    assert "Not to be fitted" not in told()


@pytest.mark.parametrize(
    ("asked", "lacks"), [("efficiency", "collapse pressure"), ("collapse_pressure", "multi-pass")]
)
def test_what_a_change_reopens_and_nobody_asked_for_is_told(asked, lacks):
    qual = qualification(change={"what": ["glue"], "text": "Another epoxy."})
    lab = replace(bench(case(qual=qual)), limits=limits())
    given = finding(demand(DECLARED[asked], "Q1"), None, "pass")
    text = told([given], lab)["Changed, and not asked for"]
    assert lacks in text
    assert "first bubble pressure" in text
    assert asked.replace("_", " ") not in text
    assert "Changed, and not asked for" not in told([given])


@pytest.mark.parametrize(("quantity", "said"), [("dimension", True), ("burst_pressure", False)])
def test_a_dimension_that_is_conceded_asks_for_a_look_at_the_clearance(quantity, said):
    given = finding(demand(DECLARED[quantity], "D1"), None, "fail", concession=concession())
    assert ("Clearance" in told([given])) is said
    assert "Clearance" not in told([replace(given, concession=None)])


@pytest.mark.parametrize(("theirs", "apart"), [("L1", False), ("L2", True)])
def test_filters_of_different_laboratories_are_said_to_be(theirs, apart):
    entries = [
        each if each.filter == "candidate"
        else each.model_copy(update={"laboratory": theirs})
        for each in qualification().record
    ]  # fmt: skip
    lab = bench(case(qual=qualification().model_copy(update={"record": tuple(entries)})))
    assert ("Compared across rigs" in told(lab=lab)) == apart


def test_a_run_that_is_left_out_on_both_sides_joins_no_rigs():
    results = [run(f"M{k}", f"S{k}", side) for k, side in enumerate(("candidate", "reference") * 2)]
    rigs = [{"id": name, "name": name} for name in ("L1", "L2")]
    entries = [entry(each, laboratory=rigs[k % 2]["id"]) for k, each in enumerate(results)]
    lab = made(results, entries=entries, laboratory=rigs)
    assert "Compared across rigs" in told(lab=lab)
    for kept in ({}, {"M3": "fell"}, {"M2": "fell", "M3": "fell"}):
        assert "Compared across rigs" in told(lab=replace(lab, excluded=kept))
    assert "Compared across rigs" not in told(lab=replace(lab, excluded={"M1": "a", "M3": "b"}))


def test_what_nobody_must_keep_stands_behind_what_machines_must():
    kinds = ("accepted method", "concession")
    held = tuple(Condition(kind=kind, subject="", text=kind) for kind in kinds)
    lab = bench(case())
    whole = sample.assessment(lab.case, conditions=held, decision=Decision.APPROVED_WITH_CONDITIONS)
    assert conditions_said(whole) == ("concession", "For the approver: accepted method")
