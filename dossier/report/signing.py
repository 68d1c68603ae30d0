"""What the pages need to know about who has signed."""

from dataclasses import dataclass
from datetime import date

__all__ = ["ROLES", "SignOff", "Signed"]

ROLES = ("prepared", "checked", "approved")
"""Roles that a dossier needs before it stands, unless the case asks for others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """One sign-off, as it is printed."""

    role: str
    """One of the roles asked for."""
    name: str
    meaning: str
    """What the signature says, in words."""
    date: date
    holds: bool
    """False when inputs or findings have changed since it was given."""
    note: str = ""
    """Why it does not hold, or how it was verified."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """The state of sign-off of one dossier."""

    signed: tuple[Signed, ...] = ()
    roles: tuple[str, ...] = ROLES

    @property
    def missing(self) -> tuple[str, ...]:
        """Return the roles that nobody has signed with a sign-off that still holds."""
        held = {each.role for each in self.signed if each.holds}
        return tuple(role for role in self.roles if role not in held)

    @property
    def complete(self) -> bool:
        """Return whether the decision stands: all roles signed, no sign-off outdated."""
        return bool(self.roles) and not self.missing and all(each.holds for each in self.signed)
