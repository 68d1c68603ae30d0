"""Until when an approval holds, on the days themselves and on a demo case whose concession ends."""

import json
import re
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier import CaseError, assess, read_case, sign
from dossier.case.model import Concession
from dossier.decision.conditions import covering, expired, late_review, over, ran_out, valid_until
from dossier.decision.finding import Caution
from dossier.decision.rules import Decision, Verdict
from dossier.make.decide import decision_json, sign_off
from dossier.make.read import _ahead
from dossier.make.verdict_text import print_assessment
from dossier.record.signoff import reads
from dossier.report.pages.fixed_words import answer_of

ISSUED = date(2026, 4, 10)
DAYS = st.dates(date(2026, 1, 1), date(2031, 1, 1))
TEXT = "Leave is given until the maker delivers."


def concession(until, requirement="D1", text=TEXT):
    return Concession(
        requirement=requirement, text=text, agreed_by="Somebody (invented)",
        agreed=date(2026, 3, 1), until=until, machines=("Winch",),
    )  # fmt: skip


@given(st.lists(st.one_of(st.none(), DAYS), max_size=4), st.one_of(st.none(), DAYS))
def test_the_earliest_end_counts(ends, review):
    found = valid_until("approved with conditions", map(concession, ends), review)
    known = [each for each in (*ends, review) if each is not None]
    assert found == min(known, default=None)
    for word in ("not approved", "undecided"):
        assert valid_until(word, map(concession, ends), review) is None


def test_behind_a_cover_stand_the_concessions_of_its_words_that_run():
    last, over_ = concession(ISSUED), concession(ISSUED - timedelta(1))  # on its last day it covers
    others = [concession(ISSUED, "E1"), concession(ISSUED, text="Another text of leave.")]
    granted = [last, over_, *others, concession(None)]
    assert covering({("D1", TEXT)}, granted, ISSUED) == (last, concession(None))


@given(DAYS, DAYS)
def test_an_approval_is_over_after_its_last_day_and_not_on_it(until, today):
    assert (over("approved", until, today) is not None) is (today > until)
    assert over("approved", until, None) is None
    assert over("approved", None, today) is None


def finding(requirement, verdict, covered=None):
    demand = SimpleNamespace(id=requirement, severity="mandatory", mark="")
    return SimpleNamespace(demand=demand, verdict=Verdict(verdict), concession=covered)


def test_an_approval_that_ended_before_the_day_of_issue_is_known():
    past = [concession(date(2026, 4, 9)), concession(date(2026, 4, 1), "E9")]
    fails = [finding("D1", "fail"), finding("E1", "pass")]
    assert ran_out(Decision.NOT_APPROVED, fails, past, ISSUED) == date(2026, 4, 9)
    other = [*fails, finding("E2", "fail")]
    assert ran_out(Decision.NOT_APPROVED, other, past, ISSUED) is None
    assert ran_out(Decision.NOT_APPROVED, fails, [concession(ISSUED)], ISSUED) is None
    assert ran_out(Decision.APPROVED, [finding("E1", "pass")], past, ISSUED) is None


@pytest.mark.parametrize(("days", "late"), [(-1, False), (0, False), (1, True)])
def test_a_review_after_the_end_of_a_concession_is_told(days, late):
    until = date(2027, 10, 31)
    rests = [finding("D1", "fail", concession(until))]
    told = late_review(rests, until + timedelta(days))
    assert bool(told) is late
    assert not late_review([finding("D1", "pass")], date(2030, 1, 1))


@pytest.mark.parametrize("order", [1, -1])
def test_a_review_is_due_before_the_first_concession_ends(order):
    first, last = date(2026, 6, 30), date(2026, 9, 30)
    rests = [finding(name, "fail", concession(until, name))
             for name, until in (("D1", last), ("D2", first), ("D3", None))][::order]  # fmt: skip
    assert not late_review(rests, first)
    told = late_review(rests, first + timedelta(1))
    assert f"the concession on D2 ends on {first}" in told


# The demo case, its concession on D1 ending on 30 June 2026.

END = date(2026, 6, 30)
DURING, AFTER = date(2026, 5, 1), date(2026, 7, 1)
NAMES = {"prepared": "A. One", "checked": "B. Two", "approved": "C. Three"}


@pytest.fixture(scope="module")
def ferry(few_draws, remembered, tmp_path_factory):
    source = Path(__file__).parents[2] / "inputs" / "chain-ferry"
    folder = Path(shutil.copytree(source, tmp_path_factory.mktemp("inputs") / "chain-ferry"))
    (folder / "signoff.toml").unlink()
    text = (folder / "case.toml").read_text()
    text, count = re.subn(r"(?m)^until = .*$", f"until = {END}", text)
    assert count == 1
    (folder / "case.toml").write_text(text)
    for role, name in NAMES.items():
        sign(folder, {"role": role, "name": name, "date": DURING}, on=DURING)
    return folder


@pytest.fixture(scope="module")
def decided(ferry):
    case = read_case(ferry)
    return case, assess(case, pages=False)


def test_the_demo_case_says_until_when_it_holds_and_reads_as_expired_after(decided, capsys):
    case, found = decided
    assert found.valid_until == END
    for day, word in ((END, "approved with conditions"), (AFTER, "expired: was approved with "
                                                          "conditions")):  # fmt: skip
        document = json.loads(decision_json(case, found, on=day))
        assert (document["valid_until"], document["standing"]) == (END.isoformat(), word)
        assert document["expired"] is (day == AFTER)
        state = sign_off(case, found, on=day)
        assert reads(found.decision.value, state) == word
        print_assessment(case, found, state)
        assert f"decision: {word}" in capsys.readouterr().out
    answer = answer_of(found.decision.value, state)
    assert answer.word == "Expired: was approved with conditions"
    assert "may not be fitted" in answer.text
    assert any(each.title == "Review after the end of a concession" for each in found.cautions)


def test_a_text_that_no_reader_of_the_decision_takes_is_a_problem_of_the_case(decided):
    case, found = decided
    longest, longer = (
        replace(found, cautions=(Caution(title="T", text="x" * length, computed=True),))
        for length in (20_000, 20_001)
    )
    assert decision_json(case, longest)
    with pytest.raises(CaseError, match=r"cautions number 1 \. text: .* is too long"):
        decision_json(case, longer)


def test_issued_after_the_end_it_is_not_approved_and_says_what_it_was(ferry):
    case = read_case(ferry)
    found = assess(case, AFTER, pages=False)
    state = sign_off(case, found, AFTER)
    assert (found.decision.value, found.valid_until) == ("not approved", END)
    assert "Expired: was approved with conditions" in answer_of("not approved", state).text
    assert reads("not approved", state) == "not approved"
    assert expired("approved") == "expired: was approved"


def test_what_is_signed_is_what_was_seen_and_runs_and_has_come(ferry, tmp_path):
    folder = Path(shutil.copytree(ferry, tmp_path / "chain-ferry"))
    (folder / "signoff.toml").unlink()
    case = read_case(folder)
    digest = sign_off(case, assess(case, pages=False)).digest
    new = {"role": "prepared", "name": "A. One"}

    def refused(words, day, on, **how):
        with pytest.raises(CaseError) as caught:
            sign(folder, new | {"date": day}, on=on, **how)
        assert words in str(caught.value)
        assert not (folder / "signoff.toml").exists()

    refused("the approval ended on 2026-06-30", DURING, AFTER)
    refused("a day that has not come", END, DURING)
    refused("dated before a test", date(2020, 1, 1), DURING)
    refused("an agreement", date(2026, 4, 7), DURING)  # tested by then, and conceded a day later
    refused("inputs, findings or decision are not those", DURING, DURING, digest="0" * 64)
    assert sign(folder, new | {"date": DURING}, on=DURING, digest=digest.upper()).signed[0].holds


def test_a_sign_off_ahead_of_the_clock_is_a_problem_of_the_case(ferry):
    assert read_case(ferry, on=DURING).signed
    with pytest.raises(CaseError, match="a day that has not come"):
        read_case(ferry, on=DURING - timedelta(1))


@pytest.mark.parametrize(
    ("on", "told"),
    [(0, []), (1, []), (-1, ["prepared", "record 'M1'", "record 'M2'", "issued"]), (None, [])],
)
def test_what_is_of_today_has_come(on, told):
    """A test that took several days is dated by its last."""
    day = date(2026, 3, 1)
    records = [SimpleNamespace(id="M1", tested=day, finished=None),
               SimpleNamespace(id="M2", tested=day - timedelta(9), finished=day)]  # fmt: skip
    qualification = SimpleNamespace(record=records, issued=day)
    signed = (SimpleNamespace(role="prepared", date=day),)
    case = SimpleNamespace(qualification=qualification, signed=signed)
    found = [*_ahead(case, None if on is None else day + timedelta(on))]
    assert [each.place for each in found] == told
    assert all(each.what == f"is dated {day}, a day that has not come" for each in found)
