"""The outcome of one rule of validity on one record."""

from dataclasses import dataclass
from typing import Literal

from dossier.words import later

__all__ = ["OUTCOMES", "Check", "Outcome"]

Outcome = Literal["met", "not met", "warning", "covered by a deviation", "not checked"]
OUTCOMES = (
    later("met"), later("not met"), later("warning"), later("covered by a deviation"),
    later("not checked"),
)  # fmt: skip
"""The outcomes: codes, said where they are printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One rule, what was found, and what follows."""

    record: str
    """Record the rule was applied to; empty for a rule on the whole case."""
    rule: str
    """Short name of the rule: a code, said where it is printed."""
    standard: str
    """Standard, edition and clause the limit is taken from, with its mark."""
    limit: str
    """Limit as printed."""
    found: str
    """What was found, as printed."""
    outcome: Outcome
    mandatory: bool
    """True if a record that does not meet the rule cannot support a pass."""
    deviation: str = ""
    """Text of the recorded deviation that covers a rule not met."""
