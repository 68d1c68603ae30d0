"""Decision rules against JCGM 106 and ILAC-G8 examples, laws, and a simulated laboratory."""

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dossier.decision.rules import (
    Rule,
    Tolerance,
    Verdict,
    conformance_probability,
    conformance_probability_of_samples,
    verdict_by,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


EXAMPLES = read("jcgm_106_7")["example"]
ILAC = read("ilac_g8_2019")
MONTE_CARLO = read("jcgm_101_9")

KINDS: tuple[Rule, ...] = ("simple_acceptance", "guard_band", "graded")
FAVOUR = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL, Verdict.CONDITIONAL_PASS, Verdict.PASS)
INF = math.inf

values = st.floats(-100, 100)
spreads = st.floats(1e-3, 50)
freedoms = st.one_of(st.just(INF), st.floats(1, 200))
confidences = st.floats(0.5, 0.999)


@st.composite
def limits(draw: st.DrawFn) -> Tolerance:
    shape = draw(st.sampled_from(["lower", "upper", "both"]))
    low, width = draw(values), draw(st.floats(0, 100))
    lower = None if shape == "upper" else low
    return Tolerance(lower, None if shape == "lower" else low + width)


def mirrored(of: Tolerance) -> Tolerance:
    turn = [None if each is None else -each for each in (of.upper, of.lower)]
    return Tolerance(*turn)


class TestConformanceProbability:
    @pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["name"])
    def test_jcgm_106(self, example: dict[str, Any]) -> None:
        given_limits = Tolerance(example.get("lower"), example.get("upper"))
        found = conformance_probability(example["value"], example["u"], INF, given_limits)
        assert found == pytest.approx(example["probability"], abs=5.1e-5)

    @given(values, spreads, freedoms, limits())
    def test_equals_scipy(self, value: float, u: float, dof: float, of: Tolerance) -> None:
        law = stats.norm(value, u) if dof == INF else stats.t(dof, value, u)
        over = 1.0 if of.upper is None else law.cdf(of.upper)
        under = 0.0 if of.lower is None else law.cdf(of.lower)
        found = conformance_probability(value, u, dof, of)
        assert found == pytest.approx(over - under, abs=1e-9)
        assert 0.0 <= found <= 1.0

    @given(values, st.floats(0, 50), spreads, freedoms, st.floats(0, 100))
    def test_grows_with_the_value_above_a_lower_limit(
        self, value: float, more: float, u: float, dof: float, limit: float
    ) -> None:
        lower = Tolerance(limit, None)
        here = conformance_probability(value, u, dof, lower)
        assert conformance_probability(value + more, u, dof, lower) >= here - 1e-12
        upper = Tolerance(None, limit)
        here = conformance_probability(value, u, dof, upper)
        assert conformance_probability(value + more, u, dof, upper) <= here + 1e-12

    @given(values, spreads, freedoms, limits())
    def test_mirror(self, value: float, u: float, dof: float, of: Tolerance) -> None:
        found = conformance_probability(value, u, dof, of)
        assert conformance_probability(-value, u, dof, mirrored(of)) == pytest.approx(
            found, abs=1e-12
        )

    @given(spreads, freedoms, values)
    def test_half_on_a_single_limit(self, u: float, dof: float, limit: float) -> None:
        assert conformance_probability(limit, u, dof, Tolerance(limit, None)) == pytest.approx(0.5)

    @given(st.floats(0.05, 3.0))
    def test_few_degrees_of_freedom_show_less(self, z: float) -> None:
        of = Tolerance(0.0, None)
        few = conformance_probability(z, 1.0, 2.0, of)
        assert few < conformance_probability(z, 1.0, INF, of)

    @pytest.mark.parametrize(
        ("value", "expected"), [(1.0, 1.0), (2.0, 1.0), (1.5, 1.0), (0.999, 0.0), (2.001, 0.0)]
    )
    def test_no_uncertainty_is_certainty(self, value: float, expected: float) -> None:
        assert conformance_probability(value, 0.0, INF, Tolerance(1.0, 2.0)) == expected
        assert conformance_probability(value, 0.0, 2.0, Tolerance(1.0, 2.0)) == expected

    def test_far_outside_is_never_negative(self) -> None:
        assert conformance_probability(1e3, 1.0, INF, Tolerance(0.0, 1.0)) == 0.0
        assert conformance_probability(-1e3, 1.0, 3.0, Tolerance(0.0, 1.0)) == pytest.approx(
            0, abs=1e-8
        )
        tiny = conformance_probability(-38.0, 1.0, INF, Tolerance(-1.0, 1.0))
        assert tiny == pytest.approx(stats.norm.sf(37.0), rel=1e-6, abs=0.0)
        assert conformance_probability(38.0, 1.0, INF, Tolerance(-1.0, 1.0)) == pytest.approx(
            tiny, abs=0.0
        )

    def test_a_hair_thin_band_is_never_negative(self) -> None:
        # the library's distribution steps back by a rounding error here and there
        for z in np.random.default_rng(7).normal(size=5000):
            thin = Tolerance(float(z), math.nextafter(float(z), INF))
            assert 0.0 <= conformance_probability(0.0, 1.0, 5.5, thin) < 1e-12

    @pytest.mark.parametrize(
        ("value", "u", "dof"),
        [(math.nan, 1.0, INF), (INF, 1.0, INF), (1.0, math.nan, INF), (1.0, -1.0, INF),
         (1.0, INF, INF), (1.0, 1.0, 0.0), (1.0, 1.0, math.nan), (1.0, 0.0, math.nan)],
    )  # fmt: skip
    def test_refuses(self, value: float, u: float, dof: float) -> None:
        with pytest.raises(ValueError, match=r"value|uncertainty|degrees of freedom"):
            conformance_probability(value, u, dof, Tolerance(0.0, 1.0))


class TestConformanceProbabilityOfSamples:
    @pytest.mark.parametrize("example", MONTE_CARLO["additive"], ids=lambda e: e["example"])
    def test_jcgm_101_9_2(self, example: dict[str, Any]) -> None:
        rng, size = np.random.default_rng(101), 200_000
        drawn = rng.normal(size=(example["normals"], size)).sum(0)
        u2 = float(example["normals"])
        for sigma in example["rectangular_sigmas"]:
            half = sigma * math.sqrt(3.0)
            drawn += rng.uniform(-half, half, size)
            u2 += half**2 / 3  # a rectangle's variance, JCGM 100, 4.3.7
        assert math.sqrt(u2) == pytest.approx(example["u"], abs=0.005)
        of = Tolerance(-example["half_width_95"], example["half_width_95"])
        found = conformance_probability_of_samples(drawn, of)
        assert found == pytest.approx(0.95, abs=example["tolerance"])

    def test_jcgm_101_9_4_where_the_linear_law_breaks_down(self) -> None:
        case = MONTE_CARLO["comparison_loss"]
        drawn = (np.random.default_rng(94).normal(0, case["u"], (2, 200_000)) ** 2).sum(0)
        found = conformance_probability_of_samples(drawn, Tolerance(None, case["upper_95"]))
        assert found == pytest.approx(0.95, abs=0.002)
        assert conformance_probability_of_samples(drawn, Tolerance(0.0, None)) == 1.0

    def test_on_a_limit_is_inside_and_infinity_is_beyond(self) -> None:
        drawn = [-INF, 0.0, 1.0, 2.0, 3.0, INF]
        assert conformance_probability_of_samples(drawn, Tolerance(1.0, 2.0)) == pytest.approx(
            2 / 6
        )
        assert conformance_probability_of_samples(drawn, Tolerance(1.0, None)) == pytest.approx(
            4 / 6
        )
        assert conformance_probability_of_samples(drawn, Tolerance(None, 1.0)) == pytest.approx(
            3 / 6
        )

    @given(values, spreads, limits())
    def test_agrees_with_the_law_it_was_drawn_from(
        self, value: float, u: float, of: Tolerance
    ) -> None:
        quantiles = stats.norm.ppf((np.arange(2000) + 0.5) / 2000, value, u)
        expected = conformance_probability(value, u, INF, of)
        assert conformance_probability_of_samples(quantiles, of) == pytest.approx(
            expected, abs=1.1e-3
        )

    @pytest.mark.parametrize("drawn", [[], [1.0, math.nan], [[1.0, 2.0]], 1.0])
    def test_refuses(self, drawn: Any) -> None:
        with pytest.raises(ValueError, match="draws must be one row of numbers"):
            conformance_probability_of_samples(drawn, Tolerance(0.0, None))


class TestLimits:
    @pytest.mark.parametrize(
        ("lower", "upper"),
        [(None, None), (math.nan, None), (None, math.nan), (0.0, math.nan), (INF, None),
         (None, -INF), (2.0, 1.0)],
    )  # fmt: skip
    def test_refuses(self, lower: float | None, upper: float | None) -> None:
        with pytest.raises(ValueError, match="limit"):
            Tolerance(lower, upper)

    def test_a_limit_is_inside(self) -> None:
        band = Tolerance(1.0, 2.0)
        assert [band.hold(v) for v in (0.999, 1.0, 1.5, 2.0, 2.001)] == [
            False, True, True, True, False,
        ]  # fmt: skip
        assert not band.hold(math.nan)


class TestGuardBand:
    @pytest.mark.parametrize("row", ILAC["guard_band"], ids=lambda r: r["name"])
    def test_ilac_risks(self, row: dict[str, Any]) -> None:
        limit, value = Tolerance(None, 100.0), 100.0 - 3.0 * row["w_over_u"]
        risk = 1 - conformance_probability(value, 3.0, INF, limit)
        assert risk < row["stated_below"]
        assert risk == pytest.approx(row["exact"], rel=2e-3)

    @pytest.mark.parametrize("row", ILAC["size"], ids=lambda r: f"{r['risk']} {r['dof']}")
    @pytest.mark.parametrize(("moved", "verdict"), [(1e-4, Verdict.PASS), (-1e-4, Verdict.FAIL)])
    def test_passes_from_the_guard_band_on(
        self, row: dict[str, Any], moved: float, verdict: Verdict
    ) -> None:
        limits, value = Tolerance(0.0, None), row["w_over_u"] + moved
        chance = conformance_probability(value, 1.0, row["dof"], limits)
        assert verdict_by("guard_band", value, chance, limits, 1 - row["risk"]) is verdict

    def test_both_tails_of_a_narrow_band_count(self) -> None:
        # +/- 2 u: in the middle p_c = 0.9545, and 0.5 u off it no longer 95 %
        of = Tolerance(-2.0, 2.0)
        for value, verdict in ((0.0, Verdict.PASS), (0.5, Verdict.FAIL)):
            chance = conformance_probability(value, 1.0, INF, of)
            assert verdict_by("guard_band", value, chance, of, 0.95) is verdict


class TestJudge:
    @pytest.mark.parametrize("row", ILAC["classes"]["rows"], ids=lambda r: str(r["value"]))
    def test_ilac_classes(self, row: dict[str, Any]) -> None:
        table = ILAC["classes"]
        of, value = Tolerance(None, table["upper"]), row["value"]
        confidence = float(stats.norm.cdf(table["w"] / table["u"]))
        probability = conformance_probability(value, table["u"], INF, of)
        assert probability == pytest.approx(row["probability"], abs=5.1e-5)
        assert verdict_by("graded", value, probability, of, confidence) == row["graded"]
        assert verdict_by("simple_acceptance", value, probability, of, confidence) == row["simple"]
        assert verdict_by("guard_band", value, probability, of, confidence) == row["guarded"]

    def test_boundaries(self) -> None:
        of = Tolerance(10.0, 20.0)
        assert verdict_by("guard_band", 12.0, 0.95, of, 0.95) is Verdict.PASS
        assert verdict_by("guard_band", 12.0, math.nextafter(0.95, 0), of, 0.95) is Verdict.FAIL
        assert verdict_by("graded", 12.0, 0.95, of, 0.95) is Verdict.PASS
        for on_the_limit in (10.0, 20.0):
            assert verdict_by("graded", on_the_limit, 0.5, of, 0.95) is Verdict.CONDITIONAL_PASS
            assert verdict_by("simple_acceptance", on_the_limit, 0.5, of, 0.95) is Verdict.PASS
        beyond = math.nextafter(20.0, INF)
        assert verdict_by("graded", beyond, 0.5, of, 0.95) is Verdict.CONDITIONAL_FAIL
        assert verdict_by("simple_acceptance", beyond, 0.5, of, 0.95) is Verdict.FAIL
        assert verdict_by("graded", beyond, 1 - 0.75, of, 0.75) is Verdict.FAIL
        assert verdict_by("graded", beyond, 0.2500001, of, 0.75) is Verdict.CONDITIONAL_FAIL

    @given(values, values, spreads, freedoms, confidences, values, st.sampled_from(["lo", "up"]))
    def test_a_better_value_is_never_judged_worse(
        self, a: float, b: float, u: float, dof: float, confidence: float, limit: float, side: str
    ) -> None:
        of = Tolerance(limit, None) if side == "lo" else Tolerance(None, limit)
        worse, better = sorted((a, b), reverse=side == "up")
        for kind in KINDS:
            ranks = [
                FAVOUR.index(
                    verdict_by(kind, v, conformance_probability(v, u, dof, of), of, confidence)
                )
                for v in (worse, better)
            ]
            assert ranks[0] <= ranks[1]

    @given(values, spreads, freedoms, confidences, limits(), st.floats(0, 50), st.floats(0, 50))
    def test_relaxing_a_limit_never_turns_a_pass_into_a_fail(
        self,
        value: float,
        u: float,
        dof: float,
        confidence: float,
        of: Tolerance,
        down: float,
        up: float,
    ) -> None:
        lower = None if of.lower is None else of.lower - down
        relaxed = Tolerance(lower, None if of.upper is None else of.upper + up)
        for kind in KINDS:
            tight, loose = (
                FAVOUR.index(
                    verdict_by(
                        kind, value, conformance_probability(value, u, dof, each), each, confidence
                    )
                )
                for each in (of, relaxed)
            )
            assert loose >= tight

    @given(values, spreads, freedoms, st.floats(0.501, 0.999), limits())
    def test_kinds_agree_on_what_is_clear(
        self, value: float, u: float, dof: float, confidence: float, of: Tolerance
    ) -> None:
        probability = conformance_probability(value, u, dof, of)
        simple, guarded, graded = (verdict_by(k, value, probability, of, confidence) for k in KINDS)
        assert (guarded is Verdict.PASS) == (graded is Verdict.PASS)
        assert (simple is Verdict.PASS) == (graded in {Verdict.PASS, Verdict.CONDITIONAL_PASS})

    @pytest.mark.parametrize("kind", KINDS)
    @pytest.mark.parametrize(
        ("value", "probability", "confidence"),
        [
            (math.nan, 1.0, 0.95),
            (INF, 1.0, 0.95),
            (15.0, math.nan, 0.95),
            (15.0, 1.1, 0.95),
            (15.0, -0.1, 0.95),
            (15.0, 1.0, math.nan),
            (15.0, 1.0, 0.4),
            (15.0, 1.0, 1.0),
            (15.0, 1.0, 95.0),
        ],
    )
    def test_refuses_on_every_rule(
        self, kind: Any, value: float, probability: float, confidence: float
    ) -> None:
        with pytest.raises(ValueError, match=r"value|probability|confidence"):
            verdict_by(kind, value, probability, Tolerance(10.0, 20.0), confidence)

    def test_refuses_another_rule(self) -> None:
        unknown: Any = "lenient"
        with pytest.raises(ValueError, match="rule must be"):
            verdict_by(unknown, 15.0, 1.0, Tolerance(10.0, 20.0), 0.95)


@pytest.mark.parametrize(("confidence", "sign"), [(0.95, 1.0), (0.90, -1.0)])
def test_a_filter_at_the_limit_passes_no_more_often_than_the_risk(
    confidence: float, sign: float
) -> None:
    """Three specimens of normal scatter whose true mean is exactly the limit."""
    runs, limit = 5000, 250.0
    of = Tolerance(limit, None) if sign > 0 else Tolerance(None, limit)
    passed = 0
    for drawn in np.random.default_rng(2026).normal(limit, 12.0, (runs, 3)):
        mean, u, dof = np.mean(drawn), np.std(drawn, ddof=1) / math.sqrt(len(drawn)), len(drawn) - 1
        probability = conformance_probability(mean, u, dof, of)
        passed += verdict_by("guard_band", mean, probability, of, confidence) is Verdict.PASS
    law = stats.binom(runs, 1 - confidence)
    assert law.ppf(0.0001) <= passed <= law.ppf(0.9999)
