"""Each rule of validity, and an input that breaks it."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from dossier.case.application import Terms
from dossier.case.fields import Band, Dust, Ends, Measured, Sides, VolumeEnds
from dossier.case.model import Deviation, Stated
from dossier.case.read import read_case_files
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities import all_quantities
from dossier.evidence.records.instruments import accuracy_of
from dossier.evidence.statistics.estimate import NotDemonstrated
from dossier.evidence.validity.method import edition_problems
from dossier.make.decide import limits

INPUTS = Path(__file__).parents[2] / "inputs"


@pytest.fixture(scope="module")
def intact(remembered):
    """The demo case, with two more instruments that no record uses."""
    case = read_case_files(INPUTS / "polder-pumps")
    meter = case.instrument("FM-04")
    more = (
        meter.model_copy(update={"id": "BARE", "certificate": "to follow"}),
        meter.model_copy(update={"id": "LONG", "due": date(2029, 1, 13), "certificate": "L-7"}),
    )
    tools = (*case.qualification.instrument, *more)
    changed = case.qualification.model_copy(update={"instrument": tools})
    return replace(case, qualification=changed)


def conditions(record, **update):
    changed = record.entry.conditions.model_copy(update=update)
    return replace(record, entry=record.entry.model_copy(update={"conditions": changed}))


def entry(record, **update):
    return replace(record, entry=record.entry.model_copy(update=update))


def table(record, **update):
    return replace(record, table=replace(record.table, **update))


def counts(record, change):
    up, down = record.table.upstream.copy(), record.table.downstream.copy()
    change(up, down)
    return table(record, upstream=up, downstream=down)


def ends(start, end):
    return Ends.model_construct(start=Measured(value=start), end=Measured(value=end))


def lacking(up, down):
    down[12:16, 3] = np.nan


def swapped(up, down):
    up[:], down[:] = down.copy(), up.copy()


def shut(up, down):
    down[:] = 0.0


def rising(up, down):
    up[20:30, 2] = up[20:30, 1] * 1.2


def few(up, down):
    down[:, 6] = 0.0


def fine(up, down):
    down[:, 2] = up[:, 2] * 0.005
    down[:, 3:] = np.minimum(down[:, 3:], down[:, 2:3] * 0.5)


def collapse(record):
    drop = record.table.pressure_drop.copy()
    drop[30:40] *= 0.3
    return table(record, pressure_drop=drop)


def offset(record):
    return table(record, pressure_drop=record.table.pressure_drop + 3e4)


def wild(record):
    drop = record.table.pressure_drop.copy()
    drop[3] *= 3
    return table(record, pressure_drop=drop)


def rows(record, keep):
    t = record.table
    return table(
        record,
        flow=t.flow[keep],
        pressure_drop=t.pressure_drop[keep],
        temperature=t.temperature[keep],
        housing=t.housing[keep],
    )


def first_rows(record):
    keep = np.flatnonzero(~record.table.housing)[[0, 2, 4, 7]]
    return rows(record, keep)


def hot_only(record):
    return rows(record, record.table.temperature > 340)


def one_size_less(record):
    t = record.table
    return table(
        record, sizes=t.sizes[:-1], upstream=t.upstream[:, :-1], downstream=t.downstream[:, :-1]
    )


def half(up, down):
    down *= 0.5


def another_level(up, down):
    up *= 2.0
    down *= 2.0


def late_gaps(up, down):
    down[44:56:2, 0] = np.nan


def scaled(up, down):
    up *= 1.03


def smoothed(up, down):
    for counts in (up, down):
        middle = counts.copy()
        for k in range(2, len(counts) - 2):
            counts[k] = np.rint(2.5 * middle[k - 2 : k + 3].mean(axis=0)) / 2.5


def clipped(up, down):
    np.minimum(up[:, 0], np.sort(up[:, 0])[-15], out=up[:, 0])


def follows(record):
    other = next(r for r in read_case_files(INPUTS / "polder-pumps").records if r.id == "MP-R3")
    n = len(other.table.time)
    raised = np.rint(2.5 * 1.07 * other.table.upstream) / 2.5
    up, down = record.table.upstream.copy(), record.table.downstream.copy()
    up[:n], down[:n] = raised, other.table.downstream
    return table(record, upstream=up, downstream=down)


def spiked(record):
    t = record.table
    keep = slice(0, 40)
    drop = t.pressure_drop[keep].copy()
    drop[-1] = 170e3
    cut = {name: getattr(t, name)[keep] for name in ("time", "flow", "temperature")}
    return table(
        record, pressure_drop=drop, upstream=t.upstream[keep], downstream=t.downstream[keep], **cut
    )


def other_dust(record):
    counts = {"5 um(c)": "1.3e9 1/g", "30 um(c)": "3e6 1/g"}
    made = Dust(kind="works dust (invented)", counts=counts, source="report 7 (invented)")
    return conditions(record, dust=made)


def swinging(record):
    flow = record.table.flow.copy()
    flow[::4], flow[2::4] = 1.08 * flow[::4], 0.92 * flow[2::4]
    return table(record, flow=flow)


BREAKS = {
    "test dust": ("MP-C1", other_dust),
    "particle balance": ("MP-C1", lambda r: counts(r, another_level)),
    "recirculation": ("MP-C1", lambda r: counts(r, half)),
    "same dust in every run": ("MP-C1", lambda r: counts(r, half)),
    "gaps": ("MP-C1", lambda r: counts(r, late_gaps)),
    "whole counts": ("MP-C1", lambda r: counts(r, scaled)),
    "counting noise": ("MP-C1", lambda r: counts(r, smoothed)),
    "plateaus": ("MP-C1", lambda r: counts(r, clipped)),
    "noise of its own": ("MP-C1", follows),
    "terminal reached": ("MP-C1", spiked),
    "test flow": ("MP-C1", lambda r: table(r, flow=r.table.flow * 1.08)),
    "injection flow": (
        "MP-C1",
        lambda r: conditions(r, injection_volume=VolumeEnds.model_construct(start=0.02, end=0.004)),
    ),
    "temperature": ("MP-C1", lambda r: table(r, temperature=r.table.temperature + 3)),
    "viscosity": ("MP-C1", lambda r: conditions(r, temperature=333.15)),
    "injection level": ("MP-C1", lambda r: conditions(r, injection_concentration=ends(2.5, 3.8))),
    "base upstream level": (
        "MP-C1", lambda r: conditions(r, injection_concentration=ends(6.3, 6.3)),
    ),
    "final level": ("MP-C1", lambda r: conditions(r, final_concentration=Measured(value=0.25))),
    "coincidence": (
        "MP-C1",
        lambda r: conditions(
            r, dilution=r.entry.conditions.dilution.model_copy(update={"upstream": 1.0})
        ),
    ),
    "counting interval": ("MP-C1", lambda r: table(r, time=r.table.time * 2)),
    "sampled volume": ("MP-C1", lambda r: conditions(r, sample_volume=300e-6)),
    "readings": ("MP-C1", lambda r: counts(r, lacking)),
    "enough counts": ("MP-C1", lambda r: counts(r, few)),
    "instrument for each reading": (
        "PD-C1",
        lambda r: replace(r, entry=r.entry.model_copy(update={"instruments": ("APC-21",)})),
    ),
    "downstream counts something": ("MP-C1", lambda r: counts(r, shut)),
    "upstream above downstream": ("MP-C1", lambda r: counts(r, swapped)),
    "counts fall with size": ("MP-C1", lambda r: counts(r, rising)),
    "steady growth of pressure": ("MP-C1", collapse),
    "balance": (
        "MP-C1",
        lambda r: conditions(
            r, sample_flow=Sides.model_construct(upstream=2e-4, downstream=2e-4)
        ),
    ),
    "settled loop": ("MP-C1", lambda r: conditions(r, final_concentration=Measured(value=0.004))),
    "same sizes": ("MP-C1", one_size_less),
    "clean pressure drop agrees": (
        "PD-C1", lambda r: table(r, pressure_drop=r.table.pressure_drop * 2),
    ),
    "scope of the method": ("MP-C1", lambda r: counts(r, fine)),
    "number of flows": ("PD-C1", first_rows),
    "fit": ("PD-C1", wild),
    "zero offset": ("PD-C1", offset),
    "two viscosities": ("PD-C1", hot_only),
    "swept while clean": ("PD-C1", lambda r: entry(r, tested=date(2026, 2, 17))),
    "calibration in date": ("MP-C1", lambda r: entry(r, finished=date(2027, 5, 1))),
    "method in scope of the laboratory": (
        "MP-C1", lambda r: entry(r, standard="ISO 4548-12:2000"),
    ),
    "certificate named": ("MP-C1", lambda r: entry(r, instruments=(*r.entry.instruments, "BARE"))),
    "calibration interval": (
        "MP-C1", lambda r: entry(r, instruments=(*r.entry.instruments, "LONG")),
    ),
    "known method": ("MP-C1", lambda r: entry(r, standard="house method 7")),
    "method named by a requirement": ("PD-C1", lambda r: entry(r, standard="house method 7")),
    "filter family": ("MP-C1", lambda r: entry(r, standard="ISO 19438:2023")),
    "edition of the method": ("MP-C1", lambda r: entry(r, standard="ISO 4548-12:1999")),
    "time for each run": ("MP-C1", lambda r: table(r, time=r.table.time * 20)),
    "flow of the application": ("MP-C1", lambda r: conditions(r, flow=Measured(value=74 / 6e4))),
    "terminal of the application": (
        "MP-C1", lambda r: conditions(r, terminal_pressure_drop=120e3),
    ),
    "housing agrees": (
        "MP-C1", lambda r: conditions(r, housing_pressure_drop=Measured(value=10e3)),
    ),
    "system volume": ("MP-C1", lambda r: conditions(r, system_volume=Measured(value=60e-3))),
    "rule agreed before the test": ("MP-C1", lambda r: entry(r, tested=date(2026, 1, 2))),
}  # fmt: skip
ELSEWHERE = {"specimen count", "specimens named once", "new specimen"}
"""Rules that have their tests with the other kinds of record."""


def with_record(case, identifier, change):
    records = tuple(change(r) if r.id == identifier else r for r in case.records)
    return replace(case, records=records)


def test_every_rule_for_these_kinds_has_an_input_that_breaks_it():
    known = {one.rule for one in limits().limits if one.kind in {"multipass", "pressure_drop", ""}}
    assert set(BREAKS) | ELSEWHERE >= known


def test_the_intact_case_meets_every_mandatory_rule(intact):
    bench = prepare(intact, limits(), 1)
    assert not bench.unusable
    assert not bench.unreduced
    known = {"met", "warning", "does not apply"}
    assert {check.outcome for check in bench.checks} <= known


@pytest.mark.parametrize("rule", sorted(BREAKS))
def test_the_broken_input_is_caught_and_said(intact, rule):
    identifier, change = BREAKS[rule]
    bench = prepare(with_record(intact, identifier, change), limits(), 1)
    caught = [c for c in bench.checks if c.rule == rule and c.outcome in {"not met", "warning"}]
    assert caught, [(c.rule, c.found) for c in bench.checks if c.outcome != "met"]
    check = caught[0]
    assert check.found
    assert check.limit
    assert check.standard
    if check.mandatory:
        reason = bench.unusable[check.record]
        assert check.rule in reason
        quantity = "efficiency" if check.record.startswith("MP") else "clean_pressure_drop"
        at = {"size": 20.0, "flow": 80.0 / 6e4, "temperature": 370.0}
        result = all_quantities()[quantity].compute(bench, "candidate", at)
        assert rule in result.reason
    else:
        assert f"{rule}:" not in bench.unusable.get(check.record, "")


def test_a_run_in_which_nothing_was_counted_is_said(intact):
    def nothing(up, down):
        up[:] = down[:] = 0.0

    bench = prepare(with_record(intact, "MP-C1", lambda r: counts(r, nothing)), limits(), 1)
    (scope,) = (c for c in bench.checks if (c.rule, c.record) == ("scope of the method", "MP-C1"))
    assert scope.outcome == "not checked"
    assert scope.found == "nothing was counted upstream at 10 µm(c)"
    assert "downstream counts something" in bench.unusable["MP-C1"]


def test_flow_that_swings_beyond_its_tolerance_is_not_met_by_its_mean(intact):
    bench = prepare(with_record(intact, "MP-C1", swinging), limits(), 1)
    (check,) = (c for c in bench.checks if c.rule == "test flow" and c.record == "MP-C1")
    assert check.outcome == "not met"
    assert "+0.2% off" in check.found


def test_a_sweep_on_the_day_of_the_run_or_without_a_run_is_clean(intact):
    for change, words in (
        (lambda r: entry(r, tested=date(2026, 2, 16)), "swept 2026-02-16, run 2026-02-16"),
        (lambda r: entry(r, tested=date(2027, 2, 16), specimen="C9"), "no multi-pass run"),
    ):
        bench = prepare(with_record(intact, "PD-C1", change), limits(), 1)
        (check,) = (
            c for c in bench.checks if c.rule == "swept while clean" and c.record == "PD-C1"
        )
        assert check.outcome == "met"
        assert words in check.found


def test_a_deviation_that_names_the_rule_covers_it_and_no_other(intact):
    identifier, change = BREAKS["temperature"]
    broken = with_record(intact, identifier, change)
    for rule, covered in (("temperature", True), ("viscosity", False), ("", False)):
        deviation = Deviation(
            record=identifier, text="Bath 3 K warm; viscosity checked.", effect="none", rule=rule,
            agreed_by="Fleet engineering", agreed=date(2026, 3, 1),
        )  # fmt: skip
        qualification = broken.qualification.model_copy(update={"deviation": (deviation,)})
        bench = prepare(replace(broken, qualification=qualification), limits(), 1)
        assert (identifier not in bench.unusable) == covered
        outcomes = {c.outcome for c in bench.checks if c.rule == "temperature"}
        assert ("covered by a deviation" in outcomes) == covered


def test_a_run_that_never_reaches_its_terminal_is_not_reduced(intact):
    def stopped(record):
        return conditions(record, terminal_pressure_drop=400e3)

    bench = prepare(with_record(intact, "MP-C2", stopped), limits(), 1)
    assert "MP-C2" in bench.unreduced
    found = all_quantities()["retained_capacity"].compute(bench, "candidate", {})
    assert "MP-C2 cannot be reduced" in found.reason


def test_a_deviation_that_widens_makes_the_uncertainty_larger(intact):
    at = {"size": 20.0}
    plain = all_quantities()["retained_capacity"].compute(
        prepare(intact, limits(), 1), "candidate", at
    )
    deviation = Deviation(
        record="MP-C1", text="Scale drifted.", effect="widens uncertainty", u="6 %",
        agreed_by="Fleet engineering", agreed=date(2026, 3, 1),
    )  # fmt: skip
    qualification = intact.qualification.model_copy(update={"deviation": (deviation,)})
    bench = prepare(replace(intact, qualification=qualification), limits(), 1)
    wider = all_quantities()["retained_capacity"].compute(bench, "candidate", at)
    added = 0.06 * plain.value / 3
    assert wider.u == pytest.approx(np.hypot(plain.u, added), rel=1e-9)


def test_a_record_without_an_instrument_carries_no_result(intact):
    def without(record):
        return replace(record, entry=record.entry.model_copy(update={"instruments": ()}))

    bench = prepare(with_record(intact, "MP-C1", without), limits(), 1)
    assert "no instrument named" in bench.unusable["MP-C1"]


def test_a_sweep_that_its_own_run_contradicts_carries_no_result(intact):
    identifier, change = BREAKS["clean pressure drop agrees"]
    bench = prepare(with_record(intact, identifier, change), limits(), 1)
    assert {"MP-C1", "PD-C1"} <= set(bench.unusable)
    at = {"flow": 80.0 / 6e4, "temperature": 370.0}
    found = all_quantities()["clean_pressure_drop"].compute(bench, "candidate", at)
    assert "clean pressure drop agrees" in found.reason


def without(record, *, instrument, column):
    """The record without a column and without the instrument that read it."""
    names = tuple(n for n in record.entry.instruments if n != instrument)
    return table(entry(record, instruments=names), **{column: None})


UNCHECKED = {
    "test flow": ("MP-C1", lambda r: without(r, instrument="FM-04", column="flow")),
    "temperature": ("MP-C1", lambda r: without(r, instrument="TH-06", column="temperature")),
    "injection flow": ("MP-C1", lambda r: conditions(r, injection_volume=None)),
    "balance": ("MP-C1", lambda r: conditions(r, final_concentration=None)),
    "system volume": ("MP-C1", lambda r: conditions(r, system_volume=None)),
    "coincidence": (
        "MP-C1", lambda r: entry(r, instruments=(*r.entry.instruments, "BLIND")),
    ),
}  # fmt: skip
"""Mandatory rules, and a record that leaves them without what they ask for."""


@pytest.mark.parametrize("rule", sorted(UNCHECKED))
def test_what_cannot_be_checked_stops_the_record(intact, rule):
    identifier, change = UNCHECKED[rule]
    blind = intact.instrument("APC-21").model_copy(
        update={"id": "BLIND", "coincidence_limit": None}
    )
    tools = (*intact.qualification.instrument, blind)
    qualification = intact.qualification.model_copy(update={"instrument": tools})
    case = with_record(replace(intact, qualification=qualification), identifier, change)
    bench = prepare(case, limits(), 1)
    check = next(c for c in bench.checks if (c.record, c.rule) == (identifier, rule))
    assert (check.outcome, check.mandatory) == ("not checked", True)
    assert rule in bench.unusable[identifier]


@pytest.mark.parametrize(("share", "outcome"), [(0.8, "not checked"), (0.95, "met")])
def test_a_column_with_many_empty_cells_is_no_record(intact, share, outcome):
    def thinned(record):
        kept = np.arange(len(record.table.time)) < share * len(record.table.time)
        blanked = {
            name: np.where(kept, getattr(record.table, name), np.nan)
            for name in ("flow", "temperature")
        }
        return table(record, **blanked)

    bench = prepare(with_record(intact, "MP-C1", thinned), limits(), 1)
    rules = ("test flow", "temperature")
    assert of_rule(bench, "MP-C1", *rules) == dict.fromkeys(rules, outcome)


def of_rule(bench, record, *rules):
    return {c.rule: c.outcome for c in bench.checks if c.record == record and c.rule in rules}


def test_a_signed_report_stands_in_for_a_condition_that_was_not_recorded(intact):
    report = Stated(report="R-26-014", conditions=("flow", "temperature"))

    def stated(record):
        bare = without(record, instrument="FM-04", column="flow")
        bare = without(bare, instrument="TH-06", column="temperature")
        return entry(bare, stated=report)

    bench = prepare(with_record(intact, "MP-C1", stated), limits(), 1)
    rules = ("test flow", "temperature", "instrument for each reading")
    assert of_rule(bench, "MP-C1", *rules) == dict.fromkeys(rules[:2], "stated") | {rules[2]: "met"}
    assert "MP-C1" not in bench.unusable


def test_a_report_stands_in_for_no_reading_that_is_there_and_no_other_instrument(intact):
    report = Stated(report="R-26-014", conditions=("flow", "temperature"))

    def read_by_nothing(record):
        names = tuple(n for n in record.entry.instruments if n not in {"FM-04", "DP-11"})
        return entry(record, stated=report, instruments=names)

    bench = prepare(with_record(intact, "MP-C1", read_by_nothing), limits(), 1)
    assert of_rule(bench, "MP-C1", "test flow") == {"test flow": "met"}
    (check,) = (
        c for c in bench.checks if (c.record, c.rule) == ("MP-C1", "instrument for each reading")
    )
    assert check.outcome == "not met"
    assert "measures: differential pressure, flow;" in check.found
    sweep = prepare(
        with_record(
            intact,
            "PD-C1",
            lambda r: entry(without(r, instrument="FM-04", column="temperature"), stated=report),
        ),
        limits(),
        1,
    )
    assert "flow" in sweep.unusable["PD-C1"]


@pytest.mark.parametrize("report", ["", "  "])
def test_a_statement_needs_its_report_and_a_condition_that_may_be_stated(report):
    with pytest.raises(ValidationError):
        Stated(report=report, conditions=("flow",))
    for names in (("counts",), ("differential pressure",), ("mass",)):
        with pytest.raises(ValidationError):
            Stated(report="R-1", conditions=names)


def test_a_sweep_without_a_thermometer_carries_no_result(intact):
    def bare(record):
        warm = conditions(record, temperature=347.0)
        return without(warm, instrument="TH-06", column="temperature")

    bench = prepare(with_record(intact, "PD-C1", bare), limits(), 1)
    assert of_rule(bench, "PD-C1", "temperature") == {"temperature": "not checked"}
    assert "measures: temperature" in bench.unusable["PD-C1"]


def test_an_interval_of_decades_is_no_calibration(intact):
    tools = tuple(
        each.model_copy(update={"due": date(2099, 1, 1)})
        for each in intact.qualification.instrument
    )
    qualification = intact.qualification.model_copy(update={"instrument": tools})
    bench = prepare(replace(intact, qualification=qualification), limits(), 1)
    assert "calibration in date" in bench.unusable["MP-C1"]
    (check, *_) = (c for c in bench.checks if c.rule == "calibration in date")
    assert check.guards == "metrology"


@pytest.mark.parametrize(
    "spelling",
    ["DIN EN ISO 4548-12:2018-03", "iso4548\u201112 : 2017 (E)", "BS ISO 4548-12:2017+A1"],
)
def test_no_spelling_sheds_a_rule(intact, spelling):
    honest = prepare(intact, limits(), 1)
    bench = prepare(
        with_record(intact, "MP-C1", lambda r: entry(r, standard=spelling)), limits(), 1
    )
    mine = {c.rule: c.limit for c in bench.checks if c.record == "MP-C1"}
    assert mine == {c.rule: c.limit for c in honest.checks if c.record == "MP-C1"}
    assert not bench.unusable


def test_a_hydraulic_method_stands_for_the_fine_path_alone(intact):
    def hydraulic(record):
        return entry(record, standard="ISO 16889:2022")

    bench = prepare(with_record(intact, "MP-C1", hydraulic), limits(), 1)
    assert of_rule(bench, "MP-C1", "filter family", "known method") == {
        "filter family": "not met",
        "known method": "not met",
    }
    assert "ISO 16889 is a method for hydraulic filters" in bench.unusable["MP-C1"]
    for standard, outcome in (("ISO 16889:2022", "met"), ("ISO 19438:2023", "not met")):
        asked = tuple(
            each.model_copy(update={"method": standard}) for each in intact.application.requirement
        )
        application = intact.application.model_copy(update={"requirement": asked})
        named = replace(intact, application=application)
        accepted = with_record(named, "MP-C1", lambda r, s=standard: entry(r, standard=s))
        found = of_rule(prepare(accepted, limits(), 1), "MP-C1", "filter family")
        assert found == {"filter family": outcome}
    fine = prepare(
        with_record(intact, "MP-C1", lambda r: entry(hydraulic(r), path="fine")), limits(), 1
    )
    assert of_rule(fine, "MP-C1", "filter family") == {"filter family": "met"}


def test_a_house_method_needs_a_requirement_and_a_deviation(intact):
    asked = tuple(
        each.model_copy(update={"method": "House  Method 7"} if each.id == "E1" else {})
        for each in intact.application.requirement
    )
    named = replace(
        intact, application=intact.application.model_copy(update={"requirement": asked})
    )
    house = intact.laboratory("ITH").model_copy(update={"methods": ("house method 7",)})
    deviation = Deviation(
        record="MP-C1", text="House method, reviewed and found fit.", effect="none",
        rule="known method", agreed_by="Fleet engineering", agreed=date(2026, 3, 1),
    )  # fmt: skip
    for case, deviations, usable in (
        (intact, (deviation,), False), (named, (), False), (named, (deviation,), True),
    ):  # fmt: skip
        laboratories = {"laboratory": (house,), "deviation": deviations}
        changed = replace(case, qualification=case.qualification.model_copy(update=laboratories))
        broken = with_record(changed, "MP-C1", lambda r: entry(r, standard="house method 7"))
        assert ("MP-C1" not in prepare(broken, limits(), 1).unusable) == usable


def test_a_method_that_was_not_issued_yet_is_not_known(intact):
    case = with_record(intact, "MP-C1", lambda r: entry(r, standard="ISO 4548-12:2031"))
    (problem,) = edition_problems(case, limits())
    assert "was not issued yet" in str(problem)


def asking(case, only=None, **terms):
    """The case with the terms of a test stated by its requirements, or by the `only` one."""
    asked = tuple(
        each.model_copy(update={"test": Terms(**terms)} if only in {None, each.id} else {})
        for each in case.application.requirement
    )
    application = case.application.model_copy(update={"requirement": asked})
    return replace(case, application=application)


@pytest.mark.parametrize(
    ("rule", "terms", "outcome"),
    [
        ("flow of the application", {"flow": "80 L/min"}, "met"),
        ("flow of the application", {"flow": "60 L/min"}, "not met"),
        ("terminal of the application", {"terminal": "150 kPa"}, "met"),
        ("terminal of the application", {"terminal": "175 kPa"}, "not met"),
        ("terminal of the application", {"terminal": "143 kPa"}, "met"),
        ("terminal of the application", {"terminal": "142 kPa"}, "warning"),
        ("base upstream level", {"base_level": "10 mg/L"}, "met"),
        ("base upstream level", {"base_level": "25 mg/L"}, "not met"),
    ],
)
def test_a_requirement_states_how_its_test_is_run(intact, rule, terms, outcome):
    bench = prepare(asking(intact, **terms), limits(), 1)
    assert of_rule(bench, "MP-C1", rule) == {rule: outcome}


@pytest.mark.parametrize(
    ("opens", "quantity", "outcome"),
    [(157e3, None, "met"), (156e3, None, "warning"), (156e3, "efficiency", "met")],
)
def test_what_is_held_beyond_the_valve_weighs_where_a_capacity_is_asked(
    intact, opens, quantity, outcome
):
    """Run to 164.3 kPa across the assembly."""
    app = intact.application
    valve = app.circuit.bypass_valve.model_copy(
        update={"opening": Band.model_construct(min=150e3, max=opens)}
    )
    circuit = app.circuit.model_copy(update={"bypass_valve": valve})
    asked = tuple(each for each in app.requirement if quantity in {None, each.quantity})
    app = app.model_copy(update={"circuit": circuit, "requirement": asked})
    bench = prepare(replace(intact, application=app), limits(), 1)
    rule = "terminal of the application"
    assert of_rule(bench, "MP-C1", rule) == {rule: outcome}


def test_without_a_valve_one_requirement_bounds_no_run(intact):
    circuit = intact.application.circuit.model_copy(update={"bypass_valve": None})
    app = intact.application.model_copy(update={"circuit": circuit})
    case = asking(replace(intact, application=app), "E1", terminal="100 kPa")
    rule = "terminal of the application"
    assert of_rule(prepare(case, limits(), 1), "MP-C1", rule) == {rule: "met"}


def test_one_requirement_does_not_speak_for_the_others(intact):
    slow = {"flow": Measured(value=60 / 6e4)}
    case = with_record(
        intact, "MP-C1", lambda r: conditions(table(r, flow=r.table.flow * 60 / 80), **slow)
    )
    rule = "flow of the application"
    for only, outcome in (("E1", "not met"), ("E4", "not met"), (None, "met")):
        bench = prepare(asking(case, only, flow="60 L/min"), limits(), 1)
        assert of_rule(bench, "MP-C1", rule) == {rule: outcome}


def test_a_base_level_of_the_records_own_is_none(intact):
    def own(record):
        level = Measured(value=0.010 * 3)
        ends_ = record.entry.conditions.injection_concentration
        tripled = ends(3 * ends_.start.value, 3 * ends_.end.value)
        return conditions(record, base_level=level, injection_concentration=tripled)

    bench = prepare(with_record(intact, "MP-C1", own), limits(), 1)
    assert "30 mg/L is not among the agreed levels: 10 mg/L" in bench.unusable["MP-C1"]


def test_a_sweep_without_rows_of_the_housing_leaves_it_unchecked(intact):
    case = intact
    for name in ("PD-C1", "PD-C2", "PD-C3"):
        case = with_record(case, name, lambda r: rows(r, ~r.table.housing))
    bench = prepare(case, limits(), 1)
    assert of_rule(bench, "MP-C1", "housing agrees") == {"housing agrees": "not checked"}


RATED = {"flow": 80.0 / 6e4, "temperature": 363.15, "hours": 350 * 3600.0}


@pytest.mark.parametrize(
    ("quantity", "at", "words"),
    [
        ("bypass_margin", {"temperature": 323.15}, "more than a factor 3 from the 15 mm²/s"),
        ("pressure_drop_at_interval", {"flow": 50 / 6e4}, "more than a factor 1.25 from the 80"),
        ("pressure_drop_at_interval", {"hours": 735 * 3600.0}, "the filter was run to"),
    ],
)
def test_nothing_is_carried_beyond_the_run(intact, quantity, at, words):
    found = all_quantities()[quantity].compute(
        prepare(intact, limits(), 1), "candidate", RATED | at
    )
    assert isinstance(found, NotDemonstrated)
    assert words in found.reason


def test_nothing_is_carried_beyond_the_pressure_of_a_sweep(intact):
    # At 96 L/min and 15 degC the sweep reached its highest pressure; the oil of the machine is as
    # thick at about 12 degC, and the pressure at 80 L/min is in proportion to its viscosity.
    at = {"flow": 80.0 / 6e4, "temperature": 273.15 + 6.0}
    found = all_quantities()["clean_pressure_drop"].compute(
        prepare(intact, limits(), 1), "candidate", at
    )
    assert isinstance(found, NotDemonstrated)
    assert "was swept to" in found.reason


def test_a_fine_path_that_takes_another_flow_than_was_tested_says_nothing():
    case = read_case_files(INPUTS / "chain-ferry")
    at = {"size": 10.0, "temperature": 363.15}
    circuit = case.application.circuit
    for gallery, demonstrated in ((350e3, True), (150e3, False)):
        changed = circuit.model_copy(update={"gallery_pressure": gallery})
        application = case.application.model_copy(update={"circuit": changed})
        bench = prepare(replace(case, application=application), limits(), 1)
        found = all_quantities()["sump_concentration"].compute(bench, "candidate", at)
        assert isinstance(found, NotDemonstrated) is not demonstrated
        assert demonstrated or "more than a factor 1.25 from the 6 L/min" in found.reason


def test_a_stated_temperature_is_known_as_well_as_the_standard_allows(intact):
    entry_ = next(r.entry for r in intact.records if r.id == "PD-C1")
    report = Stated(report="R-26-014", conditions=("temperature",))
    read = accuracy_of(intact, limits(), entry_, "temperature", 300.0)
    stated = accuracy_of(
        intact, limits(), entry_.model_copy(update={"stated": report}), "temperature", 300.0
    )
    assert read.u == pytest.approx(0.3)
    assert stated.u == pytest.approx(1.0 / np.sqrt(3.0))  # 1 K either way, rectangular
    assert "accuracy allowed by the standard" in stated.source


def test_a_valve_inside_the_candidate_that_nobody_measured_leaves_the_margin_open(intact):
    bare = replace(intact, records=tuple(r for r in intact.records if r.id != "BV-C"))
    bench = prepare(bare, limits(), 1)
    for quantity in ("bypass_margin", "cold_bypass_temperature", "service_life"):
        found = all_quantities()[quantity].compute(bench, "candidate", RATED)
        assert isinstance(found, NotDemonstrated)
        assert "nobody measured where it opens" in found.reason
        reference = all_quantities()[quantity].compute(bench, "reference", RATED)
        assert not isinstance(reference, NotDemonstrated)


def test_a_flow_stated_off_and_read_off_again_does_not_add_up(intact):
    """83.5 L/min stated for 80 L/min, and 86.8 L/min read: each within 5 %, both 8.5 % off."""
    stated = with_record(intact, "MP-C1", lambda r: conditions(r, flow=Measured(value=83.5 / 6e4)))
    broken = with_record(stated, "MP-C1", lambda r: table(r, flow=r.table.flow * 1.085))
    reasons = [prepare(each, limits(), 1).unusable.get("MP-C1", "") for each in (stated, broken)]
    assert "flow of the application" not in reasons[0]
    assert "flow of the application: tested at 86.8" in reasons[1]
