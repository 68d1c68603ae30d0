"""Broken evidence: a clear message or "not demonstrated", never a new pass, never a traceback."""

import re
import shutil
from functools import cache
from pathlib import Path

import pytest
from openpyxl import load_workbook

from dossier import CaseError, assess, read_case
from tests.spelled import INPUTS

CASES = ("polder-pumps", "ropeway-drive", "chain-ferry")
TOLD = {"refused", "fewer passes", "unchanged"}


def passes(assessment):
    return {f.demand.id for f in assessment.findings if f.verdict.value == "pass"}


@pytest.fixture(scope="module")
def intact(few_draws, remembered):
    return {name: passes(assess(read_case(INPUTS / name), pages=False)) for name in CASES}


def outcome(folder, intact_passes, *, pages=False):
    """Assess a mutated case: return what came of it; fail on a pass of its own.

    With `pages`, what only pages show is computed too, which takes as long again.
    """
    try:
        assessment = assess(read_case(folder), pages=pages)
    except CaseError as error:
        return "refused" if well_told(error.problems) else "refused without a word"
    gained = passes(assessment) - intact_passes
    assert not gained, f"new passes: {gained}"
    lost = intact_passes - passes(assessment)
    for finding in assessment.findings:
        if finding.verdict.value == "not demonstrated":
            assert len(finding.reason) > 20
    return "fewer passes" if lost else "unchanged"


def well_told(problems):
    return bool(problems) and all(p.file and p.what and p.hint for p in problems)


def copy(name, tmp_path):
    return Path(shutil.copytree(INPUTS / name, tmp_path / name))


def rewrite(path, old, new, count=1):
    text = path.read_text()
    assert old in text, old
    path.write_text(text.replace(old, new, count))


@cache
def tables(name):
    """Every record table of a case by its name: the file, and its rows of text or numbers."""
    found = {}
    for path in sorted((INPUTS / name / "records").iterdir()):
        if path.suffix == ".csv":
            separator, lines = separator_of(path)
            rows = [x.split(separator) for x in lines if not x.startswith("#")]
            found[path.stem.upper()] = path.name, rows
        else:
            for sheet in load_workbook(path):
                rows = [["" if c is None else c for c in row] for row in sheet.values]
                found[sheet.title] = path.name, [r for r in rows if not str(r[0]).startswith("#")]
    return found


def separator_of(path):
    lines = path.read_text().splitlines()
    return ";" if any(";" in x for x in lines if not x.startswith("#")) else ",", lines


def save(path, record, rows):
    """Write a record's rows into its file in a copy of a case."""
    if path.suffix == ".csv":
        separator, lines = separator_of(path)
        body = [separator.join(str(c) for c in row) for row in rows]
        remarks = [x for x in lines if x.startswith("#")]
        path.write_text("\n".join(remarks + body) + "\n")
        return
    book = load_once(path.parents[1].name, path.name)
    before = list(book[record].values)
    fill(book[record], [[None if c == "" else c for c in row] for row in rows])
    book.save(path)
    fill(book[record], before)


@cache
def load_once(name, file):
    return load_workbook(INPUTS / name / "records" / file)


def fill(sheet, rows):
    sheet.delete_rows(1, sheet.max_row)
    for row in rows:
        sheet.append(row)


def record_ids(name):
    return re.findall(r'^id = "((?:MP|PD)-\w+)"', (INPUTS / name / "case.toml").read_text(), re.M)


RECORDS = [(name, each) for name in CASES[:2] for each in record_ids(name) if each[-1] in "12"]
"""The first two of each kind and side: those behind them count as the second does."""
OTHER_KINDS = ["MPF-C1", "PDF-C2", "BV-C", "BU-C", "CO-C", "PU-C", "IN-DIM", "IN-LOOK"]


@pytest.mark.parametrize(
    ("name", "record"), RECORDS + [("chain-ferry", record) for record in OTHER_KINDS]
)
def test_deleting_any_record_entry(name, record, tmp_path, intact):
    folder = copy(name, tmp_path)
    text = (folder / "case.toml").read_text()
    blocks = re.split(r"(?m)^(?=\[\[)", text)
    kept = [b for b in blocks if f'"{record}"' not in b]
    assert len(kept) < len(blocks)
    (folder / "case.toml").write_text("".join(kept))
    verdict = outcome(folder, intact[name], pages=record.endswith("1"))
    if "-R" not in record:
        assert verdict == "fewer passes"


@pytest.mark.parametrize(("name", "record"), RECORDS[::2])
def test_deleting_any_record_file_or_sheet(name, record, tmp_path, intact):
    folder = copy(name, tmp_path)
    path = folder / "records" / f"{record.lower()}.csv"
    if path.exists():
        path.unlink()
    else:
        book = load_workbook(folder / "records" / "laboratory.xlsx")
        del book[record]
        book.save(folder / "records" / "laboratory.xlsx")
    assert outcome(folder, intact[name]) == "refused"


def some_tables():
    """One table of each kind, side and file format."""
    return [("polder-pumps", r) for r in ("MP-C1", "MP-R2", "PD-C1", "PD-R3")] + [
        ("ropeway-drive", r) for r in ("MP-C2", "PD-C1")
    ]


def change(name, record, tmp_path, edit):
    folder = copy(name, tmp_path)
    file, rows = tables(name)[record]
    save(folder / "records" / file, record, edit([list(row) for row in rows]))
    return folder


def width(name, record):
    return len(tables(name)[record][1][0])


THIRD = {"polder-pumps": 1, "ropeway-drive": 3}
"""Every third column of a workbook: what is read of it is judged as rows of CSV are."""
COLUMNS = [(n, r, k) for n, r in some_tables() for k in range(0, width(n, r), THIRD[n])]
OPTIONAL = ("flow", "temperature")


@pytest.mark.parametrize(("name", "record", "k"), COLUMNS)
def test_deleting_any_column(name, record, k, tmp_path, intact):
    folder = change(name, record, tmp_path, lambda rows: [r[:k] + r[k + 1 :] for r in rows])
    assert outcome(folder, intact[name]) in TOLD


@pytest.mark.parametrize(("name", "record", "k"), COLUMNS)
def test_emptying_any_column(name, record, k, tmp_path, intact):
    folder = change(
        name,
        record,
        tmp_path,
        lambda rows: [rows[0], *([*r[:k], "", *r[k + 1 :]] for r in rows[1:])],
    )
    assert outcome(folder, intact[name], pages=record.endswith("C1")) in TOLD


BAD_CELLS = [(*column, cell) for column in COLUMNS for cell in ("NaN", "-5")]
BAD_CELLS += [(*column, cell) for column in COLUMNS[:6] for cell in ("1e400", "=1+1")]


@pytest.mark.parametrize(("name", "record", "k", "cell"), BAD_CELLS)
def test_a_cell_that_is_no_measured_value_is_refused(name, record, k, cell, tmp_path, intact):
    def edit(rows):
        rows[5][k] = cell
        return rows

    folder = change(name, record, tmp_path, edit)
    verdict = outcome(folder, intact[name])
    header = tables(name)[record][1][0][k]
    if not (cell == "-5" and header.startswith("temperature")):
        assert verdict == "refused", header


@pytest.mark.parametrize(("name", "record"), [t for t in some_tables() if t[1].startswith("MP")])
@pytest.mark.parametrize("share", [0.1, 0.5, 1.0])
def test_emptying_the_late_downstream_cells(name, record, share, tmp_path, intact):
    def edit(rows):
        start = int(len(rows) * (1 - share))
        columns = [k for k, c in enumerate(rows[0]) if str(c).startswith("downstream")]
        for row in rows[max(1, start) :]:
            for k in columns:
                row[k] = ""
        return rows

    verdict = outcome(change(name, record, tmp_path, edit), intact[name])
    if share >= 0.5:
        assert verdict != "unchanged"


@pytest.mark.parametrize(("name", "record"), [t for t in some_tables() if t[1].startswith("MP")])
def test_swapping_upstream_and_downstream(name, record, tmp_path, intact):
    def edit(rows):
        turn = {"upstream": "downstream", "downstream": "upstream"}
        rows[0] = [re.sub(r"^(up|down)stream", lambda m: turn[m[0]], str(c)) for c in rows[0]]
        return rows

    assert outcome(change(name, record, tmp_path, edit), intact[name]) == "fewer passes"


@pytest.mark.parametrize(("name", "record"), [t for t in some_tables() if t[1].startswith("MP")])
@pytest.mark.parametrize(("a", "b"), [("10", "20"), ("5", "30"), ("20", "25")])
def test_counts_that_do_not_fall_with_size(name, record, a, b, tmp_path, intact):
    def edit(rows):
        turn = {f" {a} um": f" {b} um", f" {b} um": f" {a} um"}
        rows[0] = [re.sub(r" \d+ um", lambda m: turn.get(m[0], m[0]), str(c)) for c in rows[0]]
        return rows

    assert outcome(change(name, record, tmp_path, edit), intact[name]) == "fewer passes"


UNITS = [
    ("[kPa]", "[Pa]"),
    ("[kPa]", "[psi]"),
    ("[kPa]", "[bar]"),
    ("[kPa]", "[L/min]"),
    ("[kPa]", ""),
    ("[L/min]", "[mL/min]"),
    ("[L/min]", "[gal/min]"),
    ("[degC]", "[K]"),
    ("[degC]", "[degF]"),
    ("[min]", "[s]"),
    ("[min]", "[h]"),
    ("[1/mL]", "[1/L]"),
    ("[1/mL]", "[kPa]"),
    ("um(c)", "um"),
]


@pytest.mark.parametrize(("name", "record"), some_tables())
@pytest.mark.parametrize(("old", "new"), UNITS)
def test_wrong_units_in_the_header(name, record, old, new, tmp_path, intact):
    def edit(rows):
        rows[0] = [str(c).replace(old, new) for c in rows[0]]
        return rows

    if not any(old in str(c) for c in tables(name)[record][1][0]):
        pytest.skip("no such unit in this table")
    outcome(change(name, record, tmp_path, edit), intact[name])


CONDITIONS = [
    'flow = "80 L/min"', 'temperature = "40 degC"', 'injection_flow = "0.25 L/min"',
    "injection_concentration", "injection_volume", "final_concentration", "system_volume",
    "sample_flow", "housing_pressure_drop", "terminal_pressure_drop", "sample_volume", "dilution",
]  # fmt: skip


@pytest.mark.parametrize("key", CONDITIONS)
def test_deleting_any_condition(key, tmp_path, intact):
    folder = copy("polder-pumps", tmp_path)
    lines = (folder / "case.toml").read_text().splitlines()
    index = next(i for i, line in enumerate(lines) if line.startswith(key))
    (folder / "case.toml").write_text("\n".join(lines[:index] + lines[index + 1 :]) + "\n")
    assert outcome(folder, intact["polder-pumps"]) in TOLD


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('flow = "80 L/min"', 'flow = "8 L/min"'),
        ('injection_flow = "0.25 L/min"', 'injection_flow = "2.5 L/min"'),
        ('sample_volume = "25 mL"', 'sample_volume = "25 L"'),
        ("upstream = 10, downstream = 10", "upstream = 0, downstream = 10"),
        ("upstream = 10, downstream = 10", "upstream = 1, downstream = 1"),
        ('terminal_pressure_drop = "150 kPa"', 'terminal_pressure_drop = "150 bar"'),
        ('terminal_pressure_drop = "150 kPa"', 'terminal_pressure_drop = "-150 kPa"'),
        ('housing_pressure_drop = "14.33 kPa"', 'housing_pressure_drop = "nan kPa"'),
        ('start = "25.00 L", end = "10.55 L"', 'start = "10.55 L", end = "25.00 L"'),
        ('value = "3172 mg/L"', 'value = "3172 g/L"'),
        ('value = "3172 mg/L"', 'value = "0 mg/L"'),
        ('final_concentration = { value = "27.3 mg/L"', 'final_concentration = { value = "2 g/L"'),
        ('size_u = "2 %"', 'size_u = "2"'),
        ("due = 2026-12-07", "due = 2026-02-01"),
        ("tested = 2026-02-16", "tested = 2027-02-16"),
        ('methods = ["ISO 4548-12:2017", "ISO 4548-1:1997", "ISO 4548-2:1997"]', "methods = []"),
        ('value = "15 mm2/s"', 'value = "150 mm2/s"'),
        ('value = "15 mm2/s"', 'value = "15 m2/s"'),
        ('file = "records/mp-c1.csv"', 'file = "../../../etc/passwd"'),
        ('file = "records/mp-c1.csv"', 'file = "records/pd-c1.csv"'),
        ('fluid = "multi-pass fluid"', 'fluid = "water"'),
        ('specimen = "C1"', 'specimen = ""'),
    ],
)
def test_wrong_values_in_the_case_file(old, new, tmp_path, intact):
    folder = copy("polder-pumps", tmp_path)
    rewrite(folder / "case.toml", old, new)
    assert outcome(folder, intact["polder-pumps"], pages=True) in {"refused", "fewer passes"}
