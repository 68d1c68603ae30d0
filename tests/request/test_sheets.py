"""Blank sheets and the block of records read back: filled by a simulated laboratory, a case."""

import csv
import io
import re
import shutil
import subprocess
import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from dossier.api import assess, read_case
from dossier.case.problems import CaseError
from dossier.request.plan import Sheet
from dossier.request.reported import Column
from dossier.request.sheets import csv_sheet, workbook
from dossier.request_files import write_request
from tests import laboratory as sim
from tests.request.test_plan import requested
from tests.small_case import requirement, write

OIL = sim.Oil(kv40=15.0, kv100=3.4, density15=860.0)
SWEEP = sim.Oil(kv40=100.0, kv100=11.1, density15=885.0)
SIZES = (6.0, 10.0, 15.0, 20.0)
TYPE = sim.FilterType(
    name="invented", sizes=SIZES, penetration=(0.5, 0.3, 0.12, 0.02), drift=0.1, element_a=6.0e7,
    element_b=4.0e6, housing_a=5.0e6, housing_b=2.0e6, growth=3.0e6, growth_rate=0.25,
    gravimetric_efficiency=0.7, penetration_sd=0.03, capacity_sd=0.03, pressure_sd=0.02,
)  # fmt: skip
REQUIREMENTS = [
    requirement("efficiency", "E1", at={"size": "20 um(c)"}, min="95 %", basis="mean"),
    requirement("efficiency", "E2", at={"size": "10 um(c)"}, min="50 %", basis="mean"),
    requirement("efficiency", "E3", at={"size": "15 um(c)"}, min="80 %", basis="mean"),
    requirement("retained_capacity", "C1", min="5 g", basis="mean"),
    requirement("clean_pressure_drop", "P1", max="60 kPa", at={"temperature": "90 degC"},
                basis="mean"),
    requirement("valve_opening_pressure", "V1", between={"min": "140 kPa", "max": "190 kPa"}),
    requirement("burst_pressure", "M1", min="1600 kPa"),
    requirement("collapse_pressure", "M2", min="700 kPa"),
    requirement("dimension", "D1", at={"characteristic": "overall length"},
                between={"min": "138 mm", "max": "141 mm"}),
    requirement("statement", "S1", at={"characteristic": "gasket, seated"}, must_hold=True),
]  # fmt: skip
CASE = """
number = "TRY-1"
revision = 0
title = "Read back (invented)"
[candidate]
part_number = "CAN-1"
{specimens}
[[laboratory]]
id = "L1"
name = "Invented laboratory"
methods = [{methods}]
[[instrument]]
id = "I1"
kind = "everything (invented)"
calibrated = 2026-01-01
due = 2027-01-01
certificate = "K-1 (invented)"
coincidence_limit = "40000 1/mL"
measures = ["counts", "flow", "injection flow", "differential pressure", "pressure", "temperature",
            "mass", "length"]
[[fluid]]
id = "run"
kv40 = "15 mm2/s"
kv100 = "3.4 mm2/s"
density15 = "0.860 kg/L"
[[fluid]]
id = "sweep"
kv40 = "100 mm2/s"
kv100 = "11.1 mm2/s"
density15 = "0.885 kg/L"
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The request of a case without case.toml, written, and its folder."""
    folder = write(tmp_path_factory.mktemp("in") / "case", [], REQUIREMENTS)
    (folder / "case.toml").unlink()
    request = requested(folder)
    write_request(request, folder / "request")
    return folder, request


def rows_of(kind, sheet, runs):
    """What a laboratory enters below the header of one sheet, as text."""
    if kind == "multipass":
        run = runs[sheet.specimen]
        counts = [side[:, k] for k in range(len(SIZES)) for side in (run.upstream, run.downstream)]
        columns = (run.time, run.pressure_drop, run.flow, run.temperature, *counts)
        return [[f"{value:.10g}" for value in row] for row in zip(*columns, strict=True)]
    if kind == "pressure_drop":
        run = runs["sweep", sheet.specimen]
        columns = (run.flow, run.pressure_drop, run.temperature)
        return [
            [*(f"{v:.10g}" for v in row), part]
            for *row, part in zip(*columns, run.part, strict=True)
        ]
    if kind == "bypass_valve":
        up = [(p, 0.01 * np.exp((p - 120) / 8)) for p in range(120, 172, 4)]
        return [
            [f"{p}", f"{q:.6g}", way, name]
            for name in runs["names"]
            for way, points in (("rising", up), ("falling", up[::-1]))
            for p, q in points
        ]
    if kind == "measurement":
        result = {"burst pressure": "> 2000", "collapse pressure": "912"}[sheet.columns[1].name]
        return [[row[0], result, ""] for row in sheet.rows]
    found = {"overall length": "139.5", "gasket, seated": "yes"}
    return [[*row[:2], found[row[0]], *row[3:]] for row in sheet.rows]


def simulated(request):
    """Runs and sweeps of every specimen, from the simulated laboratory."""
    plan = sim.RigPlan(flow=60.0, terminal=190.0, oil=OIL, sweep_oil=SWEEP)
    rng = np.random.default_rng(11)
    lab = sim.open_campaign(plan, sim.Certificates(), rng)
    runs = {"names": request.names["candidate"]}
    for name in request.names["candidate"]:
        specimen = sim.draw_specimen(TYPE, rng)
        runs[name] = sim.simulate_multipass(TYPE, specimen, lab, rng)
        runs["sweep", name] = sim.simulate_pressure_drop(TYPE, specimen, lab, rng)
    return runs


def answers(kind, run):
    """What the laboratory writes for the lines that the block leaves open."""
    lines = {"instruments": '["I1"]', "laboratory": '"L1"', "tested": "2026-02-02"}
    lines["fluid"] = '"run"' if kind == "multipass" else '"sweep"'
    lines["temperature"] = {"multipass": '"40 degC"', "bypass_valve": '"74 degC"'}.get(
        kind, '"135 degC"'
    )
    if run is not None:
        start, end = run.injection_level
        first, last = run.injection_volume
        lines |= {
            "injection_flow": '"0.25 L/min"',
            "injection_volume": f'{{ start = "{first} L", end = "{last} L" }}',
            "injection_concentration": f'{{ start = "{start} mg/L", end = "{end} mg/L" }}',
            "final_concentration": f'"{run.final_level} mg/L"',
            "system_volume": '"25 L"',
            "sample_flow": '{ upstream = "0.1 L/min", downstream = "0.1 L/min" }',
            "housing_pressure_drop": f'"{run.housing_pressure_drop} kPa"',
            "sample_volume": '"25 mL"',
            "dilution": "{ upstream = 10, downstream = 10 }",
            "dust": '{ kind = "ISO 12103-1 A3", batch = "B1" }',
        }
    return lines


def pasted(folder, runs, workbook_named):
    """The block of records with every open line filled, below a case that names the rest."""
    text = (folder / "request" / "records.toml").read_text(encoding="utf-8")
    plan, *blocks = text.split("[[record]]\n")
    specimens = re.search(r"under \[candidate\]: (specimens = .*)", plan)[1]
    methods = re.search(r"methods = \[(.*)\]", plan)[1]
    parts = [CASE.format(specimens=specimens, methods=methods)]
    for block in blocks:
        kind = re.search(r'kind = "(.*)"', block)[1]
        named = re.search(r'specimen = "(.*)"', block)
        run = runs[named[1]] if kind == "multipass" else None
        for key, value in answers(kind, run).items():
            block = re.sub(rf"^# {key} = .*$", lambda _, k=key, v=value: f"{k} = {v}", block,
                           flags=re.M)  # fmt: skip
        if workbook_named:
            name = re.search(r'id = "(.*)"', block)[1]
            block = re.sub(r'file = ".*"', f'file = "records/records.xlsx#{name}"', block)
        assert "\n# " not in block, "every open line was filled"
        parts.append("[[record]]\n" + block)
    return "\n".join(parts)


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_filled_sheets_and_the_pasted_block_are_a_case(made, form, tmp_path):
    folder, request = made
    case = Path(shutil.copytree(folder, tmp_path / "case"))
    shutil.rmtree(case / "records")
    shutil.copytree(case / "request" / "records", case / "records")
    runs = simulated(request)
    book = openpyxl.load_workbook(case / "records" / "records.xlsx")
    for test in request.tests:
        for sheet in test.sheets:
            rows = rows_of(test.needed.kind, sheet, runs)
            if form == "csv":
                fill_csv(case / sheet.file, rows, keep=not sheet.rows)
            else:
                fill_page(book[sheet.id], rows)
    book.save(case / "records" / "records.xlsx")
    (case / "case.toml").write_text(pasted(folder, runs, form == "xlsx"), encoding="utf-8")
    read = read_case(case)
    assert len(read.records) == sum(len(test.sheets) for test in request.tests)
    found = {f.demand.id: f for f in assess(read, date(2026, 3, 1)).findings}
    for name, finding in found.items():
        assert finding.estimate is not None, f"{name}: {finding.reason}"
    assert found["D1"].estimate.value == pytest.approx(139.5)
    assert found["M2"].estimate.value == pytest.approx(912e3)
    assert found["E1"].estimate.value == pytest.approx(0.98, abs=0.01)
    assert found["V1"].estimate.value == pytest.approx(120e3 + 8e3 * np.log(100.0), rel=0.02)


def fill_csv(path, rows, *, keep):
    header = path.read_text(encoding="utf-8").splitlines()[0]
    assert keep == (len(path.read_text(encoding="utf-8").splitlines()) == 1)
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    path.write_text(f"{header}\n{text.getvalue()}", encoding="utf-8")


def fill_page(page, rows):
    for number, row in enumerate(rows, 2):
        for index, text in enumerate(row, 1):
            try:
                page.cell(number, index).value = float(text)
            except ValueError:
                page.cell(number, index).value = text or None


def test_blank_sheets_are_told_to_be_empty_not_read_as_zeros(made, tmp_path):
    folder, request = made
    case = Path(shutil.copytree(folder, tmp_path / "case"))
    shutil.rmtree(case / "records")
    shutil.copytree(case / "request" / "records", case / "records")
    (case / "case.toml").write_text(pasted(folder, simulated(request), False), encoding="utf-8")
    with pytest.raises(CaseError) as caught:
        read_case(case)
    files = {p.file for p in caught.value.problems if "no data rows" in p.what}
    assert "records/mp-c1.csv" in files
    assert "records/pd-c1.csv" in files


def test_the_block_is_toml_and_its_open_lines_are_comments(made):
    folder, request = made
    document = tomllib.loads((folder / "request" / "records.toml").read_text(encoding="utf-8"))
    records = document["record"]
    assert [r["id"] for r in records] == [s.id for t in request.tests for s in t.sheets]
    assert all("tested" not in record for record in records)
    run = next(record for record in records if record["kind"] == "multipass")
    assert run["conditions"] == {
        "flow": "60 L/min", "terminal_pressure_drop": "190 kPa", "base_level": "10 mg/L"
    }  # fmt: skip


def test_an_earlier_request_is_never_overwritten(made):
    folder, request = made
    before = (folder / "request" / "records" / "mp-c1.csv").read_bytes()
    with pytest.raises(CaseError, match="exists already"):
        write_request(request, folder / "request")
    assert (folder / "request" / "records" / "mp-c1.csv").read_bytes() == before


def test_the_same_request_gives_the_same_pages(made, tmp_path):
    folder, request = made
    write_request(request, tmp_path / "again")
    for name in ("test-request.pdf", "records.toml", "records/mp-c1.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (
            folder / "request" / name
        ).read_bytes()  # fmt: skip


def test_the_pages_say_what_was_assumed_and_every_test(made):
    folder, request = made
    text = subprocess.run(
        ["pdftotext", "-layout", folder / "request" / "test-request.pdf", "-"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    flat = " ".join(text.split()).replace("4%", "4 %")  # a narrow column sets it close
    for words in ("4 %", "10 %", "50 %", "190 kPa", "60 L/min", "1 L/min", "10, 15, 20 µm(c)"):
        assert words in flat.replace("\u00a0", " "), words
    for test in request.tests:
        assert test.needed.standard in flat
        for column in test.columns:
            assert column.header in flat
        for each in test.conditions:
            assert each.name in flat


def test_a_name_that_begins_like_a_formula_stays_a_name():
    columns = (Column("characteristic", "", ""), Column("found", "", ""))
    sheet = Sheet(id="IN-C", filter="candidate", specimen="", columns=columns,
                  rows=(("=1+1", ""),))  # fmt: skip
    from datetime import datetime

    content = workbook([sheet], datetime(2026, 1, 1))  # noqa: DTZ001  a day, not a moment
    cell = openpyxl.load_workbook(io.BytesIO(content))["IN-C"]["A2"]
    assert (cell.data_type, cell.value) == ("s", "=1+1")
    assert csv_sheet(sheet).decode() == "characteristic,found\n=1+1,\n"
