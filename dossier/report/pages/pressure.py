"""Charts of pressure drop, of the bypass valve and of the flow sweeps as measured."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace

import numpy as np

from dossier.case.case import Case
from dossier.decision.finding import Assessment, Finding
from dossier.evidence.bench import Curve
from dossier.evidence.records.reduced import PressureDropResult
from dossier.physics.values import KELVIN
from dossier.report.blocks import Chart
from dossier.report.charts.filtration_chart import LimitMark
from dossier.report.charts.panel import Figure, Panel
from dossier.report.charts.pressure_chart import (
    Sweep,
    draw_against_flow,
    draw_against_hours,
    draw_against_temperature,
    draw_sweeps,
)
from dossier.report.charts.style import HALF, HEIGHT, draw
from dossier.report.format import quantity_text, significant, span_text
from dossier.report.pages.filtration import by_path, chart_by_path, limits_alt
from dossier.report.pages.fixed_words import PATHS
from dossier.report.pages.places import chart_of, findings_of, same_as
from dossier.report.running import retold
from dossier.words import later, say, say_count


def pressure_charts(
    case: Case, assessment: Assessment, asked: Collection[Finding], style: str
) -> Iterator[Chart]:
    """Yield each chart that one of the `asked` leads to, and the sweeps as measured."""
    findings = findings_of(assessment.findings, "pressure")
    wanted = {chart_of(finding) for finding in asked}
    if "chart-flow" in wanted:
        yield _against_flow(case, assessment, findings, style)
    if "chart-temperature" in wanted:
        yield _against_temperature(case, assessment, style)
    if "chart-hours" in wanted:
        yield _against_hours(case, assessment, findings, style)
    yield _sweeps(assessment.bench.pressure, style)


def _absent(assessment: Assessment, caption: str, anchor: str, lead: str) -> Chart:
    """Return what stands where a chart would: what cannot be drawn, and why."""
    curves = assessment.curves
    notes = curves.hours_notes if anchor == "chart-hours" else curves.notes
    because = "; ".join(retold(note) for note in notes) or say("there is no usable flow sweep")
    why = f"{lead} {because[0].upper()}{because[1:]}."
    return Chart(caption=caption, id=anchor, missing=why)


def _band(curve: Curve, x: Callable[[np.ndarray], np.ndarray]) -> Curve:
    """Return a curve with pressures in kPa."""
    y, low, high = (each / 1e3 for each in (curve.y, curve.low, curve.high))
    return replace(curve, x=x(curve.x), y=y, low=low, high=high)


def _against_flow(
    case: Case, assessment: Assessment, findings: Sequence[Finding], style: str
) -> Chart:
    limits = [*_flow_limits(findings)]
    caption = " ".join(_flow_caption(case.application.circuit.system_pressure, limits))
    curves = assessment.curves
    duty = case.application.duty
    panels = [(curves.clean_hot, duty.hot_oil)]
    if curves.cold_temperature is not None:
        panels.append((curves.clean_cold, curves.cold_temperature))
    drawn = [
        ([_band(c, lambda q: q * 6e4) for c in group], warmth) for group, warmth in panels if group
    ]
    if not drawn:
        lead = say("Not demonstrated: no line can be drawn of clean pressure drop.")
        return _absent(assessment, caption, "chart-flow", lead)

    def paint(figure: Figure) -> None:
        for ax, (bands, warmth) in zip(figure.row(len(drawn)), drawn, strict=True):
            own = [limit for limit, t in limits if abs(t - warmth) < 0.5]
            title = say("oil at {warmth}", warmth=_celsius(warmth))
            if duty.cold_start + 0.5 < warmth < duty.hot_oil:
                title = say("oil at {warmth}; colder was not tested", warmth=_celsius(warmth))
            elif curves.swept_to is not None and warmth > curves.swept_to:
                words = later("oil at {warmth}; swept as thin as at {swept}")
                title = say(words, warmth=_celsius(warmth), swept=_celsius(curves.swept_to))
            draw_against_flow(ax, bands, own, title)

    alt = say_count(
        len(drawn),
        "{number} chart of clean pressure drop in kPa against flow in L/min.",
        "{number} charts of clean pressure drop in kPa against flow in L/min.",
    )
    for bands, warmth in drawn:
        ends = say(
            "Oil at {warmth}: {lines}.", warmth=_celsius(warmth), lines=_ends(bands, "L/min")
        )
        alt = f"{alt} {ends}"
    told = say("Limits: {limits}.", limits=limits_alt(findings, "clean_pressure_drop"))
    uri = draw(paint, style, HEIGHT)
    return Chart(caption=caption, id="chart-flow", uri=uri, alt=f"{alt} {told}")


def _flow_caption(most: float | None, limits: Collection[object]) -> Iterator[str]:
    """Yield what the chart shows, where its lines end, and its limits where it has any."""
    yield say(
        "Clean pressure drop of the assembly, full-flow path, against flow with the application's "
        "oil, with its 95 % band."
    )
    if most is None:
        yield say("Lines end where sweeps are carried no further.")
    else:
        words = later(
            "Lines end where sweeps are carried no further, or at the supply's {pressure}."
        )
        yield say(words, pressure=quantity_text(most / 1e3, "kPa"))
    if limits:
        yield say(TRIANGLES)


TRIANGLES = later("Triangles are limits.")


def _celsius(kelvin: float) -> str:
    return quantity_text(kelvin - KELVIN, "degC")


def _ends(bands: Sequence[Curve], unit: str) -> str:
    return "; ".join(
        say(
            "{line} {first} kPa at {start} to {last} kPa at {end}",
            line=say(band.label),
            first=significant(float(band.y[0]), 3),
            start=quantity_text(float(band.x[0]), unit, 3),
            last=significant(float(band.y[-1]), 3),
            end=quantity_text(float(band.x[-1]), unit, 3),
        )
        for band in bands
    )


def _flow_limits(findings: Sequence[Finding]) -> Iterator[tuple[LimitMark, float]]:
    """Yield limits on clean pressure drop as marks, each with its oil temperature [K]."""
    for finding in findings:
        demand = finding.demand
        if demand.quantity.name != "clean_pressure_drop" or finding.upper is None:
            continue
        flow, warmth = float(demand.at["flow"]), float(demand.at["temperature"])
        label = say("limit {requirement}", requirement=demand.id)
        place = LimitMark(x=flow * 6e4, y=finding.upper / 1e3, label=label, is_minimum=False)
        yield (place, warmth)


def _opening(case: Case) -> tuple[float, float] | None:
    valve = case.application.circuit.bypass_valve
    if valve is None or valve.opening is None:
        return None
    return valve.opening.min / 1e3, valve.opening.max / 1e3


def _against_temperature(case: Case, assessment: Assessment, style: str) -> Chart:
    flow = quantity_text(case.application.circuit.rated_flow * 6e4, "L/min")
    caption = say(
        "Clean pressure drop at rated flow, {flow}; hatched: the bypass valve opens. Left of where "
        "a line meets it, unfiltered oil passes. Lines end where sweeps are carried no further.",
        flow=flow,
    )
    curves = assessment.curves.against_temperature
    if not curves:
        lead = say("Not demonstrated: no line can be drawn of pressure drop in the cold.")
        return _absent(assessment, caption, "chart-temperature", lead)
    bands = [_band(curve, lambda t: t - KELVIN) for curve in curves]
    opening = _opening(case)
    cold, swept = case.application.duty.cold_start - KELVIN, assessment.curves.swept_to
    words = say("none", context="opening band")
    if opening:
        words = span_text(*(quantity_text(end, "kPa") for end in opening))
    alt = say(
        "Chart of clean pressure drop in kPa against oil temperature in °C: {lines}. "
        "Opening band of the bypass valve: {band}. Cold start at {cold}.",
        lines=_ends(bands, "degC"), band=words, cold=_celsius(cold + KELVIN),
    )  # fmt: skip

    def paint(panel: Panel) -> None:
        draw_against_temperature(panel, bands, opening, cold, swept and swept - KELVIN)

    return half_chart(paint, style, caption=caption, id="chart-temperature", alt=alt)


def _against_hours(
    case: Case, assessment: Assessment, findings: Sequence[Finding], style: str
) -> Chart:
    caption = say(
        "Predicted pressure drop at rated flow with normal oil. The band is that of contaminant "
        "rate and specimens; it ends where the multi-pass runs ended."
    )
    limits = [*_hours_limits(assessment.findings)]
    if limits:
        caption = f"{caption} {say(TRIANGLES)}"
    curves = assessment.curves.against_hours
    if not curves:
        lead = say("Not demonstrated: no line can be drawn of pressure drop in service.")
        return _absent(assessment, caption, "chart-hours", lead)
    bands = [_within_tests(_band(curve, lambda seconds: seconds / 3600.0)) for curve in curves]
    opening = _opening(case)
    lowest = opening[0] if opening else None
    interval = case.application.duty.service_interval / 3600.0
    verdicts = "; ".join(
        f"{f.demand.id} {say(f.verdict.value)}"
        for f in findings
        if f.demand.quantity.name in {"bypass_margin", "pressure_drop_at_interval"}
    )
    valve = quantity_text(lowest, "kPa") if lowest is not None else say("not stated")
    alt = say(
        "Chart of predicted pressure drop in kPa against service time in h: {lines}. "
        "Lowest opening of the bypass valve: {valve}. Service interval {interval} h. "
        "{verdicts}",
        lines=_ends(bands, "h"), valve=valve, interval=significant(interval),
        verdicts=verdicts or say("No requirement on it."),
    )  # fmt: skip

    def paint(panel: Panel) -> None:
        draw_against_hours(panel, bands, lowest, interval, limits)

    return half_chart(paint, style, caption=caption, id="chart-hours", alt=alt)


def half_chart(drawn: Callable[[Panel], None], style: str, **words: str) -> Chart:
    """Return a chart of half the width that is `drawn` in one panel; `words` are its own."""
    uri = draw(lambda figure: drawn(figure.row()[0]), style, HEIGHT, HALF)
    return Chart(uri=uri, half=True, **words)


def _hours_limits(findings: Sequence[Finding]) -> Iterator[LimitMark]:
    """Yield limits on the pressure drop at an interval, and those on life at the axis."""
    again = same_as(findings)
    for finding in findings:
        if finding.demand.id in again:
            continue
        name, at = finding.demand.quantity.name, finding.demand.at
        if name == "pressure_drop_at_interval" and finding.upper is not None:
            x, y = float(at["hours"]) / 3600.0, finding.upper / 1e3
        elif name == "service_life" and finding.lower is not None:
            x, y = finding.lower / 3600.0, 0.0
        else:
            continue
        yield LimitMark(x=x, y=y, label=finding.demand.id, is_minimum=y == 0.0)


def _within_tests(band: Curve) -> Curve:
    """Return the band cut where its fast edge has left the tested range and only stays level."""
    level = band.high >= np.nanmax(band.high) * (1.0 - 1e-9)
    level[int(np.argmax(level))] = False
    return replace(band, high=np.where(level, np.nan, band.high))


def _sweeps(sweeps: Sequence[PressureDropResult], style: str) -> Chart:
    """Return every sweep as measured, in the test oil, each path in a panel of its own."""
    caption = say(
        "Flow sweeps as measured in the test oil, whole assembly: points as read, lines as fitted."
    )
    paths = {
        path: [half for sweep in own for half in _by_viscosity(sweep)]
        for path, own in by_path(sweeps).items()
    }
    if not paths:
        return Chart(caption=caption, missing=say("No flow sweep could be reduced."))
    alt = " ".join(_sweeps_alt(path, own) for path, own in paths.items())
    return chart_by_path(
        paths, lambda panel, path, own: draw_sweeps(panel, own), style, caption=caption, alt=alt
    )


def _by_viscosity(sweep: PressureDropResult) -> Iterator[Sweep]:
    """Yield the rows of the assembly in the thin and in the thick oil, in order of flow."""
    nu = sweep.viscosity / sweep.density
    between = float(np.sqrt(nu.min() * nu.max()))
    fit = sweep.assembly
    fitted = fit.a * sweep.viscosity * sweep.flow + fit.b * sweep.density * sweep.flow**2
    for half in (nu <= between, nu > between):
        rows = np.flatnonzero(half & ~sweep.housing_rows)
        rows = rows[np.argsort(sweep.flow[rows], kind="stable")]
        if len(rows):
            yield Sweep(
                side=sweep.side, flow=sweep.flow[rows] * 6e4,
                pressure=sweep.pressure_drop[rows] / 1e3, fitted=fitted[rows] / 1e3,
                viscosity=float(nu[rows].mean()) * 1e6,
            )  # fmt: skip


def _sweeps_alt(path: str, sweeps: Sequence[Sweep]) -> str:
    flows = np.concatenate([sweep.flow for sweep in sweeps])
    drops = np.concatenate([sweep.pressure for sweep in sweeps])
    return say_count(
        len(sweeps),
        "Chart of differential pressure, {least} kPa to {most} kPa, against flow, {slow} L/min to "
        "{fast} L/min, both logarithmic, {path}, {number} sweep at one viscosity.",
        "Chart of differential pressure, {least} kPa to {most} kPa, against flow, {slow} L/min to "
        "{fast} L/min, both logarithmic, {path}, {number} sweeps at one viscosity each.",
        least=significant(float(drops.min()), 3),
        most=significant(float(drops.max()), 3),
        slow=significant(float(flows.min()), 3),
        fast=significant(float(flows.max()), 3),
        path=say(PATHS[path]),
    )
