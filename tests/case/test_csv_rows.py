"""Pieces of a CSV file that are taken whole give what single lines give."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dossier.case.records import interpret
from dossier.case.tables import csv_rows
from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.grid import MAX_HEAD
from dossier.case.tables.raw_table import TableError

CELL = st.sampled_from(
    ["", "0", "1", "-2.5", "+3", "1e5", "2E-3", ".5", "7.", " 8", "9 ", "x", "1 2", "NaN", "#1"]
)
LINE = st.lists(CELL, min_size=3, max_size=3).map(",".join)
ODD = st.sampled_from(["", "# remark", '"# quoted"', "   ", "1,2", '"4",5,6', "1,2,3,4"])


def outcome(text):
    """Return all that reading gives, so that two ways can be compared."""
    try:
        table = read_csv("r.csv", text.encode())
    except TableError as error:
        return error.place, error.what, error.hint
    values = [table.numbers(column).tolist() for column in table.columns]
    return repr(values), table.lines.tolist(), table.remarks, [str(p) for p in table.problems]


@settings(max_examples=150, deadline=None)
@given(lines=st.lists(st.one_of(LINE, LINE, LINE, ODD), max_size=12), end=st.sampled_from("\n "))
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_pieces_of_any_size_and_either_reader_give_the_same(newline, lines, end):
    text = newline.join(["a,b,c", *lines]) + end.strip(" ")
    whole = outcome(text)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(csv_rows, "HEAD", 1)
        patched.setattr(csv_rows, "PIECE", 1)
        assert outcome(text) == whole
        patched.setattr(csv_rows, "SMALL", -1)
        assert outcome(text) == whole


@given(st.lists(st.floats(-1e300, 1e300, allow_subnormal=False), min_size=1, max_size=30))
def test_numbers_are_those_that_were_written(values):
    text = "a,b\n" + "".join(f"{value!r},1\n" for value in values)
    table = read_csv("r.csv", text.encode())
    assert np.array_equal(table.numbers(table.columns[0]), values)


@pytest.mark.parametrize("pause", [False, True])
def test_a_large_regular_record_is_never_taken_apart(monkeypatch, pause):
    rng = np.random.default_rng(1)
    values = np.round(rng.normal(100, 30, (50_000, 4)), 3)
    stream = io.StringIO()
    np.savetxt(stream, values, fmt="%.3f", delimiter=";")
    rows = stream.getvalue().replace(".", ",").splitlines()
    rows[25_000:25_000] = ["# pause", ""] if pause else []
    lines = ["# invented", "a;b;c;d", *rows]
    split, by_line = csv_rows.split_cells, []
    monkeypatch.setattr(
        csv_rows, "split_cells", lambda *a, **k: by_line.append(a) or split(*a, **k)
    )
    table = read_csv("r.csv", "\n".join(lines).encode())
    assert len(by_line) <= MAX_HEAD + 2
    assert np.array_equal(np.column_stack([table.numbers(c) for c in table.columns]), values)
    assert [words for _, words in table.remarks] == ["invented", "pause"][: 1 + pause]
    for row in (24_999, 25_000, 49_999):
        assert lines[table.lines[row] - 1].startswith(f"{values[row, 0]:.3f}".replace(".", ","))


def test_counts_of_a_large_record_are_those_of_a_small_one(monkeypatch):
    sizes = ("4", "6", "10")
    names = [f"{side} {size} um(c) [1/mL]" for size in sizes for side in ("upstream", "downstream")]
    head = ",".join(["time [min]", "differential pressure [kPa]", *names])
    rows = [[n, 20 + n, *(100 * n + k for k in range(6))] for n in range(1, 13)]
    text = "\n".join([head, *(",".join(map(str, row)) for row in rows), ""])
    monkeypatch.setattr(csv_rows, "SMALL", -1)
    monkeypatch.setattr(csv_rows, "HEAD", 1)
    table = interpret(read_csv("r.csv", text.encode()), "multipass", "ISO 11171")
    counts = np.array(rows)[:, 2:]
    assert np.array_equal(table.upstream, counts[:, ::2])
    assert np.array_equal(table.downstream, counts[:, 1::2])
    assert table.sizes.tolist() == [4.0, 6.0, 10.0]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_rows_of_empty_cells_are_left_out_of_large_files_too(end):
    rows = [f"{n},{n}" for n in range(20_000)]
    for at in (0, 9_000, 19_999):
        rows[at] = ","
    table = read_csv("r.csv", end.join(["time [min],flow [L/min]", *rows, ",", ""]).encode())
    assert table.rows == 19_997
    assert table.lines[0] == 3
    assert table.lines[-1] == 20_000


def test_no_room_is_made_for_rows_that_are_none(monkeypatch):
    empty, sizes = np.empty, []
    monkeypatch.setattr(np, "empty", lambda *a, **k: sizes.append(np.prod(a[0])) or empty(*a, **k))
    names, row = ",".join(f"a{n}" for n in range(400)), f"1{',' * 399}"
    table = read_csv("r.csv", f"{names}\n{row}\n".encode() + b"\n" * 200_000)
    assert table.rows == 1
    assert max(sizes, default=0) <= 400


@pytest.mark.parametrize("more", ["", "1,2\n" * 40_000])
def test_a_quotation_mark_that_is_not_closed_swallows_no_row(more):
    with pytest.raises(TableError, match="quotation mark is not closed"):
        read_csv("r.csv", f'a,b\n1,2\n3,"4\n5,6\n{more}'.encode())


@pytest.mark.parametrize(
    ("content", "row"), [(b"a,b\n1,\x81\n", 2), (b"\xef\xbb\xbfa\n1\n\xff", 3)]
)
def test_the_row_that_is_no_text_is_named(content, row):
    with pytest.raises(TableError) as caught:
        read_csv("r.csv", content)
    assert caught.value.place == f"row {row}"


def test_rows_of_a_large_file_keep_the_numbers_of_their_lines():
    count = csv_rows.SMALL // 4
    text = "# invented\ntime [min],flow [L/min]\n" + "1,2.5\n" * count
    table = read_csv("r.csv", text.encode())
    assert table.lines.tolist() == [*range(3, count + 3)]
