"""A copy of a run is found, however few of its cells were changed; two runs are two."""

import random
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.case.model import Filter, Qualification
from dossier.case.problems import CaseError
from dossier.case.records import MeasurementTable
from dossier.case.repeated import RARELY, _by_chance, _same_results, of_one_filter, repeated
from dossier.make.read import read_case
from tests.spelled import INPUTS, SOURCE


@pytest.fixture
def case(tmp_path):
    return Path(shutil.copytree(INPUTS / "polder-pumps", tmp_path / "case"))


def table(case, name="mp-c1"):
    lines = (case / "records" / f"{name}.csv").read_text().splitlines()
    remarks = [line for line in lines if line.startswith("#")]
    header, *rows = [line.split(",") for line in lines if not line.startswith("#")]
    return remarks, header, rows


def put(case, remarks, header, rows, name="mp-c2"):
    text = "\n".join([*remarks, *(",".join(row) for row in (header, *rows))])
    (case / "records" / f"{name}.csv").write_text(text + "\n")


def changed(cell):
    return f"{float(cell) + 0.01:.2f}"


def refusal(case):
    with pytest.raises(CaseError) as caught:
        read_case(case)
    (problem,) = caught.value.problems
    return str(problem)


def test_a_copy_with_one_digit_changed(case):
    remarks, header, rows = table(case)
    rows[7][3] = changed(rows[7][3])
    put(case, remarks, header, rows)
    found = f"{len(rows) - 1} of {len(rows)} rows hold the same readings as rows of record 'MP-C1'"
    assert found in refusal(case)


def test_a_copy_with_other_times_and_rows_left_out(case):
    remarks, header, rows = table(case)
    rows = [[f"{float(row[0]) + 0.25:g}", *row[1:]] for row in rows[2:-1:2]]
    put(case, remarks, header, rows)
    assert f"{len(rows)} of {len(rows)} rows" in refusal(case)


def test_a_copy_of_half_of_the_rows_and_not_of_fewer(case):
    remarks, header, rows = table(case)
    mine = [[row[0], *map(changed, row[1:4]), *row[4:]] for row in rows]
    half = -(-len(rows) // 2)
    put(case, remarks, header, rows[:half] + mine[half:])
    assert f"{half} of {len(rows)} rows" in refusal(case)
    put(case, remarks, header, rows[: half - 2] + mine[half - 2 :])
    assert len(read_case(case).records) == 13


def test_rows_with_gaps_are_compared_too(case):
    for name in ("mp-c1", "mp-c2"):
        remarks, header, rows = table(case)
        for row in rows[::3]:
            row[5] = ""
        if name == "mp-c2":
            rows[4][6] = changed(rows[4][6])
        put(case, remarks, header, rows, name)
    assert f"{len(rows) - 1} of {len(rows)} rows" in refusal(case)


@pytest.fixture(scope="module")
def records():
    return read_case(INPUTS / "polder-pumps").records


def test_the_runs_of_the_demo_cases_share_nothing(records):
    assert not list(repeated(records))


def test_runs_without_any_reading_share_none(records):
    def emptied(record):
        names = ("pressure_drop", "flow", "temperature", "upstream", "downstream")
        nothing = {name: np.full_like(getattr(record.table, name), np.nan) for name in names}
        return replace(record, table=replace(record.table, **nothing), file=f"{record.id}.csv")

    runs = [record for record in records if record.entry.kind == "multipass"][:2]
    assert not list(repeated([emptied(run) for run in runs]))
    assert not list(repeated([emptied(runs[0]), runs[1]]))


@pytest.mark.parametrize("rows", [0, 1])
def test_runs_of_a_row_or_none_are_compared_without_a_warning(records, rows):
    def cut(record):
        names = ("time", "pressure_drop", "flow", "temperature", "upstream", "downstream")
        short = {name: getattr(record.table, name)[:rows] for name in names}
        return replace(record, table=replace(record.table, **short), file=f"{record.id}.csv")

    runs = [cut(record) for record in records if record.entry.kind == "multipass"][:2]
    assert not [each for each in repeated(runs) if "readings of" in each.what]


def test_one_table_named_by_two_records_is_a_matter_for_other_checks(records):
    assert not list(repeated([*records, replace(records[0])]))


@settings(max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.0, 0.45), which=st.integers(0, 5))
def test_less_than_half_of_the_rows_changed_hides_no_copy(records, seed, share, which):
    """Whatever rows are changed, in whatever order the rest stands: law, not example."""
    runs = [record for record in records if record.entry.kind == "multipass"]
    run = runs[which]
    draw = random.Random(seed)
    count = len(run.table.time)
    order = np.array(draw.sample(range(count), count))
    drop = run.table.pressure_drop[order].copy()
    drop[: int(share * count)] += 1.0
    copied = replace(
        run.table, pressure_drop=drop, flow=run.table.flow[order],
        temperature=run.table.temperature[order], upstream=run.table.upstream[order],
        downstream=run.table.downstream[order],
    )  # fmt: skip
    copy = replace(run, table=copied, file="elsewhere.csv")
    assert len(list(repeated([*records, copy]))) == 1
    assert len(list(repeated([copy, *records]))) == 1


@pytest.mark.parametrize(("column", "name"), [(2, "flow"), (3, "temperature")])
def test_a_column_of_another_run(case, column, name):
    _, _, known = table(case)
    remarks, header, rows = table(case, "mp-c2")
    for row, its in zip(rows, known, strict=False):
        row[column] = its[column]
    rows[4][column] = changed(rows[4][column])
    put(case, remarks, header, rows)
    assert f"has the {len(rows) - 1} of {len(rows)} readings of {name} of record" in refusal(case)
    for row in rows:
        row[column] = str(round(float(row[column])))  # as any run of such a display
    put(case, remarks, header, rows)
    remarks, header, known = table(case)
    for row in known:
        row[column] = str(round(float(row[column])))
    put(case, remarks, header, known, "mp-c1")
    read_case(case)


def test_what_was_measured_once_for_two_runs(tmp_path):
    case = Path(shutil.copytree(SOURCE / "polder-pumps", tmp_path / "case"))
    text = (case / "runs.csv").read_text()
    first, second = "10.55,3172,48,3138,48,27.3,1.4", "10.99,3229,48,3273,48,29.2,1.5"
    assert first in text
    assert second in text
    (case / "runs.csv").write_text(text.replace(second, first))
    assert "has the concentrations and volume of the injection" in refusal(case)
    (case / "runs.csv").write_text(text.replace(second, first.replace("10.55", "10.56")))
    read_case(case)


MP, PD = "multipass", "pressure_drop"


def specimens(*tested, candidate=(), reference=(), **told):
    """A qualification with these plans, tests (filter, specimen, kind) and [[specimen]] tables."""
    records = [
        SimpleNamespace(id=f"{kind}-{side}", filter=side, specimen=name, kind=kind, path="full")
        for side, name, kind in tested
    ]
    make: Any = Qualification.model_construct
    return make(
        record=records, candidate=Filter(part_number="1", specimens=candidate, maker="A"),
        reference=Filter(part_number="2", specimens=reference, maker="B"),
        specimen=[SimpleNamespace(id=name, filter=side, lot="") for name, side in told.items()],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("case", "found"),
    [
        (specimens(("candidate", "R1", MP), ("reference", "R1", PD)), 2),
        (specimens(("candidate", "R1", MP), ("reference", "r1", PD), reference=["R1"]), 1),
        (specimens(("candidate", "R1", MP), reference=["R1", "R2"]), 1),
        (specimens(("reference", "C1", MP), candidate=["C1"]), 1),
        (specimens(("candidate", "R1", MP), R1="reference"), 1),
        # numbered alike, all or some of their tests, with and without a plan of the others
        (specimens(("candidate", "1", MP), ("candidate", "1", PD), ("reference", "1", MP)), 0),
        (specimens(("candidate", "1", MP), ("reference", "1", MP), reference=["1", "2"]), 0),
        (specimens(("candidate", "1", MP), ("reference", "1", PD),
                   candidate=["1"], reference=["1"]), 0),
        (specimens(("candidate", None, MP), ("reference", None, PD)), 0),
        (specimens(("candidate", "C9", MP), candidate=["C1"], reference=["R1"]), 0),
    ],
)  # fmt: skip
def test_a_specimen_is_of_one_filter(case, found):
    assert len(list(of_one_filter(case))) == found


@pytest.mark.parametrize(
    ("values", "copied"),
    [
        ((962.0, 938.0, 981.0), True), ((2.93, 3.08, 2.98), False), ((962.0, 938.0), False),
        ((1800.0, 1850.0, 1900.0, 1850.0, 1800.0), False), ((962.3, 938.1), True),
        ((6.8, 8.1, 7.3), False), ((962.0,), False), ((2.931, 3.084, 2.978), True),
    ],
)  # fmt: skip
def test_results_are_found_again_by_chance_where_few_digits_are_printed(values, copied):
    assert (_by_chance(np.array(values)) < RARELY) is copied


@pytest.mark.parametrize(
    ("printed", "copied"), [((0.1, 0.2, 0.1), False), ((3.131, 3.313, 3.251), True)]
)
def test_the_steps_of_results_are_those_of_their_unit(printed, copied):
    """In m3/s each has as many digits as a number holds."""
    none = ("",) * len(printed)
    table = MeasurementTable(
        names=("anti-drain leakage",), units=("L/min",), values=(np.array(printed) / 6e4,),
        bounds=(none,), specimen=none, remarks=none,
    )  # fmt: skip
    entry = SimpleNamespace(kind="measurement")
    records = [SimpleNamespace(entry=entry, table=table) for _ in range(2)]
    assert bool(list(_same_results(records))) is copied


@pytest.mark.parametrize("turned", [1, -1])
def test_a_table_of_results_that_was_pasted_again_is_refused(tmp_path, turned):
    ferry = Path(shutil.copytree(INPUTS / "chain-ferry", tmp_path / "ferry")) / "records"
    own, other = (ferry / f"co-{side}.csv" for side in "cr")
    results = [line.split(",")[1] for line in other.read_text().splitlines() if line[0] == "R"][
        ::turned
    ]
    lines = iter(own.read_text().splitlines())
    made = [f"{x[:3]}{results.pop(0)}," if x.startswith("C") else x for x in lines]
    own.write_text("\n".join(made) + "\n")
    assert "has each collapse pressure of record 'CO-C'" in refusal(ferry.parent)
