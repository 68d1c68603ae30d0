"""Sentences of the program in the units that a dossier prints: numbers turned where they stand."""

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, partial
from typing import Any

from dossier.case.case import Case
from dossier.report.format import (
    MINUS,
    NUMBER,
    SPACE,
    decimals_shown,
    fixed,
    read,
    rounded,
    speak,
    unit_text,
)
from dossier.report.scales import BESIDE, INSTEAD, Scale, customary, form, in_form, instead
from dossier.words import held, turning

QUOTED = r"“[^”]*”|„[^“]*“|\[[^]]*\]"
"""What is quoted, and names of columns with their unit: they stay."""
_kept: ContextVar[re.Pattern[str]] = ContextVar("_kept", default=re.compile(f"({QUOTED})"))

NEAR = 5e-4
"""Share of a number by which it may be rounded when it is turned [-]."""


@contextmanager
def printing(units: str, written: Iterable[str] = ()) -> Iterator[None]:
    """Print quantities and sentences inside as `units` of a case says.

    What people have `written` stays as it is, wherever a sentence holds it.
    """
    turned = in_print if units == INSTEAD else None
    with (
        in_form(units),
        turning(turned),
        held(_kept, _kept.get() if form() == "SI" else _staying(written)),
    ):
        yield


def _staying(written: Iterable[str]) -> re.Pattern[str]:
    """Return what finds texts that people wrote, with a quantity in them, and what is quoted."""
    both = {form for text in written for form in (text, speak(text))}
    own = [text for text in both if _quantity().search(text) and not _quantity().fullmatch(text)]
    own = sorted(map(re.escape, own), key=len, reverse=True)
    return re.compile(f"({'|'.join([*own, QUOTED])})")


def written_in(case: Case) -> Iterator[str]:
    """Yield every text of a case and of what it asks, as somebody wrote it."""
    asked = [each.application for each in case.each]
    asked += [case.on_file.application] if case.on_file else []
    todo: list[Any] = [each.model_dump() for each in (case.qualification, *asked)]
    while todo:
        each = todo.pop()
        if isinstance(each, str):
            yield each
        elif isinstance(each, (dict, list, tuple)):
            todo += each.values() if isinstance(each, dict) else each


def retold(text: str) -> str:
    """Return a sentence that the program made before, as printed."""
    return in_print(speak(text)) if instead() else speak(text)


def in_print(text: str) -> str:
    """Return running text with US customary units beside, or in place of, those that have one.

    Each number has the fewest decimals that read back as the number before: no two change places.
    """
    if form() == "SI" or not any(unit in text for unit in _printed()):
        return text
    parts = _kept.get().split(text)
    return "".join(each if n % 2 else _turned(each) for n, each in enumerate(parts))


@cache
def _printed() -> dict[str, Scale]:
    """Return the scales by how the unit they are for is printed, long names first."""
    found = {unit_text(unit): scale for unit, scale in customary().items()}
    return dict(sorted(found.items(), key=lambda pair: -len(pair[0])))


@cache
def _quantity() -> re.Pattern[str]:
    units = "|".join(map(re.escape, _printed()))
    more = rf"[ {SPACE}]?(?:,|–|±|to|and|or|bis|und|oder)[ {SPACE}]"
    return re.compile(
        rf"(?<![\w.,/{MINUS}-])(?P<numbers>(?:{NUMBER.pattern}{more})*{NUMBER.pattern})"
        rf"[ {SPACE}](?P<unit>{units})(?![\w/²³])"
        r"|(?<![\w/])(?P<bare>kPa|L/min|mL/min|°C)(?![\w/])"
    )


def _turned(text: str) -> str:
    groups: dict[str, dict[str, None]] = {}
    for found in _quantity().finditer(text):
        if found["unit"]:
            groups.setdefault(found["unit"], {})[found["numbers"]] = None
    places = {unit: _places(_printed()[unit], list(each)) for unit, each in groups.items()}

    def one(found: re.Match[str]) -> str:
        scale, numbers = _printed()[found["unit"] or found["bare"]], found["numbers"]
        unit = unit_text(scale.unit).replace(" ", SPACE)
        if found["bare"]:
            return found[0] if form() == BESIDE else unit
        decimals = places[found["unit"]][numbers]
        shown = NUMBER.sub(lambda each: fixed(scale.of(read(each[0])), decimals), numbers)
        shown = f"{shown}{SPACE}{unit}"
        return f"{found[0]} ({shown})" if form() == BESIDE else shown

    return _quantity().sub(one, text)


def _places(scale: Scale, groups: Sequence[str]) -> dict[str, int]:
    """Return the decimals of each group of numbers: the same for all where order would be lost."""
    few = {each: max(map(partial(_fewest, scale), NUMBER.findall(each))) for each in groups}
    each = sorted((read(n), few[group]) for group in groups for n in NUMBER.findall(group))
    shown = [rounded(scale.of(value), places) for value, places in each]
    kept = shown == sorted(shown) and len(set(shown)) <= len({value for value, _ in each})
    return few if kept else dict.fromkeys(groups, max(few.values()))


def _fewest(scale: Scale, number: str) -> int:
    """Return the fewest decimals of the other unit that read back as the number printed.

    They stay within `NEAR` of it too: of 2 K the 3.6 °F, and not the 4 °F that read back as 2 K.
    """
    value, printed = scale.of(read(number)), fixed(read(number), decimals_shown(number))
    for places in range(12):
        shown = float(rounded(value, places))
        near = abs(shown - value) <= NEAR * abs(value)
        if near and fixed(scale.back(shown), decimals_shown(number)) == printed:
            return places
    return 12
