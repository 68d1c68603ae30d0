"""The one vocabulary: every quantity is declared once, beside the function that computes it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import wraps
from typing import Any, Literal

from dossier.evidence.bench import Bench
from dossier.evidence.spoken import Side
from dossier.evidence.statistics.estimate import Estimate, NotDemonstrated, attempt

Section = Literal["efficiency", "capacity", "pressure", "strength", "circuit"]
ShareOf = Literal["value", "penetration", "inverse penetration", ""]
"""What a percentage of the reference is a share of: of the value, or of the penetration, of which
the value is one less or the inverse; empty where the value has no zero that means nothing."""
Conditions = Mapping[str, Any]
Function = Callable[[Bench, Side, Conditions], Estimate]
Compute = Callable[[Bench, Side, Conditions], Estimate | NotDemonstrated]


def _undeclared(bench: Bench, side: Side, at: Conditions) -> Estimate:
    raise NotImplementedError


QUANTITIES: dict[str, "Quantity"] = {}
"""Those declared in what was imported so far: who wants all asks `quantities.all_quantities`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedAt:
    """One condition that a quantity is stated at."""

    name: str
    """Key inside ``at`` of a requirement."""
    dimension: str
    """Key of `case.units.DIMENSIONS`, or "text" for a name such as a characteristic."""
    unit: str
    """Unit it is printed in."""
    default: str = ""
    """Name of the application's value that is taken, and printed, when it is not given:
    "circuit.rated_flow", "duty.hot_oil", "duty.normal_oil", "duty.service_interval";
    empty when the condition must be given."""


RATED_FLOW = StatedAt(name="flow", dimension="flow", unit="L/min", default="circuit.rated_flow")
NORMAL_OIL = StatedAt(
    name="temperature", dimension="temperature", unit="degC", default="duty.normal_oil"
)
SIZE = StatedAt(name="size", dimension="size", unit="um(c)")
"""Conditions that several quantities are stated at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Declaration of one quantity: decorates the function that computes it."""

    name: str = ""
    """Its name; that of its function where none is given."""
    title: str
    """As printed in tables and on axes."""
    symbol: str
    """Symbol used in formulas on the page."""
    dimension: str
    """Key of `case.units.DIMENSIONS`; "statement" for yes or no."""
    unit: str
    """Unit it is printed in when the requirement has none of its own."""
    conditions: tuple[StatedAt, ...] = ()
    records: tuple[str, ...]
    """Kinds of record it is computed from."""
    better: Literal["higher", "lower", "neither"]
    meaning: str
    """One sentence for a reader who knows filters."""
    formula: str
    """The formula in plain text with Greek letters and sub/superscript characters."""
    standard: str
    """Where the formula comes from: standard and edition, or 'from memory', or 'own'."""
    example: str
    """What an example requirement asks of it, in TOML."""
    section: Section
    """Section of the dossier that shows it."""
    share_of: ShareOf = "value"
    of_fine_path: bool = False
    """Whether it means nothing in a circuit without a fine path."""
    compute: Compute = _undeclared

    def __call__(self, function: Function) -> Compute:
        """Declare that `function` computes it; return it with what it raises as its answer.

        The function takes the bench of reduced records, the side ("candidate" or "reference") and
        the conditions in working units; it raises NotDemonstrated with the reason.  Raises
        ValueError when a name is declared twice.
        """
        name = self.name or function.__name__
        if name in QUANTITIES:
            raise ValueError(f"quantity {name!r} is declared twice")

        @wraps(function)
        def compute(bench: Bench, side: Side, at: Conditions) -> Estimate | NotDemonstrated:
            return attempt(function, bench, side, at)

        QUANTITIES[name] = replace(self, name=name, compute=compute)
        return compute


def reference_line(
    not_worse: float, higher_is_better: bool, share_of: ShareOf
) -> tuple[float, float]:
    """Return (factor [-], offset [its unit]) of the limit that a reference's value sets.

    `not_worse` [-] of the value, or the share by which more may pass than through the reference:
    with the penetration P, P <= (1 + x) P_ref is E >= (1 + x) E_ref - x, and ratio >= ratio_ref /
    (1 + x).  Raises ValueError for a value of which no share can be taken.
    """
    if share_of == "penetration":
        return 1.0 + not_worse, -not_worse
    if share_of == "inverse penetration":
        return 1.0 / (1.0 + not_worse), 0.0
    if share_of == "value":
        return (1.0 - not_worse if higher_is_better else 1.0 + not_worse), 0.0
    raise ValueError("a percentage of this value means nothing: its zero is arbitrary")
