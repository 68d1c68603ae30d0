"""The test request as a PDF for laboratories: the same for every laboratory that is asked."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from dossier.case.application import Application
from dossier.case.case import Asked, lots_before
from dossier.case.units import from_si
from dossier.evidence.records.fluid import kinematic_at
from dossier.report.format import percent, quantity_text, significant, speak, typed, unit_text
from dossier.report.pages.case_pages import revision_of, si
from dossier.report.pages.circuit import described
from dossier.report.pages.fixed_words import PATHS, RULE_KINDS
from dossier.report.running import printing, retold
from dossier.report.scales import instead
from dossier.request.counted import Counted
from dossier.request.plan import Test, TestRequest
from dossier.request.reported import condition_columns
from dossier.system.grouped import grouped
from dossier.words import day, later, say, speaking

KINDS = {
    "multipass": later("Multi-pass run"),
    "pressure_drop": later("Flow sweep of the clean filter"),
    "bypass_valve": later("Sweep of the bypass valve"),
    "inspection": later("Inspection"),
}
SIDES = {"candidate": later("candidate"), "reference": later("filter now fitted")}
BASES = {
    "mean": later("mean"),
    "every_specimen": later("every specimen"),
    "population": later("population"),
}
TERMINALS = {
    "given": later("as set for this request"),
    "valve": later("upper end of the opening band of the bypass valve"),
    "requirement": later("largest pressure drop that a requirement allows"),
}
WAYS = {
    "guard band": later("guard band of a mean"),
    "tolerance": later("tolerance limit of a population"),
    "success run": later("success run"),
    "least": later("least number"),
    "none": later("tolerance limit: the population alone takes up the margin"),
}
COMPARED = later("against the filter now fitted")
FORMULAS = {
    "guard band": later(
        "smallest n with t(C; n − 1) · s · √(1 + k²) / √n ≤ f · m: s scatter, m margin, f the part "
        "of it for the scatter, C the confidence, t Student's one-sided quantile; k = 0, or the "
        "share of the mean of the filter now fitted that is asked for"
    ),
    "tolerance": later(
        "smallest n with (k(n; p; C) − z(p)) · s ≤ f · (m − z(p) · s): k the exact one-sided "
        "tolerance factor for the share p of a normal population, z(p) its value for very many "
        "specimens"
    ),
    "success run": later(
        "smallest n with 1 − C ≥ Rⁿ, none of n specimens failing: R the share of the population"
    ),
    "least": later("two: one specimen says nothing about the scatter"),
}


Pairs = list[tuple[str, str]]
MM2 = 1e6
MANY = 12
"""More names than these are printed as the first and the last."""


def request_pdf(request: TestRequest) -> bytes:
    """Return the request as PDF, in the language of the case; the same bytes for the same case."""
    from dossier.report.render import page_pdf

    draft = request.asked.draft
    with speaking(request.asked.language), printing(draft.units if draft else "SI"):
        return page_pdf(
            "request.html",
            title=request.asked.application.title,
            paper=draft.paper if draft else "",
            running=request.running,
            asking=_asking(request),
            facts_of=[fact for each in request.asked.each for fact in _facts(each)],
            tests=[_overview(test) for test in request.tests],
            counts=_counts(request.counts),
            formulas=_formulas(request),
            assumed=_assumed(request),
            each_one=any(each.demand.basis == "every_specimen" for each in request.counts),
            parts=[_part(request, test) for test in request.tests],
            held=_held(request.tests),
            sha256="; ".join(each.source.sha256 for each in request.asked.each),
        )


def _asking(request: TestRequest) -> Pairs:
    """Return who asks, by when, and of what; empty texts are lines to fill in by hand."""
    settings = request.settings
    issued, reply_by = settings.issued, settings.reply_by
    sides = [side for side, names in request.names.items() if names]
    lots = {each: ", ".join(_lots(request.asked, each)) for each in sides}
    stands = {each.id for each in request.standing}
    return [
        (say("Issued by"), request.asked.application.owner),
        (say("Contact"), settings.contact),
        (say("Day of the request"), day(issued) if issued else ""),
        (say("Reply by"), day(reply_by) if reply_by else ""),
        (say("Specimens"), "; ".join(
            say("{who}: {names}", who=say(SIDES[each]), names=_listed(request.names[each]))
            for each in sides)),
        *((say("Lots, {side}", side=say(SIDES[each])), lots[each]) for each in sides),
        (say("Drawn how, and by whom"), settings.sampling),
        *((say("Not asked: carried over from {source}", source=each.name),
           _listed(n for n in sorted(each.records) if n in stands))
          for each in request.asked.carried),
    ]  # fmt: skip


def _lots(asked: Asked, side: str) -> list[str]:
    """Return the lots of a filter to draw from: of a changed one none from before the change."""
    if asked.draft is None:
        return []
    gone = lots_before(asked.draft, asked.carried) if side == "candidate" else ()
    return [lot for lot in asked.draft.lots_of(side) if lot not in gone]


def _facts(asked: Asked) -> Pairs:
    """Return what an application says, under its mark where there are several."""
    return [(f"{asked.mark} {name}".lstrip(), value) for name, value in _said(asked.application)]


def _said(application: Application) -> Pairs:
    oil, duty, rule = application.oil, application.duty, application.decision_rule
    return [
        (say("Requirements"), revision_of(application)),
        (say("Circuit"), "; ".join(_circuit(application))),
        (say("Oil of the machine"), "; ".join(_oil(application))),
        (say("Viscosity of that oil"), say("{hot} hot, {cold} at cold start",
            hot=_viscosity(kinematic_at(oil, duty.hot_oil)),
            cold=_viscosity(kinematic_at(oil, duty.cold_start)))),
        (say("Oil temperatures"), say("hot {hot}, normal {normal}, cold start {cold}",
            hot=_degrees(duty.hot_oil), normal=_degrees(duty.normal_oil),
            cold=_degrees(duty.cold_start))),
        (say("Service interval"), si(duty.service_interval, "h", "time")),
        (say("Decision rule"), say("{rule}, confidence {confidence}, agreed {agreed}",
            rule=say(RULE_KINDS[rule.kind]), confidence=percent(rule.confidence, 1 if
            1000 * rule.confidence % 10 > 1e-6 else 0), agreed=rule.agreed)),
    ]  # fmt: skip


def _circuit(application: Application) -> Iterator[str]:
    yield described(application.circuit)
    valve = application.circuit.bypass_valve
    if valve is not None and valve.opening is not None:
        low, high = (si(p, "kPa", "pressure") for p in (valve.opening.min, valve.opening.max))
        yield say("opens between {low} and {high}", low=low, high=high)


def _oil(application: Application) -> Iterator[str]:
    oil = application.oil
    if oil.description:
        yield oil.description
    yield say("{kv40} at 40 °C, {kv100} at 100 °C", kv40=_viscosity(oil.kv40.value),
              kv100=_viscosity(oil.kv100.value))  # fmt: skip


def _overview(test: Test) -> tuple[str, ...]:
    needed = test.needed
    return (
        _name(test),
        say(needed.standard),
        *(str(test.specimens.get(side, "–")) for side in SIDES),
        ", ".join(demand.id for demand in needed.demands),
    )


def _name(test: Test) -> str:
    needed = test.needed
    if needed.kind == "measurement":
        from dossier.evidence.quantities import all_quantities

        return say(all_quantities()[needed.quantities[0]].title)
    name = say(KINDS[needed.kind])
    if needed.kind in {"multipass", "pressure_drop"}:
        return say("{test}, {path}", test=name, path=say(PATHS[needed.path]))
    return name


def _counts(every: Iterable[Counted]) -> list[tuple[str, ...]]:
    """Return the rows of the calculation: requirements that share one share its row."""
    rows = grouped((_count(e), (say(e.demand.quantity.title), e.demand.id)) for e in every)
    return [
        ("; ".join(f"{', '.join(ids)}: {title}" for title, ids in grouped(own).items()), *row)
        for row, own in rows.items()
    ]


def _count(each: Counted) -> tuple[str, ...]:
    demand = each.demand
    basis = say(BASES[demand.basis])
    if demand.basis == "population":
        basis = say("{basis}, {share}", basis=basis, share=percent(demand.coverage, 0))
    n = say("none is enough") if each.way == "none" else str(each.n)
    advisory = "" if each.sets else say("advisory: sets no number")
    words = [say(WAYS[each.way]), say(COMPARED) if demand.not_worse is not None else "", advisory]
    return (
        basis,
        _as_written(each.scatter) or "–",
        _as_written(each.margin) or "–",
        "; ".join(word for word in words if word),
        percent(each.taken, 0) if each.taken else "–",
        n,
    )


def _as_written(text: str) -> str:
    """Return an assumed value as its user wrote it, turned with digits enough to recompute it."""
    return retold(typed(" ".join(map(unit_text, text.split()))))


def _formulas(request: TestRequest) -> Pairs:
    ways = dict.fromkeys(each.way for each in request.counts)
    return [(say(WAYS[way]), say(FORMULAS[way])) for way in ways if way in FORMULAS]


def _assumed(request: TestRequest) -> str:
    return say(
        "Scatter and margin are assumptions of whoever asks, not results. The scatter may take up "
        "{share} of the margin; what is left is for the uncertainty of measurement. A percentage "
        "is one of the limit, for an efficiency or a filtration ratio one of the share that passes "
        "at the limit.",
        share=percent(request.assumed.share, 0),
    )


def _part(request: TestRequest, test: Test) -> dict[str, Any]:
    """Return one test as its section prints it."""
    more = {True: "", False: " " + say("(where there is any)")}
    columns = grouped((say(each.words) + more[each.needed], each.header) for each in test.columns)
    sheets = (_listed(s.id for s in test.sheets if s.filter == side) for side in SIDES)
    tools = ", ".join(map(say, test.instruments))
    return {
        "title": say("{test}, {standard}", test=_name(test), standard=say(test.needed.standard)),
        "points": [
            *_points(request, test),
            (say("Instruments"), tools),
            (say("Sheets"), "; ".join(filter(None, sheets))),
        ],
        "columns": [(headers, words) for words, headers in columns.items()],
        "conditions": [(condition_columns(each), say(each.words)) for each in test.conditions],
    }


def _held(tests: Sequence[Test]) -> list[tuple[str, ...]]:
    """Return each limit once, with the numbers of the tests that it is for."""
    rows = grouped(
        ((speak(say(limit.text)), say(limit.clause), say(limit.mark)), number)
        for number, test in enumerate(tests, 1)
        for limit in test.held
    )
    first = sorted(rows.items(), key=lambda each: (-len(each[1]), each[1]))
    return [
        (row[0], say("all") if len(own) == len(tests) else ", ".join(map(str, own)), *row[1:])
        for row, own in first
    ]


def _listed(names: Iterable[str]) -> str:
    """Return the names, or the first and the last of many."""
    every = list(dict.fromkeys(names))
    if len(every) <= MANY:
        return ", ".join(every)
    return say("{first} to {last} ({number})", first=every[0], last=every[-1], number=len(every))


def _points(request: TestRequest, test: Test) -> Iterator[tuple[str, str]]:
    makers = {
        "multipass": _multipass,
        "pressure_drop": _sweep,
        "bypass_valve": _valve,
        "measurement": _results,
        "inspection": _results,
    }
    return makers[test.needed.kind](request, test)


def _multipass(request: TestRequest, test: Test) -> Iterator[tuple[str, str]]:
    rules = {limit.rule: limit for limit in test.held}
    yield say("Test flow"), si(test.points.flow, "L/min", "flow")
    viscosity = rules.get("viscosity")
    if viscosity is not None:
        yield (
            say("Test fluid and temperature"),
            say("a fluid and a temperature that give {nu} ± {tolerance}; the temperature is kept "
                "within {kelvin} K", nu=significant(viscosity.value * MM2),
                tolerance=_viscosity(viscosity.tolerance),
                kelvin=significant(rules["temperature"].value)),
        )  # fmt: skip
    dusts = (each.application.duty.ingression_dust for each in request.asked.each)
    dust = "; ".join(dict.fromkeys(filter(None, dusts)))
    yield say("Test dust"), dust or say("as the standard asks, named in the report")
    base = test.points.base_level
    if base:
        yield say("Base upstream level"), quantity_text(base * 1e3, "mg/L")
    terminal = say("{pressure} across the element, without the housing; {source}",
        pressure=si(test.points.terminal, "kPa", "pressure"),
        source=say(TERMINALS[test.points.terminal_from]))  # fmt: skip
    yield say("Terminal differential pressure"), terminal
    sizes = "; ".join(significant(size) for size in test.points.sizes)
    yield (
        say("Sizes to count"),
        say("{sizes} µm(c), counter calibrated to ISO 11171, both sides, every run", sizes=sizes),
    )


def _sweep(request: TestRequest, test: Test) -> Iterator[tuple[str, str]]:
    flows = "; ".join(significant(from_si(flow, "L/min", "flow"), 3) for flow in test.points.flows)
    own = f" [{flows} L/min]" if instead() else ""
    yield say("Flows"), say("{flows} L/min, each rising", flows=flows) + own
    hot, cold = test.points.viscosities
    yield (
        say("Viscosities"),
        say("all flows at about {hot} and again at about {cold}", hot=_viscosity(hot),
            cold=_viscosity(cold)),
    )  # fmt: skip
    yield (
        say("Parts"),
        say("the whole assembly, and the housing without its element, marked in the column part"),
    )
    joint = any(each.needed.kind == "multipass" for each in request.tests)
    if test.needed.kind == "pressure_drop" and joint:
        yield (
            say("Order"),
            say("before the multi-pass run of the same specimen, which keeps its name"),
        )


def _valve(request: TestRequest, test: Test) -> Iterator[tuple[str, str]]:
    criterion = request.settings.criterion_flow or 0.0
    yield (
        say("Sweeps"),
        say("rising from a shut valve to {flow}, then falling until it is shut; at least five "
            "rows each way", flow=si(test.points.flow, "L/min", "flow")),
    )  # fmt: skip
    yield say("Specimens"), "; ".join(_listed(sheet.specimens) for sheet in test.sheets)
    yield say("Counts as open at"), si(criterion, "L/min", "flow")
    yield say("Viscosities"), say("a test fluid of about {hot}", hot=_viscosity(24e-6))
    for demand in test.needed.demands:
        if demand.quantity.name == "valve_leakage":
            pressure = si(float(demand.at["pressure"]), "kPa", "pressure")
            yield say("Leakage"), say("with a rising row on each side of {p}", p=pressure)


def _results(request: TestRequest, test: Test) -> Iterator[tuple[str, str]]:
    for demand in test.needed.demands:
        where = f" ({retold(demand.at_text)})" if demand.at_text else ""
        yield demand.id, speak(f"{demand.text}{where}")


def _degrees(value: float) -> str:
    return si(value, "degC", "temperature")


def _viscosity(value: float) -> str:
    return quantity_text(value * MM2, "mm2/s", 3)
