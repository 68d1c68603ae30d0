"""What the pages need to know about who has signed."""

from dataclasses import dataclass
from datetime import date

from dossier.words import later, say

ROLES = ("prepared", "checked", "approved")
"""Roles that a dossier needs before it stands, unless the case asks for others."""

MEANINGS = {
    "prepared": later("I prepared this dossier from the records named in it."),
    "checked": later("I checked records, requirements, deviations and results."),
    "approved": later("I take the decision on page one, for the equipment it covers."),
}
"""What the usual roles say by signing, unless they say it in other words."""


def role_text(role: str, *, leave: bool = True) -> str:
    """Return a role as printed: one of the usual in words, one that a case names as it is.

    Under a decision that gives no leave nobody is said to have approved.
    """
    if role == "approved" and not leave:
        return say("decided")
    return say(role) if role in MEANINGS else role


def field_name(role: str) -> str:
    """Return the name of the field of the PDF in which a role puts its digital signature."""
    return f"signature-{role.replace(' ', '-')}"


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
    """Why it does not hold."""
    cure: str = ""
    """What makes it hold, for whoever signs."""
    digest: str = ""
    """SHA-256 of the content it was given for; empty where it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """The state of sign-off of one dossier."""

    signed: tuple[Signed, ...] = ()
    roles: tuple[str, ...] = ROLES
    digest: str = ""
    """SHA-256 of the present content, to which sign-offs are bound."""
    until: date | None = None
    """Last day on which it holds as an approval; None where none is set."""
    ended: date | None = None
    """Last day of an approval that is over; None while it holds."""

    @property
    def missing(self) -> tuple[str, ...]:
        """Return the roles that nobody has signed with a sign-off that still holds."""
        held = {each.role for each in self.signed if each.holds}
        return tuple(role for role in self.roles if role not in held)

    @property
    def complete(self) -> bool:
        """Return whether the decision stands: all roles signed, no sign-off outdated."""
        return bool(self.roles) and not self.missing and all(each.holds for each in self.signed)
