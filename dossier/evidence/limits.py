"""Limits of the standards as data, each with clause and mark; and what was held against one."""

import functools
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Literal

from dossier.case.seen import ALIKE
from dossier.words import later, say


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """A standard that is known here, and what records it may stand for."""

    standard: str
    """Normalised, without edition, such as "ISO 4548-12"."""
    family: Literal["lube", "hydraulic", "fuel", "air"]
    """Filters that it is written for."""
    editions: tuple[int, ...]
    mark: str
    kinds: tuple[str, ...] = ()
    """Kinds of record; none for a method that has no place in a lube filter's dossier."""
    path: str = ""
    """Flow path, where it stands for records of that path alone."""
    results: tuple[str, ...] = ()
    """Columns of a measurement record that it describes."""


@dataclass(frozen=True, slots=True)
class Designation:
    """A designation, read."""

    standard: str
    edition: int | None
    amended: bool = False
    adopted: bool = False
    """Whether a national body's name stands before it: its year is that of the adoption."""

    def __str__(self) -> str:
        """Return the international designation."""
        return self.standard + (f":{self.edition}" if self.edition else "")


_BODIES = (
    "ANSI|AS|NZS|BS|CAN|CSA|CSN|DIN|DS|EN|EVS|GOST|GOSTR|IS|JIS|KS|LST|LVS|MSZ|NBN|NEN|NF|NP|NS|"
    "ONORM|OENORM|PN|SABS|SANS|SFS|SIST|SN|SNV|SS|STN|SR|TS|UNE|UNI"
)
_WRITTEN = re.compile(
    rf"(?P<bodies>(?:(?:{_BODIES})[/-]?)*)ISO[-:]?(?P<number>\d{{3,5}})"
    r"(?:(?:[-/.]|[-,]?(?:PART|TEIL|PT)\.?)(?P<part>\d{1,2})(?!\d))?"
    r"(?:[-:(,](?:EDITION|ED\.?)?(?P<year>(?:19|20)\d\d)(?:-(?:0[1-9]|1[0-2]))?\)?)?"
    r"(?P<amended>(?:[/+](?:AMD|AM|A|COR|AC|C)\.?\d*(?::(?:19|20)\d\d)?)*)"
    r"(?:\((?:E|EN|D|DE|F|FR)\))?"
)


@functools.lru_cache(maxsize=1024)
def designation_of(text: str) -> Designation | None:
    """Return the ISO standard that `text` names and nothing but names, or None.

    National adoptions, missing blanks, lower case, other dashes, look-alike letters, editions,
    amendments and languages are read; a phrase such as "based on ISO 4548-12" names no method.
    """
    plain = unicodedata.normalize("NFKD", text).upper().translate(ALIKE)
    plain = "".join(c for c in plain if unicodedata.category(c) not in {"Cf", "Mn", "Cc"})
    dated = re.sub(r"(?<=\d)\s+(?=(?:19|20)\d\d\b)", ":", plain.strip())
    match = _WRITTEN.fullmatch(re.sub(r"\s", "", dated))
    if match is None:
        return None
    part = f"-{int(match['part'])}" if match["part"] else ""
    year = int(match["year"]) if match["year"] else None
    return Designation(
        f"ISO {int(match['number'])}{part}", year, bool(match["amended"]), bool(match["bodies"])
    )


def method_of(text: str, methods: Iterable[Method]) -> Method | None:
    """Return the known method that `text` names, or None."""
    named = designation_of(text)
    if named is None:
        return None
    return next((each for each in methods if each.standard == named.standard), None)


def international(text: str, methods: Sequence[Method]) -> Designation | None:
    """Return the designation with its international edition, or None.

    A national adoption has its own year: it counts as the last known edition up to then.
    """
    named, method = designation_of(text), method_of(text, methods)
    if named is None or method is None or not named.adopted or named.edition is None:
        return named
    before = [year for year in method.editions if year <= named.edition]
    return replace(named, edition=max(before, default=named.edition))


def same_method(one: str, other: str, methods: Sequence[Method]) -> bool:
    """Return whether two designations name the same edition of the same method."""
    first, second = international(one, methods), international(other, methods)
    if first is None or second is None:
        return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()
    return (first.standard, first.edition) == (second.standard, second.edition)


Outcome = Literal[
    "met", "not met", "warning", "covered by a deviation", "not checked", "stated", "does not apply"
]
"""The outcomes: codes, said where they are printed.

"not checked" says that what the rule asks for is missing, which stops the results of a mandatory
rule as "not met" does; "stated" that the laboratory's signed report stands in for a reading; "does
not apply" that the rule has nothing to judge here, with the reason.
"""

Guards = Literal["", "metrology", "integrity"]
"""What a rule guards beyond the method: how well something was measured, or whether it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One rule, what was found, and what follows."""

    record: str
    """Record the rule was applied to; empty for a rule on the whole case."""
    rule: str
    """Short name of the rule: a code, said where it is printed."""
    standard: str
    """Standard, edition and clause the limit is taken from, with its mark."""
    limit: str
    """Limit as printed."""
    found: str
    """What was found, as printed."""
    outcome: Outcome
    mandatory: bool
    """True if a record that does not meet the rule cannot support a pass."""
    guards: Guards = ""
    """What the rule guards: "metrology" and "integrity" are not covered by any deviation."""
    from_memory: bool = False
    """True where the limit is from memory and nobody has compared it with the standard's text."""
    weighs: bool = False
    """Whether a warning is a condition on page one."""
    deviation: str = ""
    """Text of the recorded deviation that covers a rule not met."""

    @property
    def stops(self) -> bool:
        """Whether it stops the results of its record: of a mandatory rule, not met or not made."""
        return self.mandatory and self.outcome in ("not met", "not checked")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit of validity."""

    rule: str
    kind: str
    """Kind of record; empty for every kind."""
    standard: str
    """The standard it is meant for, without edition; empty for all."""
    clause: str
    mark: str
    """Provenance of the figure: seen, from memory, common practice, or our own."""
    text: str
    mandatory: bool
    guards: Guards = ""
    """"metrology" or "integrity" where no deviation may cover the rule, else empty."""
    weighs: bool = False
    """Whether a warning of it is a condition on page one."""
    value: float = 0.0
    tolerance: float = 0.0
    agreed: float = 0.0
    levels: tuple[float, ...] = ()
    """Base upstream levels of the method [kg/m3], the usual one first."""
    checked_by: str = ""
    """Who compared the figure with the text of the standard; empty where nobody has."""
    checked_on: date | None = None

    def __post_init__(self) -> None:
        if bool(self.checked_by.strip()) != bool(self.checked_on):
            raise ValueError(f"limit {self.rule!r}: checked_by and checked_on go together")

    @property
    def from_memory(self) -> bool:
        """Whether the figure is from memory, and nobody has compared it with the text."""
        return "memory" in self.mark and not self.checked_by

    @property
    def origin(self) -> str:
        """Clause and provenance of the figure, as printed."""
        ours = self.clause.startswith(f"{self.mark}:")
        origin = say(self.clause) if ours else f"{say(self.clause)} ({say(self.mark)})"
        if not self.checked_by:
            return origin
        words = later("{origin}, checked against the text by {who} on {day}")
        return say(words, origin=origin, who=self.checked_by, day=self.checked_on)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparable:
    """How far a condition may differ between two tests that are set against each other."""

    value: float
    """Share of the smaller [-]."""
    clause: str
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """All limits, the carry-over range and the stand-in accuracies."""

    limits: tuple[Limit, ...]
    flow_factor: float
    """How far beyond the tested flow a fit may be used [-]."""
    viscosity_factor: float
    """How far beyond the tested viscosities a fit may be used [-]."""
    run_flow_factor: float
    """How far from the test flow the result of a multi-pass run may be used [-]."""
    run_viscosity_factor: float
    """How far from the test viscosity the loading of a multi-pass run may be used [-]."""
    first_minutes: float
    """Minutes of counts left out at the start of a run."""
    accuracy: Mapping[str, float]
    """Half-width of the stand-in accuracy for a measurand, relative [-], or in K or mm."""
    accuracy_mark: str
    accuracy_clause: str = ""
    """Where those accuracies are taken from."""
    assumed: Mapping[str, str] = field(default_factory=dict)
    """Measurands whose accuracy is assumed, not taken from a standard, each with its mark."""
    methods: tuple[Method, ...] = ()
    """Every standard that is known here."""
    comparable: Mapping[str, Comparable] = field(default_factory=dict)
    """Conditions in which two tests must agree that are set against each other."""
    plausible: Mapping[str, float] = field(default_factory=dict)
    """Beyond what a figure that the case states of itself is doubted or refused."""

    reopened: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """What a maker changed -> kinds of records, and columns of measurements, to test anew."""

    def accuracy_source(self, measurand: str) -> str:
        """Return, as printed, where the stand-in accuracy of a measurand comes from."""
        if measurand in self.assumed:
            return say("assumed accuracy, rectangular ({mark})", mark=say(self.assumed[measurand]))
        words = later("accuracy allowed by the standard, rectangular ({clause}; {mark})")
        return say(words, clause=say(self.accuracy_clause), mark=say(self.accuracy_mark))

    def rules(self, kind: str, standard: str) -> tuple[str, ...]:
        """Return the names of all rules that a record of that kind and standard is held to."""
        names = dict.fromkeys(limit.rule for limit in self.limits)
        return tuple(rule for rule in names if self.find(rule, kind, standard))

    def find(self, rule: str, kind: str, standard: str) -> Limit | None:
        """Return the limit of that rule that fits the record's kind and standard best.

        The standard goes by its normalised designation: no spelling of it sheds a rule.
        """
        named = designation_of(standard)
        standards = {"", named.standard if named else ""}
        own = (each for each in self.limits if each.rule == rule and each.kind in {"", kind})
        fitting = (each for each in own if each.standard in standards)
        return max(fitting, key=lambda limit: len(limit.standard), default=None)


CARRY = ("flow_factor", "viscosity_factor", "run_flow_factor", "run_viscosity_factor")
"""Figures of how far a result may be carried."""


def limits_from(document: Mapping[str, Any]) -> Limits:
    """Return the limits in `document`, the parsed data file; KeyError if a part is missing."""
    assumed = document.get("assumed", {})
    stated = {k: v for k, v in document["accuracy"].items() if k not in {"mark", "clause"}}
    return Limits(
        limits=tuple(Limit(**_tuples(entry)) for entry in document["limit"]),
        methods=tuple(Method(**_tuples(entry)) for entry in document["method"]),
        **{name: float(document["carry"][name]) for name in CARRY},
        first_minutes=float(document["reporting"]["first_minutes"]),
        accuracy=stated | {name: float(entry["half_width"]) for name, entry in assumed.items()},
        accuracy_mark=document["accuracy"]["mark"],
        accuracy_clause=document["accuracy"]["clause"],
        assumed={name: entry["mark"] for name, entry in assumed.items()},
        plausible={k: v for k, v in document["plausible"].items() if k != "mark"},
        reopened={each["what"]: tuple(each["reopens"]) for each in document["change"]},
        comparable={name: Comparable(**e) for name, e in document["comparable"].items()},
    )


def _tuples(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()}
