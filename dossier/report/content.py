"""Everything that the pages say, as formatted text: the templates only lay it out."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from dossier.case.case import Case
from dossier.decision.finding import Assessment
from dossier.decision.rules import overall
from dossier.report.blocks import Column, Section, Table
from dossier.report.content_case import (
    ApplicationPage,
    FiltersPage,
    application_page,
    filters_page,
)
from dossier.report.content_circuit import CircuitPage, circuit_page
from dossier.report.content_decision import DecisionPage, decision_page
from dossier.report.content_filtration import (
    CapacityPage,
    EfficiencyPage,
    capacity_page,
    efficiency_page,
)
from dossier.report.content_pressure import PressurePage, pressure_page
from dossier.report.content_record import (
    DigestsPage,
    MethodEntry,
    SignOffPage,
    attachments_note,
    data_tables,
    digests_page,
    methods,
    signoff_page,
)
from dossier.report.content_results import result_row, results_table
from dossier.report.content_trade import ComparisonPage, comparison_page
from dossier.report.content_uncertainty import UncertaintyPage, uncertainty_page
from dossier.report.content_validity import ValidityPage, validity_page
from dossier.report.format import speak
from dossier.report.sections import findings_of, number_sections
from dossier.report.signing import SignOff

__all__ = ["Caution", "Content", "build_content"]


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution as printed."""

    title: str
    text: str


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
    sections: Mapping[str, Section]
    decision: DecisionPage
    requirements: Table
    reasons: Table
    application: ApplicationPage
    filters: FiltersPage
    efficiency: EfficiencyPage
    capacity: CapacityPage
    pressure: PressurePage
    strength: Table
    comparison: ComparisonPage
    circuit: CircuitPage
    validity: ValidityPage
    uncertainty: UncertaintyPage
    computed_cautions: tuple[Caution, ...]
    general_cautions: tuple[Caution, ...]
    signoff: SignOffPage
    methods: tuple[MethodEntry, ...]
    data: tuple[Table, ...]
    data_note: str
    digests: DigestsPage
    purpose: str
    notes: str


def build_content(
    case: Case,
    assessment: Assessment,
    *,
    issued: date,
    decision_json: bytes,
    manifest: Mapping[str, object],
    signoff: SignOff,
    style: str,
) -> Content:
    """Return the whole dossier as formatted text and charts; `style` is the chart style sheet."""
    _consistent(assessment)
    qualification = case.qualification
    findings = assessment.findings
    threshold = case.application.decision_rule.confidence
    page_one = decision_page(case, assessment, signoff, issued, style)
    return Content(
        title=qualification.title,
        number=qualification.number,
        running=f"{qualification.number} · revision {qualification.revision}",
        state=page_one.answer.stamp or page_one.answer.word,
        issued=issued,
        sections=number_sections(
            findings,
            qualification.reference is not None,
            any(s.long_run for s in assessment.circuit),
        ),
        decision=page_one,
        requirements=_requirements(assessment, threshold),
        reasons=_reasons(assessment, threshold),
        application=application_page(case),
        filters=filters_page(case, assessment),
        efficiency=efficiency_page(assessment, threshold, style),
        capacity=capacity_page(assessment, threshold, style),
        pressure=pressure_page(case, assessment, threshold, style),
        strength=_body(assessment, "strength", "Valve, strength, integrity, dimensions", threshold),
        comparison=comparison_page(assessment, threshold, style),
        circuit=circuit_page(case, assessment, threshold, style),
        validity=validity_page(case, assessment),
        uncertainty=uncertainty_page(case, assessment),
        computed_cautions=_cautions(assessment, computed=True),
        general_cautions=_cautions(assessment, computed=False),
        signoff=signoff_page(signoff, assessment.decision.value),
        methods=methods(findings),
        data=data_tables(assessment),
        data_note=attachments_note(assessment.bench.multipass),
        digests=digests_page(case, assessment, manifest, hashlib.sha256(decision_json).hexdigest()),
        purpose=speak(qualification.purpose),
        notes=speak(qualification.notes),
    )


def _consistent(assessment: Assessment) -> None:
    """Refuse to print a decision that does not follow from its findings."""
    stated = [
        (f.verdict, f.demand.severity == "mandatory", bool(f.concession))
        for f in assessment.findings
    ]
    follows = overall(stated)
    if follows is not assessment.decision:
        raise ValueError(
            f"the decision {assessment.decision.value!r} does not follow from the findings, "
            f"which give {follows.value!r}"
        )


def _cautions(assessment: Assessment, *, computed: bool) -> tuple[Caution, ...]:
    return tuple(
        Caution(each.title, speak(each.text))
        for each in assessment.cautions
        if each.computed is computed
    )


def _body(assessment: Assessment, key: str, caption: str, threshold: float) -> Table:
    own = findings_of(assessment.findings, key)
    return results_table(caption, own, threshold, "No requirement asks for it.")


def _requirements(assessment: Assessment, threshold: float) -> Table:
    rows = []
    for finding in assessment.findings:
        row = result_row(finding, threshold)
        basis = "" if finding.demand.basis == "mean" else f"judged on {row.basis}"
        what = tuple(line for line in (row.text, row.what, basis) if line)
        name = (row.id, row.severity) if row.severity == "advisory" else row.id
        rows.append((name, what, row.limit, row.result, row.probability, row.verdict, row.source))
    return Table(
        caption="Every requirement with its limit, result, probability and verdict",
        columns=(
            Column("Id", 9),
            Column("Requirement; quantity and conditions", 28),
            Column("Limit", 12),
            Column("Result ± U", 16),
            Column("Proba\u00adbility", 9, "right"),
            Column("Verdict", 13),
            Column("Source", 13),
        ),
        rows=tuple(rows),
        note="U: 95 % interval of the result. Probability: that the requirement is met, given the "
        "measurement. Requirements are mandatory unless marked advisory. A result with “>” or "
        "“<” is a bound. Verdicts are taken on unrounded numbers.",
    )


def _reasons(assessment: Assessment, threshold: float) -> Table:
    rows = []
    for finding in assessment.findings:
        row = result_row(finding, threshold)
        if row.verdict.kind == "pass":
            continue
        conceded = (f"Concession: {row.concession}",) if row.concession else ()
        rows.append((row.id, row.verdict, (row.reason, *conceded)))
    return Table(
        caption="Why a requirement is not a plain pass, in full",
        columns=(Column("Id", 13), Column("Verdict", 17), Column("Reason", 70)),
        rows=tuple(rows),
        empty="Every requirement passes.",
    )
