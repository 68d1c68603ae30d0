"""Bypass valve: sweeps whose truth is known, and the split between element and valve."""

# mypy: disable-error-code=call-arg

import math
import tomllib
from math import log10
from pathlib import Path as File

import numpy as np
import pytest

from dossier.physics.pressure_drop import Path
from dossier.physics.valve import (
    largest_at,
    opening_pressure,
    reseat_pressure,
    sweep_branches,
)

REFERENCE = File(__file__).parents[1] / "reference"
COLD = tomllib.loads((REFERENCE / "bypass_valve_cold.toml").read_text(encoding="utf-8"))
L_MIN = 1e-3 / 60
ELEMENT = Path(COLD["a"], COLD["b"])


def oil(celsius):
    """Return viscosity [Pa s] and density [kg/m3] by ASTM D341 and the 0.00064 rule."""
    w40, w100 = (log10(log10(kv + 0.7)) for kv in COLD["kv"])
    t40, t100, t = (log10(c + 273.15) for c in (40.0, 100.0, celsius))
    w = w40 + (w100 - w40) * (t - t40) / (t100 - t40)
    rho = COLD["density15"] * (1 - 0.00064 * (celsius - 15))
    return (10 ** (10**w) - 0.7) * 1e-6 * rho, rho


@pytest.mark.parametrize(("celsius", "kpa"), COLD["element_alone"])
def test_element_alone_at_the_whole_flow(celsius, kpa):
    drop = ELEMENT.pressure_drop(COLD["flow_L_min"] * L_MIN, *oil(celsius))
    assert drop / 1e3 == pytest.approx(kpa, rel=2e-5)


def test_element_flow_at_a_given_pressure():
    flow = ELEMENT.flow(1e5, *oil(0.0)) / L_MIN
    assert flow == pytest.approx(COLD["at_0_degC_and_100_kPa_L_min"], abs=6e-6)


# A valve whose flow is 1e-6 m3/s of leakage up to 100 kPa, then 4e-9 m3/s a pascal; falling, it
# shuts at 90 kPa.  Rows lie on the straight parts, so interpolation is exact.
UP_P = np.array([0.0, 50e3, 100e3, 105e3, 120e3, 150e3])
UP_Q = np.array([0.0, 5e-7, 1e-6, 2.1e-5, 8.1e-5, 2.01e-4])
DOWN_P = np.array([150e3, 120e3, 95e3, 90e3, 50e3, 0.0])
DOWN_Q = np.array([2.41e-4, 1.21e-4, 2.1e-5, 1e-6, 5e-7, 0.0])


def test_opening_and_reseat_of_a_known_valve():
    assert opening_pressure(UP_P, UP_Q, 1.1e-5).value == pytest.approx(102.5e3, rel=1e-12)
    assert opening_pressure(UP_P, UP_Q, 2.1e-5).value == pytest.approx(105e3, rel=1e-12)
    assert opening_pressure(UP_P, UP_Q, 1.1e-5).bound == ""
    assert reseat_pressure(DOWN_P, DOWN_Q, 1.1e-5).value == pytest.approx(92.5e3, rel=1e-12)
    assert reseat_pressure(DOWN_P, DOWN_Q, 2.1e-5).value == pytest.approx(95e3, rel=1e-12)
    assert reseat_pressure(DOWN_P, DOWN_Q, 1.1e-5).bound == ""


def test_leakage_and_flow_resistance_of_a_known_valve():
    assert largest_at(UP_P, UP_Q, 80e3) == pytest.approx(8e-7, rel=1e-12)
    assert largest_at(DOWN_P, DOWN_Q, 70e3) == pytest.approx(7.5e-7, rel=1e-12)
    assert largest_at(UP_Q, UP_P, 1.41e-4) == pytest.approx(135e3, rel=1e-12)
    assert largest_at(UP_Q, UP_P, 7.5e-7) == pytest.approx(75e3, rel=1e-12)
    assert largest_at(DOWN_Q, DOWN_P, 7.5e-7) == pytest.approx(70e3, rel=1e-12)
    assert largest_at(DOWN_Q, DOWN_P, 1.81e-4) == pytest.approx(135e3, rel=1e-12)
    assert largest_at(UP_P, UP_Q, 0.0) == 0.0
    assert largest_at(UP_Q, UP_P, 2.01e-4) == pytest.approx(150e3, rel=1e-12)


def test_columns_come_apart_by_direction():
    p, q = np.r_[UP_P, DOWN_P], np.r_[UP_Q, DOWN_Q]
    up, down = sweep_branches(p, q, [True] * 6 + [False] * 6)
    assert (up[0] == UP_P).all()
    assert (up[1] == UP_Q).all()
    assert (down[0] == DOWN_P).all()
    assert (down[1] == DOWN_Q).all()
    with pytest.raises(ValueError, match="length"):
        sweep_branches(p, q[:-1], [True] * 12)
    with pytest.raises(ValueError, match="length"):
        sweep_branches(p, q, [True] * 11)


def test_a_crossing_outside_the_sweep_is_a_bound():
    never = opening_pressure(UP_P[:3], UP_Q[:3], 1.1e-5)
    assert (never.value, never.bound) == (100e3, "larger than")
    always = opening_pressure(UP_P[4:], UP_Q[4:], 1.1e-5)
    assert (always.value, always.bound) == (120e3, "smaller than")
    still_open = reseat_pressure(DOWN_P[:3], DOWN_Q[:3], 1.1e-5)
    assert (still_open.value, still_open.bound) == (95e3, "smaller than")
    at_last = opening_pressure(UP_P[:4], UP_Q[:4], UP_Q[3])  # reached in the last row: a value
    assert (at_last.value, at_last.bound) == (pytest.approx(105e3), "")
    at_last = reseat_pressure(DOWN_P[:3], DOWN_Q[:3], DOWN_Q[2])
    assert (at_last.value, at_last.bound) == (pytest.approx(95e3), "")


def test_a_valve_that_never_opened_shows_no_reseating():
    with pytest.raises(ValueError, match="was not open"):
        reseat_pressure(DOWN_P[3:], DOWN_Q[3:], 1.1e-5)


def test_a_fluttering_valve_is_judged_on_its_worst():
    p = [80e3, 90e3, 100e3, 110e3, 120e3]
    q = [0.0, 2e-5, 0.0, 4e-5, 9e-5]
    assert opening_pressure(p, q, 1e-5).value == pytest.approx(85e3)  # the first time
    assert reseat_pressure(p[::-1], q[::-1], 1e-5).value == pytest.approx(85e3)  # for good
    assert largest_at(
        np.array([80e3, 100e3, 90e3, 120e3]), np.array([0.0, 2e-6, 3e-6, 9e-5]), 95e3
    ) == (pytest.approx(3e-6 + 8.7e-5 / 6))
    assert largest_at(np.array([80e3, 80e3, 90e3]), np.array([1e-6, 3e-6, 2e-6]), 80e3) == 3e-6
    assert largest_at(np.array([80e3, 80e3, 90e3]), np.array([3e-6, 1e-6, 2e-6]), 80e3) == 3e-6
    assert largest_at(np.array([80e3, 90e3, 90e3]), np.array([1e-6, 2e-6, 3e-6]), 90e3) == 3e-6
    popping = [90e3, 100e3, 95e3, 110e3]  # flow set, pressure falls as the valve pops open
    assert opening_pressure(popping, [0.0, 1e-6, 2e-5, 9e-5], 5e-7).value == pytest.approx(95e3)


def test_nothing_is_extrapolated():
    for at in (-1.0, 150.1e3, math.nan):
        with pytest.raises(ValueError, match="outside the sweep"):
            largest_at(UP_P, UP_Q, at)
    with pytest.raises(ValueError, match="outside the sweep"):
        largest_at(UP_Q, UP_P, 2.02e-4)


def test_rows_out_of_order_are_refused():
    with pytest.raises(ValueError, match="rises throughout"):
        opening_pressure(UP_P[::-1], UP_Q[::-1], 1e-5)
    with pytest.raises(ValueError, match="falls throughout"):
        reseat_pressure(UP_P, UP_Q, 1e-5)
    with pytest.raises(ValueError, match="rises throughout"):
        opening_pressure([0.0, 2e3, 1e3], [0.0, 2e-5, 1e-5], 1e-6)


@pytest.mark.parametrize("rows", [([1e5], [1e-5]), ([1e5, 2e5], [1e-5]), ([], [])])
def test_a_sweep_needs_two_rows_of_both(rows):
    with pytest.raises(ValueError, match="two or more rows"):
        opening_pressure(*rows, 1e-5)
