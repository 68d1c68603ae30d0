"""Dimensions and statements: hand calculation, words that are understood, rules of validity."""

import math
from datetime import date

import pytest
from scipy import stats

from dossier import assess, build, read_case
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from tests.small_case import bench, compute, finding, outcome, record, requirement, write

HEADER = "characteristic,specimen,found,lower,upper,unit\n"
LENGTH = {"characteristic": "overall length"}
SEATED = {"characteristic": "gasket seated"}


def drawn(*found, name="I1", unit="mm", limits="138,141", first=1, **entry):
    lines = [f"overall length,C{k},{x},{limits},{unit}" for k, x in enumerate(found, first)]
    return record(
        name, "inspection", HEADER + "\n".join(lines) + "\n", **{"instruments": ["CA"], **entry}
    )


def looked(*found, name="I1", first=1, **entry):
    lines = [f"gasket seated,C{k},{word}" for k, word in enumerate(found, first)]
    table = "characteristic,specimen,found\n" + "\n".join(lines) + "\n"
    return record(name, "inspection", table, **entry)


def holds(**more):
    return requirement("statement", at=SEATED, must_hold=True, **more)


class TestDimension:
    def test_by_hand(self):
        found = compute([drawn(139.8, 140.0, 140.2)], "dimension", at=LENGTH)
        assert found.value == pytest.approx(140.0)
        assert [s.u for s in found.per_specimen] == pytest.approx([0.02] * 3)
        assert found.u == pytest.approx(math.hypot(0.2 / math.sqrt(3), 0.02))

    @pytest.mark.parametrize(
        ("unit", "shown", "limits"), [("cm", 14.0, "13.8,14.1"), ("in", 5.511811024, "5.4,5.6")]
    )
    def test_unit_of_the_row(self, unit, shown, limits):
        found = compute([drawn(shown, unit=unit, limits=limits)], "dimension", at=LENGTH)
        assert found.value == pytest.approx(140.0)

    def test_name_without_regard_to_case_and_spaces(self):
        at = {"characteristic": " Overall  LENGTH"}
        assert isinstance(compute([drawn(140.0)], "dimension", at=at), Estimate)

    def test_without_a_certificate_an_accuracy_is_assumed_and_says_so(self):
        found = compute([drawn(140.0, instruments=["SW"])], "dimension", at=LENGTH)
        shared = found.components[1]
        assert shared.u == pytest.approx(0.1 / math.sqrt(3))
        assert "assumed" in shared.source
        assert "own" in shared.source

    def test_near_a_limit_the_guard_band_decides(self):
        # 140.98 mm with 0.02 mm against 141 mm: one standard uncertainty inside
        limit = {"between": {"min": "138 mm", "max": "141 mm"}}
        required = requirement("dimension", at=LENGTH, **limit)
        near = finding([drawn(140.98)], required)
        assert near.probability == pytest.approx(stats.norm.cdf(1.0))
        assert near.verdict.value == "fail"
        assert finding([drawn(140.9)], required).verdict.value == "pass"
        assert finding([drawn(140.0, 141.2)], required).verdict.value == "fail"

    @pytest.mark.parametrize(("found", "side"), [(141.2, "above 141"), (137.9, "below 138")])
    def test_outside_its_own_drawing_is_noted(self, found, side):
        estimate = compute([drawn(140.0, found)], "dimension", at=LENGTH)
        assert (
            f"overall length of specimen C2: {found}\u00a0mm is {side}\u00a0mm as drawn"
            in (estimate.notes[0])
        )
        assert not compute([drawn(141.0, 138.0)], "dimension", at=LENGTH).notes

    @pytest.mark.parametrize(
        ("made", "words"),
        [
            (drawn("140 mm"), "'140 mm' is not a number"),
            (drawn("yes"), "'yes' is not a number"),
            (drawn(""), "'' is not a number"),
            (drawn("1e999"), "not a finite number"),
            (drawn("1e999", "no"), "not a finite number"),
            (drawn(140, unit="kg"), "'kg' is not a unit of length"),
            (drawn(140, unit=""), "length"),
            (looked("yes"), "no inspection record of the candidate"),
        ],
    )
    def test_not_demonstrated_with_the_reason(self, made, words):
        found = compute([made], "dimension", at=LENGTH)
        assert isinstance(found, NotDemonstrated)
        assert words in found.reason

    def test_more_than_planned_is_evidence_too(self):
        found = compute([drawn(140, 141)], "dimension", at=LENGTH, plan=["C1"])
        assert found.value == pytest.approx(140.5)


class TestStatement:
    @pytest.mark.parametrize(
        ("words", "verdict"),
        [
            (("yes", "Yes", "YES"), "pass"),
            (("yes", "no", "yes"), "fail"),
            (("no", "no", "no"), "fail"),
            (("yes", "n/a", "yes"), "not demonstrated"),
            (("yes", "", "yes"), "not demonstrated"),
            (("yes", "ok", "no"), "not demonstrated"),
            (("yes", "1", "yes"), "not demonstrated"),
        ],
    )
    def test_every_specimen_must_be_found_so(self, words, verdict):
        found = finding([looked(*words)], holds(), plan=["C1", "C2", "C3"])
        assert found.verdict.value == verdict
        assert found.probability is None

    def test_reasons(self):
        assert finding([looked("yes", "no")], holds()).reason == (
            "not found so on C2, of 2 specimens"
        )
        reason = finding([looked("yes", "perhaps")], holds()).reason
        assert "gasket seated of specimen C2: 'perhaps' says neither yes nor no" in reason
        assert finding([looked("yes", "yes")], holds()).reason == "found so on each of 2 specimens"

    @pytest.mark.parametrize("basis", ["mean", "every_specimen"])
    def test_one_specimen_is_enough_where_one_is_planned(self, basis):
        assert finding([looked("yes")], holds(basis=basis), plan=["C1"]).verdict.value == "pass"

    def test_every_planned_specimen_must_be_there_by_name(self):
        found = finding([looked("yes", "yes")], holds(), plan=["C1", "C2", "C3"])
        assert found.verdict.value == "not demonstrated"
        assert "nothing of specimen C3" in found.reason
        others = finding([looked("yes", "yes", first=7)], holds(), plan=["C1", "C2"])
        assert others.verdict.value == "not demonstrated"

    def test_over_two_records(self):
        records = [looked("yes", "yes"), looked("yes", name="I2", first=3)]
        assert finding(records, holds(), plan=["C1", "C2", "C3"]).verdict.value == "pass"
        doubled = [looked("yes", "yes"), looked("no", name="I2", first=2)]
        found = finding(doubled, holds())
        assert found.verdict.value == "not demonstrated"
        assert "more than one result" in found.reason

    def test_a_share_of_the_type_needs_as_many_as_the_plan(self):
        share = {"basis": "population", "coverage": "90 %"}
        few = finding([looked(*["yes"] * 28)], holds(**share))
        assert few.verdict.value == "not demonstrated"
        assert finding([looked(*["yes"] * 29)], holds(**share)).verdict.value == "pass"
        assert finding([looked(*["yes"] * 40, "no")], holds(**share)).verdict.value == "fail"

    def test_what_specimens_without_a_failure_show(self):
        found = compute([looked("yes", "yes", "yes")], "statement", at=SEATED)
        assert found.details["zero_failure_reliability"] == pytest.approx(0.05 ** (1 / 3))
        assert "at least 36.8 % of the filter type" in found.notes[0]
        assert not compute([looked("yes", "no")], "statement", at=SEATED).notes

    def test_the_reference_is_looked_at_by_itself(self):
        records = [looked("yes"), looked("no", name="I2", filter="reference")]
        found = finding(records, holds(), reference_plan=())
        assert found.verdict.value == "pass"
        assert found.reference.value == 0.0


class TestRulesOfValidity:
    def test_a_good_record_meets_all(self):
        checks = bench([drawn(140.0)], plan=["C1"]).checks
        assert {check.outcome for check in checks} == {"met"}
        assert {c.rule for c in checks} >= {
            "specimens named once", "specimen count", "inside the drawing",
        }  # fmt: skip

    @pytest.mark.parametrize(
        ("rule", "made", "expected"),
        [
            ("inside the drawing", drawn(141.5), "warning"),
            ("specimen count", drawn(140.0, first=2), "warning"),
            ("specimen count", drawn(140.0, 140.0, first=2), "warning"),
            (
                "specimens named once",
                record("I1", "inspection", HEADER + "d,C1,1,,,mm\nD,C1,1,,,mm\n"),
                "not met",
            ),
            (
                "specimens named once",
                record("I1", "inspection", HEADER + "d,,1,,,mm\n"),
                "not met",
            ),
            (
                "specimens named once",
                record("I1", "inspection", HEADER + ",C1,1,,,mm\n"),
                "not met",
            ),
        ],
    )
    def test_each_can_be_broken(self, rule, made, expected):
        assert outcome([made], rule, plan=["C1"]) == expected

    def test_a_statement_has_no_drawing(self):
        assert "inside the drawing" not in {c.rule for c in bench([looked("yes")]).checks}


REQUIRED = [
    requirement("dimension", "D1", at=LENGTH, between={"min": "138 mm", "max": "141 mm"}),
    holds(name="S1"),
    requirement("statement", "S2", at={"characteristic": "marked"}, must_hold=True),
]


def folder_of(tmp_path):
    table = (
        "characteristic,specimen,found,lower,upper,unit\n"
        "# looked at in daylight\n"
        "overall length,C1,139.9,138,141,mm\noverall length,C2,140.1,138,141,mm\n"
        "gasket seated,C1,yes,,,\ngasket seated,C2,yes,,,\n"
        "marked,C1,yes,,,\nmarked,C2,no,,,\n"
    )
    made = record("I1", "inspection", table, instruments=["CA"])
    return write(tmp_path / "case", [made], REQUIRED, plan=["C1", "C2"])


def test_from_files_to_findings(tmp_path):
    found = {f.demand.id: f for f in assess(read_case(folder_of(tmp_path))).findings}
    assert {name: f.verdict.value for name, f in found.items()} == {
        "D1": "pass", "S1": "pass", "S2": "fail",
    }  # fmt: skip


@pytest.mark.slow
def test_to_the_pages(tmp_path):
    made = build(folder_of(tmp_path), tmp_path / "out", date(2026, 3, 1))
    assert made.pdf.stat().st_size > 10_000
    assert made.assessment.decision.value == "not approved"
