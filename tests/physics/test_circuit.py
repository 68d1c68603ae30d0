"""Sump balance: closed form against integration, particle balance, hand-worked numbers."""

import math
import tomllib
from pathlib import Path as File

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from dossier.physics import circuit

REFERENCE = File(__file__).parents[1] / "reference"


def reference(name):
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


SUMP = reference("sump_balance")
SYSTEMS = reference("filter_systems")
PRACTICE = reference("common_practice")
L, L_MIN, MIN, PER_ML = 1e-3, 1e-3 / 60, 60.0, 1e6
SHARE = st.floats(0.0, 1.0)
SOME = st.floats(0.02, 1.0)


# Piping of each arrangement, node by node: given the sump's concentration, the rate caught by the
# full-flow and by the fine filter, and the concentration at the bearings.


def pipe_full_flow(c, q, w, e, e_fine, f):
    filtered, past = q * (1 - f), q * f
    to_bearings = (filtered * c * (1 - e) + past * c) / q
    return filtered * c * e, 0.0, to_bearings


def pipe_partial_flow(c, q, w, e, e_fine, f):
    return 0.0, q * w * c * e_fine, c


def pipe_both(c, q, w, e, e_fine, f):
    fine, rest = q * w, q - q * w
    past = rest * f
    after = (past * c + (rest - past) * c * (1 - e)) / rest
    return (rest - past) * c * e, fine * c * e_fine, after


def pipe_through_flow(c, q, w, e, e_fine, f):
    past = q * f
    fine = (q - past) * w
    main = q - past - fine
    mixed = (past * c + fine * c * (1 - e_fine) + main * c * (1 - e)) / q
    return main * c * e, fine * c * e_fine, mixed


ARRANGEMENTS = {
    "full_flow": (lambda q, w, e, fine, f: circuit.full_flow(q, e, f), pipe_full_flow),
    "partial_flow": (lambda q, w, e, fine, f: circuit.partial_flow(q, w, fine), pipe_partial_flow),
    "full_and_partial_flow": (circuit.full_and_partial_flow, pipe_both),
    "combined": (circuit.combined, pipe_both),
    "combined_through_flow": (circuit.combined_through_flow, pipe_through_flow),
}  # fmt: skip


@pytest.mark.parametrize("name", ARRANGEMENTS)
@pytest.mark.parametrize("loss", [0.0, 2e-6])
def test_closed_form_against_integration(name, loss):
    arrangement, pipe = ARRANGEMENTS[name]
    q, w, e, e_fine, f, volume, rate, start = 1.5e-3, 0.11, 0.62, 0.93, 0.07, 0.038, 4e4, 9e8

    def balance(_, state):
        c = state[0]
        main, fine, _ = pipe(c, q, w, e, e_fine, f)
        return [(rate - main - fine - loss * c) / volume]

    times = [1.0, 20.0, 90.0, 600.0]
    solved = solve_ivp(
        balance, (0.0, 600.0), [start], t_eval=times, rtol=1e-10, atol=1e-2, method="DOP853"
    )
    cleaning = arrangement(q, w, e, e_fine, f)
    closed = [
        float(circuit.concentration_at(t, cleaning, rate, volume, start, loss)) for t in times
    ]
    assert solved.y[0] == pytest.approx(closed, rel=1e-7)
    tau = circuit.time_constant(cleaning, volume, loss)
    long_run = circuit.sump_concentration(cleaning, rate, loss)
    after = circuit.concentration_at(float(tau), cleaning, rate, volume, start, loss)
    assert (after - long_run) / (start - long_run) == pytest.approx(math.exp(-1), rel=1e-9)


@pytest.mark.parametrize("name", ARRANGEMENTS)
@given(st.floats(0.02, 0.98), SOME, SOME, st.floats(0.0, 0.9))
def test_all_that_enters_is_caught_in_the_long_run(name, w, e, e_fine, f):
    arrangement, pipe = ARRANGEMENTS[name]
    q, rate = 1.5e-3, 4e4
    cleaning = arrangement(q, w, e, e_fine, f)
    sump = circuit.sump_concentration(cleaning, rate)
    main, fine, bearings = pipe(float(sump), q, w, e, e_fine, f)
    assert main + fine == pytest.approx(rate, rel=1e-9)
    assert circuit.bearing_concentration(cleaning, rate) == pytest.approx(
        bearings, rel=1e-9, abs=1e-9 * sump
    )
    assert cleaning.full_flow * sump == pytest.approx(main, abs=1e-9 * rate)
    assert cleaning.fine * sump == pytest.approx(fine, abs=1e-9 * rate)


@pytest.mark.parametrize(("e", "e_fine", "k", "c", "tau", "c10", "mass"), SUMP["cases"])
def test_worked_sump(e, e_fine, k, c, tau, c10, mass):
    main, fine = SUMP["full_L_min"] * L_MIN, SUMP["partial_L_min"] * L_MIN
    pump, volume = main + fine, SUMP["volume_L"] * L
    cleaning = circuit.full_and_partial_flow(pump, fine / pump, e, e_fine)
    rate = SUMP["ingression_per_min"] / MIN
    assert cleaning.total / L_MIN == pytest.approx(k, rel=1e-9)
    one_can = circuit.combined(pump, fine / pump, e, e_fine)
    assert one_can.total / L_MIN == pytest.approx(k, rel=1e-9)
    assert one_can.passage == pytest.approx(1 - e, rel=1e-12)
    assert circuit.sump_concentration(cleaning, rate) / PER_ML == pytest.approx(c, abs=6e-4)
    assert circuit.time_constant(cleaning, volume) / MIN == pytest.approx(tau, rel=5e-5)
    later = circuit.concentration_at(10 * MIN, cleaning, rate, volume, 0.0)
    assert later / PER_ML == pytest.approx(c10, abs=6e-5)
    in_mass = circuit.sump_concentration(cleaning, SUMP["mass_mg_h"] * 1e-6 / 3600)
    assert in_mass * 1e3 == pytest.approx(mass, rel=5e-5)  # kg/m3 to mg/L


@pytest.mark.parametrize(("minutes", "left"), SUMP["clean_up"])
def test_worked_clean_up(minutes, left):
    cleaning = circuit.partial_flow(44 * L_MIN, 1 / 11, 0.98)
    now = circuit.concentration_at(minutes * MIN, cleaning, 0.0, 30 * L, 1.0)
    assert now == pytest.approx(left, rel=1e-3)


@pytest.mark.parametrize(("rate", "flow", "beta", "down", "up"), SUMP["multipass"])
def test_single_filter_meets_the_control_equation(rate, flow, beta, down, up):
    cleaning = circuit.full_flow(flow * L_MIN, 1 - 1 / beta)
    sump = circuit.sump_concentration(cleaning, rate / MIN)
    bearings = circuit.bearing_concentration(cleaning, rate / MIN)
    assert sump / PER_ML == pytest.approx(up, rel=4e-4)
    assert bearings / PER_ML == pytest.approx(down, rel=4e-4)
    assert bearings == pytest.approx(rate / MIN / (flow * L_MIN * (beta - 1)), rel=1e-9)


def test_a_perfect_filter_leaves_the_ingress_of_one_pass():
    cleaning = circuit.full_flow(40 * L_MIN, 1.0)
    assert circuit.sump_concentration(cleaning, 1e6) == pytest.approx(1e6 / (40 * L_MIN))
    assert circuit.bearing_concentration(cleaning, 1e6) == 0.0


def test_mixed_tank_clean_up():
    tank = SUMP["mixed_tank"]
    cleaning = circuit.full_flow(tank["flow_L_min"] * L_MIN, 1 - 1 / tank["beta"])
    now = circuit.concentration_at(
        tank["min"] * MIN, cleaning, 0.0, tank["volume_L"] * L, tank["from"]
    )
    assert now == pytest.approx(tank["to"], rel=5e-4)


@pytest.mark.parametrize(("e", "f", "effective", "beta"), SYSTEMS["leaking_valve"])
def test_a_leaking_valve(e, f, effective, beta):
    for cleaning in (
        circuit.full_flow(1e-3, e, f),
        circuit.full_and_partial_flow(1e-3, 0.1, e, 0.9, f),
        circuit.combined(1e-3, 0.1, e, 0.9, f),
        circuit.combined_through_flow(1e-3, 0.3, e, e, f),
    ):
        assert 1 - cleaning.passage == pytest.approx(effective, rel=1e-9)
        assert 1 / cleaning.passage == pytest.approx(beta, rel=2e-3)


def test_media_side_by_side():
    (w, w_fine), (beta, beta_fine) = (SYSTEMS["side_by_side"][key] for key in ("shares", "beta"))
    cleaning = circuit.combined_through_flow(1e-3, w_fine, 1 - 1 / beta, 1 - 1 / beta_fine)
    assert 1 / cleaning.passage == pytest.approx(SYSTEMS["side_by_side"]["together"], rel=3e-4)
    assert w + w_fine == 1.0


def test_unfiltered_oil_reaches_the_bearings_in_a_partial_flow():
    cleaning = circuit.partial_flow(1e-3, 0.1, 0.99)
    assert circuit.bearing_concentration(cleaning, 1e5) == (
        circuit.sump_concentration(cleaning, 1e5)
    )


def test_turnover_by_common_practice():
    case = PRACTICE["turnover"]  # common practice, no source
    assert case["fine_L_min"] / case["pump_L_min"] == PRACTICE["partial_flow_share"]
    turnover = circuit.turnover_time(case["sump_L"] * L, case["fine_L_min"] * L_MIN)
    assert turnover / MIN == pytest.approx(case["min"], rel=1e-12)
    hand = circuit.turnover_time(SUMP["volume_L"] * L, SUMP["partial_L_min"] * L_MIN)
    assert hand / MIN == pytest.approx(SUMP["turnover_min"], rel=1e-12)


def test_one_turnover_leaves_a_mixed_sump_with_1_over_e_unpassed():
    volume, flow = 0.03, 4 * L_MIN
    catching_all = circuit.full_flow(flow, 1.0)
    left = circuit.concentration_at(
        circuit.turnover_time(volume, flow), catching_all, 0.0, volume, 1.0
    )
    assert left == pytest.approx(0.36788, abs=1e-5)


def test_the_volume_sets_the_pace_and_not_the_end():
    cleaning = circuit.full_flow(40 * L_MIN, 0.5)
    small, large = (circuit.time_constant(cleaning, v) for v in (0.01, 0.1))
    assert large == pytest.approx(10 * small)
    end = circuit.sump_concentration(cleaning, 1e5)
    for volume in (0.01, 0.1):
        assert circuit.concentration_at(1e5, cleaning, 1e5, volume, 0.0) == pytest.approx(end)


def test_without_removal_the_sump_fills_without_limit():
    nothing = circuit.full_flow(1e-3, [0.5, 0.0])
    with pytest.raises(ValueError, match="without limit"):
        circuit.sump_concentration(nothing, 1e5)
    with pytest.raises(ValueError, match="without limit"):
        circuit.time_constant(nothing, 0.03)
    later = circuit.concentration_at(600.0, nothing, 1e5, 0.03, 7.0)
    assert later[1] == pytest.approx(7.0 + 1e5 * 600 / 0.03, rel=1e-12)
    replaced = circuit.sump_concentration(nothing, 1e5, loss_flow=1e-6)
    assert replaced[1] == pytest.approx(1e11)


@given(st.lists(st.tuples(SHARE, SOME, SHARE), min_size=1, max_size=5), SHARE)
def test_classes_do_not_touch_each_other(classes, w):
    e, e_fine, rate = (np.array(column) for column in zip(*classes, strict=True))
    w = 0.5 * w + 0.1
    together = circuit.sump_concentration(circuit.combined(1e-3, w, e, e_fine), rate * 1e6)
    apart = [
        float(circuit.sump_concentration(circuit.combined(1e-3, w, a, b), r * 1e6))
        for a, b, r in classes
    ]
    assert together == pytest.approx(apart, rel=1e-12)


def test_the_fine_path_spares_the_full_flow_filter():
    parts, e, e_fine = [0.5, 0.3, 0.2], np.array([0.1, 0.6, 0.95]), np.array([0.7, 0.95, 0.99])
    pump, rate = 1.5e-3, 0.1e-3 / 3600
    alone = circuit.full_flow_loading(circuit.full_flow(pump, e), rate, parts)
    assert alone == pytest.approx(rate, rel=1e-12)  # one filter ends up with everything
    both = circuit.full_and_partial_flow(pump, 0.1, e, e_fine)
    main = circuit.full_flow_loading(both, rate, parts)
    by_hand = rate * sum(
        m * 0.9 * a / (0.9 * a + 0.1 * b) for m, a, b in zip(parts, e, e_fine, strict=True)
    )
    assert main == pytest.approx(by_hand, rel=1e-12)
    sump = circuit.sump_concentration(both, rate * np.array(parts))
    into_fine = sum(pump * 0.1 * b * c for b, c in zip(e_fine, sump, strict=True))
    assert main + into_fine == pytest.approx(rate, rel=1e-12)
    lost = circuit.full_flow_loading(circuit.full_flow(1e-3, [0.5]), rate, [1.0], loss_flow=5e-4)
    assert lost == pytest.approx(rate / 2, rel=1e-12)
    with pytest.raises(ValueError, match="add up to 1"):
        circuit.full_flow_loading(both, rate, [0.5, 0.3, 0.1])


@pytest.mark.parametrize("bad", [math.nan, math.inf, -0.01, 1.01])
def test_what_is_no_share_is_refused(bad):
    good = circuit.full_flow(1e-3, 0.5)
    for call in (
        lambda: circuit.full_flow(1e-3, [0.5, bad]),
        lambda: circuit.full_flow(1e-3, 0.5, bad),
        lambda: circuit.partial_flow(1e-3, bad, 0.5),
        lambda: circuit.partial_flow(1e-3, 0.1, bad),
        lambda: circuit.combined(1e-3, 0.1, bad, 0.5),
        lambda: circuit.combined_through_flow(1e-3, 0.1, 0.5, bad),
        lambda: circuit.full_flow_loading(good, 1e-8, [bad]),
    ):
        with pytest.raises(ValueError, match=r"between 0 and 1"):
            call()


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_what_is_no_amount_is_refused(bad):
    good = circuit.full_flow(1e-3, 0.5)
    for call in (
        lambda: circuit.full_flow(bad, 0.5),
        lambda: circuit.full_and_partial_flow(bad, 0.1, 0.5, 0.5),
        lambda: circuit.sump_concentration(good, bad),
        lambda: circuit.sump_concentration(good, 1.0, bad),
        lambda: circuit.time_constant(good, bad),
        lambda: circuit.concentration_at(bad, good, 1.0, 1.0, 1.0),
        lambda: circuit.concentration_at(1.0, good, bad, 1.0, 1.0),
        lambda: circuit.concentration_at(1.0, good, 1.0, bad, 1.0),
        lambda: circuit.concentration_at(1.0, good, 1.0, 1.0, bad),
        lambda: circuit.concentration_at(1.0, good, 1.0, 1.0, 1.0, bad),
        lambda: circuit.turnover_time(bad, 1e-4),
        lambda: circuit.turnover_time(0.03, bad),
        lambda: circuit.full_flow_loading(good, bad, [1.0]),
    ):
        with pytest.raises(ValueError, match="finite"):
            call()
    with pytest.raises(ValueError, match="path flow"):
        circuit.turnover_time(0.03, 0.0)


def test_a_split_by_pressure_gives_the_share_at_any_temperature():
    media = [circuit.Path(2e8, 3e6), circuit.Path(5e9, 0.0)]  # invented: main, fine
    e, e_fine, flow = 0.6, 0.98, 1.5e-3
    passages = []
    for mu in (0.01, 1.0):  # hot, cold
        w = circuit.split_parallel(media, flow, mu, 870.0).shares[1]
        cleaning = circuit.combined_through_flow(flow, w, e, e_fine)
        passages.append(float(cleaning.passage))
        assert e < 1 - passages[-1] < e_fine
    assert passages[0] < passages[1]  # cold oil shuns the fine medium
