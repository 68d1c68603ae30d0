"""Further forms in which laboratories deliver one table: read to the last digit, or refused.

All data are invented.  What is refused is refused by one message that names the cell and what to
do, and what to do is a line in case.toml: the file stays as it came.
"""

import datetime as dt
import re
import zipfile

import pytest
from openpyxl import load_workbook

from dossier.case.problems import CaseError
from dossier.case.read import read_case_files
from dossier.case.tables.raw_table import Note
from dossier.report.pages.reading_notes import handed_in, reading_notes
from dossier.start.take import take_files
from tests.start.test_shapes import COUNTS, LEAD, SIZES, Truth, case, taken, text, wide, xlsx

__all__ = ["case"]
HEAD = 2
"""Rows above the names in `wide`."""


@pytest.fixture
def truth():
    return Truth()


def values(truth, change):
    """The usual table with each row of values changed by a function of row and number."""
    rows = wide(truth)
    return [*rows[: HEAD + 1], *(change(row, k) for k, row in enumerate(rows[HEAD + 1 :]))]


def pages(truth, *titles):
    """The names, and what stands above them, again after every fifth row."""
    rows = wide(truth)
    made = rows[: HEAD + 1]
    for k, row in enumerate(rows[HEAD + 1 :]):
        again = [*([each.format(page=k // 5 + 1)] for each in titles), rows[HEAD]]
        made += [*(again if k and k % 5 == 0 else []), row]
    return made


def commas(number, grouped=""):
    return f"{number:,.2f}".translate(str.maketrans({",": grouped, ".": ","}))


def blank_columns(truth):
    return [[*r[:2], "", *r[2:4], "", *r[4:]] if len(r) > HEAD else r for r in wide(truth)]


UNITS = [x.replace(" [#/mL]", ", #/mL") for x in COUNTS]
READ = {
    "names on each page": (lambda t: pages(t), {}),
    "titles and names on each page": (lambda t: pages(t, "Test report (invented)"), {}),
    "numbered pages": (lambda t: pages(t, "Test report (invented), page {page} of 3"), {}),
    "blank columns": (blank_columns, {}),
    "units behind a comma": (lambda t: [
        *wide(t)[:HEAD], ["Time, min", "Diff. pressure, kPa", "Flow, L/min", "Temp., °C", *UNITS],
        *wide(t)[HEAD + 1 :]], {}),
    "a footnote behind a unit": (lambda t: [
        *wide(t)[:HEAD], ["Time (min)*", *LEAD[1:], *COUNTS], *wide(t)[HEAD + 1 :]], {}),
    "a time that counts as rows do": (lambda t: [
        *wide(t)[:HEAD], ["t [min]", *LEAD[1:], *COUNTS], *wide(t)[HEAD + 1 :]], {}),
    "rows that are numbered": (lambda t: [
        ["No." if k == HEAD else k - HEAD, *r] if k >= HEAD else r for k, r in enumerate(wide(t))],
        {}),
    "three levels of names": (lambda t: [
        ["Specimen C1"], ["Run", "", "", "", "Counts", "", "", "", "", ""],
        ["", "", "", "", "Upstream", "", "", "Downstream", "", ""],
        [*LEAD, *[f">{size} µm(c) [#/mL]" for size in SIZES] * 2], *wide(t)[HEAD + 1 :]], {}),
    "units within the cells": (lambda t: values(
        t, lambda r, _: [f"{r[0]} min", f"{r[1]} kPa", *r[2:]]), {}),
    "numbers as text": (lambda t: values(t, lambda r, _: [str(x) for x in r]), {}),
    "counts in scientific text": (lambda t: values(
        t, lambda r, _: [*r[:4], *(f"{x:.10E}" for x in r[4:])]), {}),
    "thousands by apostrophes": (lambda t: values(
        t, lambda r, _: [*r[:4], *(f"{x:,.2f}".replace(",", "'") for x in r[4:])]), {}),
    "a percentage that was computed": (lambda t: [
        [*r, "Efficiency"] if k == HEAD else [*r, "98,0 %"] if k > HEAD else r
        for k, r in enumerate(wide(t))], {}),
    "a mean, a blank row above": (lambda t: [*wide(t), [], ["Mean", 1, 2], ["SD", 3, 4]], {}),
    "smallest and largest below": (lambda t: [*wide(t), ["Min", 1, 2, 3], ["Max", 4, 5, 6]], {}),
    "a dash where nothing was measured": (lambda t: values(
        t, lambda r, k: [*r[:3], "–" if k == 3 else r[3], *r[4:]]),
        {"nothing was measured": "yes"}),
    "a day as text": (lambda t: values(
        t, lambda r, k: [f"2026-02-02 10:{k + 1:02d}", *r[1:]]), {"begin": "2026-02-02 10:00"}),
}  # fmt: skip


@pytest.mark.parametrize("form", READ)
def test_these_are_read_to_the_last_digit(case, truth, tmp_path, form):
    rows, answers = READ[form]
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows(truth))), answers=answers)["MP-C1"]
    if "measured" in form:
        truth.warmth[3] = float("nan")
        assert record.table.temperature[2] == pytest.approx(truth.warmth[2] + 273.15)
    else:
        truth.check(record.table)


CSV = {
    "semicolons with a mark of UTF-8": (";", "utf-8-sig", lambda t: wide(t), True),
    "tabs in UTF-16": ("\t", "utf-16", lambda t: wide(t), True),
    "a line that names the separator": (";", "utf-8", lambda t: [["sep=;"], *wide(t)], True),
    "a separator at the end of each row": (";", "utf-8", lambda t: [
        [*r, ""] if k > HEAD else r for k, r in enumerate(wide(t))], True),
    "thousands by points": (";", "utf-8", lambda t: values(
        t, lambda r, _: [*map(commas, r[:4]), *(commas(x, ".") for x in r[4:])]), False),
    "thousands by narrow blanks": (";", "utf-8", lambda t: values(
        t, lambda r, _: [*map(commas, r[:4]), *(commas(x, "\u202f") for x in r[4:])]), False),
    "names of several lines": (",", "utf-8", lambda t: [
        [x.replace(" [", "\n[") if isinstance(x, str) else x for x in r] for r in wide(t)], False),
}  # fmt: skip


@pytest.mark.parametrize("form", CSV)
def test_these_text_files_are_read_to_the_last_digit(case, truth, tmp_path, form):
    separator, encoding, rows, comma = CSV[form]
    file = text(tmp_path / "C1.csv", rows(truth), separator, encoding, comma)
    truth.check(taken(case, file)["MP-C1"].table)


CLOCKS = {
    "a spreadsheet's time": (lambda m: m.time(), "23:55:00"),
    "text": (lambda m: m.strftime("%H:%M:%S"), "23:55:00"),
    "am and pm": (lambda m: m.strftime("%I:%M:%S %p"), "11:55 PM"),
    "day and time": (lambda m: m.strftime("%d.%m.%Y %H:%M:%S"), "2026-02-02 23:55"),
}


def clocked(truth, form):
    began = dt.datetime(2026, 2, 2, 23, 55)  # noqa: DTZ001  a laboratory's clock
    rows = values(truth, lambda r, _: [form(began + dt.timedelta(minutes=r[0])), *r[1:]])
    rows[HEAD] = ["Clock time", *rows[HEAD][1:]]
    return rows


@pytest.mark.parametrize("form", CLOCKS)
def test_a_test_that_runs_past_midnight(case, truth, tmp_path, form):
    write, start = CLOCKS[form]
    file = xlsx(tmp_path / "a.xlsx", ("x", clocked(truth, write)))
    truth.check(taken(case, file, answers={"begin": start})["MP-C1"].table)


def test_days_without_that_of_the_start_drop_no_rows(case, truth, tmp_path):
    rows = clocked(truth, lambda m: m.strftime("%d.%m.%Y %H:%M:%S"))
    take_files(case, [xlsx(tmp_path / "a.xlsx", ("x", rows))], lambda _: "23:55:00")
    (problem,) = refusal(case)
    assert problem.place == "cell A4"
    assert 'start = "2026-02-11 09:14:00"' in problem.hint


def refusal(case):
    with pytest.raises(CaseError) as told:
        read_case_files(case)
    return told.value.problems


def test_a_month_that_may_be_a_day_is_asked_for_once(case, truth, tmp_path):
    rows = clocked(truth, lambda m: m.strftime("%m/%d/%Y %H:%M:%S"))
    lines, sure = take_files(case, [xlsx(tmp_path / "a.xlsx", ("x", rows))], None)
    assert not sure
    doubts = [line for line in lines if "not sure" in line]
    assert len(doubts) == 1
    assert "cell A3" in doubts[0]


@pytest.mark.parametrize("gap", [[""], []], ids=["apart", "without a gap"])
def test_two_runs_side_by_side(case, tmp_path, gap):
    one, two = (wide(Truth(k), titles=()) for k in (1, 2))
    titles = ["Specimen C1", *[""] * (len(one[0]) - 1), *gap, "Specimen C2"]
    rows = [titles, *([*a, *gap, *b] for a, b in zip(one, two, strict=True))]
    file = xlsx(tmp_path / "a.xlsx", ("x", rows))
    records = taken(case, file)
    Truth(1).check(records["MP-C1"].table)
    Truth(2).check(records["MP-C2"].table)


def test_pages_of_another_specimen_are_no_pages(case, tmp_path):
    one, two = (wide(Truth(k), titles=((f"Specimen C{k}",),)) for k in (1, 2))
    records = taken(case, xlsx(tmp_path / "a.xlsx", ("x", [*one, [], *two])))
    Truth(1).check(records["MP-C1"].table)
    Truth(2).check(records["MP-C2"].table)


def test_names_again_in_a_table_without_times_may_be_another_table(case, tmp_path):
    sweep = [["Flow [L/min]", "dP [kPa]"], *([q, q * 0.4] for q in (10, 20, 30, 40, 50))]
    take_files(case, [xlsx(tmp_path / "a.xlsx", ("C1", [*sweep, *sweep]))], lambda _: "PD-C1")
    assert [p for p in refusal(case) if p.place == "row 7" and "another table" in p.what]


def edited(path, edit):
    book = load_workbook(path)
    edit(book)
    book.save(path)
    return path


def test_a_column_of_unknown_name_is_asked_for_even_if_it_counts_its_rows(case, truth, tmp_path):
    rows = [[*r, "Cycles" if k == HEAD else k - HEAD] if k >= HEAD else r
            for k, r in enumerate(wide(truth))]  # fmt: skip
    lines, sure = take_files(case, [xlsx(tmp_path / "a.xlsx", ("x", rows))], None)
    assert not sure
    assert any("cell K3" in line and "'Cycles'" in line for line in lines)


def test_a_hidden_sheet_is_no_table(case, truth, tmp_path):
    file = xlsx(tmp_path / "a.xlsx", ("x", wide(truth)), ("old", wide(Truth(9))))
    edited(file, lambda book: setattr(book["old"], "sheet_state", "hidden"))
    records = taken(case, file)
    assert list(records) == ["MP-C1"]
    truth.check(records["MP-C1"].table)


@pytest.mark.parametrize(
    ("hide", "place"),
    [
        (lambda page: setattr(page.row_dimensions[6], "hidden", True), "row 6"),
        (lambda page: setattr(page.column_dimensions["C"], "hidden", True), "column C"),
    ],
)
def test_what_is_hidden_is_read_only_where_the_case_says_so(case, truth, tmp_path, hide, place):
    file = xlsx(tmp_path / "a.xlsx", ("x", wide(truth)))
    take_files(case, [edited(file, lambda book: hide(book["x"]))], None)
    (problem,) = refusal(case)
    assert problem.place == place
    assert 'hidden = "read"' in problem.hint
    path = case / "case.toml"
    path.write_text(path.read_text("utf-8").replace("[[layout]]", '[[layout]]\nhidden = "read"'))
    read = read_case_files(case)
    truth.check(read.records[0].table)
    assert "hidden rows and columns are read" in handed_in(read)[0].rows[0][0]


def test_formulas_count_by_their_stored_value_and_not_without(case, truth, tmp_path):
    file = xlsx(tmp_path / "a.xlsx", ("x", wide(truth)))
    with zipfile.ZipFile(file) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = parts["xl/worksheets/sheet1.xml"].decode()
    stored = re.sub(r'<c r="B5"[^>]*><v>', '<c r="B5"><f>B4+1</f><v>', sheet)
    assert stored != sheet
    parts["xl/worksheets/sheet1.xml"] = stored.encode()
    with zipfile.ZipFile(file, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    record = taken(case, file)["MP-C1"]
    truth.check(record.table)
    assert Note.FORMULAS in record.notes
    assert any("calculate the workbook anew" in each for each in reading_notes(record))
    bare = edited(xlsx(tmp_path / "b.xlsx", ("x", wide(Truth(2), titles=(("Specimen C2",),)))),
                  lambda book: book["x"].__setitem__("B4", "=B3+1"))  # fmt: skip
    take_files(case, [bare], None)
    (problem,) = refusal(case)
    assert (problem.place, problem.what) == ("cell B4", "holds a formula without a stored value")


def test_a_workbook_with_macros_is_read_and_other_kinds_are_told(case, truth, tmp_path):
    file = xlsx(tmp_path / "a.xlsx", ("x", wide(truth))).rename(tmp_path / "a.xlsm")
    truth.check(taken(case, file)["MP-C1"].table)
    for kind in ("xls", "ods", "pdf"):
        other = tmp_path / f"b.{kind}"
        other.write_bytes(b"\xd0\xcf\x11\xe0")
        with pytest.raises(CaseError) as told:
            take_files(case, [other], None)
        assert f"'.{kind}' are not read" in told.value.problems[0].what


def noted(truth, row=6, *, blank=False, words="pump stopped for 2 min"):
    """The usual table with words between its rows."""
    rows = wide(truth)
    return [*rows[:row], *([[]] if blank else []), [words], *rows[row:]]


def test_words_between_rows_of_times_are_a_remark(case, truth, tmp_path):
    record = taken(case, xlsx(tmp_path / "a.xlsx", ("x", noted(truth))))["MP-C1"]
    truth.check(record.table)
    assert "pump stopped for 2 min" in [each.text for each in record.remarks]


def doubled(truth, name, factor):
    return [[*r[:2], x, *r[2:]] if len(r) > HEAD else r for r, x in zip(
        wide(truth), [0, 0, name, *(factor * truth.drop)], strict=True)]  # fmt: skip


def two_units(truth):
    head = [*LEAD, *(name.partition(" [")[0] for name in COUNTS)]
    return wide(truth, [head, ["min", "mbar", "L/min", "°C", *["#/mL"] * 6]])


@pytest.mark.parametrize(
    ("form", "what"),
    [
        (lambda t: doubled(t, "Druckverlust [kPa]", 0.5), "and so is 'ΔP (kPa)'"),
        (lambda t: doubled(t, "Elapsed [s]", 30), "and so is 'Time (min)'"),
        (lambda t: [*two_units(t)[:2], *two_units(t)[2], *two_units(t)[3:]], "the units 'kPa' and"),
        (lambda t: noted(t, 15, blank=True), "goes on with values"),
        (lambda t: noted(t, words="dp in mbar from here on"), "is no"),
    ],
)
def test_what_may_be_read_in_two_ways_is_refused(case, tmp_path, form, what):
    truth = Truth(rows=20)
    with pytest.raises(CaseError, match=re.escape(what)):
        taken(case, xlsx(tmp_path / "a.xlsx", ("x", form(truth))))


def test_a_sweep_that_goes_on_below_a_remark_is_refused(case, tmp_path):
    rows = [[10 * k, 2.5 * k] for k in range(1, 9)]
    rows = [["flow [L/min]", "dp [kPa]"], *rows[:4], [], ["second day"], *rows[4:]]
    with pytest.raises(CaseError, match="goes on with values"):
        taken(case, xlsx(tmp_path / "a.xlsx", ("C1", rows)))


@pytest.mark.parametrize(
    ("title", "head", "asked"),
    [
        ("Upstream particles per mL, downstream particles per 100 mL", "", "per which volume"),
        ("Injection 3000 mg/L", "", "per which volume"),
        ("downstream bottles: counts per 100 mL", "", "counts of 'Upstream >4"),
        ("All counts in particles per 100 mL", " [#/mL]", "which is it"),
        ("Differential counts by channel", " [#/mL]", "of that size and larger"),
    ],
)
def test_a_title_that_says_otherwise_is_asked_about(case, truth, tmp_path, title, head, asked):
    names = [*LEAD, *(name.replace(" [#/mL]", head) for name in COUNTS)]
    rows = wide(truth, names, titles=((title,), ("Specimen: C1",)))
    lines, sure = take_files(case, [xlsx(tmp_path / "a.xlsx", ("x", rows))], None)
    assert not sure
    assert any(asked in line for line in lines if line.startswith("not sure"))


def test_one_calibrated_counter_does_not_speak_for_the_other(case, truth, tmp_path):
    names = [name.replace("(c)", "") if name.startswith("Down") else name for name in COUNTS]
    file = xlsx(tmp_path / "a.xlsx", ("x", wide(truth, [*LEAD, *names])))
    lines, sure = take_files(case, [file], None)
    assert not sure
    assert any("how was the counter calibrated" in line for line in lines)


def test_times_of_a_spreadsheet_are_no_minutes_and_seconds(case, truth, tmp_path):
    head = ["Time (mm:ss)", *LEAD[1:], *COUNTS]
    rows = wide(truth, head)
    rows = [[dt.time(int(r[0])), *r[1:]] if len(r) > HEAD and r is not head else r for r in rows]
    with pytest.raises(CaseError, match="holds hours and minutes"):
        taken(case, xlsx(tmp_path / "a.xlsx", ("x", rows)))


@pytest.mark.parametrize("title", ["Housing alone, no element", "Bypass valve test"])
def test_a_sweep_of_housing_or_valve_is_none_of_the_filter(case, tmp_path, title):
    rows = [[title], ["flow [L/min]", "dp [kPa]"], *([10 * k, 2.5 * k] for k in range(1, 9))]
    lines, sure = take_files(case, [xlsx(tmp_path / "a.xlsx", ("C1", rows))], None)
    assert not sure
    assert any("stands above it" in line for line in lines)


def test_one_row_a_count_with_decimal_commas(case, truth, tmp_path):
    rows = [["Zeit [min]", "dp [kPa]", "Messstelle", "Größe [µm(c)]", "Anzahl [1/ml]"]]
    rows += [
        [*truth.lead(r)[:2], side, f">{size}", counts[r][i].item()]
        for r in truth.rows for side, counts in (("vor", truth.up), ("nach", truth.down))
        for i, size in enumerate(SIZES)
    ]  # fmt: skip
    truth.check(taken(case, text(tmp_path / "C1.csv", rows, ";", comma=True))["MP-C1"].table)
