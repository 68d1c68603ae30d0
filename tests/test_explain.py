"""`dossier explain` says everything that is declared of a quantity, and its examples parse."""

import subprocess
import sys
import tomllib
from datetime import date

import pytest

from dossier.case.application import Application
from dossier.command.starting import all_listed, meaning_of, nearest
from dossier.evidence.quantities import all_quantities
from dossier.evidence.requirement import resolve
from tests.small_case import application


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "dossier", "explain", *arguments],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip


@pytest.mark.parametrize("name", all_quantities())
def test_everything_declared_is_said(name):
    declared, text = all_quantities()[name], meaning_of(name)
    words = [declared.meaning, declared.formula, declared.standard, *declared.records]
    words += [condition.name for condition in declared.conditions]
    assert all(each in text for each in words)


@pytest.mark.parametrize("name", all_quantities())
def test_the_example_is_a_requirement_that_resolves(name):
    example = tomllib.loads(meaning_of(name).partition("\n\n[[requirement]]\n")[2])
    document = application([example | {"severity": "mandatory"}])
    document["duty"]["ingression"] = "0.1 g/h"
    if all_quantities()[name].of_fine_path:
        document["circuit"]["arrangement"] = "full_and_partial_flow"
    demands, problems = resolve(Application.model_validate(document), "x")
    assert not problems
    assert demands[0].quantity.name == name
    assert isinstance(document["issued"], date)


def test_the_list_names_every_quantity_once():
    lines = [line.split()[0] for line in all_listed().splitlines() if line]
    assert lines[:-1] == list(all_quantities())


def test_a_near_miss_gets_the_closest_names_and_exit_code_two():
    done = run("filtration-ration")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "filtration_ratio" in done.stderr


def test_far_off_names_the_list():
    assert "lists them all" in nearest("zzzz")


def test_results_go_to_standard_output():
    done = run("efficiency")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == meaning_of("efficiency") + "\n"
