"""The column names of all kinds of record, and which of them hold words."""

MEASURED: dict[str, str] = {
    "collapse pressure": "pressure",
    "burst pressure": "pressure",
    "first bubble pressure": "pressure",
    "pulse cycles": "number",
    "vibration hours": "time",
    "anti-drain leakage": "volume rate",
    "initial cleanliness": "mass",
    "valve leakage": "volume rate",
}
"""Columns of a measurement record and their dimension."""

WORDS = frozenset({"specimen", "remark", "part", "direction", "characteristic", "unit"})
"""Columns whose cells are words, even where they look like numbers."""

_NUMBERS = frozenset(
    {"time", "differential pressure", "flow", "temperature", "found", "lower", "upper", *MEASURED}
)


def lowered(name: str) -> str:
    """Return a column name in lower case with single blanks, as names are compared."""
    return " ".join(name.lower().split())


def is_known(name: str) -> bool:
    """Return whether a column of that name belongs to some kind of record."""
    name = lowered(name)
    return name in _NUMBERS or name in WORDS or name.startswith(("upstream ", "downstream "))


METHODS = {
    ("multipass", "full_flow"): "ISO 4548-12:2017",
    ("multipass", "fine"): "ISO 16889:2022",
    ("pressure_drop", "full_flow"): "ISO 4548-1:1997",
    ("pressure_drop", "fine"): "ISO 3968:2017",
    ("bypass_valve", "full_flow"): "ISO 4548-2:1997",
}
"""Method of each kind of test and path, each among those that the quantities declare."""

STEMS = {
    "multipass": "MP",
    "pressure_drop": "PD",
    "bypass_valve": "BV",
    "measurement": "M",
    "inspection": "IN",
}
"""How the ids of the records of each kind begin."""
