"""Which tests the requirements need: kind, flow path, standard, and who needs them."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from dossier.case.application import Application
from dossier.case.model import METHODS
from dossier.evidence.quantities.fine_path import HAS_FINE, HAS_MAIN
from dossier.evidence.requirement import Demand
from dossier.request.reported import measured_column
from dossier.words import later

AGREED = later("agreed procedure")
INSPECTION = later("agreed inspection plan")
_STANDARD = re.compile(r"ISO \d+(?:-\d+)?(?::\d{4})?")
_ORDER = ("pressure_drop", "multipass", "bypass_valve", "inspection", "measurement")
"""Order of work: what leaves a specimen whole comes before what does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """One test, and the requirements that need it."""

    kind: str
    path: str
    standard: str
    demands: tuple[Demand, ...]
    quantities: tuple[str, ...] = ()
    """Names of the measured quantities, for a measurement."""

    @property
    def compared(self) -> bool:
        """Whether the filter now fitted is tested too."""
        return any(demand.not_worse is not None for demand in self.demands)

    @property
    def stem(self) -> str:
        """Beginning of the identifiers of its records."""
        if self.kind == "measurement":
            return measured_column(self.quantities[0]).replace(" ", "-").upper()
        short = {"multipass": "MP", "pressure_drop": "PD", "bypass_valve": "BV", "inspection": "IN"}
        return short[self.kind] + ("F" if self.path == "fine" else "")


def needed_tests(application: Application, demands: Sequence[Demand]) -> tuple[Needed, ...]:
    """Return the tests that the applicable `demands` need, in the order of work."""
    found: dict[tuple[str, str, str], list[Demand]] = {}
    for demand in demands:
        if demand.not_applicable:
            continue
        for key in _keys(application, demand):
            found.setdefault(key, []).append(demand)
    tests = [
        Needed(
            kind=kind,
            path=path,
            standard=_agreed(application, own)
            or METHODS.get((kind, path))
            or _standard(kind, own[0]),
            demands=tuple(own),
            quantities=(name,) if kind == "measurement" else (),
        )
        for (kind, path, name), own in found.items()
    ]
    return tuple(sorted(tests, key=lambda test: _ORDER.index(test.kind)))


def _keys(application: Application, demand: Demand) -> Iterator[tuple[str, str, str]]:
    for kind in demand.quantity.records:
        if kind == "bypass_valve" and not _valve_tested(application, demand):
            continue
        name = demand.quantity.name if kind == "measurement" else ""
        paths = ["full_flow"]
        if demand.quantity.section == "circuit" and kind in {"multipass", "pressure_drop"}:
            arrangement = application.circuit.arrangement
            paths = ["full_flow"] * (arrangement in HAS_MAIN) + ["fine"] * (arrangement in HAS_FINE)
        for path in paths:
            yield kind, path, name


def _valve_tested(application: Application, demand: Demand) -> bool:
    """Return whether the valve is tested: asked for by itself, or part of the filter."""
    valve = application.circuit.bypass_valve
    alone = demand.quantity.records == ("bypass_valve",)
    return alone or (valve is not None and valve.location == "filter")


def _agreed(application: Application, demands: Sequence[Demand]) -> str:
    """Return the method that one of the requirements names, or an empty string."""
    asking = {demand.id for demand in demands}
    named = (each.method.strip() for each in application.requirement if each.id in asking)
    return next(filter(None, named), "")


def _standard(kind: str, demand: Demand) -> str:
    if kind == "inspection":
        return INSPECTION
    named = _STANDARD.search(demand.quantity.standard)
    return named[0] if named else AGREED
