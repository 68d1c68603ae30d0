"""The decision on a whole case does not depend on how it is computed."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from dossier.decision import assess as module
from dossier.decision.assess import assess_case, seed_of
from dossier.evidence.requirement import resolve
from dossier.evidence.statistics.estimate import Estimate
from dossier.make.api import issue_date, limits, read_case
from dossier.record.decision_record import canonical, decision_document
from dossier.words import speaking

INPUTS = Path(__file__).parents[2] / "inputs"


@pytest.mark.parametrize("name", ["polder-pumps", "chain-ferry"])
def test_quantities_computed_at_once_are_those_computed_one_by_one(name):
    case = read_case(INPUTS / name)
    demands, _ = resolve(case.application, case.qualification.application)
    day = issue_date(case)
    documents = []
    for at_once in (1, 2, 5):
        with speaking("de"):
            found = assess_case(case, demands, limits(), day, pages=False, at_once=at_once)
            documents.append(canonical(decision_document(case, found, day)))
        said = [note for each in found.findings if each.estimate for note in each.estimate.notes]
        assert any("Prüfstaub steht für" in note for note in said)  # in the language spoken here
    assert documents[0] == documents[1] == documents[2]


@pytest.mark.parametrize(("stated", "seed"), [(7, 7), (0, 0), (None, 0xCBF43926)])
def test_the_seed_is_the_stated_one_else_of_the_number(stated, seed):
    """The check value of CRC-32 (ISO/IEC 3309), of the nine digits."""
    qualification = SimpleNamespace(seed=stated, number="123456789")
    assert seed_of(SimpleNamespace(qualification=qualification)) == seed


@pytest.mark.parametrize(("apart", "said"), [("", 0), ("other terminal", 1)])
def test_a_filter_that_was_not_tested_alike_is_said_to_be_left_out(apart, said, monkeypatch):
    monkeypatch.setattr(module, "difference", lambda *_: apart)
    found = Estimate(value=1.0, u=0.1, unit="1", notes=("as it was",))
    before, *notes = module._set_apart(None, SimpleNamespace(quantity=None), found).notes
    assert (before, len(notes)) == ("as it was", said)
    assert all(each.endswith("not tested alike: other terminal") for each in notes)
