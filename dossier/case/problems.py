"""What is wrong with a case, where, and what to do about it."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

CALL = "the call"
"""File of what is wrong in the call of a command."""
LONGEST = 480
"""Characters of one part of a problem that are printed."""


Fault = tuple[str, str, str]
"""Place or key, what is wrong, what to do: a problem whose file is not said yet."""


@dataclass(frozen=True, slots=True, order=True)
class CaseProblem:
    """One thing that is wrong in the inputs."""

    file: str
    """Path of the file as the user named it."""
    place: str
    """Row, column, sheet or key inside the file."""
    what: str
    """What is wrong, with the value that was found."""
    hint: str
    """What to do about it."""

    def __str__(self) -> str:
        place, what, hint = (_short(words) for words in (self.place, self.what, self.hint))
        where = f"{_short(self.file)}: {place}" if place else _short(self.file)
        return f"{where}: {what}. {hint}"


def _short(words: str) -> str:
    """Return words as they are printed: a file may hold a name of any length."""
    return words if len(words) <= LONGEST else f"{words[: LONGEST - 40]}... {words[-30:]}"


_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


def control_in(text: str) -> str:
    """Return which control character a text holds, in words, or nothing: one may steer a screen."""
    found = _CONTROL.search(text)
    return f"holds the control character U+{ord(found.group()):04X}" if found else ""


class PartError(Exception):
    """A part of the inputs that is not read; carries where in it, what is wrong, what to do."""

    def __init__(self, place: str, what: str, hint: str) -> None:
        self.place, self.what, self.hint = place, what, hint
        super().__init__(what)

    def of(self, file: str) -> CaseProblem:
        """Return it as a problem of the file that it is in."""
        return CaseProblem(file, self.place, self.what, self.hint)


class CaseError(Exception):
    """Every problem of one case, found in one go."""

    def __init__(self, problems: Iterable[CaseProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


def suggested(word: str, known: Iterable[str], called: str) -> str:
    """Return which of some words was meant, else all of them, such as "columns: a, b"."""
    import difflib

    every = list(known)
    near = difflib.get_close_matches(word, every, n=1)
    return f"did you mean {near[0]!r}?" if near else f"{called}: {', '.join(every)}"


def refusal(file: str, place: str, what: str, hint: str) -> CaseError:
    """Return the error of a case with one problem."""
    return CaseError([CaseProblem(file, place, what, hint)])


def refuse(problems: Iterable[CaseProblem]) -> None:
    """Raise CaseError where there is a problem."""
    found = tuple(problems)
    if found:
        raise CaseError(found)
