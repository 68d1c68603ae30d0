"""Each question an auditor asks is answered "no" once the case gives reason to."""

import math
import re
import shutil
from datetime import date
from types import SimpleNamespace

import pytest

from dossier import assess, read_case
from dossier.decision.assess import assess_case
from dossier.evidence.requirement import resolve
from dossier.make.decide import limits
from dossier.verification.questions import _on_uncertainty, answers
from tests.small_case import record, requirement, small
from tests.spelled import INPUTS

TODAY = date(2026, 6, 1)


def words(folder, today=TODAY):
    case = read_case(folder)
    return {each.question: each.word for each in answers(case, assess(case, pages=False), today)}


@pytest.fixture(scope="module")
def intact(few_draws, remembered):
    return words(INPUTS / "polder-pumps")


def test_a_sound_case_answers_yes_throughout(intact):
    assert set(intact.values()) == {"yes", "does not apply"}
    assert len(intact) == 18
    nothing = [each for each, word in intact.items() if word == "does not apply"]
    assert len(nothing) == 3
    assert all(re.search("left out|concession|replaces", each) for each in nothing)


@pytest.mark.parametrize(
    ("old", "new", "file", "question"),
    [
        ("due = 2026-12-07", "due = 2026-02-01", "case.toml", "in calibration"),
        ('certificate = "ITH-25-1208 (upstream sensor)"', "", "case.toml", "cite its certificate"),
        ('"ISO 4548-1:1997", "ISO 4548-2', '"ISO 1:1", "ISO 4548-2', "case.toml", "accredited for"),
        ("review_due = 2029-03-31", "review_due = 2026-05-31", "case.toml", "review due"),
        ("revision = 0", "revision = 2", "case.toml", "that it replaces"),
        ('specimens = ["C1", "C2", "C3"]', 'specimens = ["C1", "C2", "C3", "C4"]', "case.toml",
         "planned specimen"),
        ('lots = ["lot 25-311", "lot 25-347"]', "lots = []", "case.toml", "lots of the filters"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_answered_no(old, new, file, question, intact, tmp_path):
    folder = shutil.copytree(INPUTS / "polder-pumps", tmp_path / "polder-pumps")
    text = (folder / file).read_text()
    assert old in text, old
    (folder / file).write_text(text.replace(old, new, 1))
    found = words(folder)
    changed = {key for key in found if found[key] != intact[key]}
    assert {found[key] for key in changed if question in key} == {"no"}
    assert "yes" not in {found[key] for key in changed}


def test_specimens_that_are_named_in_rows_alone_are_accounted_for():
    assert set(words(INPUTS / "canal-locks").values()) == {"yes", "does not apply"}


def test_a_concession_that_has_run_out_is_told():
    before, after = (words(INPUTS / "chain-ferry", day) for day in (TODAY, date(2027, 11, 1)))
    (question,) = [key for key in before if "concession" in key]
    assert (before[question], after[question]) == ("yes", "no")


@pytest.mark.parametrize(
    ("kind", "bound", "u", "probability", "named"),
    [
        ("guard_band", None, math.nan, 0.9, ["E1"]),
        ("guard_band", None, -1.0, 0.9, ["E1"]),
        ("guard_band", None, 0.0, 0.9, []),
        ("guard_band", "at least", math.nan, 0.9, []),
        ("guard_band", None, math.nan, None, []),
    ],
)
def test_a_result_that_was_decided_by_a_probability_has_an_uncertainty(
    kind, bound, u, probability, named
):
    found = SimpleNamespace(
        demand=SimpleNamespace(id="E1"), probability=probability,
        estimate=SimpleNamespace(bound=bound, u=u),
    )  # fmt: skip
    rule = SimpleNamespace(decision_rule=SimpleNamespace(kind=kind))
    case = SimpleNamespace(each=[SimpleNamespace(application=rule)])
    answer = next(_on_uncertainty(case, SimpleNamespace(findings=[found])))
    word = "does not apply" if named is None else "no" if named else "yes"
    assert (answer.word, answer.detail) == (word, "; ".join(named or ()))


@pytest.mark.parametrize(
    ("names", "word"), [(("C1", "C2"), "yes"), (("B1", "B2"), "yes"), (("B1",), "no"),
                        (("C1", "B2"), "no")],
)  # fmt: skip
def test_as_many_others_stand_in_for_specimens_that_a_test_destroys(names, word):
    rows = "".join(f"{name},2000\n" for name in names)
    burst = record("B", "measurement", f"specimen,burst pressure [kPa]\n{rows}")
    wanted = requirement("burst_pressure", min="1000 kPa")
    case = small([burst], [wanted], plan=("C1", "C2"))
    demands, _ = resolve(case.application, "application.toml")
    found = answers(case, assess_case(case, demands, limits(), TODAY, pages=False), TODAY)
    assert [each.word for each in found if "planned specimen" in each.question] == [word]
