"""Sheets as laboratories deliver them: read right, or refused with the address of the cell."""

import datetime as dt
import io
import random
import re
import zipfile
import zlib

import numpy as np
import pytest
from openpyxl import Workbook
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.comments import Comment
from openpyxl.formatting.rule import IconSetRule, Rule
from openpyxl.styles import Font, GradientFill, PatternFill
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.styles.numbers import NumberFormat

from dossier.case.tables.raw_table import TableError
from dossier.case.tables.sheet_marks import SheetMarks
from dossier.case.tables.tables import read_sheet, sheet_names
from dossier.case.tables.whole_book import check_workbook
from tests.hostile.bombs import archive

HEAD = ["time [min]", "flow [L/min]"]


def saved(book):
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def sheet(rows, change=None):
    """Return a workbook whose second sheet, "C1", holds `rows`, after `change` was at it."""
    book = Workbook()
    book.active.title = "Cover"
    made = book.create_sheet("C1")
    for row in rows:
        made.append(row)
    if change is not None:
        change(made)
    return saved(book)


def edited(content, *pairs):
    """Return the workbook with texts of its second sheet's XML replaced."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            text = old.read(name)
            if name.endswith("sheet2.xml"):
                for before, after in pairs:
                    assert before in text
                    text = text.replace(before, after)
            new.writestr(name, text)
    return stream.getvalue()


def read(content, **more):
    return read_sheet("r.xlsx#C1", content, "C1", **more)


def numbers(table):
    return [table.numbers(column).tolist() for column in table.columns]


def places(table):
    for column in table.columns:
        if column.name not in {"specimen", "remark"}:
            table.numbers(column)
    assert all(problem.hint for problem in table.problems)
    return [problem.place for problem in table.problems]


def test_merged_titles_above_the_names_become_remarks():
    def merge(made):
        made.merge_cells("A1:B1")
        made.merge_cells("A2:B2")

    rows = [["Invented laboratory"], ["Report 7"], ["Customer", "nobody"], HEAD, [1, 2.5], [2, 3]]
    table = read(sheet(rows, merge))
    assert numbers(table) == [[1.0, 2.0], [2.5, 3.0]]
    assert table.remarks == ((1, "Invented laboratory"), (2, "Report 7"), (3, "Customer nobody"))
    assert len(table.notes) == 1
    assert table.lines.tolist() == [5, 6]
    assert not table.problems


def test_values_above_the_names_are_no_titles():
    with pytest.raises(TableError, match="above") as caught:
        read(sheet([["Report"], [1, 2.5], HEAD, [2, 3]]))
    assert caught.value.place == "row 2"


@pytest.mark.parametrize("units", [["min", "L/min"], ["[min]", "(L/min)"]])
def test_units_in_the_row_below_the_names(units):
    table = read(sheet([["time", "flow"], units, [1, 2.5]]))
    assert [column.unit for column in table.columns] == ["min", "L/min"]
    assert numbers(table) == [[1.0], [2.5]]
    assert len(table.notes) == 1


def test_two_units_of_one_column_are_refused():
    with pytest.raises(TableError, match="units 'L/min' and 'm3/h'"):
        read(sheet([["time", "flow [L/min]"], ["min", "m3/h"], [1, 2.5]]))


@pytest.mark.parametrize("row", [["C1", None, None], ["C1", None, "m"], [None, None, "h"]])
def test_a_row_of_words_is_not_taken_for_units(row):
    table = read(sheet([["specimen", "burst pressure [kPa]", "remark"], row, ["C2", 5, None]]))
    assert table.rows == 2


def test_numbers_that_are_text_with_either_mark():
    table = read(sheet([HEAD, ["1,5", 2.5], [2, "'12,25"], ["3", " 4,0 "]]))
    assert numbers(table) == [[1.5, 2.0, 3.0], [2.5, 12.25, 4.0]]
    with pytest.raises(TableError, match="both as text") as caught:
        read(sheet([HEAD, ["1,5", "2.5"]]))
    assert caught.value.place == "cell B2"


def test_a_text_that_may_be_thousands_is_refused_by_its_address():
    with pytest.raises(TableError, match="factor of 1000") as caught:
        read(sheet([HEAD, [1, 2.5], [2, "1.234"]]))
    assert caught.value.place == "cell B3"
    table = read(sheet([HEAD, [1, 2.5], [2, "1.234"]]), decimal=",")
    assert numbers(table)[1] == [2.5, 1234.0]


def test_formulas_count_by_their_stored_value_and_are_refused_without():
    content = sheet([HEAD, [1, "=1+1"], [2, "=B2*2"], [3, 7]])
    assert places(read(content)) == ["cell B2", "cell B3"]
    stored = edited(content, (b"</f><v></v>", b"</f><v>4</v>"))
    assert numbers(read(stored)) == [[1, 2, 3], [4, 4, 7]]
    empty = edited(content, (b"</f><v></v>", b"</f>"))
    assert places(read(empty)) == ["cell B2", "cell B3"]
    text = edited(
        content, (b'<c r="B2">', b'<c r="B2" t="str">'), (b'<c r="B3">', b'<c r="B3" t="str">')
    )
    table = read(text)  # the text that the formula gives is empty
    assert np.isnan(numbers(table)[1][:2]).all()
    assert not table.problems


def test_error_values_are_refused_by_their_address():
    assert places(read(sheet([HEAD, [1, "#DIV/0!"], ["#N/A", 3], [3, 4]]))) == [
        "cell B2", "cell A3",
    ]  # fmt: skip


def test_dates_and_truth_values_are_no_numbers():
    noon = dt.datetime(2026, 2, 1, 12, 0)  # noqa: DTZ001  cells have no time zone
    rows = [HEAD, [1, dt.date(2026, 2, 1)], [2, noon], [3, True]]
    table = read(sheet(rows))
    assert sorted(places(table)) == ["cell B2", "cell B3", "cell B4"]
    assert sum("is a date" in problem.what for problem in table.problems) == 2


def test_hidden_rows_and_columns_are_refused():
    def hide(made):
        made.row_dimensions[3].hidden = True
        made.row_dimensions[9].hidden = True
        made.column_dimensions["B"].hidden = True
        made.column_dimensions["D"].hidden = True

    assert places(read(sheet([HEAD, [1, 2], [2, 3]], hide))) == ["row 3", "column B"]


def test_what_is_hidden_of_a_turned_sheet_is_hidden_the_other_way_round():
    marks = SheetMarks(hidden_rows={3, 7}, hidden_columns=[(1, 2), (5, 5)])
    turned = marks.turn()
    assert turned.hidden_rows == {2, 3, 6}  # columns B, C and F
    assert [column for column in range(9) if turned.hides(column)] == [2, 6]
    assert turned.turn().hidden_rows == marks.hidden_rows


def test_rows_and_columns_of_no_height_or_width_are_hidden():
    narrow = b'<cols><col min="2" max="2" width="0"/></cols><sheetData>'
    pairs = (b'<row r="3"', b'<row ht="0" r="3"'), (b"<sheetData>", narrow)
    flat = edited(sheet([HEAD, [1, 2], [2, 3]]), *pairs)
    assert places(read(flat)) == ["row 3", "column B"]


def test_values_that_are_struck_out_are_refused_by_their_address():
    def strike(made):
        for place in ("B3", "D9", "A4"):  # of a value, of an empty cell, and with no line
            made[place].font = Font(strike=place != "A4", bold=True)

    assert places(read(sheet([HEAD, [1, 2], [2, 3], [3, 4]], strike))) == ["cell B3"]


def test_notes_at_cells_of_the_table_are_remarks():
    def note(made):
        for place, words in (
            ("B3", "Meter stuck,\nread by hand"),
            ("A1", "By A."),
            ("A9", "Aside"),
        ):
            made[place].comment = Comment(words, "someone")

    table = read(sheet([HEAD, [1, 2], [2, 3]], note))
    assert table.remarks == ((1, "By A."), (3, "Meter stuck, read by hand"))
    assert table.remark_cells[3, "Meter stuck, read by hand"] == "B3"


def test_a_hidden_sheet_is_refused_and_not_listed():
    book = Workbook()
    book.active.title = "Seen"
    book.create_sheet("C1").sheet_state = "hidden"
    content = saved(book)
    with pytest.raises(TableError, match="is hidden"):
        read(content)
    assert sheet_names(content) == ["Seen"]


def test_merged_values_and_merged_names_are_refused():
    rows = [[*HEAD, "temperature [degC]"], [1, 2, 3], [2, None, 3], [3, 4, 5]]
    table = read(sheet(rows, lambda made: made.merge_cells("B2:B3")))
    assert [problem.place for problem in table.problems] == ["cells B2:B3"]
    for written in (b"B3:B2", b"B2:B1048576", b"B2:B4000000", b"B2:B4294967295"):
        content = sheet(rows, lambda made: made.merge_cells("B2:B3"))
        (problem,) = read(edited(content, (b"B2:B3", written))).problems
        assert problem.what == "are merged", written
    rows = [["time [min]", "flow [L/min]", None, "temperature [degC]"], [1, 2, None, 3]]
    table = read(sheet(rows, lambda made: made.merge_cells("B1:C1")))
    assert [problem.place for problem in table.problems] == ["cells B1:C1"]
    rows[1][2] = 9
    with pytest.raises(TableError, match="no name") as caught:
        read(sheet(rows, lambda made: made.merge_cells("B1:C1")))
    assert caught.value.place == "cell C2"


def test_a_missing_sheet_lists_those_there_are():
    with pytest.raises(TableError, match="no such sheet") as caught:
        read_sheet("r.xlsx#C9", sheet([HEAD, [1, 2]]), "C9")
    assert "'Cover', 'C1'" in caught.value.hint


def test_a_value_without_a_name_above_it_is_refused():
    for rows, address in (
        ([["time [min]", "", "flow [L/min]"], [1, None, 2], [2, 9, 3]], "cell B3"),
        ([HEAD, [1, 2], [2, 3, 9]], "cell C3"),
    ):
        with pytest.raises(TableError, match="name") as caught:
            read(sheet(rows))
        assert caught.value.place == address


def test_empty_rows_and_doubled_names():
    table = read(sheet([HEAD, [1, 2], [None, None], [2, 3], [None, None], [None, " "]]))
    assert table.lines.tolist() == [2, 4]
    with pytest.raises(TableError, match="occurs twice") as caught:
        read(sheet([["time [min]", "Time [s]"], [1, 2]]))
    assert caught.value.place == "cell B1"


def test_names_may_be_mapped_below_titles():
    rows = [["Invented"], ["t", "Delta P"], ["min", "kPa"], [1, 2]]
    mapping = {"t": "time", "Delta P": "differential pressure"}
    table = read(sheet(rows), renamed=mapping)
    assert [(c.name, c.unit) for c in table.columns] == [
        ("time", "min"), ("differential pressure", "kPa"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "value", "told"),
    [
        ('0.0" psi"', 12.0, "psi"), ("0.0 [$psi]", 12.0, "psi"), (r"0.0\ \p\s\i", 12.0, "psi"),
        ('General" bar"', 12.0, "bar"), ("#,##0.0,", 12.0, "a thousandth of it"),
        ('0.0,,"M"', 12.0, "M"), ('"<"0.0', 12.0, "<"), ('0"000"', 12.0, "000"),
        (r"0\.0", 12.0, "."), (";;;", 12.0, "nothing at all"), (r"\-0.0", 12.0, "-"),
        ('[>10]0.0,"k";0.0', 12.0, "k"), ('$#,##0.00', 12.0, "$"), ('@" psi"', "12.0", "psi"),
        ('0.0" kPa"', 12.0, ""), ("0.0 [$kPa]", 12.0, ""), ('0.0" kpa"', 12.0, ""),
        ('_-* #,##0.0_-;-* #,##0.0_-;_-* "-"??_-;_-@_-', 0.0, ""), ("0.00E+00", 12.0, ""),
        ("#,##0.0_);[Red](#,##0.0)", 12.0, ""), ("[$-407]#,##0.0", 12.0, ""), ("0;-0;;@", 0.0, ""),
        ("# ?/?", 12.5, ""), ("@", "12.0", ""), ('0.0;"below zero"', 12.0, ""),
        ('0.0;"below zero"', -12.0, "below zero"), ('0.0" psi"', -12.0, "psi"),
        ("0.0;-0.0", -12.0, ""), ('0.0;-0.0;"zero"', -12.0, ""),
    ],
)  # fmt: skip
def test_a_number_format_shows_the_number_in_the_unit_of_its_column(code, value, told):
    def form(made):
        made["B2"].number_format = code

    head = ["time [min]", "differential pressure [kPa]"]
    table = read(sheet([head, [1, value], [2, 13.0]], form))
    assert [problem.what.partition(": ")[2] for problem in table.problems] == (
        [repr(told)] if told else []
    )
    assert not told or places(table) == ["cell B2"]


def test_a_percent_sign_in_quotation_marks_makes_no_percentage():
    def form(made):
        made["B2"].number_format, made["B3"].number_format = '0.0"%"', "0.0%"

    table = read(sheet([["time [min]", "size u [%]"], [1, 2.0], [2, 0.02]], form))
    assert not table.problems
    assert table.texts(table.columns[1]) == ["2", "2.0 %"]


A3, B3 = b'<c r="A3" t="n"><v>2</v></c>', b'<c r="B3" t="n"><v>3</v></c>'


@pytest.mark.parametrize(
    "written",
    [
        A3 + B3 + b'<c r="B3" t="n"><v>9</v></c>',
        A3 + B3 + b'<x:c xmlns:x="u" r="B3"><v>9</v></x:c>',
        A3 + b'<c r="B3" t="n"><v>3</v><v>9</v></c>', A3 + b'<c r="B3" t="n"><v>3<!-- -->1</v></c>',
        A3 + b'<c r="B3" t="n"><v>3<![CDATA[1]]></v></c>', A3 + b'<c r="B4" t="n"><v>3</v></c>',
        A3 + b'<c r="B2"><v>3</v></c>',
        A3 + B3 + b'</row><row r="3">' + A3 + B3, A3 + b'<c r="B3" t="n"><v>3<?x y?>1</v></c>',
        A3 + B3 + b"</row></sheetData><sheetData><row>" + B3,
    ],
)  # fmt: skip
def test_what_programs_would_read_differently_is_refused(written):
    content = sheet([HEAD, [1, 2], [2, 3]])
    with pytest.raises(TableError, match="of a sheet is written twice, or with a comment"):
        read(edited(content, (A3 + B3, written)))
    swapped = read(edited(content, (A3 + B3, B3 + A3)))
    assert numbers(swapped) == numbers(read(content)) == [[1.0, 2.0], [2.0, 3.0]]


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("name", ["xl/worksheets/sheet2.xml", "xl/worksheets/Sheet2.xml"])
def test_a_part_is_there_once(name):
    stream = io.BytesIO(sheet([HEAD, [1, 2]]))
    with zipfile.ZipFile(stream, "a") as book:
        book.writestr(name, book.read("xl/worksheets/sheet2.xml").replace(b"<v>2<", b"<v>9<"))
    with pytest.raises(TableError, match="two parts of one name"):
        read(stream.getvalue())


def test_a_sheet_is_there_once():
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(sheet([HEAD, [1, 2]]))) as old,
        zipfile.ZipFile(stream, "w") as new,
    ):
        for part in old.namelist():
            text = old.read(part)
            book = part == "xl/workbook.xml"
            new.writestr(part, text.replace(b'"Cover"', b'"C1"') if book else text)
    with pytest.raises(TableError, match="two sheets of one name"):
        read(stream.getvalue())


def test_numbers_that_are_not_written_plainly_are_refused_by_their_address():
    raised, gone = InlineFont(vertAlign="superscript"), InlineFont(strike=True)

    def form(made):
        made["B2"] = CellRichText("10", TextBlock(raised, "3"))
        made["B3"] = CellRichText("1", TextBlock(gone, "1"), "0")
        for cell in ("A1", "B4", "B5"):  # names on a dark ground, white on white, on a dark ground
            made[cell].font = Font(color="FFFFFFFF")
            made[cell].fill = PatternFill("solid", fgColor="FF203040")
        made["B4"].fill = PatternFill()
        made["A5"].font = Font(color="FFFFFFFF")
        made["A5"].fill = GradientFill(stop=("FF203040", "FF000000"))
        made["C3"] = CellRichText("no. 1", TextBlock(raised, "st"))

    rows = [[*HEAD, "remark"], [1, 2], [2, 3], [3, 4], [4, 5]]
    assert places(read(sheet(rows, form))) == ["cell B2", "cell B3", "cell B4"]


NAMES = ["t [min]", "DP (corr.)", "p (psia)", "Upstream 10 µm", "Burst pressure [kPa]"]


@pytest.mark.parametrize(
    ("written", "meant", "told"),
    [
        ("DP corr", "differential pressure [kPa]", "no column 'DP corr', which its record names"),
        ("t [min]", "time [h]", "has the unit 'min', and is to be read in 'h'"),
        ("p (psia)", "differential pressure [psi]", "the unit 'psia', and is to be read in 'psi'"),
        ("Upstream 10 µm", "upstream 15 um(c) [1/mL]", "cannot be read as 'upstream 15"),
        ("Upstream 10 µm", "downstream 10 um(c) [1/mL]", "cannot be read as 'downstream 10"),
        ("Burst pressure [kPa]", "collapse pressure [kPa]", "cannot be read as 'collapse"),
        ("t [min]", "time [minutes]", ""),
        ("DP (corr.)", "differential pressure [kPa]", ""),
        ("Upstream 10 µm", "upstream 10 to 14 um(c) [1/mL]", ""),
    ],
)
def test_a_mapping_reads_no_column_against_its_own_words(written, meant, told):
    content = sheet([NAMES, [1, 2, 3, 4, 5], [2, 2, 3, 4, 5]])
    if not told:
        assert read(content, renamed={written: meant}).rows == 2
        return
    with pytest.raises(TableError) as caught:
        read(content, renamed={written: meant})
    assert told in caught.value.what


@pytest.mark.parametrize("reference", ["XFD1", "Z1048576", "ZZ20000"])
def test_cells_far_apart_are_refused_before_room_is_made(reference):
    content = sheet([HEAD, [1, 2]])
    row = re.search(r"\d+", reference)[0].encode()
    far = b'<row r="%s"><c r="%s"><v>1</v></c></row></sheetData>' % (row, reference.encode())
    with pytest.raises(TableError, match=r"columns|is written twice"):
        read(edited(content, (b"</sheetData>", far)))


def test_entities_are_refused():
    content = edited(
        sheet([HEAD, [1, "=1"]]), (b"<worksheet", b'<!DOCTYPE a [<!ENTITY b "c">]><worksheet')
    )
    with pytest.raises(TableError, match="document type"):
        read(content)


def test_an_encoding_that_nobody_knows_is_refused():
    content = edited(
        sheet([HEAD, [1, 2]]),
        (b"<worksheet", b'<?xml version="1.0" encoding="UTF-1e4"?><worksheet'),
    )
    with pytest.raises(TableError, match="not well-formed"):
        read(content)


def test_a_workbook_that_is_none_or_lacks_its_parts():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook")
    for content in (stream.getvalue(), b"PK\x03\x04", b""):
        with pytest.raises(TableError, match="workbook"):
            read(content)


def test_a_part_that_ends_too_early_is_refused():
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    text = b"<a>" + random.Random(1).randbytes(9999).hex().encode() + b"</a>"
    whole = packer.compress(text) + packer.flush()
    name = b"xl/worksheets/sheet1.xml"
    check_workbook(archive([(name, whole, len(text))]))
    with pytest.raises(TableError, match="ends too early"):
        check_workbook(archive([(name, whole[:-9], len(text))]))


WHITE, RED = Font(color="FFFFFFFF"), PatternFill(bgColor="FFFF0000", fill_type="solid")


@pytest.mark.parametrize(
    ("style", "cells", "told"),
    [
        ({"numFmt": NumberFormat(200, '0.0" psi"')}, "B2:B3", ["cells B2:B3"]),
        ({"numFmt": NumberFormat(200, "0.0%")}, "C1 B3", ["cells B3:B3"]),
        ({"numFmt": NumberFormat(200, ";;;")}, "A1:C9", ["cells A1:C9"]),
        ({"font": WHITE}, "B2", ["cells B2:B2"]),
        ({"font": Font(strike=True)}, "B2", ["cells B2:B2"]),
        ({"font": WHITE, "fill": RED}, "B2", []), ({"fill": RED}, "B2", []),
        ({"numFmt": NumberFormat(200, "0.00")}, "B2", []), ({"font": WHITE}, "D2:F9 B7", []),
        ({}, "B2", ["cells B2:B2"]),
    ],
)  # fmt: skip
def test_a_condition_shows_no_number_otherwise(style, cells, told):
    def form(made):
        rule = Rule("expression", dxf=DifferentialStyle(**style), formula=["TRUE"])
        made.conditional_formatting.add(cells, rule if style else IconSetRule(
            "3Arrows", "num", [0, 1, 2], showValue=False))  # fmt: skip

    table = read(sheet([HEAD, [1, 12.0], [2, 13.0]], form))
    assert places(table) == told


def test_a_condition_does_not_name_the_number_format_of_a_cell():
    def form(made):
        made["B2"].number_format = '0.0" psi"'
        style = DifferentialStyle(numFmt=NumberFormat(164, "0.0"))
        made.conditional_formatting.add("D9", Rule("expression", dxf=style, formula=["TRUE"]))

    content = sheet([HEAD, [1, 12.0], [2, 13.0]], form)
    assert places(read(content)) == ["cell B2"]
    newer = b'</conditionalFormatting><extLst><numFmt formatCode="0%"/></extLst>'
    assert len(read(edited(content, (b"</conditionalFormatting>", newer))).problems) == 2
