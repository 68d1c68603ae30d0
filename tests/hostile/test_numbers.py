"""Numbers of an application that nobody meant: refused or judged, never an error of the program."""

import re
import tomllib
import warnings
from dataclasses import replace

import pytest
from pydantic import ValidationError

from dossier.case.application import Application
from dossier.evidence.statistics.combine import with_trials
from dossier.make.decide import assess
from dossier.make.read import read_case
from tests.spelled import INPUTS

CASE = "polder-pumps"
TEXT = (INPUTS / CASE / "application.toml").read_text("utf-8")
NUMBERS = [
    match
    for match in re.finditer(r'(?m)(?<=")-?[\d.]+(?= ?[^"\d][^"]*")', TEXT)
    if match.start() < TEXT.index("[decision_rule]")
]


@pytest.fixture(scope="module")
def case():
    return read_case(INPUTS / CASE)


@pytest.mark.parametrize("number", NUMBERS, ids=lambda each: f"{each[0]} at {each.start()}")
def test_no_number_of_a_circuit_oil_or_duty_ends_in_an_error(case, number):
    """Each is twice what was meant: hot oil of 200 degC, an oil as heavy as none."""
    twice = f"{2.0 * float(number[0]):f}"
    text = TEXT[: number.start()] + twice + TEXT[number.end() :]
    try:
        asked = Application.model_validate(tomllib.loads(text))
    except ValidationError:
        return
    with warnings.catch_warnings(), with_trials(400):
        warnings.simplefilter("error")
        assess(replace(case, application=asked))
