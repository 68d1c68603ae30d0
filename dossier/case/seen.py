"""Text as a reader sees it: which names are one, and whether words say something."""

import re
import unicodedata
from functools import cache, lru_cache

NOBODY = {"none", "nobody", "no one", "n/a", "unknown", "tbd", "tba", "niemand", "keiner",
          "unbekannt", "somebody", "someone", "jemand"}  # fmt: skip
A_SENTENCE = "say in a sentence what happened, or what is agreed, and why"
A_PERSON = "name the responsible person, or their role"


ALIKE = str.maketrans("АВСЕІКМНОРЅТХаесіорѕухΑΒΕΗΙΚΜΝΟΡΤΧο‐‑‒–—―−",
                      "ABCEIKMHOPSTXaeciopsyxABEHIKMNOPTXo-------")  # fmt: skip
"""Letters of other alphabets, and dashes, that look as Latin ones do."""


@lru_cache(4096)  # the same few names are compared for each record: a quarter of `assess`
def plain(text: str, *, as_written: bool = False) -> str:
    """Return text as a reader sees it: in one case, without full stops and hidden marks.

    Letters of other scripts become those that they look like, unless they count `as_written`.
    """
    seen = "".join(c for c in unicodedata.normalize("NFKC", text) if not _hidden(c))
    seen = seen if as_written else seen.translate(ALIKE)
    return " ".join(seen.casefold().replace(".", " ").split())


def _hidden(character: str) -> bool:
    """Return whether a character is seen as nothing: format marks, fillers and blank patterns."""
    filler = "FILLER" in unicodedata.name(character, "") or character == "\u2800"
    return filler or unicodedata.category(character) in {"Cf", "Cn", "Co"}


@cache
def bare(text: str) -> str:
    """Return the letters and digits of a name as they look, whatever stands between them."""
    return "".join(filter(str.isalnum, plain(text)))


_LOT = re.compile(r"^(?:lot|los|batch|charge|no|nr)+")
"""What may stand before the number of a lot."""


def lot_number(text: str) -> str:
    """Return letters and digits of a lot's number, whatever stands before and between them."""
    joined = bare(text)
    return _LOT.sub("", joined) or joined


def says_something(text: str) -> bool:
    """Return whether text is a sentence: three words, twelve letters, five of them different.

    A letter of a script that is written without spaces counts as a word.  A rule of our own: it
    cannot tell whether a sentence is true, only that there is one.
    """
    words = plain(text).split()
    letters = [c for word in words for c in word if c.isalpha()]
    wide = sum(unicodedata.east_asian_width(c) == "W" for c in letters)
    if wide:
        return wide >= 6 and len(set(letters)) >= 5
    said = {word for word in words if sum(c.isalpha() for c in word) >= 2}
    return len(said) >= 3 and len(letters) >= 12 and len(set(letters)) >= 5


def names_somebody(name: str) -> bool:
    """Return whether a name has letters enough to be that of a person or a role."""
    seen = plain(name)
    letters = [c for c in seen if c.isalpha()]
    least = 2 if any(unicodedata.east_asian_width(c) == "W" for c in letters) else 3
    return len(letters) >= least and len(set(letters)) >= 2 and seen not in NOBODY
