"""The bench: every record of a case, reduced once, with the checks it was put through."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np

from dossier.case.case import Case
from dossier.case.model import RecordEntry
from dossier.evidence.limits import Check, Limits
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.estimate import Estimate
from dossier.physics.values import Floats

Part = Literal["duty", "oil", "circuit", "records", "multipass", "pressure"]
"""What a change of one input makes another (see `changed`)."""


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Reduced records and checks of one case."""

    case: Case
    limits: Limits
    multipass: tuple[MultipassResult, ...]
    pressure: tuple[PressureDropResult, ...]
    checks: tuple[Check, ...]
    unreduced: dict[str, str] = field(default_factory=dict)
    """Record id -> why it could not be reduced."""
    unusable: dict[str, str] = field(default_factory=dict)
    """Record id -> which mandatory rule it does not meet."""
    excluded: dict[str, str] = field(default_factory=dict)
    """Record id -> cause and who agreed, for records left out by a recorded deviation."""
    widened: dict[str, float] = field(default_factory=dict)
    """Record id -> relative standard uncertainty added by recorded deviations [-]."""
    seed: int = 0
    compared: bool = False
    """True where a result is to be set against the other filter's, rigs and all."""
    known: dict[object, Any] = field(init=False, default_factory=dict, compare=False, repr=False)
    """What was computed already, by what was asked (`combine.once`); another bench starts anew."""
    alike: dict[object, Any] | None = field(default=None, compare=False, repr=False)
    """What benches on which one input after the other is changed know together; else None."""

    def known_of(self, parts: Sequence[Part]) -> dict[object, Any]:
        """Return what is known of `parts`: together with all benches that have the same ones."""
        if self.alike is None or not parts:
            return self.known
        if parts not in self.known:
            own = {**vars(self), **vars(self.case), **vars(self.case.application)}
            read = (self.case.qualification, *(own[part] for part in parts))
            key = (self.compared, *map(id, read))
            self.known[parts] = self.alike.setdefault(key, (read, {}))[1]
        known: dict[object, Any] = self.known[parts]
        return known

    @property
    def sides(self) -> tuple[Side, ...]:
        """The filters that the case describes."""
        given = self.case.qualification.reference is not None
        return ("candidate", "reference") if given else ("candidate",)

    @cached_property
    def entries(self) -> dict[str, RecordEntry]:
        """Record id -> what the case says of it."""
        return {record.id: record.entry for record in self.case.records}

    @cached_property
    def laboratories(self) -> dict[str, str]:
        """Record id -> its laboratory."""
        return {name: self.case.laboratory_of(entry) for name, entry in self.entries.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A computed line with its two-sided 95 % band."""

    side: str
    """"candidate" or "reference"."""
    label: str
    x: Floats
    y: Floats
    low: Floats
    high: Floats


def curve_of(side: str, points: Sequence[tuple[float, Estimate]]) -> Curve:
    """Return the line through estimates, each at its x, with their two-sided 95 % intervals."""
    rows = [(x, each.value, *each.interval()) for x, each in points]
    x, y, low, high = np.array(rows, dtype=float).reshape(-1, 4).T
    return Curve(side=side, label=side, x=x, y=y, low=low, high=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """Lines for the charts, computed once from the bench; SI throughout."""

    clean_hot: tuple[Curve, ...] = ()
    """Clean pressure drop [Pa] against flow [m3/s] with hot oil, a curve each side."""
    clean_cold: tuple[Curve, ...] = ()
    """The same at the coldest oil in which the candidate was swept to the rated flow."""
    cold_temperature: float | None = None
    """Oil temperature of `clean_cold` [K]."""
    swept_to: float | None = None
    """Warmest oil as thick as the thinnest that was swept [K]; None where hot oil is as thick."""
    against_temperature: tuple[Curve, ...] = ()
    """Clean pressure drop at rated flow [Pa] against oil temperature [K]."""
    against_hours: tuple[Curve, ...] = ()
    """Predicted pressure drop at rated flow and normal oil [Pa] against service time [s]."""
    hours_notes: tuple[str, ...] = ()
    """Why a side is not among those."""
    notes: tuple[str, ...] = ()
