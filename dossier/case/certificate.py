"""Digital calibration certificates: what one says of an instrument, held against the case.

XML of the open schema https://ptb.de/dcc, versions 2 and 3, with units of https://ptb.de/si; names
of its elements are from memory of the schema.  Whether a certificate is signed, and by whom, is
not judged: it is XML that anybody may have written.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from typing import Any, NamedTuple
from xml.etree.ElementTree import Element, ParseError, TreeBuilder, XMLParser

from dossier.case.problems import PartError
from dossier.case.tables.written import lowered
from dossier.case.units import DIMENSIONS, USUAL, UnitError, affine

MAX_XML = 16 * 2**20
UNKNOWN = "?"
DEEPEST, MOST = 100, 200_000
"""Levels and elements that a certificate may have."""
MOST_UNITS = 50
DIMENSION = {
    "flow": "flow",
    "injection flow": "flow",
    "differential pressure": "pressure",
    "pressure": "pressure",
    "temperature": "temperature difference",
    "mass": "mass",
    "volume rate": "volume rate",
    "length": "length",
}
"""What an instrument measures, and the dimension of its uncertainty."""
_NAMES = {"dcc": "https://ptb.de/dcc", "si": "https://ptb.de/si"}
_DCC = "{https://ptb.de/dcc}"
_UNIT = re.compile(r"\\([a-z]+)(?:\{([+-]?[0-9])\})?\s*")
_PREFIXES = frozenset({"kilo", "mega", "hecto", "deci", "centi", "milli", "micro", "nano"})
_WORDS = {
    "percent": "%", "one": "", "degreecelsius": "degC", "kelvin": "K", "metre": "m",
    "millimetre": "mm", "micrometre": "um", "pascal": "Pa", "kilopascal": "kPa", "litre": "L",
    "gram": "g", "milligram": "mg", "kilogram": "kg", "second": "s", "minute": "min", "hour": "h",
}  # fmt: skip


class CertificateError(PartError):
    """A certificate that is not read."""


class StatedValue(NamedTuple):
    """One number of a certificate."""

    value: float
    unit: str
    """As it is known here; '' of a pure number, `UNKNOWN` where it is not understood."""
    u: float | None
    """Its standard uncertainty in that unit, where one is stated."""


@dataclass(frozen=True, slots=True)
class Point:
    """One calibrated reading: its value, and the standard uncertainty that is stated of it."""

    value: float
    """Largest value of its dimension at this point [as the dimension is worked in]."""
    u: float
    """Standard uncertainty [same]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a certificate says, as it stands there."""

    number: str
    begun: date
    ended: date
    laboratory: str
    kind: str
    """Name of the item that was calibrated."""
    marks: tuple[str, ...]
    """What the item is identified by: numbers of its maker, owner, laboratory."""
    several: bool
    """Whether other items were calibrated as well: then no result is known to be of this one."""
    groups: tuple[tuple[StatedValue, ...], ...] = field(repr=False)
    """Rows of results that stand side by side."""

    @property
    def unclear(self) -> bool:
        """Whether an uncertainty is stated in a unit that is not understood, which may be worse."""
        units = {each.unit for row in self.groups for each in row if each.u is not None}
        return any(not any(_scale(u, each) for each in DIMENSIONS) for u in units - {"", "%"})

    def points(self, dimension: str) -> Iterator[Point]:
        """Yield each result of a dimension whose uncertainty is stated."""
        for row in () if self.several else self.groups:
            scales = [_scale(each.unit, dimension) for each in row]
            found = [abs(s * each.value) for s, each in zip(scales, row, strict=True) if s]
            for scale, each in zip(scales, row, strict=True):
                if found and each.u is not None and (scale or each.unit == "%"):
                    yield Point(max(found), each.u * (scale or max(found) / 100))


@dataclass(frozen=True, slots=True, kw_only=True)
class Relied:
    """A certificate that an instrument of the case relies on, and what was taken from it."""

    instrument: str
    file: str
    certificate: Certificate
    taken: tuple[str, ...]
    """Keys of the instrument that nobody typed."""
    reach: Mapping[str, float]
    """Of dimensions whose uncertainty was taken: up to where it is stated [working unit]."""


def certificate_of(content: bytes, names: Sequence[str]) -> Certificate:
    """Return what a certificate says of the instrument that bears one of `names`.

    Raises CertificateError for what is no such certificate, declares a document type, is too large
    or too deep, or is of another instrument.
    """
    root = _tree(content)
    if root.tag != f"{_DCC}digitalCalibrationCertificate":
        what = f"is no digital calibration certificate: it begins with {root.tag[:80]!r}"
        raise CertificateError("", what, "name the certificate's XML file")
    version = root.get("schemaVersion", "")
    if not re.match(r"[23]\.", version):
        what = f"is of version {version[:20]!r} of its schema; 2 and 3 are read"
        raise CertificateError("schemaVersion", what, "type what it says, and attach it")
    items = root.findall("dcc:administrativeData/dcc:items/dcc:item", _NAMES)
    wanted = {lowered(name) for name in names}
    found = [item for item in items if wanted & {lowered(mark) for mark in _marks(item)}]
    if len(found) != 1:
        marks = ", ".join(repr(mark) for item in items for mark in _marks(item)) or "nothing"
        what = f"is of no instrument {' or '.join(map(repr, names))}: it names {marks[:200]}"
        hint = "write the mark by which it names the instrument: serial = ..."
        raise CertificateError("items", what, hint)
    core = "dcc:administrativeData/dcc:coreData/dcc:"
    house = "dcc:administrativeData/dcc:calibrationLaboratory/dcc:contact/dcc:name/dcc:content"
    return Certificate(
        number=_said(root, f"{core}uniqueIdentifier"),
        begun=_day(root, f"{core}beginPerformanceDate"),
        ended=_day(root, f"{core}endPerformanceDate"),
        laboratory=_said(root, house),
        kind=_said(found[0], "dcc:name/dcc:content"),
        marks=tuple(_marks(found[0])),
        several=len(items) > 1,
        groups=_bounded(_groups(root)),
    )


class _Bounded(TreeBuilder):
    """Builds the elements of an XML file that is neither deep, nor long, nor has a type."""

    depth = seen = 0

    def start(self, tag: Any, attrs: Any) -> Element:
        """Begin an element; CertificateError where it is one too many."""
        self.depth, self.seen = self.depth + 1, self.seen + 1
        if self.depth > DEEPEST or self.seen > MOST:
            raise CertificateError("", "is nested too deeply, or too long", "attach it, and type")
        return super().start(tag, attrs)

    def end(self, tag: str) -> Element:
        """End an element."""
        self.depth -= 1
        return super().end(tag)

    def doctype(self, *_: object) -> None:
        """Refuse a document type."""
        what = "declares a document type, which may grow or pull in other files"
        raise CertificateError("", what, "a certificate needs none: get it anew")


def _tree(content: bytes) -> Element:
    """Return the elements of an XML file; names as ``{namespace}name``."""
    if len(content) > MAX_XML:
        raise CertificateError("", f"larger than {MAX_XML // 2**20} MiB", "attach it, and type")
    parser = XMLParser(target=_Bounded())
    try:
        parser.feed(content)
        root: Element = parser.close()
    except (ParseError, LookupError, ValueError) as error:  # the latter of its encoding
        raise CertificateError("", f"is not well-formed XML ({error})", "get it anew") from None
    return root


def _marks(item: Element) -> Iterator[str]:
    for each in item.iterfind("dcc:identifications/dcc:identification/dcc:value", _NAMES):
        if _text(each):
            yield _text(each)


def _text(found: Element | None) -> str:
    """Return the words of an element; CertificateError for control characters in them."""
    text = " ".join((found.text or "").split()) if found is not None else ""
    if not text.isprintable():
        what = f"holds a character that is not printed: {text[:40]!a}"
        name = "" if found is None else str(found.tag).rpartition("}")[2]
        raise CertificateError(name, what, "get the certificate anew")
    return text[:1000]


def _said(above: Element, path: str) -> str:
    found = _text(above.find(path, _NAMES))
    if not found:
        place = path.replace("dcc:", "").replace("/", " . ")
        raise CertificateError(place, "is missing", "type it, and attach the certificate")
    return found


def _day(root: Element, path: str) -> date:
    text = _said(root, path)
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        raise CertificateError(path.rpartition(":")[2], f"{text[:40]!r} is no day", "") from None


def _bounded(groups: Iterator[tuple[StatedValue, ...]]) -> tuple[tuple[StatedValue, ...], ...]:
    """Return the rows of results; CertificateError where they are in very many units."""
    rows = tuple(groups)
    if len({each.unit for row in rows for each in row}) > MOST_UNITS:
        what = f"states results in more than {MOST_UNITS} units"
        raise CertificateError("results", what, "attach it, and type")
    return rows


def _groups(root: Element) -> Iterator[tuple[StatedValue, ...]]:
    """Yield what results stand side by side: lists by their places, single values together."""
    results = "dcc:measurementResults/dcc:measurementResult/dcc:results/dcc:result"
    for result in root.iterfind(results, _NAMES):
        for parent in result.iter():
            if parent.tag in {f"{_DCC}list", f"{_DCC}data"}:
                columns = [c for q in parent.iterfind("dcc:quantity", _NAMES) for c in _columns(q)]
                longest = max((len(c) for c in columns), default=0)
                for k in range(longest):
                    yield tuple(c[k] for c in columns if k < len(c))


def _columns(quantity: Element) -> Iterator[list[StatedValue]]:
    """Yield the values of a quantity; uncertainties are expanded ones but where they say so."""
    for path, many in (("real", ""), ("hybrid/si:real", ""), ("realListXMLList", "XMLList")):
        real = quantity.find(f"si:{path}", _NAMES)
        if real is None:
            continue
        values = _listed(real, f"value{many}", many)
        univariate = f"measurementUncertaintyUnivariate{many}/si:"
        stated: list[str] = []
        factors: list[str] = []
        for way, value in (
            (f"expandedUnc{many}", "uncertainty"),
            (f"{univariate}expandedMU{many}", "valueExpandedMU"),
            (f"{univariate}standardMU{many}", "valueStandardMU"),
        ):
            stated = stated or _listed(real, f"{way}/si:{value}{many}", many)
            factors = factors or _listed(real, f"{way}/si:coverageFactor{many}", many)
        standard = real.find(f"si:{univariate}standardMU{many}", _NAMES) is not None
        factors = factors or (["1"] if standard else [])
        units = [unit_of(each) for each in _listed(real, f"unit{many}", many)]
        parts = [_spread(each, len(values)) for each in (units, stated, factors)]
        rows = zip(values, *parts, strict=True)
        yield [StatedValue(_real(value), unit, _standard(u, k)) for value, unit, u, k in rows]


def _listed(above: Element, path: str, many: str) -> list[str]:
    found = above.find(f"si:{path}", _NAMES)
    if many:
        return ("" if found is None else found.text or "").split()
    return [text] if (text := _text(found)) else []


def _spread(found: list[str], length: int) -> list[str]:
    """Return one entry for each value: one that is stated once is that of all."""
    return found * length if len(found) == 1 else (found + [""] * length)[:length]


def unit_of(text: str) -> str:
    r"""Return a unit of the digital SI, such as `\kilo\pascal`, as it is known here."""
    if not text or _UNIT.sub("", text):
        return UNKNOWN
    parts: list[list[Any]] = []
    prefix, sign = "", 1
    for word, power in _UNIT.findall(text):
        if word == "per":
            sign = -1
        elif word == "tothe" and parts:
            parts[-1][1] *= int(power or 1)
        elif word in _PREFIXES:
            prefix = word
        else:
            name = prefix + word
            parts.append([_WORDS.get(name, prefix + _WORDS.get(word, word)), sign])
            prefix, sign = "", 1
    above = "*".join(n if p == 1 else f"{n}**{p}" for n, p in parts if p > 0 and n)
    below = "".join(f"/{n}" if p == -1 else f"/{n}**{-p}" for n, p in parts if p < 0)
    return f"{above or '1'}{below}" if below else above


@cache
def _scale(unit: str, dimension: str) -> float:
    """Return the factor to the unit that a dimension is worked in, 0 where it is of another."""
    of_others = unit not in USUAL.get(dimension, {}) and any(
        unit in each for each in USUAL.values()
    )
    with suppress(UnitError):
        return 0.0 if unit in {"", "%", UNKNOWN} or of_others else affine(unit, dimension)[0]
    return 0.0


def _real(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CertificateError("results", f"{text[:40]!r} is no number", "get it anew")
    return value


def _standard(stated: str, factor: str) -> float | None:
    """Return an uncertainty divided by its coverage factor, None where either is not stated."""
    if not stated or not factor:
        return None
    u, k = _real(stated), _real(factor)
    if not (u >= 0 and k >= 1):
        what = f"uncertainty {stated[:40]!r} with coverage factor {factor[:40]!r} cannot be"
        raise CertificateError("results", what, "get it anew")
    return u / k
