"""Each rule of validity, and an input that breaks it."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from dossier.api import limits
from dossier.case.fields import Dust, Ends, Measured, Sides, VolumeEnds
from dossier.case.model import Deviation
from dossier.case.read import read_case_files
from dossier.evidence.prepare import prepare
from dossier.evidence.registry import all_quantities

INPUTS = Path(__file__).parents[2] / "inputs"


@pytest.fixture(scope="module")
def intact():
    return read_case_files(INPUTS / "polder-pumps")


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
    "settled loop": ("MP-C1", lambda r: conditions(r, final_concentration=Measured(value=0.005))),
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
    known = {"met", "warning", "not checked", "does not apply"}
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
            record=identifier, text="Bath 3 K warm; viscosity checked.", effect="none", rule=rule
        )
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
        record="MP-C1", text="Scale drifted.", effect="widens uncertainty", u="6 %"
    )
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
