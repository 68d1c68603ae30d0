"""The outcome of one rule of validity on one record."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Check", "Outcome"]

Outcome = Literal["met", "not met", "warning", "covered by a deviation", "not checked"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One rule, what was found, and what follows."""

    record: str
    """Record the rule was applied to; empty for a rule on the whole case."""
    rule: str
    """Short name of the rule."""
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
