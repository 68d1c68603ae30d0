"""The decision on the whole: mandatory findings, their concessions, and conditions."""

from types import SimpleNamespace

import pytest

from dossier.decision.finding import Condition, decision_of
from dossier.decision.rules import Verdict


def finding(verdict, severity="mandatory", concession=None):
    demand = SimpleNamespace(id="E1", severity=severity, mark="")
    return SimpleNamespace(demand=demand, verdict=Verdict(verdict), concession=concession)


LEAVE = object()
CONDITION = Condition(kind="late request", subject="", text="asked late")


@pytest.mark.parametrize(
    ("findings", "conditions", "decision"),
    [
        ([finding("pass")], (), "approved"),
        ([finding("pass")], (CONDITION,), "approved with conditions"),
        ([finding("fail", concession=LEAVE)], (CONDITION,), "approved with conditions"),
        ([finding("fail")], (CONDITION,), "not approved"),
        ([finding("pass"), finding("fail", "advisory")], (), "approved"),
        ([finding("pass"), finding("not demonstrated")], (), "undecided"),
        ([finding("fail"), finding("not demonstrated")], (), "not approved"),
    ],
)
def test_one_mandatory_finding_decides_unless_leave_was_given(findings, conditions, decision):
    assert decision_of(findings, conditions).value == decision
