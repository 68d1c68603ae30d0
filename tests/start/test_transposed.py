"""Tables whose time runs to the right: found, read to the last digit, refused by their cells."""

import pytest
from openpyxl import load_workbook

from dossier.case.problems import CaseError
from dossier.case.read import read_case_files
from dossier.case.tables.grid import Grid
from dossier.case.tables.raw_table import TableError, turned_place
from dossier.case.tables.tables import read_table
from dossier.start.take import take_files
from tests.start.test_shapes import COUNTS, LEAD, Truth, case, taken, text, wide, xlsx

__all__ = ["case"]


@pytest.fixture
def truth():
    return Truth()


def turned(rows):
    """The same table with its rows as columns."""
    width = max(map(len, rows))
    return [
        list(each) for each in zip(*[[*r, *[""] * (width - len(r))] for r in rows], strict=True)
    ]


def across(truth, units=False):
    rows = wide(truth, titles=())
    if units:
        rows = [[*LEAD, *COUNTS], *rows[1:]]
        names = [name.rpartition(" ")[0] for name in rows[0]]
        rows = [names, [name.rpartition(" ")[2].strip("[]()") for name in rows[0]], *rows[1:]]
    return turned(rows)


@pytest.mark.parametrize("form", ["xlsx", "csv", "units", "titles"])
def test_time_that_runs_to_the_right_is_found_and_read(case, truth, tmp_path, form):
    rows = across(truth, units=form == "units")
    if form == "titles":
        rows = [["Test report (invented)"], ["Specimen: C1"], [], *rows, [], ["End of report"]]
    name = tmp_path / ("C1.csv" if form == "csv" else "C1.xlsx")
    file = text(name, rows, ";", comma=True) if form == "csv" else xlsx(name, ("C1", rows))
    record = taken(case, file)["MP-C1"]
    truth.check(record.table)
    assert "transposed = true" in (case / "case.toml").read_text("utf-8")
    first = 4 if form == "titles" else 1
    assert record.cells.startswith(f"A{first}:")


def test_two_runs_below_each_other(case, tmp_path):
    one, two = across(Truth(1)), across(Truth(2))
    rows = [["Specimen C1"], *one, [], ["Specimen C2"], *two]
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))
    Truth(1).check(records["MP-C1"].table)
    Truth(2).check(records["MP-C2"].table)


def test_a_sweep_that_runs_to_the_right(case, tmp_path):
    flow = [10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
    rows = [["Flow [L/min]", *flow], ["dP [kPa]", *(0.4 * q for q in flow)]]
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("C1", rows)), answers={})["PD-C1"]
    assert record.table.flow * 6e4 == pytest.approx(flow)
    assert record.table.pressure_drop == pytest.approx([400 * q for q in flow])


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_without_a_layout_it_is_refused_by_its_cell_and_told_how(truth, tmp_path, kind):
    rows, name = across(truth), f"C1.{kind}"
    file = text(tmp_path / name, rows) if kind == "csv" else xlsx(tmp_path / name, ("C1", rows))
    with pytest.raises(TableError) as told:
        read_table(name if kind == "csv" else f"{name}#C1", file.read_bytes())
    assert told.value.place == ("column '1.0'" if kind == "csv" else "cell B1")
    assert "transposed = true" in told.value.hint


def spoilt(case, truth, tmp_path, spoil):
    """Take a table, spoil its copy in the case, and return what the case says of it."""
    taken(case, xlsx(tmp_path / "C1.xlsx", ("C1", across(truth))))
    path = case / "records" / "C1.xlsx"
    book = load_workbook(path)
    spoil(book["C1"])
    book.save(path)
    with pytest.raises(CaseError) as told:
        read_case_files(case)
    return {(problem.place, problem.what) for problem in told.value.problems}


def hide(letter):
    return lambda page: setattr(page.column_dimensions[letter], "hidden", True)


def hide_row(number):
    return lambda page: setattr(page.row_dimensions[number], "hidden", True)


SPOILT = {
    "a word": (lambda page: page.__setitem__("D2", "about 30"), ("cell D2", "is not a number")),
    "a comma in doubt": (lambda page: page.__setitem__("D2", "1,234"), ("cell D2", "may be")),
    "a hidden reading": (hide("E"), ("column E", "is hidden")),
    "a hidden quantity": (hide_row(2), ("row 2", "is hidden")),
    "merged readings": (lambda page: page.merge_cells("C2:D2"), ("cells C2:D2", "are merged")),
    "an error": (lambda page: page.__setitem__("F3", "=1/0"), ("cell F3", "a formula")),
    "an unknown unit": (lambda page: page.__setitem__("A2", "ΔP (psiq)"), ("cell A2", "")),
    "a name twice": (lambda page: page.__setitem__("A3", page["A2"].value), ("", "")),
    "a value beside the table": (lambda page: page.__setitem__("C20", 5), ("cell C20", "no name")),
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILT)
def test_what_is_wrong_is_told_by_its_cell_in_the_file(case, truth, tmp_path, name):
    spoil, (place, words) = SPOILT[name]
    found = spoilt(case, truth, tmp_path, spoil)
    assert any(place in where and words in what for where, what in found), found


def test_a_quantity_named_by_place_is_named_by_its_row(case, truth, tmp_path):
    rows = across(truth)
    rows[3][0] = rows[2][0] = "Reading"
    answers = {"cell A3": "flow [L/min]", "cell A4": "temperature [degC]"}
    record = taken(case, xlsx(tmp_path / "C1.xlsx", ("C1", rows)), answers=answers)["MP-C1"]
    truth.check(record.table)
    assert '"row 3" = "flow [L/min]"' in (case / "case.toml").read_text("utf-8")


@pytest.mark.parametrize(
    ("place", "meant"),
    [("cell D2", "cell B4"), ("row 3", "column C"), ("column AB", "row 28"), ("header", "header"),
     ("cells A2:C2", "cells B1:B3"), ("sheet 'D2'", "sheet 'D2'"),
     ("row 3, column 'time'", "column C, column 'time'")],
)  # fmt: skip
def test_places_are_exchanged(place, meant):
    assert turned_place(place) == meant


def test_a_grid_turned_twice_is_as_it_was():
    grid = Grid("f", [(1, ["a", "b"]), (2, ["c", "d"]), (3, ["e", "f"])], (((0, 0), (1, 0)),))
    assert grid.turn().turn() == grid


def test_a_table_that_would_span_too_much_is_refused(case, tmp_path):
    file = tmp_path / "far.csv"
    file.write_text("a,b\n" + "," * 9000 + "\n" + "\n" * 9000 + "c\n", "utf-8")
    with pytest.raises(CaseError) as told:
        take_files(case, [file], None)
    assert "more than" in told.value.problems[0].what
