"""Times as clocks show them: read where the column says how, refused where 60 times is at stake."""

import datetime as dt
import io

import pytest
from openpyxl import Workbook

from dossier.case.records import interpret
from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.tables import read_sheet

ROWS = 12


def multipass(unit, times):
    """Return the table of a multi-pass record with these times, and what it complains of."""
    head = f"time [{unit}];differential pressure [kPa];upstream 10 um(c) [1/mL];"
    lines = "".join(f"{each};20;100;1\n" for each in times)
    raw = read_csv("r.csv", f"{head}downstream 10 um(c) [1/mL]\n{lines}".encode())
    return interpret(raw, "multipass", "ISO 11171"), raw.problems


@pytest.mark.parametrize(
    ("unit", "form", "step"),
    [
        ("h:mm", "{h}:{m:02d}", 15),
        ("hh:mm", "{h:02d}:{m:02d}", 15),
        ("h:mm", "{h}:{m:02d}:{s:02d}", 12.5),
        ("h:mm:ss", "{h}:{m:02d}:{s:02d}", 12.5),
        ("m:ss", "{h}:{m:02d}:{s:02d}", 12.5),
    ],
)
def test_clock_times_read_as_the_minutes_they_stand_for(unit, form, step):
    times = [{"h": int(n * step // 60), "m": int(n * step % 60), "s": int(n * step * 60 % 60)}
             for n in range(1, ROWS + 1)]  # fmt: skip
    table, problems = multipass(unit, [form.format(**each) for each in times])
    assert not problems
    assert table.time.tolist() == [60 * n * step for n in range(1, ROWS + 1)]


def test_minutes_and_seconds():
    table, problems = multipass("m:ss", [f"{9 * n}:30" for n in range(ROWS)])
    assert not problems
    assert table.time.tolist() == [540 * n + 30 for n in range(ROWS)]


@pytest.mark.parametrize(
    ("unit", "cell"),
    [
        ("min", "0:05"), ("min", "0:05:00"), ("s", "0:05"), ("h", "0:05"), ("h:mm:ss", "0:05"),
        ("h:mm", "0:65"), ("h:mm", "5"), ("h:mm", "0:05,5"), ("h:mm", "-0:05"),
    ],
)  # fmt: skip
def test_a_clock_time_that_may_mean_two_things_is_refused_by_its_row(unit, cell):
    _, problems = multipass(unit, [cell] * ROWS)
    assert problems[0].place == "row 2, column 'time'"
    assert "[h:mm" in problems[0].hint or "write" in problems[0].hint


def test_times_of_day_are_refused():
    _, problems = multipass("h:mm", [f"14:{3 * n:02d}" for n in range(ROWS)])
    assert "time of day" in problems[0].what
    assert problems[0].place == "row 2, column 'time'"


def sheet_times(unit, cells, form=None):
    book = Workbook()
    book.active.title = "S"
    book.active.append([f"time [{unit}]", "flow [L/min]"])
    for cell in cells:
        book.active.append([cell, 1])
        if form is not None:
            book.active.cell(book.active.max_row, 1).number_format = form
    stream = io.BytesIO()
    book.save(stream)
    table = read_sheet("r.xlsx#S", stream.getvalue(), "S")
    column = table.columns[0]
    values = table.clock(column) if ":" in unit else table.numbers(column)
    return values.tolist(), [problem.place for problem in table.problems]


def test_times_and_durations_of_a_spreadsheet():
    cells = [dt.time(0, 30), dt.timedelta(hours=1, seconds=1), dt.timedelta(hours=26)]
    values, places = sheet_times("h:mm:ss", cells[:2])
    assert not places
    assert values == pytest.approx([1800, 3601], abs=1e-6)
    values, places = sheet_times("h:mm", [0, 0.25, 26 / 24], "[h]:mm")
    assert not places
    assert values == pytest.approx([0, 6 * 3600, 26 * 3600], abs=1e-6)


@pytest.mark.parametrize("unit", ["min", "m:ss", "h"])
def test_a_spreadsheet_time_is_refused_where_it_may_be_minutes_and_seconds(unit):
    assert sheet_times(unit, [dt.time(0, 30), dt.time(1, 0)])[1] == ["cell A2", "cell A3"]


def test_a_day_hidden_by_the_format_of_its_cell_is_refused():
    assert sheet_times("h:mm", [0.5, 1.25], "h:mm")[1] == ["cell A3"]


def test_a_date_and_time_is_refused():
    assert sheet_times("h:mm", [dt.datetime(2026, 2, 1, 14, 3)])[1] == ["cell A2"]  # noqa: DTZ001


def test_a_clock_unit_is_for_times_only():
    raw = read_csv("r.csv", b"flow [h:mm],differential pressure [kPa]\n0:30,1\n")
    assert interpret(raw, "pressure_drop", "ISO 11171") is None
