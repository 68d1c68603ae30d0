"""ISO 4406 code against its table and published examples."""

import math
import tomllib
from pathlib import Path

import pytest

from dossier.physics.particles import OVER, code, code_number, upper_limit

FILE = Path(__file__).parents[1] / "reference" / "iso_4406.toml"
TABLE = tomllib.loads(FILE.read_text(encoding="utf-8"))


@pytest.mark.parametrize(("number", "over", "upto"), TABLE["scale"])
def test_more_than_up_to_and_including(number, over, upto):
    assert code_number(upto) == number
    assert code_number(math.nextafter(over, math.inf)) == number
    assert code_number((over + upto) / 2) == number
    assert code_number(math.nextafter(upto, math.inf)) == number + 1
    assert upper_limit(number) == upto


def test_ends_of_the_scale():
    assert code_number(0.0) == 0
    assert code_number(2.6e6) == OVER == 29
    for number in (-1, OVER):
        with pytest.raises(ValueError, match="between 0 and 28"):
            upper_limit(number)


@pytest.mark.parametrize(("c4", "c6", "c14", "expected"), TABLE["examples"])
def test_published_codes(c4, c6, c14, expected):
    assert code(c4, c6, c14) == expected


def test_powers_of_two_would_be_wrong():
    assert code_number(1290.0) == 17  # 2^17 / 100 = 1311; the table says 1300
    assert code_number(1305.0) == 18
    assert code_number(2550.0) == 19


def test_above_the_scale():
    assert code(3e6, 2.6e6, 1.0) == ">28/>28/7"
    assert code(3e6, 2.5e6, 1.0) == ">28/28/7"


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_what_is_no_concentration_is_refused(bad):
    with pytest.raises(ValueError, match="1/mL"):
        code_number(bad)
    for counts in ((bad, 2.0, 1.0), (9.0, bad, 1.0), (9.0, 2.0, bad)):
        with pytest.raises(ValueError, match="1/mL"):
            code(*counts)


def test_counts_that_rise_with_size_are_refused():
    with pytest.raises(ValueError, match="fall with size"):
        code(10.0, 11.0, 1.0)
    with pytest.raises(ValueError, match="fall with size"):
        code(10.0, 5.0, 6.0)
    assert code(5.0, 5.0, 5.0) == "9/9/9"
