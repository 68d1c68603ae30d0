"""What may carry a result: all that the plan names, and nothing that was stopped."""

import pytest

from dossier.evidence.prepare import prepare
from dossier.evidence.records.usable import missing_specimens, usable_runs, usable_sweeps
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from tests.made_bench import bench, case, entry, exact, run, sweep
from tests.small_case import TESTED


def usable(*results, plan=(), of=usable_sweeps, entries=None, **options):
    described = {"part_number": "CAN-1", "specimens": list(plan)}
    made = bench(results, candidate=described, entries=entries, **options)
    return attempt(of, made, "candidate")


def test_every_sweep_of_the_side_and_path_is_taken():
    found = usable(sweep(), sweep("S2", "C2"), sweep("S3", "C1", path="fine"),
                   sweep("S4", "R1", "reference"))  # fmt: skip
    assert [each.record for each in found] == ["S1", "S2"]


@pytest.mark.parametrize("state", ["unreduced", "unusable"])
def test_one_that_is_stopped_stops_all(state):
    found = usable(sweep(), sweep("S2", "C2"), **{state: {"S2": "it reads backwards"}})
    assert found.records == ("S2",)
    assert "it reads backwards" in found.reason
    other = usable(sweep(), **{state: {"M9": "another"}})
    assert not isinstance(other, NotDemonstrated)


def test_a_planned_specimen_that_was_not_tested_is_missed():
    assert "C2" in usable(sweep(), plan=["C1", "C2"]).reason
    assert not isinstance(usable(sweep(), plan=["C1"]), NotDemonstrated)


def test_without_a_plan_what_was_tested_on_one_rig_must_be_on_the_other():
    found = usable(sweep(), run("M2", "C2"))
    assert "of specimen C2" in found.reason
    assert "of specimen C1" in usable(sweep(), run("M2", "C2"), of=usable_runs).reason
    other = usable(sweep(), run("M2", "R2", "reference"))
    assert not isinstance(other, NotDemonstrated)


def test_an_excluded_record_accounts_for_its_specimen():
    both = [entry(sweep()), entry(sweep("S2", "C2"))]
    found = usable(sweep(), entries=both, plan=["C1", "C2"], excluded={"S2": "fell"})
    assert [each.record for each in found] == ["S1"]
    assert "excluded" in usable(entries=[entry(sweep())], excluded={"S1": "fell"}).reason


def test_no_record_at_all_is_said():
    assert "there is no" in usable(run(), of=usable_sweeps).reason


@pytest.mark.parametrize(
    ("planned", "tested", "others", "missing"),
    [
        (("C1",), ("C1",), False, False), (("C1", "C2"), ("C1",), False, True),
        (("C1", "C2"), ("C1", "C9"), True, True), (("C1", "C2"), ("C8", "C9"), True, False),
        (("C1", "C2"), ("C9",), True, True), (("C1", "C2"), ("C8", "C9"), False, True),
    ],
)  # fmt: skip
def test_others_may_stand_in_for_those_that_a_test_destroys(planned, tested, others, missing):
    assert bool(missing_specimens(planned, tested, others_allowed=others)) is missing


def test_deviations_of_one_record_add_in_squares_and_exclude_it():
    agreed = {"record": "S1", "text": "The gauge was read by eye.", "agreed_by": "Fleet",
              "agreed": TESTED}  # fmt: skip
    wide = [agreed | {"effect": "widens uncertainty", "u": u} for u in ("3 %", "4 %")]
    out = agreed | {"record": "S2", "effect": "record excluded", "cause": "It fell."}
    of = case([entry(sweep()), entry(sweep("S2", "C2"))], deviation=[*wide, out])
    found = prepare(of, exact(), 5)
    assert found.widened == {"S1": pytest.approx(0.05)}
    assert set(found.excluded) == {"S2"}
    assert set(found.unreduced) == {"S1"}  # it has no table here
    assert found.seed == 5
