"""A number comes back as it was meant, or the cell is refused: never as another number."""

import csv
import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from dossier.case.tables import csv_rows
from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.raw_table import TableError
from dossier.case.tables.tables import read_sheet
from dossier.case.tables.written import number, proves_decimal, shows, vanishing

VALUES = st.one_of(
    st.integers(0, 10**7).map(float),
    st.tuples(st.integers(0, 10**7), st.integers(0, 4)).map(lambda t: t[0] / 10 ** t[1]),
)
STYLES = [(d, g) for d in ".," for g in ("", " ", "\u00a0", "\u202f", "'", ".", ",") if g != d]


def written(value, decimal, group, places):
    """Write a number by the rules of grouping in threes, apart from the package."""
    text = f"{value:,.{places}f}" if places is not None else f"{value:,}"
    return text.replace(",", "G").replace(".", decimal).replace("G", group)


def csv_file(rows, separator):
    stream = io.StringIO()
    csv.writer(stream, delimiter=separator, lineterminator="\n").writerows(rows)
    return stream.getvalue().encode()


def sheet_file(rows):
    book = Workbook()
    book.active.title = "S"
    for row in rows:
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def found(read):
    """Return the values of both columns, or None where the table or a cell is refused."""
    try:
        table = read()
    except TableError as error:
        return None if error.place and error.hint else "a refusal without place or cure"
    values = [table.numbers(column) for column in table.columns]
    assert all(problem.place and problem.hint for problem in table.problems)
    return None if table.problems else values


@settings(max_examples=250, deadline=None)
@given(
    st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=6),
    st.sampled_from(STYLES),
    st.sampled_from([None, 0, 1, 2, 3, 4]),
    st.sampled_from([None, 0, 1, 2, 3, 4]),
    st.sampled_from(";\t,x"),
    st.booleans(),
    st.booleans(),
)
def test_numbers_of_any_convention_read_back_or_are_refused(
    rows, style, first, second, separator, declared, large
):
    decimal, group = style
    cells = [
        [written(a, decimal, group, first), written(b, decimal, group, second)] for a, b in rows
    ]
    meant = [
        [float(f"{v:.{places}f}") if places is not None else v for v in column]
        for column, places in zip(zip(*rows, strict=True), (first, second), strict=True)
    ]
    head = ["flow [L/min]", "temperature [degC]"]
    stated = decimal if declared else ""
    if separator == "x":
        read = lambda: read_sheet("r", sheet_file([head, *cells]), "S", None, stated)  # noqa: E731
    else:
        content = csv_file([head, *cells], separator)
        read = lambda: read_csv("r", content, None, stated)  # noqa: E731
    with pytest.MonkeyPatch.context() as patched:
        if large:
            patched.setattr(csv_rows, "SMALL", -1)
            patched.setattr(csv_rows, "HEAD", 1)
            patched.setattr(csv_rows, "PIECE", 1)
        values = found(read)
    without_comma = all("," not in cell for row in cells for cell in row)
    if (separator, group, declared) == (",", ".", False) and without_comma:
        return  # the case format says that a file separated by commas has decimal points
    if declared:
        assert values is not None
    if values is not None:
        assert np.array_equal(values, meant)


@pytest.mark.parametrize(
    ("text", "decimal", "thousands", "value"),
    [
        ("12 500", ".", "", 12500.0),
        ("12.500,0", ",", ".", 12500.0),
        ("1,234.5", ".", ",", 1234.5),
        ("1\u00a0234\u00a0567,25", ",", "", 1234567.25),
        ("1'234.5", ".", "", 1234.5),
        ("-0,5e-3", ",", "", -0.0005),
        ("12,5", ".", ",", None),
        ("1,23,456", ".", ",", None),
        ("0,123", ".", ",", None),
        ("1.234.5", ".", ",", None),
        ("1 23", ".", "", None),
        ("1 234'567", ".", "", None),
        ("1_000", ".", "", None),
        ("\u0661\u0662", ".", "", None),
        ("inf", ".", "", None),
        ("nan", ".", "", None),
    ],
)
def test_a_number_is_read_by_the_stated_marks_only(text, decimal, thousands, value):
    assert number(text, decimal, thousands) == value


@pytest.mark.parametrize("text", ["1,234", "12.500", "-999,999"])
def test_one_mark_before_three_digits_shows_nothing(text):
    seen = shows(text)
    assert (seen.decimal, seen.thousands) == ("", "")
    assert seen.doubtful in text


@settings(max_examples=300, deadline=None)
@given(st.from_regex(r"[+-]?[0-9]{0,5}[.,][0-9]{0,5}([eE][0-9])?", fullmatch=True))
@pytest.mark.parametrize("mark", [".", ","])
def test_a_piece_proves_a_mark_by_the_cells_that_show_it(mark, cell):
    if number(cell, ".") is None and number(cell, ",") is None:
        return
    proven = proves_decimal(f"1;{cell};2\n3;4;5\n".encode(), mark)
    assert proven == (shows(cell).decimal == mark)


def read(text, decimal=""):
    return read_csv("r.csv", text.encode(), None, decimal)


def test_a_factor_of_1000_is_refused_with_the_cell_and_the_cure():
    with pytest.raises(TableError, match="factor of 1000") as caught:
        read("time [min];flow [L/min]\n1;2\n2;1,234\n")
    assert caught.value.place == "row 3, column 'flow'"
    assert 'decimal = "."' in caught.value.hint
    for mark, value in ((",", 1.234), (".", 1234.0)):
        table = read("time [min];flow [L/min]\n1;2\n2;1,234\n", mark)
        assert table.numbers(table.columns[1]).tolist() == [2.0, value]


@pytest.mark.parametrize(("mark", "cell"), [(".", "1,5"), (",", "1.5"), (".", "12,34,5")])
def test_a_number_with_the_other_mark_is_none_and_in_no_doubt(mark, cell):
    table = read(f"time [min];flow [L/min]\n1;2\n2;{cell}\n", mark)
    table.numbers(table.columns[1])
    assert [each.what for each in table.problems] == [f"{cell!r} is not a number"]


def test_thousands_count_only_where_their_own_column_shows_them():
    text = "time [min]\tflow [L/min]\n0.5\t12,500\n1.5\t9,800\n"
    table = read(text)
    table.numbers(table.columns[1])
    assert [problem.place for problem in table.problems] == [
        f"row {row}, column 'flow'" for row in (2, 3)
    ]
    table = read(text.replace("9,800", "9,800.0"))
    assert table.numbers(table.columns[1]).tolist() == [12500.0, 9800.0]


def test_a_decimal_mark_shown_elsewhere_settles_a_doubtful_cell():
    table = read("time [min];flow [L/min]\n0,5;1,234\n")
    assert table.numbers(table.columns[1]).tolist() == [1.234]


def test_words_do_not_show_a_decimal_mark():
    table = read("specimen;burst pressure [kPa]\n1.2;2,5\n1.3;> 2000,5\n")
    assert table.texts(table.columns[0]) == ["1.2", "1.3"]
    assert table.results(table.columns[1]) == ["2.5", ">2000.5"]


def test_apostrophe_and_typographic_minus():
    table = read("time [min];flow [L/min]\n'12,5;\u22123,5\n")
    assert [table.numbers(c).tolist() for c in table.columns] == [[12.5], [-3.5]]


def test_a_large_file_with_one_odd_cell_keeps_its_numbers(monkeypatch):
    monkeypatch.setattr(csv_rows, "PIECE", 2**12)
    rows = [f"{n},5;{n * 3}" for n in range(20_000)]
    rows[12_345] = "12345,5;n/a"
    table = read("time [min];flow [L/min]\n" + "\n".join(rows) + "\n")
    assert np.array_equal(table.numbers(table.columns[0]), np.arange(20_000) + 0.5)
    flow = table.numbers(table.columns[1])
    assert math.isnan(flow[12_345])
    assert np.array_equal(np.delete(flow, 12_345), np.delete(np.arange(20_000) * 3.0, 12_345))
    assert [problem.place for problem in table.problems] == ["row 12347, column 'flow'"]


MINUTE = ("5e-324", "1e-400", "-1E-0310", "2.2e-308", f"0.{'0' * 320}1")
ZEROS = ("0", "0.0", "-0", "0e-400", f"0.{'0' * 330}")


@pytest.mark.parametrize("text", MINUTE)
@pytest.mark.parametrize("rows", [3, 4000])
def test_a_number_that_would_be_read_as_zero_is_refused_in_every_table(text, rows):
    body = [["time [min]", "flow [L/min]"], *([str(n), "1.5"] for n in range(rows)), ["0", text]]
    table = read_csv("t.csv", csv_file(body, ","))
    table.numbers(table.columns[1])
    assert any("too small" in problem.what for problem in table.problems)
    assert not np.any(table.numbers(table.columns[1]) == 0)


@pytest.mark.parametrize("text", ["5e-324", "1e-400", "1E-310"])
def test_a_number_that_would_be_read_as_zero_is_refused_on_a_sheet(text):
    from tests.hostile.bombs import book, rewritten

    made = rewritten(
        book(A1="time [min]", B1="flow [L/min]", A2=1, B2=1.5, A3=2, B3=2.5),
        lambda part: part.replace(b"<v>2.5</v>", f"<v>{text}</v>".encode()),
    )
    table = read_sheet("t.xlsx", made, "S")
    table.numbers(table.columns[1])
    assert any("too small" in problem.what for problem in table.problems)


@pytest.mark.parametrize("text", ZEROS)
def test_zero_stays_zero(text):
    table = read_csv("t.csv", csv_file([["time [min]", "flow [L/min]"], ["1", text]], ","))
    assert table.numbers(table.columns[1])[0] == 0
    assert not table.problems


@pytest.mark.parametrize("text", MINUTE)
def test_a_number_that_would_be_read_as_zero_is_refused_in_a_case_file(text):
    from dossier.case.toml_text import TomlError, parse_toml
    from dossier.case.units import UnitError, parse_quantity

    with pytest.raises(TomlError, match="read as zero"):
        parse_toml(f"a = {text.replace('E-0', 'e-')}".encode())
    with pytest.raises(UnitError, match="too small"):
        parse_quantity(f"{text} kPa", "pressure")
    with pytest.raises(UnitError, match="check its exponent"):
        parse_quantity("1e-305 mL/min", "flow")
    assert parse_quantity("0 kPa", "pressure") == 0
    assert parse_toml(b"a = 0.0e-400") == {"a": 0.0}


@given(
    st.integers(280, 300),
    st.integers(-310, 10),
    st.sampled_from([b"", b"e-0299", b"E-9", b"e+300"]),
)
def test_a_piece_that_may_hold_a_number_too_small_is_seen_wherever_it_stands(run, shift, power):
    # the reader of large files takes pieces of 2**20 bytes apart, and looks across their ends
    text = b" " * (2**20 + shift) + b"7" * run + power + b"\n"
    assert vanishing(text) == (run >= 290 or power == b"e-0299")
