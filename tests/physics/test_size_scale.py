"""Older size scales against both published tables."""

import math
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.physics.particles import on_present_scale

FILE = Path(__file__).parents[1] / "reference" / "iso_4402_to_11171.toml"
TABLE = tomllib.loads(FILE.read_text(encoding="utf-8"))


@pytest.mark.parametrize(("old", "new"), TABLE["forward"])
def test_forward_table(old, new):
    assert on_present_scale(old, "ISO 4402")[0] == pytest.approx(new, rel=1e-12)


@pytest.mark.parametrize(("new", "old"), TABLE["reverse"])
def test_reverse_table(new, old):
    assert on_present_scale(old, "ISO 4402")[0] == pytest.approx(new, abs=0.2)


@pytest.mark.parametrize("pair", list(pairwise(TABLE["forward"])))
def test_between_rows_it_is_the_straight_line(pair):
    (x0, y0), (x1, y1) = pair
    assert on_present_scale((x0 + 3 * x1) / 4, "ISO 4402")[0] == pytest.approx(
        (y0 + 3 * y1) / 4, rel=1e-12
    )


@given(st.floats(1.0, 100.0), st.floats(1.0, 100.0))
def test_larger_stays_larger(one, two):
    small, large = sorted((one, two))
    assert on_present_scale(small, "ISO 4402")[0] <= on_present_scale(large, "ISO 4402")[0]


@pytest.mark.parametrize(("new", "old"), TABLE["um_b"])
def test_um_b(new, old):
    assert on_present_scale(old, "um(b)")[0] == pytest.approx(new, abs=0.005)


def test_the_conversion_is_printed():
    sentence = on_present_scale(10.0, "ISO 4402")[1]
    for part in ("10 µm", "ISO 4402", "9.8 µm(c)", "16386", "not the counts"):
        assert part in sentence
    sentence = on_present_scale(10.0, "um(b)")[1]
    for part in ("10 µm(b)", "8.98 µm(c)", "0.898", "11171"):
        assert part in sentence


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 0.0, 0.99, 100.1])
def test_iso_4402_is_not_extrapolated(bad):
    with pytest.raises(ValueError, match="not extrapolated"):
        on_present_scale(bad, "ISO 4402")


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 0.0, 1.1, 33.5])
def test_um_b_is_not_extrapolated(bad):
    with pytest.raises(ValueError, match="not extrapolated"):
        on_present_scale(bad, "um(b)")


def test_um_b_reaches_from_1_to_30_um_c():
    assert on_present_scale(1.112, "um(b)")[0] == pytest.approx(1.0, abs=0.005)
    assert on_present_scale(33.41, "um(b)")[0] == pytest.approx(30.0, abs=0.005)
