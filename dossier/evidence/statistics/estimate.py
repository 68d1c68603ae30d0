"""What is known of one quantity: never a bare number."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, ParamSpec, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from dossier.evidence.statistics.uncertainty import Part, Precision, half_width
from dossier.physics.values import Bound
from dossier.words import say

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")

Scale = Literal["linear", "reciprocal"]
"""The scale on which a result is closest to normal: decisions are taken on that scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Component(Part):
    """One line of the uncertainty budget: a part of it, and what contributes that."""

    name: str
    """What contributes: a code in English, which is compared, sorted and drawn by."""
    source: str
    """Where the figure comes from: a record, a certificate, a standard's accuracy."""
    shared: str = ""
    """Key of an input whose error is common to all results under that key; empty if independent.
    Its effect has the same sign on the same quantity of candidate and reference."""
    said: str = ""
    """What contributes, in the language of the page, where the name holds a number."""
    of_specimens: bool = False
    """Whether it is the scatter of the specimens, which a share of them holds already."""

    @property
    def words(self) -> str:
        """What contributes, in the language of the page."""
        return self.said or say(self.name)


class Budget(Sequence[Component]):
    """Components that are worked out when somebody first asks: a verdict by draws does not."""

    def __init__(self, compute: Callable[[], Iterable[Component]]) -> None:
        self._compute = compute

    @cached_property
    def _known(self) -> tuple[Component, ...]:
        known = tuple(self._compute())
        self._compute = tuple  # what it was worked out from, draws above all, is let go
        return known

    def __getitem__(self, place: Any) -> Any:
        return self._known[place]

    def __len__(self) -> int:
        return len(self._known)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenValue:
    """One specimen's own result."""

    specimen: str
    record: str
    value: float
    """Result of this specimen [unit of the estimate]."""
    u: float
    """Standard uncertainty of this specimen's measurement [unit of the estimate]."""
    bound: Bound = ""

    @classmethod
    def of(cls, tested: Any, value: float, u: float, bound: Bound = "") -> Self:
        """Return the result of whatever was tested that names its specimen and record."""
        return cls(specimen=tested.specimen, record=tested.record, value=value, u=u, bound=bound)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A quantity with all that is needed to decide on it."""

    value: float
    """Best estimate [working unit of its quantity]."""
    u: float
    """Standard uncertainty [unit]."""
    dof: float = math.inf
    """Effective degrees of freedom [-], Welch-Satterthwaite; inf when well known."""
    per_specimen: tuple[SpecimenValue, ...] = ()
    components: Sequence[Component] = ()
    bound: Bound = ""
    scale: Scale = "linear"
    samples: NDArray[np.float64] | None = field(default=None, repr=False, compare=False)
    """Monte Carlo draws of the value, where the linear law does not hold."""
    specimen_samples: NDArray[np.float64] | None = field(default=None, repr=False, compare=False)
    """Monte Carlo draws of each specimen's own value (n, m), where `samples` is given."""
    middle: NDArray[np.float64] | None = field(default=None, repr=False, compare=False)
    """Draws for the two-sided interval, where `samples` err to the side that a decision needs."""
    sources: tuple[str, ...] = ()
    """Identifiers of the records that the value rests on."""
    notes: tuple[str, ...] = ()
    details: Mapping[str, object] = field(default_factory=dict, compare=False)
    """Named intermediate results that the page may print; never decided upon."""
    precision: Precision | None = None
    """What laboratories differ by in its specimens' results, where several tested them [unit]."""

    @property
    def parts(self) -> Sequence[Part]:
        """Its components as parts of a sum of errors; the whole as one where it has none."""
        return self.components or (Part(self.u, self.dof),)

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Return its two-sided interval [unit] (JCGM 100:2008, 6.3; JCGM 101:2008, 7.7)."""
        tail = 0.5 * (1.0 - confidence)
        draws = self.samples if self.middle is None else self.middle
        if draws is not None:
            ends = np.quantile(draws, [tail, 1.0 - tail], method="nearest")
            return float(ends[0]), float(ends[1])
        half = half_width(self.parts, confidence)
        if self.scale == "reciprocal":
            middle, half = 1.0 / self.value, half / self.value**2
            top = math.inf if middle - half <= 0 else 1.0 / (middle - half)
            return 1.0 / (middle + half), top
        return self.value - half, self.value + half


class NotDemonstrated(Exception):  # noqa: N818  # the answer to a question, not an error
    """Why a quantity cannot be computed or may not be used: raised where it shows.

    `attempt` makes it the answer: a computed quantity is an `Estimate`, or this.
    """

    def __init__(self, reason: str, records: tuple[str, ...] = ()) -> None:
        super().__init__(reason)
        self.reason = reason
        """A sentence a person can act on: which record, which rule of which standard."""
        self.records = records


def attempt(
    compute: Callable[Asked, Answer], *args: Asked.args, **kwargs: Asked.kwargs
) -> Answer | NotDemonstrated:
    """Return what `compute` returns, or why it is not demonstrated."""
    try:
        return compute(*args, **kwargs)
    except NotDemonstrated as why:
        return NotDemonstrated(why.reason, why.records)  # without the frames it was raised in


def stop_if(why: str, *records: str) -> None:
    """Raise NotDemonstrated with the reason `why` and its `records`, if there is a reason."""
    if why:
        raise NotDemonstrated(why, records)
