"""Deviations and concessions are held to a sentence, a name and a day that can be right."""

from datetime import date, timedelta

import pytest

from dossier import CaseError, read_case
from dossier.case.seen import says_something
from tests.small_case import TESTED, _toml, _value, record, requirement, write

BURST = "specimen,burst pressure [kPa]\nC1,1900\nC2,1950\n"
SENTENCE = "Bath was three kelvin warm; viscosity was checked."
DEVIATION = {"record": "M1", "text": SENTENCE, "effect": "none", "agreed_by": "Fleet engineering",
             "agreed": TESTED}  # fmt: skip
CONCESSION = {
    "requirement": "Q1",
    "text": "The can is longer; clearance was checked on each.",
    "agreed_by": "Fleet engineering",
    "agreed": TESTED,
    "until": date(2027, 1, 31),
}
BLANKS = (
    "",
    " ",
    "\u200b\u200b\u200b",
    "\u3164\u3164\u3164",
    "\u2800\u2800",
    "\u115f\u1160\u115f",
    "\uffa0",
)


def problems(folder, deviation=(), concession=(), equipment=(), issued=""):
    """Return the lines that a case with these deviations and concessions meets."""
    case = write(folder / "case", [record("M1", "measurement", BURST)],
                 [requirement("burst_pressure", min="1700 kPa")])  # fmt: skip
    tables = [issued, (case / "case.toml").read_text().replace("deviation = []\n", "")]
    for name, given in (("deviation", deviation), ("concession", concession)):
        for one in [given] if isinstance(given, dict) else given:
            tables.append(f"[[{name}]]\n{_toml(one)}")
    (case / "case.toml").write_text("".join(tables))
    asked = case / "application.toml"
    asked.write_text(f"equipment = {_value(equipment)}\n{asked.read_text()}")
    try:
        read_case(case)
    except CaseError as error:
        return str(error)
    return ""


def test_a_whole_deviation_and_concession_are_read(tmp_path):
    assert problems(tmp_path, DEVIATION, CONCESSION) == ""


@pytest.mark.parametrize("key", ["text", "agreed_by", "agreed"])
@pytest.mark.parametrize("effect", ["none", "widens uncertainty", "record excluded"])
def test_a_deviation_lacks_nothing_whatever_its_effect(tmp_path, key, effect):
    given = DEVIATION | {"effect": effect, "cause": "The pump of the rig stopped."}
    given |= {"u": "2 %"} if effect == "widens uncertainty" else {}
    given.pop(key)
    assert f"deviation number 1 . {key}: is missing" in problems(tmp_path, given)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        *(({"agreed_by": name}, r" names nobody") for name in
          (*BLANKS, "X", "X.", "AB", "n/a", "None", "niemand", "xxx", "???")),
        *(({"text": text}, "says nothing") for text in
          (*BLANKS, "ok", "see report", "n/a", "a b c d e f", "x" * 40, "no no no no no no",
                "temperature checked", "ab cd ef gh", "abab baba aabb abba",
           "... --- ...", "\u200b".join("no"))),
        ({"agreed": TESTED - timedelta(1)}, "before the test on 2026-02-02"),
        ({"effect": "record excluded"}, "is no physical cause"),
        ({"effect": "record excluded", "cause": "\u3164" * 9}, "is no physical cause"),
        ({"effect": "widens uncertainty"}, "needs u"),
        ({"effect": "widens uncertainty", "u": "0 %"}, "needs u"),
        ({"effect": "none", "u": "2 %"}, "which effect 'none' does not"),
        ({"record": "M9"}, "names record 'M9', which does not exist"),
        ({"rule": "temperature"}, "'temperature' is no rule for a measurement record"),
        ({"rule": "Calibration in date"}, "did you mean 'calibration in date'"),
        ({"rule": "invented rule"}, "specimens named once"),
    ],
)  # fmt: skip
def test_what_a_deviation_is_refused_for(tmp_path, change, words):
    assert words in problems(tmp_path, DEVIATION | change)


def test_a_deviation_with_a_rule_of_its_record_is_read(tmp_path):
    assert problems(tmp_path, DEVIATION | {"rule": "hold schedule"}) == ""


def test_one_rule_has_one_deviation(tmp_path):
    given = DEVIATION | {"rule": "hold schedule"}
    assert "has 2 deviations" in problems(tmp_path, [given, given])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        *(({"agreed_by": name}, "names nobody") for name in (*BLANKS[2:], "X", "AB")),
        ({"text": "ok ok ok ok ok"}, "says nothing"),
        ({"until": TESTED - timedelta(1)}, "before the day it was agreed on"),
        ({"agreed": date(2026, 1, 4)}, "before the application was issued, 2026-01-05"),
        ({"agreed": date(2026, 1, 20)}, "before the first test, 2026-02-02"),
        ({"machines": ["Pump 1"]}, "cannot be checked: the application names no equipment"),
        ({"requirement": "Q9"}, "names requirement 'Q9', which does not exist"),
    ],
)
def test_what_a_concession_is_refused_for(tmp_path, change, words):
    assert words in problems(tmp_path, concession=CONCESSION | change)


@pytest.mark.parametrize("name", ["Pump 3", "pump 1", "Pump  1", "Pump 1\u200b", "Pump 1 to 8"])
def test_a_machine_is_one_of_the_application(tmp_path, name):
    found = problems(tmp_path, concession=CONCESSION | {"machines": [name]}, equipment=["Pump 1"])
    assert f"machines: {name!r} is outside the application" in found
    assert "'Pump 1'" in found


def test_the_machines_of_the_application_are_taken(tmp_path):
    given = CONCESSION | {"machines": ["Pump 1"]}
    assert problems(tmp_path, concession=given, equipment=["Pump 1", "Pump 2"]) == ""


def test_a_requirement_has_one_concession(tmp_path):
    assert "has 2 concessions" in problems(tmp_path, concession=[CONCESSION, CONCESSION])


def test_what_is_agreed_after_the_issue_belongs_to_the_next_revision(tmp_path):
    given = DEVIATION | {"agreed": date(2026, 3, 2)}
    found = problems(tmp_path, given, issued="issued = 2026-03-01\n")
    assert "after the date of issue, 2026-03-01" in found


def test_every_problem_is_told_at_once(tmp_path):
    bad = DEVIATION | {"text": "ok", "agreed_by": "X", "agreed": date(2026, 1, 1)}
    found = problems(tmp_path, [bad, bad], CONCESSION | {"agreed_by": "Y", "machines": ["Z"]})
    assert found.count("says nothing") == 2
    assert found.count("names nobody") == 3
    assert found.count("before the test") == 2
    assert "cannot be checked" in found


@pytest.mark.parametrize(
    "text", [SENTENCE, "Durchflussmesser vor der Prüfung getauscht.", "泵在试验中停止运转了。"]
)
def test_an_honest_sentence_says_something(text):
    assert says_something(text)
