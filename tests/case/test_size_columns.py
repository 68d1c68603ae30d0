"""Columns of counts: the same whatever their order, unit and form, cumulative or by channels."""

from itertools import permutations

import numpy as np
import pytest

from dossier.case.records import interpret
from dossier.case.tables import csv_rows
from dossier.case.tables.csv_rows import read_csv
from dossier.case.tables.size_columns import count_columns

ROWS = 4
NAMES = [f"{side} {size} um(c)" for side in ("upstream", "downstream") for size in (4, 6, 10)]


def counted(name):
    """Counts of a column, each like no other [1/mL]."""
    return 100.0 * (NAMES.index(name) + 1) + np.arange(ROWS)


def raw_of(columns):
    """Read a table of time and counts: header -> values, in this order."""
    columns = {"time [min]": np.arange(ROWS)} | columns
    rows = zip(*columns.values(), strict=True)
    lines = [",".join(columns), *(",".join(f"{value:g}" for value in row) for row in rows), ""]
    return read_csv("r.csv", "\n".join(lines).encode())


def read(columns):
    raw = raw_of(columns)
    found = count_columns(raw, "ISO 11171")
    assert not raw.problems
    return found


@pytest.mark.parametrize("large", [True, False])
@pytest.mark.parametrize("unit", ["1/mL", "1/L"])
def test_columns_may_stand_in_any_order(large, unit, monkeypatch):
    """A large table is an array, of which columns that stand evenly are not copied."""
    if large:
        monkeypatch.setattr(csv_rows, "SMALL", 0)
    factor = 1.0 if unit == "1/mL" else 1000.0
    orders = [*permutations(NAMES)][::60]
    orders += [NAMES, NAMES[::-1], NAMES[::3], NAMES[:1] + NAMES[3:4]]
    orders += [[NAMES[k] for k in each] for each in ((0, 3, 1, 4, 2, 5), (3, 4, 5, 0, 1, 2))]
    for order in orders:
        found = read({f"{name} [{unit}]": factor * counted(name) for name in order})
        sizes = sorted({int(name.split()[1]) for name in order})
        assert found.sizes.tolist() == sizes
        for side, counts in (("upstream", found.upstream), ("downstream", found.downstream)):
            wanted = [counted(f"{side} {size} um(c)") for size in sizes]
            assert np.allclose(counts, np.transpose(wanted), rtol=1e-12)


@pytest.mark.parametrize("turn", [1, -1])
def test_channels_add_up_from_the_largest(turn):
    """What is larger than a size is what its channel and all above it hold."""
    columns = {}
    for side in ("upstream", "downstream"):
        four, six, ten = (counted(f"{side} {size} um(c)") for size in (4, 6, 10))
        made = {f"{side} 4 to 6 um(c) [1/mL]": four, f"{side} 6 to 10 um(c) [1/mL]": six,
                f"{side} above 10 um(c) [1/L]": 1000.0 * ten}  # fmt: skip
        columns |= dict([*made.items()][::turn])
    found = read(columns)
    assert found.sizes.tolist() == [4.0, 6.0, 10.0]
    for side, counts in (("upstream", found.upstream), ("downstream", found.downstream)):
        four, six, ten = (counted(f"{side} {size} um(c)") for size in (4, 6, 10))
        assert np.allclose(counts, np.transpose([four + six + ten, six + ten, ten]), rtol=1e-12)


@pytest.mark.parametrize("order", [NAMES, NAMES[::3]])
def test_counts_of_a_large_table_are_not_copied(order, monkeypatch):
    monkeypatch.setattr(csv_rows, "SMALL", 0)
    raw = raw_of({f"{name} [1/mL]": counted(name) for name in order})
    found = count_columns(raw, "ISO 11171")
    assert np.shares_memory(found.upstream, raw.cells)
    assert np.shares_memory(found.downstream, raw.cells)


@pytest.mark.parametrize("channel", ["4 to 8", "6 to 4", "6 to 6"])
def test_a_channel_ends_where_another_count_begins(channel):
    """Of sizes 4 and 6 all else is there."""
    sizes = [channel, *({"4", "6"} - {channel[0]})]
    raw = raw_of({f"{side} {size} um(c) [1/mL]": np.ones(ROWS)
                  for side in ("upstream", "downstream") for size in sizes})  # fmt: skip
    assert count_columns(raw, "ISO 11171") is None
    assert [problem.what for problem in raw.problems] == [
        f"'{side} {channel} um(c)' is a channel, and nothing counts what is larger than "
        f"{channel[-1]} um(c)" for side in ("upstream", "downstream")
    ]  # fmt: skip


def test_a_record_keeps_which_of_its_sizes_were_converted():
    """ISO 4402 has 10 um and 5 um where ISO 11171 has 9.8 um(c) and 6.4 um(c)."""
    ones = {f"{side} {size} um [1/mL]": np.linspace(9.0, 8.0, 10)
            for side in ("upstream", "downstream") for size in (5, 10)}  # fmt: skip
    rows = {"time [min]": np.arange(10), "differential pressure [kPa]": np.arange(20, 30)} | ones
    raw = raw_of(rows)
    found = interpret(raw, "multipass", "ISO 4402")
    assert (raw.problems, found.sizes.tolist()) == ([], [6.4, 9.8])
    assert set(found.conversions) == {("5 um", "ISO 4402"), ("10 um", "ISO 4402")}


@pytest.mark.parametrize(
    ("unit", "dilution", "up", "down"),
    [
        ("1/mL", "", 1.0, 1.0), ("1/mL", "as counted", 4.0, 2.0), ("1/L", "as counted", 4e-3, 2e-3),
        ("1/sample", "undone", 0.04, 0.04), ("1/sample", "as counted", 0.16, 0.08),
    ],
)  # fmt: skip
def test_counts_are_divided_by_the_volume_and_multiplied_by_the_dilution(unit, dilution, up, down):
    """25 mL of which one part in four, and one in two, is the fluid."""
    raw = raw_of({f"{name} [{unit}]": counted(name) for name in NAMES})
    raw.sample |= {"volume": 25.0, "upstream": 4.0, "downstream": 2.0}
    raw.dilution = dilution
    found = count_columns(raw, "ISO 11171")
    assert not raw.problems
    for side, counts, factor in (
        ("upstream", found.upstream, up), ("downstream", found.downstream, down),
    ):  # fmt: skip
        wanted = [factor * counted(f"{side} {size} um(c)") for size in (4, 6, 10)]
        assert np.allclose(counts, np.transpose(wanted), rtol=1e-12)
