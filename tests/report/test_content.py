"""What the pages say, before they are laid out."""

import base64
import math
import re
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.decision.comparison import difference, quotient, told_apart
from dossier.decision.deciding import Deciding
from dossier.decision.finding import Caution, Condition
from dossier.decision.rules import Decision, Verdict
from dossier.evidence.limits import Check
from dossier.evidence.quantities import all_quantities
from dossier.evidence.statistics.estimate import Component, Estimate
from dossier.make.verdict_text import language_note
from dossier.report.blocks import Column, Link, Table, fitted, words_of
from dossier.report.pages import (
    circuit,
    comparison,
    contents,
    filtration,
    results,
    uncertainty,
    validity,
)
from dossier.report.pages.comparison import difference_text
from dossier.report.pages.contents import build_content
from dossier.report.pages.places import alike, number_sections
from dossier.report.pages.uncertainty import rule_words
from dossier.report.signing import SignOff
from dossier.words import speaking
from tests.report import sample

S = "\u00a0"
PM = f"{S}±{S}"


def content(assessment=None, case=None):
    case = case or sample.case()
    return build_content(
        case,
        assessment or sample.assessment(case),
        issued=sample.ISSUED,
        decision_json=b"{}",
        manifest={"versions": {"numpy": "2"}},
        signoff=SignOff(),
        style="font.family: Fira Sans\n",
    )


@pytest.fixture(scope="module")
def page():
    return content()


def words(cell):
    """Return the text of a cell, links and all."""
    return "".join(strings(cell))


def strings(value):
    if isinstance(value, Link):
        yield value.text
    elif isinstance(value, str):
        yield value
    elif is_dataclass(value):
        for field in fields(value):
            yield from strings(getattr(value, field.name))
    elif isinstance(value, (tuple, list)):
        for each in value:
            yield from strings(each)
    elif isinstance(value, dict):
        for each in value.values():
            yield from strings(each)


def test_every_requirement_is_in_the_table_once_with_its_source(page):
    assert [row[0][0] for row in page.requirements.rows] == [f.demand.id for f in sample.findings()]
    assert all("Specification 1" in words(row[1]) for row in page.requirements.rows)


def test_every_specimen_of_both_filters_is_beside_its_requirement(page):
    cells = {row[0][0]: row[-1] for row in page.requirements.rows}
    for finding in sample.findings():
        for side in (finding.estimate, finding.reference):
            for each in side.per_specimen if side and cells[finding.demand.id][:2] != "as" else ():
                assert each.specimen in words(cells[finding.demand.id])


def test_the_reference_is_named_only_where_a_result_of_it_stands(page):
    alone = tuple(replace(finding, reference=None) for finding in sample.findings())
    table = content(sample.assessment(sample.case(), findings=alone)).requirements
    heads = [each.columns[-1].title for each in (page.requirements, table)]
    assert heads == ["Each specimen: candidate, reference", "Each specimen"]


def test_seven_sizes_of_each_path_have_room_for_both_ends_on_one_line():
    ends = "99.41 to 99.43"
    assert fitted(ends, Column("", (100 - filtration.NAMED) // 7, "right")) == ends


def test_reasons_of_what_does_not_pass_are_printed_in_full(page):
    assert ("S1", ("there is no measurement of the candidate",)) in [
        (words(row[0]), row[2]) for row in page.reasons.rows
    ]
    assert any("no measurement of the candidate" in words(line) for line in page.decision.concerns)


def test_a_caution_of_several_applications_is_said_once_with_what_differs():
    def caution(title, text):
        return Caution(title=title, text=text, computed=True)

    cold = "Below about {} °C the valve opens. It is oil of 40 °C and 100 °C."
    assessed = SimpleNamespace(
        parts=[SimpleNamespace(bench=SimpleNamespace(case=SimpleNamespace(mark=m))) for m in "AB"],
        cautions=(
            caution("A: Cold oil", cold.format(58)), caution("Few specimens", "Only 3."),
            caution("B: Cold oil", cold.format(60)), caution("B: Thin margin", "B E1 is near."),
        ),
    )  # fmt: skip
    assert [(each.name, each.value) for each in contents._computed(assessed)] == [
        ("Cold oil", f"{cold.format('…').replace('… °C', '…').replace(' °C', S + '°C')}"
                     f" (A{S}58{S}°C; B{S}60{S}°C)"),
        ("Few specimens", "Only 3."),
        ("B: Thin margin", "B E1 is near."),
    ]  # fmt: skip


def test_one_reason_for_many_requirements_is_said_once():
    case = sample.case()
    asked = [sample.demand(sample.BURST, name, lower=1e6) for name in ("A", "B")]
    found = tuple(sample.finding(d, None, "not demonstrated", reason="none") for d in asked)
    page = content(sample.assessment(case, findings=found, decision=Decision.UNDECIDED), case)
    assert [words(line) for line in page.decision.concerns] == ["A, B: none."]


def test_conditions_are_printed_only_where_an_approval_depends_on_them():
    case = sample.case()
    until = Condition(kind="concession", subject="E1", text="Only until May.")
    kept = sample.assessment(case, conditions=(until,))
    assert content(kept, case).decision.conditions == ()
    found = tuple(
        replace(f, verdict=Verdict.CONDITIONAL_PASS) if f.demand.id == "E1" else f
        for f in sample.passing()
    )
    partly = replace(kept, findings=found, decision=Decision.APPROVED_WITH_CONDITIONS)
    assert [words(c) for c in content(partly, case).decision.conditions] == ["Only until May."]


GIVEN = "The gap to the guard is checked on every machine."


def conditional(language, text=GIVEN):
    """Return a case in a language whose approval holds by a deviation in such words."""
    said = sample.qualification(language=language)
    own = said.deviation[0].model_copy(update={"text": text})
    case = sample.case(qual=said.model_copy(update={"deviation": (own,)}))
    kept = Condition(kind="covered rule", subject="E1", text=f"E1: ÜBER: {text} [X]")
    return case, sample.assessment(
        case, findings=sample.passing(), conditions=(kept,),
        decision=Decision.APPROVED_WITH_CONDITIONS,
    )  # fmt: skip


def test_words_in_another_language_than_the_page_are_said_to_be_as_given():
    case, assessed = conditional("de")
    with speaking("de"):
        page = content(assessed, case)
    (line,) = page.decision.conditions
    assert [getattr(part, "lang", "") for part in line.parts] == ["", "en", ""]
    assert words_of(line) == f"Für die Freigabe: E1: ÜBER: {GIVEN} [X]"
    assert page.decision.as_given == "Texte wie angegeben, auf Englisch."
    assert {line.parts[0].lang for line in page.validity.remarks} == {"en"}
    case, assessed = conditional("en")
    page = content(assessed, case)
    assert all(isinstance(line.parts[0], str) for line in page.validity.remarks)
    assert not page.decision.as_given
    assert "as given" not in page.requirements.note


def test_the_terminal_notes_conditions_that_their_reader_may_not_read():
    assert "not in German" in language_note(conditional("de")[1])
    assert language_note(conditional("de", "Der Abstand ist an jeder Maschine geprüft.")[1]) == ""
    assert language_note(conditional("en")[1]) == ""


def test_every_role_has_a_line_to_sign(page):
    assert [line.role for line in page.signoff.lines] == ["Prepared", "Checked", "Decided"]
    assert all(line.name == line.date == "" for line in page.signoff.lines)
    assert "gives no leave to fit the filter" in page.signoff.state


def test_each_check_is_a_mark_a_record_and_the_worst_one_counts():
    checks = [
        Check(record=record, rule="test flow", limit="x", standard="y", found="z",
              outcome=outcome, mandatory=True)
        for record, outcome in (("MP-C1", "met"), ("MP-C2", "met"), ("MP-C2", "not met"))
    ]  # fmt: skip
    case = sample.case()
    page = content(replace(sample.assessment(case), checks=tuple(checks)), case)
    (table,) = page.validity.rules
    assert table.rows[0][:2] == ("test flow", "●✕·")
    assert table.caption == "multi-pass runs: MP-C1, MP-C2, MP-R1"
    assert "● met, ✕ not met, · no rule of this record; a mark a record" in page.validity.legend
    assert [(each.name, each.value) for each in page.validity.notable] == [
        ("test flow, not met", "Asked: x (y). Found: MP-C2: z.")
    ]


def test_what_every_record_meets_stands_under_one_mark_and_nothing_else_does():
    kinds = {"MP-C1": "multipass", "PD-C1": "pressure_drop"}
    met = [(name, rule) for name in kinds for rule in ("certificate named", "readings")]
    checks = [
        Check(record=record, rule=rule, limit="x", standard="y", found="z", mandatory=True,
              outcome="warning" if (record, rule) == ("PD-C1", "readings") else "met")
        for record, rule in met
    ]  # fmt: skip
    case = sample.case()
    records = tuple(
        replace(case.records[0], entry=case.records[0].entry.model_copy(
            update={"id": name, "kind": kind}))
        for name, kind in kinds.items()
    )  # fmt: skip
    every, run, sweep = validity._rules(replace(case, records=records), checks)
    assert (every.rows, every.empty) == ((), "● by every record: certificate named.")
    assert (run.rows, run.empty) == ((), "● by every record: readings.")
    assert sweep.rows == (("readings", "▲"),)  # one pair of heads over one row
    assert [column.title for column in sweep.columns] == ["Rule", "Outcome"]
    assert sweep.note == ""


def test_what_does_not_pass_comes_first_on_page_one(page):
    assert [words(row[0][0]) for row in page.decision.closest.rows][:2] == ["P1", "S1"]


def test_no_number_is_lost_to_python(page):
    for text in strings(page):
        assert "nan" not in text.split()
        assert "None" not in text.split()
        assert "inf" not in text.split()


def test_limits_as_written_and_as_derived():
    by_id = {f.demand.id: results.limit_text(f) for f in sample.findings()}
    assert by_id["E1"] == f"≥{S}95{S}%"
    assert by_id["P1"] == f"≤{S}32{S}kPa"
    assert by_id["B2"] == f"≤{S}50{S}°C"
    assert by_id["C2"] == f"not more than 5{S}% below the reference (≥{S}37.81{S}g)"
    between = sample.demand(sample.BURST, "V", lower=150e3, upper=190e3)
    assert results.limit_text(sample.finding(between, None, "not demonstrated")) == (
        f"150 to 190{S}kPa"
    )


def test_results_in_the_requirements_own_unit():
    by_id = {f.demand.id: f for f in sample.findings()}
    e1, b2, s2 = by_id["E1"], by_id["B2"], by_id["S2"]
    assert results.estimate_text(e1) == f"(97.31{PM}0.42){S}%"
    assert results.estimate_text(b2) == f"(45.1{PM}2.3){S}°C"
    assert results.estimate_text(s2) == f">{S}2000{S}kPa"
    assert uncertainty._spread(b2, b2.estimate).startswith(f"1.1{S}K")  # no level: 34 in degF


def _read(text):
    return Decimal(text.replace("accepted from", "").split(S)[0].split(",")[0].strip())


@given(
    value=st.floats(1.0, 999.0), u=st.floats(0.01, 60.0),
    guard=st.floats(0.0, 90.0), limit=st.integers(1, 900), specimen=st.booleans(),
)  # fmt: skip
def test_distance_limit_and_result_agree_as_printed(value, u, guard, limit, specimen):
    kind = "worst specimen" if specimen else "mean"
    decides = Deciding(kind, value * 1e3, lower=(limit + guard) * 1e3, specimen="C1")
    asked = sample.demand(sample.CLEAN, "P1", lower=limit * 1e3)
    found = sample.finding(asked, sample.estimate(value * 1e3, u * 1e3), "pass",
                           deciding=decides)  # fmt: skip
    accepted = results.accepted_text(found) or results.limit_text(found)[2:]
    number, distance = results.deciding_text(found)
    inside = distance.startswith("inside")
    apart = _read(number) - _read(accepted)
    assert abs(apart) == _read(distance.split(" by ")[1].replace(f"inside by{S}", ""))
    assert inside == (value * 1e3 >= decides.lower)
    assert apart == 0 or inside == (apart > 0)
    guard_text, _ = uncertainty._guard(found)
    width = _read(guard_text) if guard_text != "–" else 0
    place = Decimal(1).scaleb(_read(accepted).as_tuple().exponent)
    assert abs(limit + width - _read(accepted)) <= place


def test_where_every_specimen_is_judged_the_worst_is_the_result():
    asked = sample.demand(sample.CLEAN, "P1", upper=32e3, basis="every_specimen")
    decides = Deciding("worst specimen", 33e3, upper=31.5e3, specimen="C2")
    found = sample.finding(asked, sample.estimate(31e3, 1e3), "fail", deciding=decides)
    assert results.result_lines(found) == (f"33.0{S}kPa, specimen C2",)
    mean = replace(found, deciding=Deciding("mean", 31e3, upper=31e3))
    assert results.result_lines(mean) == (f"(31.0{PM}2.1){S}kPa",)


def test_specimens_alike_are_counted_and_none_is_named():
    two = sample.estimate(2e6, 0.0, bound="larger than")
    each = tuple(replace(one, bound="larger than") for one in two.per_specimen)
    asked = sample.demand(sample.BURST, "S2", lower=1e6, basis="every_specimen")
    decides = Deciding("worst specimen", 2e6, lower=1e6, specimen="C1", bound="larger than")
    found = sample.finding(asked, replace(two, per_specimen=each), "pass", deciding=decides)
    assert results.result_lines(found) == (f">{S}2000{S}kPa, each of 2 specimens",)


def test_where_filters_are_compared_the_uncertainty_is_its_own():
    alone, other = (sample.estimate(50.0, u) for u in (0.7, 0.6))
    compared = sample.estimate(50.0, 7.0)
    asked = [sample.demand(sample.CLEAN, "C1", lower=34.0),
             sample.demand(sample.CLEAN, "C2", not_worse=0.1)]  # fmt: skip
    both = [sample.finding(a, e, "pass", reference=other)
            for a, e in zip(asked, (alone, compared), strict=True)]  # fmt: skip
    assert [ids for ids, _ in alike(both)] == [("C1",), ("C2",)]
    whole = sample.assessment(sample.case(), findings=tuple(both))
    (row,) = comparison.comparison_table(whole).rows
    assert row[3] == comparison.difference_text(asked[1], compared, other)


def test_a_population_basis_says_which_share():
    asked = sample.demand(sample.CLEAN, "P2", upper=1e5, basis="population", coverage=0.9)
    assert results.basis_of(asked) == f"share of the population: 90{S}% conform"


def test_shared_errors_cancel_in_a_difference():
    shared = Component(name="meter", u=3.0, dof=math.inf, source="x", shared="M")
    own = Component(name="scatter", u=0.4, dof=math.inf, source="x")
    other = replace(own, u=0.3)
    first = sample.estimate(50.0, 3.0, components=(shared, own))
    second = sample.estimate(48.0, 3.0, components=(shared, other))
    value, low, high = difference(first, second)
    # The meter's error is the same on both; the scatter adds in squares: 1.96 * 0.5.
    assert value == 2.0
    assert (high - low) / 2 == pytest.approx(0.97998, rel=1e-4)


def test_independent_errors_add_in_squares():
    parts = [
        (Component(name="meter", u=3.0, dof=math.inf, source="x", shared=key),)
        for key in ("M1", "M2")
    ]
    first, second = (sample.estimate(50.0, 3.0, components=part) for part in parts)
    _, low, high = difference(first, second)
    assert (high - low) / 2 == pytest.approx(1.95996 * math.hypot(3.0, 3.0), rel=1e-4)


def test_ratios_are_compared_as_a_quotient():
    first, second = (
        sample.estimate(v, 0.0, components=(), scale="reciprocal") for v in (80.0, 40.0)
    )
    assert quotient(first, second)[0] == 2.0


@pytest.mark.parametrize(("other", "told"), [(0.9, True), (0.969, False), (float("nan"), False)])
def test_filters_are_told_apart_where_the_interval_holds_no_other_answer(other, told):
    # Apart by 25 times, and by a third of, the standard uncertainty of the difference.
    sides = (sample.estimate(value, 0.002) for value in (0.97, other))
    assert told_apart(*sides) is told


def test_a_difference_of_shares_is_in_percentage_points():
    asked = sample.demand(sample.EFFICIENCY, "E", lower=0.9)
    sides = (sample.estimate(value, 0.002) for value in (0.97, 0.96))
    said = difference_text(asked, *sides)
    assert said.startswith("(+1.0")
    assert said.endswith(f"%{S}points")


@given(st.floats(1.0, 999.0), st.floats(1.0, 999.0), st.floats(0.01, 60.0), st.floats(0.01, 9.0))
def test_a_difference_is_that_of_the_numbers_beside_it(own, other, u, v):
    asked = sample.demand(sample.CLEAN, "P1", not_worse=0.1)
    sides = [sample.estimate(x * 1e3, s * 1e3) for x, s in ((own, u), (other, v))]
    found = sample.finding(asked, sides[0], "pass", reference=sides[1])
    ((_, *told, _),) = comparison._row(found)
    plain = (each.strip("(").replace("\u2212", "-").split(S)[0] for each in told)
    first, second, apart = map(Decimal, plain)
    assert first - second == apart


@pytest.mark.parametrize("kind", ["guard_band", "graded", "simple_acceptance"])
def test_the_decision_rule_states_its_risk(kind):
    rule = sample.application(
        decision_rule={"kind": kind, "confidence": "95 %", "agreed": sample.ISSUED}
    ).decision_rule
    words = rule_words(rule, 7)
    assert ("50 %" if kind != "guard_band" else f"at most 5{S}%") in words[0]
    assert any("seed 7" in paragraph for paragraph in words)


@pytest.mark.parametrize("claimed", [d for d in Decision if d is not Decision.NOT_APPROVED])
def test_a_decision_that_does_not_follow_from_its_findings_is_not_printed(claimed):
    case = sample.case()
    with pytest.raises(ValueError, match="does not follow from the findings"):
        content(sample.assessment(case, decision=claimed))


def test_sections_are_numbered_without_gaps_and_only_what_exists():
    sections = number_sections({"comparison": False, "circuit": False, "curves": True})
    labels = [s.label for s in sections.values()]
    assert labels == [*map(str, range(1, len(labels) + 1))]
    assert "curves" in sections
    assert "comparison" not in sections
    assert "circuit" not in sections


def test_a_table_wider_than_the_page_or_uneven_is_refused():
    with pytest.raises(ValueError, match="columns take 110 %"):
        Table(caption="x", columns=(Column("a", 60), Column("b", 50)), rows=())
    with pytest.raises(ValueError, match="uneven"):
        Table(caption="x", columns=(Column("a", 60),), rows=(("1", "2"),))


def links(value):
    if isinstance(value, Link):
        return [value]
    if is_dataclass(value):
        return [each for field in fields(value) for each in links(getattr(value, field.name))]
    if isinstance(value, (tuple, list)):
        return [found for each in value for found in links(each)]
    return []


def anchors(page):
    """Return every anchor that the content sets: of tables, their rows, lines and charts."""
    if is_dataclass(page):
        own = {getattr(page, "id", ""), *getattr(page, "anchors", ())} - {""}
        return own.union(*(anchors(getattr(page, each.name)) for each in fields(page)))
    if isinstance(page, (tuple, list)):
        return set().union(*map(anchors, page)) if page else set()
    return set()


def test_a_verdict_leads_to_its_chart_and_records(page):
    known = anchors(page) | set(page.sections) | {"conditions"}
    targets = {link.target for link in links((page.requirements, page.decision, page.uncertainty))}
    assert targets
    assert targets <= known
    for row, finding in zip(page.requirements.rows, sample.findings(), strict=True):
        see = {link.text: link.target for link in links(row[1])}
        if finding.estimate is not None:
            assert "record-1" in see.values()
        if finding.demand.quantity.name == "efficiency":
            assert see["figure"] == "chart-size"


@pytest.mark.parametrize("name", all_quantities())
def test_where_one_quantity_alone_is_asked_each_link_leads_somewhere(name, undrawn):
    quantity = all_quantities()[name]
    at = {each.name: 1.0 for each in quantity.conditions}
    asked = sample.demand(quantity, "A1", lower=0.5, at=at, at_text="so")
    one = sample.finding(asked, sample.estimate(0.9, 0.01), "pass", probability=0.99)
    only = sample.assessment(sample.case(), findings=(one,), decision=Decision.APPROVED)
    page = content(only)
    known = anchors(page) | set(page.sections) | {"conditions"}
    assert {link.target for link in links((page.requirements, page.decision, page.frame))} <= known


def test_a_requirement_asked_twice_is_said_once():
    first = sample.passing()[0]
    again = replace(first, demand=replace(first.demand, id="life"))
    other = replace(first, demand=replace(first.demand, id="strict", lower=0.97), lower=0.97)
    case = sample.case()
    found = (first, again, other)
    page = content(sample.assessment(case, findings=found, decision=Decision.APPROVED), case)
    assert [row[3] for row in page.requirements.rows][1] == "same as E1"
    assert page.requirements.rows[2][3] == page.requirements.rows[0][3]
    assert [row[4] for row in page.requirements.rows][1:] == ["as requirement E1"] * 2
    assert [words(row[0][0]) for row in page.decision.closest.rows] == ["E1, life", "strict"]


def test_each_record_stands_by_its_specimen_under_its_kind(page):
    table = page.filters.records
    assert table.columns[1].title.startswith("multi-pass run, ")
    assert words(table.rows[0][1]).startswith("MP-C1, ")
    assert anchors(table) >= {"record-1", "record-2", "record-3"}


def test_an_inspected_characteristic_is_called_by_its_name():
    asked = sample.demand(
        replace(sample.BURST, name="dimension", title="Dimension"), "D1",
        at={"characteristic": "overall length"}, at_text="overall length",
    )  # fmt: skip
    assert results.what_of(asked) == "overall length"
    seen = sample.demand(
        replace(sample.BURST, name="statement", title="Found on inspection",
                dimension="statement"), "S1", must_hold=True,
        at={"characteristic": "gasket seated"}, at_text="gasket seated",
    )  # fmt: skip
    found = sample.estimate(1.0, 0.0, components=())
    found = replace(
        found, per_specimen=tuple(replace(each, value=1.0) for each in found.per_specimen)
    )
    assert results.estimate_text(sample.finding(seen, found, "pass")) == "found so on 2 of 2"
    assert results.specimens_text(seen, found) == f"C1, C2{S}found so"


def test_small_contributions_are_added_up_and_none_is_lost():
    parts = tuple(
        Component(name=name, u=u, dof=math.inf, source="x")
        for name, u in (("large", 1e-3), ("a", 3e-5), ("b", 4e-5))
    )
    first = sample.passing()[0]
    found = replace(first, estimate=replace(first.estimate, components=parts))
    case = sample.case()
    page = content(sample.assessment(case, findings=(found,), decision=Decision.APPROVED), case)
    ((_, spread, _, bar, told),) = page.uncertainty.budget.rows
    # 0.003 % and 0.004 % in squares are 0.25 % of the variance of 0.1 %.
    assert told == f"large{S}100{S}%, 2 smaller together{S}<{S}1{S}%"
    assert math.fsum(bar.shares) == pytest.approx(1.0)
    assert bar.shares[1] == pytest.approx(2.5e-3, rel=0.01)
    assert [low for low, _ in bar.stops] == [0.0, pytest.approx(99.8)]
    assert spread.endswith(results.dof_text(first.estimate.dof))
    alone = uncertainty._shares(found, parts[:2])
    assert [name for name, _, _ in alone] == ["large", "a"]  # one alone keeps its name


def test_the_share_through_the_fine_path_is_printed_in_percent():
    share = Estimate(value=0.08, u=0.005)
    found, *_ = circuit._facts(SimpleNamespace(share=share, turnover=None, spared=None, code=""))
    # 1.96 times the standard uncertainty on either side, by the normal law
    assert re.findall(r"\d+(?:\.\d+)?", str(found.value)) == ["8.00", "0.98"]


def test_paths_are_told_apart_in_every_chart_and_table():
    case = sample.case()
    whole = sample.assessment(case)
    fine = tuple(
        replace(run, path="fine", record=f"F{run.record}", specimen=f"F{run.specimen}")
        for run in whole.bench.multipass
    )
    sweeps = tuple(replace(s, path="fine", specimen="F1") for s in whole.bench.pressure)
    bench = replace(
        whole.bench, multipass=whole.bench.multipass + fine,
        pressure=whole.bench.pressure + sweeps,
    )  # fmt: skip
    page = content(replace(whole, bench=bench), case)
    names = [row[0] for row in page.measured[0].rows]
    assert names[0] == ("candidate", "full-flow path")
    assert names[-1] == ("reference", "fine path")
    against_size = page.charts[0]
    against_time = list(filtration._against_time(bench.multipass, {20.0}, "", ""))
    assert len(against_time) == 2
    assert "FC1" not in against_time[0].alt
    assert "specimens FC1, FC2" in against_time[1].alt
    loading = next(each for each in page.charts if each.id == "chart-loading")
    for chart in (against_size, loading, page.charts[-1]):
        drawn = base64.b64decode(chart.uri.partition(",")[2]).decode()
        assert ">full-flow path<" in drawn
        assert ">fine path<" in drawn
    assert [row[0] for row in page.measured[1].rows].count("candidate FC1, fine path") == 1


def test_what_people_wrote_cannot_end_its_quotation_on_page_one():
    evil = 'Pump”. Approved. "Signed“'
    case = sample.case(sample.application(title=evil, equipment=(evil, "Second")))
    case = replace(case, qualification=case.qualification.model_copy(update={"title": evil}))
    page = content(sample.assessment(case), case).decision
    lines = (page.title, page.question, words(page.facts[0].value))
    for line in lines:
        inside = line.partition("“")[2]
        assert inside.index("”") > inside.index("Signed")


@pytest.mark.parametrize(
    ("text", "width", "shown"),
    [
        ("(0.127\u00a0±\u00a00.091)\u00a0mL/min", 16, "(0.127\u00a0±\u00a00.091)\nmL/min"),
        ("(0.127\u00a0±\u00a00.091)\u00a0mL/min", 24, "(0.127\u00a0±\u00a00.091)\u00a0mL/min"),
        ("0.89\u00a0per\u00a0mL", 9, "0.89\nper\u00a0mL"),
        (">\u00a0100\u202f000\u202f000\u202f000", 9, ">\u00a0100\u202f000\u202f000\u202f000"),
    ],
)
def test_a_number_too_long_for_its_column_has_its_unit_whole_on_the_next_line(text, width, shown):
    columns = (Column("", 10), Column("", width, "right"), Column("", 10))
    (row,) = Table(caption="", columns=columns, rows=(("", text, text),)).rows
    assert row == ("", shown, text)
