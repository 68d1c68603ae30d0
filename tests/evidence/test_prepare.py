"""A run that contradicts its sweep puts the sweep of its own specimen in doubt, and no other."""

from dataclasses import dataclass

import pytest

from dossier.evidence.prepare import _for_both
from dossier.evidence.validity.rules import AGREES
from tests.made_bench import run, sweep


@dataclass
class Told:
    """What is asked of a check here."""

    record: str
    rule: str
    outcome: str


@pytest.mark.parametrize(
    ("rule", "outcome", "records"),
    [
        (AGREES, "not met", ["M1", "S1"]),
        (AGREES, "met", ["M1"]),
        (AGREES, "not checked", ["M1"]),
        ("another", "not met", ["M1"]),
    ],
)
def test_the_sweep_of_the_same_specimen_is_in_doubt_as_well(rule, outcome, records):
    sweeps = [sweep("S1", "C1"), sweep("S2", "C2")]
    found = _for_both(iter([Told("M1", rule, outcome)]), run("M1", "C1"), sweeps)
    assert [each.record for each in found] == records
