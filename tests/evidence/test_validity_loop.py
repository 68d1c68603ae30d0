"""The loop's balance, the readings' noise, copies, paths and specimens: laws and samples."""

import itertools
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier import CaseError, assess, read_case
from dossier.case.fields import Dilution, Dust
from dossier.case.read import read_case_files
from dossier.evidence.prepare import prepare
from dossier.evidence.quantities import all_quantities
from dossier.evidence.validity import balance, readings
from dossier.evidence.validity import copies as noise
from dossier.evidence.validity.balance import doubtful
from dossier.evidence.validity.readings import Run, _rank_chance, sides_of
from dossier.make.decide import limits
from dossier.physics.particles import counts_per_mass, grade
from tests import laboratory as lab
from tests import small_case as small
from tests.spelled import INPUTS

RUNS = {"polder-pumps": "MP-C1", "ropeway-drive": "MP-R1", "chain-ferry": "MP-C1"}


@pytest.fixture(scope="module")
def benches():
    return {name: prepare(read_case_files(INPUTS / name), limits(), 1) for name in RUNS}


@pytest.fixture(scope="module")
def run(benches):
    bench = benches["polder-pumps"]
    record = next(r for r in bench.case.records if r.id == "MP-C1")
    return record, next(r for r in bench.multipass if r.record == "MP-C1")


def verdict(record, result, name):
    """Return what a rule finds of a run, and its words; no other run is against it."""
    limit = limits().find(name, "multipass", "ISO 4548-12:2017")
    held = Run(case=None, record=record, limits=limits(), demands=(), against={"recirculation": ""},
               result=result, siblings=(), sweeps=())  # fmt: skip
    return (balance.RULES | readings.RULES)[name](held, limit)


def quotients(found):
    return [float(part.split(" at ")[0]) for part in found.split(":")[0].split(", ")]


class TestRunsTogether:
    """N_up = n + N_down in a settled loop: both sides rise alike, whatever the filter."""

    def slope(self, run, factor):
        record, result = run
        rng = np.random.default_rng(3)
        runs = []
        for name in "ABC":
            passes = np.linspace(0.18, 0.22, 10)[:, None] * (result.sizes <= 7.0)
            up = 1e4 / (1.0 - passes) * rng.normal(1.0, 1e-4, passes.shape)
            made = replace(result, record=name, up=up, down=factor * passes * up)
            runs.append((replace(record, entry=record.entry.model_copy(update={"id": name})), made))
        return doubtful(runs)

    def test_an_exact_loop_is_not_doubted(self, run):
        assert set(self.slope(run, 1.0).values()) == {""}

    @pytest.mark.parametrize("factor", [0.5, 2.0])
    def test_a_factor_of_one_side_is_the_slope(self, run, factor):
        said = self.slope(run, factor)
        assert set(said) == {"A", "B", "C"}
        (words,) = set(said.values())
        found = float(re.search(r"rises (\d\.\d\d) ±", words).group(1))
        assert found == pytest.approx(1.0 / factor, rel=0.05)


class TestBalance:
    @given(
        st.lists(st.floats(0.01, 0.6), min_size=7, max_size=7),
        st.floats(0.7, 1.4),
        st.floats(0.3, 3.0),
    )
    @settings(max_examples=25, deadline=None)
    def test_an_exact_loop_of_any_filter_has_the_quotient_of_its_dust(self, run, p, dust, level):
        record, result = run
        base = level * result.base_level
        passing = np.sort(np.array(p))[::-1]
        # 10 mg/L once through: the laboratory's table, from the level in mg/L.
        at_table = np.exp(np.interp(np.log(result.sizes), np.log(lab.DUST_SIZES),
                                    np.log(lab.DUST_COUNTS)))  # fmt: skip
        once = dust * at_table * base * 1e3 / 10.0
        up = np.tile(once / (1.0 - passing), (10, 1))
        exact = replace(result, up=up, down=up * passing, base_level=base, counted_up=1e6,
                        counted_down=1e6)  # fmt: skip
        found = verdict(record, exact, "particle balance")
        assert quotients(found[1]) == pytest.approx([dust] * 7, abs=0.0051)
        assert (found[0] is True) == (0.75 <= dust <= 1.25) or abs(abs(dust - 1.0) - 0.25) < 1e-3

    @pytest.mark.parametrize("name", RUNS)
    @pytest.mark.parametrize(
        "change",
        [
            lambda u, d: (u / 10, d),
            lambda u, d: (u * 2, d),
            lambda u, d: (u * 10, d),
            lambda u, d: (u, d / 10),
            lambda u, d: (u, d / 2),
            lambda u, d: (u / 10, d / 10),
            lambda u, d: (u / 1000, d / 1000),
            lambda u, d: (u * 2, d * 2),
            lambda u, d: (np.roll(u, 1, axis=1), np.roll(d, 1, axis=1)),
            lambda u, d: (np.roll(u, -1, axis=1), np.roll(d, -1, axis=1)),
            lambda u, d: (np.roll(u, 1, axis=1), d),
            lambda u, d: (np.roll(u, -1, axis=1), d),
            lambda u, d: (u, np.roll(d, -1, axis=1)),
        ],
    )
    def test_a_wrong_factor_or_label_on_either_side_is_not_met(self, benches, name, change):
        bench = benches[name]
        record = next(r for r in bench.case.records if r.id == RUNS[name])
        result = next(r for r in bench.multipass if r.record == RUNS[name])
        up, down = change(result.up, result.down)
        keep = slice(1, -1)  # a rolled column has no place at the ends
        wrong = replace(result, up=up[:, keep], down=down[:, keep], sizes=result.sizes[keep],
                        readings=result.readings[:, keep])  # fmt: skip
        whole = replace(result, up=up, down=down)
        outcomes = [
            verdict(record, each, rule)
            for each in (wrong, whole)
            for rule in ("particle balance", "recirculation")
        ]
        assert any(each[0] is False for each in outcomes)

    def test_sizes_beyond_the_table_and_ratios_near_one_are_named_and_not_judged(self, run):
        record, result = run
        beyond = replace(result, sizes=np.array([5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 38.0]))
        found = verdict(record, beyond, "particle balance")
        assert found[0] is True
        assert "no counts of the dust at 38 µm(c)" in found[1]
        open_filter = replace(result, down=result.up * 0.9)
        found = verdict(record, open_filter, "particle balance")
        assert found[0] == "does not apply"

    def test_a_size_at_which_nothing_was_counted_is_not_judged(self, run):
        record, result = run
        up, down = result.up.copy(), result.down.copy()
        up[:, -1], down[:, -1] = 0.0, 0.0
        empty = replace(result, up=up, down=down)
        for rule in ("particle balance", "recirculation"):
            assert verdict(record, empty, rule)[0] is True

    def test_where_no_size_has_counts_of_the_dust_the_balance_is_not_checked(self, run):
        record, result = run
        dust = Dust(kind="works dust", counts={"60 um(c)": "1e6 1/g"}, source="report (invented)")
        conditions = record.entry.conditions.model_copy(update={"dust": dust})
        other = replace(record, entry=record.entry.model_copy(update={"conditions": conditions}))
        found = verdict(other, result, "particle balance")
        assert found[0] is None

    def test_another_dust_is_judged_by_its_own_table(self, run):
        record, result = run
        table = zip(lab.DUST_SIZES, lab.DUST_COUNTS, strict=True)
        counts = {f"{size:g} um(c)": f"{2 * n * 1e8 / 1e3} 1/g" for size, n in table}
        dust = Dust(kind="works dust", counts=counts, source="report (invented)")
        conditions = record.entry.conditions.model_copy(update={"dust": dust})
        other = replace(record, entry=record.entry.model_copy(update={"conditions": conditions}))
        found = verdict(other, result, "particle balance")
        plain = verdict(record, result, "particle balance")
        halves = [2 * q for q in quotients(found[1])]
        assert halves == pytest.approx(quotients(plain[1]), abs=0.011)
        assert found[0] is False


class TestReadings:
    @given(st.data())
    @settings(max_examples=25, deadline=None)
    def test_the_chance_of_a_rank_sum_is_that_of_all_ways_to_choose(self, data):
        n = data.draw(st.integers(2, 9))
        m = data.draw(st.integers(1, n - 1))
        order = data.draw(st.permutations(range(n)))
        values = np.array(order, dtype=float)
        ours = _rank_chance(values[:m], values[m:])
        middle = m * (n - 1) / 2
        off = abs(values[:m].sum() - middle)
        ways = [abs(sum(each) - middle) >= off - 1e-9 for each in
                itertools.combinations(range(n), m)]  # fmt: skip
        assert ours == pytest.approx(np.mean(ways), rel=1e-9)

    @given(
        st.sampled_from([5.0, 10.0, 20.0, 25.0, 40.0]),
        st.sampled_from([1.0, 2.0, 4.0, 5.0, 10.0, 20.0]),
        st.integers(0, 2**31),
    )
    @settings(max_examples=15, deadline=None)
    def test_counts_of_any_volume_and_dilution_are_whole_and_scaled_ones_are_not(
        self, run, volume, dilution, seed
    ):
        record, result = self.counted(run, volume, dilution, seed)
        found = verdict(record, result, "whole counts")
        # One particle is one step of the last digit: every number printed so is a whole count.
        assert found[0] is True or (volume / dilution in {0.1, 1.0, 10.0} and found[0])
        up = np.round(record.table.upstream * 1.0137, 4)
        forged = replace(record, table=replace(record.table, upstream=up))
        found = verdict(forged, result, "whole counts")
        assert found[0] is False

    @pytest.mark.parametrize("factor", [2.0, 5.0, 10.0])
    def test_a_dilution_or_volume_that_the_counts_do_not_bear_out_is_not_met(self, run, factor):
        record, result = run
        conditions = record.entry.conditions
        for change in (
            {"sample_volume": conditions.sample_volume * factor},
            {"dilution": Dilution(upstream=10.0 / factor, downstream=10.0)},
            {"dilution": Dilution(upstream=10.0, downstream=10.0 / factor)},
        ):
            entry = record.entry.model_copy(
                update={"conditions": conditions.model_copy(update=change)}
            )
            changed = replace(record, entry=entry)
            found = verdict(changed, result, "whole counts")
            assert found[0] is False
            assert "multiples" in found[1]

    def test_counts_printed_to_three_figures_cannot_be_judged(self, run):
        record, result = run
        rounded = [np.round(t / 10) * 10 for t in (record.table.upstream, record.table.downstream)]
        table = replace(record.table, upstream=rounded[0], downstream=rounded[1])
        found = verdict(replace(record, table=table), result, "whole counts")
        assert found[0] == "does not apply"

    @given(st.integers(0, 2**31))
    @settings(max_examples=15, deadline=None)
    def test_poisson_counts_have_noise_and_their_means_have_too_little(self, run, seed):
        record, result = self.counted(run, 25.0, 10.0, seed)
        assert verdict(record, result, "counting noise")[0] is True
        assert verdict(record, result, "plateaus")[0] is True
        sides = [record.table.upstream, record.table.downstream]
        for counts in sides:
            counts[:] = np.round(0.3 * counts + 0.7 * counts.mean(axis=0), 1)
        found = verdict(record, result, "counting noise")
        assert found[0] is False

    @staticmethod
    def counted(run, volume, dilution, seed):
        """The run counted again: Poisson counts of a steady loop."""
        record, result = run
        rng = np.random.default_rng(seed)
        factor = volume / dilution
        n = len(record.table.time)
        rates = [np.diff(-np.append(each.mean(axis=0), 0.0)) for each in (result.up, result.down)]
        tables = [
            np.cumsum(rng.poisson(rate * factor, (n, len(rate)))[:, ::-1], axis=1)[:, ::-1] / factor
            for rate in rates
        ]
        conditions = record.entry.conditions.model_copy(
            update={
                "sample_volume": volume * 1e-6,
                "dilution": Dilution(upstream=dilution, downstream=dilution),
            }
        )
        table = replace(record.table, upstream=tables[0], downstream=tables[1])
        entry = record.entry.model_copy(update={"conditions": conditions})
        return replace(record, table=table, entry=entry), result


class TestCopies:
    CHANGES: ClassVar = {
        "as it is": lambda u, d: (u, d),
        "scaled": lambda u, d: (1.07 * u, 0.9 * d),
        "with another trend": lambda u, d: (u * ramp(u), d / ramp(d)),
        "shifted": lambda u, d: (u[6:], d[6:]),
        "back to front": lambda u, d: (u[::-1], d[::-1]),
        "every other row": lambda u, d: (u[::2], d[::2]),
        "one side": lambda u, d: (u, fresh(d)),
        "half of the rows": lambda u, d: (half_fresh(u), half_fresh(d)),
        "some digits changed": lambda u, d: (jittered(u, 0.004), jittered(d, 0.01)),
    }

    @pytest.mark.parametrize("change", CHANGES)
    def test_a_run_that_was_made_from_another_is_found(self, benches, change):
        bench = benches["polder-pumps"]
        record = next(r for r in bench.case.records if r.id == "MP-C2")
        up, down = self.CHANGES[change](record.table.upstream, record.table.downstream)
        forged = self.made(record, up, down)
        found = noise.copies([(record, record.table.time[-1]), forged])
        assert set(found) == {"MP-C2", "X"}

    def test_a_mixture_of_two_runs_is_found(self, benches):
        records = {r.id: r for r in benches["polder-pumps"].case.records}
        one, other = records["MP-C2"].table, records["MP-C3"].table
        n = min(len(one.time), len(other.time))
        odd = (np.arange(n) % 2 == 1)[:, None]
        mixed = [
            np.where(odd, getattr(one, side)[:n], getattr(other, side)[:n])
            for side in ("upstream", "downstream")
        ]
        runs = [(records[name], records[name].table.time[-1]) for name in ("MP-C2", "MP-C3")]
        assert "X" in noise.copies([*runs, self.made(records["MP-C2"], *mixed)])

    def test_rows_that_return_in_their_own_run_are_found(self, benches):
        record = next(r for r in benches["polder-pumps"].case.records if r.id == "MP-C2")
        up, down = (np.tile(t[:25], (2, 1)) for t in (record.table.upstream,
                                                     record.table.downstream))  # fmt: skip
        assert "same run" in noise.copies([self.made(record, up, down)])["X"]

    def test_a_copy_at_fewer_sizes_is_found(self, benches):
        record = next(r for r in benches["polder-pumps"].case.records if r.id == "MP-C2")
        forged, end = self.made(record, record.table.upstream[:, ::2],
                                1.1 * record.table.downstream[:, ::2])  # fmt: skip
        table = replace(forged.table, sizes=record.table.sizes[::2])
        found = noise.copies([(record, record.table.time[-1]), (replace(forged, table=table), end)])
        assert "X" in found

    def test_honest_runs_of_one_filter_follow_nothing(self, benches):
        for bench in benches.values():
            ends = {r.record: r.end_time for r in bench.multipass}
            runs = [(r, ends[r.id]) for r in bench.case.records if r.id in ends]
            assert noise.copies(runs) == {}

    @staticmethod
    def made(record, up, down):
        n = len(up)
        whole = [np.rint(2.5 * each) / 2.5 for each in (up, down)]
        table = replace(record.table, time=60.0 * np.arange(1.0, n + 1), upstream=whole[0],
                        downstream=whole[1])  # fmt: skip
        entry = record.entry.model_copy(update={"id": "X"})
        return replace(record, table=table, entry=entry), 60.0 * n


def ramp(counts):
    return np.linspace(1.0, 1.2, len(counts))[:, None]


def fresh(counts):
    """New counts between sizes around the trend of the old ones."""
    rng = np.random.default_rng(3)
    between = counts - np.column_stack([counts[:, 1:], np.zeros(len(counts))])
    time = np.linspace(-1, 1, len(counts))
    trend = np.column_stack([np.polyval(np.polyfit(time, c, 3), time) for c in between.T])
    raw = rng.poisson(2.5 * np.maximum(trend, 0.0))
    return np.cumsum(raw[:, ::-1], axis=1)[:, ::-1] / 2.5


def half_fresh(counts):
    return np.where(np.arange(len(counts))[:, None] % 2 == 0, counts, fresh(counts))


def jittered(counts, share):
    return counts * (1.0 + share * np.random.default_rng(4).standard_normal(counts.shape))


class TestDust:
    @pytest.mark.parametrize(
        "text",
        ["ISO 12103-1 A3", "ISO 12103-1, A3 medium test dust", "ISO12103-1 A3",
         "iso 12103-1:2016 a3", "DIN ISO 12103-1 A 3", "BS EN ISO 12103-1, A3", "ISO 12103-1 (A3)"],
    )  # fmt: skip
    def test_spellings_of_one_dust(self, text):
        assert grade(text) == "A3"
        assert Dust(kind=text).spectrum == ()

    @pytest.mark.parametrize(
        ("text", "wanted"),
        [("ISO 12103-1 A2 fine test dust", "A2"), ("ISO 12103-1 A3 fine test dust", ""),
         ("A3", ""), ("ISO 12103-1 A34", ""), ("not ISO 12103-1 A3 at all", ""), ("", "")],
    )  # fmt: skip
    def test_other_dusts_and_none(self, text, wanted):
        assert grade(text) == wanted

    @pytest.mark.parametrize(
        ("dust", "words"),
        [
            ({"kind": "ISO 12103-1 A2"}, "counts of dust 'ISO 12103-1 A2' are not known here"),
            ({"kind": "ISO 12103-1 A3", "counts": {"5 um(c)": "1e9 1/g"}}, "leave counts out"),
            ({"kind": "ISO 12103-1 A3 mine", "counts": {"5 um(c)": "1e9 1/g"}, "source": "x"},
             "not understood"),
            ({"kind": "mine", "counts": {"5 um(c)": "1e9 1/g"}}, "their source"),
            ({"kind": "mine", "source": "x", "counts": {"5 um": "1e9 1/g", "7 um(c)": "0 1/g"}},
             "(?s)calibrated.*above zero"),
            ({"kind": "mine", "source": "x", "counts": {"5 um(c)": "1 1/g", "7 um(c)": "2 1/g"}},
             "not fewer at 7"),
            ("ISO 12103-1 A3", "write dust = "),
        ],
    )  # fmt: skip
    def test_what_cannot_be_used_is_told(self, dust, words):
        with pytest.raises(ValueError, match=words):
            Dust.model_validate(dust)


def changed(tmp_path, name, *edits):
    folder = Path(shutil.copytree(INPUTS / name, tmp_path / name))
    for file, old, new in edits:
        paths = sorted(folder.glob(file))
        for path in paths:
            text = path.read_text(encoding="utf-8")
            assert old in text
            path.write_text(text.replace(old, new), encoding="utf-8")
    return folder


DUST = 'dust = { kind = "ISO 12103-1 A3", batch = "A3-2025-07 (invented)" }'


def test_a_run_without_its_dust_is_refused_with_an_example(tmp_path):
    folder = changed(tmp_path, "polder-pumps", ("case.toml", DUST, ""))
    with pytest.raises(CaseError, match=r"conditions \. dust: is missing.*write dust = \{ kind"):
        read_case(folder)


@pytest.mark.usefixtures("few_draws")
def test_a_size_beyond_the_dust_table_ends_no_program(tmp_path):
    folder = changed(tmp_path, "chain-ferry", ("records/mp*.csv", "30 um(c)", "38 um(c)"))
    found = {f.demand.id: f for f in assess(read_case(folder)).findings}
    assert found["E1"].estimate is not None
    assert found["F3"].estimate is not None


def test_a_fine_path_in_a_circuit_without_one_is_refused(tmp_path):
    change = ("case.toml", 'specimen = "C1"', 'specimen = "C1"\npath = "fine"')
    with pytest.raises(CaseError, match=r"path: is 'fine', which a circuit of arrangement"):
        read_case(changed(tmp_path, "polder-pumps", change))


@pytest.mark.parametrize("path", ["", 'path = "fine"\n', 'path = "full_flow"\n'])
def test_one_path_alone_is_read_by_every_quantity_whatever_it_is_called(tmp_path, path):
    edits = [
        ("application.toml", 'arrangement = "full_flow"',
         'arrangement = "partial_flow"\ngallery_pressure = "350 kPa"\npartial_flow_share = "10 %"\n'
         'pump_flow = "800 L/min"'),
        ("case.toml", "laboratory = \"ITH\"\n", f"{path}laboratory = \"ITH\"\n"),
    ]  # fmt: skip
    folder = changed(tmp_path, "polder-pumps", *edits)
    (folder / "requested.toml").unlink()  # another circuit, not one that was changed since
    bench = prepare(read_case(folder), limits(), 1)
    known = all_quantities()
    for name, at in (
        ("efficiency", {"size": 20.0}),
        ("retained_capacity", {}),
        ("sump_concentration", {"size": 10.0, "temperature": 363.15}),
    ):
        found = known[name].compute(bench, "candidate", at)
        assert len(found.per_specimen) == 3, found


BURST = "specimen,burst pressure [kPa]\nC1,2100\nC2,2200\n"
PULSES = "specimen,pulse cycles [1]\nC1,> 50000\n"
BUBBLE = "specimen,first bubble pressure [kPa]\nC1,3.1\n"
SIX, SEVEN = date(2026, 2, 6), date(2026, 2, 7)


@pytest.mark.parametrize(
    ("first", "second", "days", "outcome"),
    [
        (PULSES, BURST, (SIX, SEVEN), "not met"),
        (BURST, BUBBLE, (SIX, SEVEN), "not met"),
        (BUBBLE, BURST, (SIX, SEVEN), "met"),
        (BUBBLE, BURST, (SIX, SIX), "met"),
        (BURST, BUBBLE, (SIX, SIX), "met"),
        (PULSES, BURST, (SIX, SIX), "not met"),
        (PULSES.replace("C1", "C4"), BURST, (SIX, SEVEN), "met"),
    ],
)
def test_a_specimen_used_up_by_one_test_serves_no_later_one(first, second, days, outcome):
    records = [
        small.record("A", "measurement", second, tested=days[1]),
        small.record("B", "measurement", first, tested=days[0]),
    ]
    assert small.outcome(records, "new specimen") == outcome
    other = small.outcome(records[::-1], "new specimen")
    assert other == ("not met" if days[0] == days[1] and outcome == "not met" else "met")


def test_a_run_loads_its_path_for_all_but_collapse(benches):
    bench = benches["polder-pumps"]
    case = bench.case
    for table, met in ((BURST, False), (BUBBLE, False),
                       ("specimen,collapse pressure [kPa]\nC1,900\n", True)):  # fmt: skip
        made = small.small([small.record("A", "measurement", table, tested=date(2026, 3, 20))])
        record = made.records[0]
        entry = record.entry.model_copy(update={"laboratory": "ITH", "instruments": ("DP-11",)})
        both = replace(case, records=(*case.records, replace(record, entry=entry)))
        checks = prepare(both, limits(), 1).checks
        found = next(c for c in checks if c.record == "A" and c.rule == "new specimen")
        assert (found.outcome == "met") == met, found.found


def test_counts_of_large_sizes_alone_cannot_show_coincidence(run, benches):
    record, _ = run
    t = record.table
    large = replace(
        t, sizes=t.sizes[2:], upstream=t.upstream[:, 2:], downstream=t.downstream[:, 2:]
    )
    case = benches["polder-pumps"].case
    records = tuple(replace(r, table=large) if r.id == "MP-C1" else r for r in case.records)
    checks = prepare(replace(case, records=records), limits(), 1).checks
    found = next(c for c in checks if c.record == "MP-C1" and c.rule == "coincidence")
    assert found.outcome == "not met"
    assert "10 µm(c)" in found.found


def test_sides_end_where_the_run_ends(run):
    record, result = run
    for side in sides_of(record, result.end_time):
        assert len(side.counts) == (record.table.time <= result.end_time).sum()


def exact_loop(result, sizes, passing=0.1):
    """A loop that has settled everywhere, with the dust's own counts and no noise."""
    once = [counts_per_mass(float(size)) * result.base_level / 1e6 for size in sizes]
    up = np.tile(np.array(once) / (1.0 - passing), (10, 1))
    return replace(result, sizes=np.array(sizes), up=up, down=passing * up,
                   readings=np.full(up.shape, 50), counted_up=1e9, counted_down=1e9)  # fmt: skip


def test_sizes_that_settle_and_clump_alone_balance_as_well(run):
    record, result = run
    found = verdict(record, exact_loop(result, [22.0, 25.0]), "particle balance")
    assert quotients(found[1]) == pytest.approx([1.0, 1.0])
    assert found[0] is True


@pytest.mark.parametrize("share", [0.1, 0.2, 0.4])
def test_from_which_share_of_copied_rows_a_run_is_a_mixture(share):
    """Rows of their own in all classes, but for a share of them that is another run's."""
    rng = np.random.default_rng(3)
    one, other = rng.standard_normal((2, 200, 12))
    copied = rng.permutation(200)[: int(200 * share)]
    other[copied] = one[rng.permutation(200)[: len(copied)]]
    assert noise._follows(one, other)[0] == (noise.MIXED if share > 0.3 else "")
