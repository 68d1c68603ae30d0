"""Which pressures a flow sweep is held against, and when an offset of its gauge shows."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from dossier.evidence.quantities import all_quantities
from dossier.evidence.validity.other import _offset, _own_noise, decided_pressures
from tests.evidence.test_fine_path import circuit
from tests.made_bench import MU, application, case, entry, sweep

approx = pytest.approx
DECLARED = all_quantities()


def demand(quantity, lower=None, upper=None, not_worse=None, not_applicable=""):
    return SimpleNamespace(quantity=DECLARED[quantity], lower=lower, upper=upper,
                           not_worse=not_worse, not_applicable=not_applicable)  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "pressures"),
    [
        (demand("clean_pressure_drop", upper=30e3), [30e3]),
        (demand("bypass_margin", lower=40e3), [110e3]),  # the opening at 150 kPa less the margin
        (demand("cold_bypass_temperature", upper=300.0), [150e3]),
        (demand("service_life", lower=1e6), [150e3]),
        (demand("clean_pressure_drop", not_worse=0.1), []),
        (demand("clean_pressure_drop", upper=30e3, not_applicable="no oil"), []),
        (demand("efficiency", lower=0.9), []),
        (demand("bypass_margin", lower=151e3), []),
    ],
)
def test_what_a_requirement_decides_on(asked, pressures):
    made = case([entry(sweep())])
    assert decided_pressures(made, [asked], "full_flow") == approx(pressures)


def test_without_a_valve_only_a_largest_drop_counts_and_a_fine_path_has_its_gallery():
    bare = case([entry(sweep())], app=application(circuit={"bypass_valve": None}))
    both = [demand("clean_pressure_drop", upper=30e3), demand("service_life", lower=1e6)]
    assert decided_pressures(bare, both, "full_flow") == approx([30e3])
    fine = case([entry(sweep())], app=application(circuit=circuit("combined")))
    assert decided_pressures(fine, both, "fine") == approx([300e3])
    assert decided_pressures(bare, both, "fine") == [math.inf]


def offset(shift, noise=0.0, rows=8):
    flow = np.linspace(20.0, 100.0, rows) / 6e4
    swing = noise * (-1.0) ** np.arange(rows)
    drop = 1.2e9 * MU * flow + shift + swing
    made = sweep(flow=flow, pressure_drop=drop)
    held = SimpleNamespace(result=made, scale=30e3)
    return _offset(held, SimpleNamespace(value=0.02))[0]


def test_an_offset_shows_beyond_its_share_and_three_times_its_own_error():
    assert offset(0.0) is True
    assert offset(500.0) is True  # below 2 % of 30 kPa
    assert offset(-500.0) is True
    assert offset(900.0) is False
    assert offset(-900.0) is False
    assert offset(900.0, noise=900.0) is True  # lost in the noise of the rows
    assert offset(900.0, rows=4) is None


def computed(noise=0.0, digit=10.0, against="", altered=(), zero=0.0):
    """Readings that are the two-term law of their rows, printed to `digit` [Pa]."""
    rng = np.random.default_rng(7)
    flow = np.tile(np.linspace(20.0, 100.0, 6), 2) / 6e4
    mu = np.repeat([0.02, 0.4], 6) * (1.0 + 0.01 * rng.standard_normal(12))
    drop = 3e8 * mu * flow + 6e6 * 860.0 * flow**2
    drop = drop * (1.0 + noise * rng.standard_normal(12)) + zero
    drop[[*altered]] *= 1.01
    drop = np.round(drop / digit) * digit
    made = sweep(flow=flow, pressure_drop=drop, viscosity=mu, density=np.full(12, 860.0),
                 housing_rows=np.zeros(12, dtype=bool))  # fmt: skip
    rule = "noise of its own"
    held = SimpleNamespace(result=made, against={rule: against})
    return _own_noise(held, SimpleNamespace(rule=rule))


@pytest.mark.parametrize("altered", [(3,), (11,), (2, 8)])
def test_a_row_or_two_that_were_altered_do_not_hide_that_the_others_were_computed(altered):
    assert computed(digit=1.0, altered=altered)[0] is False


@pytest.mark.parametrize(
    ("noise", "digit", "met"),
    [(0.0, 10.0, False), (0.0, 1.0, False), (0.0, 6.894757293168361, False), (1e-5, 10.0, False),
     (5e-4, 10.0, True), (0.002, 1.0, True), (0.0, 1000.0, True)],
)  # fmt: skip
def test_no_gauge_reads_to_every_digit_what_other_instruments_foretell(noise, digit, met):
    """Of readings to 1 kPa nothing can be told; 6.9 Pa is a thousandth of a psi."""
    assert computed(noise, digit)[0] is met
    assert computed(noise, digit, zero=300.0)[0] is met
    assert computed(noise, digit, "another sweep")[0] is False
    assert computed(noise, digit, "another sweep")[1] == "another sweep"
