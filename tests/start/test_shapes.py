"""Files as laboratories send them, in many shapes: taken without an edit, read to the last digit.

All data are invented.  Every shape is written here from one truth, taken by `take_files` and read
by the reader of cases.
"""

import csv
import datetime as dt
import io
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from dossier.case.problems import CaseError
from dossier.case.read import read_case_files
from dossier.report.pages.reading_notes import handed_in
from dossier.start.take import take_files
from tests.small_case import APPLICATION, _toml, requirement

SIZES = (4, 6, 14)
CASE = """
number = "SHAPE-1"
revision = 0
title = "Shapes (invented)"
[candidate]
part_number = "CAN-1"
specimens = ["C1", "C2"]
[reference]
part_number = "REF-1"
specimens = ["R1"]
[[laboratory]]
id = "L"
name = "Laboratory (invented)"
[[fluid]]
id = "oil"
kv40 = "100 mm2/s"
kv100 = "11.1 mm2/s"
density15 = "0.885 kg/L"
[defaults]
laboratory = "L"
tested = 2026-02-02
fluid = "oil"
[defaults.conditions]
flow = "60 L/min"
temperature = "40 degC"
injection_flow = "0.25 L/min"
injection_concentration = { start = "3000 mg/L", end = "3000 mg/L" }
housing_pressure_drop = "5 kPa"
terminal_pressure_drop = "150 kPa"
sample_volume = "25 mL"
dust = { kind = "ISO 12103-1 A3", batch = "B" }
"""


class Truth:
    """One run: columns of numbers as a laboratory writes them, and what they must become."""

    def __init__(self, seed=1, rows=12):
        rng = np.random.default_rng(seed)
        self.time = np.arange(1.0, rows + 1)  # min
        self.drop = np.round(20 + np.cumsum(rng.uniform(0.5, 9, rows)), 2)  # kPa
        self.flow = np.round(rng.normal(60, 0.3, rows), 2)  # L/min
        self.warmth = np.round(rng.normal(40, 0.2, rows), 1)  # degC
        channels = rng.integers(1, 900, (2, rows, 3)) * np.array([40, 9, 1])
        self.channels = channels / 4  # 1/mL, in 4 to 6, 6 to 14, above 14
        self.up, self.down = np.cumsum(self.channels[:, :, ::-1], axis=2)[:, :, ::-1]

    @property
    def rows(self):
        return range(len(self.time))

    def counts(self, row, which=None):
        up, down = (self.up, self.down) if which is None else which
        return [*up[row].tolist(), *down[row].tolist()]

    def lead(self, row):
        return [x[row].item() for x in (self.time, self.drop, self.flow, self.warmth)]

    def check(self, table, counts=None):
        up, down = counts or (self.up, self.down)
        assert np.allclose(table.time, self.time * 60, rtol=1e-13, atol=0)
        assert np.allclose(table.pressure_drop, self.drop * 1e3, rtol=1e-12, atol=0)
        assert table.sizes.tolist() == list(SIZES)
        assert np.allclose(table.upstream, up, rtol=1e-13, atol=0)
        assert np.allclose(table.downstream, down, rtol=1e-13, atol=0)
        if table.flow is not None:
            assert np.allclose(table.flow, self.flow / 6e4, rtol=1e-12, atol=0)
        if table.temperature is not None:
            assert np.allclose(table.temperature, self.warmth + 273.15, rtol=1e-12, atol=0)


LEAD = ["Time (min)", "ΔP (kPa)", "Flow rate [L/min]", "Oil temp. (°C)"]
COUNTS = [f"{side} >{size} µm(c) [#/mL]" for side in ("Upstream", "Downstream") for size in SIZES]


@pytest.fixture
def case(tmp_path):
    folder = tmp_path / "in" / "case"
    folder.mkdir(parents=True)
    asked = APPLICATION | {"requirement": [requirement("burst_pressure", min="1 kPa")]}
    (folder / "application.toml").write_text(_toml(asked), encoding="utf-8")
    (folder / "case.toml").write_text(CASE, encoding="utf-8")
    return folder


def xlsx(path, *sheets, merge=()):
    """Write a workbook; each sheet is a name and its rows."""
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets:
        page = book.create_sheet(name)
        for number, row in enumerate(rows, 1):
            for index, cell in enumerate(row, 1):
                if cell not in (None, ""):
                    page.cell(number, index).value = cell
        for cells in merge:
            page.merge_cells(cells)
    book.save(path)
    return path


def text(path, rows, separator=",", encoding="utf-8", comma=False):
    stream = io.StringIO(newline="")
    shown = [[str(c).replace(".", ",") if comma and isinstance(c, float) else c for c in row]
             for row in rows]  # fmt: skip
    csv.writer(stream, delimiter=separator).writerows(shown)
    path.write_bytes(stream.getvalue().encode(encoding))
    return path


def taken(case, *files, answers=None):
    """Take files, answering by the first pattern that a question fits; return records by id."""
    before = [file.read_bytes() for file in files]
    asked = []

    def ask(words):
        asked.append(words)
        return next((a for pattern, a in (answers or {}).items() if re.search(pattern, words)), "")

    lines, sure = take_files(case, files, ask)
    assert sure, lines
    assert [file.read_bytes() for file in files] == before
    assert all((case / "records" / file.name).read_bytes() == content
               for file, content in zip(files, before, strict=True))  # fmt: skip
    assert bool(asked) == bool(answers), asked
    return {record.id: record for record in read_case_files(case).records}


@pytest.fixture
def truth():
    return Truth()


def wide(truth, head=None, titles=(("Test report (invented)",), ("Specimen: C1",))):
    return [*titles, head or [*LEAD, *COUNTS],
            *([*truth.lead(r), *truth.counts(r)] for r in truth.rows)]  # fmt: skip


def test_one_sheet_with_titles_and_units_behind_the_names(case, truth, tmp_path):
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("Data", wide(truth))))
    record = records["MP-C1"]
    truth.check(record.table)
    assert record.cells == "A3:J15"
    assert [remark.text for remark in record.remarks] == ["Test report (invented)", "Specimen: C1"]
    assert ("ΔP (kPa)", "differential pressure") in [(w, c.name) for w, c in record.read_as]


@pytest.mark.parametrize("form", ["merged", "spread", "csv"])
def test_two_levels_of_names(case, truth, tmp_path, form):
    top = ["Time", "ΔP", "Upstream", "", "", "Downstream", "", ""]
    names = ["min", "kPa", *[f">{s} µm(c)" for s in SIZES] * 2]
    below = ["", "", *names[2:]]
    unit = ["min", "kPa", *["#/mL"] * 6]
    body = [[*truth.lead(r)[:2], *truth.counts(r)] for r in truth.rows]
    rows = [["Specimen: C1"], top, below, unit, *body]
    merge = ("C2:E2", "F2:H2", "A2:A3", "B2:B3") if form == "merged" else ()
    path = tmp_path / ("a.csv" if form == "csv" else "a.xlsx")
    file = text(path, rows) if form == "csv" else xlsx(path, ("Run", rows), merge=merge)
    truth.check(taken(case, file)["MP-C1"].table)


def test_units_as_american_laboratories_spell_them(case, truth, tmp_path):
    head = ["Time", "DP", "Flow", "Temp", *COUNTS]
    unit = ["MIN.", "psid", "gpm", "F", *["particles/mL"] * 6]
    gallon, psi = 3.785411784, 6.894757293168
    body = [
        [t, p / psi, q / gallon, w * 1.8 + 32, *truth.counts(r)]
        for r in truth.rows for t, p, q, w in [truth.lead(r)]
    ]  # fmt: skip
    head = [name.partition(" [")[0] for name in head]
    truth.check(taken(case, xlsx(tmp_path / "C1.xlsx", ("C1", [head, unit, *body])))["MP-C1"].table)


@pytest.mark.parametrize(
    ("separator", "encoding"), [(";", "utf-8"), (";", "latin-1"), ("\t", "utf-16")]
)
def test_german_names_and_decimal_comma(case, truth, tmp_path, separator, encoding):
    counts = [f"{side} >{size} µm(c) [1/mL]" for side in ("vor Filter", "nach Filter")
              for size in SIZES]  # fmt: skip
    head = ["Prüfzeit [min]", "Differenzdruck [kPa]", "Volumenstrom [l/min]",
            "Temperatur [°C]", *counts]  # fmt: skip
    rows = wide(truth, head, titles=(("Prüfling: C1",),))
    file = text(tmp_path / "a.csv", rows, separator, encoding, comma=True)
    truth.check(taken(case, file)["MP-C1"].table)


CHANNELS = ["4-6 µm(c)", "6-14 µm(c)", ">14 µm(c)"]


@pytest.mark.parametrize("last", [">14 µm(c)", "above 14 µm(c)", "14+ µm(c)"])
def test_counts_by_channel_are_added_up(case, truth, tmp_path, last):
    names = [*CHANNELS[:2], last]
    head = [*LEAD, *(f"{s} {c} [#/mL]" for s in ("Inlet", "Outlet") for c in names)]
    rows = [["Specimen: C1"], head,
            *([*truth.lead(r), *truth.counts(r, truth.channels)] for r in truth.rows)]  # fmt: skip
    truth.check(taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))["MP-C1"].table)


def test_channels_without_an_open_end_are_refused_with_the_cell(case, truth, tmp_path):
    names = [*CHANNELS[:2], "14-25 µm(c)"]
    head = [*LEAD, *(f"{s} {c} [#/mL]" for s in ("Inlet", "Outlet") for c in names)]
    rows = [["Specimen: C1"], head,
            *([*truth.lead(r), *truth.counts(r, truth.channels)] for r in truth.rows)]  # fmt: skip
    with pytest.raises(CaseError) as caught:
        taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))
    said = [str(problem) for problem in caught.value.problems]
    assert len(said) == 2
    assert "cell G2" in said[0]
    assert "larger than 25 um(c)" in said[0]


PLAIN = [f"{side} {size} µm(c) [#/mL]" for side in ("Upstream", "Downstream") for size in SIZES]


@pytest.mark.parametrize("answer", ["cumulative", "channel"])
def test_what_may_be_either_is_asked_once_and_never_guessed(case, truth, tmp_path, answer):
    counts = (truth.up, truth.down) if answer == "cumulative" else truth.channels
    rows = [["Specimen: C1"], [*LEAD, *PLAIN],
            *([*truth.lead(r), *truth.counts(r, counts)] for r in truth.rows)]  # fmt: skip
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    lines, sure = take_files(case, [file], None)
    assert not sure
    assert sum("not sure" in line for line in lines) == 1
    assert "cell E2" in next(line for line in lines if "not sure" in line)
    assert "[[record]]" not in (case / "case.toml").read_text("utf-8")
    truth.check(taken(case, file, answers={"by channel": answer})["MP-C1"].table)


def test_sizes_without_calibration_are_asked_for(case, truth, tmp_path):
    head = [*LEAD, *(name.replace("(c)", "") for name in COUNTS)]
    file = xlsx(tmp_path / "a.xlsx", ("x", wide(truth, head)))
    assert not take_files(case, [file], None)[1]
    truth.check(taken(case, file, answers={"calibrated": "um(c)"})["MP-C1"].table)


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("#/100 mL", 100), ("particles per 100 ml", 100), ("1/L", 1000), ("counts/sample", 25)],
)
def test_counts_per_other_volumes(case, truth, tmp_path, unit, factor):
    head = [*LEAD, *(name.replace("#/mL", unit) for name in COUNTS)]
    rows = [["Specimen: C1"], head,
            *([*truth.lead(r), *(c * factor for c in truth.counts(r))] for r in truth.rows)
            ]  # fmt: skip
    truth.check(taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))["MP-C1"].table)


def test_counts_of_a_diluted_sample_need_a_word(case, truth, tmp_path):
    path = case / "case.toml"
    path.write_text(
        path.read_text("utf-8").replace(
            "sample_volume", "dilution = { upstream = 10, downstream = 1 }\nsample_volume"
        ),
        "utf-8",
    )
    head = [*LEAD, *(name.replace("#/mL", "counts/sample") for name in COUNTS)]
    rows = [["Specimen: C1"], head,
            *([*truth.lead(r), *(25 * c for c in truth.up[r] / 10), *(25 * truth.down[r])]
              for r in truth.rows)]  # fmt: skip
    with pytest.raises(CaseError, match="diluted 10 times"):
        taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))
    said = path.read_text("utf-8").replace("[[layout]]", '[[layout]]\ndilution = "as counted"')
    path.write_text(said, "utf-8")
    truth.check(read_case_files(case).records[0].table)


@pytest.mark.parametrize("form", ["cumulative", "channel"])
def test_one_row_a_sensor_and_size(case, truth, tmp_path, form):
    sizes = [">4", ">6", ">14"] if form == "cumulative" else ["4-6", "6-14", ">14"]
    counts = (truth.up, truth.down) if form == "cumulative" else truth.channels
    rows = [["Specimen: C1"], ["Time (min)", "dP (kPa)", "Sensor", "Size (µm(c))", "Count (#/mL)"]]
    rows += [
        [*truth.lead(r)[:2], side, size, counts[k][r][i].item()]
        for r in truth.rows for k, side in enumerate(("Upstream", "Downstream"))
        for i, size in enumerate(sizes)
    ]  # fmt: skip
    truth.check(taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))["MP-C1"].table)


def test_sensors_by_letters_are_asked_for(case, truth, tmp_path):
    rows = [["Specimen: C1"], ["Time (min)", "dP (kPa)", "Sensor", "Size (µm(c))", "Count (#/mL)"]]
    rows += [
        [*truth.lead(r)[:2], side, f">{size}", (truth.up, truth.down)[k][r][i].item()]
        for r in truth.rows for k, side in enumerate(("S1", "S2")) for i, size in enumerate(SIZES)
    ]  # fmt: skip
    records = taken(case, text(tmp_path / "a.csv", rows),
                    answers={"'S1'": "upstream", "'S2'": "downstream"})  # fmt: skip
    truth.check(records["MP-C1"].table)


def test_specimens_stacked_in_one_table(case, tmp_path):
    truths = {name: Truth(seed) for seed, name in enumerate(("C1", "C2", "R1"))}
    rows = [["Specimen", *LEAD, *COUNTS]]
    rows += [[name, *t.lead(r), *t.counts(r)] for name, t in truths.items() for r in t.rows]
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("All", rows)))
    assert set(records) == {"MP-C1", "MP-C2", "MP-R1"}
    for name, each in truths.items():
        each.check(records[f"MP-{name}"].table)
    assert records["MP-R1"].entry.filter == "reference"


def test_blocks_side_by_side(case, tmp_path):
    truths = {"C1": Truth(1), "C2": Truth(2)}
    width = len(LEAD) + len(COUNTS)
    rows = [["Specimen: C1", *[""] * width, "Specimen: C2"], [*LEAD, *COUNTS, "", *LEAD, *COUNTS]]
    rows += [
        [*truths["C1"].lead(r), *truths["C1"].counts(r), "",
         *truths["C2"].lead(r), *truths["C2"].counts(r)]
        for r in truths["C1"].rows
    ]  # fmt: skip
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))
    for name, each in truths.items():
        each.check(records[f"MP-{name}"].table)
    assert records["MP-C2"].cells == "L2:U14"


def test_tables_one_below_the_other(case, tmp_path):
    truths = {"C1": Truth(1), "C2": Truth(2, 15)}
    rows = []
    for name, each in truths.items():
        rows += [*wide(each, titles=((f"Specimen: {name}",),)), []]
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))
    for name, each in truths.items():
        each.check(records[f"MP-{name}"].table)


@pytest.mark.parametrize("foot", [["Mean", 1.0, 2.0], ["End of test: terminal reached"]])
def test_what_stands_below_a_table_is_a_remark(case, truth, tmp_path, foot):
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("x", [*wide(truth), foot])))["MP-C1"]
    truth.check(record.table)
    assert record.remarks[-1].text.startswith(foot[0])
    assert record.remarks[-1].row == 16


def test_a_column_of_remarks_and_one_that_is_ignored(case, truth, tmp_path):
    head = [*LEAD, *COUNTS, "Comment", "Pump rpm"]
    rows = [["Specimen: C1"], head,
            *([*truth.lead(r), *truth.counts(r), "valve knocked" if r == 4 else "", 1500 + r]
              for r in truth.rows)]  # fmt: skip
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    lines, sure = take_files(case, [file], None)
    assert not sure
    assert any("cell L2" in line and "Pump rpm" in line for line in lines)
    record = taken(case, file, answers={"Pump rpm": "ignored"})["MP-C1"]
    truth.check(record.table)
    assert (7, "K7", "valve knocked") in [(r.row, r.cell, r.text) for r in record.remarks]
    assert 'ignored = ["Pump rpm"]' in (case / "case.toml").read_text("utf-8")


START = dt.datetime.fromisoformat("2026-02-02 23:55:30")


@pytest.mark.parametrize("form", ["datetime", "time", "text"])
def test_clock_times_are_counted_from_the_stated_start(case, truth, tmp_path, form):
    moments = [START + dt.timedelta(minutes=float(t)) for t in truth.time]
    cells = {"datetime": moments, "time": [m.time() for m in moments],
             "text": [m.isoformat(sep=" ") for m in moments]}[form]  # fmt: skip
    head = ["Time", *LEAD[1:], *COUNTS]
    rows = [["Specimen: C1"], head,
            *([cells[r], *truth.lead(r)[1:], *truth.counts(r)] for r in truth.rows)]  # fmt: skip
    answer = "23:55:30" if form == "time" else "2026-02-02 23:55:30"
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    truth.check(taken(case, file, answers={"did the test begin": answer})["MP-C1"].table)


def test_durations_of_a_spreadsheet(case, truth, tmp_path):
    rows = [["Specimen: C1"], ["Elapsed time", *LEAD[1:], *COUNTS],
            *([dt.timedelta(minutes=float(truth.time[r])), *truth.lead(r)[1:], *truth.counts(r)]
              for r in truth.rows)]  # fmt: skip
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    truth.check(taken(case, file, answers={"5:30": "time [h:mm:ss]"})["MP-C1"].table)


def logs(truth):
    """Counts once a minute, and a pressure log of every ten seconds, by the clock."""
    start = dt.datetime.fromisoformat("2026-02-02 09:00")
    counts = [["Time", *COUNTS], *([(start + dt.timedelta(minutes=float(t))).isoformat(sep=" "),
              *truth.counts(r)] for r, t in enumerate(truth.time))]  # fmt: skip
    log = [["Timestamp", "Differential pressure (kPa)"]]
    for second in range(0, int(truth.time[-1]) * 60 + 5, 10):
        row = second // 60 - 1
        value = truth.drop[row].item() if second % 60 == 0 and row >= 0 else 0.01 * second
        log.append([(start + dt.timedelta(seconds=second)).isoformat(sep=" "), value])
    return counts, log


@pytest.mark.parametrize("apart", [True, False])
def test_pressure_and_counts_apart_are_joined_by_the_clock(case, truth, tmp_path, apart):
    counts, log = logs(truth)
    if apart:
        files = [text(tmp_path / "counter.csv", counts), text(tmp_path / "rig.csv", log)]
    else:
        files = [xlsx(tmp_path / "a.xlsx", ("Counter", counts), ("Rig", log))]
    answers = {"did the test begin": "2026-02-02 09:00:00", "which record": "C1"}
    records = taken(case, *files, answers=answers)
    assert set(records) == {"MP-C1"}
    truth.check(records["MP-C1"].table)


def test_counts_alone_are_not_a_run(case, truth, tmp_path):
    counts, _ = logs(truth)
    lines, sure = take_files(case, [text(tmp_path / "C1.csv", counts)], None)
    assert not sure
    assert any("no differential pressure" in line for line in lines)


@pytest.mark.parametrize("unit", ["psiq", "psia", "kN"])
def test_an_unknown_unit_is_named_with_its_cell_before_anything_else(case, truth, tmp_path, unit):
    head = ["Time (min)", f"dP ({unit})", *LEAD[2:], *COUNTS]
    lines, sure = take_files(case, [xlsx(tmp_path / "a.xlsx", ("x", wide(truth, head)))], None)
    assert not sure
    doubt = next(line for line in lines if line.startswith("not sure"))
    assert "cell B3" in doubt
    assert unit in doubt


def test_a_table_away_from_the_corner(case, truth, tmp_path):
    rows = [[], ["", "Invented laboratory"], ["", "", "Specimen: C1"], []]
    rows += [["", "", *row] for row in wide(truth, titles=())]
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))["MP-C1"]
    truth.check(record.table)
    assert record.cells == "C5:L17"


def test_a_sweep_in_other_units(case, tmp_path):
    flow = [1.0, 2.0, 3.0, 4.0, 5.0]
    drop = [0.05, 0.11, 0.18, 0.26, 0.35]
    rows = [["Specimen: C2"], ["Flow (m³/h)", "Δp (bar)", "Temp (C)"],
            *([q, p, 74.5] for q, p in zip(flow, drop, strict=True))]  # fmt: skip
    table = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))["PD-C2"].table
    assert np.allclose(table.flow, np.array(flow) / 3600, rtol=1e-13)
    assert np.allclose(table.pressure_drop, np.array(drop) * 1e5, rtol=1e-13)
    assert np.allclose(table.temperature, 347.65)


def test_results_with_a_bound_stay_bounds(case, tmp_path):
    path = case / "case.toml"
    said = path.read_text("utf-8").replace("[defaults]", '[defaults]\nstandard = "ISO 4548-6:2021"')
    path.write_text(said, "utf-8")
    rows = [["Burst tests (invented)"], ["Sample", "Burst pressure (psi)", "Comment"],
            ["B1", 290.0, ""], ["B2", "> 300", "no burst"], ["B3", 295.5, ""]]  # fmt: skip
    record = next(iter(taken(case, xlsx(tmp_path / "a.xlsx", ("burst", rows))).values()))
    assert record.table.bounds == (("", ">", ""),)
    assert np.allclose(record.table.values[0], np.array([290, 300, 295.5]) * 6894.757293168361)


def test_one_layout_serves_all_sheets_of_its_form(case, tmp_path):
    truths = {"C1": Truth(1), "C2": Truth(2, 20), "R1": Truth(3)}
    sheets = [(name, wide(each, titles=(("Run",),))) for name, each in truths.items()]
    records = taken(case, xlsx(tmp_path / "a.xlsx", *sheets))
    for name, each in truths.items():
        each.check(records[f"MP-{name}"].table)
    assert (case / "case.toml").read_text("utf-8").count("[[layout]]") == 1


def test_a_second_file_of_another_unit_does_not_pass_under_the_layout_of_the_first(
    case, truth, tmp_path
):
    taken(case, xlsx(tmp_path / "a.xlsx", ("C1", wide(truth))))
    other = xlsx(case / "records" / "b.xlsx", ("C2", wide(Truth(2), [LEAD[0], "ΔP (mbar)",
                 *LEAD[2:], *COUNTS])))  # fmt: skip
    said = (case / "case.toml").read_text("utf-8")
    said += '\n[[record]]\nid = "MP-C2"\nkind = "multipass"\nstandard = "ISO 4548-12:2017"\n'
    said += 'filter = "candidate"\nspecimen = "C2"\nlayout = "a 1"\nfile = "records/b.xlsx#C2!A3"\n'
    (case / "case.toml").write_text(said, "utf-8")
    assert other.exists()
    with pytest.raises(CaseError) as caught:
        read_case_files(case)
    assert any("cell B3" in str(p) and "neither read" in str(p) for p in caught.value.problems)


def test_two_counters_and_a_rig_that_each_write_a_file(case, truth, tmp_path):
    times = [["Time (min)"], *([t] for t in truth.time.tolist())]
    sizes = [f">{size} µm(c) (#/mL)" for size in SIZES]
    up = [["Upstream counter"], times[0] + sizes,
          *(times[r + 1] + truth.up[r].tolist() for r in truth.rows)]  # fmt: skip
    down = [["Downstream counter"], times[0] + sizes,
            *(times[r + 1] + truth.down[r].tolist() for r in truth.rows)]  # fmt: skip
    rig = [[*times[0], "dp (kPa)"], *([*times[r + 1], truth.drop[r].item()] for r in truth.rows)]
    files = [text(tmp_path / f"{name}.csv", rows, ";")
             for name, rows in (("up", up), ("down", down), ("rig", rig))]  # fmt: skip
    records = taken(case, *files, answers={"which record": "C1"})
    assert set(records) == {"MP-C1"}
    truth.check(records["MP-C1"].table)


def test_specimens_named_in_their_first_row_alone(case, tmp_path):
    truths = {"C1": Truth(1), "C2": Truth(2)}
    rows = [["Specimen", *LEAD, *COUNTS]]
    rows += [["" if r else name, *t.lead(r), *t.counts(r)]
             for name, t in truths.items() for r in t.rows]  # fmt: skip
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("All", rows)))
    for name, each in truths.items():
        each.check(records[f"MP-{name}"].table)
    path = case / "case.toml"
    path.write_text(path.read_text("utf-8").replace('carried = ["Specimen"]\n', ""), "utf-8")
    with pytest.raises(CaseError, match="cell A3: is empty"):
        read_case_files(case)


def test_rows_that_no_record_reads_are_told(case, tmp_path):
    rows = [["Specimen", *LEAD, *COUNTS]]
    rows += [[name, *t.lead(r), *t.counts(r)] for name, t in (("C1", Truth(1)), ("X9", Truth(2)))
             for r in t.rows]  # fmt: skip
    taken(case, xlsx(tmp_path / "a.xlsx", ("All", rows)), answers={"'X9' a spec": "candidate"})
    path = case / "case.toml"
    said = path.read_text("utf-8")
    path.write_text(said[: said.index('[[record]]\nid = "MP-X9"')], "utf-8")
    found = handed_in(read_case_files(case))
    assert "X9" in found[0].note
    assert "C1" not in found[0].note


def test_a_pause_within_a_table_does_not_end_it(case, truth, tmp_path):
    rows = wide(truth)
    rows.insert(8, [])
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))["MP-C1"]
    truth.check(record.table)


def test_what_the_laboratory_computed_is_left_out_by_name_even_with_errors(case, truth, tmp_path):
    head = ["No.", *LEAD, *COUNTS, "Beta >4 µm(c)"]
    rows = [["Specimen: C1"], head,
            *([r + 1, *truth.lead(r), *truth.counts(r), 2.5] for r in truth.rows)]  # fmt: skip
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    book = load_workbook(file)
    book["x"]["L5"].value = "#DIV/0!"
    book["x"]["L5"].data_type = "e"
    book.save(file)
    truth.check(taken(case, file)["MP-C1"].table)
    assert 'ignored = ["No.", "Beta >4 µm(c)"]' in (case / "case.toml").read_text("utf-8")


def test_units_within_names_and_sides_by_letters(case, truth, tmp_path):
    head = ["t_min", "dp_psid", "Q, L/min", "Temp °C",
            *(f"{side}{size} um(c) #/mL" for side in ("U", "D") for size in SIZES)]  # fmt: skip
    psi = 6.894757293168
    rows = [["Cumulative counts; specimen C1"], head,
            *([t, p / psi, q, w, *truth.counts(r)]
              for r in truth.rows for t, p, q, w in [truth.lead(r)])]  # fmt: skip
    truth.check(taken(case, xlsx(tmp_path / "C1.xlsx", ("x", rows)))["MP-C1"].table)


def test_rows_before_the_stated_start_are_left_out_and_told(case, truth, tmp_path):
    moments = [START + dt.timedelta(minutes=float(t)) for t in truth.time]
    early = [[START - dt.timedelta(minutes=k), *truth.lead(0)[1:], *truth.counts(0)]
             for k in (3, 2, 1)]  # fmt: skip
    rows = [["Specimen: C1"], ["Time", *LEAD[1:], *COUNTS], *early,
            *([moments[r], *truth.lead(r)[1:], *truth.counts(r)] for r in truth.rows)]  # fmt: skip
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)),
                   answers={"did the test begin": "2026-02-02 23:55:30"})["MP-C1"]  # fmt: skip
    truth.check(record.table)
    assert any("rows 3 to 5" in remark.text for remark in record.remarks)


def changed(case, old, new):
    path = case / "case.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    with pytest.raises(CaseError) as caught:
        read_case_files(case)
    return " ".join(map(str, caught.value.problems))


def test_a_count_without_a_pressure_near_it_has_none(case, truth, tmp_path):
    counts, log = logs(truth)
    answers = {"did the test begin": "2026-02-02 09:00:00", "which record": "C1"}
    gap = [row for row in log if not "09:05:30" < row[0][11:] < "09:07:30"]
    log = [log[0], *(row for row in gap[1:] if row[0][17:19] in {"00", "10"})]
    (case / "records").mkdir()
    taken(case, text(tmp_path / "c.csv", counts), text(tmp_path / "r.csv", log), answers=answers)
    path = case / "case.toml"
    said = re.sub(r'within = "[0-9]+ s"', 'within = "20 s"', path.read_text("utf-8"))
    path.write_text(said, "utf-8")
    found = read_case_files(case).records[0].table.pressure_drop
    lost = np.isin(truth.time, [6.0, 7.0])
    assert np.array_equal(np.isnan(found), lost)
    assert np.allclose(found[~lost], truth.drop[~lost] * 1e3)
    start = 'start = "2026-02-02 09:00:00"'
    other = said.replace(start, start.replace("09:00", "08:00"), 1)
    path.write_text(other, "utf-8")
    with pytest.raises(CaseError, match="no reading of records/"):
        read_case_files(case)


def test_a_unit_of_the_layout_that_is_not_that_of_the_file_is_refused(case, truth, tmp_path):
    taken(case, xlsx(tmp_path / "a.xlsx", ("x", wide(truth))))
    said = changed(case, '= "differential pressure"', '= "differential pressure [mbar]"')
    assert "cell B3" in said
    assert "has the unit 'kPa', and is to be read in 'mbar'" in said


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [(3, 1, 99.0, "cell B4: differs within one time"), (3, 3, ">4", "a second count")],
)
def test_rows_of_one_time_that_contradict_each_other_are_refused(
    case, truth, tmp_path, row, column, value, words
):
    rows = [["Specimen: C1"], ["Time (min)", "dP (kPa)", "Sensor", "Size (µm(c))", "Count (#/mL)"]]
    rows += [
        [*truth.lead(r)[:2], side, f">{size}", (truth.up, truth.down)[k][r][i].item()]
        for r in truth.rows for k, side in enumerate(("Upstream", "Downstream"))
        for i, size in enumerate(SIZES)
    ]  # fmt: skip
    rows[row][column] = value
    with pytest.raises(CaseError) as caught:
        taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))
    assert words in str(caught.value)


def test_a_range_that_ends_before_its_table_is_refused(case, truth, tmp_path):
    taken(case, xlsx(tmp_path / "a.xlsx", ("x", wide(truth))))
    assert "row 13: goes on with values" in changed(case, "#x!A3", "#x!A3:J12")


def test_a_reading_is_never_a_word_for_nothing(case, truth, tmp_path):
    rows = wide(truth)
    rows[5][6] = "n/a"
    taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)), answers={"nothing was": "yes"})
    value = f'"n/a", "{truth.drop[3]}"'
    assert "may be a reading" in changed(case, 'missing = ["n/a"]', f"missing = [{value}]")


def test_one_run_handed_in_twice_on_one_sheet_is_found(case, truth, tmp_path):
    rows = [["Specimen", *LEAD, *COUNTS]]
    rows += [[name, *truth.lead(r), *truth.counts(r)] for name in ("C1", "C2") for r in truth.rows]
    with pytest.raises(CaseError, match="the same readings"):
        taken(case, xlsx(tmp_path / "a.xlsx", ("All", rows)))


def test_readings_far_apart_are_not_joined(case, truth, tmp_path):
    counts, log = logs(truth)
    answers = {"did the test begin": "2026-02-02 09:00:00", "which record": "C1"}
    taken(case, text(tmp_path / "c.csv", counts), text(tmp_path / "r.csv", log), answers=answers)
    assert "more than lies between" in changed(case, 'within = "10 s"', 'within = "10 min"')


def named(change, names=(*LEAD, *COUNTS), titles=(["Specimen C1"],)):
    """Return rows with every name changed."""
    return lambda truth: wide(truth, [change(name) for name in names], titles)


def interleaved(truth):
    head = [f"{side} {size}µm(c) cum. (p/mL)" for size in SIZES for side in ("US", "DS")]
    counts = np.stack([truth.up, truth.down], axis=2).reshape(len(truth.time), -1)
    return [["Specimen C1"], [*LEAD, *head],
            *([*truth.lead(r), *counts[r].tolist()] for r in truth.rows)]  # fmt: skip


SIDES = ["Upstream"] * 3 + ["Downstream"] * 3
BELOW = [f">{size} µm(c) (1/mL)" for size in SIZES] * 2
DATA = {
    "a block of keys and values above": lambda t: [
        ["Laboratory", "Invented"], ["Specimen", "C1"], ["Flow (L/min)", 60],
        ["Sample volume (mL)", 25], [], *wide(t, titles=())],
    "three rows of names": lambda t: [
        ["Specimen C1"], [*[""] * 4, "Particle counts"],
        [*LEAD, "Upstream", "", "", "Downstream", "", ""],
        [*[""] * 4, *[f">{size} µm(c)" for size in SIZES] * 2], [*[""] * 4, *["#/mL"] * 6],
        *wide(t, titles=())[1:]],
    "a side above every count": lambda t: [
        ["Specimen C1"], [*[""] * 4, *SIDES], [*LEAD, *BELOW], *wide(t, titles=())[1:]],
    "a slash before the unit": named(
        lambda n: n.replace("[", "/ ").replace("(kPa)", "/ kPa").replace("]", "")),
    "the unit behind the word in": named(
        lambda n: n.replace("[", "in ").replace("(kPa)", "in kPa").replace("]", "")),
    "names of several lines": named(
        lambda n: n.replace(" [", "\n[").replace(" (kPa)", "\n(kPa)")),
    "sides by turns": interleaved,
    "cumulative by its title": named(
        lambda n: n.replace(">", "").replace(" [#/mL]", ""), titles=(["Specimen C1"],
        ["Cumulative particle counts per mL"])),
    "results below without a first cell": lambda t: [*wide(t), ["", "Mean", 1, 2]],
    "numbers as text": lambda t: [
        *wide(t)[:3], *([str(x).replace(".", ",") for x in row] for row in wide(t)[3:])],
}  # fmt: skip


@pytest.mark.parametrize("form", DATA)
def test_other_forms_of_one_sheet_are_sure(case, truth, tmp_path, form):
    file = xlsx(tmp_path / "a.xlsx", ("Cover", [["Report (invented)"]]), ("x", DATA[form](truth)))
    truth.check(taken(case, file)["MP-C1"].table)


def test_a_specimen_named_within_the_name_of_its_sheet(case, truth, tmp_path):
    file = xlsx(tmp_path / "a.xlsx", ("Run 3 - C2", wide(truth, titles=(("Report 7",),))))
    truth.check(taken(case, file)["MP-C2"].table)


def test_words_for_what_was_not_measured_are_asked_for(case, truth, tmp_path):
    rows = wide(truth)
    rows[5][6], truth.up[2, 2] = "n/a", np.nan
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    lines, sure = take_files(case, [file], None)
    assert not sure
    assert any("cell G6" in line and "'n/a'" in line for line in lines)
    table = taken(case, file, answers={"nothing was measured": "yes"})["MP-C1"].table
    assert np.array_equal(table.upstream, truth.up, equal_nan=True)


def test_sums_among_stacked_specimens_and_other_tables_are_left_out_by_a_word(case, tmp_path):
    rows = [["Specimen", *LEAD, *COUNTS]]
    for name, each in (("C1", Truth(1)), ("C2", Truth(2))):
        rows += [[name, *each.lead(r), *each.counts(r)] for r in each.rows]
        rows.append([f"Mean {name}", "", 5.0])
    summary = [["Summary"], ["Size", "Beta"], ["4 µm", 2.1], ["6 µm", 3.0], ["14 µm", 20.0]]
    file = xlsx(tmp_path / "a.xlsx", ("x", rows), ("Summary", summary))
    records = taken(case, file, answers={"Mean": "ignored", "which kind": "ignored"})
    assert set(records) == {"MP-C1", "MP-C2"}
    Truth(1).check(records["MP-C1"].table)


@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    seed=st.integers(0, 10**6), form=st.sampled_from(["xlsx", ",", ";", "\t"]),
    levels=st.booleans(), units=st.booleans(), channel=st.booleans(),
    foot=st.booleans(), shift=st.integers(0, 3), titles=st.integers(1, 4),
)  # fmt: skip
def test_any_table_in_any_layout_reads_back_the_same(
    tmp_path_factory, seed, form, levels, units, channel, foot, shift, titles
):
    truth, folder = Truth(seed), tmp_path_factory.mktemp("any")
    case = folder / "in" / "case"
    case.mkdir(parents=True)
    asked = APPLICATION | {"requirement": [requirement("burst_pressure", min="1 kPa")]}
    (case / "application.toml").write_text(_toml(asked), encoding="utf-8")
    (case / "case.toml").write_text(CASE, encoding="utf-8")
    sizes = CHANNELS if channel else [f">{size} µm(c)" for size in SIZES]
    lead = [("Time", "min"), ("dP", "kPa"), ("Flow", "L/min"), ("Temp", "degC")]
    each = [*lead, *((f"{side} {size}", "#/mL") for side in ("Upstream", "Downstream")
                     for size in sizes)]  # fmt: skip
    named = [name if units else f"{name} [{unit}]" for name, unit in each]
    head = [named]
    if levels:
        unit = "" if units else " [#/mL]"
        head = [[*named[:4], "Upstream", "", "", "Downstream", "", ""],
                [*[""] * 4, *(size + unit for size in sizes * 2)]]  # fmt: skip
    rows = [["Invented"]] * (titles - 1) + [["Specimen: C1"], *head]
    rows += [[unit for _, unit in each]] if units else []
    counts = truth.channels if channel else (truth.up, truth.down)
    rows += [[*truth.lead(r), *truth.counts(r, counts)] for r in truth.rows]
    rows += [["Remarks", "none"]] if foot else []
    rows = [[*[""] * shift, *row] for row in rows]
    name = folder / ("a.xlsx" if form == "xlsx" else "a.csv")
    file = xlsx(name, ("x", rows)) if form == "xlsx" else text(name, rows, form, comma=form == ";")
    truth.check(taken(case, file)["MP-C1"].table)
