"""What a record has to hold: columns, conditions and instruments of each kind of test.

The readers of the case room and the reductions of the evidence room decide what they use; tests
hold these tables against both.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from dossier.case.model import RecordEntry
from dossier.case.tables.written import MEASURED
from dossier.case.whole import leaves
from dossier.evidence.records.instruments import READ_BY
from dossier.words import later


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """One column of a sheet, as its header is written."""

    name: str
    unit: str
    words: str
    """What goes in, to be said."""
    needed: bool = True

    @property
    def header(self) -> str:
        """The header cell: name and unit in square brackets."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Reported:
    """One condition of a record that the reduction uses."""

    name: str
    """Key under [record.conditions]."""
    words: str
    needed: bool = True
    uncertain: bool = False
    """Whether its standard uncertainty is asked for too."""


_MULTIPASS = (
    SheetColumn("time", "min", later("time since injection began, one row each counting interval")),
    SheetColumn("differential pressure", "kPa",
           later("of the assembly, read with each count, housing not subtracted")),
    SheetColumn("flow", "L/min", later("test flow at each row")),
    SheetColumn("temperature", "degC", later("of the test fluid at each row")),
)  # fmt: skip
_SWEEP = (
    SheetColumn("flow", "L/min", later("measured flow of the point")),
    SheetColumn("differential pressure", "kPa", later("at that flow")),
    SheetColumn("temperature", "degC", later("of the test fluid at the point")),
    SheetColumn("part", "", later("assembly, or housing for the points with the empty housing")),
)
_VALVE = (
    SheetColumn("differential pressure", "kPa", later("across the valve")),
    SheetColumn("flow", "L/min", later("through the valve")),
    SheetColumn("direction", "", later("rising or falling")),
    SheetColumn("specimen", "", later("name of the specimen")),
)
_INSPECTION = (
    SheetColumn("characteristic", "", later("as written in the requirement; filled in already")),
    SheetColumn("specimen", "", later("name of the specimen; filled in already")),
    SheetColumn("found", "", later("number found, or yes or no for a statement")),
    SheetColumn("lower", "", later("lower limit as drawn, a number in the unit of its row"), False),
    SheetColumn("upper", "", later("upper limit as drawn, a number in the unit of its row"), False),
    SheetColumn("unit", "", later("of found, lower and upper; empty for a statement")),
)
_NAME = SheetColumn("specimen", "", later("name of the specimen; filled in already"))
_REMARK = SheetColumn(
    "remark", "", later("how and where it failed, in the laboratory's words"), False
)
_RESULT = later("result of each specimen; > x or < x where only a bound was reached")
_COUNTS = later("cumulative count of that size and larger at the sample point, dilution undone")
_UNITS = {"pressure": "kPa", "number": "1", "time": "h", "volume rate": "mL/min", "mass": "mg"}


def measured_column(quantity: str) -> str:
    """Return the column of a measurement record that a quantity is read from; KeyError if none."""
    return {name.replace("-", " ").replace(" ", "_"): name for name in MEASURED}[quantity]


def sheet_columns(
    kind: str, sizes: Sequence[float] = (), quantities: Sequence[str] = ()
) -> tuple[SheetColumn, ...]:
    """Return the columns of a sheet for one kind of record.

    `sizes` [um(c)] for a multi-pass run, names of `quantities` for measurements.
    """
    if kind == "multipass":
        counts = [f"{side} {size:g} um(c)" for size in sizes for side in ("upstream", "downstream")]
        return (*_MULTIPASS, *(SheetColumn(name, "1/mL", _COUNTS) for name in counts))
    if kind == "measurement":
        names = [measured_column(quantity) for quantity in quantities]
        results = [SheetColumn(name, _UNITS[MEASURED[name]], _RESULT) for name in names]
        return (_NAME, *results, _REMARK)
    return {"pressure_drop": _SWEEP, "bypass_valve": _VALVE, "inspection": _INSPECTION}[kind]


_CONDITIONS: dict[str, tuple[Reported, ...]] = {
    "multipass": (
        Reported("flow", later("test flow as set")),
        Reported("temperature", later("test temperature as set")),
        Reported("injection_flow", later("injection flow as set")),
        Reported("injection_volume", later(
            "contents of the injection system at the start, and when the terminal pressure "
            "was reached")),
        Reported("injection_concentration", later(
            "gravimetric, sampled at the start and the end, with its standard uncertainty"),
            uncertain=True),
        Reported("base_level", later("base upstream level that was agreed")),
        Reported("final_concentration", later(
            "gravimetric, of the test system at the end, with its standard uncertainty"),
            uncertain=True),
        Reported("system_volume", later("volume of the test system")),
        Reported("sample_flow", later(
            "flows drawn for counting and not returned; 0 L/min where they are returned")),
        Reported("housing_pressure_drop", later(
            "of the empty housing at test flow and temperature")),
        Reported("terminal_pressure_drop", later("of the element, at which the run ends")),
        Reported("sample_volume", later("volume counted in each reading")),
        Reported("dilution", later("dilution factors of the counted samples; 1 where undiluted")),
        Reported("dust", later(
            "test dust and its batch; another dust with counts per mass and their source")),
    ),
    "pressure_drop": (
        Reported("temperature", later("only where the sheet has no temperature"), needed=False),
    ),
    "bypass_valve": (
        Reported("temperature", later("of the test fluid")),
        Reported("criterion_flow", later("flow at which the valve counts as open and as reseated")),
    ),
    "measurement": (Reported("temperature", later("of the oil in which the filter was soaked")),),
    "inspection": (),
}  # fmt: skip


def condition_columns(each: Reported) -> list[str]:
    """Return the columns of the sheet of runs that a condition is given in."""
    left_out = ("source", "expanded u", " k", *(() if each.uncertain else (" u",)))
    return [
        name
        for name, leaf in leaves(RecordEntry).items()
        if leaf.path[:2] == ("conditions", each.name) and not name.endswith(left_out)
    ]


_INSTRUMENTS = {
    "multipass": (
        "counts", "flow", "injection flow", "differential pressure", "temperature", "mass",
    ),
    "pressure_drop": ("flow", "differential pressure", "temperature"),
    "bypass_valve": ("flow", "differential pressure", "temperature"),
    "inspection": ("length",),
}  # fmt: skip


def conditions_of(kind: str, quantities: Sequence[str] = ()) -> tuple[Reported, ...]:
    """Return the conditions of a record of `kind`; a soak counts for collapse alone."""
    if kind == "measurement" and "collapse_pressure" not in quantities:
        return ()
    return _CONDITIONS[kind]


def instruments_of(kind: str, quantities: Sequence[str] = ()) -> tuple[str, ...]:
    """Return what the instruments of a record measure, each needing a certificate."""
    if kind != "measurement":
        return _INSTRUMENTS[kind]
    return tuple(dict.fromkeys(READ_BY[measured_column(each)][0] for each in quantities))
