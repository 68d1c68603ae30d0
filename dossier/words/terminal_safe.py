"""Words of a case or of a foreign file on their way to a terminal."""

import json
import re
import unicodedata

MOST_MARKS = 4
"""Combining marks on one letter; no script in use needs more."""
_FOREIGN = re.compile("[^\n -~]")


def shown(text: object) -> str:
    """Return text as one line in which nothing can steer the terminal, hide or turn words.

    A box stands for each character that does not print, a space for each line break and tab.
    """
    words = unstacked(re.sub("\r\n|[\n\t\u2028\u2029]", " ", str(text)))
    return words if words.isprintable() else "".join(_printed(each) for each in words)


def _printed(character: str) -> str:
    prints = character.isprintable() or unicodedata.category(character) == "Zs"
    return character if prints else "□"


def shown_json(text: str) -> str:
    """Return JSON that says the same; what could steer, hide or turn words is escaped."""
    return _FOREIGN.sub(lambda found: _escaped(found.group()), text)


def _escaped(character: str) -> str:
    return character if _printed(character) == character else json.dumps(character)[1:-1]


def unstacked(text: str) -> str:
    """Return text with one box for all combining marks that a letter has above `MOST_MARKS`."""
    if text.isascii():
        return text
    kept, marks = [], 0
    for character in text:
        marks = marks + 1 if unicodedata.category(character) in {"Mn", "Me"} else 0
        if marks <= MOST_MARKS:
            kept.append(character)
        elif marks == MOST_MARKS + 1:
            kept.append("□")
    return "".join(kept)
