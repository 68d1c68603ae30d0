"""What carried evidence may decide, until when, and what is said of it."""

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest

from dossier import assess, read_case
from dossier.decision import carried
from dossier.decision.carried import told_rests
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.statistics.combine import with_trials
from dossier.make.decide import decision_json
from dossier.record.dossier_file import dossier_of
from dossier.record.standing import end_of

INPUTS = Path(__file__).parents[2] / "inputs"


@pytest.fixture(scope="module")
def case():
    return read_case(INPUTS / "polder-glue")


def found(case):
    with with_trials(2000):
        made = assess(case, pages=False)
    return made, {each.demand.id: each for each in made.findings}


def earlier(case, *findings):
    """Return the case with other findings of the dossier that it carries evidence from."""
    source = replace(case.carried[0], findings=findings)
    return replace(case, carried=(source,))


def of(requirement, quantity, at, verdict):
    return {"requirement": requirement, "quantity": quantity, "at": at, "verdict": verdict}


HOT = "80 L/min, 105 degC"


def test_all_that_is_carried_is_a_condition_and_the_approval_ends_with_it(case):
    until = date(2028, 1, 31)
    first, *others = case.qualification.carried
    ends = (first.model_copy(update={"until": until}), *others)
    moved = replace(case, qualification=case.qualification.model_copy(update={"carried": ends}))
    made, _ = found(moved)
    assert made.decision is Decision.APPROVED_WITH_CONDITIONS
    assert made.valid_until == until < case.qualification.review_due
    kinds = [each.kind for each in made.conditions]
    assert kinds == ["carried evidence", "carried evidence", "unproven source"]
    assert (
        "PD-C1, PD-C2, PD-C3, BV-C: carried over from LFQ-0412, revision 0"
        in made.conditions[0].text
    )


@pytest.mark.parametrize("before", ["fail", "conditional fail", "not demonstrated"])
def test_what_failed_does_not_pass_by_being_carried(case, before):
    for row in (
        of("P1", "clean_pressure_drop", "another", before),
        of("Q9", "clean_pressure_drop", HOT, before),  # asked under another id
    ):
        _, by = found(earlier(case, row))
        assert by["P1"].verdict is Verdict.NOT_DEMONSTRATED
        assert f"by which it was: {before}" in by["P1"].reason
        assert by["B2"].verdict is Verdict.PASS


def test_what_failed_in_another_language_is_found_under_another_id(case):
    row = of("Q9", "clean_pressure_drop", "80 L/min in other words", "fail")
    german = case.qualification.model_copy(update={"language": "de"})
    assert found(earlier(case, row))[1]["P1"].verdict is Verdict.PASS
    other = earlier(replace(case, qualification=german), row)
    assert found(other)[1]["P1"].verdict is Verdict.NOT_DEMONSTRATED


def limit(**ends):
    return {"min": None, "max": None, "not_worse_than_reference": None} | ends


@pytest.mark.parametrize(
    ("own", "verdict"),
    [
        ({}, Verdict.PASS),
        ({"limit": limit(max=28.0)}, Verdict.NOT_DEMONSTRATED),  # another question of that name
        ({"limit": limit(not_worse_than_reference=0.1)}, Verdict.NOT_DEMONSTRATED),
        ({"basis": "every_specimen"}, Verdict.NOT_DEMONSTRATED),
        ({"verdict": "fail"}, Verdict.NOT_DEMONSTRATED),
    ],
)
def test_what_failed_of_another_machine_or_limit_does_not_hold_against_what_passed(
    case, own, verdict
):
    rows = (
        of("P1", "clean_pressure_drop", HOT, "pass")
        | {"basis": "mean", "unit": "kPa", "limit": limit(max=32.0)} | own,
        of("other P1", "clean_pressure_drop", HOT, "fail") | {"limit": limit(max=20.0)},
    )  # fmt: skip
    assert found(earlier(case, *rows))[1]["P1"].verdict is verdict


def test_a_finding_rests_on_the_records_of_all_kinds_that_it_is_computed_from(case):
    _, by = found(case)
    new, sweeps = {"MP-D1", "MP-D2", "MP-D3"}, {"PD-C1", "PD-C2", "PD-C3"}
    assert told_rests(case, by["E1"]) == new
    assert told_rests(case, by["C2"]) == new | {"MP-R1", "MP-R2", "MP-R3"}
    assert told_rests(case, by["P1"]) == sweeps
    assert told_rests(case, by["B1"]) == new | sweeps | {"BV-C"}


def test_what_failed_and_is_tested_anew_may_pass(case):
    rows = [of(name, "efficiency", "another", "fail") for name in ("E1", "C2", "L1")]
    _, by = found(earlier(case, *rows))
    assert {by[name].verdict for name in ("E1", "C2", "L1")} == {Verdict.PASS}


def test_lots_are_counted_where_some_specimens_are_new(case):
    """As if PD-C3 had been tested for this case."""
    source = case.carried[0]
    kept = tuple(
        e.model_copy(update={"records": tuple(r for r in e.records if r != "PD-C3")})
        for e in source.carried
    )
    _, alike = found(case)
    plan = case.qualification.candidate.model_copy(update={"specimens": ("C1", "C2", "C3")})
    asked = case.qualification.model_copy(update={"candidate": plan})
    before = source.case.candidate.model_copy(update={"specimens": ("C1", "C2")})
    records = tuple(each for each in source.case.record if each.specimen != "C3")
    theirs = source.case.model_copy(update={"candidate": before, "record": records})
    moved = replace(source, carried=kept, case=theirs)
    mixed = replace(case, qualification=asked, carried=(moved,))
    _, by = found(mixed)
    names = [each.name for each in by["P1"].estimate.components]
    assert names[-1] == "scatter of 2 lots"
    assert by["P1"].estimate.u > alike["P1"].estimate.u
    assert by["P2"].demand.basis == "population"
    assert by["P2"].verdict is Verdict.NOT_DEMONSTRATED
    assert "needs specimens of one test" in by["P2"].reason


def test_the_end_and_the_records_are_told_by_the_files_alone(case, tmp_path):
    folder = Path(shutil.copytree(INPUTS / "polder-glue", tmp_path / "polder-glue"))
    text = (folder / "case.toml").read_text("utf-8")
    (folder / "case.toml").write_text(text.replace("until = 2029-03-31", "until = 2028-01-31", 1))
    case = read_case(folder)
    made, _ = found(case)
    files = {each.name: each.content for each in case.inputs}
    files["decision.json"] = decision_json(case, made)
    dossier = dossier_of(files, case.name)
    assert end_of(dossier) == made.valid_until == date(2028, 1, 31)
    known = {each["id"]: each["instruments"] for each in dossier.case["record"]}
    assert "FM-11" in known["BV-C"]
    assert "lot 25-311" in dossier.case["candidate"]["lots"]


@pytest.mark.parametrize(
    ("at", "by_place", "verdict"),
    [("20 um(c)", True, Verdict.FAIL), ("5 um(c)", True, None), ("5 um(c)", False, Verdict.FAIL)],
)
def test_what_failed_under_another_name_is_found_by_its_place_where_words_are_alike(
    at, by_place, verdict, monkeypatch
):
    monkeypatch.setattr(carried, "_same", lambda *_: False)
    quantity = SimpleNamespace(name="efficiency")
    demand = SimpleNamespace(id="E1", quantity=quantity, at_text="20 um(c)")
    source = SimpleNamespace(findings=(of("E9", "efficiency", at, "fail"),))
    told = carried._worst(source, SimpleNamespace(demand=demand), by_place=by_place)
    assert told is verdict


def test_what_passed_before_passes_by_the_same_evidence(monkeypatch):
    monkeypatch.setattr(carried, "told_rests", lambda *_: {"M1"})
    monkeypatch.setattr(carried, "_worst", lambda *_, **__: Verdict.PASS)
    words = SimpleNamespace(language="en")
    source = SimpleNamespace(case=words, records=frozenset({"M1"}))
    demand = SimpleNamespace(basis="mean")
    rows = tuple(SimpleNamespace(record=name) for name in ("M1", "N1"))  # old and new: of a mean
    estimate = SimpleNamespace(per_specimen=rows)
    finding = SimpleNamespace(estimate=estimate, demand=demand, verdict=Verdict.PASS)
    case = SimpleNamespace(
        carried=(source,), qualification=words, source={"M1": source, "N1": None}.get
    )
    assert carried.weighed(case, finding) is finding


def test_a_result_of_two_kinds_rests_on_all_records_of_both_and_on_what_it_names():
    records = [
        SimpleNamespace(entry=SimpleNamespace(id=name, kind=kind, filter=side))
        for name, kind, side in (
            ("M1", "multipass", "candidate"), ("P1", "pressure_drop", "candidate"),
            ("P2", "pressure_drop", "reference"), ("V1", "bypass_valve", "candidate"),
            ("V2", "bypass_valve", "candidate"),
        )
    ]  # fmt: skip
    quantity = SimpleNamespace(records=("multipass", "pressure_drop"))
    demand = SimpleNamespace(not_worse=None, quantity=quantity)
    estimate = SimpleNamespace(sources=("M1", "V1"))
    finding = SimpleNamespace(demand=demand, estimate=estimate, reference=None)
    assert told_rests(SimpleNamespace(records=records), finding) == {"M1", "P1", "V1"}
