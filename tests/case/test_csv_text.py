"""Files that are not UTF-8, and heads of CSV files that are more than a row of names."""

import sys

import numpy as np
import pytest

from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.raw_table import TableError, filled

TEXT = "# Prüfling ü, 20 °C, µm\ntime [min];flow [L/min];temperature [°C]\n1;10,5;40\n2;;41\n"


def numbers(table):
    return [table.numbers(column) for column in table.columns]


@pytest.mark.parametrize(
    ("encoding", "notes"),
    [("utf-8", 0), ("utf-8-sig", 0), ("utf-16", 1), ("latin-1", 1), ("cp1252", 1)],
)
def test_each_encoding_gives_the_same_table(encoding, notes):
    table = read_csv("r.csv", TEXT.encode(encoding))
    assert table.remarks == ((1, "Prüfling ü, 20 °C, µm"),)
    assert [column.unit for column in table.columns] == ["min", "L/min", "°C"]
    assert np.allclose(numbers(table), [[1, 2], [10.5, np.nan], [40, 41]], equal_nan=True)
    assert len(table.notes) == notes


@pytest.mark.parametrize(
    ("content", "place", "words"),
    [
        (TEXT.encode("cp850"), "row 1", r"byte 5 \(0x81\)"),
        (b"\xef\xbb\xbftime [min],flow [L/min]\n1,\xb0\n", "row 2", "byte 30"),
        (b"\xff\xfet\x00\x00\xd8,\x00", "byte", "not UTF-16"),
        ("time [min],flow [L/min]\n1,2\n".encode("utf-16-le"), "", "NUL"),
    ],
)
def test_what_is_no_text_is_refused_with_row_and_byte(content, place, words):
    with pytest.raises(TableError, match=words) as caught:
        read_csv("r.csv", content)
    assert caught.value.place.startswith(place)
    assert "again" in caught.value.hint


def test_a_broken_character_at_the_edge_of_a_piece_is_found_where_it_is(monkeypatch):
    monkeypatch.setattr("dossier.case.tables.csv_rows.STEP", 7)
    for at in range(30):
        content = b"\xef\xbb\xbf" + b"a" * at + "µ".encode()[:1] + b"b\n"
        with pytest.raises(TableError, match=rf"byte {at + 4} "):
            read_csv("r.csv", content)


HEAD = "Invented laboratory;;\nReport 7\nCustomer;nobody;\n"


def test_titles_and_units_around_the_names():
    names = "time;flow;temperature\nmin;L/min;[degC]\n"
    table = read_csv("r.csv", f"{HEAD}{names}1;10,5;40\n2;;41\n;;\n\n;;\n".encode())
    assert np.allclose(numbers(table), [[1, 2], [10.5, np.nan], [40, 41]], equal_nan=True)
    assert table.remarks == ((1, "Invented laboratory"), (2, "Report 7"), (3, "Customer nobody"))
    assert [column.unit for column in table.columns] == ["min", "L/min", "degC"]
    assert table.lines.tolist() == [6, 7]
    assert len(table.notes) == 2


def test_names_may_be_mapped_below_titles():
    text = "Invented;;\nt;Delta P;Q\nmin;kPa;L/min\n1;2;3\n"
    mapping = {"t": "time", "Delta P": "differential pressure", "Q": "flow"}
    table = read_csv("r.csv", text.encode(), mapping)
    assert [(column.name, column.unit) for column in table.columns] == [
        ("time", "min"), ("differential pressure", "kPa"), ("flow", "L/min"),
    ]  # fmt: skip
    assert np.allclose(numbers(table), [[1], [2], [3]])
    assert table.remarks == ((1, "Invented"),)


def test_mapped_names_below_two_cells_of_a_title_are_parted_as_they_are():
    text = "Report; 7\nt,Delta P\nmin,kPa\n1,2\n"
    table = read_csv("r.csv", text.encode(), {"t": "time", "Delta P": "differential pressure"})
    assert [column.unit for column in table.columns] == ["min", "kPa"]
    assert np.allclose(numbers(table), [[1], [2]])


def test_a_row_that_is_no_units_stays_a_row():
    table = read_csv("r.csv", b"time;flow\nmin;blip\n1;2\n")
    numbers(table)
    assert table.problems[0].place == "row 2, column 'time'"


def test_units_parted_otherwise_than_the_names_are_none():
    with pytest.raises(TableError, match="1 cells where the header has 2"):
        read_csv("r.csv", b"time;flow\nmin,L/min\n1;2\n")


@pytest.mark.parametrize("row", ["1;2;", ";1;2"])
def test_values_above_the_names_are_refused(row):
    with pytest.raises(TableError, match="above") as caught:
        read_csv("r.csv", f"Report\n{row}\ntime [min];flow [L/min];temperature [degC]\n".encode())
    assert caught.value.place == "row 2"


def test_a_value_in_a_column_without_a_name_is_refused():
    text = "time [min];flow [L/min];\n1;2;\n3;4;"
    assert read_csv("r.csv", text.encode()).rows == 2
    with pytest.raises(TableError, match="no name") as caught:
        read_csv("r.csv", f"{text}9\n".encode())
    assert caught.value.place == "cell C3"


def test_a_cell_longer_than_the_reader_takes_is_refused():
    with pytest.raises(TableError):
        read_csv("r.csv", b'time [min],flow [L/min]\n1,"' + b"9" * 200_000 + b'"\n')


@pytest.mark.parametrize("mark", "\x0b\x0c\x1c\x85\u2028\u2029")
def test_a_line_ends_where_editors_end_it(mark):
    text = f"# a{mark}3,4\ntime [min],flow [L/min]\r\n1,2\r\n\r\n2,3"
    table = read_csv("r.csv", text.encode())
    assert table.lines.tolist() == [3, 5]
    assert table.remarks == ((1, f"a{mark}3,4"),)


@pytest.mark.parametrize("value", [0.0, -3.0, 12.0, 999_999_999_999_999.0, 0.1, 1e300, -1e300])
def test_a_cell_that_is_a_number_is_written_so_that_it_reads_back(value):
    text = filled(value)
    assert float(text) == value
    assert len(text) < 24
    assert ("." in text) is (value == 0.1)


def test_whole_numbers_are_written_out_to_the_digits_that_a_double_keeps():
    first = 10.0**sys.float_info.dig
    assert filled(first - 1.0) == "9" * sys.float_info.dig
    assert filled(first) == repr(first) == filled(-first)[1:]


def test_a_cell_without_a_value_is_empty_and_others_are_their_words():
    empty = [None, float("nan"), np.float64("nan"), np.float32("nan"), "", " "]
    assert [filled(cell) for cell in empty] == [""] * 6
    cells = [" ten ", 7, np.int64(7), np.float32(7.5), float("inf"), -float("inf")]
    assert [filled(cell) for cell in cells] == ["ten", "7", "7", "7.5", "inf", "-inf"]
