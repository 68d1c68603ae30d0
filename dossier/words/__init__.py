"""The words of the page: English in the code, other languages in catalogues beside this file.

A sentence is written once, in English, where it is needed, and said by `say`; a catalogue
`<language>.po` holds its translation.  Codes (names of quantities, verdicts and outcomes in
decision.json, keys a user types) are not words and are never translated where they are made.
"""

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from datetime import date
from string import Formatter
from typing import Any, TypeVar

from dossier.words.catalogue import ENGLISH, Tongue, tongue

T = TypeVar("T")
_spoken: ContextVar[str] = ContextVar("spoken", default=ENGLISH)
_turn: ContextVar[Callable[[str], str] | None] = ContextVar("turn", default=None)


@contextmanager
def held(variable: ContextVar[T], value: T) -> Iterator[None]:
    """Have a variable hold a value inside."""
    token = variable.set(value)
    try:
        yield
    finally:
        variable.reset(token)


def speaking(name: str) -> AbstractContextManager[None]:
    """Say everything inside in the language of that name, one of `LANGUAGES`; KeyError if none."""
    tongue(name)
    return held(_spoken, name)


def turning(turn: Callable[[str], str] | None) -> AbstractContextManager[None]:
    """Put the words of each sentence said inside through `turn`, and numbers set into them.

    Text that is set into a sentence is not turned: it may be what a person wrote.
    """
    return held(_turn, turn)


def language() -> str:
    """Return the name of the language spoken now, as in ISO 639-1."""
    return _spoken.get()


_TELLING = {
    ENGLISH: "the of and is are with for by to not at on every each or from than least be as only",
    "de": "der die das und ist sind mit für von nicht bei auf ein eine den dem des zu oder aus als",
}
"""Small words that tell a language; none that both have."""


def other_language(text: str) -> str:
    """Return the name of the language that a text reads as, where it is not the one spoken now.

    Told by small words; a text without any may be of every language, and gives an empty name.
    """
    words = re.findall(r"\w+", text.lower())
    count = {name: sum(map(words.count, own.split())) for name, own in _TELLING.items()}
    most = max(count, key=lambda name: (count[name], name == language()))
    return most if count[most] and most != language() else ""


def later(text: str) -> str:
    """Return `text` as it is: words that stand in a table and are said when they are used."""
    return text


def say(text: str, /, *, context: str = "", **values: object) -> str:
    """Return the sentence in the language spoken now, with `values` in its places.

    Places and formats are those of `str.format`; numbers get the decimal mark of the language.
    `context` tells apart English words that other languages have several words for.
    """
    spoken = _tongue()
    words = text if spoken is None or not text else spoken.say(text, context)
    return _filled(words, values)


def say_count(number: int, one: str, many: str, /, **values: object) -> str:
    """Return the sentence for that number of things; both forms may use the place {number}."""
    spoken = _tongue()
    english = one if number == 1 else many
    words = english if spoken is None else spoken.say_count(number, one, many)
    return _filled(words, {"number": number, **values})


def decimal_mark() -> str:
    """Return the decimal mark of the language spoken now."""
    spoken = _tongue()
    return "." if spoken is None else spoken.decimal_mark


def day(when: date) -> str:
    """Return a date as the language writes it; English keeps to ISO 8601."""
    spoken = _tongue()
    return when.isoformat() if spoken is None else spoken.day(when)


def _tongue() -> Tongue | None:
    name = _spoken.get()
    return None if name == ENGLISH else tongue(name)


def _filled(words: str, values: dict[str, object]) -> str:
    turn = _turn.get()
    if turn is None:
        return _set(words, values)
    texts = {name: value for name, value in values.items()
             if isinstance(value, str) and not _NUMBERS.fullmatch(value)}  # fmt: skip
    turned = turn(_set(words, values | {name: f"{{{name}}}" for name in texts}))
    return _PLACE.sub(lambda place: texts.get(place[1], place[0]), turned)


def _set(words: str, values: dict[str, object]) -> str:
    if not values:
        return words
    return words.format(**values) if _tongue() is None else _FORMATTER.vformat(words, (), values)


_NUMBERS = re.compile(r"[\W\d]*(?:\b(?:to|bis)\b[\W\d]*)?")
"""Text that is one number, a range or a list of them."""
_PLACE = re.compile(r"\{(\w+)\}")


class _Localised(Formatter):
    """Formats as `str.format` does, with the decimal mark and the dates of the language."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, date) and not format_spec:
            return day(value)
        text = str(super().format_field(value, format_spec))
        return text.replace(".", decimal_mark()) if isinstance(value, float) else text


_FORMATTER = _Localised()
