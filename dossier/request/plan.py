"""The whole test request: what is asked, of whom no matter, and the sheets to fill."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from dossier.case.application import Application
from dossier.case.case import Asked
from dossier.case.fields import SIDES
from dossier.case.model import Filter, RecordEntry
from dossier.case.problems import CALL, refusal, refuse
from dossier.case.tables.written import lowered
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.reopened import left_out, reopening
from dossier.evidence.requirement import Demand
from dossier.evidence.validity.general import DESTROY
from dossier.evidence.validity.relevance import terms_of
from dossier.request.counted import (
    TOGETHER,
    Assumptions,
    Counted,
    counts_of,
    specimens_needed,
    together,
)
from dossier.request.points import (
    Needed,
    Settings,
    counted_sizes,
    flow_of_test,
    sweep_flows,
    sweep_viscosities,
    terminal_pressure,
    tests_of_all,
    valve_flow,
)
from dossier.request.reported import (
    Reported,
    SheetColumn,
    conditions_of,
    instruments_of,
    measured_column,
    sheet_columns,
)
from dossier.words import say


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSheet:
    """One blank record sheet."""

    id: str
    """Identifier of the record, and name of its sheet in the workbook."""
    filter: str
    specimen: str
    """Its specimen; empty where one sheet holds several."""
    specimens: tuple[str, ...]
    """All that it holds."""
    columns: tuple[SheetColumn, ...]
    rows: tuple[tuple[str, ...], ...] = ()
    """What is filled in already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Where a test is run, as far as its kind has it; in working units."""

    flow: float = 0.0
    """Test flow, or largest flow of a valve sweep [m3/s]."""
    flows: tuple[float, ...] = ()
    """Flows of a sweep [m3/s]."""
    viscosities: tuple[float, ...] = ()
    """Hot and cold viscosity of a sweep [m2/s]."""
    sizes: tuple[float, ...] = ()
    """Sizes to count [um(c)]."""
    base_level: float = 0.0
    """Base upstream level [kg/m3]; 0 where nothing states one."""
    terminal: float = 0.0
    """Terminal differential pressure of the element [Pa]."""
    terminal_from: str = ""
    """given, valve or requirement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Test:
    """One test with its points, specimens and sheets."""

    needed: Needed
    points: Points
    specimens: Mapping[str, int]
    sheets: tuple[RecordSheet, ...]
    columns: tuple[SheetColumn, ...]
    conditions: tuple[Reported, ...]
    instruments: tuple[str, ...]
    held: tuple[Limit, ...]
    """Limits of validity that its records are held against."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestRequest:
    """Everything that the pages, the sheets and the block of records say."""

    asked: Asked
    counts: tuple[Counted, ...]
    assumed: Assumptions
    settings: Settings
    names: Mapping[str, tuple[str, ...]]
    """Names of the specimens of each filter, as the plan names them."""
    tests: tuple[Test, ...]
    standing: tuple[RecordEntry, ...] = ()
    """Records that are carried over and stand: no test of them is asked."""

    @property
    def running(self) -> str:
        """By what its pages and sheets are told from those of another request."""
        number = self.asked.draft.number if self.asked.draft else self.asked.name
        issued = self.settings.issued
        return say("{number}, asked on {day}", number=number, day=issued) if issued else number


def plan_request(
    asked: Asked,
    demands: Sequence[Demand],
    limits: Limits,
    assumed: Assumptions,
    settings: Settings,
) -> TestRequest:
    """Return the request for the tests that `demands` need.

    Raises CaseError for what the case or the call does not say, and where nothing is to be tested.
    """
    draft, tests = asked.draft, tests_of_all(asked, demands, limits.methods)
    if not tests:
        what = "no requirement applies: there is nothing to test"
        raise refusal(asked.file, "requirement", what, "add a requirement")
    if uses_criterion(tests) and settings.criterion_flow is None:
        what = "nothing says at which flow a bypass valve counts as open, the same for all"
        raise refusal(CALL, "--criterion-flow", what, "give --criterion-flow '1 L/min'")
    counts: list[Counted] = []
    for each in asked.each:
        own = [demand for demand in demands if demand.mark == each.mark]
        counts += counts_of(own, each.application.decision_rule, assumed)
    reopened = reopening(draft, limits) if draft else {}
    stands = _standing(asked, reopened)
    if draft:
        refuse(fault for each in asked.carried for fault in left_out(draft, each, stands))
    before = {side: [n for c in asked.carried for n in sorted(c.plan(side))] for side in SIDES}
    planned = {side: _planned(getattr(draft, side, None), before[side]) for side in SIDES}
    plan = {side: together(tests, counts, side, len(planned[side])) for side in SIDES}
    numbers = [
        _lacking(test, specimens_needed(test, counts, plan), asked, reopened) for test in tests
    ]
    most = {side: max(plan[side], *(each.get(side, 0) for each in numbers)) for side in SIDES}
    names = {side: _names(side, planned[side], most[side], before[side]) for side in most}
    told = {side: names[side][: plan[side]] for side in SIDES}
    made = [
        _test(asked, test, number, names, told, limits, settings)
        for test, number in zip(tests, numbers, strict=True)
        if any(number.values())
    ]
    if not made:
        what = "there is nothing to test: all evidence is carried over"
        raise refusal("case.toml", "carried", what, "carry less, or change more")
    return TestRequest(
        asked=asked, counts=tuple(counts), names=told, tests=tuple(made), assumed=assumed,
        settings=settings, standing=stands,
    )  # fmt: skip


def _standing(asked: Asked, reopened: Collection[str]) -> tuple[RecordEntry, ...]:
    """Return the records that are carried over and not of a kind that a change has reopened."""
    over = {name for each in asked.carried for name in each.records}
    return tuple(
        each
        for each in (asked.draft.record if asked.draft else ())
        if each.id in over and not (each.filter == "candidate" and each.kind in reopened)
    )


def _lacking(
    test: Needed, number: Mapping[str, int], asked: Asked, reopened: Collection[str]
) -> Mapping[str, int]:
    """Return the number of specimens of each filter that carried evidence does not provide.

    Records of a run or sweep are of one specimen each; one of another kind is of all of its test,
    a measurement of what the dossier that it is from decided by it.
    """
    opened = not set(map(measured_column, test.quantities)).isdisjoint(reopened)
    shown = {
        name
        for source in asked.carried
        for found in source.findings
        if found.get("quantity") in test.quantities
        for name in str(found.get("records")).split("'")
    }
    left = dict(number)
    for each in _standing(asked, reopened):
        if (each.kind, each.path) != (test.kind, test.path) or each.filter not in left:
            continue
        anew = opened and each.filter == "candidate"
        if test.kind == "measurement" and (anew or each.id not in shown):
            continue
        left[each.filter] -= 1 if each.kind in TOGETHER else left[each.filter]
    return {side: max(0, n) for side, n in left.items()}


def _planned(described: Filter | None, before: Sequence[str]) -> tuple[str, ...]:
    """Return the specimens that the case names, but those `before` of carried evidence."""
    return tuple(n for n in described.specimens if n not in before) if described else ()


def _names(
    side: str, planned: tuple[str, ...], number: int, before: Sequence[str]
) -> tuple[str, ...]:
    """Return names of `number` specimens: those planned, then more of our own, none used before."""
    letter = "C" if side == "candidate" else "R"
    fresh = (f"{letter}{k}" for k in range(1, number + len(planned) + len(before) + 1))
    more = [name for name in fresh if name not in {*planned, *before}]
    return (*planned, *more)[: max(number, len(planned))]


def uses_criterion(tests: Sequence[Needed]) -> bool:
    """Return whether a valve is swept, so that the flow at which it counts as open is needed."""
    return any(test.kind == "bypass_valve" for test in tests)


def _test(
    asked: Asked,
    needed: Needed,
    number: Mapping[str, int],
    names: Mapping[str, tuple[str, ...]],
    planned: Mapping[str, tuple[str, ...]],
    limits: Limits,
    settings: Settings,
) -> Test:
    points = _points(asked, needed, limits, settings)
    columns = sheet_columns(needed.kind, points.sizes, needed.quantities)
    return Test(
        needed=needed, points=points, specimens=number, columns=columns,
        sheets=tuple(_sheets(needed, number, names, planned, columns)),
        conditions=conditions_of(needed.kind, needed.quantities),
        instruments=instruments_of(needed.kind, needed.quantities),
        held=_held(needed, limits),
    )  # fmt: skip


def _points(asked: Asked, needed: Needed, limits: Limits, settings: Settings) -> Points:
    """Return where a test is run: the sharpest that any application needs of it."""
    found: dict[str, Points] = {}
    for each in asked.each:
        if own := tuple(demand for demand in needed.demands if demand.mark == each.mark):
            one = replace(needed, demands=own)
            found[each.file] = _points_of(each.application, one, limits, settings)
    first, *others = found.values()
    return _sharpest(found, needed, limits) if others else first


def _sharpest(found: Mapping[str, Points], needed: Needed, limits: Limits) -> Points:
    """Return the points that serve all applications, by their files; CaseError where none do."""
    points = list(found.values())
    flows = [each.flow for each in points]
    if needed.kind != "multipass":
        ends = [each.viscosities for each in points]
        return Points(
            flow=max(flows),
            flows=max(each.flows for each in points),
            viscosities=(min(e[0] for e in ends), max(e[1] for e in ends)) if all(ends) else (),
        )
    middle = (min(flows) + max(flows)) / 2.0
    limit = limits.find("flow of the application", needed.kind, needed.standard)
    apart = limit is not None and max(flows) / middle - 1.0 > limit.value
    if apart or len({each.base_level for each in points}) > 1:
        rows = {f: (6e4 * each.flow, 1e3 * each.base_level) for f, each in found.items()}
        told = (f"{f} {q:.4g} L/min, base level {c:.4g} mg/L" for f, (q, c) in rows.items())
        what = f"no run of the {needed.path} path serves all: {'; '.join(told)}"
        hint = "state test = { flow = ..., base_level = ... }, the same for all, where that may be"
        raise refusal("case.toml", "applications", what, hint)
    longest = max(points, key=lambda each: each.terminal)
    return replace(longest, flow=middle, sizes=_sizes(needed, limits))


def _points_of(
    application: Application, needed: Needed, limits: Limits, settings: Settings
) -> Points:
    """Return where a test is run; CaseError for what neither case nor call says."""
    if needed.kind == "multipass":
        terminal, source = terminal_pressure(application, needed, settings)
        limit = limits.find("base upstream level", needed.kind, needed.standard)
        flows = terms_of(application, needed.kind, needed.path, "flow")
        levels = terms_of(application, needed.kind, needed.path, "base_level")
        level = levels[0] or (limit.levels[0] if limit else 0.0)
        flow, sizes = flows[0] or flow_of_test(application, needed.path), _sizes(needed, limits)
        return Points(
            flow=flow, base_level=level, sizes=sizes, terminal=terminal, terminal_from=source
        )
    if needed.kind == "pressure_drop":
        viscosities = sweep_viscosities(application, needed, limits)
        return Points(flows=sweep_flows(application, needed), viscosities=viscosities)
    if needed.kind == "bypass_valve":
        return Points(flow=valve_flow(application, needed.demands))
    return Points()


DEFAULT_SIZES = (10.0, 20.0)
"""Sizes of a run that is wanted for its capacity alone [um(c)]."""


def _sizes(needed: Needed, limits: Limits) -> tuple[float, ...]:
    """Return the sizes to count [um(c)], one small enough to judge what the sensors see."""
    sizes = counted_sizes(needed.demands) or DEFAULT_SIZES
    limit = limits.find("coincidence", needed.kind, needed.standard)
    return sizes if limit is None or sizes[0] <= limit.value else (limit.value, *sizes)


def _held(needed: Needed, limits: Limits) -> tuple[Limit, ...]:
    """Return the limits that fit the kind and standard of a test, each rule once."""
    rules = dict.fromkeys(each.rule for each in limits.limits if each.kind in {"", needed.kind})
    found = (limits.find(rule, needed.kind, needed.standard) for rule in rules)
    return tuple(limit for limit in found if limit is not None)


def _sheets(
    needed: Needed,
    number: Mapping[str, int],
    names: Mapping[str, tuple[str, ...]],
    planned: Mapping[str, tuple[str, ...]],
    columns: tuple[SheetColumn, ...],
) -> Iterator[RecordSheet]:
    for side, n in number.items():
        own = names[side][:n]
        letter = side[0].upper()
        sheet = partial(RecordSheet, filter=side, columns=columns)
        if needed.kind in TOGETHER:
            for name in own:
                label = "".join(c if c.isalnum() or c in "._-" else "-" for c in name)
                yield sheet(id=f"{needed.stem}-{label}", specimen=name, specimens=(name,))
            continue
        rows: tuple[tuple[str, ...], ...] = ()
        destroyed = not DESTROY.isdisjoint(map(measured_column, needed.quantities))
        if destroyed or (needed.kind == "bypass_valve" and n > len(planned[side])):
            # What breaks or tires its specimens has its own: none serves another test.  Of valves
            # either those of the plan are swept, or others.
            own = tuple(f"{needed.stem}-{letter}{k}" for k in range(1, n + 1))
        if needed.kind == "measurement":
            rows = tuple((name, *("" for _ in columns[1:])) for name in own)
        elif needed.kind == "inspection":
            rows = tuple(_inspection(needed.demands, own))
        yield sheet(id=f"{needed.stem}-{letter}", specimen="", specimens=own, rows=rows)


def _inspection(demands: Sequence[Demand], names: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Yield a row for each characteristic and specimen, with the limits of the requirement."""
    seen = set()
    for demand in demands:
        characteristic = str(demand.at["characteristic"])
        if lowered(characteristic) in seen:
            continue
        seen.add(lowered(characteristic))
        limits = ("", "", "")
        if demand.quantity.dimension != "statement":
            ends = (demand.lower, demand.upper)
            lower, upper = ("" if e is None else f"{demand.shown(e):.10g}" for e in ends)
            limits = (lower, upper, demand.unit)
        for name in names:
            yield (characteristic, name, "", *limits)
