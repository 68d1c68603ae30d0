"""A dossier that nobody has signed never reads as an approval."""

from dataclasses import replace
from datetime import date

import pytest

from dossier.decision.conditions import APPROVES
from dossier.decision.rules import Decision, Verdict
from dossier.report.pages import frame
from dossier.report.pages.decision import _people
from dossier.report.pages.fixed_words import VERDICT_KIND, answer_of, stamp_of
from dossier.report.pages.record_pages import signoff_page
from dossier.report.signing import ROLES, Signed, SignOff
from dossier.words import speaking
from tests.report import sample


def signed(role, holds=True):
    return Signed(role=role, name="A. Person", meaning="mine", date=date(2026, 4, 1), holds=holds)


WHOLE = SignOff(signed=tuple(signed(role) for role in ROLES))


@pytest.mark.parametrize("decision", list(Decision))
def test_unsigned_is_a_draft_that_does_not_approve(decision):
    answer = answer_of(decision.value, SignOff())
    assert answer.stamp == "DRAFT, not signed"
    assert "approved" not in f"{answer.word} {answer.text}".lower()


@pytest.mark.parametrize("decision", list(Decision))
def test_no_german_draft_bears_the_word_of_leave(decision):
    with speaking("de"):
        answer = answer_of(decision.value, SignOff())
    assert "freigegeben" not in f"{answer.word} {answer.text}".lower()


@pytest.mark.parametrize("decision", list(Decision))
def test_nobody_approved_what_gives_no_leave(decision):
    found, leave = sample.assessment(sample.case(), decision=decision), decision in APPROVES
    days = frame._days(sample.case(), found, WHOLE, date(2026, 3, 30)).rows
    roles = [line.role for line in signoff_page(WHOLE, decision.value).lines]
    told = " ".join(map(str, (days, roles, _people(WHOLE, leave=leave)))).lower()
    assert ("approved" in told) is leave
    assert ("decided" in told) is not leave


@pytest.mark.parametrize("missing", ROLES)
def test_one_role_missing_is_a_draft(missing):
    partly = SignOff(signed=tuple(s for s in WHOLE.signed if s.role != missing))
    assert partly.missing == (missing,)
    assert stamp_of(partly) == "DRAFT, 2 of 3 signed"


@pytest.mark.parametrize("outdated", range(3))
def test_an_outdated_sign_off_returns_the_stamp(outdated):
    lines = list(WHOLE.signed)
    lines[outdated] = replace(lines[outdated], holds=False)
    assert stamp_of(SignOff(signed=tuple(lines))) == "DRAFT, sign-off no longer holds"
    assert not SignOff(signed=tuple(lines)).complete
    assert SignOff(signed=tuple(lines)).missing == (ROLES[outdated],)


def test_an_outdated_sign_off_beside_a_new_one_is_still_a_draft():
    assert not SignOff(signed=(*WHOLE.signed, signed("checked", holds=False))).complete


def test_no_roles_asked_is_no_approval():
    assert not SignOff(roles=()).complete


def test_signed_carries_the_decision():
    assert answer_of("approved", WHOLE).word == "Approved"
    assert answer_of("not approved", WHOLE).word == "Not approved"
    assert answer_of("approved", WHOLE).stamp == ""


def test_a_decision_that_is_not_known_is_undecided():
    assert answer_of("splendid", WHOLE).word == "Undecided"


def test_every_verdict_has_a_form():
    assert set(VERDICT_KIND) == {verdict.value for verdict in Verdict}
