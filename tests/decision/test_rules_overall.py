"""The decision on the whole: a table of cases in every order, and what must always hold."""

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.decision.rules import Decision, Verdict, overall

UNFAVOURABLE = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL, Verdict.CONDITIONAL_PASS)


class TestOverall:
    P, CP, CF, F = Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL
    ND, NA = Verdict.NOT_DEMONSTRATED, Verdict.NOT_APPLICABLE

    @pytest.mark.parametrize(
        ("findings", "decision"),
        [
            ([(P, True, False)], "approved"),
            ([(P, True, False), (NA, True, False)], "approved"),
            ([(P, True, False), (F, False, False), (ND, False, False)], "approved"),
            ([(P, True, False), (CP, True, False)], "approved with conditions"),
            ([(P, True, False), (F, True, True)], "approved with conditions"),
            ([(CF, True, True)], "approved with conditions"),
            ([(P, True, False), (F, True, False)], "not approved"),
            ([(P, True, False), (CF, True, False)], "not approved"),
            ([(F, True, False), (ND, True, False)], "not approved"),
            ([(F, True, True), (CF, True, False)], "not approved"),
            ([(P, True, False), (ND, True, False)], "undecided"),
            ([(P, True, False), (ND, True, True)], "undecided"),
            ([(CP, True, False), (ND, True, False)], "undecided"),
            ([(F, True, True), (ND, True, False)], "undecided"),
            ([], "undecided"),
            ([(P, False, False)], "undecided"),
            ([(F, False, False)], "undecided"),
            ([(NA, True, False)], "undecided"),
            ([(NA, True, True), (P, False, False)], "undecided"),
        ],
    )
    def test_table(self, findings: list[tuple[Verdict, bool, bool]], decision: str) -> None:
        for order in itertools.permutations(findings):
            assert overall(order) == decision

    finding = st.tuples(st.sampled_from(list(Verdict)), st.booleans(), st.booleans())

    @given(st.lists(finding, max_size=6))
    def test_approved_only_if_every_mandatory_one_that_applies_passes(
        self, findings: list[tuple[Verdict, bool, bool]]
    ) -> None:
        mandatory = {v for v, counts, _ in findings if counts} - {Verdict.NOT_APPLICABLE}
        assert (overall(findings) is Decision.APPROVED) == (mandatory == {Verdict.PASS})

    @given(st.lists(finding, max_size=6), st.sampled_from(UNFAVOURABLE), st.booleans())
    def test_a_worse_finding_never_helps(
        self, findings: list[tuple[Verdict, bool, bool]], verdict: Verdict, excused: bool
    ) -> None:
        rank = [
            Decision.NOT_APPROVED,
            Decision.UNDECIDED,
            Decision.APPROVED_WITH_CONDITIONS,
            Decision.APPROVED,
        ]
        start = [(Verdict.PASS, True, False), *findings]
        before, after = overall(start), overall([*start, (verdict, True, excused)])
        assert rank.index(after) <= rank.index(before)
        assert after is not Decision.APPROVED

    def test_words(self) -> None:
        assert [str(v) for v in Verdict] == [
            "fail",
            "conditional fail",
            "not demonstrated",
            "conditional pass",
            "pass",
            "not applicable",
        ]
        assert [str(d) for d in Decision] == [
            "not approved",
            "undecided",
            "approved with conditions",
            "approved",
        ]

    def test_refuses_an_unknown_word(self) -> None:
        unknown: Any = "Pass"
        with pytest.raises(ValueError, match="Pass"):
            overall([(unknown, True, False)])
