"""What people agree on: a change, evidence that is carried over, roles and sign-offs."""

import re
from typing import Annotated, Literal, get_args

from pydantic import Field, StringConstraints

from dossier.case.application import Name, Words
from dossier.case.fields import Day, Digest, Model

Number = Annotated[
    str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$", strip_whitespace=True)
]
ByMaker = Literal[
    "medium", "glue", "end cap", "support tube", "inner seal", "gasket", "valve",
    "anti-drain valve", "can", "plant",
]  # fmt: skip
"""What a maker changes of a filter; which requirements each reopens stands in limits.toml."""
Other = Literal["lot", "laboratory", "test method"]
"""What else may differ: the filter itself is said to be the same."""
BY_MAKER: frozenset[str] = frozenset(get_args(ByMaker))


_CARRIED = re.compile(r"(?: \([A-Za-z0-9][A-Za-z0-9._-]* rev \d+\))+$")
"""Behind the name of what came with carried evidence, where the case has another of that name.

Once for each dossier that it came through under another name."""


def known_as(name: str) -> str:
    """Return the id of what may have come with carried evidence, as in the dossier it is from."""
    return _CARRIED.sub("", name)


class Change(Model):
    """What the maker or the laboratory changed since the dossier that is replaced."""

    what: Annotated[tuple[Literal[ByMaker, Other], ...], Field(min_length=1)]
    text: Words
    """What is different and why, in a sentence."""

    def _wrong(self) -> str:
        twice = len({*self.what}) < len(self.what)
        return "what names a change twice: name each once" if twice else ""


class Carried(Model):
    """Evidence carried over from the dossier that is replaced, by its PDF."""

    dossier: Name
    """The PDF, relative to the case folder."""
    sha256: Digest
    """Digest of the PDF as it was when somebody decided that its evidence still counts."""
    records: Annotated[tuple[Number, ...], Field(min_length=1)]
    reason: Words
    """Why the change does not touch what these records show, in a sentence."""
    agreed_by: Name
    """Who answers for it: a person or a role."""
    until: Day
    """Last day on which they count: no later than the review of the dossier that they are from."""


SIGNOFF_FILE = "signoff.toml"

Role = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z ]{0,38}[a-z]$", strip_whitespace=True)]


def _line(least: int, most: int) -> StringConstraints:
    """Return what a text on one line has to keep to."""
    printed = r"^[^\x00-\x1f\x7f]*$"
    return StringConstraints(
        min_length=least, max_length=most, strip_whitespace=True, pattern=printed
    )


class SignOffRules(Model):
    """The roles that a dossier of this case needs, in the order in which they sign."""

    roles: Annotated[tuple[Role, ...], Field(min_length=1, max_length=8)]

    def _wrong(self) -> str:
        if len(set(self.roles)) != len(self.roles):
            return "each role is named once, in the order of signing"
        early = "approved" in self.roles[:-1]
        return "the approver signs last: put 'approved' at the end" if early else ""


class SignOffEntry(Model):
    """One sign-off as it was given."""

    role: Role
    name: Annotated[str, _line(2, 120)]
    meaning: Annotated[str, _line(5, 500)]
    date: Day
    digest: Digest
    """SHA-256 of the content that was signed."""


class SignOffFile(Model):
    """The whole file: at most one sign-off a role."""

    signed: Annotated[tuple[SignOffEntry, ...], Field(max_length=8)] = ()

    def _wrong(self) -> str:
        twice = len({entry.role for entry in self.signed}) < len(self.signed)
        return "a role has one sign-off; 'dossier sign' replaces one that is void" if twice else ""
