"""Where things stand in the dossier, so that a verdict leads to its chart, record and checks."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dossier.decision.finding import Assessment, Finding
from dossier.report.blocks import Line, Link
from dossier.report.pages.condense import runs_of

CHECKS = "checks"
MARGINS = "chart-margins"
CHARTS = {
    "efficiency": "chart-size",
    "size_at_ratio": "chart-size",
    "size_at_efficiency": "chart-size",
    "lowest_efficiency": "chart-tenths",
    "filtration_ratio": "chart-tenths",
    "injected_capacity": "chart-loading",
    "retained_capacity": "chart-loading",
    "service_life": "chart-hours",
    "pressure_drop_at_interval": "chart-hours",
    "bypass_margin": "chart-hours",
    "clean_pressure_drop": "chart-flow",
    "cold_bypass_temperature": "chart-temperature",
    "partial_flow_share": "chart-share",
    "turnover_time": "chart-share",
}
"""Chart that shows a quantity; any other is on the chart of margins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Anchors of what a reader may want to follow."""

    requirements: Mapping[str, str]
    """Requirement -> its row in the table of requirements."""
    results: Mapping[str, str]
    """Requirement -> the row with each specimen's result in its section."""
    records: Mapping[str, str]
    """Record -> its row in the list of records."""
    has_share: bool
    """Whether the share through the fine path is drawn."""

    def chart(self, finding: Finding) -> str:
        """Return the anchor of the chart that shows a finding."""
        anchor = CHARTS.get(finding.demand.quantity.name, MARGINS)
        return MARGINS if anchor == "chart-share" and not self.has_share else anchor

    def asked(self, ids: Iterable[str]) -> Line:
        """Return requirements, each leading to its row in the table of requirements."""
        return _joined([Link(each, self.requirements[each]) for each in ids])

    def listed(self, records: Iterable[str]) -> Line:
        """Return records in runs, each leading to its row in the list of records."""
        known = [record for record in records if record in self.records]
        links = [Link(text, self.records[group[0]]) for text, group in runs_of(known)]
        return _joined(links, small=True)


def _joined(links: Sequence[Link], *, small: bool = False) -> Line:
    parts: list[str | Link] = []
    for link in links:
        parts += [", ", link]
    return Line(tuple(parts[1:]), small)


def places_of(assessment: Assessment) -> Places:
    """Return the anchors of a dossier: numbered, since names are free text."""
    findings = assessment.findings
    results = {
        member.demand.id: f"result-{number}"
        for number, group in enumerate(_groups(findings), start=1)
        for member in group
    }
    records = (record.id for record in assessment.bench.case.records)
    return Places(
        requirements={f.demand.id: f"requirement-{i}" for i, f in enumerate(findings, start=1)},
        results=results,
        records={record: f"record-{i}" for i, record in enumerate(records, start=1)},
        has_share=any(side.share_curve is not None for side in assessment.circuit),
    )


def _groups(findings: Iterable[Finding]) -> list[list[Finding]]:
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        key = (finding.demand.quantity.name, finding.demand.at_text)
        groups.setdefault(key, []).append(finding)
    return list(groups.values())


def alike(findings: Iterable[Finding]) -> list[tuple[tuple[str, ...], list[Finding]]]:
    """Return findings on the same quantity and conditions together, with their identifiers."""
    return [(tuple(f.demand.id for f in group), group) for group in _groups(findings)]


def same_as(findings: Sequence[Finding]) -> dict[str, str]:
    """Return requirements that ask just what an earlier one asks, with the name of that one."""
    first: dict[tuple[object, ...], str] = {}
    again = {}
    for finding in findings:
        asked = finding.demand
        key = (
            asked.quantity.name, asked.at_text, asked.lower, asked.upper, asked.not_worse,
            asked.basis, asked.coverage, asked.severity, asked.must_hold, asked.not_applicable,
            finding.verdict.value, finding.concession and finding.concession.text,
        )  # fmt: skip
        if key in first:
            again[asked.id] = first[key]
        else:
            first[key] = asked.id
    return again
