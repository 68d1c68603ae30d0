"""The seed of a case's draws, and what is told of what is not shown."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.decision import assess as module
from dossier.decision.assess import seed_of
from dossier.decision.finding import Finding
from dossier.decision.probability import Threshold
from dossier.decision.rules import Verdict
from dossier.evidence.statistics.combine import SHOWN, trials, with_trials
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated


@pytest.mark.parametrize(("stated", "seed"), [(7, 7), (0, 0), (None, 0xCBF43926)])
def test_the_seed_is_the_stated_one_else_of_the_number(stated, seed):
    """The check value of CRC-32 (ISO/IEC 3309), of the nine digits."""
    qualification = SimpleNamespace(seed=stated, number="123456789")
    assert seed_of(SimpleNamespace(qualification=qualification)) == seed


@pytest.mark.parametrize(
    ("side", "share", "drawn"),
    [("candidate", None, 2 * SHOWN), ("candidate", 0.1, 2 * SHOWN), ("reference", 0.1, 2 * SHOWN),
     ("reference", None, SHOWN)],
)  # fmt: skip
def test_what_decides_is_drawn_in_full(side, share, drawn, monkeypatch):
    monkeypatch.setattr(module, "_compute", lambda *_: trials())
    monkeypatch.setattr(module, "replace", lambda bench, **_: bench)
    demand = SimpleNamespace(not_worse=share, quantity=SimpleNamespace(name="x"), at={})
    compute = module._computed(None)
    with with_trials(2 * SHOWN):
        assert compute(demand, side) == drawn
    with with_trials(SHOWN // 2):  # of few nothing more is made
        assert module._computed(None)(demand, side) == SHOWN // 2


@pytest.mark.parametrize(("apart", "said"), [("", 0), ("other terminal", 1)])
def test_a_filter_that_was_not_tested_alike_is_said_to_be_left_out(apart, said, monkeypatch):
    monkeypatch.setattr(module, "unlike_tests", lambda *_: apart)
    found = Estimate(value=1.0, u=0.1, notes=("as it was",))
    before, *notes = module._set_apart(None, SimpleNamespace(quantity=None), found).notes
    assert (before, len(notes)) == ("as it was", said)
    assert all(each.endswith("not tested alike: other terminal") for each in notes)


@pytest.mark.parametrize(
    ("share", "reference", "said"), [(None, "R", 1), (None, None, 0), (0.1, "R", 0)]
)
def test_that_it_is_left_out_is_said_where_it_is_fitted_and_not_the_limit(
    share, reference, said, monkeypatch
):
    monkeypatch.setattr(module, "unlike_tests", lambda *_: "other terminal")
    qualification = SimpleNamespace(reference=reference)
    bench = SimpleNamespace(case=SimpleNamespace(qualification=qualification, records=()))
    demand = SimpleNamespace(not_worse=share, quantity=None, conversions=())
    found = Estimate(value=1.0, u=0.1)
    noted = module._noted(
        bench, Finding(demand=demand, verdict=Verdict.PASS, estimate=found, reason="")
    )
    assert len(noted.estimate.notes) == said
    assert noted.interval == found.interval()


@pytest.mark.parametrize(("value", "given"), [(3.0, True), (math.inf, False), (math.nan, False)])
def test_what_is_known_is_told_of_what_is_not_shown(value, given, monkeypatch):
    monkeypatch.setattr(module, "_reference", lambda *_: NotDemonstrated("why"))
    demand = SimpleNamespace(lower=1.0, upper=None, not_applicable="", not_worse=0.1)
    found = Estimate(value=value, u=0.1)
    told = module._finding(None, demand, None, lambda *_: found)
    assert (told.verdict, told.lower) == (Verdict.NOT_DEMONSTRATED, 1.0)
    assert (told.estimate, told.reason) == (found, "no comparison: why")
    assert told.interval == (found.interval() if given else None)
    told = module._finding(None, demand, None, lambda *_: NotDemonstrated("nothing"))
    assert (told.verdict, told.reason, told.interval) == (Verdict.NOT_DEMONSTRATED, "nothing", None)


@pytest.mark.parametrize(
    ("bound", "limits", "said"),
    [
        ("larger than", (None, 11.0), "only a lower bound"),
        ("larger than", (None, 9.0), ""),
        ("larger than", (9.0, None), ""),
        ("smaller than", (9.0, None), "only an upper bound"),
        ("smaller than", (11.0, None), ""),
        ("smaller than", (None, 11.0), ""),
        ("", (9.0, 11.0), ""),
    ],
)
def test_a_bound_by_draws_is_of_no_use_where_a_limit_lies_beyond_it(bound, limits, said):
    """What is larger than 10 may lie on either side of 11, and on one side alone of 9."""
    found = Estimate(value=10.0, u=0.1, bound=bound, samples=np.full(3, 10.0))
    demand = SimpleNamespace(not_worse=None, basis="every_specimen")
    why = module._not_decidable(demand, found, None, Threshold(*limits))
    assert (said in why) if said else why == ""
