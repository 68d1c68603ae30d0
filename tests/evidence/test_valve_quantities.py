"""The bypass valve's quantities against hand calculation, bounds, refusals, rules of validity."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dossier import assess, read_case
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.valve import lowest_opening
from dossier.evidence.records.valve_sweeps import ValveSweep, accept_inside
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, attempt
from dossier.evidence.validity.valves import _ended
from dossier.make.decide import limits
from tests.small_case import (
    TESTED,
    bench,
    compute,
    finding,
    outcome,
    record,
    requirement,
    small,
    write,
)

HEADER = "differential pressure [kPa],flow [L/min],direction,specimen\n"
UP = ((0, 0), (100, 0), (150, 0.2), (160, 1.2), (170, 3.0))
DOWN = ((170, 3.0), (155, 1.5), (140, 1.1), (130, 0.1), (100, 0.0))
SHUT = ((0, 0), (50, 0), (100, 0), (120, 0.1), (150, 0.2))
OPEN = ((160, 1.2), (165, 2.0), (170, 3.0), (175, 3.5), (180, 4.0))
ALL = ["DP", "FM"]
CRITERION = {"criterion_flow": "1 L/min"}


def rows(specimen="C1", up=UP, down=DOWN, shift=0.0):
    lines = [f"{p + shift if p else 0},{q},rising,{specimen}" for p, q in up]
    lines += [f"{p + shift},{q},falling,{specimen}" for p, q in down]
    return "\n".join(lines) + "\n"


def clipped(branch, end):
    """A branch as a gauge reads it whose range ends at `end` [kPa]."""
    return tuple((min(p, end), q) for p, q in branch)


def valve(*tables, name="V1", conditions=CRITERION, **entry):
    made = {"instruments": ALL, "conditions": conditions} | entry
    return record(name, "bypass_valve", HEADER + "".join(tables or (rows(),)), **made)


def value(quantity, factor, at=None, records=None):
    found = compute(records or [valve()], quantity, at=at)
    assert isinstance(found, Estimate), found
    return found.value * factor


class TestByHand:
    def test_opening_between_two_rows_of_the_rising_sweep(self):
        # 1.0 L/min lies 0.8 of the way from 0.2 (150 kPa) to 1.2 (160 kPa)
        assert value("valve_opening_pressure", 1e-3) == pytest.approx(158.0)

    def test_reseating_between_two_rows_of_the_falling_sweep(self):
        # 1.0 L/min lies 0.1 of the way from 1.1 (140 kPa) to 0.1 (130 kPa)
        assert value("valve_reseat_pressure", 1e-3) == pytest.approx(139.0)

    def test_leakage_on_the_rising_sweep(self):
        # half way from 100 kPa (0) to 150 kPa (0.2 L/min): 100 mL/min; the falling sweep still open
        assert value("valve_leakage", 6e7, {"pressure": 125e3}) == pytest.approx(100.0)

    def test_open_valve_takes_the_larger_of_both_sweeps(self):
        # 2.1 L/min: rising 160 + 10 * 0.9/1.8 = 165; falling 155 + 15 * 0.6/1.5 = 161
        at = {"flow": 2.1 / 6e4}
        assert value("valve_flow_pressure_drop", 1e-3, at) == pytest.approx(165.0)
        higher = rows(down=tuple((p + 20, q) for p, q in DOWN))
        found = value("valve_flow_pressure_drop", 1e-3, at, [valve(higher)])
        assert found == pytest.approx(181.0)

    def test_uncertainty_of_one_opening(self):
        # step of 10 kPa, rectangular; 1 % of 158 kPa; 2 % of 1 L/min on a slope of 10 kPa min/L
        found = compute([valve()], "valve_opening_pressure")
        parts = (10 / math.sqrt(12), 1.58, 0.2)
        assert found.u / 1e3 == pytest.approx(math.sqrt(sum(p * p for p in parts)))
        assert found.per_specimen[0].u == pytest.approx(found.u)
        assert [c.u / 1e3 for c in found.components] == pytest.approx(parts)

    def test_uncertainty_of_a_leakage(self):
        # step 0.2 L/min; 2 % of 0.1 L/min; 1 % of 125 kPa on a slope of 0.2 L/min over 50 kPa
        found = compute([valve()], "valve_leakage", at={"pressure": 125e3})
        parts = [200 / math.sqrt(12), 2.0, 1.25 * 200 / 50]
        assert [c.u * 6e7 for c in found.components] == pytest.approx(parts)

    def test_a_row_at_the_criterion_leaves_no_step(self):
        exact = tuple((p, 1.0 if q == 1.2 else q) for p, q in UP)
        found = compute([valve(rows(up=exact))], "valve_opening_pressure")
        assert found.value == pytest.approx(160e3)
        assert found.components[0].u == 0.0

    def test_no_certificate_the_standards_accuracy_stands_in(self):
        found = compute([valve(instruments=["SW"])], "valve_opening_pressure")
        assert found.components[1].u == pytest.approx(158e3 * 0.05 / math.sqrt(3))
        assert "allowed by the standard" in found.components[1].source

    def test_three_specimens(self):
        tables = [rows(f"C{k}", shift=s) for k, s in ((1, 0.0), (2, 30.0), (3, -30.0))]
        found = compute([valve(*tables)], "valve_opening_pressure")
        assert found.value == pytest.approx(158e3)
        assert [s.value for s in found.per_specimen] == pytest.approx([158e3, 188e3, 128e3])
        assert found.components[0].name == "scatter of 3 specimens"
        assert found.components[0].u == pytest.approx(30e3 / math.sqrt(3))
        assert found.components[1].u == pytest.approx(1580.0)  # one transmitter errs one way
        assert found.components[1].shared == "L:DP:differential pressure"

    def test_specimen_of_the_entry_where_the_rows_name_none(self):
        table = HEADER.replace(",specimen", "") + rows().replace(",C1\n", "\n")
        made = record(
            "V1", "bypass_valve", table, specimen="C9", instruments=ALL, conditions=CRITERION
        )
        assert compute([made], "valve_opening_pressure").per_specimen[0].specimen == "C9"


class TestBounds:
    def test_never_open_is_a_lower_bound(self):
        found = compute([valve(rows(up=SHUT))], "valve_opening_pressure")
        assert (found.value, found.bound) == (150e3, "larger than")

    def test_open_at_once_is_an_upper_bound(self):
        found = compute([valve(rows(up=OPEN))], "valve_opening_pressure")
        assert (found.value, found.bound) == (160e3, "smaller than")

    def test_still_open_at_the_end_of_the_falling_sweep(self):
        found = compute(
            [valve(rows(down=((170, 3.0), (165, 2.5), (160, 2.0), (155, 1.5), (140, 1.1))))],
            "valve_reseat_pressure",
        )
        assert (found.value, found.bound) == (140e3, "smaller than")
        assert found.components[0].u == 0.0  # it lies between no two rows

    def test_bounds_on_both_sides_bound_nothing(self):
        made = valve(rows("C1", up=SHUT), rows("C2", up=OPEN))
        found = finding([made], requirement("valve_opening_pressure", min="10 kPa"))
        assert found.verdict.value == "not demonstrated"
        assert "only upper bounds" in found.reason

    @pytest.mark.parametrize(
        ("limit", "verdict"),
        [
            ({"min": "140 kPa"}, "pass"),
            ({"min": "160 kPa"}, "not demonstrated"),
            ({"max": "140 kPa"}, "fail"),
            ({"max": "190 kPa"}, "not demonstrated"),
            ({"between": {"min": "100 kPa", "max": "190 kPa"}}, "not demonstrated"),
            ({"between": {"min": "100 kPa", "max": "140 kPa"}}, "fail"),
        ],
    )
    def test_a_bound_decides_on_the_side_that_it_proves(self, limit, verdict):
        made = valve(rows(up=SHUT))
        found = finding([made], requirement("valve_opening_pressure", **limit))
        assert found.verdict.value == verdict


class TestNotDemonstrated:
    def why(self, records, quantity="valve_opening_pressure", at=None, **options):
        found = compute(records, quantity, at=at, **options)
        assert isinstance(found, NotDemonstrated), found
        return found.reason

    def test_without_a_record(self):
        other = valve(rows("R1"), filter="reference")
        assert "no bypass valve record" in self.why([other], reference_plan=())

    def test_without_a_criterion_flow(self):
        assert "criterion flow" in self.why([valve(conditions={})])
        assert "criterion flow" in self.why([valve(conditions={"criterion_flow": "0 L/min"})])

    def test_leakage_needs_no_criterion(self):
        at = {"pressure": 125e3}
        assert isinstance(compute([valve(conditions={})], "valve_leakage", at=at), Estimate)

    def test_a_leakage_without_its_pressure_is_not_used(self):
        table = "specimen,valve leakage [mL/min]\nC1,20\n"
        why = self.why([record("M1", "measurement", table)], "valve_leakage", {"pressure": 1e5})
        assert "no bypass valve record" in why
        assert "among the measurements states no pressure" in why

    def test_with_two_criteria(self):
        two = valve(rows("C2"), name="V2", conditions={"criterion_flow": "2 L/min"})
        assert "different criterion flows" in self.why([valve(), two])

    @pytest.mark.parametrize(
        ("quantity", "at", "words"),
        [
            ("valve_leakage", {"pressure": 171e3}, "171 kPa lies outside the sweep, 0 to 170 kPa"),
            ("valve_flow_pressure_drop", {"flow": 1e-3}, "60 L/min lies outside"),
        ],
    )
    def test_nothing_is_extrapolated(self, quantity, at, words):
        assert words in self.why([valve()], quantity, at)

    def test_a_valve_that_was_not_open_shows_no_reseating(self):
        shut = tuple((p, 0.1) for p, _ in DOWN)
        why = self.why([valve(rows(down=shut))], "valve_reseat_pressure")
        assert "no reseating was seen" in why

    def test_a_sweep_that_turns_back(self):
        back = ((0, 0), (100, 0.5), (90, 0.4), (160, 1.2), (170, 3.0))
        assert "throughout" in self.why([valve(rows(up=back))])

    def test_a_specimen_in_two_records(self):
        assert "more than one result" in self.why([valve(), valve(name="V2")])

    def test_without_a_specimen(self):
        assert "names its specimen" in self.why([valve(rows(""))])

    def test_a_planned_specimen_is_missing(self):
        why = self.why([valve(rows("C1"), rows("C2"))], plan=["C1", "C2", "C3"])
        assert "nothing of specimen C3" in why

    def test_an_excluded_record_is_accounted_for(self):
        deviation = {
            "record": "V3", "text": "dropped", "effect": "record excluded",
            "cause": "fell from the bench", "agreed_by": "Fleet", "agreed": TESTED,
        }  # fmt: skip
        records = [valve(rows("C1"), rows("C2")), valve(rows("C3", shift=-50), name="V3")]
        plan = ["C1", "C2", "C3"]
        found = compute(records, "valve_opening_pressure", plan=plan, deviations=[deviation])
        assert found.value == pytest.approx(158e3)
        assert "is excluded" in self.why(records[1:], deviations=[deviation])


class TestRulesOfValidity:
    def test_a_good_record_meets_all(self):
        made = valve(
            conditions=CRITERION | {"temperature": "74 degC"}, fluid="fluid", instruments=ALL
        )
        checks = bench([made], plan=["C1"]).checks
        assert {check.outcome for check in checks} == {"met"}
        assert {c.rule for c in checks} >= {
            "rising and falling sweep", "rows of each sweep", "criterion flow", "test viscosity",
            "specimens named once", "specimen count",
        }  # fmt: skip

    @pytest.mark.parametrize(
        ("rule", "made", "expected"),
        [
            ("rising and falling sweep", valve(rows(down=())), "not met"),
            ("rows of each sweep", valve(rows(down=DOWN[:4])), "not met"),
            (
                "rows of each sweep",
                valve(rows(up=clipped(UP, 160), down=clipped(DOWN, 160))),
                "not met",
            ),
            ("criterion flow", valve(conditions={}), "warning"),
            ("specimens named once", valve(rows("")), "not met"),
            ("specimen count", valve(rows("C7")), "warning"),
            (
                "test viscosity",
                valve(conditions={"temperature": "40 degC"}, fluid="fluid"),
                "warning",
            ),
            ("test viscosity", valve(), "not checked"),
        ],
    )
    def test_each_can_be_broken(self, rule, made, expected):
        assert outcome([made], rule, plan=["C1", "C2"]) == expected

    def test_a_record_that_is_not_valid_carries_no_result(self):
        found = compute([valve(rows(down=DOWN[:4]))], "valve_opening_pressure")
        assert "not valid: rows of each sweep" in found.reason


class TestLowestOpening:
    """The application's band is 150 kPa to 190 kPa."""

    def lowest(self, *records, **options):
        return attempt(lowest_opening, bench(list(records), **options), "candidate")

    def test_measured_inside_the_band_leaves_its_lower_end(self):
        found = self.lowest(valve())
        assert (found.value, found.u) == (150e3, 0.0)
        assert "measured not lower: 158 kPa" in found.notes[0]

    def test_measured_below_the_band_counts_with_its_uncertainty(self):
        shifts = (-20.0, -24.0, -28.0)
        tables = [rows(f"C{k}", shift=s) for k, s in enumerate(shifts, 1)]
        found = self.lowest(valve(*tables))
        # 138, 134, 130 kPa: mean 134, standard deviation 4; the mean less it is the lowest, 130
        assert found.value == pytest.approx(130e3)
        # scatter 4/sqrt(3), larger than three steps of 10/sqrt(12); 1 % of the mean; flow 0.2
        assert found.u / 1e3 == pytest.approx(math.hypot(4 / math.sqrt(3), 1.34, 0.2))
        assert found.sources == ("V1",)
        assert "as measured" in found.notes[0]

    def test_never_above_the_lowest_specimen(self):
        # 158, 158, 158, 158, 138: the mean less a standard deviation is 145, one opened at 138
        shifts = (0.0, 0.0, 0.0, 0.0, -20.0)
        tables = [rows(f"C{k}", shift=s) for k, s in enumerate(shifts, 1)]
        assert self.lowest(valve(*tables)).value == pytest.approx(138e3)

    def test_the_scatter_counts_where_the_mean_is_inside(self):
        # 150.1 and 160.1 kPa: mean 155.1 less 7.07
        tables = [rows("C1", shift=-7.9), rows("C2", shift=2.1)]
        found = self.lowest(valve(*tables))
        assert found.value == pytest.approx((155.1 - 10 / math.sqrt(2)) * 1e3)

    def test_in_the_head_the_band_counts_and_of_an_untested_one_nothing_is_known(self):
        low = valve(rows(shift=-40))
        head = {"location": "head", "opening": {"min": "150 kPa", "max": "190 kPa"}}
        assert self.lowest(low, valve=head).value == 150e3
        reference = valve(rows("R1", shift=-40), filter="reference")
        untested = self.lowest(reference, reference_plan=())
        assert "nobody measured where it opens" in untested.reason

    def test_no_valve(self):
        assert isinstance(self.lowest(valve(), valve={"location": "none"}), NotDemonstrated)

    def test_open_at_the_first_reading_is_not_known(self):
        up = ((155, 1.1), (160, 1.2), (170, 3.0), (180, 4.0), (190, 5.0))
        found = self.lowest(valve(rows(up=up)))
        assert isinstance(found, NotDemonstrated)
        assert "C1 is open at the first reading" in found.reason

    def test_a_sweep_that_ended_shut_below_the_band_counts_with_its_end(self):
        up = ((0, 0), (50, 0), (100, 0), (120, 0), (130, 0.1))
        assert self.lowest(valve(rows(up=up))).value == pytest.approx(130e3)

    def test_a_tested_valve_whose_record_is_not_valid_is_not_known(self):
        assert isinstance(self.lowest(valve(rows(down=()))), NotDemonstrated)
        assert isinstance(self.lowest(valve(conditions={})), NotDemonstrated)


INPUTS = Path(__file__).parents[2] / "inputs"


def with_valve(shift, up=UP):
    """The first demo case, whose band starts at 160 kPa, with another tested valve."""
    case = read_case(INPUTS / "polder-pumps")
    made = small([valve(*(rows(f"C{k}", shift=shift, up=up) for k in (1, 2, 3)))])
    laboratory = case.qualification.laboratory[0]
    known = laboratory.model_copy(
        update={"methods": (*laboratory.methods, "ISO 4548-2:1997"), "id": "L"}
    )
    qualification = case.qualification.model_copy(
        update={
            "laboratory": (laboratory, known),
            "instrument": case.qualification.instrument + made.qualification.instrument,
        }
    )
    others = tuple(each for each in case.records if each.entry.kind != "bypass_valve")
    records = others + made.records
    return replace(case, qualification=qualification, records=records)


AT = {"flow": 80 / 6e4, "temperature": 363.15, "hours": 350 * 3600.0}


class TestOnDuty:
    def estimates(self, case, quantity, at):
        return all_quantities()[quantity].compute(prepare(case, limits(), 7), "candidate", at)

    def test_a_valve_that_opens_lower_takes_the_margin(self):
        plain = read_case(INPUTS / "polder-pumps")
        before = self.estimates(plain, "bypass_margin", AT)
        after = self.estimates(with_valve(-38.0), "bypass_margin", AT)  # opens at 120 kPa
        assert before.value - after.value == pytest.approx(40e3)
        assert after.u > before.u
        assert before.samples.mean() - after.samples.mean() == pytest.approx(40e3, rel=0.02)
        # three steps of 10 kPa; 1 % of 120 kPa; the flow's 0.2 kPa
        u = math.hypot(10 / math.sqrt(36), 1.2, 0.2) * 1e3
        added = after.samples.std() ** 2 - before.samples.std() ** 2
        assert math.sqrt(added) == pytest.approx(u, rel=0.05)
        each = after.specimen_samples[0].std() ** 2 - before.specimen_samples[0].std() ** 2
        assert math.sqrt(each) == pytest.approx(u, rel=0.05)

    def test_a_valve_that_opens_higher_gives_nothing(self):
        plain = read_case(INPUTS / "polder-pumps")
        for quantity, at in (("bypass_margin", AT), ("service_life", {})):
            before = self.estimates(plain, quantity, at)
            after = self.estimates(with_valve(40.0), quantity, at)
            assert after.value == before.value
            assert np.array_equal(after.samples, before.samples)

    def test_life_ends_at_the_lower_opening_and_carries_its_uncertainty(self):
        plain = read_case(INPUTS / "polder-pumps")
        before = self.estimates(plain, "service_life", {})
        after = self.estimates(with_valve(-38.0), "service_life", {})
        assert after.value < before.value
        assert "opening pressure" in {c.name for c in after.components}
        assert "opening pressure" not in {c.name for c in before.components}

    def test_an_unknown_opening_is_no_reason_to_run_on_to_the_terminal_pressure(self):
        up = ((100, 1.1), (160, 1.2), (170, 3.0), (180, 4.0), (190, 5.0))
        for quantity, at in (("bypass_margin", AT), ("service_life", {})):
            found = self.estimates(with_valve(0.0, up), quantity, at)
            assert isinstance(found, NotDemonstrated)


def test_from_files_to_findings(tmp_path):
    tables = [rows(f"C{k}", shift=s) for k, s in ((1, 0.0), (2, 2.0), (3, -2.0))]
    required = [
        requirement("valve_opening_pressure", "V1", between={"min": "140 kPa", "max": "180 kPa"}),
        requirement("valve_reseat_pressure", "V2", min="120 kPa"),
        requirement(
            "valve_leakage", "V3", at={"pressure": "100 kPa"}, max="50 mL/min", basis="mean"
        ),
        requirement("valve_flow_pressure_drop", "V4", at={"flow": "2.1 L/min"}, max="150 kPa"),
        requirement("valve_flow_pressure_drop", "V5", max="150 kPa"),
    ]
    folder = write(tmp_path / "case", [valve(*tables)], required, plan=["C1", "C2", "C3"])
    found = {f.demand.id: f for f in assess(read_case(folder)).findings}
    verdicts = {name: f.verdict.value for name, f in found.items()}
    assert verdicts == {
        "V1": "pass", "V2": "pass", "V3": "pass", "V4": "fail", "V5": "not demonstrated",
    }  # fmt: skip
    assert "60 L/min lies outside" in found["V5"].reason  # the rated flow is the default


@pytest.mark.parametrize(
    ("rows", "at", "told"),
    [
        ([1e3, 3e3], 1e3, ""), ([3e3, 1e3], 3e3, ""), ([1e3, 2e3, 3e3], 2e3, ""),
        ([1e3, 3e3], 999.0, "0.999 kPa lies outside the sweep, 1 to 3 kPa"),
        ([1e3, 3e3], 3001.0, "3.001 kPa lies outside the sweep, 1 to 3 kPa"),
        ([1e3], 1e3, "1 kPa lies outside the sweep, 1 to 1 kPa"),
        ([], 1e3, "1 kPa lies outside the sweep, which has no rows"),
    ],
)  # fmt: skip
def test_a_sweep_holds_its_ends_and_nothing_beyond(rows, at, told):
    if told:
        with pytest.raises(ValueError, match=told):
            accept_inside(np.array(rows), at, "pressure", "kPa", 1e-3)
    else:
        accept_inside(np.array(rows), at, "pressure", "kPa", 1e-3)


FLOW = np.append(np.geomspace(0.5, 50.0, 12), [60.3, 63.6])
"""Of a rising sweep; the valve goes on from 150 kPa by 0.65 kPa for each L/min."""


@pytest.mark.parametrize(
    ("end", "digit", "told"),
    [(190.0, 0.1, False), (188.0, 0.1, True), (190.0, 1.0, False), (170.0, 1.0, True),
     (170.0, 5.0, True), (170.0, 20.0, False)]
    + [(300.0, digit, False) for digit in (0.1, 1.0, 5.0, 10.0, 20.0)],
)  # fmt: skip
def test_a_gauge_at_the_end_of_its_range_is_told_from_coarse_printing(end, digit, told):
    pressure = np.round(np.minimum(150.0 + 0.65 * FLOW, end) / digit) * digit * 1e3
    branches = (pressure, FLOW / 6e4), (pressure[::-1], FLOW[::-1] / 6e4)
    sweep = ValveSweep(record=None, specimen="C1", rising=branches[0], falling=branches[1])
    assert bool(_ended(sweep)) is told
    assert not told or f"rows of {end:g} kPa, the highest" in _ended(sweep)


@pytest.mark.parametrize("digits", [0, 1])
def test_a_leakage_is_known_no_better_than_it_is_printed(digits):
    """A flow of nothing, with meters that err by a share of what they read alone."""
    up = tuple((p, round(q, digits)) for p, q in UP)
    found = compute([valve(rows(up=up))], "valve_leakage", at={"pressure": 50e3})
    assert found.value == 0.0
    assert found.u * 6e4 == pytest.approx(0.1**digits / math.sqrt(12.0))


def test_what_a_gauge_at_its_end_hides_is_foretold_by_the_rows_next_to_it():
    """A valve that is wide open is an orifice: its pressure grows by the square of the flow."""
    wide = np.minimum(100.0 + 0.03 * FLOW**2, 180.0)
    rising = np.round(wide / 2.5) * 2.5e3, FLOW / 6e4
    falling = rising[0][::-1], rising[1][::-1]
    # From 50 L/min on 2.5 kPa for each L/min, so that 8 kPa are lacking; from shut on 1.5 kPa.
    assert _ended(ValveSweep(record=None, specimen="C1", rising=rising, falling=falling))
