"""Designations of standards: each method has one name here, however a laboratory writes it."""

import functools
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from dossier.case.consistency import ALIKE


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
