"""A sign-off is bound to what was signed: order, people, dates, digest."""

import hashlib
import json
import shutil
from dataclasses import replace
from datetime import date, timedelta

import pytest
from confusable_homoglyphs.confusables import confusables_data

from dossier import CaseError, assess, read_case, sign
from dossier.case.agreed import SignOffEntry
from dossier.evidence.statistics.combine import with_trials
from dossier.make.decide import decision_json, sign_off
from dossier.record.signoff import (
    LEFT_OUT,
    SAID,
    ZONES,
    Days,
    content_digest,
    judge_sign_offs,
    same_person,
)
from dossier.report.signing import ROLES
from tests.archive import sealed
from tests.small_case import record, small

DAY = date(2026, 3, 30)
DIGEST = "a" * 64


def entry(role, name, day=DAY, digest=DIGEST):
    meaning = "I stand for it."
    return SignOffEntry(role=role, name=name, meaning=meaning, date=day, digest=digest)


def three(**changes):
    given = {role: entry(role, f"Person {role}") for role in ROLES} | changes
    return [given[role] for role in ROLES if given[role]]


def holds(entries, roles=ROLES, digest=DIGEST, tested=DAY, **days):
    return {
        each.role: each.holds
        for each in judge_sign_offs(entries, roles, digest, Days(tested, **days))
    }


def test_three_in_order_hold():
    assert holds(three()) == dict.fromkeys(ROLES, True)


def test_another_digest_voids_all():
    assert holds(three(), digest="b" * 64) == dict.fromkeys(ROLES, False)


def test_what_comes_after_a_void_one_is_void_too():
    void = three(prepared=entry("prepared", "Person prepared", digest="b" * 64))
    assert holds(void) == dict.fromkeys(ROLES, False)
    late = three(checked=entry("checked", "Person", day=DAY - timedelta(days=1)))
    assert holds(late) == {"prepared": True, "checked": False, "approved": False}


def test_the_approver_is_not_the_preparer_however_it_is_written():
    same = three(approved=entry("approved", "PERSON  prepared."))
    assert holds(same) == {"prepared": True, "checked": True, "approved": False}
    own = three(checked=entry("checked", "Person prepared"))
    assert holds(own) == dict.fromkeys(ROLES, True)


@pytest.mark.parametrize("nobody", ["\u200b\u200b\u200b", "n. a.", "--"])
def test_whoever_signs_is_named(nobody):
    assert not any(holds(three(prepared=entry("prepared", nobody))).values())


def test_no_sign_off_before_the_last_test():
    assert not any(holds(three(), tested=DAY + timedelta(days=1)).values())


def test_a_role_that_is_not_asked_for_does_not_hold():
    assert holds([*three(), entry("witnessed", "W. Person")])["witnessed"] is False


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("A. Person", "a  person", True),
        ("A. Pers\u200bon", "A. Person", True),
        ("Person, Anna-Maria", "Anna Maria Person", True),
        ("A. Person", "B. Person", False),
        ("Person, Anna", "Person, Berta", False),
        ("Anna Person", "Dr. Anna Person", True),
        ("Anna Person", "A. Person", True),
        ("Anna Person (tester)", "Anna Person (head)", True),
        ("Anna Person, tester", "Anna Person, head", True),
        ("Tester (invented)", "Head of pumps (invented)", False),
        ("Jürgen Bär", "Juergen Baer", True),
        ("Åse Müller-Lie", "Aase Muller Lie", True),
        ("Anna Person", "anna_person", True),
        ("Anna Person", "AnnaPerson", True),
        ("Anna Person", "Anna Personne", False),
        ("Reviewer 2", "Reviewer 21", False),
    ],
)
def test_names_are_compared_as_a_reader_would(one, other, same):
    assert same_person(one, other) is same


def test_every_plain_letter_is_told_as_the_one_that_the_table_says_it_looks_like():
    """By the table of UTS 39: what is told apart without it would be told apart with it."""
    plain = [chr(code) for code in range(33, 127)]
    alike = [(one, each["c"]) for one in plain for each in confusables_data.get(one, ())]
    pairs = [(one, other) for one, other in alike if other.isascii() and other.isalnum()]
    assert len(pairs) > 6
    for one, other in pairs:
        assert same_person(f"Kap{one}er Dent", f"Dent, Kap{other}er")


def test_the_digest_is_that_of_the_canonical_form():
    """RFC 8785 orders keys and writes 1.0 as 1; example of its kind worked by hand."""
    document = {"b": [1.0, 2e-3], "a": {"ö": None, "z": True}, "versions": {"x": "1"}}
    text = '{"a":{"z":true,"ö":null},"b":[1,0.002]}'
    assert content_digest(document) == hashlib.sha256(text.encode()).hexdigest()


def test_versions_and_the_sign_off_itself_are_not_bound_but_all_else_is():
    case = read_case(sealed.INPUTS / "polder-pumps")
    document = json.loads(decision_json(case, assess(case)))
    whole = content_digest(document)
    for key in document:
        others = {"inputs": {"another": "0"}, "stated": {"another": "0"}, "records": []}
        changed = document | {key: others.get(key, "another")}
        assert (content_digest(changed) == whole) is (key in LEFT_OUT), key


@pytest.fixture
def in_german(tmp_path):
    """A short case, and the same in German on the other paper."""
    folder = sealed.short_case(tmp_path)
    case, told = folder / "case.toml", tmp_path / "other" / folder.name
    shutil.copytree(folder, told)
    (told / "case.toml").write_text(f'language = "de"\npaper = "US Letter"\n{case.read_text()}')
    return folder, told


def test_another_language_and_another_paper_leave_sign_offs_standing(in_german):
    one, other = map(state_of, in_german)
    assert one.complete
    assert other.complete
    assert one.digest == other.digest


def test_what_else_case_toml_states_is_bound(in_german):
    case = in_german[1] / "case.toml"
    case.write_text(case.read_text().replace('purpose = "', 'purpose = "Another: '))
    assert not state_of(in_german[1]).complete


def test_a_folder_of_another_name_leaves_sign_offs_standing_and_nothing_else_does(folder):
    """Not one of those given when its name was bound; nor where a path leads to another file."""
    first = state_of(folder)
    other = folder.rename(folder.with_name("a (b) [c]"))
    assert state_of(other) == first
    case = read_case(other)
    document = json.loads(decision_json(case, assess(case)))
    before = content_digest(document, folder=True)
    text = (other / "signoff.toml").read_text("utf-8")
    (other / "signoff.toml").write_text(text.replace(first.digest, before), "utf-8")
    assert (state_of(other).complete, state_of(other).digest) == (True, before)
    assert not state_of(other.rename(folder)).complete
    assert state_of(folder).digest == first.digest
    for key, change in (
        ("case", lambda head: head | {"number": "X"}),
        ("case", lambda head: head | {"revision": 1}),
        ("inputs", lambda files: files | {"elsewhere/a.csv": "0" * 64}),
        ("inputs", lambda files: {n.replace(f"{other.name}/rec", "rec"): files[n] for n in files}),
        ("records", lambda rows: [rows[0] | {"file": rows[1]["file"]}, *rows[1:]]),
        ("records", lambda r: [r[0] | {"file": r[0]["file"].replace(other.name, "x")}, *r[1:]]),
    ):  # fmt: skip
        assert content_digest(document | {key: change(document[key])}) != first.digest


@pytest.mark.parametrize(("part", "key"), [(p, k) for p, keys in SAID.items() for k in keys])
def test_only_sentences_of_a_part_are_not_bound(part, key):
    document = {part: [{key: "said", "number": 1.0}], "case": {key: "said"}}
    whole = content_digest(document)
    assert content_digest(document | {part: [{key: "better", "number": 1.0}]}) == whole
    assert content_digest(document | {part: [{key: "said", "number": 2.0}]}) != whole
    assert content_digest(document | {"case": {key: "better"}}) != whole


@pytest.fixture
def folder(tmp_path):
    return sealed.short_case(tmp_path)


def state_of(folder):
    case = read_case(folder)
    return sign_off(case, assess(case))


def test_a_changed_input_voids_and_the_dossier_is_a_draft_again(folder):
    assert state_of(folder).complete
    record = folder / "records" / "pd-c1.csv"
    record.write_text(record.read_text() + "# a remark\n")
    state = state_of(folder)
    assert not state.complete
    assert state.signed[0].note.startswith("inputs or findings have changed")
    case = read_case(folder)
    document = json.loads(decision_json(case, assess(case)))
    assert (document["standing"], document["signed"]) == ("draft", False)
    assert document["decision"] == "approved"
    done = sealed.run("check", folder)
    assert "no leave to fit the filter" in done.stdout.splitlines()[-1]
    assert "decision: approved" not in done.stdout
    sealed.sign_all(folder)
    assert state_of(folder).complete


def test_the_commands_show_what_is_bound_and_sign_nothing_else(folder):
    (folder / "signoff.toml").unlink()
    digest = state_of(folder).digest
    given = ("sign", folder, "--role", "prepared", "--name", "A. Person", "--date", DAY)
    done = sealed.run(*given, "--digest", "0" * 64)
    assert done.returncode == 2
    assert "not those that were seen" in done.stderr
    assert not (folder / "signoff.toml").exists()
    done = sealed.run(*given, "--digest", digest)
    assert done.returncode == 0
    for words in ("calculated: approved", "1 mandatory pass", "valid until 2029-03-31", digest):
        assert words in done.stdout, words
    assert f"digest that sign-offs bind: {digest}" in sealed.run("check", folder).stdout


def refused(folder, words, **given):
    with pytest.raises(CaseError) as caught:
        sign(folder, {"date": DAY, **given})
    assert words in str(caught.value), str(caught.value)


def test_the_command_refuses_what_would_not_hold(folder):
    refused(folder, "is signed by", role="prepared", name="Another (invented)")
    refused(folder, "no role of this case", role="witnessed", name="W. Ness", meaning="I saw it.")
    (folder / "signoff.toml").unlink()
    refused(folder, "no sign-off 'prepared' stands before it", role="checked", name="Some Body")
    sign(folder, {"role": "prepared", "name": "Some Body", "date": DAY})
    sign(folder, {"role": "checked", "name": "Some Body", "date": DAY})
    refused(folder, "may be that of the preparer", role="approved", name="some body")
    early = DAY - timedelta(days=1)
    refused(folder, "dated before", role="approved", name="Other Body", date=early)


def test_roles_come_from_the_case_and_a_concession_needs_the_approver(tmp_path):
    folder = sealed.short_case(tmp_path)
    case = folder / "case.toml"
    case.write_text(case.read_text() + '\n[signoff]\nroles = ["prepared", "released"]\n')
    (folder / "signoff.toml").unlink()
    sign(folder, {"role": "prepared", "name": "Some Body", "date": DAY})
    refused(folder, "has no usual meaning", role="released", name="Other Body")
    given = {"role": "released", "name": "Other Body", "meaning": "I release it.", "date": DAY}
    assert sign(folder, given).complete
    assert "approved" in sign_off_of_ferry(tmp_path).roles


def sign_off_of_ferry(tmp_path):
    import shutil

    folder = shutil.copytree(sealed.INPUTS / "chain-ferry", tmp_path / "chain-ferry")
    (folder / "signoff.toml").unlink(missing_ok=True)
    case = folder / "case.toml"
    case.write_text(case.read_text() + '\n[signoff]\nroles = ["prepared"]\n')
    with with_trials(2000):
        return state_of(folder)


def test_a_damaged_file_of_sign_offs_is_a_problem_with_its_place(folder):
    (folder / "signoff.toml").write_text('[[signed]]\nrole = "prepared"\n')
    with pytest.raises(CaseError) as caught:
        read_case(folder)
    assert "signoff.toml: signed number 1 . name: is missing" in str(caught.value)


def test_a_day_of_issue_that_has_not_come_carries_no_sign_off():
    entries = [entry("prepared", "A. Person")]
    days = Days(DAY, today=DAY, issued=DAY + timedelta(1))
    (found,) = judge_sign_offs(entries, ("prepared",), DIGEST, days)
    assert "a day that has not come" in found.note
    (found,) = judge_sign_offs(entries, ("prepared",), DIGEST, replace(days, ahead=ZONES))
    assert found.holds


def test_another_day_of_issue_has_to_fit_the_case_as_its_own_would():
    case = small([record("BU", "measurement", "specimen,burst pressure [kPa]\nC1,2000\n")])
    with pytest.raises(CaseError, match="before the last test"):
        assess(case, date(2020, 1, 1))
