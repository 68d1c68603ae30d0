"""Words for the codes that stand in sentences: filters, kinds of record, what was measured."""

from collections.abc import Mapping
from typing import Literal

from dossier.words import decimal_mark, later, say

Side = Literal["candidate", "reference"]
SIDES: Mapping[str, str] = {"candidate": later("candidate"), "reference": later("reference")}
"""The filters of a case, as printed."""

_OF: Mapping[str, str] = {
    "candidate": later("of the candidate"),
    "reference": later("of the reference"),
}
_RECORDS: Mapping[str, str] = {
    "multipass": later("multipass record"),
    "pressure_drop": later("pressure drop record"),
    "bypass_valve": later("bypass valve record"),
    "measurement": later("measurement record"),
    "inspection": later("inspection record"),
}
MEASURANDS = (
    later("flow"), later("injection flow"), later("differential pressure"), later("pressure"),
    later("temperature"), later("mass"), later("volume rate"), later("length"), later("counts"),
    later("cycles"), later("time"),
)  # fmt: skip
"""What an instrument measures: codes, said where they are printed."""
COLUMNS = (
    later("collapse pressure"), later("burst pressure"), later("first bubble pressure"),
    later("pulse cycles"), later("vibration hours"), later("anti-drain leakage"),
    later("initial cleanliness"), later("valve leakage"), later("valve sweep"),
)  # fmt: skip
"""What a record holds results of: codes, said where they are printed."""

CODES: Mapping[str, tuple[str, ...]] = {
    "decision": (
        later("approved"),
        later("approved with conditions"),
        later("not approved"),
        later("undecided"),
    ),
    "severity": (later("mandatory"), later("advisory")),
    "bound": (later("larger than"), later("smaller than")),
    "better": (later("higher"), later("lower")),
    "role": (later("prepared"), later("checked"), later("approved")),
}
"""What is a code, by the place it stands in -> its words."""


def of_side(side: str) -> str:
    """Return whose something is, in words: "of the candidate" or "of the reference"."""
    return say(_OF[side])


def record_of(kind: str) -> str:
    """Return what a record of a kind is called."""
    return say(_RECORDS[kind])


def number_text(value: float, form: str) -> str:
    """Return a number in the format `form` of `str.format`, with the mark of the language."""
    return format(value, form).replace(".", decimal_mark())
