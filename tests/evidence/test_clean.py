"""The clean filter in the application's oil: the law itself, its range, and its budget."""

import math

import pytest

from dossier.evidence.quantities.pressure import (
    OF_THE_SWEEPS,
    OIL,
    clean_estimate,
    of_the_fit,
    outside,
    pressure_components,
)
from tests.made_bench import MU, RHO, bench, entry, exact, instrument, sweep

approx = pytest.approx

Q = 60.0 / 6e4
LIMITS = exact()


def test_the_pressure_drop_is_the_two_term_law():
    found = sweep(a=2e9, b=3e7).assembly.at(Q, 0.02, 900.0)
    assert found == approx(2e9 * 0.02 * Q + 3e7 * 900.0 * Q**2)


TOP = 100.0 / 6e4 * LIMITS.flow_factor


@pytest.mark.parametrize(
    ("flow", "mu", "said"),
    [
        (TOP * (1 - 1e-9), MU, ""),
        (TOP * (1 + 1e-9), MU * 0.6, "outside the tested flows"),
        (0.0, MU, "outside the tested flows"),
        (math.nan, MU, "outside the tested flows"),
        (0.3 * TOP, MU * LIMITS.viscosity_factor * 0.999, ""),
        (0.3 * TOP, MU * LIMITS.viscosity_factor * 1.001, "outside the tested viscosities"),
        (0.3 * TOP, MU / LIMITS.viscosity_factor * 1.001, ""),
        (0.3 * TOP, MU / LIMITS.viscosity_factor * 0.999, "outside the tested viscosities"),
        (TOP * 0.9, MU * 1.12, "was swept to"),
        (TOP * 0.9, MU * 1.11, ""),
    ],
)
def test_a_point_is_refused_outside_what_was_swept(flow, mu, said):
    found = outside(sweep(), LIMITS, flow, mu, RHO)
    assert bool(found) is bool(said)
    assert said in found


def test_rows_of_the_housing_alone_are_no_range():
    whole = sweep()
    housing = whole.flow > 80.0 / 6e4
    assert "outside the tested flows" in outside(
        sweep(housing_rows=housing), LIMITS, 0.95 * whole.flow.max(), MU * 0.6, RHO
    )


INSTRUMENTS = [
    instrument("DP", ["differential pressure"], reading_u="2 %"),
    instrument("FM", ["flow"], reading_u="3 %"),
    instrument("TH", ["temperature"], reading_u="0.5 K"),
]
SLOPES = {"per_flow": (4e8, 2e7), "per_kelvin": (1e7, 1e5)}


def parts_of(sweeps, **options):
    entries = [entry(each, ["DP", "FM", "TH"]) for each in sweeps]
    made = bench(sweeps, entries=entries, instruments=INSTRUMENTS, limits=exact(), **options)
    return {part.name: part.u for part in pressure_components(made, sweeps, Q, MU, RHO)}


def test_each_input_acts_through_its_own_slope():
    one = sweep(a=1e9, b=1e7, **SLOPES)
    found = parts_of([one])
    viscous, inertial = MU * Q, RHO * Q**2
    assert found[OF_THE_SWEEPS["differential pressure"]] == approx(
        0.02 * (1e9 * viscous + 1e7 * inertial)
    )
    assert found[OF_THE_SWEEPS["flow"]] == approx(0.03 * (4e8 * viscous + 2e7 * inertial))
    assert found[OF_THE_SWEEPS["temperature"]] == approx(0.5 * (1e7 * viscous + 1e5 * inertial))


def test_one_instrument_errs_alike_on_every_specimen():
    two = parts_of([sweep(**SLOPES), sweep("S2", "C2", **SLOPES)])
    assert two == approx(parts_of([sweep(**SLOPES)]))


def test_the_oil_acts_on_the_viscous_part_alone():
    one = sweep(a=1e9, b=1e7)
    made = bench([one], limits=exact(viscosity=0.06))
    parts = pressure_components(made, [one], Q, MU, RHO)
    (oil,) = [part for part in parts if part.name == OIL]
    assert oil.u == approx(1e9 * MU * Q * 0.06 / math.sqrt(3.0))


@pytest.mark.parametrize("stated", [("kv40", "kv100"), ("kv40",), ("kv100",), ()])
@pytest.mark.parametrize(
    ("fluids", "laboratories", "share"),
    [("AA", "LL", 1.0), ("AB", "LL", 1.0), ("AB", "LM", math.sqrt(0.5))],
)
def test_viscosities_of_one_laboratory_err_together(stated, fluids, laboratories, share):
    """Those of two laboratories do not, nor do the two figures of one fluid.

    Where either is without an uncertainty, one of a viscosity grade stands for both.
    """
    slopes = ((3e8, 1e6), (1e8, 2e6))
    sweeps = [sweep(per_viscosity=slopes), sweep("S2", "C2", per_viscosity=slopes)]
    known = {"kv40": {"value": "100 mm2/s", "u": "1 %"},
             "kv100": {"value": "11.1 mm2/s", "u": "2 %"}}  # fmt: skip
    known |= {key: known[key]["value"] for key in {*known} - {*stated}}
    entries = [
        entry(each, ["DP", "FM", "TH"], fluid=fluid, laboratory=laboratory)
        for each, fluid, laboratory in zip(sweeps, fluids, laboratories, strict=True)
    ]
    made = bench(
        sweeps, entries=entries, instruments=INSTRUMENTS, limits=exact(viscosity=0.06),
        fluid=[{"id": each, "density15": "0.885 kg/L"} | known for each in "AB"],
        laboratory=[{"id": each, "name": f"Laboratory {each}"} for each in "LM"],
    )  # fmt: skip
    found = [part.u for part in pressure_components(made, sweeps, Q, MU, RHO)
             if part.name == OF_THE_SWEEPS["viscosity"]]  # fmt: skip
    x, y = MU * Q, RHO * Q**2
    wanted = math.hypot(0.01 * (3e8 * x + 1e6 * y), 0.02 * (1e8 * x + 2e6 * y))
    wanted = wanted if len(stated) == 2 else 0.06 / math.sqrt(3.0) * 1.2e9 * x
    assert math.hypot(*found) == approx(share * wanted)


def test_the_fit_s_own_error_is_the_quadratic_form():
    covariance = [[4e14, -3e12], [-3e12, 9e10]]
    x, y = MU * Q, RHO * Q**2
    wanted = math.sqrt(4e14 * x * x - 2 * 3e12 * x * y + 9e10 * y * y)
    assert of_the_fit(sweep(covariance=covariance), Q, MU, RHO) == approx(wanted)


def test_one_specimen_carries_its_fit_and_a_recorded_deviation():
    one = sweep(a=1e9, covariance=[[1e14, 0.0], [0.0, 0.0]])
    plain = clean_estimate(bench([one], limits=exact()), [one], (Q, MU, RHO))
    assert plain.value == approx(1e9 * MU * Q)
    assert plain.u == plain.per_specimen[0].u == approx(1e7 * MU * Q)
    wide = clean_estimate(bench([one], limits=exact(), widened={"S1": 0.15}), [one], (Q, MU, RHO))
    assert wide.u == approx(math.hypot(plain.u, 0.15 * plain.value))
    assert wide.per_specimen[0].u == approx(wide.u)


def test_deviations_of_two_records_are_independent():
    two = [sweep(), sweep("S2", "C2")]
    made = bench(two, limits=exact(), widened={"S1": 0.15, "S2": 0.15})
    found = clean_estimate(made, two, (Q, MU, RHO))
    assert found.u == approx(0.15 * found.value / math.sqrt(2.0))
