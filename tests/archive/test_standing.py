"""How a dossier reads on a day, and who has to sign: by the rules alone, without a file."""

from datetime import date, timedelta
from types import SimpleNamespace

import pytest

from dossier.record.signoff import Days, judge_sign_offs, needed_roles, same_person
from dossier.record.standing import (
    DRAFT,
    EXPIRED,
    NOT_INTACT,
    SIGNED_OFF,
    Standing,
    as_of,
    mismatches,
    reading_of,
    seals_of,
    standing_of,
)

END = date(2026, 6, 30)
DAY = timedelta(1)
ROLES = ("prepared", "checked", "approved")


@pytest.mark.parametrize(
    ("today", "word"),
    [(END - DAY, SIGNED_OFF), (END, SIGNED_OFF), (END + DAY, EXPIRED), (None, SIGNED_OFF)],
)
def test_an_approval_holds_on_its_last_day(today, word):
    assert as_of(Standing(SIGNED_OFF, "", date(2026, 1, 1), END), today).word == word
    assert as_of(Standing(DRAFT, "", None, END), today).word == DRAFT


@pytest.mark.parametrize(("ahead", "word"), [(0, SIGNED_OFF), (1, SIGNED_OFF), (2, DRAFT)])
def test_a_sign_off_may_be_a_time_zone_ahead_and_no_more(ahead, word):
    found = as_of(Standing(SIGNED_OFF, "", END + ahead * DAY), END)
    assert found.word == word
    assert ("has not come" in found.remark) is (word == DRAFT)


def test_only_what_is_signed_off_reads_as_its_decision():
    assert reading_of("approved", SIGNED_OFF) == "approved"
    assert reading_of("approved", EXPIRED) == "expired: was approved"
    for word in (DRAFT, NOT_INTACT):
        assert reading_of("approved", word) == f"{word}: would be approved"


@pytest.mark.parametrize(
    ("asked", "decision", "needed"),
    [
        (("prepared",), "approved with conditions", ("prepared", "approved")),
        (("prepared",), "approved", ("prepared",)),
        (("prepared",), "not approved", ("prepared",)),
        (ROLES, "approved with conditions", ROLES),
    ],
)
def test_what_rests_on_a_condition_needs_the_approver(asked, decision, needed):
    assert needed_roles(asked, decision) == needed


TESTED, ISSUED = date(2026, 2, 1), date(2026, 4, 1)
GIVEN = dict.fromkeys(ROLES, ISSUED)
NAMES = {"prepared": "A. One", "checked": "B. Two", "approved": "C. Three"}


def judged(days=None, dates=None, names=None, digest="d", roles=ROLES, given=ROLES):
    entries = [
        SimpleNamespace(role=role, name=(NAMES | (names or {})).get(role, "D. Four"), meaning="",
                        date=(GIVEN | (dates or {})).get(role, ISSUED), digest="d")
        for role in given
    ]  # fmt: skip
    found = judge_sign_offs(entries, roles, digest, days or Days(TESTED, END, END))
    return {each.role: each.note for each in found}


def test_sign_offs_in_order_and_time_hold():
    assert set(judged().values()) == {""}
    assert judged(dates=dict.fromkeys(ROLES, TESTED))["prepared"] == ""
    assert set(judged(dates=dict.fromkeys(ROLES, END)).values()) == {""}


@pytest.mark.parametrize(
    ("options", "role", "said"),
    [
        ({"digest": "other"}, "prepared", "have changed"),
        ({"dates": {"prepared": TESTED - DAY}}, "prepared", "dated before a test"),
        ({"dates": {"checked": ISSUED - DAY}}, "checked", "or a sign-off that precedes it"),
        ({"dates": {"approved": END + DAY}, "days": Days(TESTED, END, None)}, "approved",
         "when the approval ended"),
        ({"dates": {"approved": ISSUED + DAY}, "days": Days(TESTED, END, ISSUED)}, "approved",
         "has not come"),
        ({"given": ("prepared", "approved")}, "approved", "'checked' stands before it"),
        ({"names": {"approved": "a.  ONE"}}, "approved", "may be that of the preparer"),
        ({"given": (*ROLES, "witnessed")}, "witnessed", "asks for no sign-off"),
    ],
)  # fmt: skip
def test_a_sign_off_that_breaks_a_rule_does_not_hold(options, role, said):
    assert said in judged(**options)[role]


def test_whoever_prepared_may_check():
    assert judged(names={"checked": "A. One"})["checked"] == ""


def test_an_earlier_sign_off_that_does_not_hold_holds_up_the_later():
    found = judged(dates={"checked": TESTED - DAY})
    assert found["prepared"] == ""
    assert "'checked' stands before it" in found["approved"]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [("A. One", "a one", True), ("Ann Lee", "Αnn Lee", True), ("Ann Lee", "Ann Leo", False)],
)
def test_names_that_look_alike_are_one_person(one, other, same):
    assert same_person(one, other) is same


@pytest.mark.parametrize(("faults", "more"), [(1, ""), (2, " (and 1 more)"), (5, " (and 4 more)")])
def test_the_first_of_what_is_wrong_is_named_and_the_others_counted(faults, more, monkeypatch):
    monkeypatch.setattr("dossier.record.standing._contradictions", lambda _: [])
    dossier = SimpleNamespace(faults=tuple(f"fault {n}" for n in range(faults)))
    found = standing_of(dossier, SimpleNamespace(faults=(), test=False))
    assert (found.word, found.remark) == (NOT_INTACT, f"fault 0{more}")


ORDER = "the seals were not made in the order of the roles"
CLOCK = "the times that the seals state are not in the order of sealing"
KEY = "one key has sealed in more than one role"


def sealed_by(*roles, hours=(9, 10, 11), keys=("1", "2", "3"), **changes):
    """Return what is said against seals of these roles, over sign-offs of all three."""
    signed = [
        SimpleNamespace(role=role, name=NAMES[role], meaning="mine", date=ISSUED) for role in ROLES
    ]
    seals = [
        SimpleNamespace(**{
            "field": f"signature-{role}", "sound": True, "signer": NAMES.get(role, "D. Four"),
            "meaning": "mine", "claimed": f"2026-04-02T{hour:02}:00:00Z", "key": key,
        } | changes)
        for role, hour, key in zip(roles, hours, keys, strict=False)
    ]  # fmt: skip
    return [*mismatches(seals, SimpleNamespace(signed=signed, roles=ROLES, until=None))]


@pytest.mark.parametrize("number", [0, 1, 2, 3])
def test_seals_in_the_order_of_the_roles_are_in_order(number):
    assert sealed_by(*ROLES[:number]) == []


@pytest.mark.parametrize(
    "roles", [("checked",), ("checked", "approved"), ("prepared", "approved"), ROLES[::-1]]
)
def test_a_seal_before_its_turn_is_told(roles):
    assert ORDER in sealed_by(*roles)


def test_what_else_seals_and_sign_offs_differ_by_is_told():
    assert sealed_by(*ROLES, hours=(9, 8, 11)) == [CLOCK]
    assert sealed_by(*ROLES, keys=("1", "2", "1")) == [KEY]
    assert sealed_by("witnessed") == ["signature-witnessed: sealed without a sign-off for it"]
    (name,) = sealed_by("prepared", signer="E. Five")
    assert name == "signature-prepared: sealed by 'E. Five', signed off by 'A. One'"
    (meaning,) = sealed_by("prepared", meaning="yours")
    assert meaning == "signature-prepared: sealed for another meaning than was signed off"


def test_no_seal_is_a_gap_only_where_somebody_is_trusted():
    dossier = SimpleNamespace(pdf=None)
    assert seals_of(dossier).unproven == ""
    assert seals_of(dossier, SimpleNamespace(given=False)).unproven == ""
    assert seals_of(dossier, SimpleNamespace(given=True)).unproven == "no digital signature"
