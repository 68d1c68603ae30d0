"""Sump balance: hand-worked numbers, and a particle count through the pipes of each arrangement."""

import tomllib
from pathlib import Path as File

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.physics import circuit

REFERENCE = File(__file__).parents[1] / "reference"


def reference(name):
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


SUMP = reference("sump_balance")
SIDE_BY_SIDE = reference("filter_systems")["side_by_side"]
L_MIN, MIN, PER_ML = 1e-3 / 60, 60.0, 1e6
SHARE = st.floats(0.0, 1.0)


@pytest.mark.parametrize(
    ("e", "e_fine", "cleaned", "wanted", "tau"), [c[:5] for c in SUMP["cases"]]
)
def test_hand_worked_balances(e, e_fine, cleaned, wanted, tau):
    flow = SUMP["full_L_min"] + SUMP["partial_L_min"]
    part = circuit.cleaned_share(1 - e, 1 - e_fine, SUMP["partial_L_min"] / flow)
    assert flow * part == pytest.approx(cleaned, rel=1e-9)
    rate = SUMP["ingression_per_min"] / MIN
    found = circuit.long_run_concentration(rate, flow * L_MIN, part) / PER_ML
    assert found == pytest.approx(wanted, rel=2e-5)
    time = circuit.time_constant(SUMP["volume_L"] * 1e-3, flow * L_MIN, float(part))
    assert time / MIN == pytest.approx(tau, rel=1e-4)


@pytest.mark.parametrize(("rate", "flow", "beta", "down", "up"), SUMP["multipass"])
def test_one_filter_by_the_control_equation(rate, flow, beta, down, up):
    part = circuit.cleaned_share(1 / beta, 1.0, 0.0)
    found = circuit.long_run_concentration(rate / MIN, flow * L_MIN, part) / PER_ML
    assert found == pytest.approx(up, rel=5e-4)
    behind = found * circuit.at_bearings(1 / beta, 1.0, 0.0, through_flow=False)
    assert behind == pytest.approx(down, rel=5e-4)


def test_media_side_by_side():
    beta, beta_fine = SIDE_BY_SIDE["beta"]
    passage = circuit.at_bearings(
        1 / beta, 1 / beta_fine, SIDE_BY_SIDE["shares"][1], through_flow=True
    )
    assert 1 / passage == pytest.approx(SIDE_BY_SIDE["together"], rel=3e-4)


def pipes(arrangement, main, fine, share):
    """Count what 1e6 particles in the pump's oil become, pipe by pipe: caught, at the bearings."""
    to_fine = share if "partial" in arrangement or "combined" in arrangement else 0.0
    rest = 1.0 - to_fine
    after_main = rest * 1e6 * (1.0 if arrangement == "partial_flow" else main)
    after_fine = to_fine * 1e6 * fine
    caught = 1e6 - after_main - after_fine
    if arrangement == "combined_through_flow":
        return caught, after_main + after_fine
    return caught, after_main / rest


@pytest.mark.parametrize(
    "arrangement",
    ["full_flow", "partial_flow", "full_and_partial_flow", "combined", "combined_through_flow"],
)
@given(main=SHARE, fine=SHARE, share=st.floats(0.0, 0.9))
def test_no_particle_is_lost_in_any_arrangement(arrangement, main, fine, share):
    caught, bearings = pipes(arrangement, main, fine, share)
    main = 1.0 if arrangement == "partial_flow" else main
    fine, share = (1.0, 0.0) if arrangement == "full_flow" else (fine, share)
    part = circuit.cleaned_share(main, fine, share)
    assert part * 1e6 == pytest.approx(caught, rel=1e-9, abs=1e-6)
    through = arrangement == "combined_through_flow"
    passage = circuit.at_bearings(main, fine, share, through_flow=through)
    assert passage * 1e6 == pytest.approx(bearings, rel=1e-9, abs=1e-6)


def test_nothing_cleaned_grows_without_limit_and_classes_do_not_touch_each_other():
    part = circuit.cleaned_share(np.array([1.0, 0.5]), 1.0, 0.0)
    found = circuit.long_run_concentration(np.array([1.0, 3.0]), 2.0, part)
    assert found.tolist() == [np.inf, 3.0]
