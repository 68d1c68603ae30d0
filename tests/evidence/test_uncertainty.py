"""Uncertainties against GUM example H.1, a hand-worked budget, printed t-tables and scipy.stats."""

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import numpy.testing  # so that it is loaded
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dossier.evidence.statistics import uncertainty as un

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


H1 = read("jcgm_100_h1")
BUDGET = read("small_budget")
TABLE_G2 = H1["table_g2"]

sizes = st.floats(1e-6, 1e6)
dofs = st.floats(0.5, 1e6)


class TestGumH1:
    def test_difference_of_lengths(self) -> None:
        parts = H1["difference"]
        u = math.hypot(*parts["contributions"])
        assert u == pytest.approx(parts["u"], abs=0.005)
        dof = un.welch_satterthwaite(parts["contributions"], parts["dofs"])
        assert dof == pytest.approx(parts["dof"], abs=0.005)
        as_published = dof * (parts["published_u"] / u) ** 4
        assert as_published == pytest.approx(parts["published_dof"], abs=0.05)

    def budget(self) -> tuple[list[float], list[float]]:
        standard, difference = H1["standard"], H1["difference"]
        rows = [H1["expansion"], H1["temperature_difference"]]
        u = [standard["U"] / standard["k"], difference["u"]]
        u += [row["half_width_nm"] / math.sqrt(3) for row in rows]
        return u, [standard["dof"], difference["published_dof"], *(row["dof"] for row in rows)]

    def test_combined_and_degrees_of_freedom(self) -> None:
        u, dof = self.budget()
        combined = math.hypot(*u)
        assert combined == pytest.approx(H1["combined"], abs=0.005)
        assert round(combined) == H1["published_combined"]
        effective = un.welch_satterthwaite(u, dof)
        assert effective == pytest.approx(H1["dof"], abs=0.05)
        assert math.floor(effective) == H1["published_dof"]
        wrong = effective * (H1["published_combined"] / combined) ** 4
        assert wrong == pytest.approx(H1["dof_from_rounded_combined"], abs=0.05)

    def test_expanded(self) -> None:
        k = un.coverage_factor(0.99, H1["published_dof"])
        assert k == pytest.approx(H1["t_99_of_16_dof"], abs=0.005)
        assert round(k * H1["published_combined"]) == H1["published_expanded_99"]


class TestSmallBudget:
    def test_expanded(self) -> None:
        u = [BUDGET["s"] / math.sqrt(BUDGET["n"]), BUDGET["U"] / BUDGET["k"], 1 / math.sqrt(12)]
        dof = un.welch_satterthwaite(u, [4.0, math.inf, math.inf])
        assert dof == pytest.approx(BUDGET["dof"], abs=0.005)
        k = un.coverage_factor(0.95, BUDGET["truncated_dof"])
        assert k == pytest.approx(BUDGET["t975_of_truncated"], abs=5e-5)
        assert k * math.hypot(*u) == pytest.approx(BUDGET["expanded"], abs=5e-5)


class TestWelchSatterthwaite:
    @given(st.lists(st.tuples(sizes, dofs), min_size=1, max_size=6))
    def test_between_the_smallest_and_the_sum(self, parts: list[tuple[float, float]]) -> None:
        u, dof = [p[0] for p in parts], [p[1] for p in parts]
        effective = un.welch_satterthwaite(u, dof)
        assert min(dof) * (1 - 1e-9) <= effective <= sum(dof) * (1 + 1e-9)

    @given(sizes, dofs, st.integers(2, 20))
    def test_equal_contributions_add_their_dof(self, u: float, dof: float, n: int) -> None:
        assert un.welch_satterthwaite([u] * n, [dof] * n) == pytest.approx(n * dof)

    @given(sizes, sizes, dofs, st.floats(1e-100, 1e100))
    def test_unit_does_not_matter(self, a: float, b: float, dof: float, unit: float) -> None:
        one = un.welch_satterthwaite([a, b], [dof, 7.0])
        assert un.welch_satterthwaite([a * unit, b * unit], [dof, 7.0]) == pytest.approx(one)

    @given(sizes, dofs)
    def test_zero_contributions_change_nothing(self, u: float, dof: float) -> None:
        assert un.welch_satterthwaite([0.0, u], [2.0, dof]) == pytest.approx(dof)

    def test_well_known_sources_only(self) -> None:
        assert un.welch_satterthwaite([1.0, 2.0], [math.inf, math.inf]) == math.inf
        assert un.welch_satterthwaite([0.0], [2.0]) == math.inf

    @pytest.mark.parametrize(
        ("u", "dof"),
        [
            ([], []),
            ([1.0], [1.0, 2.0]),
            ([-1.0], [1.0]),
            ([math.nan], [1.0]),
            ([math.inf], [1.0]),
            ([1.0], [0.0]),
            ([1.0], [math.nan]),
        ],
    )
    def test_refuses(self, u: list[float], dof: list[float]) -> None:
        with pytest.raises(ValueError, match=r"degrees of freedom|contribution"):
            un.welch_satterthwaite(u, dof)


class TestStudent:
    @pytest.mark.parametrize(
        ("dof", "t95", "t99"),
        list(zip(TABLE_G2["dof"], TABLE_G2["t95"], TABLE_G2["t99"], strict=True)),
    )
    def test_table_g2(self, dof: int, t95: float, t99: float) -> None:
        assert un.coverage_factor(0.95, dof) == pytest.approx(t95, abs=0.0051)
        assert un.coverage_factor(0.99, dof) == pytest.approx(t99, abs=0.0051)

    @given(st.floats(1e-6, 1 - 1e-6), dofs)
    def test_quantile_equals_scipy(self, p: float, dof: float) -> None:
        assert un.t_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=1e-6, abs=1e-9)

    @given(st.floats(-50, 50), dofs)
    def test_cdf_equals_scipy(self, x: float, dof: float) -> None:
        assert un.t_cdf(x, dof) == pytest.approx(stats.t.cdf(x, dof), rel=1e-7, abs=1e-12)

    def test_closed_forms(self) -> None:
        # one degree of freedom is the Cauchy distribution, two have F = 1/2 + x / (2 sqrt(2 + x^2))
        assert un.t_quantile(0.9, 1.0) == pytest.approx(math.tan(math.pi * 0.4))
        assert un.t_cdf(1.5, 2.0) == pytest.approx(0.5 + 1.5 / (2 * math.sqrt(2 + 1.5**2)))

    def test_normal_at_infinity(self) -> None:
        assert un.t_quantile(0.95, math.inf) == pytest.approx(1.6449, abs=5e-5)
        assert un.t_cdf(1.0, math.inf) == pytest.approx(0.5 * (1 + math.erf(math.sqrt(0.5))))
        assert un.coverage_factor(0.95, math.inf) == pytest.approx(1.95996, abs=5e-6)
        assert un.t_quantile(0.95, 1e12) == pytest.approx(un.t_quantile(0.95, math.inf))

    @pytest.mark.parametrize("dof", [2.0, 3.7, math.inf])
    def test_infinite_t(self, dof: float) -> None:
        assert (un.t_cdf(-math.inf, dof), un.t_cdf(math.inf, dof)) == (0.0, 1.0)

    @pytest.mark.parametrize("p", [0.0, 1.0, -0.1, 95.0, math.nan])
    def test_refuses_a_probability(self, p: float) -> None:
        with pytest.raises(ValueError, match="between 0 and 1"):
            un.t_quantile(p, 5.0)
        with pytest.raises(ValueError, match="between 0 and 1"):
            un.coverage_factor(p, 5.0)

    @pytest.mark.parametrize("dof", [0.0, -1.0, math.nan])
    def test_refuses_degrees_of_freedom(self, dof: float) -> None:
        for call in (un.t_quantile, un.t_cdf, un.coverage_factor):
            with pytest.raises(ValueError, match="degrees of freedom"):
                call(0.5, dof)

    def test_refuses_nan(self) -> None:
        with pytest.raises(ValueError, match="t must be a number"):
            un.t_cdf(math.nan, 5.0)


def test_what_numpy_has_loaded_is_left_to_it() -> None:
    before = dict(vars(np))
    assert "testing" in before
    un.load_functions()
    assert {name: vars(np).get(name) for name in before} == before


def test_the_scatter_of_few_specimens_counts_in_an_interval_by_its_share() -> None:
    """Of variances 1 and 9, the first with a scatter of 2 by four specimens, by printed quantiles.

    1.959964 of the normal law and 3.182446 of t with three degrees of freedom.
    """
    z, t = 1.959964, 3.182446
    parts = [un.Part(1.0, scatter=2.0, scatter_dof=3.0), un.Part(3.0)]
    apart = z**2 * 10.0 + 0.1 * ((2.0 * t) ** 2 - z**2)
    expected = math.sqrt(0.9 * z**2 * 10.0 + 0.1 * apart)
    assert un.half_width(parts) == pytest.approx(expected, rel=1e-6)
    alone = math.sqrt(0.9 * z**2 + 0.1 * (2.0 * t) ** 2)
    assert un.half_width(parts[:1]) == pytest.approx(alone, rel=1e-6)
    assert un.half_width([un.Part(0.0), un.Part(0.0, 3.0)]) == 0.0
