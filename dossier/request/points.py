"""At which points each test is run: flows, fluids, pressures and particle sizes."""

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date

from dossier.case.application import HAS_FINE, HAS_MAIN, Application, Oil
from dossier.case.case import Asked
from dossier.case.problems import CALL, refusal
from dossier.case.tables.written import METHODS, STEMS
from dossier.evidence.limits import Limits, Method, method_of
from dossier.evidence.quantities.fine_path import path_flow
from dossier.evidence.records.fluid import kinematic_at
from dossier.evidence.requirement import Demand
from dossier.evidence.validity.relevance import terms_of
from dossier.request.reported import measured_column
from dossier.system.grouped import grouped
from dossier.words import later

INSPECTION = later("agreed inspection plan")
_STANDARD = re.compile(r"ISO \d+(?:-\d+)?(:\d{4})?")
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
        return STEMS[self.kind] + ("F" if self.path == "fine" else "")


def needed_tests(
    application: Application, demands: Sequence[Demand], methods: Sequence[Method]
) -> tuple[Needed, ...]:
    """Return the tests that the applicable `demands` need, in the order of work."""
    asked = [demand for demand in demands if not demand.not_applicable]
    found = grouped((key, demand) for demand in asked for key in _keys(application, demand))
    tests = []
    for (kind, path, name), own in found.items():
        method = _agreed(application, own) or METHODS.get((kind, path))
        method = method or _standard(kind, own[0], methods)
        names = (name,) if kind == "measurement" else ()
        test = Needed(kind=kind, path=path, standard=method, demands=tuple(own), quantities=names)
        tests.append(test)
    return tuple(sorted(tests, key=lambda test: _ORDER.index(test.kind)))


def tests_of_all(
    asked: Asked, demands: Sequence[Demand], methods: Sequence[Method]
) -> tuple[Needed, ...]:
    """Return the tests that all applications of a case need, each test once.

    Raises CaseError where two want one by different methods.
    """
    found: dict[tuple[str, ...], Needed] = {}
    for each in asked.each:
        own = [demand for demand in demands if demand.mark == each.mark]
        for test in needed_tests(each.application, own, methods):
            key = (test.kind, test.path, *test.quantities)
            held = found.setdefault(key, replace(test, demands=()))
            if held.standard != test.standard:
                what = f"{test.kind} by {test.standard!r}, where another asks for {held.standard!r}"
                hint = "name one method in all of them, or ask in cases apart"
                raise refusal(each.file, "requirement", what, hint)
            found[key] = replace(held, demands=(*held.demands, *test.demands))
    return tuple(sorted(found.values(), key=lambda test: _ORDER.index(test.kind)))


def _keys(application: Application, demand: Demand) -> Iterator[tuple[str, str, str]]:
    for kind in demand.quantity.records:
        if kind == "bypass_valve" and not _valve_tested(application, demand):
            continue
        name = demand.quantity.name if kind == "measurement" else ""
        circuit, paths = application.circuit, ["full_flow"]
        if demand.quantity.section == "circuit" and kind in {"multipass", "pressure_drop"}:
            arrangement = circuit.arrangement
            paths = ["full_flow"] * (arrangement in HAS_MAIN) + ["fine"] * (arrangement in HAS_FINE)
        for path in paths:
            swept = kind in {"multipass", "pressure_drop"}
            yield kind, circuit.path_of(path) if swept else path, name


def _valve_tested(application: Application, demand: Demand) -> bool:
    """Return whether the valve is tested: asked for by itself, or part of the filter."""
    valve = application.circuit.bypass_valve
    alone = demand.quantity.records == ("bypass_valve",)
    return alone or (valve is not None and valve.location == "filter")


def _agreed(application: Application, demands: Sequence[Demand]) -> str:
    """Return the method that one of the requirements names, or an empty string."""
    asking = {demand.own_id for demand in demands}
    named = (each.method.strip() for each in application.requirement if each.id in asking)
    return next(filter(None, named), "")


def _standard(kind: str, demand: Demand, methods: Sequence[Method]) -> str:
    """Return the method that a quantity declares, else one known for it, in its last edition."""
    if kind == "inspection":
        return INSPECTION
    named = _STANDARD.search(demand.quantity.standard)
    if named and named[1]:
        return named[0]
    column = measured_column(demand.quantity.name)
    fit = [each for each in methods if column in each.results]
    known = (method_of(named[0], fit) if named else None) or fit[0]
    return f"{known.standard}:{known.editions[-1]}"


SIZES = (4, 5, 6, 7, 8, 10, 12, 14, 15, 18, 20, 25, 30, 35, 40, 50, 60)
"""Sizes that counters are commonly set to [um(c)] (common practice)."""
CODE_SIZES = (4.0, 6.0, 14.0)
"""Sizes of a cleanliness code [um(c)] (ISO 4406)."""
STEPS = (0.2, 0.4, 0.6, 0.8, 1.0, 1.2)
"""Flows of a sweep in largest flows asked for [-]: steps of a fifth (ISO 3968:2017)."""
HOT, COLD = 24e-6, 500e-6
"""Viscosities of a sweep [m2/s] (ISO 4548-1:1997)."""
RESERVE = 0.9
"""Part of the factor of viscosity that is planned with [-]: fluids differ from their names."""
SAME = 0.05
"""Sizes closer than this are the same [um(c)]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the case leaves open and every laboratory needs alike; None where not needed."""

    terminal: float | None = None
    """Terminal differential pressure of the full-flow element [Pa]."""
    terminal_fine: float | None = None
    """The same of the fine element [Pa]."""
    criterion_flow: float | None = None
    """Flow at which a bypass valve counts as open [m3/s]."""
    issued: date | None = None
    """Day of the request."""
    reply_by: date | None = None
    """Last day for an answer to it."""
    contact: str = ""
    """Whom a laboratory asks."""
    sampling: str = ""
    """How the specimens are drawn from their lots, and by whom."""


def counted_sizes(demands: Iterable[Demand]) -> tuple[float, ...]:
    """Return the sizes to count [um(c)], increasing: every size asked for, and its neighbours.

    A size that is looked for (at a ratio or an efficiency) is interpolated: it needs a counted
    size on each side.  Against the reference, where the limit is not known yet, all usual sizes
    are counted.  A result at a given size is never interpolated.
    """
    kept: list[float] = []
    for size in sorted({size for demand in demands for size in _sizes(demand)}):
        if not kept or size - kept[-1] > SAME:
            kept.append(size)
    return tuple(kept)


def _sizes(demand: Demand) -> Iterator[float]:
    size = demand.at.get("size")
    if isinstance(size, float):
        yield size
    if demand.quantity.dimension == "cleanliness code":
        yield from CODE_SIZES
    if demand.quantity.dimension != "size":
        return
    limits = [each for each in (demand.lower, demand.upper) if each is not None]
    if not limits:
        yield from map(float, SIZES)
    for limit in limits:
        yield limit
        yield float(max((s for s in SIZES if s < limit - SAME), default=limit))
        yield float(min((s for s in SIZES if s > limit + SAME), default=1.2 * limit))


def flow_of_test(application: Application, path: str) -> float:
    """Return the test flow of one path [m3/s].

    Raises CaseError where the application states no share of a fine path.
    """
    flow = path_flow(application.circuit, path)
    if flow is None:
        what = "is missing: the test flow of the fine path follows from it"
        hint = 'state it, such as partial_flow_share = "10 %"'
        raise refusal("application", "circuit . partial_flow_share", what, hint)
    return flow


def sweep_flows(application: Application, test: Needed) -> tuple[float, ...]:
    """Return the flows of a sweep [m3/s]: steps of a fifth of the largest flow asked for."""
    asked = [float(d.at["flow"]) for d in test.demands if "flow" in d.at]
    of_another = test.path != application.circuit.path_of("full_flow")
    largest = max([flow_of_test(application, test.path), *([] if of_another else asked)])
    return tuple(step * largest for step in STEPS)


def sweep_viscosities(
    application: Application, test: Needed, limits: Limits
) -> tuple[float, float]:
    """Return the hot and the cold kinematic viscosity of a sweep [m2/s].

    24 mm2/s and 500 mm2/s, or further out where the application's oil, at a temperature that a
    requirement names, is thinner by more than the factor by which a fit may be carried, or thick
    enough to need more pressure at the largest flow than the sweep would reach.
    """
    duty = application.duty
    named: list[float | None] = [duty.normal_oil, duty.hot_oil]
    for demand in test.demands:
        at = demand.at.get("temperature")
        named += [None if at is None else float(at)]
        if demand.quantity.dimension == "temperature":
            named += [demand.lower, demand.upper]
    nu = list(_viscosities(application.oil, (each for each in named if each is not None)))
    factor = RESERVE * limits.viscosity_factor
    hot = HOT if min(nu) >= HOT / factor else min(nu)
    cold = COLD if max(nu) <= COLD * RESERVE * STEPS[-1] else max(nu)
    return hot, cold


def _viscosities(oil: Oil, temperatures: Iterable[float]) -> Iterator[float]:
    """Yield the kinematic viscosity at each temperature at which the oil has a known one [m2/s]."""
    for each in temperatures:
        with suppress(ValueError):
            yield kinematic_at(oil, each)


def terminal_pressure(
    application: Application, test: Needed, settings: Settings
) -> tuple[float, str]:
    """Return the terminal differential pressure of a run [Pa], and where it comes from.

    As given for the request; else the larger of the upper end of the bypass valve's opening band
    and the largest that a requirement allows or states for its test.  The source is
    "given", "valve" or "requirement".  Raises CaseError where nothing states one.
    """
    fine = test.path == "fine"
    given = settings.terminal_fine if fine else settings.terminal
    if given is not None:
        return given, "given"
    valve = application.circuit.bypass_valve
    found = [(valve.opening.max, "valve")] if not fine and valve and valve.opening else []
    loaded = [d for d in test.demands if d.quantity.name == "pressure_drop_at_interval"]
    asked = [] if fine else [demand.upper for demand in loaded if demand.upper]
    stated = terms_of(application, test.kind, test.path, "terminal")
    found += [(each, "requirement") for each in (*asked, *stated) if each is not None]
    if not found:
        flag = "--terminal-fine" if fine else "--terminal"
        what = f"no bypass valve and no requirement says where a run of the {test.path} path ends"
        raise refusal(CALL, flag, what, f"give {flag} '175 kPa'")
    return max(found)


def valve_flow(application: Application, demands: Sequence[Demand]) -> float:
    """Return the largest flow of a valve sweep [m3/s]: what is asked for, else the rated flow."""
    asked = [float(d.at["flow"]) for d in demands if d.quantity.name == "valve_flow_pressure_drop"]
    return max(asked, default=application.circuit.rated_flow)
