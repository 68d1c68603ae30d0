"""Limits of the standards as data: each with its clause and mark, so that a user can correct it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Limit", "Limits", "limits_from"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit of validity."""

    rule: str
    kind: str
    """Kind of record; empty for every kind."""
    standard: str
    """Beginning of the standards it is meant for; empty for all."""
    clause: str
    mark: str
    """Provenance of the figure: seen, from memory, common practice, or our own."""
    text: str
    mandatory: bool
    value: float = 0.0
    tolerance: float = 0.0
    agreed: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """All limits, the carry-over range and the stand-in accuracies."""

    limits: tuple[Limit, ...]
    flow_factor: float
    """How far beyond the tested flow a fit may be used [-]."""
    viscosity_factor: float
    """How far beyond the tested viscosities a fit may be used [-]."""
    carry_mark: str
    first_minutes: float
    """Minutes of counts left out at the start of a run."""
    first_minutes_mark: str
    accuracy: Mapping[str, float]
    """Half-width of the stand-in accuracy for a measurand, relative [-] or in K."""
    accuracy_mark: str

    def find(self, rule: str, kind: str, standard: str) -> Limit | None:
        """Return the limit of that rule that fits the record's kind and standard best."""
        fitting = [
            limit
            for limit in self.limits
            if limit.rule == rule
            and limit.kind in {"", kind}
            and standard.startswith(limit.standard)
        ]
        return max(fitting, key=lambda limit: len(limit.standard), default=None)


def limits_from(document: Mapping[str, Any]) -> Limits:
    """Return the limits in `document`, the parsed data file; KeyError if a part is missing."""
    return Limits(
        limits=tuple(Limit(**entry) for entry in document["limit"]),
        flow_factor=float(document["carry"]["flow_factor"]),
        viscosity_factor=float(document["carry"]["viscosity_factor"]),
        carry_mark=document["carry"]["mark"],
        first_minutes=float(document["reporting"]["first_minutes"]),
        first_minutes_mark=f"{document['reporting']['clause']}; {document['reporting']['mark']}",
        accuracy={k: v for k, v in document["accuracy"].items() if k not in {"mark", "clause"}},
        accuracy_mark=f"{document['accuracy']['clause']}; {document['accuracy']['mark']}",
    )
