"""What a requirement asks, with its conditions and limits in working units; or why it cannot."""

import pytest

from dossier.evidence.requirement import LIFE, resolve
from tests.made_bench import application
from tests.small_case import requirement

approx = pytest.approx


def asked(quantity, **limit):
    made = requirement(quantity, **limit)
    return resolve(application([made]), "application.toml")


def demand(quantity, **limit):
    (found,), problems = asked(quantity, **limit)
    assert problems == []
    return found


def refused(quantity, **limit):
    found, (problem,) = asked(quantity, **limit)
    assert (found, problem.file, problem.place) == ([], "application.toml", "requirement 'Q1'")
    return f"{problem.what} | {problem.hint}"


@pytest.mark.parametrize(
    ("quantity", "limit"),
    [
        ("partial_flow_share", {"between": {"min": "5 %", "max": "15 %"}}),
        ("turnover_time", {"max": "8 min"}),
    ],
)
def test_what_needs_a_fine_path_is_refused_without_one(quantity, limit):
    told = refused(quantity, **limit)
    assert f"{quantity} is of a fine path, which a circuit of arrangement 'full_flow'" in told
    assert demand(quantity, **limit, not_applicable="no fine path").not_applicable
    made = application([requirement(quantity, **limit)], circuit={"arrangement": "combined"})
    assert resolve(made, "application.toml")[1] == []


def test_limits_are_in_working_units_and_shown_as_written():
    least = demand("burst_pressure", min="20 bar")
    assert (least.lower, least.upper, least.unit) == (approx(2e6), None, "bar")
    assert least.shown(2e6) == approx(20.0)
    assert least.spread_factor == approx(1e5)
    warm = demand("cold_bypass_temperature", max="30 degC")
    assert warm.upper == approx(303.15)
    assert warm.shown(303.15) == approx(30.0)
    assert warm.spread_factor == approx(1.0)
    both = demand("burst_pressure", between={"min": "1 MPa", "max": "2 MPa"})
    assert (both.lower, both.upper) == approx((1e6, 2e6))


def test_a_condition_that_is_not_given_is_the_application_s():
    given = demand("clean_pressure_drop", max="30 kPa", at={"flow": "80 L/min",
                                                          "temperature": "60 degC"})  # fmt: skip
    assert given.at == {"flow": approx(80 / 6e4), "temperature": approx(333.15)}
    assert given.at_text == "80 L/min, 60 degC"
    usual = demand("clean_pressure_drop", max="30 kPa", at={"temperature": "60 degC"})
    assert usual.at["flow"] == approx(60 / 6e4)
    assert "60 L/min (rated flow)" in usual.at_text


@pytest.mark.parametrize(
    ("quantity", "share", "line"),
    [
        ("retained_capacity", "10 %", (0.9, 0.0)),
        ("clean_pressure_drop", "10 %", (1.1, 0.0)),
        ("efficiency", "10 %", (1.1, -0.1)),
        ("filtration_ratio", "25 %", (0.8, 0.0)),
    ],
)
def test_the_reference_sets_a_line_on_the_scale_of_what_passes(quantity, share, line):
    at = {"temperature": "60 degC"} if quantity.startswith("clean") else {"size": "20 um(c)"}
    at = {} if quantity == "retained_capacity" else at
    found = demand(quantity, not_worse_than_reference=share, at=at)
    assert found.of_reference == approx(line)
    assert (found.lower, found.upper) == (None, None)


def test_a_life_factor_is_a_requirement_of_its_own():
    app = application([requirement("burst_pressure", min="1 MPa")], duty={"life_factor": 1.5})
    found, _ = resolve(app, "application.toml")
    life = found[-1]
    assert (life.id, life.severity) == (LIFE, "mandatory")
    assert life.lower == approx(1.5 * 300 * 3600.0)


@pytest.mark.parametrize(
    ("quantity", "limit", "said"),
    [
        ("burst", {"min": "1 MPa"}, "quantities are"),
        ("burst_pressure", {"min": "1 mm"}, "limit: "),
        ("burst_pressure", {"min": "1 MPa", "at": {"flow": "1 L/min"}}, "not a condition of"),
        ("efficiency", {"min": "90 %"}, "at . size is missing | write at = { size = "),
        ("efficiency", {"min": "90 %", "at": {"size": "20 kg"}}, "at . size: "),
        ("burst_pressure", {"between": {"min": "2 MPa", "max": "1 MPa"}}, "min below max"),
        ("burst_pressure", {"between": {"min": "2 MPa", "max": "2 MPa"}}, "min below max"),
        ("burst_pressure", {"between": {"min": "2 MPa"}}, "needs min and max"),
        ("pulse_cycles", {"min": 0}, "above zero"),
        ("sump_cleanliness", {"max": "18/16"}, 'write max = "18/16/13"'),
        ("valve_opening_pressure", {"not_worse_than_reference": "5 %"}, "no better side"),
        ("cold_bypass_temperature", {"not_worse_than_reference": "5 %"}, "zero is arbitrary"),
        ("retained_capacity", {"not_worse_than_reference": "100 %"}, "below 100 %"),
        ("retained_capacity", {"not_worse_than_reference": "95 %"}, "allows 95 % less than"),
        ("retained_capacity", {"must_hold": True}, "does not fit"),
    ],
)
def test_what_cannot_be_asked_is_said_with_what_to_do(quantity, limit, said):
    assert said in refused(quantity, **limit)


@pytest.mark.parametrize(
    ("quantity", "at", "good", "bad"),
    [
        ("retained_capacity", {}, {"min": "20 g"}, {"max": "20 g"}),
        ("clean_pressure_drop", {"temperature": "60 degC"}, {"max": "2 kPa"}, {"min": "2 kPa"}),
    ],
)
def test_what_is_tested_is_not_asked_to_be_worse(quantity, at, good, bad):
    side, value = next(iter(good.items()))
    worse = next(iter(bad))
    assert demand(quantity, at=at, **good).id == "Q1"
    said = refused(quantity, at=at, **bad)
    assert f"so that a {worse} alone asks for the worse filter" in said
    assert f"| give {side} instead, or between" in said
    both = demand(quantity, at=at, between={"min": value, "max": f"1{value}"})
    assert 0 < both.lower < both.upper


def test_a_strength_may_be_bounded_from_above():
    assert demand("burst_pressure", max="1 MPa").upper == approx(1e6)


@pytest.mark.parametrize(
    ("limit", "said"),
    [("0.99 %", "not at 0.99 %"), ("1 %", ""), ("100 %", ""), ("101 %", "not at 101 %")],
)
def test_a_share_is_asked_from_1_to_100_percent(limit, said):
    at = {"size": "20 um(c)"}
    if said:
        assert said in refused("efficiency", min=limit, at=at)
    else:
        assert demand("efficiency", min=limit, at=at).lower == approx(float(limit[:-1]) / 100)


def test_a_limit_is_not_below_zero_where_it_is_no_temperature():
    assert demand("burst_pressure", min="0 kPa").lower == 0.0
    assert "must not be negative" in refused("burst_pressure", min="-0.1 Pa")
    assert "must not be negative" in refused("burst_pressure", max="-1 kPa")
    assert demand("cold_bypass_temperature", max="-10 degC").upper == approx(263.15)


def test_a_share_of_a_population_has_a_default():
    assert demand("burst_pressure", min="1 MPa").coverage == approx(0.95)
    assert demand("burst_pressure", min="1 MPa", coverage="99 %").coverage == approx(0.99)


def test_a_cleanliness_is_asked_as_a_code():
    found = demand("sump_cleanliness", max="18/16/13")
    assert (found.at["code"], found.lower, found.upper) == ("18/16/13", None, 0.0)


def test_a_condition_that_does_not_fit_meets_those_that_do():
    assert "it takes none" in refused("burst_pressure", min="1 MPa", at={"flow": "1 L/min"})
    drop = refused("clean_pressure_drop", max="30 kPa", at={"size": "20 um(c)"})
    assert "it takes flow, temperature" in drop
