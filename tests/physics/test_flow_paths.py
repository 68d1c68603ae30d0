"""Flow splits against equal pressure, conservation and closed forms of the limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dossier.physics.circuit import split_parallel, split_to_sump
from dossier.physics.pressure_drop import Path

VISCOSITY = st.floats(2e-3, 10.0)
DENSITY = st.floats(750.0, 950.0)
FLOW = st.floats(1e-5, 1e-2)
PATHS = st.builds(Path, st.floats(1e6, 1e11), st.floats(1e3, 1e12))


def drop(path, q, mu, rho):
    return path.a * mu * q + path.b * rho * q * q


@given(PATHS, FLOW, VISCOSITY, DENSITY)
def test_flow_inverts_pressure_drop(path, q, mu, rho):
    assert path.pressure_drop(q, mu, rho) == pytest.approx(drop(path, q, mu, rho), rel=1e-14)
    assert path.flow(drop(path, q, mu, rho), mu, rho) == pytest.approx(q, rel=1e-12)


@given(st.lists(PATHS, min_size=1, max_size=5), FLOW, VISCOSITY, DENSITY)
def test_parallel_paths_share_one_pressure_and_lose_no_oil(paths, total, mu, rho):
    shares = split_parallel(paths, total, mu, rho)
    assert math.fsum(shares) == pytest.approx(1.0, rel=1e-12)
    assert min(shares) > 0
    drops = [drop(p, q * total, mu, rho) for p, q in zip(paths, shares, strict=True)]
    assert drops == pytest.approx([drops[0]] * len(paths), rel=1e-8)


@given(st.lists(st.floats(1e6, 1e11), min_size=2, max_size=4), FLOW, VISCOSITY)
def test_purely_viscous_paths_share_as_conductances(resistances, total, mu):
    shares = split_parallel([Path(a, 0.0) for a in resistances], total, mu, 850.0)
    whole = sum(1 / a for a in resistances)
    assert shares == pytest.approx([1 / a / whole for a in resistances], rel=1e-9)


def test_purely_inertial_paths_share_as_roots():
    shares = split_parallel([Path(0.0, 1e8), Path(0.0, 4e8)], 3e-4, 0.02, 850.0)
    assert shares == pytest.approx([2 / 3, 1 / 3], rel=1e-12)


def test_the_share_through_a_viscous_fine_path_falls_with_cold_oil():
    main, fine = Path(2e8, 3e6), Path(5e9, 0.0)  # an invented can
    shares = [split_parallel([main, fine], 1.5e-3, mu, 870.0)[1] for mu in (0.01, 0.1, 9.0)]
    assert shares[0] > shares[1] > shares[2]
    assert shares[2] == pytest.approx(2e8 / 5.2e9, rel=0.01)  # all viscous: as conductances


@given(PATHS, PATHS, FLOW, st.floats(1e3, 1e6), VISCOSITY, DENSITY)
def test_return_to_sump_meets_the_inlet_pressure(fine, full, total, gallery, mu, rho):
    if not drop(fine, total, mu, rho) > gallery:
        with pytest.raises(ValueError, match="cannot be held"):
            split_to_sump(fine, total, gallery, mu, rho, full)
        return
    share = split_to_sump(fine, total, gallery, mu, rho, full)
    inlet = gallery + drop(full, total - share * total, mu, rho)
    assert drop(fine, share * total, mu, rho) == pytest.approx(inlet, rel=1e-8)


def test_return_to_sump_in_closed_form_where_all_is_viscous():
    fine, full, mu, total, gallery = Path(3e10, 0.0), Path(4e8, 0.0), 0.02, 1.5e-3, 4e5
    expected = (gallery + full.a * mu * total) / ((fine.a + full.a) * mu)
    assert split_to_sump(fine, total, gallery, mu, 850.0, full) == pytest.approx(
        expected / total, rel=1e-12
    )
    alone = split_to_sump(fine, total, gallery, mu, 850.0)
    assert alone * total == pytest.approx(gallery / (fine.a * mu), rel=1e-12)


def test_a_fine_path_that_takes_exactly_all_is_refused():
    with pytest.raises(ValueError, match="cannot be held"):
        split_to_sump(Path(1e9, 0.0), 1e-3, 1e6, 1.0, 850.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_values_that_are_no_path_are_refused(bad):
    for a, b in [(bad, 1e7), (1e9, bad)]:
        with pytest.raises(ValueError, match="1/m"):
            Path(a, b)
    with pytest.raises(ValueError, match="pressure drop"):
        Path(1e9, 1e7).flow(bad, 0.02, 850.0)
    with pytest.raises(ValueError, match="flow"):
        Path(1e9, 1e7).pressure_drop(bad, 0.02, 850.0)
