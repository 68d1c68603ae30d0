"""Outliers: the handbook's example, when none can be judged, and that no decision changes."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from dossier import assess, read_case
from dossier.evidence.quantities import all_quantities
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Estimate, SpecimenValue
from dossier.evidence.statistics.tolerance import find_outlier, outlier_note
from tests.small_case import finding, record, requirement

REFERENCE = Path(__file__).parents[1] / "reference"
INPUTS = Path(__file__).parents[2] / "inputs"
# NIST/SEMATECH e-Handbook, 1.3.5.17.1: mass spectrometer measurements of a uranium isotope
HANDBOOK = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)


def estimate(values, scale="linear", bounds=()):
    marks = list(bounds) + [""] * (len(values) - len(bounds))
    return Estimate(
        value=float(np.mean(values)), u=1.0, dof=1.0, scale=scale,
        per_specimen=tuple(
            SpecimenValue(specimen=f"C{k}", record=f"M{k}", value=v, u=0.1, bound=mark)
            for k, (v, mark) in enumerate(zip(values, marks, strict=True), 1)
        ),
    )  # fmt: skip


def demand(unit="kPa"):
    return Demand(
        id="Q1", text="", quantity=all_quantities()["burst_pressure"], at={}, at_text="",
        lower=1.0, upper=None, not_worse=None, unit=unit, source="", severity="mandatory",
        basis="mean", coverage=0.95, confidence=0.95,
    )  # fmt: skip


class TestFindOutlier:
    def test_the_handbooks_example(self):
        found = find_outlier(estimate(HANDBOOK))
        assert found.specimen == "C8"
        assert found.distance == pytest.approx(2.4687, abs=1e-4)  # printed there, truncated
        assert found.critical == pytest.approx(2.1266, abs=1e-4)  # two-sided 5 %, n = 8
        assert found.with_it == pytest.approx(np.mean(HANDBOOK))
        assert found.without_it == pytest.approx(np.mean(HANDBOOK[:-1]))

    def test_without_it_there_is_none(self):
        assert find_outlier(estimate(HANDBOOK[:-1])) is None

    def test_either_side_is_suspected(self):
        # between the one-sided 2.0317 and the two-sided 2.1266 nothing is flagged
        def distance(last):
            values = np.array([*HANDBOOK[:-1], last])
            return (last - values.mean()) / values.std(ddof=1)

        last = brentq(lambda each: distance(each) - 2.08, 202.5, 245.0)
        assert find_outlier(estimate([*HANDBOOK[:-1], last])) is None
        last = brentq(lambda each: distance(each) - 2.13, 202.5, 245.0)
        assert find_outlier(estimate([*HANDBOOK[:-1], last])).specimen == "C8"

    def test_three_specimens(self):
        # n = 3: G is at most 2/sqrt(3) = 1.1547, the two-sided critical value 1.1543
        assert find_outlier(estimate([100.0, 100.0001, 120.0])).specimen == "C3"
        assert find_outlier(estimate([100.0, 103.0, 120.0])) is None

    @pytest.mark.parametrize(
        "case",
        [
            estimate([100.0, 200.0]),
            estimate([100.0] * 3),
            estimate([100.0, 100.0, 100.0001, 120.0], bounds=["larger than"]),
            estimate([100.0, np.inf, 100.0, 101.0]),
            estimate([100.0, np.nan, 100.0, 101.0]),
            estimate([100.0, 0.0, 100.0, 101.0], scale="reciprocal"),
        ],
    )
    def test_what_cannot_be_judged(self, case):
        assert find_outlier(case) is None

    def test_a_ratio_is_tested_as_penetration(self):
        # means are those of 1/ratio, as the ratio itself is averaged
        far = find_outlier(estimate([50.0, 50.5, 50.2, 20.0], scale="reciprocal"))
        assert far.specimen == "C4"
        assert far.with_it == pytest.approx(4 / (1 / 50 + 1 / 50.5 + 1 / 50.2 + 1 / 20))
        assert far.without_it == pytest.approx(3 / (1 / 50 + 1 / 50.5 + 1 / 50.2))

    @given(
        st.lists(st.floats(50, 150), min_size=3, max_size=12),
        st.floats(0.1, 10),
        st.floats(-40, 40),
    )
    def test_unit_and_zero_do_not_matter(self, values, factor, shift):
        if max(values) - min(values) < 1e-3:
            return
        one = find_outlier(estimate(values))
        other = find_outlier(estimate([factor * v + shift for v in values]))
        if one is None or other is None:
            distance = abs((one or other).distance - (one or other).critical) if one or other else 0
            assert distance < 1e-6
        else:
            assert one.distance == pytest.approx(other.distance, rel=1e-6)


class TestNote:
    def test_few_values(self):
        found = find_outlier(estimate([100e3, 100e3, 101e3, 160e3]))
        note = outlier_note(found, demand())
        assert "specimen C4 (160 kPa)" in note
        assert "with it 115.2 kPa, without it 100.3 kPa" in note
        assert "of 6 or fewer values the test flags too many" in note
        assert "It stays in the result" in note

    def test_enough_values(self):
        note = outlier_note(find_outlier(estimate([1e3 * v for v in HANDBOOK])), demand())
        assert "flags too many" not in note
        assert "G = 2.469, critical 2.127" in note


def burst(results, **entry):
    lines = [f"{'R' if entry else 'C'}{k},{r}" for k, r in enumerate(results, 1)]
    table = "specimen,burst pressure [kPa]\n" + "\n".join(lines) + "\n"
    return record(f"M{len(entry)}", "measurement", table, instruments=["PG"], **entry)


class TestInTheAssessment:
    def test_flagged_and_kept(self):
        required = requirement("burst_pressure", min="1600 kPa", basis="mean")
        found = finding([burst([1900, 1901, 1902, 1700])], required)
        assert "specimen C4 (1700 kPa) lies far" in found.estimate.notes[-1]
        assert found.estimate.value == pytest.approx(1850.75e3)
        assert len(found.estimate.per_specimen) == 4

    def test_an_outlier_of_the_reference_is_named_where_it_sets_the_limit(self):
        records = [
            burst([1900, 1902, 1904, 1906]),
            burst([1900, 1901, 1902, 1700], filter="reference"),
        ]
        required = requirement("burst_pressure", not_worse_than_reference="5 %", basis="mean")
        found = finding(records, required, reference_plan=())
        assert found.estimate.notes[-1].startswith("filter now fitted: specimen R4")
        assert "specimen R4" in found.reference.notes[-1]

    @pytest.mark.parametrize("name", ["polder-pumps", "ropeway-drive"])
    def test_no_decision_changes(self, name, monkeypatch):
        case = read_case(INPUTS / name)
        flagged = assess(case, pages=False)
        monkeypatch.setattr("dossier.decision.assess.find_outlier", lambda estimate: None)
        plain = assess(case, pages=False)
        assert [replace(f, estimate=None, reference=None) for f in flagged.findings] == [
            replace(f, estimate=None, reference=None) for f in plain.findings
        ]
        for one, other in zip(flagged.findings, plain.findings, strict=True):
            if one.estimate is not None:
                assert replace(one.estimate, notes=()) == replace(other.estimate, notes=())
        assert flagged.decision == plain.decision


def test_reference_file_of_the_handbook_agrees():
    known = tomllib.loads((REFERENCE / "nist_sematech.toml").read_text())
    assert str(list(HANDBOOK))[1:-1] in str(known)
