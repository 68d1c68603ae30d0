"""Codes stay codes whatever the language; sentences of the decision room are all said."""

import re
from datetime import date
from types import SimpleNamespace

import pytest

import dossier.words
from dossier.case.agreed import SignOffEntry
from dossier.case.problems import CaseError
from dossier.decision.cautions import GENERAL, cautions_for
from dossier.decision.comparison import _sentence
from dossier.decision.rules import Decision
from dossier.evidence.spoken import CODES
from dossier.record.signoff import Days, add_sign_off, signed_entry
from dossier.report.house.house import DEFERENCE, HouseCaution
from dossier.report.pages.contents import _kept
from dossier.report.signing import MEANINGS, ROLES, SignOff, role_text

DAY = date(2026, 3, 30)


class Upside:
    """A language in which every sentence is written between marks, its places kept."""

    decimal_mark = "·"

    def say(self, text, context):
        return f"«{text}»"

    def say_count(self, number, one, many):
        return f"«{one if number == 1 else many}»"


@pytest.fixture
def upside(monkeypatch):
    monkeypatch.setattr(dossier.words, "_tongue", Upside)


@pytest.fixture
def bench():
    """A case of which nothing is known, so that only the usual cautions are given."""
    circuit = SimpleNamespace(opening=None, guarded=())
    rule = SimpleNamespace(confidence=0.95)
    duty = SimpleNamespace(cold_start=270.0, normal_oil=360.0, service_interval=1e6)
    application = SimpleNamespace(circuit=circuit, decision_rule=rule, duty=duty)
    asked = SimpleNamespace(concession=(), review_due=date(2029, 1, 1), remade=())
    case = SimpleNamespace(
        application=application, qualification=asked, on_file=object(), dropped=(), records=()
    )
    return SimpleNamespace(
        case=case, multipass=(), checks=(), excluded={}, limits=None, sides=("candidate",)
    )


def test_every_decision_and_role_is_among_the_codes():
    assert set(CODES["decision"]) == {each.value for each in Decision}
    assert set(CODES["role"]) == set(ROLES) == set(MEANINGS)


def test_usual_cautions_are_said_and_keep_their_name(upside, bench):
    given = cautions_for(bench, (), Decision.APPROVED)
    assert [each.name for each in given] == [each.title for each in GENERAL]
    assert [each.title for each in given] == [f"«{each.title}»" for each in GENERAL]


def test_a_house_rewords_by_the_english_title_in_any_language(upside, bench):
    own = HouseCaution(title="Ours", text="In our own words.", replaces="Oil starvation")
    never = HouseCaution(title="Never", text="Nothing comes first.", replaces=DEFERENCE.name)
    usual = cautions_for(bench, (), Decision.APPROVED)
    titles = [each.title for each in _kept(usual, (own, never))]
    assert "«Oil starvation»" not in titles
    assert titles[0] == f"«{DEFERENCE.title}»"
    assert len(titles) == len(usual) - 1


class Silent(Upside):
    """A language without words: of every sentence its places alone remain."""

    def say(self, text, context):
        return "".join(re.findall(r"\{[^}]*\}", text))


def test_no_word_of_the_comparison_is_left_out(monkeypatch):
    monkeypatch.setattr(dossier.words, "_tongue", Silent)
    assert _sentence(["1", "2", "3"], ["4"], ["5", "6"]) == "1, 23; 4; 56"


@pytest.mark.parametrize(
    ("entries", "new", "cure"),
    [
        ([], ("checked", "Second", DAY), "sign in this order: prepared, checked, approved"),
        ([], ("prepared", "First", date(2026, 3, 29)), "give a later --date"),
        (["prepared", "checked"], ("approved", "prepared", DAY), "another person has to sign"),
    ],
)
def test_what_cures_a_refused_sign_off_does_not_hang_on_words(upside, entries, new, cure):
    def entry(role, name, day):
        meaning = "I stand for it."
        return SignOffEntry(role=role, name=name, meaning=meaning, date=day, digest="a" * 64)

    record = SimpleNamespace(finished=None, tested=DAY)
    qualification = SimpleNamespace(record=[record])
    signed = [entry(role, role, DAY) for role in entries]
    case = SimpleNamespace(qualification=qualification, signed=signed)
    with pytest.raises(CaseError) as caught:
        add_sign_off(case, SignOff(digest="a" * 64), entry(*new), Days(DAY))
    assert cure in str(caught.value)


def test_a_role_that_a_case_names_is_not_translated(upside):
    assert role_text("approved") == "«approved»"
    assert role_text("pass") == "pass"


def test_the_usual_meaning_of_a_role_is_signed_in_the_language_of_the_case(upside):
    given = {"role": "prepared", "name": "First", "date": DAY}
    assert signed_entry(given, "a" * 64).meaning == f"«{MEANINGS['prepared']}»"
    assert signed_entry(given | {"meaning": "I stand for it."}, "a" * 64).meaning.startswith("I ")
    with pytest.raises(CaseError, match="no usual meaning"):
        signed_entry(given | {"role": "witnessed"}, "a" * 64)
