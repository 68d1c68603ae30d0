"""Everything that the pages say, as formatted text: the templates only lay it out."""

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from dossier.case.case import Case
from dossier.decision import finding
from dossier.decision.finding import Assessment
from dossier.decision.together import binding, leading
from dossier.report.blocks import Chart, Fact, Section, Table
from dossier.report.format import speak
from dossier.report.house.house import DEFERENCE, House, HouseCaution
from dossier.report.pages.capacity import loading_chart, runs_table
from dossier.report.pages.case_pages import FiltersPage, application_facts, filters_page
from dossier.report.pages.circuit import CircuitPage, applications_facts, circuit_page
from dossier.report.pages.comparison import ComparisonPage, comparison_page
from dossier.report.pages.decision import DecisionPage, decision_page
from dossier.report.pages.filtration import efficiency_charts, sizes_table
from dossier.report.pages.frame import FramePage, frame_page
from dossier.report.pages.places import (
    OF_APPLICATION,
    OF_PRESSURE,
    chart_of,
    condensed,
    number_sections,
    places_of,
    section_of,
)
from dossier.report.pages.pressure import pressure_charts
from dossier.report.pages.record_pages import (
    DigestsPage,
    MethodFamily,
    SignOffPage,
    digests_page,
    methods,
    signoff_page,
    symbols,
)
from dossier.report.pages.requirements import reasons_table, requirements_table
from dossier.report.pages.results import printed
from dossier.report.pages.uncertainty import UncertaintyPage, uncertainty_page
from dossier.report.pages.validity import ValidityPage, validity_page
from dossier.report.running import retold
from dossier.report.signing import SignOff
from dossier.words import say


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """One field a section; `sections` says which there are."""

    title: str
    number: str
    running: str
    """Dossier number and revision, as it runs along the top of every page."""
    state: str
    """The DRAFT stamp, or the decision once signed, on every page."""
    issued: date
    paper: str
    sections: Mapping[str, Section]
    decision: DecisionPage
    requirements: Table
    reasons: Table
    frame: FramePage
    leading: str
    """Which of several applications the charts of pressure, life and circuit are of."""
    application: tuple[Fact, ...]
    """What the application states, or each of several."""
    filters: FiltersPage
    charts: tuple[Chart, ...]
    """Those that show what a requirement asks for, and the sweeps as measured."""
    measured: tuple[Table, ...]
    curve_notes: tuple[str, ...]
    comparison: ComparisonPage
    circuit: CircuitPage
    validity: ValidityPage
    uncertainty: UncertaintyPage
    computed_cautions: tuple[Fact, ...]
    general_cautions: tuple[Fact, ...]
    house_cautions: tuple[Fact, ...]
    """In the words of the house, some of them in place of usual ones."""
    signoff: SignOffPage
    methods: tuple[MethodFamily, ...]
    symbols: str
    """What the letters in their formulas mean."""
    digests: DigestsPage
    purpose: str
    notes: str
    house: House | None
    """Whose logo, colour and further words the pages have; None without one."""
    house_words: str
    """What stands above and below all words of the house."""
    house_foot: str
    """What page one says of the house at its foot."""


def build_content(
    case: Case,
    assessment: Assessment,
    *,
    issued: date,
    decision_json: bytes,
    manifest: Mapping[str, Any],
    signoff: SignOff,
    style: str,
    house: House | None = None,
) -> Content:
    """Return the whole dossier as formatted text and charts; `style` is the chart style sheet."""
    _consistent(assessment)
    assessment = printed(assessment)
    qualification = case.qualification
    findings = assessment.findings
    lead = leading(assessment.parts) if assessment.parts else assessment
    alone = lead.bench.case if assessment.parts else case
    logo = house is not None and bool(house.logo)
    page_one = decision_page(case, assessment, signoff, logo=logo)
    places = places_of(assessment)
    asked = {section_of(each) for each in findings}
    has = {
        "curves": not asked.isdisjoint({"efficiency", "capacity", "pressure"}),
        "comparison": qualification.reference is not None,
        "circuit": "circuit" in asked,
    }
    sections = number_sections(has, [each.title for each in house.sections] if house else ())
    own = house.cautions if house else ()
    words = foot = ""
    if house is not None:
        words = say("Words of the house “{name}”: no part of what was decided.", name=house.name)
        foot = say("House “{name}”, SHA-256 {digest}", name=house.name, digest=house.digest)
    number, revision = qualification.number, qualification.revision
    running = say("{number} · revision {revision}", number=number, revision=revision)
    return Content(
        title=qualification.title,
        number=number,
        running=running,
        state=page_one.answer.stamp or page_one.answer.word,
        issued=issued,
        paper=qualification.paper,
        sections=sections,
        decision=page_one,
        requirements=requirements_table(assessment, places),
        reasons=reasons_table(assessment, places),
        frame=frame_page(case, assessment, signoff, issued, places),
        leading=alone.mark,
        application=tuple(
            applications_facts(assessment) if assessment.parts else application_facts(case)
        ),
        filters=filters_page(case, assessment, places),
        charts=tuple(_charts(alone, lead, assessment, asked, style)),
        measured=tuple(_measured(lead, asked)),
        curve_notes=tuple(_curve_notes(lead, findings)) if "pressure" in asked else (),
        comparison=comparison_page(assessment, style),
        circuit=circuit_page(alone, lead, style),
        validity=validity_page(case, assessment),
        uncertainty=uncertainty_page(case, assessment, places),
        computed_cautions=tuple(_computed(assessment)),
        general_cautions=_cautions(_kept([c for c in assessment.cautions if not c.computed], own)),
        house_cautions=tuple(Fact(each.title, each.text) for each in own),
        signoff=signoff_page(signoff, assessment.decision.value),
        methods=methods(findings),
        symbols=symbols(findings),
        digests=digests_page(case, manifest, hashlib.sha256(decision_json).hexdigest(), house),
        house=house,
        house_words=words,
        house_foot=foot,
        purpose=speak(qualification.purpose),
        notes=speak(qualification.notes),
    )


def _consistent(assessment: Assessment) -> None:
    """Refuse to print a decision that does not follow from its findings."""
    follows = finding.decision_of(assessment.findings, assessment.conditions)
    if follows is not assessment.decision:
        raise ValueError(
            f"the decision {assessment.decision.value!r} does not follow from the findings, "
            f"which give {follows.value!r}"
        )


def _charts(
    case: Case, lead: Assessment, assessment: Assessment, asked: Collection[str], style: str
) -> Iterator[Chart]:
    """Yield the charts of each kind of quantity that is asked for."""
    if "efficiency" in asked:
        yield from efficiency_charts(_binding(assessment), style)
    if "capacity" in asked:
        yield loading_chart(lead, style)
    leads_to = {chart_of(each) for each in assessment.findings}
    if "pressure" in asked or not leads_to.isdisjoint(OF_PRESSURE):
        for chart in pressure_charts(case, lead, assessment.findings, style):
            marked = say("{mark}: {text}", mark=case.mark, text=chart.caption)
            own = case.mark and chart.id in OF_APPLICATION
            yield replace(chart, caption=marked) if own else chart


def _curve_notes(lead: Assessment, findings: Iterable[finding.Finding]) -> Iterator[str]:
    """Yield once why a line that is asked for is lacking."""
    curves, leads_to = lead.curves, {chart_of(each) for each in findings}
    hours = curves.hours_notes if "chart-hours" in leads_to else ()
    yield from dict.fromkeys(map(retold, (*curves.notes, *hours)))


def _measured(lead: Assessment, asked: Collection[str]) -> Iterator[Table]:
    if "efficiency" in asked:
        yield sizes_table(lead.bench.multipass)
    if "capacity" in asked:
        yield runs_table(lead.bench.multipass)


def _binding(assessment: Assessment) -> Assessment:
    """Return the assessment with, of several applications, the findings that bind alone."""
    if not assessment.parts:
        return assessment
    return replace(assessment, findings=tuple(one for one, _ in binding(assessment.findings)))


def _computed(assessment: Assessment) -> Iterator[Fact]:
    """Yield what the numbers give rise to: of several applications once, with what differs."""
    marks = [part.bench.case.mark for part in assessment.parts]
    heads = {say("{mark}: {text}", mark=mark, text=""): mark for mark in marks}
    told: dict[str, list[tuple[str, finding.Caution]]] = {}
    for each in (caution for caution in assessment.cautions if caution.computed):
        head = next(filter(each.title.startswith, heads), "")
        told.setdefault(each.title.removeprefix(head), []).append((heads.get(head, ""), each))
    for title, found in told.items():
        if len(found) > 1:
            alike = condensed((mark, retold(each.text)) for mark, each in found)
            yield Fact(title, " ".join(alike))
        else:
            yield from _cautions(each for _, each in found)


def _cautions(cautions: Iterable[finding.Caution]) -> tuple[Fact, ...]:
    return tuple(Fact(each.title, retold(each.text)) for each in cautions)


def _kept(
    usual: Iterable[finding.Caution], own: Iterable[HouseCaution]
) -> Iterator[finding.Caution]:
    """Yield the usual cautions that no house has put in words of its own."""
    reworded = {each.replaces for each in own if each.replaces} - {DEFERENCE.name}
    return (each for each in usual if each.name not in reworded)
