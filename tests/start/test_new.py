"""A new case parses with the models that will read it, and misses just what is not known yet."""

import json
import os
import pty
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import pytest

from dossier.case.problems import CaseError
from dossier.make.read import read_case
from dossier.make.request_files import asked_of
from dossier.start.questions import QUESTIONS, applies, refused
from dossier.start.scaffold import write_case

NEEDED = {question.key: question.example for question in QUESTIONS if question.needed}
ALL = {question.key: question.example for question in QUESTIONS if question.key != "extends"}
ARRANGEMENTS = next(question.choices for question in QUESTIONS if question.key == "arrangement")


def answers(base, **more):
    """The examples of the questions, those that apply, with some answers changed."""
    made = base | more
    return {q.key: made[q.key] for q in QUESTIONS if q.key in made and applies(q, made)}


def problems(call):
    with pytest.raises(CaseError) as caught:
        call()
    return {(problem.file, problem.place) for problem in caught.value.problems}


@pytest.mark.parametrize("base", [NEEDED, ALL], ids=["needed", "all"])
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("valve", ["filter", "head", "none"])
def test_only_what_the_laboratory_sends_is_missing(base, arrangement, valve, tmp_path):
    write_case(tmp_path / "new", answers(base, arrangement=arrangement, valve=valve), None)
    missing = problems(lambda: read_case(tmp_path / "new"))
    assert missing == {("case.toml", "record"), ("case.toml", "laboratory")}


def test_answers_arrive_where_they_belong(tmp_path):
    write_case(tmp_path / "new", answers(ALL, arrangement="combined"), None)
    asked, demands = asked_of(tmp_path / "new")
    circuit, duty = asked.application.circuit, asked.application.duty
    assert circuit.rated_flow == pytest.approx(95 / 6e4)
    assert (circuit.bypass_valve.opening.min, circuit.bypass_valve.opening.max) == (150e3, 190e3)
    assert circuit.gallery_pressure == pytest.approx(350e3)
    assert circuit.partial_flow_share == pytest.approx(0.1)
    assert circuit.sump_volume == pytest.approx(0.038)
    assert duty.cold_start == pytest.approx(263.15)
    assert duty.service_interval == pytest.approx(500 * 3600)
    assert duty.life_factor == 1.5
    assert asked.application.equipment == ("PMP-101", "PMP-102")
    assert {demand.id: demand.quantity.name for demand in demands} == {
        "E1": "efficiency", "C1": "retained_capacity", "P1": "clean_pressure_drop",
        "life_factor": "service_life",
    }  # fmt: skip
    assert asked.draft.candidate.part_number == "ALT-7731"
    assert asked.draft.reference.part_number == "REF-2040"


def test_each_missing_answer_names_its_option(tmp_path):
    for key in answers(NEEDED):
        left = {k: text for k, text in answers(NEEDED).items() if k != key}
        found = problems(lambda given=left: write_case(tmp_path / "new", given, None))
        assert ("the call", f"--{key.replace('_', '-')}") in found
        assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("rated_flow", "95"), ("kv40", "110 kPa"), ("size", "20 um"), ("issued", "yesterday"),
        ("efficiency", "0.95"), ("number", "../escape"), ("title", "x" * 151), ("valve", "roof"),
        ("valve_min", "nan kPa"),
    ],
)  # fmt: skip
def test_an_answer_that_is_none_is_refused_by_its_option(key, text, tmp_path):
    found = problems(lambda: write_case(tmp_path / "new", answers(NEEDED, **{key: text}), None))
    assert ("the call", f"--{key.replace('_', '-')}") in found
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("more", "place"),
    [
        ({"cold_start": "95 degC"}, "duty"),
        ({"confidence": "40 %"}, "decision_rule"),
    ],
)
def test_answers_that_do_not_fit_together_write_nothing(more, place, tmp_path):
    found = problems(lambda: write_case(tmp_path / "new", answers(NEEDED, **more), None))
    assert found == {("application.toml", place)}
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("more", "flag"),
    [({"kv100": "120 mm2/s"}, "--kv100"), ({"valve_min": "2 bar"}, "--valve-max")],
)
def test_an_answer_out_of_order_is_told_where_it_is_given(more, flag, tmp_path):
    found = problems(lambda: write_case(tmp_path / "new", answers(NEEDED, **more), None))
    assert ("the call", flag) in found
    assert not (tmp_path / "new").exists()


def test_the_uncertainty_of_the_ingression_is_asked_with_it(tmp_path):
    given = answers(NEEDED, ingression="0.1 g/h")
    del given["ingression_u"]
    found = problems(lambda: write_case(tmp_path / "new", given, None))
    assert ("the call", "--ingression-u") in found
    given = answers(NEEDED) | {"life_factor": "1.5"}
    found = problems(lambda: write_case(tmp_path / "new", given, None))
    assert ("the call", "--life-factor") in found


def test_an_answer_where_it_does_not_apply_is_told(tmp_path):
    given = answers(NEEDED, valve="none") | {"valve_min": "150 kPa"}
    assert problems(lambda: write_case(tmp_path / "new", given, None)) == {
        ("the call", "--valve-min")
    }


@pytest.mark.parametrize("name", ["application.toml", "case.toml"])
def test_nothing_is_ever_overwritten(name, tmp_path):
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("mine")
    before = sorted(tmp_path.rglob("*"))
    found = problems(lambda: write_case(tmp_path, answers(NEEDED), None))
    assert found == {(str(tmp_path / name), "")}
    assert (tmp_path / name).read_text() == "mine"
    assert sorted(tmp_path.rglob("*")) == before


def test_a_link_that_leads_elsewhere_is_not_followed(tmp_path):
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "case.toml").symlink_to(tmp_path / "elsewhere.toml")
    problems(lambda: write_case(tmp_path / "new", answers(NEEDED), None))
    assert not (tmp_path / "elsewhere.toml").exists()


HOSTILE = 'a "quote" \\ back\tslash\nline ] = # 😀'


def test_any_text_stays_text(tmp_path):
    given = answers(NEEDED, title=HOSTILE, source=HOSTILE, candidate="= # ' \" \\")
    write_case(tmp_path / "new", given, None)
    document = tomllib.loads((tmp_path / "new" / "application.toml").read_text(encoding="utf-8"))
    assert document["title"] == HOSTILE
    assert document["requirement"][0]["source"] == HOSTILE


def test_what_no_case_file_may_hold_is_told_and_nothing_written(tmp_path):
    given = answers(NEEDED, title="a \x7f b")
    assert problems(lambda: write_case(tmp_path / "new", given, None)) == {
        ("application.toml", "title"),
        ("case.toml", "title"),
    }
    assert not list(tmp_path.iterdir())


def test_a_person_is_asked_again_and_may_leave_open_what_is_not_known(tmp_path):
    asked = []

    def ask(words):
        asked.append(words)
        key = next(q for q in QUESTIONS if words.endswith(prompt(q)))
        if key.key == "rated_flow" and len([w for w in asked if "Rated flow" in w]) == 1:
            return "95"
        return key.example if key.needed else ""

    write_case(tmp_path / "new", {"number": "FQ-7"}, ask)
    assert not any("Number of the case" in words for words in asked)
    assert any("has no unit" in words or "needs a unit" in words for words in asked)
    assert "# owner" in (tmp_path / "new" / "application.toml").read_text(encoding="utf-8")


def prompt(question):
    form = " | ".join(question.choices) or f"such as {question.example}"
    return f"({form}{'' if question.needed else ', empty if not known yet'})"


def test_every_example_is_understood():
    assert not [q.key for q in QUESTIONS if refused(q, q.example, {})]


def test_every_open_line_says_what_to_write_and_becomes_valid(tmp_path):
    """Each comment that stands for a value of the application parses once it is opened."""
    write_case(tmp_path / "new", answers(NEEDED, arrangement="combined"), None)
    path = tmp_path / "new" / "application.toml"
    text = path.read_text(encoding="utf-8")
    opened = re.sub(r"^# (\w+ = .*)   # not known yet: .*$", r"\1", text, flags=re.M)
    assert opened != text
    path.write_text(opened, encoding="utf-8")
    asked, _ = asked_of(tmp_path / "new")
    assert asked.application.duty.ingression.value > 0
    assert asked.application.circuit.gallery_pressure > 0


def run(*arguments, stdin=subprocess.DEVNULL):
    return subprocess.run(
        [sys.executable, "-m", "dossier", *map(str, arguments)],
        capture_output=True, text=True, stdin=stdin, timeout=120, check=False,
    )  # fmt: skip


def test_without_a_terminal_nothing_is_asked(tmp_path):
    done = run("new", tmp_path / "new", "--number", "FQ-1")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "--rated-flow: is missing" in done.stderr
    assert "--number" not in done.stderr


def test_the_command_says_the_way_to_a_first_dossier(tmp_path):
    flags = [part for k, v in answers(NEEDED).items() for part in (f"--{k.replace('_', '-')}", v)]
    done = run("new", tmp_path / "new", "--yes", *flags)
    assert (done.returncode, done.stderr) == (0, "")
    for words in ("dossier request", "dossier check", "dossier build"):
        assert words in done.stdout


def test_at_a_terminal_it_asks(tmp_path):
    master, slave = pty.openpty()
    given = answers(NEEDED)
    del given["number"]
    flags = [part for k, v in given.items() for part in (f"--{k.replace('_', '-')}", v)]
    os.write(master, b"FQ-9\n" + b"\n" * 40)
    done = run("new", tmp_path / "new", *flags, stdin=slave)
    os.close(master)
    os.close(slave)
    assert done.returncode == 0, done.stderr
    assert "Number of the case" in done.stderr
    assert 'number = "FQ-9"' in (tmp_path / "new" / "case.toml").read_text(encoding="utf-8")


def test_the_schema_that_an_editor_is_pointed_to_fits_the_files(tmp_path):
    write_case(tmp_path / "new", answers(ALL), None)
    for name in ("application.toml", "case.toml"):
        path = tmp_path / "new" / name
        first, *rest = path.read_text(encoding="utf-8").splitlines()
        schema = json.loads((path.parent / first.removeprefix("#:schema ")).read_text())
        jsonschema.Draft202012Validator.check_schema(schema)
        document = json.loads(json.dumps(tomllib.loads("\n".join(rest)), default=str))
        jsonschema.Draft202012Validator(schema).validate(document)
        document["titel"] = "x"
        assert list(jsonschema.Draft202012Validator(schema).iter_errors(document))


def test_a_new_case_needs_no_folder_beside_it(tmp_path):
    write_case(Path(tmp_path / "a" / "b"), answers(NEEDED), None)
    assert (tmp_path / "a" / "b" / "schema").is_dir()


SET = """
title = "Engine X (invented)"
revision = "B"
issued = 2026-01-05
[[requirement]]
id = "X1"
text = "Holds enough"
quantity = "retained_capacity"
min = "30 g"
source = "Clause 1"
severity = "mandatory"
"""


def own_set(folder):
    (folder / "library").mkdir()
    (folder / "library" / "engine-x.toml").write_text(SET, "utf-8")
    return "../library/engine-x.toml"


def beside(tmp_path):
    """The answers that a case needs beside a set."""
    taken = ("size", "efficiency", "basis", "source")
    given = {key: text for key, text in answers(NEEDED).items() if key not in taken}
    return given | {"extends": own_set(tmp_path)}


def test_a_case_takes_its_requirements_from_a_set(tmp_path):
    given = beside(tmp_path)
    write_case(tmp_path / "new", given, None)
    assert [demand.id for demand in asked_of(tmp_path / "new")[1]] == ["X1"]
    given |= {"capacity": "40 g", "source": "Clause 2", "basis": "mean"}
    write_case(tmp_path / "more", given, None)
    assert {demand.id for demand in asked_of(tmp_path / "more")[1]} == {"X1", "C1"}


@pytest.mark.parametrize(
    ("more", "flags"),
    [
        ({"capacity": "40 g"}, {"--basis", "--source"}),
        ({"size": "20 um(c)"}, {"--efficiency", "--basis", "--source"}),
        ({"efficiency": "95 %"}, {"--efficiency"}),
        ({"source": "Clause 2"}, {"--source"}),
    ],
)
def test_beside_a_set_answers_are_asked_for_that_belong_together(more, flags, tmp_path):
    given = beside(tmp_path)
    found = problems(lambda: write_case(tmp_path / "new", given | more, None))
    assert {place for _, place in found} == flags


@pytest.mark.parametrize("path", ["../library/none.toml", "../../x.toml", "/etc/passwd", ".."])
def test_a_set_that_cannot_be_had_is_told_and_nothing_written(path, tmp_path):
    given = beside(tmp_path) | {"extends": path}
    found = problems(lambda: write_case(tmp_path / "new", given, None))
    assert found == {("the call", "--extends")}
    assert not (tmp_path / "new").exists()
