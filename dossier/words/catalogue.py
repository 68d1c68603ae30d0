"""Catalogues of translations: one PO file a language, read with Babel when it is first spoken."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from gettext import GNUTranslations
from importlib.resources import files
from io import BytesIO

ENGLISH = "en"
LANGUAGES: Mapping[str, str] = {ENGLISH: "English", "de": "Deutsch"}
"""Languages a dossier can be written in, by their names in ISO 639-1."""


@dataclass(frozen=True, slots=True)
class Tongue:
    """One language: its sentences, its decimal mark, its dates."""

    name: str
    decimal_mark: str
    translations: GNUTranslations

    def say(self, text: str, context: str) -> str:
        """Return the translation of a sentence; the sentence itself where there is none."""
        if context:
            return self.translations.pgettext(context, text)
        return self.translations.gettext(text)

    def say_count(self, number: int, one: str, many: str) -> str:
        """Return the translation of the form that fits the number."""
        return self.translations.ngettext(one, many, number)

    def day(self, when: date) -> str:
        """Return a date in the language's usual short form with four digits of the year."""
        from babel.dates import format_date

        return format_date(when, "medium", locale=self.name)


@cache
def tongue(name: str) -> Tongue | None:
    """Return the language of that name, None for English; KeyError where there is none."""
    if name == ENGLISH:
        return None
    if name not in LANGUAGES:
        raise KeyError(name)
    from babel import Locale
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    source = files("dossier").joinpath(f"words/{name}.po").read_bytes()
    compiled = BytesIO()
    write_mo(compiled, read_po(BytesIO(source), locale=name))
    compiled.seek(0)
    symbols = Locale.parse(name).number_symbols["latn"]
    return Tongue(name, symbols["decimal"], GNUTranslations(compiled))
