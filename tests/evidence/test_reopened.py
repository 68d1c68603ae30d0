"""What a change reopens, and what of a measurement it leaves standing."""

import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import dossier
from dossier.case.agreed import Change
from dossier.case.records import MeasurementTable
from dossier.evidence.quantities import all_quantities
from dossier.evidence.reopened import reopened_problems, reopening, reopens, still_standing
from dossier.make.decide import limits
from tests.small_case import record, small


def changed(case, *what):
    change = Change(what=what, text="The maker took another one, as its letter says.")
    asked = case.qualification.model_copy(update={"change": change})
    return replace(case, qualification=asked)


def carried(case, *records):
    """Return the case with the records as carried over from a dossier that has them all."""
    entries = tuple(SimpleNamespace(records=(name,)) for name in records)
    before = SimpleNamespace(record=[each.entry for each in case.records], carried=())
    source = SimpleNamespace(
        name="OLD rev 0", records=frozenset(records), carried=entries, case=before,
    )  # fmt: skip
    return replace(case, carried=(source,))


@pytest.fixture
def case():
    table = "specimen,collapse pressure [kPa],burst pressure [kPa]\nC1,900,2100\nC2,910,2150\n"
    return small([record("M1", "measurement", table)])


def test_nothing_is_reopened_where_the_filter_is_the_same(case):
    assert reopening(case.qualification, limits()) == {}
    assert (
        reopening(changed(case, "lot", "laboratory", "test method").qualification, limits()) == {}
    )


def test_what_is_reopened_stands_in_the_order_of_the_table_whatever_the_process(case):
    text = (Path(dossier.__file__).parent / "evidence" / "limits.toml").read_text(encoding="utf-8")
    table = {each["what"]: each["reopens"] for each in tomllib.loads(text)["change"]}
    assert list(reopening(changed(case, "glue").qualification, limits())) == table["glue"]


def test_a_requirement_is_reopened_by_the_record_or_the_column_that_it_rests_on(case):
    found = reopening(changed(case, "glue", "gasket").qualification, limits())
    known = all_quantities()
    assert reopens(known["service_life"], found) == ("glue",)
    assert reopens(known["burst_pressure"], found) == ("gasket",)
    assert reopens(known["pulse_cycles"], found) == ("glue", "gasket")
    assert reopens(known["clean_pressure_drop"], found) == ()
    drained = reopening(changed(case, "anti-drain valve").qualification, limits())
    assert reopens(known["anti_drain_leakage"], drained) == ("anti-drain valve",)


def test_a_reopened_column_is_left_out_and_the_others_stand(case):
    kept = still_standing(carried(changed(case, "glue"), "M1"), limits()).records[0].table
    assert isinstance(kept, MeasurementTable)
    assert kept.names == ("burst pressure",)
    assert np.array_equal(kept.values[0], case.records[0].table.values[1])
    assert not list(reopened_problems(carried(changed(case, "glue"), "M1"), limits()))


def test_a_record_with_nothing_left_is_refused(case):
    both = carried(changed(case, "glue", "can"), "M1")
    (problem,) = reopened_problems(both, limits())
    assert "M1 (collapse pressure, burst pressure), reopened by: glue, can" in problem.what


@pytest.mark.parametrize(("until", "told"), [(date(2026, 2, 28), 0), (date(2026, 3, 1), 1)])
def test_a_record_whose_days_had_run_out_is_not_one_left_out(case, until, told):
    asked = case.qualification.model_copy(update={"issued": date(2026, 3, 1)})
    here = carried(replace(case, qualification=asked), "M1")
    (source,) = here.carried
    ended = SimpleNamespace(until=until, records=("M2",))
    other = case.records[0].entry.model_copy(update={"id": "M2"})
    before = SimpleNamespace(record=[*source.case.record, other], carried=(ended,))
    source.case = before
    found = list(reopened_problems(here, limits()))
    assert ["leaves out M2" in each.what for each in found] == [True] * told


@pytest.mark.parametrize(("side", "told"), [("reference", True), ("candidate", False)])
def test_of_the_filter_now_fitted_nothing_is_reopened_so_that_all_of_it_counts(case, side, told):
    """Of the candidate nothing of that kind counts any more, so that nothing is chosen."""
    table = replace(case.records[0].table, names=("collapse pressure",))
    one, other = (
        replace(case.records[0], table=table,
                entry=case.records[0].entry.model_copy(update={"id": name, "filter": side}))
        for name in ("M1", "M2")
    )  # fmt: skip
    here = carried(replace(changed(case, "glue"), records=(one, other)), "M1")
    found = [each.what for each in reopened_problems(replace(here, records=(one,)), limits())]
    assert [("leaves out M2" in each, "reopened by: glue" in each) for each in found] == [
        (told, not told)
    ]
