"""What decision.json and the terminal say of a finding: numbers in the requirement's own unit."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.make.choose import _row as row_of_choice
from dossier.make.verdict_text import _row as row_of_terminal
from dossier.record.decision_record import _finding
from tests.report.sample import estimate
from tests.small_case import finding, record, requirement

BURST = record("B-1", "measurement", "specimen,burst pressure [kPa]\nS1,2100\nS2,2140\nS3,2080\n",
               instruments=["PG"], standard="ISO 4548-6:2021")  # fmt: skip


@pytest.fixture(scope="module")
def found():
    asked = {"min": "0.95 MPa", "max": "25 bar"}
    return finding([BURST], requirement("burst_pressure", basis="mean", between=asked))


def test_every_number_is_in_the_unit_of_the_requirement(found):
    told = _finding(found)
    mean = (2100 + 2140 + 2080) / 3
    assert told["value"] == pytest.approx(mean / 1000.0)
    assert (told["limit"]["min"], told["limit"]["max"]) == pytest.approx((0.95, 2.5))
    low, high = told["interval95"]
    assert low < told["value"] < high
    assert high - told["value"] == pytest.approx(told["value"] - low)
    assert [each["value"] for each in told["per_specimen"]] == pytest.approx([2.1, 2.14, 2.08])


def test_a_chance_is_printed_where_one_was_reckoned(found):
    assert row_of_terminal(found)[5].endswith("%")
    assert row_of_terminal(replace(found, probability=None))[5] == ""


def test_an_advisory_requirement_is_marked(found):
    advisory = replace(found, demand=replace(found.demand, severity="advisory"))
    assert row_of_terminal(found)[0] == "Q1"
    assert row_of_terminal(advisory)[0] == "Q1 (advisory)"


@pytest.mark.parametrize(
    ("scale", "kind", "unit", "value"),
    [("linear", "difference", "kPa", 50.0), ("reciprocal", "quotient", "", 1.25)],
)
def test_ratios_are_set_beside_each_other_as_a_quotient_without_a_unit(scale, kind, unit, value):
    draws = np.random.default_rng(1).normal(0.0, 100.0, 4000)
    own, other = (
        replace(estimate(mean, 100.0, scale=scale), samples=mean + draws)
        for mean in (250_000.0, 200_000.0)
    )
    quantity = SimpleNamespace(name="burst_pressure")
    asked = SimpleNamespace(quantity=quantity, at_text="", unit="kPa", spread_factor=1000.0)
    told = row_of_choice(SimpleNamespace(
        demand=asked, requirements=("Q1",), own=own, other=other, between=False, why="",
    ))  # fmt: skip
    assert (told["kind"], told["unit"]) == (kind, unit)
    assert told["value"] == pytest.approx(value, rel=1e-3)
