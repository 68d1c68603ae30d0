"""Measured quantities: hand calculation, JCGM 106, bounds, zero failures, rules of validity."""

import math
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from dossier import assess, read_case
from dossier.decision.deciding import censored
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated
from tests.small_case import (
    TESTED,
    bench,
    compute,
    finding,
    outcome,
    record,
    requirement,
    write,
)

REFERENCE = Path(__file__).parents[1] / "reference"
ZERO_FAILURE = tomllib.loads((REFERENCE / "zero_failure.toml").read_text())["reliability"]
JCGM_106 = tomllib.loads((REFERENCE / "jcgm_106_7.toml").read_text())["example"]
BURST = next(e for e in JCGM_106 if "burst" in e["name"])

COLUMNS = {
    "collapse_pressure": ("collapse pressure [kPa]", 1e3),
    "burst_pressure": ("burst pressure [bar]", 1e5),
    "first_bubble_pressure": ("first bubble pressure [kPa]", 1e3),
    "pulse_cycles": ("pulse cycles [1]", 1.0),
    "vibration_hours": ("vibration hours [h]", 3600.0),
    "anti_drain_leakage": ("anti-drain leakage [mL/min]", 1e-6 / 60),
    "initial_cleanliness": ("initial cleanliness [mg]", 1e-6),
}


def measured(column, *results, name="M1", first=1, **entry):
    """A measurement record: C1, C2 ... with their results as typed."""
    lines = [f"C{k},{result}" for k, result in enumerate(results, first)]
    made = {"instruments": ["PG", "BA", "SW"]} | entry
    return record(name, "measurement", f"specimen,{column}\n" + "\n".join(lines) + "\n", **made)


def burst(*results, **entry):
    return measured("burst pressure [kPa]", *results, **entry)


def pulses(*results, **entry):
    return measured("pulse cycles [1]", *results, **entry)


class TestValues:
    @pytest.mark.parametrize("quantity", COLUMNS)
    def test_mean_in_the_working_unit(self, quantity):
        column, factor = COLUMNS[quantity]
        found = compute([measured(column, 8, 10, 12)], quantity)
        assert found.value == pytest.approx(10 * factor)
        assert [s.value for s in found.per_specimen] == pytest.approx(
            [8 * factor, 10 * factor, 12 * factor]
        )
        assert found.sources == ("M1",)
        # scatter of 8, 10, 12 is 2; of their mean 2/sqrt(3)
        assert found.components[0].u == pytest.approx(2 * factor / math.sqrt(3))
        assert found.components[0].dof == 2.0

    def test_cycles_and_hours_are_exact(self):
        for quantity in ("pulse_cycles", "vibration_hours"):
            found = compute([measured(COLUMNS[quantity][0], 8, 10)], quantity)
            assert [s.u for s in found.per_specimen] == [0.0, 0.0]

    def test_an_absolute_certificate_is_common_to_all(self):
        found = compute([burst(1900, 2000, 2100)], "burst_pressure")
        assert [s.u for s in found.per_specimen] == pytest.approx([8.6e3] * 3)
        assert found.components[1].u == pytest.approx(8.6e3)
        assert found.components[1].shared == "L:PG:pressure"
        assert found.u == pytest.approx(math.hypot(100e3 / math.sqrt(3), 8.6e3))

    def test_two_instruments_of_one_laboratory_are_taken_to_err_together(self):
        records = [burst(1900, 2100), burst(2000, name="M2", first=3, instruments=["SW"])]
        found = compute(records, "burst_pressure")
        by_key = {c.shared: c for c in found.components}
        assert by_key["L:PG:pressure"].u == pytest.approx(2 * 8.6e3 / 3)
        stand_in = by_key["L:SW:pressure"]
        assert stand_in.u == pytest.approx(2000e3 * 0.05 / math.sqrt(3) / 3)
        assert "assumed accuracy" in stand_in.source
        assert "own" in stand_in.source
        one_error = by_key["L:PG:pressure"].u + stand_in.u
        assert math.hypot(*(c.u for c in found.components[1:])) == pytest.approx(one_error)

    def test_collapse_is_read_by_whichever_instrument_the_record_names(self):
        column = COLUMNS["collapse_pressure"][0]
        gauge = compute([measured(column, 700)], "collapse_pressure")
        assert gauge.per_specimen[0].u == pytest.approx(8.6e3)
        both = measured(column, 700, instruments=["PG", "DP"])
        assert compute([both], "collapse_pressure").per_specimen[0].u == pytest.approx(7e3)

    def test_a_result_of_zero_with_an_absolute_certificate(self):
        column = COLUMNS["initial_cleanliness"][0]
        found = compute([measured(column, 0, 2)], "initial_cleanliness")
        assert [s.u for s in found.per_specimen] == pytest.approx([1e-7, 1e-7])

    def test_a_result_of_zero_with_a_relative_accuracy_is_noted(self):
        column = COLUMNS["anti_drain_leakage"][0]
        found = compute([measured(column, 0, 0.2)], "anti_drain_leakage")
        assert any("better written as a bound" in note for note in found.notes)

    def test_a_deviation_widens(self):
        deviation = {
            "record": "M1", "text": "old seal", "effect": "widens uncertainty", "u": "3 %",
            "agreed_by": "Fleet", "agreed": TESTED,
        }  # fmt: skip
        found = compute([burst(1900, 2100)], "burst_pressure", deviations=[deviation])
        extra = next(c for c in found.components if c.name == "recorded deviations")
        assert extra.u == pytest.approx(2000e3 * 0.03 / math.sqrt(2))

    def test_jcgm_106_burst_pressure_of_a_container(self):
        # JCGM 106:2012, 7.3.3 example 2, numbers from memory; the instrument's certificate is u
        required = requirement("burst_pressure", min=f"{BURST['lower']} kPa")
        found = finding([burst(BURST["value"])], required)
        assert found.estimate.u == pytest.approx(BURST["u"] * 1e3)
        assert found.probability == pytest.approx(BURST["probability"], abs=5e-5)
        assert found.verdict.value == "pass"

    def test_not_worse_than_the_reference_shares_the_instrument(self):
        records = [
            burst(1900, 2000, 2100),
            burst(1890, 1990, 2090, name="M2", filter="reference"),
        ]
        required = requirement("burst_pressure", not_worse_than_reference="5 %", basis="mean")
        found = finding(records, required, reference_plan=())
        assert found.lower == pytest.approx(0.95 * 1990e3)
        # 2000 less 0.95 of 1990 is 109.5 kPa; of the common 8.6 kPa only a twentieth is left
        alone = 100 / math.sqrt(3)
        t = 109.5 / math.hypot(alone, 0.95 * alone)
        assert found.probability == pytest.approx(stats.t.cdf(t, 2), abs=1e-4)


ALL_BOUNDS = "decided as bounds"


class TestBounds:
    @pytest.mark.parametrize(
        ("results", "limit", "verdict"),
        [
            (["> 2000"], {"min": "1600 kPa"}, "pass"),
            (["≥ 2000"], {"min": "1600 kPa"}, "pass"),
            (["> 1500"], {"min": "1600 kPa"}, "not demonstrated"),
            (["> 1605"], {"min": "1600 kPa"}, "not demonstrated"),  # inside, short of 95 %
            (["> 2000"], {"max": "1600 kPa"}, "fail"),
            (["> 1500"], {"max": "1600 kPa"}, "not demonstrated"),
            (["≥ 1600"], {"max": "1600 kPa"}, "not demonstrated"),
            (["< 1500"], {"max": "1600 kPa"}, "pass"),
            (["≤ 1500"], {"max": "1600 kPa"}, "pass"),
            (["< 1700"], {"max": "1600 kPa"}, "not demonstrated"),
            (["≤ 1650"], {"min": "1600 kPa"}, "not demonstrated"),
            (["< 1500"], {"min": "1600 kPa"}, "fail"),
            (["< 1700"], {"min": "1600 kPa"}, "not demonstrated"),
            (["> 1500"], {"between": {"min": "1400 kPa", "max": "1600 kPa"}}, "not demonstrated"),
            (["> 1700"], {"between": {"min": "1400 kPa", "max": "1600 kPa"}}, "fail"),
            (["> 2000", 1400], {"min": "1600 kPa"}, "fail"),
            (["> 1500", 1400], {"min": "1600 kPa"}, "fail"),  # one that fails is never hidden
            (["> 1500", 1900], {"min": "1600 kPa"}, "not demonstrated"),
            (["> 2000", 1900], {"min": "1600 kPa"}, "pass"),
            ([1700, "> 1200"], {"max": "1600 kPa"}, "fail"),
            (["> 2000", "< 1000"], {"min": "500 kPa"}, "not demonstrated"),
        ],
    )
    def test_every_specimen(self, results, limit, verdict):
        found = finding([burst(*results)], requirement("burst_pressure", **limit))
        assert found.verdict.value == verdict
        assert len(found.reason) > 20
        if verdict == "not demonstrated":
            assert found.probability is None

    def test_the_bound_itself_is_only_as_good_as_its_instrument(self):
        # 1610 kPa with 8.6 kPa: a normal probability of 0.8775; just beyond 1614.2 it reaches 95 %
        rule = {"kind": "graded"}
        found = finding([burst("> 1610")], requirement("burst_pressure", min="1600 kPa"), rule=rule)
        assert found.verdict.value == "conditional pass"
        assert found.probability == pytest.approx(stats.norm.cdf(10 / 8.6))
        found = finding([burst("> 1614.2")], requirement("burst_pressure", min="1600 kPa"))
        assert found.verdict.value == "pass"

    def test_marks_and_note(self):
        found = compute([burst("> 2000", 1900)], "burst_pressure")
        assert found.bound == "larger than"
        assert [s.bound for s in found.per_specimen] == ["larger than", ""]
        assert any(ALL_BOUNDS in note for note in found.notes)
        assert found.components[0].name == "scatter of the bounds of 2 specimens"
        plain = compute([burst(2000, 1900)], "burst_pressure")
        assert plain.bound == ""
        assert not any(ALL_BOUNDS in note for note in plain.notes)

    @pytest.mark.parametrize(
        ("results", "limit", "verdict"),
        [
            (["> 2000"] * 3, {"min": "1600 kPa"}, "pass"),
            (["> 2000", "> 2000", "> 1500"], {"min": "1600 kPa"}, "not demonstrated"),
            (["> 2000"] * 3, {"min": "2100 kPa"}, "not demonstrated"),
            (["> 2000"] * 3, {"max": "1900 kPa"}, "fail"),
            (["> 2000", 1990, 1995], {"min": "1600 kPa"}, "pass"),
            (["> 2000", 1700, 2300], {"min": "1900 kPa"}, "not demonstrated"),
            (["> 2000", 1400, 1300], {"min": "1600 kPa"}, "not demonstrated"),
            (["< 1000", 900, 950], {"max": "1100 kPa"}, "pass"),
            (["> 2000", 1990, 1995], {"max": "2100 kPa"}, "not demonstrated"),
            (["> 2000", 1990, 1995], {"max": "1600 kPa"}, "fail"),
        ],
    )
    def test_mean(self, results, limit, verdict):
        required = requirement("burst_pressure", basis="mean", **limit)
        assert finding([burst(*results)], required).verdict.value == verdict

    def test_mean_with_bounds_is_decided_by_the_scatter_of_the_bounds(self):
        # E[min(X, c)] <= E[X]: 2000, 1990, 1995 against 1980: t = 15 / sqrt(5^2/3 + 8.6^2)
        required = requirement("burst_pressure", basis="mean", min="1980 kPa")
        rule = {"kind": "graded"}
        found = finding([burst("> 2000", 1990, 1995)], required, rule=rule)
        # both parts at their own degrees of freedom: between the normal and t with 2
        normal = stats.norm.cdf(15 / math.hypot(5 / math.sqrt(3), 8.6))
        student = stats.t.cdf(15 / math.hypot(5 / math.sqrt(3), 8.6), 2)
        assert student < found.probability < normal

    def test_draws_carry_a_bound_themselves(self):
        found = compute([burst("> 2000", 1900)], "burst_pressure")
        assert censored(found)
        assert not censored(replace(found, samples=np.array([1.9e6, 2.0e6])))
        assert not censored(compute([burst(2000, 1900)], "burst_pressure"))

    def test_one_specimen_is_no_mean(self):
        required = requirement("burst_pressure", basis="mean", min="1600 kPa")
        assert finding([burst("> 2000")], required).verdict.value == "not demonstrated"


class TestZeroFailure:
    @pytest.mark.parametrize(("n", "confidence", "share"), ZERO_FAILURE)
    def test_share_that_n_specimens_without_a_failure_show(self, n, confidence, share):
        rule = {"confidence": f"{100 * confidence:g} %"}
        required = requirement("pulse_cycles", min=100000)
        found = finding([pulses(*["> 100000"] * n)], required, rule=rule)
        assert found.verdict.value == "pass"
        details = found.estimate.details
        assert details["zero_failure_reliability"] == pytest.approx(share, abs=6e-4)
        # the plan's formula: n = ln(1 - C) / ln(R)
        whole = math.log(1 - confidence) / math.log(details["zero_failure_reliability"])
        assert whole == pytest.approx(n)
        note = found.estimate.notes[-1]
        assert f"{n} of {n} specimens without a failure (> 100000)" in note
        assert f"{100 * confidence:g} % confidence" in note

    def test_only_where_all_are_bounds_on_the_good_side(self):
        for results in (["> 100000", 120000], [100000, 120000], ["< 500", "< 500"]):
            found = compute([pulses(*results)], "pulse_cycles")
            assert "zero_failure_reliability" not in found.details
        leak = measured(COLUMNS["anti_drain_leakage"][0], "< 0.5", "< 0.4", "< 0.5")
        found = compute([leak], "anti_drain_leakage")
        assert "(< 0.5 mL/min)" in found.notes[-1]

    def test_a_population_needs_as_many_as_the_plan(self):
        # 95 % of the type at 95 % confidence takes 59 specimens, 90 % takes 29 (the usual table)
        for coverage, enough in (("95 %", 59), ("90 %", 29)):
            required = requirement("pulse_cycles", min=50000, basis="population", coverage=coverage)
            for kind in ("guard_band", "graded", "simple_acceptance"):
                short = finding(
                    [pulses(*["> 90000"] * (enough - 1))], required, rule={"kind": kind}
                )
                assert short.verdict.value == "not demonstrated"
                full = finding([pulses(*["> 90000"] * enough)], required, rule={"kind": kind})
                assert full.verdict.value == "pass"

    def test_a_population_with_one_failure_fails(self):
        required = requirement("pulse_cycles", min=50000, basis="population", coverage="90 %")
        results = ["> 90000"] * 40 + [40000]
        assert finding([pulses(*results)], required).verdict.value == "fail"

    def test_exactly_at_the_limit(self):
        found = finding([pulses("> 100000", 100000)], requirement("pulse_cycles", min=100000))
        assert found.verdict.value == "pass"
        found = finding([pulses("> 100000", 99999)], requirement("pulse_cycles", min=100000))
        assert found.verdict.value == "fail"


class TestNotDemonstrated:
    def why(self, records, quantity="burst_pressure", **options):
        found = compute(records, quantity, **options)
        assert isinstance(found, NotDemonstrated), found
        return found.reason

    def test_without_the_column(self):
        assert "with a burst pressure" in self.why([pulses(1)])

    def test_with_an_empty_cell(self):
        assert "specimen C2 has no burst pressure" in self.why([burst(1900, "", 2000)])

    def test_with_a_specimen_twice(self):
        why = self.why([burst(1900, 2000), burst(2100, name="M2")])
        assert "specimen C1 has more than one result" in why

    def test_without_a_specimen(self):
        nameless = record("M1", "measurement", "specimen,burst pressure [kPa]\n,1900\n")
        assert "names its specimen" in self.why([nameless])

    def test_some_planned_specimens_missing(self):
        assert "nothing of specimen C3" in self.why([burst(1900, 2000)], plan=["C1", "C2", "C3"])

    def test_specimens_of_their_own_must_be_as_many_as_planned(self):
        plan = ["C1", "C2", "C3"]
        own = burst(1900, 2000, 2100, first=7)
        found = compute([own], "burst_pressure", plan=plan)
        assert isinstance(found, Estimate)
        assert "C7, C8, C9, not on those that the plan names" in found.notes[0]
        why = self.why([burst(1900, 2000, first=7)], plan=plan)
        assert "2 specimens, the plan names 3" in why

    def test_an_excluded_record(self):
        deviation = {
            "record": "M1", "text": "rig failed", "effect": "record excluded",
            "cause": "pump stopped", "agreed_by": "Fleet", "agreed": TESTED,
        }  # fmt: skip
        assert "is excluded" in self.why([burst(1900)], deviations=[deviation])

    def test_a_record_out_of_calibration(self):
        late = burst(1900, tested=date(2027, 6, 1))
        assert "not valid: calibration in date" in self.why([late])

    def test_an_invalid_record_of_another_quantity_does_not_matter(self):
        late = pulses(90000, name="M2", tested=date(2027, 6, 1))
        assert isinstance(compute([burst(1900), late], "burst_pressure"), Estimate)


class TestRulesOfValidity:
    def test_a_good_record_meets_all_but_what_it_cannot_show(self):
        outcomes = {c.rule: c.outcome for c in bench([burst(1900)], plan=["C1"]).checks}
        assert outcomes.pop("hold schedule") == "not checked"
        assert set(outcomes.values()) == {"met"}
        assert set(outcomes) >= {"specimens named once", "specimen count", "every result given"}

    @pytest.mark.parametrize(
        ("rule", "made", "expected", "flow"),
        [
            (
                "specimens named once",
                record("M1", "measurement", "specimen,burst pressure [kPa]\nC1,1\nC1,2\n"),
                "not met",
                60,
            ),
            ("every result given", burst(1900, ""), "warning", 60),
            ("specimen count", burst(1900), "warning", 60),
            ("specimen count", burst(1900, 2000, first=5), "met", 60),
            ("hold schedule", burst(1900, standard="ISO 4548-6:2021"), "not checked", 60),
            ("size of filter", pulses(1, standard="ISO 4548-5:2020"), "met", 100),
            ("size of filter", pulses(1, standard="ISO 4548-5:2020"), "warning", 101),
            ("size of filter", pulses(1, standard="ISO 4548-7:2012"), "warning", 101),
        ],
    )
    def test_each_can_be_broken(self, rule, made, expected, flow):
        assert outcome([made], rule, plan=["C1", "C2"], flow=f"{flow} L/min") == expected

    @pytest.mark.parametrize(
        ("conditions", "expected"),
        [
            ({"temperature": "135 degC"}, "met"),
            ({"temperature": "130 degC"}, "warning"),
            ({}, "not checked"),
        ],
    )
    def test_soak_temperature(self, conditions, expected):
        made = measured(
            COLUMNS["collapse_pressure"][0], 900, standard="ISO 4548-3:1997", conditions=conditions
        )
        assert outcome([made], "soak temperature") == expected

    def test_other_standards_have_no_hold_schedule(self):
        rules = {c.rule for c in bench([burst(1900, standard="ISO 4548-13:2013")]).checks}
        assert "hold schedule" not in rules


def test_from_files_to_findings(tmp_path):
    required = [
        requirement("burst_pressure", "B1", min="1600 kPa"),
        requirement("burst_pressure", "B2", min="2100 kPa"),
        requirement("pulse_cycles", "P1", min=100000),
        requirement("vibration_hours", "P2", min="48 h"),
        requirement("initial_cleanliness", "I1", max="15 mg", basis="mean"),
        requirement("anti_drain_leakage", "I2", max="0.5 mL/min"),
    ]
    records = [
        burst("> 2000", 1910, "> 2000", name="BU"),
        pulses("> 100000", "> 100000", "> 100000", name="PU", first=4),
        measured("vibration hours [h]", "> 48", "47.5", "> 48", name="VI", first=7),
        measured("initial cleanliness [mg]", 6.8, 8.1, 7.3, name="IC"),
    ]
    folder = write(tmp_path / "case", records, required, plan=["C1", "C2", "C3"])
    found = {f.demand.id: f for f in assess(read_case(folder)).findings}
    assert {name: f.verdict.value for name, f in found.items()} == {
        "B1": "pass",
        "B2": "fail",  # C2 burst at 1910 kPa; the two bounds would prove nothing
        "P1": "pass",
        "P2": "fail",
        "I1": "pass",
        "I2": "not demonstrated",
    }
    assert "there is no measurement record" in found["I2"].reason


def test_a_result_that_is_none_is_a_problem_of_the_input(tmp_path):
    from dossier.case.problems import CaseError

    required = [requirement("burst_pressure", min="1600 kPa")]
    words = ("> ", "about 2000", "<> 2000", "-5", "nan", "2_000", "inf")
    for number, word in enumerate(words):
        folder = write(tmp_path / f"case {number}", [burst(word)], required)
        with pytest.raises(CaseError) as caught:
            read_case(folder)
        assert "is not a result" in caught.value.problems[0].what
