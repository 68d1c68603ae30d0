"""How numbers and units look on the page: one place, no decisions."""

import math
import re
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from itertools import combinations

from dossier.evidence.requirement import LIFE
from dossier.report.layout.glyphs import spelled
from dossier.report.scales import BESIDE, INSTEAD, Scale, form, instead, scales
from dossier.words import day, decimal_mark, language, later, say
from dossier.words.catalogue import ENGLISH
from dossier.words.terminal_safe import unstacked

THIN = "\u202f"
"""Narrow no-break space: groups digits."""
SPACE = "\u00a0"
"""No-break space: keeps a number with its unit."""
PLUS_MINUS = f"{SPACE}±{SPACE}"
MINUS = "\u2212"
NONE = later("none stated")
"""What the page says where the user gave nothing."""

SHORT_UNIT = 6
"""A unit of no more letters stays beside a number in brackets [-]."""
TIE = 1e-9
"""Relative difference below which a value and its limit are the same number [-]."""

_UNITS = {
    "um(c)": "µm(c)",
    "um(b)": "µm(b)",
    "um": "µm",
    "mm2/s": "mm²/s",
    "m2/s": "m²/s",
    "m3/s": "m³/s",
    "m3/h": "m³/h",
    "kg/m3": "kg/m³",
    "degC": "°C",
    "delta_degC": "K",
    "degF": "°F",
    "delta_degF": "°F",
    "gal/min": "US gal/min",
    "gal": "US gal",
    "in3/min": "in³/min",
    "in3": "in³",
    "inch": "in",
    "1": "",
    "dimensionless": "",
    "fraction": "",
}
_WORDED = {"1/mL": later("per mL"), "classes": later("classes")}
_SPELLED = re.compile(
    r"(?<![A-Za-z0-9])(um\(c\)|um\(b\)|um|mm2/s|m2/s|m3/s|m3/h|kg/m3|degC)(?![A-Za-z0-9(])"
)
NUMBER = re.compile(rf"{MINUS}?\d[\d{THIN}]*(?:[.,]\d+)?")
_LIFE = re.compile(rf"\b{LIFE}\b")
_HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_BARE_PERCENT = re.compile(r"(?<=\d)%")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")
_HYPHEN_MINUS = re.compile(r"(?<![\w.)\]-])-(?=\d)")
_BLANK_KEPT = re.compile(
    r"(?<=\d) (?=(?:µm|°C|°F|mm²/s|m²/s|kPa|Pa|bar|psi|m?L(?:/min)?|k?g|mg|h|min|s|K|%)(?![a-z]))"
    r"|(?<=[<>≤≥]) (?=\d)"
)
"""Between a number and its unit, and between a sign and its number, no line ends."""


def typed(quantity: object) -> str:
    """Return a quantity as a user typed it, such as "0.5 %", with the language's decimal mark."""
    return speak(_POINT.sub(decimal_mark(), str(quantity)))


def unit_text(unit: str) -> str:
    """Return a unit as printed: ``um(c)`` becomes µm(c), ``degC`` °C; a bare number has none."""
    return say(_WORDED[unit]) if unit in _WORDED else _UNITS.get(unit, unit)


def speak(text: str) -> str:
    """Return running text with the units in it spelled properly and kept with their number."""
    spelled = _SPELLED.sub(_spelled, text)
    spaced = _BARE_PERCENT.sub(f"{SPACE}%", spelled)
    return _BLANK_KEPT.sub(SPACE, _HYPHEN_MINUS.sub(MINUS, spaced))


def _spelled(match: re.Match[str]) -> str:
    """Return a unit as printed; "um" is a word too in other languages, unless a number precedes."""
    unit = match.group(1)
    before = match.string[max(match.start() - 2, 0) : match.start()].strip()
    if unit == "um" and language() != ENGLISH and not before[-1:].isdigit():
        return unit
    return _UNITS[unit]


def clean(text: str) -> str:
    """Return `text` with a box for each character that hides or turns text, or stacks up too high.

    A part number must not be able to print as another one, or over its neighbours.  A number stays
    on a line with its unit; the requirement that a duty makes is called by a word, not its key.
    """
    whole = _BLANK_KEPT.sub(SPACE, text)
    return unstacked(_HIDDEN.sub("□", _LIFE.sub(say("Life"), whole)))


def chart_text(text: str) -> str:
    """Return text for a chart: clean, without letters that its font lacks."""
    return spelled(clean(text).replace(THIN, SPACE), chart=True)


def decimals_for(u: float) -> int:
    """Return how many decimals show `u` with two significant digits; negative rounds to tens.

    Source: JCGM 100:2008, 7.2.6 (at most two significant digits).  Raises ValueError unless
    `u` is finite and above zero.
    """
    if not 0 < u < math.inf:
        raise ValueError(f"uncertainty u = {u!r} must be finite and above zero")
    return _decimals(u, 2)


def _decimals(value: float, digits: int) -> int:
    """Return the decimals that show so many significant digits of what a value is rounded to."""
    place = Decimal(value).adjusted()
    carried = rounded(value, digits - 1 - place).adjusted() > place
    return digits - 1 - place - carried


def fixed(value: float, decimals: int) -> str:
    """Return `value` with that many decimals, digits in groups of three from five digits up.

    Negative `decimals` round to tens, hundreds and so on.  Rounds half to even, exactly.
    """
    if math.isnan(value):
        return say("no number")
    if math.isinf(value):
        return say("unbounded")
    number = rounded(value, decimals)
    text = f"{abs(number):.{max(decimals, 0)}f}"
    whole, point, rest = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", THIN)
    sign = MINUS if number < 0 else ""
    return f"{sign}{whole}{decimal_mark() if point else ''}{rest}"


def rounded(value: float, decimals: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    """Return `value` with that many decimals; to one side as it is written."""
    exact = Decimal(value) if rounding == ROUND_HALF_EVEN else Decimal(repr(float(value)))
    return exact.quantize(Decimal(1).scaleb(-decimals), rounding=rounding)


def significant(value: float, digits: int = 4, *, keep: bool = False) -> str:
    """Return `value` with at most `digits` significant digits.

    Trailing zeros are dropped, as for a setting, or kept, as for a result.
    """
    if not math.isfinite(value) or value == 0:
        return fixed(value, 0)
    text = fixed(value, _decimals(value, digits))
    point = decimal_mark()
    return text if keep or point not in text else text.rstrip("0").rstrip(point)


def apart(value: float, limit: float) -> int:
    """Return on which side of a limit a value lies: 1 above, -1 below, 0 where they are equal."""
    if abs(value - limit) <= TIE * max(abs(value), abs(limit)):
        return 0
    return 1 if value > limit else -1


def beside(
    value: float, decimals: int, limits: Iterable[float], rounding: str = ROUND_HALF_EVEN
) -> int:
    """Return decimals, at least `decimals`, at which the printed value keeps its side of a limit.

    A value of 94.996 beside a limit of 95 must not be printed as 95.00: the page would say
    another thing than the verdict, which is taken on unrounded numbers.
    """
    for limit in limits:
        side = apart(value, limit)
        while decimals < 12 and apart(float(rounded(value, decimals, rounding)), limit) != side:
            decimals += 1
    return decimals


def distinct(numbers: Iterable[float], decimals: int) -> int:
    """Return decimals, at least `decimals`, at which numbers that differ are printed so."""
    pairs = [pair for pair in combinations(filter(math.isfinite, numbers), 2) if apart(*pair)]
    while decimals < 12 and any(rounded(a, decimals) == rounded(b, decimals) for a, b in pairs):
        decimals += 1
    return decimals


def apart_text(one: str, other: str) -> str:
    """Return how far two printed numbers lie apart, as a reader finds it."""
    return fixed(abs(read(one) - read(other)), max(decimals_shown(one), decimals_shown(other)))


def decimals_of(value: float, expanded: float) -> int:
    """Return the decimals of a result: two digits of its uncertainty, three at least of itself."""
    known = 0 < expanded < math.inf
    if not value or not math.isfinite(value):
        return decimals_for(expanded) if known else 0
    least = 2 - Decimal(value).adjusted()
    return max(decimals_for(expanded), least) if known else least + 1


def telling_half(value: float, low: float, high: float) -> float:
    """Return the half of an interval that sets the decimals: the wider, if both are about even."""
    below, above = sorted((value - low, high - value))
    return above if below >= 0.95 * above or not below > 0 else below


def with_uncertainty(
    value: float, expanded: float, limits: Iterable[float] = ()
) -> tuple[str, str]:
    """Return value and expanded uncertainty, both to the same decimal.

    The uncertainty has at most two significant digits (JCGM 100:2008, 7.2.6); it gets more
    only where the value would otherwise be printed on the wrong side of one of `limits`.
    """
    if not math.isfinite(value):
        return fixed(value, 0), fixed(expanded, 0)
    if not 0 < expanded < math.inf:
        decimals = beside(value, _plain_decimals(value), limits)
        return fixed(value, decimals), "0" if expanded == 0 else fixed(expanded, 0)
    decimals = beside(value, decimals_for(expanded), limits)
    return fixed(value, decimals), fixed(expanded, decimals)


def _plain_decimals(value: float) -> int:
    return 3 - Decimal(value).adjusted() if value else 0


def with_interval(
    value: float, low: float, high: float, limits: Sequence[float] = (), least: int = -12
) -> str:
    """Return "v ± U" for an interval even about the value, else "v (low to high)".

    It has two digits of the uncertainty, or `least` decimals where these are more.
    """
    wider, narrow = max(value - low, high - value), telling_half(value, low, high)
    if not math.isfinite(value) or not math.isfinite(wider):
        return _open_interval(value, low, high, limits)
    if not wider > 0:
        return with_uncertainty(value, 0.0, limits)[0]
    decimals = beside(value, max(decimals_for(narrow), least), limits)
    if narrow == wider and low < value < high:
        return f"{fixed(value, decimals)}{PLUS_MINUS}{fixed(wider, decimals)}"
    return f"{fixed(value, decimals)} ({range_text(low, high, decimals, limits)})"


def _open_interval(value: float, low: float, high: float, limits: Sequence[float]) -> str:
    if not math.isfinite(value):
        return fixed(value, 0)
    closed = low if math.isfinite(low) else high
    if not math.isfinite(closed):
        return say("{number} (interval not bounded)", number=significant(value))
    decimals = decimals_for(abs(value - closed)) if value != closed else _plain_decimals(value)
    decimals = beside(value, decimals, limits)
    shown, end = fixed(value, decimals), fixed(closed, decimals)
    if math.isfinite(low):
        return say("{number} (at least {low})", number=shown, low=end)
    return say("{number} (at most {high})", number=shown, high=end)


def range_text(low: float, high: float, decimals: int, limits: Sequence[float]) -> str:
    """Return "low to high", each end kept on its side of the limits."""
    return span_text(*(fixed(end, beside(end, decimals, limits)) for end in (low, high)))


def span_text(*ends: str) -> str:
    """Return "low to high" of two printed ends; of one end, itself."""
    return say("{low} to {high}", low=ends[0], high=ends[1]) if len(ends) == 2 else ends[0]


def with_unit(text: str, unit: str) -> str:
    """Return a number text with its unit, in each unit that it prints in: see `joined`."""
    return joined([(_in_scale(text, each), each.unit) for each in scales(unit)])


def joined(shown: Sequence[tuple[str, str]]) -> str:
    """Return a number text with its unit; round brackets keep a compound number together.

    The same in a second unit follows in brackets.
    """
    (text, first), *more = shown
    if not unit_text(first):
        return text
    number = f"({text})" if PLUS_MINUS in text else text
    long = number.endswith(")") and len(unit_text(first)) > SHORT_UNIT  # such a one may go down
    number += " " if long else SPACE
    beside = [f" ({each}{SPACE}{_kept(unit)})" for each, unit in more if NUMBER.search(each)]
    return f"{number}{_kept(first)}{''.join(beside)}"


def _kept(unit: str) -> str:
    return unit_text(unit).replace(" ", SPACE)


def si_decides() -> str:
    """Return the sentence that stands by tables with US customary units; else nothing."""
    words = {
        INSTEAD: later(
            "Converted to US customary units and rounded; decided in SI, as in decision.json."
        ),
        BESIDE: later("In brackets: US customary units, converted and rounded; the others decide."),
    }
    return f" {say(words[form()])}" if form() in words else ""


def _in_scale(text: str, scale: Scale) -> str:
    """Return a number text in another unit, its last place no coarser; spreads as differences."""
    if scale.factor == 1.0:
        return text
    finer = max(math.ceil(-math.log10(scale.factor)), 0)

    def turned(part: str, offset: float) -> str:
        def one(found: re.Match[str]) -> str:
            return fixed(read(found[0]) * scale.factor + offset, decimals_shown(found[0]) + finer)

        return NUMBER.sub(one, part)

    value, plus_minus, spread = text.partition(PLUS_MINUS)
    return turned(value, scale.offset) + plus_minus + turned(spread, 0.0)


def decimals_shown(number: str) -> int:
    """Return how many decimals a printed number has."""
    return len(number.partition(decimal_mark())[2])


def read(number: str) -> float:
    """Return the value of a printed number."""
    return float(number.replace(THIN, "").replace(MINUS, "-").replace(",", "."))


def of_difference(unit: str) -> str:
    """Return the unit of a difference of values in `unit`, and of an uncertainty: K of degC."""
    return {"degC": "K", "degF": "delta_degF"}.get(unit, unit)


def quantity_text(value: float, unit: str, digits: int = 4, *, keep: bool = False) -> str:
    """Return a value that carries no uncertainty, with its unit, such as a limit or a setting."""
    if instead():  # the value itself is turned: 29 psi stay 29 psi, by way of no rounded kPa
        scale = scales(unit)[0]
        value, unit = scale.of(value), scale.unit
    return with_unit(significant(value, digits, keep=keep), unit)


def beyond(value: float, bound: str, limits: Iterable[float] = ()) -> str:
    """Return a bound rounded to its own side: what is larger than 99.999 is larger than 99.99.

    Rounded to nearest it could claim more than was found, such as "> 100.00 %".
    """
    if not math.isfinite(value) or bound not in {"larger than", "smaller than"}:
        return with_uncertainty(value, 0.0, limits)[0]
    rounding = ROUND_FLOOR if bound == "larger than" else ROUND_CEILING
    decimals = beside(value, _plain_decimals(value), limits, rounding)
    return fixed(float(rounded(value, decimals, rounding)), decimals)


def bound_text(text: str, bound: str) -> str:
    """Return the number with "> " or "< " where it is only a bound of the true value."""
    return {"larger than": f">{SPACE}", "smaller than": f"<{SPACE}"}.get(bound, "") + text


def percent(share: float, decimals: int = 0) -> str:
    """Return a share [-] as a percentage, with the space before the sign."""
    return with_unit(fixed(100.0 * share, decimals), "%")


def date_text(when: date | None) -> str:
    """Return a date as the language writes it (ISO 8601 in English), or that none was stated."""
    return day(when) if when else say(NONE)
