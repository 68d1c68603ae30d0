"""Words of a case or of a foreign file on their way to a terminal."""

import re
import unicodedata

__all__ = ["shown", "shown_json"]

_STEERING = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def shown(text: object) -> str:
    """Return text as one line in which nothing can steer the terminal, hide or turn words.

    A box stands for each character that does not print, a space for each line break and tab.
    """
    words = re.sub("\r\n|[\n\t\u2028\u2029]", " ", str(text))
    return words if words.isprintable() else "".join(_printed(each) for each in words)


def _printed(character: str) -> str:
    prints = character.isprintable() or unicodedata.category(character) == "Zs"
    return character if prints else "□"


def shown_json(text: str) -> str:
    """Return JSON that says the same, with characters that could steer a terminal escaped."""
    return _STEERING.sub(lambda found: f"\\u{ord(found.group()):04x}", text)
