"""Requirement sets of a library, and evidence of another case: resolved, named, attached."""

import json
import shutil
import tomllib
from datetime import date, time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.case.problems import CaseError
from dossier.case.read import read_case_files
from dossier.case.requested import request_toml, requested
from dossier.case.toml_text import toml_text
from dossier.evidence.requirement import LIFE
from dossier.make.decide import assess, decision_json
from dossier.make.read import read_case
from dossier.make.request_files import asked_of
from dossier.record.dossier_file import dossier_of
from dossier.record.standing import _unasked
from dossier.report.pages.case_pages import _borrowed, application_facts
from tests.spelled import SOURCE

HEAD = 'title = "Pump engines (invented)"\nrevision = "D"\nissued = 2026-01-05\n'


def parted(text):
    """The head of an application, and its requirements by their id."""
    head, *rest = text.split("[[requirement]]")
    return head, {each.split('"')[1]: "[[requirement]]" + each for each in rest}


@pytest.fixture
def case(tmp_path):
    """A demo case that takes all requirements but two from a set beside it."""
    folder = tmp_path / "polder-pumps"
    shutil.copytree(SOURCE / "polder-pumps", folder)
    (folder / "signoff.toml").unlink()
    (folder / "requested.toml").unlink()
    head, parts = parted((folder / "application.toml").read_text("utf-8"))
    own = "".join(parts.pop(name) for name in ("E1", "P3"))
    write(folder.parent / "library" / "engine.toml", HEAD + "".join(parts.values()))
    write(folder / "application.toml", 'extends = "../library/engine.toml"\n' + head + own)
    return folder


def write(path, text):
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, "utf-8")


def edit(path, old, new):
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def refusal(case):
    with pytest.raises(CaseError) as told:
        read_case(case)
    return told.value.problems


def findings(folder):
    document = json.loads(decided(folder)[0])
    return {each["requirement"]: each for each in document["findings"]}


def decided(folder):
    read = read_case(folder)
    return decision_json(read, assess(read, pages=False), date(2026, 3, 30), None), read


def test_a_requirement_decides_the_same_in_a_set_and_names_it(case):
    plain = findings(SOURCE / "polder-pumps")
    shared = findings(case)
    assert shared.keys() == plain.keys()
    for name, each in shared.items():
        suffix = "" if name in {"E1", "P3", LIFE} else " (../library/engine.toml, D)"
        assert each["source"] == plain[name]["source"] + suffix
        assert {**each, "source": ""} == {**plain[name], "source": ""}


def test_a_set_is_bound_attached_and_enough_to_judge_by_what_is_attached(case):
    document, read = decided(case)
    names = [file.name for file in read.inputs]
    assert "library/engine.toml" in names
    assert json.loads(document)["inputs"]["library/engine.toml"]
    files = {file.name: file.content for file in read.inputs} | {"decision.json": document}
    assert not list(_unasked(dossier_of(files, read.name)))
    without = {name: each for name, each in files.items() if "library" not in name}
    assert dossier_of(without, read.name).application is None


def test_a_requirement_that_takes_the_place_of_one_of_a_set_is_named(case):
    own = (case / "application.toml").read_text("utf-8")
    library = case.parent / "library" / "engine.toml"
    stricter = parted(own)[1]["E1"].replace("95 %", "90 %", 1)
    write(library, library.read_text("utf-8") + stricter)
    read = read_case(case)
    assert read.libraries[0].overridden == ("E1",)
    limits = [r.min for r in read.application.requirement if r.id == "E1"]
    assert limits == ["95 %"]
    lines = next(application_facts(read)).value.split("; ")
    assert lines[0] == "Pump engines (invented), revision D of 2026-01-05"
    assert "../library/engine.toml" in lines
    assert lines[-1] == "stated otherwise in this application: E1"


def test_a_change_of_a_set_is_a_change_of_what_was_asked(case):
    edit(case / "application.toml", "issued = 2026-01-19", "issued = 2026-01-06")
    entry = requested((), date(2026, 1, 20), asked_of(case)[0].text.decode(), {})
    (case / "requested.toml").write_bytes(request_toml([entry]))
    assert not read_case(case).on_file.changes
    edit(case.parent / "library" / "engine.toml", 'min = "34 g"', 'min = "30 g"')
    problem = refusal(case)[0]
    assert "34 g" in problem.what
    assert "30 g" in problem.what
    assert problem.place == "revision"
    edit(case / "application.toml", 'revision = "B"', 'revision = "C"')
    edit(case / "application.toml", "issued = 2026-01-06", "issued = 2026-02-01")
    changes = {c.field: (c.before, c.after) for c in read_case(case).on_file.changes}
    assert changes["requirement 'C1' . min"] == ("34 g", "30 g")


BROKEN = {
    "no such file": (lambda c: (c.parent / "library" / "engine.toml").unlink(), "application.toml",
                     "../library/engine.toml", "No such file"),
    "no TOML": (lambda c: write(c.parent / "library" / "engine.toml", "a = "),
                "../library/engine.toml", "", "not valid TOML"),
    "extends another": (lambda c: edit(c.parent / "library" / "engine.toml", HEAD,
                                       HEAD + 'extends = "other.toml"\n'),
                        "../library/engine.toml", "extends", "not a key"),
    "a limit too many": (lambda c: edit(c.parent / "library" / "engine.toml", 'min = "34 g"',
                                        'min = "34 g"\nmax = "40 g"'),
                         "../library/engine.toml", "requirement 'C1'", "exactly one of"),
    "a quantity that is none": (lambda c: edit(c.parent / "library" / "engine.toml",
                                               '"lowest_efficiency"', '"lowest"'),
                                "../library/engine.toml", "requirement 'E3'", "lowest"),
    "no severity": (lambda c: edit(c.parent / "library" / "engine.toml",
                                   'min = 40\nsource = "Wish of the bearing workshop, note 12"\n'
                                   'severity = "advisory"', 'min = 40\nsource = "Wish"'),
                    "../library/engine.toml", "requirement 'E4' . severity", "is missing"),
    "one id in two sets": (lambda c: (shutil.copy(c.parent / "library" / "engine.toml",
                                                  c.parent / "library" / "two.toml"),
                                      edit(c.parent / "library" / "two.toml", '"D"', '"E"'),
                                      edit(c / "application.toml", '"../library/engine.toml"',
                                           '["../library/engine.toml", "../library/two.toml"]')),
                           "../library/two.toml", "requirement 'E2'", "stands in"),
    "no list of names": (lambda c: edit(c / "application.toml", '"../library/engine.toml"', "7"),
                         "application.toml", "extends", "no path"),
    "out of the inputs": (lambda c: edit(c / "application.toml", "../library", "../../library"),
                          "application.toml", "../../library/engine.toml", "leads out of"),
    "a link that leads out": (lambda c: linked(c.parent / "library" / "engine.toml"),
                              "application.toml", "../library/engine.toml", "leads out of"),
}  # fmt: skip


def linked(path):
    outside = path.parent.parent.parent / f"{path.parent.parent.name}.toml"
    path.rename(outside)
    path.symlink_to(outside)


@pytest.mark.parametrize("name", BROKEN)
def test_what_is_wrong_with_a_set_is_told_where_it_stands(name, case):
    spoil, file, place, words = BROKEN[name]
    spoil(case)
    found = [p for p in refusal(case) if (p.file, p.place) == (file, place) and words in p.what]
    assert found, refusal(case)


def test_evidence_of_another_case_is_read_named_and_attached(tmp_path):
    for name in ("polder-pumps", "chain-ferry"):
        shutil.copytree(SOURCE / name, tmp_path / name)
    case, other = tmp_path / "polder-pumps", tmp_path / "other-case"
    (tmp_path / "chain-ferry").rename(other)
    (other / "records" / "bv-x.csv").write_bytes((case / "records" / "bv-c.csv").read_bytes())
    (case / "records" / "bv-c.csv").unlink()
    edit(case / "runs.csv", "records/bv-c.csv", "../other-case/records/bv-x.csv")
    shutil.move(case / "instruments.csv", other / "tools.csv")
    edit(case / "case.toml", '"instruments.csv"', '"../other-case/tools.csv"')
    read = read_case_files(case)
    names = {file.name for file in read.inputs}
    assert {"other-case/records/bv-x.csv", "other-case/tools.csv"} <= names
    assert "other-case/case.toml" not in names  # what is not read is not attached
    assert list(_borrowed(read)) == ["From case other-case: BV-C, tools.csv."]


values = st.recursive(
    st.one_of(st.text(), st.integers(-(2**62), 2**62), st.booleans(), st.dates(),
              st.floats(allow_nan=False, allow_infinity=False)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=12,
)  # fmt: skip


@given(st.dictionaries(st.text(), values, max_size=5))
def test_any_document_is_written_as_toml_that_says_the_same(document):
    assert tomllib.loads(toml_text(document)) == document


def test_times_are_written_as_such():
    assert tomllib.loads(toml_text({"at": time(9, 14), "on": Path("x").name})) == {
        "at": time(9, 14), "on": "x"
    }  # fmt: skip
