"""How a layout names columns: what is read, what is left out, and what is told of the rest."""

import pytest

from dossier.case.model import Layout
from dossier.case.tables.grid import Grid, names_of
from dossier.case.tables.layout import tabled
from dossier.case.tables.raw_table import TableError

NAMES = ["t", "dp (kPa)", "Note", "Tank", "Code"]
ROWS = [[1, 20, "warm", 5, "x"], [2, 30, "", 6, "y"]]
LAYOUT = {
    "columns": {"t": "time [min]", "dp (kPa)": "differential pressure [kPa]"},
    "remarks": ["Note"], "ignored": ["Tank", "Code"],
}  # fmt: skip


def read(*, rows=ROWS, names=NAMES, where=None, above=(), **changes):
    """Return the table that a layout of those keys cuts out of a sheet, from row 1 on."""
    lines = [*above, names, *rows]
    grid = Grid("r.xlsx#C1", [(number, [*line]) for number, line in enumerate(lines, 1)])
    return tabled(grid, Layout.model_validate({"id": "lab"} | LAYOUT | changes), where or {})


def columns(raw):
    return [(column.name, column.unit) for column in raw.columns]


def told(raw):
    return [(problem.place, problem.what, problem.hint) for problem in raw.problems]


READ = [("time", "min"), ("differential pressure", "kPa")]


def test_what_is_named_is_read_and_what_is_left_out_is_not():
    raw = read()
    assert columns(raw) == READ
    assert raw.remarks == ((2, "warm"),)
    assert told(raw) == []
    assert columns(read(where={"Code": "x"}, ignored=["Tank"])) == READ
    assert columns(read(carried=["Code"], ignored=["Tank"])) == READ


def test_a_column_that_is_carried_down_may_be_read_as_well():
    raw = read(rows=[ROWS[0], ["", *ROWS[1][1:]]], carried=["t"])
    assert (columns(raw), told(raw)) == (READ, [])
    assert raw.numbers(raw.columns[0]).tolist() == [1.0, 1.0]


def test_counts_that_stand_below_each_other_are_read_by_their_own_names():
    names = ["t", "where", "from", "n [1/mL]"]
    rows = [[1, "up", 4, 40], [1, "up", 10, 20], [1, "down", 4, 4], [1, "down", 10, 2]]
    long = {"side": "where", "size": "from", "count": "n [1/mL]",
            "sides": {"up": "upstream", "down": "downstream"}}  # fmt: skip
    raw = read(names=names, rows=rows, columns={"t": "time [min]"}, remarks=[], ignored=[],
               long=long)  # fmt: skip
    assert told(raw) == []
    found = {column.name: raw.numbers(column).tolist() for column in raw.columns}
    assert found == {"time": [1.0], "upstream 4 um(c)": [40.0], "upstream 10 um(c)": [20.0],
                     "downstream 4 um(c)": [4.0], "downstream 10 um(c)": [2.0]}  # fmt: skip


@pytest.mark.parametrize("turned", [False, True])
def test_a_column_may_be_named_by_its_place(turned):
    by = {f"row {k}" if turned else f"column {'ABCDE'[k - 1]}": k for k in range(1, 6)}
    places = [*by]
    keys = {"columns": {places[0]: "time [min]", places[1]: "differential pressure [kPa]"},
            "remarks": [places[2]], "ignored": places[3:]}  # fmt: skip
    if turned:
        lines = [[*line] for line in zip(NAMES, *ROWS, strict=True)]
        raw = read(names=lines[0], rows=lines[1:], transposed=True, **keys)
    else:
        raw = read(**keys)
    assert columns(raw) == READ
    assert told(raw) == []


def test_a_name_that_stands_twice_takes_its_place():
    names = ["t", "dp (kPa)", "Note", "t", "Code"]
    (first, second) = told(read(names=names, ignored=["Code"]))
    hint = 'name it by its place in the layout: "column A"'
    assert first == ("cell A1", "'t' is the name of several columns", hint)
    assert second[:2] == ("cell D1", "column 't' is neither read nor left out")
    by = {"columns": {"column A": "time [min]", "column B": "differential pressure [kPa]"}}
    raw = read(names=names, ignored=["column D", "Code"], **by)
    assert (columns(raw), told(raw)) == (READ, [])


def test_what_nothing_names_and_what_is_not_there_are_told():
    raw = read(ignored=["Tank", "Codes"])
    unread, absent = told(raw)
    assert unread == ("cell E1", "column 'Code' is neither read nor left out",
                      "name it in layout 'lab': under columns, remarks or ignored")  # fmt: skip
    assert absent == ("row 1", "no column 'Codes', which the layout names", "did you mean 'Code'?")
    assert columns(raw) == READ


def test_a_name_of_the_case_format_needs_no_layout():
    names = ["time [min]", "differential pressure [kPa]", "Note", "Tank", "Code"]
    raw = read(names=names, columns={})
    assert (columns(raw), told(raw)) == (READ, [])


@pytest.mark.parametrize(
    ("name", "unit", "stated", "met"),
    [
        ("dp", "kPa", "differential pressure", True),
        ("dp", "[kPa]", "differential pressure [kPa]", True),
        ("dp", " k Pa", "differential pressure [kPa]", True),
        ("dp", "bar", "differential pressure [kPa]", False),
        ("dp (bar)", "", "differential pressure [kPa]", False),
        ("dp (kPa)", "", "differential pressure", True),
    ],
)
def test_the_file_says_what_unit_was_measured_in(name, unit, stated, met):
    rows = ([["min", unit, "", "", ""]] if unit else []) + ROWS
    raw = read(names=["t", name, *NAMES[2:]], rows=rows, units=bool(unit),
               columns={"t": "time [min]", name: stated})  # fmt: skip
    assert columns(raw)[1][1].replace(" ", "") == "kPa"
    what = f"{name!r} has the unit 'bar', and is to be read in 'kPa'"
    assert [(place, said) for place, said, _ in told(raw)] == ([] if met else [("cell B1", what)])


def test_values_below_no_name_are_refused_but_where_their_place_is_named():
    names = ["t", "", "Note", "Tank", "Code"]
    with pytest.raises(TableError, match="no name"):
        read(names=names, columns={"t": "time [min]"})
    by = {"t": "time [min]", "column B": "differential pressure [kPa]"}
    assert columns(read(names=names, columns=by)) == READ
    assert columns(read(names=names, columns={"t": "time [min]"}, ignored=["column B", *NAMES[3:]])
                   ) == READ[:1]  # fmt: skip


@pytest.mark.parametrize(
    ("between", "told_at"),
    [
        ([], "row 4"), ([[""]], "row 5"), ([["# cooled overnight"], []], "row 6"),
        ([["Table 2"], []], "row 6"), ([["t", "dp (kPa)"]], ""),
    ],
)  # fmt: skip
def test_a_range_leaves_out_no_rows_of_its_table_behind_a_pause(between, told_at):
    given = {"rows": [*ROWS, *between, [3, 40, "", 5, "x"]], "range": "A1:E3"}
    if not told_at:
        assert len(read(**given).lines) == len(ROWS)
        return
    with pytest.raises(TableError, match="leaves out") as caught:
        read(**given)
    assert caught.value.place == told_at


@pytest.mark.parametrize("cells", ["B0:D3", "B0", "B1:D0", "D1:B3", "B3:D1"])
def test_a_range_has_a_first_row_and_begins_above_its_end_whichever_way_the_table_lies(cells):
    grid = Grid("f", [(number, ["1"] * 5) for number in range(1, 6)])
    for each in (grid, grid.turn()):
        with pytest.raises(TableError, match="is no range of cells"):
            each.window(cells)
        assert [number for number, _ in each.window("B2:D3")[0]] == (
            [2, 3, 4] if each.turned else [2, 3]
        )


@pytest.mark.parametrize("left", [0, 1, 3])
@pytest.mark.parametrize("merged", [False, True])
def test_two_rows_of_names_are_joined_wherever_the_table_begins(left, merged):
    """The group of a column without one is that of the column before."""
    outside = ["outside"] * left
    head = [(4, [*outside, "", "Counts", "", "Oil"]), (5, [*outside, "t", "5", "10", "40"])]
    span = [((3, left + 1), (3, left + 2))] if merged else []
    assert names_of(head, left, left + 4, span) == ["t", "Counts 5", "Counts 10", "Oil 40"]
    assert names_of(head[1:], left, left + 4, span) == ["t", "5", "10", "40"]


@pytest.mark.parametrize(("again", "left_out"), [(["Run 7", ""], True), (["Raw", "Counts"], False)])
def test_titles_go_with_the_names_of_a_further_page_and_groups_by_themselves_do_not(
    again, left_out
):
    """A row of groups is a title of no page: what stands there alone is told."""
    head = [["Raw", "Counts"], ["t", "dp (kPa)"]]
    lines = [["Run 7", ""], *head, [1, 20], again, *head, [2, 30]]
    grid = Grid("r.xlsx#C1", [(number, [*line]) for number, line in enumerate(lines, 1)])
    keys = {
        "id": "lab",
        "names": 2,
        "range": "A2",
        "columns": {"Raw t": "time [min]", "Counts dp (kPa)": "differential pressure [kPa]"},
    }
    raw = tabled(grid, Layout.model_validate(keys), {})
    assert raw.lines.tolist() == ([4, 8] if left_out else [4, 5, 8])
