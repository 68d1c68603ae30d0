"""What was asked of laboratories is kept, and what changes afterwards shows."""

import re
from datetime import date

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from typer.testing import CliRunner

from dossier import CaseError, assess, read_case
from dossier.case.requested import (
    FieldChange,
    OnFile,
    field_changes,
    on_file_together,
    request_toml,
    requested,
    requests_of,
)
from dossier.case.toml_text import parse_toml
from dossier.command.cli import app
from dossier.make.decide import decision_json
from dossier.make.request_files import asked_of, filed
from tests.small_case import TESTED, record, requirement, write

ASKED = date(2026, 1, 12)
"""After the application (2026-01-05) and before the test (2026-02-02)."""
BURST = "specimen,burst pressure [kPa]\nC1,1900\nC2,1950\n"
NOW = date(2026, 3, 1)
STRONG = requirement("burst_pressure", "Q1", min="1700 kPa")
TOO_STRONG = requirement("burst_pressure", "Q2", min="2500 kPa")
SENTENCE = "The housing carries no pressure in this machine."


def case_of(folder, *requirements):
    return write(folder / "case", [record("M1", "measurement", BURST)], requirements)


def ask(folder, day=ASKED, *, tests=False):
    """Put the application of a case on file on that day; without `tests`, as before there are."""
    case = folder / "case.toml"
    kept = case.read_bytes()
    if not tests:
        case.unlink()
    try:
        content = filed(asked_of(folder)[0], day)
    finally:
        case.write_bytes(kept)
    if content is not None:
        (folder / "requested.toml").write_bytes(content)
    return content


def revise(folder, *edits, revision="B", issued="2026-02-20"):
    path = folder / "application.toml"
    text = path.read_text()
    for old, new in (('revision = "A"', f'revision = "{revision}"'),
                     ("issued = 2026-01-05", f"issued = {issued}"), *edits):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)


def refused(folder):
    with pytest.raises(CaseError) as caught:
        read_case(folder)
    return str(caught.value)


def conditions(folder):
    return {(c.kind, c.subject): c.text for c in assess(read_case(folder), NOW).conditions}


def decision(folder):
    return assess(read_case(folder), NOW).decision.value


def test_what_was_asked_is_on_file_and_unchanged(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    case = read_case(folder)
    assert (case.on_file.since, case.on_file.changes, case.on_file.late) == (ASKED, (), False)
    assert "case/requested.toml" in {each.name for each in case.inputs}
    assert decision(folder) == "approved"


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"], include_characters="\n\r\t")),
       st.dates())  # fmt: skip
@example('x = """a\\\\"b""" \r\n"', ASKED)
def test_a_copy_is_read_back_as_it_was(text, day):
    (back,) = parse_toml(request_toml([requested((), day, text, {})]))["request"]
    assert (back["application"], back["day"]) == (text, day)


def test_without_a_request_nothing_shows_and_the_dossier_says_so(tmp_path):
    folder = case_of(tmp_path, STRONG)
    made = assess(read_case(folder), NOW)
    assert made.decision.value == "approved"
    assert "Requirements not on file" in [each.title for each in made.cautions]
    assert b'"on_file": null' in decision_json(read_case(folder), made, NOW)


def test_asking_the_same_again_keeps_the_day(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    assert ask(folder, date(2026, 1, 20)) is None
    with (folder / "application.toml").open("a") as file:
        file.write("# a remark\n")
    assert ask(folder, date(2026, 1, 20)) is None


def test_a_further_request_is_added_and_the_last_before_the_tests_counts(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    revise(folder, ("1700", "1600"), issued="2026-01-14")
    ask(folder, date(2026, 1, 15))
    assert (folder / "requested.toml").read_text().count("[[request]]") == 2
    assert read_case(folder).on_file.since == date(2026, 1, 15)
    assert decision(folder) == "approved"


def test_a_request_after_the_tests_does_not_stand_in_for_one_before(tmp_path):
    folder = case_of(tmp_path, TOO_STRONG)
    ask(folder)
    assert decision(folder) == "not approved"
    revise(folder, ("2500", "1700"))
    ask(folder, date(2026, 2, 21))
    assert read_case(folder).on_file.since == ASKED
    assert decision(folder) == "approved with conditions"
    assert "min: 2500 kPa → 1700 kPa" in conditions(folder)["changed requirement", "Q2"]


def test_a_request_after_the_first_test_is_a_condition(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder, date(2026, 2, 21))
    assert "after the first test on 2026-02-02" in conditions(folder)["late request", ""]
    assert decision(folder) == "approved with conditions"


def test_a_request_is_not_dated_before_tests_that_the_case_names(tmp_path):
    folder = case_of(tmp_path, STRONG)
    for day in (ASKED, TESTED):
        with pytest.raises(CaseError, match="names tests up to 2026-02-02"):
            ask(folder, day, tests=True)
    assert ask(folder, date(2026, 2, 3), tests=True)


def test_a_request_is_not_dated_before_the_application_or_the_last_request(tmp_path):
    folder = case_of(tmp_path, STRONG)
    with pytest.raises(CaseError, match="before the application that it asks for, 2026-01-05"):
        ask(folder, date(2026, 1, 4))
    ask(folder)
    revise(folder, ("1700", "1600"), issued="2026-01-12")
    with pytest.raises(CaseError, match="before the request that precedes it"):
        ask(folder, date(2026, 1, 11))


@pytest.mark.parametrize(
    ("revision", "issued", "words"),
    [
        ("A", "2026-01-05", "revision: is 'A', as on 2026-01-12"),
        ("A", "2026-02-20", "revision: is 'A', as on 2026-01-12"),
        (" a\u200b", "2026-02-20", "as on 2026-01-12"),
        ("B", "2026-01-05", "issued: is 2026-01-05, but on 2026-01-12 something else was asked"),
    ],
)
def test_a_change_that_keeps_letter_or_date_is_refused(tmp_path, revision, issued, words):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    revise(folder, ("1700", "1600"), revision=revision, issued=issued)
    found = refused(folder)
    assert words in found
    assert "requirement 'Q1' . min: 1700 kPa → 1600 kPa" in found
    with pytest.raises(CaseError, match="raise the revision"):
        ask(folder, date(2026, 3, 1))


def test_to_go_back_to_an_earlier_revision_is_a_revision(tmp_path):
    folder = case_of(tmp_path, STRONG)
    first = (folder / "application.toml").read_bytes()
    ask(folder)
    revise(folder, ("1700", "1600"), issued="2026-01-14")
    ask(folder, date(2026, 1, 15))
    (folder / "application.toml").write_bytes(first)
    assert "on 2026-01-15 something else was asked" in refused(folder)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("day = 2026-01-12", "day = 2026-01-13"),
        ("1700 kPa", "1600 kPa"),
        ("# Written by", "application = 5\n#"),
        ("[[request]]", "[[requests]]"),
        ("application = ", "more = 1\napplication = "),
    ],
)
def test_a_file_changed_by_hand_is_refused(tmp_path, old, new):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    path = folder / "requested.toml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    assert "requested.toml: " in refused(folder)


def test_a_request_taken_from_the_front_shows(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    revise(folder, ("1700", "1600"), issued="2026-01-14")
    ask(folder, date(2026, 1, 15))
    head, _, last = (folder / "requested.toml").read_text().split("[[request]]")
    (folder / "requested.toml").write_text(f"{head}[[request]]{last}")
    assert "request number 1 . digest: is not that of its day and copy" in refused(folder)


def test_a_copy_that_is_no_application_is_refused(tmp_path):
    folder = case_of(tmp_path, STRONG)
    for text in ("title = 3", "title = ", "\x00"):
        (folder / "requested.toml").write_bytes(request_toml([requested((), ASKED, text, {})]))
        assert "requested.toml" in refused(folder)


@pytest.mark.parametrize("new", ['min = "1700 kPa"', 'max = "2500 kPa"'])
def test_a_change_that_helps_is_a_condition(tmp_path, new):
    folder = case_of(tmp_path, STRONG, TOO_STRONG)
    ask(folder)
    assert decision(folder) == "not approved"
    revise(folder, ('min = "2500 kPa"', new))
    assert set(conditions(folder)) == {("changed requirement", "Q2")}
    assert decision(folder) == "approved with conditions"


def test_a_change_that_helps_no_verdict_is_named_and_no_condition(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    revise(folder, ("1700", "1750"))
    assert decision(folder) == "approved"
    assert [c.field for c in read_case(folder).on_file.changes] == [
        "revision", "issued", "requirement 'Q1' . min",
    ]  # fmt: skip


def test_a_requirement_that_is_gone_or_renamed_is_a_condition(tmp_path):
    folder = case_of(tmp_path, STRONG, TOO_STRONG)
    ask(folder)
    text = (folder / "application.toml").read_text()
    gone = re.sub(r', \{ id = "Q2".*\}\]', "]", text)
    assert gone != text
    (folder / "application.toml").write_text(gone)
    revise(folder)
    assert "no longer asked" in conditions(folder)["changed requirement", "Q2"]
    (folder / "application.toml").write_text(text.replace('"Q2"', '"Q3"'))
    revise(folder)
    assert ("changed requirement", "Q2") in conditions(folder)


def test_a_life_factor_that_is_dropped_is_a_condition(tmp_path):
    folder = case_of(tmp_path, STRONG)
    path = folder / "application.toml"
    plain = path.read_text()
    path.write_text(plain.replace("service_interval", "life_factor = 1.5, service_interval"))
    ask(folder)
    path.write_text(plain)
    revise(folder)
    assert ("changed requirement", "life_factor") in conditions(folder)


def test_a_softer_decision_rule_is_a_condition(tmp_path):
    near = requirement("burst_pressure", "Q1", min="1890 kPa")
    folder = case_of(tmp_path, near)
    ask(folder)
    before = decision(folder)
    revise(folder, ('kind = "guard_band"', 'kind = "simple_acceptance"'))
    assert (before, decision(folder)) == ("not approved", "approved with conditions")
    text = conditions(folder)["changed requirement", "Q1"]
    assert "decision_rule . kind: guard_band → simple_acceptance" in text


def test_an_application_from_after_the_tests_is_a_condition_where_no_request_is_older(tmp_path):
    folder = case_of(tmp_path, STRONG)
    revise(folder)
    assert "issued 2026-02-20, after the first test" in conditions(folder)["late request", ""]
    assert decision(folder) == "approved with conditions"


@pytest.mark.parametrize("when", ["before", "after", "never"])
@pytest.mark.parametrize("reason", [SENTENCE, "no", "\u3164" * 20])
def test_not_applicable_is_a_condition_unless_said_why_before_the_tests(tmp_path, when, reason):
    extra = TOO_STRONG | {"not_applicable": reason}
    folder = case_of(tmp_path, STRONG, extra if when == "before" else TOO_STRONG)
    if when != "never":
        ask(folder)
    if when != "before":
        case_of(tmp_path / "other", STRONG, extra)
        new = (tmp_path / "other" / "case" / "application.toml").read_bytes()
        (folder / "application.toml").write_bytes(new)
        revise(folder)
    honest = when == "before" and reason == SENTENCE
    assert (("not applicable", "Q2") in conditions(folder)) != honest
    assert decision(folder) == ("approved" if honest else "approved with conditions")


@pytest.mark.parametrize("when", ["before", "after", "never"])
def test_advisory_is_a_condition_unless_it_was_so_before_the_tests(tmp_path, when):
    advisory = TOO_STRONG | {"severity": "advisory"}
    folder = case_of(tmp_path, STRONG, advisory if when == "before" else TOO_STRONG)
    if when != "never":
        ask(folder)
    if when != "before":
        case_of(tmp_path / "other", STRONG, advisory)
        new = (tmp_path / "other" / "case" / "application.toml").read_bytes()
        (folder / "application.toml").write_bytes(new)
        revise(folder)
    assert (("advisory", "Q2") in conditions(folder)) == (when != "before")


def test_a_new_advisory_requirement_takes_nothing_away(tmp_path):
    folder = case_of(tmp_path, STRONG)
    ask(folder)
    case_of(tmp_path / "other", STRONG, TOO_STRONG | {"severity": "advisory"})
    new = (tmp_path / "other" / "case" / "application.toml").read_bytes()
    (folder / "application.toml").write_bytes(new)
    revise(folder)
    assert conditions(folder) == {}


def test_fields_are_named_by_requirement():
    before = {"a": {"b": "1 h"}, "requirement": [{"id": "E", "min": 1}, {"id": "F", "text": "f"}]}
    after = {
        "a": {"b": "2 h", "c": 1},
        "requirement": [{"id": "G", "text": "g"}, {"id": "E", "text": "e"}],
    }
    assert [(c.field, c.before, c.after) for c in field_changes(before, after)] == [
        ("a . b", "1 h", "2 h"),
        ("requirement 'E' . min", "1", None),
        ("requirement 'F'", "f", None),
        ("a . c", None, "1"),
        ("requirement 'G'", None, "g"),
        ("requirement 'E' . text", None, "e"),
    ]


def test_the_command_puts_what_is_asked_on_file_with_the_day(tmp_path):
    looked = requirement("statement", at={"characteristic": "can"}, must_hold=True)
    folder = case_of(tmp_path, looked)
    (folder / "case.toml").unlink()
    shell = CliRunner()
    asked = ["request", str(folder), "--yes", "--issued", "2026-01-12", "--out"]
    done = shell.invoke(app, [*asked, str(tmp_path / "a")])
    assert done.exit_code == 0, done.output + str(done.exception)
    assert str(folder / "requested.toml") in done.output.replace("\n", "")
    today = date.today()  # noqa: DTZ011
    assert f"day = {today}" in (folder / "requested.toml").read_text()  # not that of the pages
    assert "specimens = { candidate = [" in (folder / "requested.toml").read_text()
    again = shell.invoke(app, [*asked, str(tmp_path / "b")])
    assert f"on file since {today}, unchanged" in again.output
    (folder / "requested.toml").unlink()
    late = shell.invoke(app, [*asked[:4], "9999-01-12"])
    assert (late.exit_code, (folder / "requested.toml").exists()) == (2, False)
    shell.invoke(app, ["request", str(folder), "--yes", "--out", str(tmp_path / "c")])
    assert f"day = {today}" in (folder / "requested.toml").read_text()


def test_the_plan_of_specimens_is_on_file_with_what_is_asked(tmp_path):
    folder = case_of(tmp_path, STRONG)
    (folder / "case.toml").rename(tmp_path / "case.toml")
    plan = {"candidate": ["C 1", "C2"], "reference": []}
    content = filed(asked_of(folder)[0], ASKED, plan)
    (folder / "requested.toml").write_bytes(content)
    assert filed(asked_of(folder)[0], ASKED, plan) is None
    more = filed(asked_of(folder)[0], ASKED, plan | {"reference": ["R1"]})
    assert more.count(b"[[request]]") == 2
    (tmp_path / "case.toml").rename(folder / "case.toml")
    assert filed(asked_of(folder)[0], NOW, {"candidate": ["C1"]}) is None  # tests are named
    assert read_case(folder).on_file.planned == {"candidate": ("C 1", "C2")}
    (folder / "requested.toml").write_bytes(content.replace(b'"C 1", ', b""))
    with pytest.raises(CaseError, match="changed after it was written"):
        read_case(folder)


def test_applications_are_on_file_together_once_each_is():
    def since(day, *fields):
        changes = tuple(FieldChange(each, None, "x") for each in fields)
        return OnFile(since=day, first_test=TESTED, application=None, changes=changes)

    both = on_file_together({"a": since(ASKED, "oil . kv40"), "b": since(NOW)})
    assert both.since == NOW
    assert both.late
    assert [change.field for change in both.changes] == ["a . oil . kv40"]
    assert on_file_together({"a": since(ASKED), "b": None}) is None
    assert on_file_together({}) is None


def test_a_request_that_cannot_be_read_is_that_of_no_application():
    entry = requested((), ASKED, "title = ", {})
    assert requests_of((entry,), "Circuit (invented)", alone=False) == ()
    assert requests_of((entry,), "Circuit (invented)", alone=True) == (entry,)
