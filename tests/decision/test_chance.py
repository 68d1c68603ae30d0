"""A probability is never said as certain, nor on the wrong side of the agreed confidence."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import dossier
from dossier.decision.probability import chance_text
from dossier.words import speaking


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (1.0, "> 99.9 %"),
        (0.99901, "> 99.9 %"),
        (0.999, "99.9 %"),
        (0.0, "< 0.1 %"),
        (0.0009, "< 0.1 %"),
        (0.9, "90.0 %"),
        (0.94999, "94.999 %"),
        (0.95, "95.0 %"),
        (math.nan, "no number"),
    ],
)
def test_a_probability_is_never_certain_nor_on_the_wrong_side(share, text):
    assert chance_text(share, 0.95) == text


@given(st.floats(min_value=0.0, max_value=1.0))
def test_a_printed_probability_agrees_with_the_agreed_confidence(share):
    if abs(share - 0.95) < 1e-8:
        return
    number = float(re.sub(r"[^0-9.]", "", chance_text(share, 0.95)))
    assert (number >= 95.0) == (share >= 0.95)
    assert 0.1 <= number <= 99.9


def test_the_language_sets_the_decimal_mark():
    with speaking("de"):
        assert chance_text(1.0) == "> 99,9 %"


def test_no_other_place_turns_a_probability_into_percent():
    """No module multiplies a chance or a probability by a hundred but the one that says it."""
    scaled = re.compile(r"100(\.0)? \* \(?(self\.|finding\.)?(chance|probab|risk|shown)\w*")
    said = [
        path.name
        for path in Path(dossier.__file__).parent.rglob("*.py")
        if scaled.search(path.read_text("utf-8"))
    ]
    assert said == ["probability.py"]
