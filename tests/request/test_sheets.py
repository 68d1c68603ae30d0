"""The laboratory's workbook: filled by a simulated laboratory and taken whole, it is a case."""

import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime
from io import BytesIO
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from pypdf import PdfReader

from dossier.case.problems import CaseError
from dossier.make.decide import assess
from dossier.make.read import read_case
from dossier.make.request_files import planned, with_reply, write_request
from dossier.report.format import speak
from dossier.report.pages import request_page
from dossier.request import sheets
from dossier.request.plan import RecordSheet
from dossier.request.reported import SheetColumn, condition_columns
from dossier.start.take import take_files
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
# specimens = ["C1", "C2", "C3"]   # names; dossier request calculates how many
"""
MEASURES = ("counts", "flow, injection flow", "differential pressure, pressure", "temperature",
            "mass", "length")  # fmt: skip
INSTRUMENTS = [
    {"id": f"I{k}", "kind": "meter (invented)", "certificate": f"K-{k} (invented)",
     "calibrated": date(2026, 1, 1), "due": date(2027, 1, 1), "measures": measures}
    for k, measures in enumerate(MEASURES, 1)
]  # fmt: skip
INSTRUMENT = INSTRUMENTS[0]
INSTRUMENT["coincidence limit"] = 40000
LABORATORY = {"id": "L1", "name": "Invented laboratory", "report": "R-26-014 (invented)",
              "reported": date(2026, 2, 20), "signatory": "Test Engineer (invented)"}  # fmt: skip
FLUIDS = [
    {"id": "run", "kv40": 15, "kv100": 3.4, "density15": 0.860, "kv40 u": "0.5 %"},
    {"id": "sweep", "kv40": 100, "kv100": 11.1, "density15": 0.885, "kv40 u": "0.5 %"},
]


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
    """What the laboratory writes into the row of one run."""
    named = ", ".join(each["id"] for each in INSTRUMENTS)
    cells = {"instruments": named, "tested": date(2026, 2, 2)}
    if kind in {"multipass", "pressure_drop", "bypass_valve"}:
        cells["fluid"] = "run" if kind == "multipass" else "sweep"
    if kind != "inspection" and kind != "pressure_drop":
        cells["temperature"] = {"multipass": 40, "bypass_valve": 74}.get(kind, 135)
    if run is not None:
        start, end = run.injection_level
        first, last = run.injection_volume
        cells |= {
            "injection flow": 0.25, "injection volume start": first, "injection volume end": last,
            "injection concentration start": start, "injection concentration end": end,
            "final concentration": run.final_level, "system volume": 25,
            "sample flow upstream": 0.1, "sample flow downstream": 0.1,
            "housing pressure drop": run.housing_pressure_drop, "sample volume": 0.025,
            "dilution upstream": 10, "dilution downstream": 10,
            "dust kind": "ISO 12103-1 A3", "dust batch": "B1",
        }  # fmt: skip
    return cells


def put(page, row, cells):
    """Write cells under their headings, whatever unit stands in the brackets; return how many."""
    heads = {cell.value.partition(" [")[0]: cell.column for cell in page[1]}
    for name, value in cells.items():
        page.cell(row, heads[name]).value = value
    return len(cells)


def filled(request, book, runs):
    """Fill the workbook as a laboratory does; return the values typed beside the readings."""
    typed = put(book["Laboratory"], 2, LABORATORY)
    typed += sum(put(book["Instruments"], row, each) for row, each in enumerate(INSTRUMENTS, 2))
    typed += sum(put(book["Fluids"], row, each) for row, each in enumerate(FLUIDS, 2))
    page = book["Runs"]
    rows = {page.cell(row, 1).value: row for row in range(2, page.max_row + 1)}
    for test in request.tests:
        for sheet in test.sheets:
            kind = test.needed.kind
            run = runs[sheet.specimen] if kind == "multipass" else None
            typed += put(page, rows[sheet.id], answers(kind, run))
            fill_page(book[sheet.id], rows_of(kind, sheet, runs))
    return typed


@pytest.fixture
def returned(made, tmp_path):
    """A case that holds the answers of `new` alone, and the workbook as it came back."""
    folder, request = made
    case = Path(shutil.copytree(folder, tmp_path / "case"))
    shutil.rmtree(case / "records")
    (case / "case.toml").write_text(planned(CASE, request), encoding="utf-8")
    return case, request, openpyxl.load_workbook(case / "request" / "laboratory.xlsx")


def delivered(book, tmp_path, name="delivered.xlsx"):
    book.save(tmp_path / name)
    return tmp_path / name


def test_a_workbook_that_came_back_filled_is_a_case(returned, tmp_path):
    case, request, book = returned
    runs = simulated(request)
    typed = filled(request, book, runs)
    file = delivered(book, tmp_path)
    assert take_files(case, [file], None)[1]
    assert typed > 100
    assert (case / "records" / "delivered.xlsx").read_bytes() == file.read_bytes()
    added = (case / "case.toml").read_text("utf-8").removeprefix(planned(CASE, request))
    assert added.split() == ["[[workbook]]", "file", "=", '"records/delivered.xlsx"']
    read = read_case(case)
    assert len(read.records) == sum(len(test.sheets) for test in request.tests)
    assert read.qualification.candidate.specimens == request.names["candidate"]
    laboratory = read.laboratory("L1")
    assert (laboratory.report, laboratory.signatory) == (
        LABORATORY["report"], LABORATORY["signatory"])  # fmt: skip
    for record in read.records:
        if record.entry.kind == "multipass":
            run = runs[record.entry.specimen]
            said = record.entry.conditions
            assert said.injection_concentration.start.value * 1e3 == pytest.approx(
                run.injection_level[0], rel=1e-12)  # fmt: skip
            assert np.allclose(record.table.upstream, run.upstream, rtol=1e-9)
            assert np.allclose(record.table.pressure_drop, run.pressure_drop * 1e3, rtol=1e-9)
    found = {f.demand.id: f for f in assess(read, date(2026, 3, 1)).findings}
    for name, finding in found.items():
        assert finding.estimate is not None, f"{name}: {finding.reason}"
    assert found["D1"].estimate.value == pytest.approx(139.5)
    assert found["M2"].estimate.value == pytest.approx(912e3)
    assert found["E1"].estimate.value == pytest.approx(0.98, abs=0.01)
    assert found["V1"].estimate.value == pytest.approx(120e3 + 8e3 * np.log(100.0), rel=0.02)


def test_two_laboratories_each_fill_their_runs_and_may_use_the_same_names(returned, tmp_path):
    case, request, book = returned
    runs = simulated(request)
    filled(request, book, runs)
    second = openpyxl.load_workbook(case / "request" / "laboratory.xlsx")
    put(second["Laboratory"], 2, LABORATORY | {"id": "L2", "name": "Other (invented)"})
    put(second["Instruments"], 2, INSTRUMENT | {"certificate": "K-2 (invented)"})
    put(second["Fluids"], 2, FLUIDS[0] | {"kv40": 16})
    second["Runs"].delete_rows(3, second["Runs"].max_row)
    name = second["Runs"]["A2"].value
    for page in (book["Runs"], second["Runs"]):
        row = next(k for k in range(2, 99) if page.cell(k, 1).value == name)
        put(page, row, dict.fromkeys(answers("pressure_drop", None)) if page is book["Runs"]
            else answers("pressure_drop", None) | {"fluid": "run"})  # fmt: skip
    for row in book[name].iter_rows(min_row=2):
        for cell in row:
            cell.value = None
    sheet = next(s for t in request.tests for s in t.sheets if s.id == name)
    fill_page(second[name], rows_of("pressure_drop", sheet, runs))
    take_files(case, [delivered(book, tmp_path, "first.xlsx")], None)
    take_files(case, [delivered(second, tmp_path, "second.xlsx")], None)
    read = read_case(case)
    entry = next(r.entry for r in read.records if r.id == name)
    assert read.laboratory(entry.laboratory).name == "Other (invented)"
    assert read.instrument(entry.instruments[0]).certificate == "K-2 (invented)"
    assert read.fluid(entry.fluid).kv40.value == pytest.approx(16e-6)
    assert {r.entry.laboratory for r in read.records} == {"L1", "L2"}


@pytest.mark.parametrize(
    ("sheet", "cells", "where", "what"),
    [
        ("Runs", {"tested": None}, r"Runs.*column 'tested'", "is missing"),
        ("Runs", {"tested": "yesterday"}, r"Runs: cell G2", "is not a date"),
        ("Runs", {"instruments": "I9"}, r"Runs.*J2", "'I9' is not defined"),
        ("Instruments", {"size u": "many"}, r"cell H2", "does not start with a number"),
        ("Instruments", {"coincidence limit": "40 000 per drop"}, r"cell J2", "unit"),
        ("Fluids", {"kv100": 99}, r"Fluids: row 2", "kv40 must be larger"),
        ("Laboratory", {"name": None}, r"Laboratory: row 2, column 'name'", "is missing"),
        (
            "Laboratory",
            {"accreditation": date(2026, 1, 2)},
            r"Laboratory: cell C2",
            "2026-01-02 is no text. begin the cell with an apostrophe",
        ),
        ("Instruments", {"measures": "torque"}, r"Instruments: cell C2: ", "none of the words"),
    ],
)
def test_what_is_wrong_in_a_workbook_is_named_by_its_cell_and_nothing_is_taken(
    returned, tmp_path, sheet, cells, where, what
):
    case, request, book = returned
    filled(request, book, simulated(request))
    put(book[sheet], 2, cells)
    with pytest.raises(CaseError) as caught:
        take_files(case, [delivered(book, tmp_path)], None)
    said = [str(problem) for problem in caught.value.problems]
    assert any(re.search(where, each) and what in each for each in said), said
    assert "workbook" not in (case / "case.toml").read_text("utf-8")
    assert not (case / "records" / "delivered.xlsx").exists()


def test_a_percentage_is_read_as_the_sheet_shows_it(returned, tmp_path):
    case, request, book = returned
    filled(request, book, simulated(request))
    page = book["Instruments"]
    put(page, 2, {"size u": 0.02})
    put(page, 3, INSTRUMENT | {"id": "I2", "measures": "mass", "reading u": 0.005})
    for cell in ("H2", "G3"):
        page[cell].number_format = "0.0%"
    take_files(case, [delivered(book, tmp_path)], None)
    read = read_case(case)
    assert read.instrument("I1").size_u == pytest.approx(0.02)
    assert read.instrument("I2").reading_u == "0.5 %"


def fill_page(page, rows):
    for number, row in enumerate(rows, 2):
        for index, text in enumerate(row, 1):
            try:
                page.cell(number, index).value = float(text)
            except ValueError:
                page.cell(number, index).value = text or None


def test_blank_sheets_are_told_to_be_empty_not_read_as_zeros(returned, tmp_path):
    case, request, book = returned
    filled(request, book, simulated(request))
    for name in ("MP-C1", "PD-C1"):
        book[name].delete_rows(2, 5000)
    with pytest.raises(CaseError) as caught:
        take_files(case, [delivered(book, tmp_path)], None)
    files = {p.file for p in caught.value.problems if "no data rows" in p.what}
    assert {"records/delivered.xlsx#MP-C1", "records/delivered.xlsx#PD-C1"} <= files


def test_a_blank_workbook_is_no_evidence(returned):
    case, _, _ = returned
    with pytest.raises(CaseError) as caught:
        take_files(case, [case / "request" / "laboratory.xlsx"], None)
    assert any("Laboratory" in str(problem) for problem in caught.value.problems)


def test_what_the_request_settles_is_filled_in(returned):
    _, request, book = returned
    heads = [cell.value for cell in book["Runs"][1]]
    rows = [dict(zip(heads, row, strict=True))
            for row in book["Runs"].iter_rows(min_row=2, values_only=True)
            if row[0]]  # fmt: skip
    assert [row["id"] for row in rows] == [s.id for t in request.tests for s in t.sheets]
    run = next(row for row in rows if row["kind"] == "multipass")
    assert (run["flow [L/min]"], run["terminal pressure drop [kPa]"]) == (60, 190)
    assert run["base level [mg/L]"] == 10
    assert run["tested"] is None


def test_a_workbook_by_itself_says_who_asks_for_what_and_by_when(made):
    issued, by = datetime(2026, 1, 2, tzinfo=UTC), date(2026, 2, 3)
    asked = replace(
        made[1], settings=with_reply(made[1].settings, issued.date(), by, "a person", "")
    )
    page = openpyxl.load_workbook(BytesIO(sheets.workbook(asked, issued)))["How to fill"]
    said, title = page["A1"].value, asked.asked.application.title
    places = [said.index(word) for word in (title, asked.running, "a person")]
    assert places == sorted(places)
    assert said.endswith("Reply by 2026-02-03")


def test_an_earlier_request_is_never_overwritten(made):
    folder, request = made
    before = (folder / "request" / "laboratory.xlsx").read_bytes()
    with pytest.raises(CaseError, match="exists already"):
        write_request(request, folder / "request")
    assert (folder / "request" / "laboratory.xlsx").read_bytes() == before


def test_the_same_request_gives_the_same_pages(made, tmp_path):
    folder, request = made
    write_request(request, tmp_path / "again")
    name = "test-request.pdf"
    assert (tmp_path / "again" / name).read_bytes() == (folder / "request" / name).read_bytes()


def test_the_pages_say_what_was_assumed_and_every_test(made):
    folder, request = made
    text = subprocess.run(
        ["pdftotext", "-layout", folder / "request" / "test-request.pdf", "-"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    flat = " ".join(text.split()).replace("4%", "4 %")  # a narrow column sets it close
    for words in ("4 %", "10 %", "50 %", "190 kPa", "60 L/min", "1 L/min", "10; 15; 20 µm(c)"):
        assert words in flat.replace("\u00a0", " "), words
    for test in request.tests:
        assert test.needed.standard in flat
        for column in test.columns:
            assert column.header in flat
        for each in test.conditions:
            assert all(column in flat for column in condition_columns(each))
    places = [flat.index(w) for w in ("How to fill", "Issued by", "Tests, in the order of work")]
    assert places == sorted(places)
    assert flat.count("to be filled in:") == 6  # nobody said who asks, when, of which lots


def test_each_limit_stands_once_with_every_test_that_it_is_for(made):
    tests = made[1].tests
    rows = request_page._held(tests)
    assert len({row[0] for row in rows}) == len(rows)
    every = {str(number) for number in range(1, len(tests) + 1)}
    told = {row[0]: every if row[1] == "all" else set(row[1].split(", ")) for row in rows}
    for number in every:
        own = {speak(limit.text) for limit in tests[int(number) - 1].held}
        assert own == {text for text, numbers in told.items() if number in numbers}


def test_what_the_call_says_stands_instead_of_a_line_to_fill_in(made):
    request, issued = made[1], date(2026, 1, 2)
    settings = with_reply(request.settings, issued, date(2026, 2, 3), " a person ", "at random")
    told = dict(request_page._asking(replace(request, settings=settings)))
    assert told["Contact"] == "a person"
    assert (told["Day of the request"], told["Reply by"]) == ("2026-01-02", "2026-02-03")
    assert told["Drawn how, and by whom"] == "at random"
    assert told["Issued by"] == told["Lots, candidate"] == ""
    with pytest.raises(CaseError, match="before the day of the request"):
        with_reply(request.settings, issued, date(2026, 1, 1), "", "")


def test_no_type_of_the_pages_is_smaller_than_eight_points(made):
    sizes: set[float] = set()
    for page in PdfReader(made[0] / "request" / "test-request.pdf").pages:
        page.extract_text(visitor_text=lambda words, outer, inner, _, size: words.strip()
                          and sizes.add(round(size * abs(inner[0] * outer[0]), 2)))  # fmt: skip
    assert min(sizes) >= 8


def test_a_name_that_begins_like_a_formula_stays_a_name():
    columns = (SheetColumn("characteristic", "", ""), SheetColumn("found", "", ""))
    sheet = RecordSheet(
        id="IN-C", filter="candidate", specimen="", specimens=("C1",), columns=columns,
        rows=(("=1+1", ""),),
    )  # fmt: skip
    page = openpyxl.Workbook().active
    sheets._fill(page, sheets._readings(sheet))
    assert (page["A2"].data_type, page["A2"].value) == ("s", "=1+1")
