"""What is wrong with a case, where, and what to do about it."""

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["CaseError", "CaseProblem"]


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
        where = f"{self.file}: {self.place}" if self.place else self.file
        return f"{where}: {self.what}. {self.hint}"


class CaseError(Exception):
    """Every problem of one case, found in one go."""

    def __init__(self, problems: Iterable[CaseProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))
