"""Which tests may be set against each other, and what laboratories and rigs add."""

import math
from dataclasses import replace
from types import SimpleNamespace

import pytest

from dossier.case.model import Reproducibility
from dossier.evidence.quantities import all_quantities
from dossier.evidence.quantities.pressure import OIL, pressure_components
from dossier.evidence.records.fluid import kinematic_at, viscosity_accuracy
from dossier.evidence.records.instruments import InputAccuracy, accuracy_of
from dossier.evidence.statistics.between import (
    between,
    reproducibility_problems,
    rigs_of,
    stands_in,
)
from dossier.evidence.statistics.combine import shared_components
from dossier.evidence.validity.comparable import unlike_tests
from dossier.make.decide import limits
from tests import campaign as sim

KNOWN = all_quantities()


@pytest.fixture(scope="module")
def base():
    return sim.template()


@pytest.fixture(scope="module")
def alike(base):
    return sim.campaign(base, 3, 2)


def changed(bench, prefix, **update):
    """The bench with other entries of the records whose id begins with a prefix."""
    records = tuple(
        replace(r, entry=r.entry.model_copy(update=update)) if r.id.startswith(prefix) else r
        for r in bench.case.records
    )
    return replace(bench, case=replace(bench.case, records=records))


def entries(bench, prefix):
    return [record.entry for record in bench.case.records if record.id.startswith(prefix)]


class TestAlike:
    @pytest.mark.parametrize("name", ["efficiency", "retained_capacity", "clean_pressure_drop"])
    def test_tests_as_planned_compare(self, alike, name):
        assert unlike_tests(alike, KNOWN[name]) == ""

    @pytest.mark.parametrize(
        ("field", "factor", "named"),
        [
            ("flow", 1.06, "test flow"),
            ("flow", 0.94, "test flow"),
            ("terminal", 1.06, "terminal"),
            ("base_level", 0.9, "base upstream level"),
            ("viscosity", 1.16, "viscosity"),
        ],
    )
    def test_one_unlike_run_is_enough(self, alike, field, factor, named):
        def moved(run):
            unlike = run.record == "multipass-R2"
            return replace(run, **{field: getattr(run, field) * factor}) if unlike else run

        bench = replace(alike, multipass=tuple(moved(run) for run in alike.multipass))
        words = unlike_tests(bench, KNOWN["efficiency"])
        assert words.startswith(named)
        assert "multipass-R2" in words
        assert unlike_tests(bench, KNOWN["clean_pressure_drop"]) == ""

    def test_dust_by_its_words_but_for_blanks_and_capitals(self, alike):
        stated = entries(alike, "multipass-R1")[0].conditions
        for kind, same in (("iso 12103-1  a3", True), ("ISO 12103-1 A2", False)):
            dust = stated.dust.model_copy(update={"kind": kind})
            conditions = stated.model_copy(update={"dust": dust})
            bench = changed(alike, "multipass-R1", conditions=conditions)
            assert (unlike_tests(bench, KNOWN["retained_capacity"]) == "") == same
        bench = changed(alike, "multipass-R", conditions=stated.model_copy(update={"dust": None}))
        assert "not stated in record multipass-R1" in unlike_tests(bench, KNOWN["efficiency"])


class TestRigs:
    def test_one_laboratory_with_its_instruments_is_one_rig(self, alike):
        assert set(rigs_of(alike.case, entries(alike, "multipass"), "counts").values()) == {"ITH"}

    def test_other_counters_make_another_rig_and_a_link_makes_them_one(self, alike):
        bench = changed(alike, "multipass-C1", instruments=("APC-21", "FM-04"))
        bench = changed(bench, "multipass-C2", instruments=("APC-22", "FM-04"))
        pair = entries(bench, "multipass-C")
        assert len(set(rigs_of(bench.case, pair, "counts").values())) == 2
        assert len(set(rigs_of(bench.case, pair, "flow").values())) == 1
        linked = [*pair, *entries(bench, "multipass-R1")]  # that run used both counters
        assert len(set(rigs_of(bench.case, linked, "counts").values())) == 1

    def test_one_rig_adds_nothing_to_an_absolute_result_nor_to_a_comparison(self, alike):
        own = entries(alike, "multipass-C")
        assert between(alike, own[0], "counts", own) is None
        assert between(replace(alike, compared=True), own[0], "counts", own) is None

    def test_rigs_of_one_laboratory_count_in_a_comparison_alone(self, alike):
        bench = changed(alike, "multipass-C1", instruments=("APC-21", "FM-04"))
        bench = changed(bench, "multipass-C2", instruments=("APC-22", "FM-04"))
        bench = changed(bench, "multipass-R", instruments=("APC-21",))
        own = entries(bench, "multipass-C")
        assert between(bench, own[0], "counts", own) is None
        compared = replace(bench, compared=True)
        assert between(compared, own[1], "counts", own).shared == "rig ITH: APC-22"

    def test_rigs_with_nothing_in_common_count_as_two_laboratories_do(self, alike):
        # Two laboratories under one id, whose instruments show it.
        bench = changed(alike, "multipass-C", instruments=("APC-21", "FM-04"))
        bench = changed(bench, "multipass-C2", instruments=("APC-22", "FM-11"))
        own = entries(bench, "multipass-C")
        assert between(bench, own[1], "counts", own).shared == "rig ITH: APC-22, FM-11"
        linked = changed(bench, "multipass-R1", instruments=("FM-04", "FM-11"))
        own += entries(linked, "multipass-R1")
        assert between(linked, own[1], "counts", own) is None

    def test_another_laboratory_of_the_reference_counts_in_a_comparison_alone(self, alike):
        bench = changed(alike, "multipass-R", laboratory="OTH")
        own = entries(bench, "multipass-C")
        assert between(bench, own[0], "counts", own) is None
        known = between(replace(bench, compared=True), own[0], "counts", own)
        assert known.u == pytest.approx(sim.BETWEEN["efficiency"])
        assert known.shared == "rig ITH"

    def test_specimens_in_two_laboratories_weigh_by_their_number(self, base):
        bench = sim.campaign(base, 3, 3, lambda side, n: "OTH" if n == 3 else "ITH")
        found = KNOWN["retained_capacity"].compute(bench, "candidate", {})
        parts = {c.shared: c.u / found.value for c in found.components if "between" in c.name}
        u = sim.BETWEEN["retained_capacity"]
        assert parts["rig ITH"] / parts["rig OTH"] == pytest.approx(2, rel=0.2)
        assert parts["rig ITH"] >= 0.8 * u * 2 / 3  # more where they are seen to differ by more

    def test_without_a_stated_figure_the_limits_stand_in_and_say_so(self, alike):
        case = alike.case
        plain = case.qualification.model_copy(update={"reproducibility": ()})
        bench = changed(replace(alike, case=replace(case, qualification=plain)),
                        "multipass-R", laboratory="OTH")  # fmt: skip
        own = entries(bench, "multipass-C")
        known = between(replace(bench, compared=True), own[0], "injection flow", own)
        half = limits().accuracy["between laboratories: capacity"]
        assert known.u == pytest.approx(half / math.sqrt(3))
        assert "own" in known.source

    @pytest.mark.parametrize("u", ["0 %", "100 %", "-5 %"])
    def test_a_reproducibility_of_nothing_is_refused(self, u):
        with pytest.raises(ValueError, match="between 0 %"):
            Reproducibility(method="M", quantity="efficiency", u=u, source="a study of 2024")


class TestSharedErrors:
    def one(self, shared, laboratory="L"):
        return InputAccuracy(u=0.01, source="x", shared=shared, laboratory=laboratory)

    def test_a_meter_under_two_names_gains_nothing(self):
        """Two records: errors of one meter add up, and so do those of two of one laboratory."""
        for second in ("L:A", "L:B"):
            parts = shared_components("n", [(self.one("L:A"), 0.5), (self.one(second), 0.5)])
            assert math.hypot(*(part.u for part in parts)) == pytest.approx(1.0)
        assert [part.shared for part in parts] == ["L:A", "L:B", ""]

    def test_meters_of_two_laboratories_err_independently(self):
        effects = [(self.one("L:A"), 0.5), (self.one("K:A", "K"), 0.5)]
        parts = shared_components("n", effects)
        assert math.hypot(*(part.u for part in parts)) == pytest.approx(math.sqrt(0.5))

    def test_what_stands_in_is_shared_by_the_instrument(self, alike):
        def key(**update):
            entry = entries(alike, "multipass-C1")[0].model_copy(update=update)
            return accuracy_of(alike.case, limits(), entry, "counts", 1.0).shared

        one = key(instruments=("APC-21",))
        assert one == key(instruments=("APC-21", "FM-04"), filter="reference")
        assert one != key(instruments=("APC-22",))
        assert one != key(instruments=("APC-21",), laboratory="OTH")

    def test_without_an_instrument_nothing_is_taken_out_between_the_filters(self, alike):
        first, second = (
            accuracy_of(alike.case, limits(), entries(alike, f"multipass-{name}")[0].model_copy(
                update={"instruments": ()}), "counts", 1.0).shared
            for name in ("C1", "R1")
        )  # fmt: skip
        assert first != second


class TestViscosity:
    def test_stated_at_its_own_temperatures_and_between(self, alike):
        oil = alike.case.application.oil
        for temperature, u in ((313.15, oil.kv40.u / oil.kv40.value),
                               (373.15, oil.kv100.u / oil.kv100.value)):  # fmt: skip
            known = viscosity_accuracy(limits(), oil, "oil", temperature)
            assert known.u == pytest.approx(u, rel=2e-3)
        assert viscosity_accuracy(limits(), oil, "oil", 343.15).u < u
        assert viscosity_accuracy(limits(), oil, "oil", 263.15).u > u

    def test_without_a_figure_the_width_of_a_grade_stands_in(self, alike):
        oil = alike.case.application.oil
        plain = oil.model_copy(update={"kv40": oil.kv40.model_copy(update={"u": None})})
        known = viscosity_accuracy(limits(), plain, "oil", 313.15)
        assert known.u == pytest.approx(0.10 / math.sqrt(3))

    def test_the_oil_moves_the_viscous_part_alone(self, alike):
        oil, flow = alike.case.application.oil, 80.0 / 6e4
        rho = 830.0
        mu = kinematic_at(oil, 373.15) * rho
        sweeps = [s for s in alike.pressure if s.side == "candidate"]
        parts = pressure_components(alike, sweeps, flow, mu, rho)
        found = {part.name: part.u for part in parts}
        viscous = sum(s.assembly.a for s in sweeps) / len(sweeps) * mu * flow
        u = oil.kv100.u / oil.kv100.value
        assert found[OIL] == pytest.approx(viscous * u, rel=5e-3)


def test_a_stated_reproducibility_is_one_of_a_method_and_of_something_known():
    least = limits().plausible["least_reproducibility"] * stands_in(limits(), "efficiency")
    study = {"method": "M", "quantity": "efficiency", "source": "a study of 2024"}

    def found(**changes):
        usual = study | {"u": f"{100 * 1.1 * least:.6g} %"}
        stated = [Reproducibility(**usual), Reproducibility(**usual | changes)]
        case = SimpleNamespace(
            records=[SimpleNamespace(entry=SimpleNamespace(standard="M"))],
            qualification=SimpleNamespace(reproducibility=stated),
        )
        return [*reproducibility_problems(case, limits())]

    def told(**changes):
        assert all(each.place.startswith("reproducibility number 2") for each in found(**changes))
        return [each.what for each in found(**changes)]

    assert told() == []
    (what,) = told(u=f"{100 * 0.9 * least:.6g} %")
    assert "stand in where none is known" in what
    assert told(method="N") == ["method 'N' is that of no record"]
    (what,) = told(quantity="nonsense")
    assert "is not one that a record is reduced to" in what
