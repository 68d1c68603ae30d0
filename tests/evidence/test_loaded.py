"""The loaded filter: the loading curve of a viscous element, carried to another oil by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.evidence.quantities.capacity import Loaded, far_from_run, loaded_specimens
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.statistics.estimate import NotDemonstrated, attempt
from tests.made_bench import MU, RHO, application, bench, exact, run, sweep

approx = pytest.approx
Q = 60.0 / 6e4
WARM = 90.0 + 273.15
OIL_MU, OIL_RHO = fluid_at(application().oil, WARM)
MASS = np.array([0.0, 0.01, 0.02, 0.04])


def curve(a, b=0.0, grown=(1.0, 1.5, 2.0, 4.0), housing=0.0):
    """What a run at Q shows of an element whose viscous part grows by these factors [Pa]."""
    still = housing * MU * Q + b * RHO * Q**2
    return still + (a - housing) * MU * Q * np.array(grown)


def loaded(*results, flow=Q, **options):
    made = bench(results, limits=exact(), **options)
    return attempt(loaded_specimens, made, "candidate", flow, WARM)


def test_the_viscous_part_grows_and_the_rest_stays():
    one = sweep(a=1.2e9, b=4e6, housing=2e8)
    (found,) = loaded(run(mass=MASS, curve=curve(1.2e9, 4e6, housing=2e8)), one)
    rest = 2e8 * OIL_MU * Q + 4e6 * OIL_RHO * Q**2
    viscous = 1e9 * OIL_MU * Q
    assert found.drop == approx(rest + viscous * np.array([1.0, 1.5, 2.0, 4.0]))
    assert found.clean == approx(rest + viscous)
    assert (found.record, found.sweeps) == ("M1", ("S1",))


def test_the_end_of_the_run_is_the_assembly_s():
    (found,) = loaded(run(mass=MASS, curve=curve(1.2e9), terminal=150e3, housing=7e3), sweep())
    assert found.tested == approx(157e3)


def test_each_specimen_takes_its_own_sweep_and_one_without_the_mean():
    third = run("M3", "C3", mass=MASS, curve=curve(1.3e9))
    sweeps = [sweep(a=1e9, housing=1e8), sweep("S2", "C2", a=1.2e9, housing=3e8)]
    runs = [run(mass=MASS, curve=curve(1e9)), run("M2", "C2", mass=MASS, curve=curve(1.2e9))]
    found = loaded(*runs, *sweeps)
    assert [each.clean for each in found] == approx([1e9 * OIL_MU * Q, 1.2e9 * OIL_MU * Q])
    alone = loaded(*runs, third, *sweeps, sweep("S3", "C9"))
    assert isinstance(alone, NotDemonstrated)  # C3 was loaded and never swept
    one = bench([*runs, third, *sweeps], candidate={"part_number": "X", "specimens": ["C1", "C2"]})
    (_, _, mean) = loaded_specimens(one, "candidate", Q, WARM)
    assert mean.clean == approx(1.1e9 * OIL_MU * Q)
    grown = (curve(1.3e9) - 2e8 * MU * Q) / (1.1e9 * MU * Q)
    assert mean.drop == approx(OIL_MU * Q * (2e8 + (1.1e9 - 2e8) * grown))
    assert mean.sweeps == ("S1", "S2")  # what it rests on is named, for a recall to find it


@pytest.mark.parametrize(("housing", "first"), [(1.3e9, 1.0), (0.0, 0.0)])
def test_an_element_without_a_viscous_part_cannot_be_carried(housing, first):
    grown = curve(1.2e9, grown=(first, 1.5, 2.0, 4.0))
    found = loaded(run(mass=MASS, curve=grown), sweep(housing=housing))
    assert "not above zero" in found.reason


@pytest.mark.parametrize(("factor", "far"), [(0.999, False), (1.001, True)])
def test_a_run_speaks_for_flows_and_viscosities_near_its_own(factor, far):
    limits = exact()
    top = limits.run_flow_factor * factor
    assert bool(far_from_run(run(), limits, Q * top)) is far
    assert bool(far_from_run(run(), limits, Q / top)) is far
    thick = limits.run_viscosity_factor * factor
    for mu in (OIL_MU / OIL_RHO * RHO / thick, OIL_MU / OIL_RHO * RHO * thick):
        found = loaded(run(mass=MASS, curve=curve(1.2e9) * mu / MU, viscosity=mu), sweep())
        assert isinstance(found, NotDemonstrated) is far


def test_outside_the_sweep_there_is_no_loading():
    assert "outside the tested flows" in loaded(run(), sweep(), flow=2 * Q).reason


ONE = Loaded(
    record="M1", sweeps=("S1",), specimen="C1", mass=np.array([0.0, 1.0, 2.0, 4.0]),
    drop=np.array([10.0, 20.0, 20.0, 60.0]), clean=10.0, tested=60.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("limit", "mass", "reached"),
    [(5.0, 0.0, True), (10.0, 0.0, True), (15.0, 0.5, True), (20.0, 1.0, True), (40.0, 3.0, True),
     (60.0, 4.0, True), (60.1, 4.0, False)],
)  # fmt: skip
def test_the_mass_at_a_pressure_is_where_it_is_first_reached(limit, mass, reached):
    assert ONE.mass_to(limit) == (approx(mass), "" if reached else "larger than")
    assert ONE.masses_to(np.array([limit]))[0] == approx(mass)


def test_beyond_the_tested_loading_the_pressure_is_not_bounded():
    assert ONE.at_mass(np.array([-1.0, 0.5, 4.0])) == approx([10.0, 15.0, 60.0])
    assert ONE.at_mass(np.array([4.001]))[0] == np.inf


LAB = bench([run(), sweep()], limits=exact())


def test_a_level_end_reaches_to_the_last_reading():
    (found,) = loaded(run(mass=MASS, curve=curve(1.2e9, grown=(1.0, 1.5, 1.5, 1.5))), sweep())
    wanted = 1.2e9 * OIL_MU * Q * np.array([1.0, 1.5, 1.5, 1.5])
    assert found.at_mass(MASS) == approx(wanted)


@given(st.lists(st.sampled_from([0.0, 0.0, 1.0, 3.0]), min_size=2, max_size=12))
def test_readings_of_a_level_part_are_left_out_and_no_value_moves(rises):
    drop = curve(1.2e9)[0] * (1.0 + np.cumsum([0.0, *rises]))
    mass = np.linspace(0.0, 0.04, len(drop))
    lab = replace(LAB, multipass=(run(mass=mass, curve=drop),))
    (found,) = loaded_specimens(lab, "candidate", Q, WARM)
    wanted = found.clean * drop / drop[0]
    assert found.at_mass(mass) == approx(wanted)
    assert len(found.mass) <= 2 * np.count_nonzero(rises) + 2
