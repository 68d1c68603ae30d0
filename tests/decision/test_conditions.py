"""What was covered, accepted or left out is a condition, and needs the approver."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import pytest

from dossier.case.application import Application
from dossier.case.model import Deviation
from dossier.case.requested import FieldChange, OnFile
from dossier.decision.assess import assess_case
from dossier.decision.conditions import (
    of_doubts,
    of_dropped,
    of_evidence,
    of_life,
    of_limits,
    of_requirements,
    on_file_text,
)
from dossier.decision.remarks import _of_another, _of_other_day, _of_other_filter
from dossier.evidence.limits import Check
from dossier.evidence.requirement import resolve
from dossier.evidence.validity.rules import cover
from dossier.make.decide import limits
from dossier.record.signoff import needed_roles, required_roles
from tests.evidence.test_valve_quantities import DOWN, rows, valve
from tests.made_bench import bench, entry, run
from tests.small_case import TESTED, application, record, requirement, small
from tests.small_case import bench as prepared

RULE = "rows of each sweep"
TEXT = "The rig stops at four rows; the plan was made for it."
AGREED = {"text": TEXT, "agreed_by": "Fleet engineering", "agreed": TESTED}
COVERS = AGREED | {"record": "V1", "effect": "none", "rule": RULE}
OUT = AGREED | {"record": "V2", "effect": "record excluded", "cause": "It fell from the bench."}


def assessed(*deviations, limit=None, records=None):
    records = records or [valve(rows(down=DOWN[:4]))]
    required = requirement("valve_opening_pressure", min="1 kPa")
    case = small(records, [required], deviations=list(deviations))
    demands, _ = resolve(case.application, "application.toml")
    known = limits()
    if limit is not None:
        found = tuple(replace(x, **limit) if x.rule == RULE else x for x in known.limits)
        known = replace(known, limits=found)
    return case, assess_case(case, demands, known, date(2026, 3, 1))


def test_a_covered_rule_is_a_condition_that_says_who_and_when():
    _, made = assessed(COVERS)
    (condition,) = made.conditions
    assert (condition.kind, condition.subject) == ("covered rule", "V1")
    assert f"{TEXT} [agreed 2026-02-02 by Fleet engineering]" in condition.text
    assert made.decision.value == "approved with conditions"


@pytest.mark.parametrize(
    "effect", [{"effect": "none"}, {"effect": "widens uncertainty", "u": 0.02}]
)
@pytest.mark.parametrize("rule", ["", "specimen count"])
def test_a_deviation_that_does_not_name_the_rule_covers_nothing(effect, rule):
    given = COVERS | effect | {"rule": rule}
    given |= {"u": "2 %"} if "u" in effect else {}
    _, made = assessed(given)
    assert made.decision.value == "undecided"


@pytest.mark.parametrize("guards", ["metrology", "integrity"])
def test_no_deviation_covers_metrology_or_integrity(guards):
    _, made = assessed(COVERS, limit={"guards": guards})
    assert made.decision.value == "undecided"
    assert made.conditions == ()
    (check,) = (each for each in made.checks if each.rule == RULE)
    assert check.outcome == "not met"
    assert "does not cover it" in check.found
    assert "repeat the test, or exclude the record with its physical cause" in check.found
    assert check.found in made.findings[0].reason


def test_a_warning_needs_no_cover():
    _, made = assessed(COVERS, limit={"mandatory": False})
    assert (made.decision.value, made.conditions) == ("approved", ())


def test_what_only_warns_is_not_covered():
    check = Check(record="V1", rule=RULE, standard="own", limit="five rows", found="no rows",
                  outcome="not checked", mandatory=False)  # fmt: skip
    assert cover([check], [Deviation(**COVERS)]) == (check,)


def test_an_excluded_record_is_a_condition():
    _, made = assessed(OUT, records=[valve(), valve(rows("C2"), name="V2")])
    (condition,) = made.conditions
    assert (condition.kind, condition.subject) == ("excluded record", "V2")
    assert "fell from the bench" in condition.text
    assert made.decision.value == "approved with conditions"


def test_an_accepted_method_is_a_condition():
    given = Deviation(**(COVERS | {"rule": "known method"}))
    check = Check(record="V1", rule="known method", standard="own", limit="known", found="HM-1",
                  outcome="not met", mandatory=True)  # fmt: skip
    case = SimpleNamespace(qualification=SimpleNamespace(deviation=(given,)))
    (condition,) = of_evidence(SimpleNamespace(case=case, checks=cover([check], [given])))
    assert condition.kind == "accepted method"
    assert f"house method accepted: {TEXT}" in condition.text


@pytest.mark.parametrize(("issued", "late"), [(TESTED, False), (TESTED + timedelta(1), True)])
def test_requirements_from_after_the_first_test_are_late(issued, late):
    later_on = {"tested": TESTED + timedelta(9)}
    records = [valve(), valve(rows("C2"), name="V2", **later_on)]
    case = small(records, [requirement("valve_opening_pressure", min="1 kPa")])
    case = replace(case, application=case.application.model_copy(update={"issued": issued}))
    kinds = [each.kind for each in of_requirements(case, (), lambda _: ())]
    assert kinds == ["late request"] * late


def doubts(**changes):
    """Conditions of a run of each filter, planned, with one batch of dust; less what changes."""
    runs = [run(), run("M2", "R1", "reference")]
    batches = changes.pop("batches", ("B 1", "B 1"))
    dusts = [{"kind": "ISO 12103-1 A3"} | ({"batch": b} if b else {}) for b in batches]
    entries = [entry(r, conditions={"dust": d}) for r, d in zip(runs, dusts, strict=True)]
    given = {"candidate": {"part_number": "C", "specimens": ["C1"]},
             "reference": {"part_number": "R", "specimens": ["R1"]}} | changes  # fmt: skip
    demand = SimpleNamespace(
        id="C2", not_worse=0.1, quantity=SimpleNamespace(records=("multipass",))
    )
    alone = SimpleNamespace(demand=SimpleNamespace(**vars(demand) | {"not_worse": None}))
    made = bench(runs, entries=entries, **given)
    return list(of_doubts(made, (SimpleNamespace(demand=demand), alone)))


@pytest.mark.parametrize(
    ("batches", "told"),
    [
        (("B 1", "b1"), []), (("B 1", "B 2"), ["C2"]), (("", ""), ["C2"]),
        (("unknown", "unknown"), ["C2"]),
    ],
)  # fmt: skip
def test_a_comparison_across_batches_of_dust_is_a_condition(batches, told):
    assert [each.subject for each in doubts(batches=batches)] == told


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("Run VOID, rig leaked", True), ("result invalid: gauge failed", True), ("voided", True),
        ("not valid, tested again", True), ("do not use", True), ("Ergebnis ungültig", True),
        ("verworfen", True), ("void volume 2.1 L", False), ("voids in the medium", False),
        ("centre tube abgebrochen", False), ("integrity checked, no bubbles", False), ("", False),
    ],
)  # fmt: skip
@pytest.mark.parametrize("in_row", [False, True])
def test_a_record_that_its_laboratory_takes_back_is_a_condition(in_row, said, told):
    table = f'specimen,burst pressure [kPa],remark\nC1,1200,"{said if in_row else ""}"\n'
    held = prepared([record("BU", "measurement", table, remark="" if in_row else said)])
    found = [each.subject for each in of_doubts(held, ()) if each.kind == "disowned record"]
    assert found == ["BU"] * told


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (["specimen C2, swept clean"], True), (["of c2"], True), (["of C2", "C2 again"], True),
        (["specimen C1"], False), (["specimen C1, swept after C2"], False), (["C2 and C3"], False),
        (["dust A3", "read with G7"], False), (["FC2, 12 kPa"], False), ([], False),
    ],
)  # fmt: skip
def test_remarks_that_name_another_specimen_than_the_case_are_a_condition(said, told):
    entry = SimpleNamespace(
        specimen="C1", instruments=("G7",), remark="", conditions=SimpleNamespace(
            dust=SimpleNamespace(kind="ISO 12103-1 A3")))  # fmt: skip
    known = {"C1", "C2", "C3", "A3", "G7", "12"}
    assert _of_another(entry, said, known) == (said[0] if told else "")
    entry.specimen = "the can"  # which no word of a remark can be told to be
    assert not _of_another(entry, said, {*known, "the can"})


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("tested 2025-02-16", True), ("Specimen C1, tested on 16.02.2025", True),
        ("Prüfdatum: 1.3.2026", True), ("geprüft am 15.02.2026", True),
        ("test date 03/04/2026", True), ("tested 2026-02-16", False), ("swept 17.02.2026", False),
        ("tested 2026-03-02, swept 2026-02-18", False), ("test date 02/17/2026", False),
        ("measured 2026-02-19", True), ("gauge calibrated 2025-11-24", False), ("", False),
        ("swept before its run on 2026-03-16", False), ("tested 2026-02-31", False),
    ],
)  # fmt: skip
def test_a_day_of_testing_other_than_stated_is_a_condition(said, told):
    entry = SimpleNamespace(tested=date(2026, 2, 16), finished=date(2026, 2, 18))
    assert _of_other_day(entry, ["rinsed", said]) == (said if told else "")


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (["filter FIT-0412"], True), (["of lot 24-118"], True), (["FIT‑0412, clean"], True),
        (["CAN-0412, in the housing of FIT-0412"], False), (["FIT-0412", "CAN-0412"], False),
        (["FIT-04121"], False), (["the spin-on"], False), (["both bear lot 7"], False), ([], False),
    ],
)  # fmt: skip
def test_remarks_that_name_the_other_filter_are_a_condition(said, told):
    filters = {
        "candidate": {"part_number": "CAN-0412", "lots": ("lot 7",)},
        "reference": {"part_number": "FIT-0412", "lots": ("lot 24-118", "lot 7", "spin-on")},
    }
    case = SimpleNamespace(
        filter_of=lambda side: SimpleNamespace(**filters[side]),
        lots_of=lambda side: filters[side]["lots"],
    )
    entry = SimpleNamespace(filter="candidate")
    assert _of_other_filter(case, entry, said) == (said[0] if told else "")


def test_a_sweep_that_is_said_to_be_of_another_specimen_is_a_condition():
    for specimen, told in (("C1", ["P"]), ("C2", [])):
        swept = record("P", "pressure_drop", SWEPT, specimen=specimen, remark="specimen C2")
        held = prepared([swept], plan=["C1", "C2"])
        found = [each.subject for each in of_doubts(held, ()) if each.kind == "disowned record"]
        assert found == told


@pytest.mark.parametrize("side", ["candidate", "reference"])
def test_runs_without_a_plan_are_a_condition(side):
    for plan in ([], ["X9"]):
        (found,) = doubts(**{side: {"part_number": "X", "specimens": plan}})
        assert (found.kind, found.subject) == ("no plan", side)


SWEPT = "flow [L/min],differential pressure [kPa]\n20,5\n40,12\n60,20\n"


@pytest.mark.parametrize(
    ("records", "plan", "told"),
    [
        ([valve(rows("C1"), rows("C2"))], ["C1"], "C2"), ([valve(rows("C1"))], ["C1"], ""),
        ([valve(rows("V1"), rows("V2"))], ["C1"], ""), ([valve(rows("C1"))], [], ""),
        ([record(f"P{k}", "pressure_drop", SWEPT, specimen=f"C{k}")
          for k in (1, 2, 3)], ["C1", "C2"], "C3"),
        ([record("M1", "measurement", "specimen,burst pressure [kPa]\nC1,9\nC7,9\n")], ["C1"], ""),
    ],
)  # fmt: skip
def test_what_was_swept_beyond_the_plan_is_a_condition(records, plan, told):
    found = of_doubts(prepared(records, plan=plan), ())
    names = [f"the plan does not name {told}, tested all the same"] * bool(told)
    assert [each.text for each in found] == names


@pytest.mark.parametrize(
    ("before", "told"),
    [
        (["C1"], []), ([], []), (["C1", "C2"], ["C2"]), (["A1"], []), (["A1", "A2"], ["A1", "A2"]),
    ],
)  # fmt: skip
def test_a_specimen_of_the_plan_on_file_is_not_dropped_with_the_plan(before, told):
    made = bench([run(), run("M2", "R1", "reference")],
                 candidate={"part_number": "C", "specimens": ["C1"]},
                 reference={"part_number": "R", "specimens": ["R1"]})  # fmt: skip
    file = OnFile(since=TESTED, first_test=TESTED, application=None, changes=(),
                  planned={"candidate": tuple(before)})  # fmt: skip
    made = replace(made, case=replace(made.case, on_file=file))
    found = [(each.kind, each.text) for each in of_doubts(made, ())]
    names = f"the plan of {TESTED} names {', '.join(told)}, which neither plan nor tests name now"
    assert found == [("no plan", names)] * bool(told)


@pytest.mark.parametrize(
    ("then", "now", "named"),
    [
        (("Pump 1", "PUMP 2"), ("pump  2", "Pump 3"), "Pump 1; PUMP 2"),
        (("Pump 1",), ("Pump 2",), None),
        ((), ("Pump 2",), "machines that it does not name"),
        (("Pump 1",), (), "Pump 1"),
        ((), (), "machines that it does not name"),
    ],
)
def test_what_was_asked_of_a_machine_and_is_no_more_is_a_condition(then, now, named):
    """Where either names no machine, it may be the same."""
    gone = SimpleNamespace(title="Pumps", equipment=then)
    case = SimpleNamespace(application=SimpleNamespace(equipment=now), dropped=((TESTED, gone),))
    texts = [each.text for each in of_dropped(case)]
    words = f"“Pumps” was asked on {TESTED} for {named} and is no longer asked"
    assert [text.startswith(words) for text in texts] == [True] * (named is not None)


@pytest.mark.parametrize(("u", "told"), [("5.7 %", True), ("5.8 %", False)])
def test_half_of_what_stands_in_is_a_small_reproducibility(u, told):
    # A half-width of 20 % stands in for the capacity: 11.5 % as a standard uncertainty.
    stated = {"method": "ISO 4548-12:2017", "quantity": "retained_capacity", "u": u,
              "source": "interlaboratory study"}  # fmt: skip
    found = doubts(reproducibility=[stated])
    assert [each.kind for each in found] == ["small reproducibility"] * told
    words = f"{u} is stated (interlaboratory study), where 12 % stand in"
    assert all(words in each.text for each in found)


@pytest.mark.parametrize(("intervals", "told"), [(99, []), (101, ["L1"])])
def test_a_life_of_more_than_a_hundred_intervals_is_a_condition(intervals, told):
    made = bench([run()])
    life = intervals * made.case.application.duty.service_interval
    finding = SimpleNamespace(
        demand=SimpleNamespace(id="L1", quantity=SimpleNamespace(name="service_life")),
        estimate=SimpleNamespace(value=life),
    )
    lost = SimpleNamespace(**vars(finding) | {"estimate": None})
    assert [each.subject for each in of_life(made, (lost, finding))] == told


@pytest.mark.parametrize(
    ("quantity", "limit", "value", "told"),
    [
        ("retained_capacity", {"min": "34 mg"}, 0.044, True),
        ("retained_capacity", {"min": "34 g"}, 0.044, False),
        ("clean_pressure_drop", {"max": "32 bar"}, 24e3, True),
        ("clean_pressure_drop", {"max": "32 kPa"}, 0.33e3, False),
        ("clean_pressure_drop", {"max": "32 kPa"}, 0.31e3, True),
        ("burst_pressure", {"min": "1 kPa"}, 1e6, False),  # its record has a rule of its own
        ("filtration_ratio", {"min": 2}, 5000.0, False),
        ("clean_pressure_drop", {"max": "32 bar"}, None, False),
    ],
)
def test_a_limit_a_hundred_times_off_is_a_condition(quantity, limit, value, told):
    at = {"clean_pressure_drop": {"temperature": "60 degC"}}.get(quantity, {})
    at = {"size": "20 um(c)"} if quantity == "filtration_ratio" else at
    asked = application([requirement(quantity, at=at, **limit)])
    (demand,), _ = resolve(Application.model_validate(asked), "")
    found = SimpleNamespace(demand=demand, estimate=value and SimpleNamespace(value=value))
    assert [each.subject for each in of_limits(bench([run()]), (found,))] == ["Q1"] * told


@pytest.mark.parametrize(
    ("text", "limits", "said"),
    [
        ("Removes at least 95 % of 20 µm(c) and larger", {"min": "95 %"}, ""),
        ("Removes at least 95 % of 20 um(c) and larger", {"min": "90 %"}, "95 %"),
        ("Lets 5 % of 20 um(c) pass", {"min": "95 %"}, ""),
        ("Removes 95 % of 25 um(c)", {"min": "95 %"}, "25 um(c)"),
        ("Removes 95 % of 20 um(c), 99 % of 40 um(c)", {"min": "95 %"}, ""),
        ("Removes 98,5 % of 20 um(c)", {"min": "98.5 %"}, ""),
        ("Removes 98 % of 20 um(c)", {"min": "98.5 %"}, "98 %"),
        ("19 of 20 remove 90 %, 95 % of the type", {"min": "90 %", "coverage": "95 %"}, ""),
        ("No less than the other, within 5 %", {"not_worse_than_reference": "5 %"}, ""),
        ("No less than the other, within 5 %", {"not_worse_than_reference": "15 %"}, "5 %"),
        ("Between 80 % and 90 %", {"between": {"min": "80 %", "max": "95 %"}}, "90 %"),
        ("Good for 95 % of engines", {"min": "90 %", "not_applicable": "not ours"}, "95 %"),
    ],
)  # fmt: skip
def test_a_text_that_says_another_number_than_its_limit_is_a_condition(text, limits, said):
    coverage = {"basis": "population"} if "coverage" in limits else {}
    asked = requirement("efficiency", at={"size": "20 um(c)"}, text=text, **limits, **coverage)
    (demand,), _ = resolve(Application.model_validate(application([asked])), "")
    assert demand.said_instead == said
    found = SimpleNamespace(demand=demand, estimate=None)
    told = [each.text for each in of_limits(bench([run()]), (found,))]
    assert [each for each in told if f"its text says {said}," in each] == told
    assert len(told) == bool(said and not demand.not_applicable)


@pytest.mark.parametrize(
    ("text", "limit", "said"),
    [
        ("At most 1 600 kPa", "1600 kPa", ""), ("At most 1,600 kPa", "1600 kPa", ""),
        ("At most 16 bar", "1600 kPa", ""), ("At most 25 psi", "172 kPa", ""),
        ("At most 25 psi", "182 kPa", "25 psi"), ("At most 30 kPa", "32 kPa", "30 kPa"),
        ("At 60 °C, 32 kPa", "32 kPa", ""), ("At 50 °C, 32 kPa", "32 kPa", "50 °C"),
        ("30 kPa under the valve's 160 kPa", "30 kPa", ""), ("At most 30 units", "32 kPa", ""),
    ],
)  # fmt: skip
def test_numbers_of_a_text_are_read_in_the_units_of_people(text, limit, said):
    asked = requirement("clean_pressure_drop", at={"temperature": "60 degC"}, max=limit, text=text)
    (demand,), _ = resolve(Application.model_validate(application([asked])), "")
    assert demand.said_instead == said


@pytest.mark.parametrize(("weighs", "told"), [(True, 1), (False, 0)])
def test_warnings_of_a_rule_that_weighs_are_one_condition(weighs, told):
    check = Check(record="M1", rule="recirculation", standard="own", limit="alike", found="2.0",
                  outcome="warning", mandatory=True, weighs=weighs)  # fmt: skip
    found = doubts(checks=(check, replace(check, record="M2"), replace(check, outcome="met")))
    assert [each.text for each in found] == ["recirculation (M1, M2): 2.0"] * told


def test_what_rests_on_a_condition_needs_the_approver():
    case, made = assessed(COVERS)
    rules = SimpleNamespace(roles=("prepared",))
    asked = SimpleNamespace(qualification=SimpleNamespace(signoff=rules))
    assert required_roles(asked, made) == ("prepared", "approved")
    assert required_roles(case, made) == ("prepared", "checked", "approved")
    assert needed_roles(("prepared",), "approved") == ("prepared",)


@pytest.mark.parametrize(
    ("since", "changed", "said"),
    [
        (date(2026, 1, 5), False, "2026-01-05, unchanged since"),
        (date(2026, 3, 5), False, "2026-03-05, after the first test on 2026-02-02"),
        (date(2026, 1, 5), True, "(first test on 2026-02-02), changed in revision B"),
    ],
)
def test_since_when_requirements_are_on_file_is_said(since, changed, said):
    changes = (FieldChange("oil . kv40", "a", "b"),) if changed else ()
    file = OnFile(since=since, first_test=date(2026, 2, 2), application=None, changes=changes,
                  planned={"candidate": ("C1",)})  # fmt: skip
    application = SimpleNamespace(revision="B", issued=date(2026, 2, 9))
    parts = [SimpleNamespace(mark=mark, on_file=file) for mark in ("pump", "barge")]
    for each in ((), parts):
        text = on_file_text(SimpleNamespace(on_file=file, parts=each, application=application))
        assert text.startswith("Requirements on file since")
        assert said in text
        bare = SimpleNamespace(
            on_file=replace(file, planned={}), parts=each, application=application
        )
        unplanned = "" if file.late else "No plan of specimens is on file. "
        assert on_file_text(bare) == unplanned + text
