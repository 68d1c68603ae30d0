"""The outcome of one rule of validity on one record."""

from dataclasses import dataclass
from typing import Literal

from dossier.words import later

Outcome = Literal[
    "met", "not met", "warning", "covered by a deviation", "not checked", "stated", "does not apply"
]
OUTCOMES = (
    later("met"), later("not met"), later("warning"), later("covered by a deviation"),
    later("not checked"), later("stated"), later("does not apply"),
)  # fmt: skip
"""The outcomes: codes, said where they are printed.

"not checked" says that what the rule asks for is missing, which stops the results of a mandatory
rule as "not met" does; "stated" that the laboratory's signed report stands in for a reading; "does
not apply" that the rule has nothing to judge here, with the reason.
"""

Guards = Literal["", "metrology", "integrity"]
"""What a rule guards beyond the method: how well something was measured, or whether it was."""


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
    guards: Guards = ""
    """What the rule guards: "metrology" and "integrity" are not covered by any deviation."""
    from_memory: bool = False
    """True where the limit is from memory and nobody has compared it with the standard's text."""
    weighs: bool = False
    """Whether a warning is a condition on page one."""
    deviation: str = ""
    """Text of the recorded deviation that covers a rule not met."""
