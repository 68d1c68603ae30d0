import io
import zipfile

import numpy as np
import pytest
from openpyxl import Workbook

from dossier.case.model import Layout
from dossier.case.records import interpret, join
from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.grid import Grid
from dossier.case.tables.named import size_label
from dossier.case.tables.raw_table import TableError
from dossier.case.tables.sheet_marks import SheetMarks
from dossier.case.tables.tables import _show_percent, is_workbook, read_sheet, read_table

GOOD = "# invented\ntime [min],flow [L/min]\n1,10.5\n# filter warmed up\n2,\n3,11\n"


def numbers(table, name):
    return table.numbers(table.find(name))


def test_remarks_are_kept_with_their_row_and_empty_cells_are_missing():
    table = read_csv("r.csv", GOOD.encode())
    assert table.remarks == ((1, "invented"), (4, "filter warmed up"))
    assert numbers(table, "time").tolist() == [1.0, 2.0, 3.0]
    assert np.isnan(numbers(table, "flow")[1])
    assert table.find("Flow").unit == "L/min"
    assert not table.problems


@pytest.mark.parametrize(
    "text",
    [
        "time [min];flow [L/min]\n1;10,5\n2;\n3;11\n",
        "time [min]\tflow [L/min]\n1\t10.5\n2\t\n3\t11\n",
        "\ufefftime [min],flow [L/min]\r\n1,10.5\r\n2,\r\n3,11\r\n",
        'time [min],"flow [L/min]"\n1,"10.5"\n2,\n3,11\n',
    ],
)
def test_separators_decimal_comma_and_byte_order_mark(text):
    table = read_csv("r.csv", text.encode())
    assert np.allclose(numbers(table, "flow"), [10.5, np.nan, 11.0], equal_nan=True)


@pytest.mark.parametrize(
    "cell", ["NaN", "inf", "-Infinity", "n/a", "1 23", "10.5.1", "ten", "NULL"]
)
def test_text_in_a_numeric_column_is_named_by_row_and_column(cell):
    table = read_csv("r.csv", f"time [min],flow [L/min]\n1,10\n2,{cell}\n3,11\n".encode())
    numbers(table, "flow")
    assert len(table.problems) == 1
    problem = table.problems[0]
    assert problem.place == "row 3, column 'flow'"
    assert cell.lower()[:3] in problem.what.lower()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"time [min],flow [L/min]\n", "no data rows"),
        (b"time [min],flow [L/min]\n1,2,3\n", "3 cells where the header has 2"),
        (b"time [min],flow [L/min]\n1\n", "1 cells where the header has 2"),
        (b"time [min],time [s]\n1,2\n", "occurs twice"),
        (b"time [min,flow\n1,2\n", "not understood"),
        (b"t,f\n1,\x81\n", "not UTF-8"),
        (b"t,f\n1,\x00\n", "NUL"),
        (b"t;f\n1,5;2.5\n", "decimal point, but decimal comma"),
    ],
)
def test_a_table_that_cannot_be_read_says_why(content, words):
    with pytest.raises(TableError, match=words):
        read_csv("r.csv", content)


def workbook(rows):
    book = Workbook()
    sheet = book.active
    sheet.title = "C1"
    for row in rows:
        sheet.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def test_a_sheet_reads_as_its_csv_and_names_cells():
    rows = [["# invented"], ["time [min]", "flow [L/min]"], [1, 10.5], [2, None], [3, "eleven"]]
    table = read_sheet("r.xlsx#C1", workbook(rows), "C1")
    assert table.remarks == ((1, "invented"),)
    values = numbers(table, "flow")
    assert values[0] == 10.5
    assert np.isnan(values[1:]).all()
    assert [p.place for p in table.problems] == ["cell B5"]


def test_a_missing_sheet_and_a_bomb_are_refused():
    content = workbook([["time [min]"], [1]])
    with pytest.raises(TableError, match="no such sheet"):
        read_sheet("r.xlsx#X", content, "X")
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (300 * 2**20))
    with pytest.raises(TableError, match="unpacks to"):
        read_sheet("r.xlsx#X", stream.getvalue(), "X")
    with pytest.raises(TableError, match="not an XLSX"):
        read_sheet("r.xlsx#X", b"hello", "X")


def test_a_value_beyond_all_measure_is_told_by_its_cell():
    rows = "flow [L/min],differential pressure [MPa]\n" + "".join(f"{q},1e307\n" for q in range(9))
    raw = read_csv("x.csv", rows.encode())
    assert interpret(raw, "pressure_drop", "ISO 11171") is None
    assert [p.what for p in raw.problems][:1] == ["is beyond all measure"]


@pytest.mark.parametrize(
    ("path", "found"), [("a.xlsx", True), ("b/A.XLSM", True), ("a.csv", False), ("a.TSV", False)]
)
def test_a_file_is_a_workbook_by_its_ending(path, found):
    assert is_workbook(path) is found


@pytest.mark.parametrize("path", ["a.ods", "a.xls", "a"])
def test_files_of_other_kinds_are_not_taken_for_tables(path):
    with pytest.raises(TableError, match="are not read"):
        is_workbook(path)


def test_a_percentage_below_the_last_row_is_none():
    grid = Grid("s", [(1, ["a", 0.25]), (2, ["b", "0.25"])])
    _show_percent(grid, SheetMarks(cells={"percent": [(1, 1), (2, 1), (1, 7), (9, 0)]}))
    assert [row for _, row in grid.rows] == [["a", "25.0 %"], ["b", "0.25"]]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("4 um(c) ISO 11171", "4 um(c)"), ("4,5 µm(c) ISO 11171", "4.5 um(c)"),
        ("4-6 µm(c)", "4 to 6 um(c)"), ("14", "14 um(c)"), ("all", "all um(c)"),
    ],
)  # fmt: skip
def test_a_channel_is_named_by_its_sizes(text, said):
    assert size_label(text, "um(c)") == said


@pytest.mark.parametrize(
    ("cells", "what"),
    [("1e300,20", "is beyond all measure"), ("1,-273.15", "is below absolute zero"), ("1,-40", "")],
)
def test_a_reading_that_nothing_can_have_is_told(cells, what):
    rows = "flow [L/min],temperature [degC],differential pressure [kPa]\n"
    rows += "".join(f"{q},20,{q}\n" for q in range(1, 9)) + f"{cells},9\n"
    raw = read_csv("x.csv", rows.encode())
    interpret(raw, "pressure_drop", "ISO 11171")
    assert [p.what for p in raw.problems] == ([what] if what else [])


MUTED = "is a row of readings behind a #"


@pytest.mark.parametrize(
    "row", ["#3,30.1,79.9", '"#3","30.1","79.9"', "# 3, 30.1, 79.9", "3,#30.1,79.9", "#,30.1,79.9"]
)
def test_a_row_of_readings_is_no_remark(row):
    rows = [row.replace('"', "").split(","), ["4", "31.5", "80.2"]]
    names = ["time [min]", "differential pressure [kPa]", "flow [L/min]"]
    muted = row.lstrip('"').startswith("#")
    book = Workbook()
    for each in (names, [1, 28.5, 80.1], *rows):
        book.active.append(each)
    saved = io.BytesIO()
    book.save(saved)
    text = "\n".join([",".join(names), "1,28.5,80.1", row, "4,31.5,80.2"]).encode()
    cut = Layout.model_validate({"id": "as delivered"})
    ways = [("a.csv", text, None), ("a.csv", text, cut), ("a.xlsx#Sheet", saved.getvalue(), None)]
    for file, content, layout in ways:
        try:
            table = read_table(file, content, layout=layout)
            told = " ".join(map(str, [*table.problems, table.numbers(table.columns[1])]))
        except TableError as error:
            told = error.what
        assert (MUTED in told) == muted, (file, told)


@pytest.mark.parametrize("said", ["12 min: bubble, vented", "zero 0.1, 0.2, at 23.5 degC", "1,,"])
def test_a_remark_with_numbers_in_it_is_one(said):
    text = f"time [min],differential pressure [kPa],flow [L/min]\n1,28.5,80.1\n# {said}\n2,29,80\n"
    assert len(read_table("a.csv", text.encode()).lines) == 2


def joined(own, its, within=30.0):
    """A table with a second one joined to it whose cells are counted from 10."""
    rows = [f"{value},{n}" for n, value in enumerate(own)]
    raw = read_csv("r.csv", "\n".join(["time [s],flow [L/min]", *rows, ""]).encode())
    rows = [f"{value},{n}" for n, value in enumerate(its, 10)]
    other = read_csv("o.csv", "\n".join(["time [s],temperature [degC]", *rows, ""]).encode())
    join(raw, other, within)
    return raw, other


def test_each_row_takes_the_nearest_reading_of_a_second_table():
    """Of two as near, at 60 s, the earlier; none within 30 s of 180 s."""
    raw, other = joined([0, 60, 120, 180, 240], [5, 50, 70, 120, 145, 214])
    assert not raw.problems + other.problems
    assert np.allclose(numbers(raw, "temperature"), [10, 11, 13, np.nan, 15], equal_nan=True)


@pytest.mark.parametrize(
    ("times", "places"),
    [([5, 50, 40, 120], ["row 4"]), ([5, 5, 50], ["row 3"]), ([50, 40, 30], ["row 3", "row 4"])],
)
def test_a_second_table_is_in_the_order_of_time(times, places):
    _, other = joined([0, 60, 120], times)
    assert [(each.place, each.what) for each in other.problems] == [
        (f"{place}, column 'time'", "time does not increase") for place in places
    ]


def test_what_is_joined_lies_near_and_nearer_than_the_next_row():
    raw, _ = joined([0, 60, 120], [3600, 3660])
    assert [each.what for each in raw.problems] == ["no reading of o.csv is within 30 s"]
    raw, _ = joined([0, 60, 120], [0, 60], within=61.0)
    assert [each.what for each in raw.problems] == [
        "within = 61 s is more than lies between two rows"
    ]
