"""signoff.toml as a frozen model: who signed what, for which role, bound to which digest."""

from typing import Annotated

from pydantic import Field, StringConstraints

from dossier.case.fields import Day, Model

SIGNOFF_FILE = "signoff.toml"

Role = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z ]{0,38}[a-z]$", strip_whitespace=True)]
Person = Annotated[
    str,
    StringConstraints(
        min_length=2, max_length=120, strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$"
    ),
]
Meaning = Annotated[
    str,
    StringConstraints(
        min_length=5, max_length=500, strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$"
    ),
]


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
    name: Person
    meaning: Meaning
    date: Day
    digest: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
    """SHA-256 of the content that was signed."""


class SignOffFile(Model):
    """The whole file: at most one sign-off a role."""

    signed: Annotated[tuple[SignOffEntry, ...], Field(max_length=8)] = ()

    def _wrong(self) -> str:
        twice = len({entry.role for entry in self.signed}) < len(self.signed)
        return "a role has one sign-off; 'dossier sign' replaces one that is void" if twice else ""
