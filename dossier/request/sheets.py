"""The laboratory's workbook: every sheet that a test asks for, blank, and read back as it is."""

import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, get_args

from dossier.case.model import Measurand
from dossier.case.units import from_si
from dossier.case.whole import SHEETS, leaves, readings_sheet
from dossier.request.plan import RecordSheet, Test, TestRequest
from dossier.request.reported import condition_columns
from dossier.words import day, later, say

CHOICES = {
    "part": '"assembly,housing"',
    "direction": '"rising,falling"',
    "filter": '"candidate,reference"',
    "fluid": "Fluids!$A$2:$A$40",
    "measures": f'"{",".join(get_args(Measurand))}"',
}
"""Columns that offer a list, and the list as a spreadsheet writes it."""
ROWS = 2000
"""Rows of a sheet that offer it."""
HOW = "How to fill"
DAYS = frozenset({"calibrated", "due", "tested", "finished", "received", "reported"})
ASKED: dict[str, tuple[str, ...]] = {
    "Laboratory": ("id", "name", "accreditation", "methods", "report", "reported", "signatory"),
    "Instruments": (
        "id", "kind", "measures", "calibrated", "due", "certificate", "reading u", "size u",
        "diameter u", "coincidence limit",
    ),
    "Fluids": ("id", "description", "kv40", "kv40 u", "kv100", "kv100 u", "density15"),
    "Specimens": ("id", "filter", "lot", "drawn", "drawn by", "received"),
}  # fmt: skip
"""Columns of each sheet but that of the runs."""
RUN = ("id", "kind", "standard", "filter", "specimen", "path")
RUN_BY_LABORATORY = ("tested", "finished", "fluid", "instruments")
WORDS = {
    "id": later("a short name, by which the other sheets refer to this row"),
    "methods": later("methods that it tests by, each with its edition, separated by commas"),
    "report": later("number of the laboratory's report on these tests"),
    "reported": later("day of that report"),
    "signatory": later("who signs it"),
    "measures": later("what it measures: {measurands}; several separated by commas"),
    "certificate": later("number of the calibration certificate"),
    "reading u": later("standard uncertainty of a reading, with % or its unit"),
    "size u": later("standard uncertainty of a count, for a counter"),
    "diameter u": later("standard uncertainty of the sizes that a counter counts at"),
    "coincidence limit": later("concentration from which on the counter counts too few"),
    "kv40": later("kinematic viscosity at 40 °C"),
    "kv40 u": later("its standard uncertainty, with % or its unit"),
    "kv100": later("kinematic viscosity at 100 °C"),
    "density15": later("density at 15 °C"),
    "lot": later("lot that the specimen is from"),
    "drawn": later("how it was drawn from the lot"),
    "drawn by": later("who drew it"),
    "received": later("day on which the laboratory received it"),
    "tested": later("first day of the test; a run that was not made here has none"),
    "finished": later("last day, where it is another"),
    "fluid": later("id of the test fluid on the sheet of fluids"),
    "instruments": later("ids of the instruments that were used, separated by commas"),
}
"""What goes into a column whose name does not say it."""


@dataclass(slots=True)
class Blank:
    """A sheet of the workbook, to be filled."""

    name: str
    columns: dict[str, str]
    """Name of each column, and the header that it has with its unit."""
    rows: list[dict[str, Any]] = field(default_factory=list)
    """What is filled in already, by column."""
    shut: list[frozenset[str]] = field(default_factory=list)
    """Columns of each row that do not apply to it."""


def workbook(request: TestRequest, issued: datetime) -> bytes:
    """Return the workbook for laboratories, with a sheet of readings for each record.

    `issued` is its date.  Only the sheet on how to fill it is in the language spoken now: the
    others are read back.
    """
    from openpyxl import Workbook

    book = Workbook()
    book.properties.creator = "dossier"
    book.properties.created = book.properties.modified = issued
    blanks = [*_described(request), _runs(request)]
    _explain(book.active, request, blanks)
    for blank in blanks:
        _fill(book.create_sheet(blank.name), blank)
    for test in request.tests:
        for sheet in test.sheets:
            _fill(book.create_sheet(readings_sheet(sheet.id)), _readings(sheet))
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _described(request: TestRequest) -> Iterator[Blank]:
    methods = dict.fromkeys(test.needed.standard for test in request.tests)
    sheets = [sheet for test in request.tests for sheet in test.sheets]
    specimens = dict.fromkeys((name, each.filter) for each in sheets for name in each.specimens)
    filled = {
        "Laboratory": [{"methods": ", ".join(methods)}],
        "Specimens": [{"id": name, "filter": side} for name, side in specimens],
    }
    for name, columns in ASKED.items():
        yield Blank(name, _headers(name, columns), filled.get(name, []))


def _runs(request: TestRequest) -> Blank:
    asked = _conditions(request.tests)
    names = (*RUN, *RUN_BY_LABORATORY, *asked, "remark")
    blank = Blank("Runs", _headers("Runs", names))
    for test in request.tests:
        own = set(_conditions([test]))
        if test.needed.kind in {"multipass", "pressure_drop", "bypass_valve"}:
            own.add("fluid")
        for sheet in test.sheets:
            blank.rows.append(_run(request, test, sheet))
            blank.shut.append(frozenset({*asked, "fluid"}) - own)
    return blank


def _conditions(tests: Iterable[Test]) -> dict[str, str]:
    """Return the columns of the conditions of tests, and what goes in, to be said."""
    every = [each for test in tests for each in test.conditions]
    return {column: each.words for each in every for column in condition_columns(each)}


def _run(request: TestRequest, test: Test, sheet: RecordSheet) -> dict[str, Any]:
    needed = test.needed
    row: dict[str, Any] = {key: getattr(sheet, key) for key in ("id", "filter", "specimen")}
    row |= {key: getattr(needed, key) for key in ("kind", "standard", "path")}
    criterion, points = request.settings.criterion_flow, test.points
    if needed.kind == "bypass_valve" and criterion is not None:
        row["criterion flow"] = _value(criterion, "L/min", "flow")
    if needed.kind == "multipass":
        row["flow"] = _value(points.flow, "L/min", "flow")
        row["terminal pressure drop"] = _value(points.terminal, "kPa", "pressure")
        if points.base_level:
            row["base level"] = _value(points.base_level, "mg/L", "concentration")
    return row


def _value(value: float, unit: str, dimension: str) -> float:
    return float(f"{from_si(value, unit, dimension):.6g}")


RULES = (
    later(
        "Fill the white cells; grey ones do not apply. Names of sheets and columns stay as they "
        "are; another unit of the same kind may stand in the square brackets."
    ),
    later("One value a cell. What was not measured is an empty cell, never a zero."),
    later("A row that begins with # is a remark of the laboratory; it is kept and printed."),
    later("Each run of the sheet Runs has a sheet of its own for its readings."),
    later("Send the file back as it is when it is filled: it is evidence, and nobody edits it."),
)
"""How the workbook is filled."""


def _explain(page: Any, request: TestRequest, blanks: Sequence[Blank]) -> None:
    """Write the sheet that says what goes where, in the language spoken now."""
    from openpyxl.styles import Alignment, Font

    page.title = HOW
    told = _conditions(request.tests)
    asked, settings = request.asked.application, request.settings
    reply = f"{say('Reply by')} {day(settings.reply_by)}" if settings.reply_by else ""
    asking = say("Test request: {title}", title=asked.title), request.running, asked.owner
    page.append(["; ".join(filter(None, (*asking, settings.contact, reply)))])
    for line in RULES:
        page.append([say(line)])
    page.append([])
    for blank in blanks:
        for name, header in blank.columns.items():
            words = told.get(name) if blank.name == "Runs" else None
            words = words or (WORDS.get(name) if (blank.name, name) != ("Runs", "id") else None)
            if words:
                places = {"measurands": ", ".join(get_args(Measurand))} if "{" in words else {}
                page.append([blank.name, header, say(words, **places)])
    for row in page.iter_rows():
        row[0].font = Font(bold=bool(row[1].value))
        row[2].alignment = Alignment(wrap_text=True)
    for letter, width in (("A", 16), ("B", 34), ("C", 90)):
        page.column_dimensions[letter].width = width


def _headers(sheet: str, columns: Iterable[str]) -> dict[str, str]:
    """Return columns of a sheet that stands in for tables of case.toml, each with its header."""
    known = leaves(SHEETS[sheet][1])
    units = {name: known[name].unit for name in columns}
    return {name: f"{name} [{unit}]" if unit else name for name, unit in units.items()}


def _readings(sheet: RecordSheet) -> Blank:
    columns = {column.name: column.header for column in sheet.columns}
    rows = [dict(zip(columns, map(_number, row), strict=True)) for row in sheet.rows]
    return Blank(sheet.id, columns, rows)


def _fill(page: Any, blank: Blank) -> None:
    """Write the heads of a sheet, what they offer, and what is filled in already."""
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    page.freeze_panes = "A2"
    grey = PatternFill("solid", start_color="D9D9D9")
    for index, (name, header) in enumerate(blank.columns.items(), 1):
        letter, head = get_column_letter(index), page.cell(1, index, header)
        head.font = Font(bold=True)
        page.column_dimensions[letter].width = max(12, len(header) + 2)
        if choices := CHOICES.get(name):
            offered = DataValidation(type="list", formula1=choices)
            offered.showErrorMessage = False  # several may be named, separated by commas
            page.add_data_validation(offered)
            offered.add(f"{letter}2:{letter}{ROWS}")
        for row in range(2, 40) if name in DAYS else ():
            page.cell(row, index).number_format = "yyyy-mm-dd"
        for number, given in enumerate(blank.rows, 2):
            cell, value = page.cell(number, index), given.get(name, "")
            if value != "":
                cell.value = value
                if isinstance(value, str):
                    cell.data_type = "s"  # a name that begins like a formula stays a name
            if blank.shut and name in blank.shut[number - 2]:
                cell.fill = grey


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
