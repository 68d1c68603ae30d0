"""Which sections a dossier has, and how they are numbered."""

from collections.abc import Iterable, Sequence

from dossier.decision.finding import Finding
from dossier.report.blocks import Section

__all__ = ["findings_of", "number_sections"]

MAIN = (
    ("decision", "Decision"),
    ("requirements", "Requirements and results"),
    ("application", "Application"),
    ("filters", "Filters and specimens"),
    ("efficiency", "Efficiency"),
    ("capacity", "Capacity and life"),
    ("pressure", "Pressure drop and the bypass valve"),
    ("strength", "Valve, strength, integrity, dimensions"),
    ("comparison", "Comparison with the filter now fitted"),
    ("circuit", "Behaviour in the circuit"),
    ("validity", "Validity of the tests"),
    ("uncertainty", "Uncertainty and decision rule"),
    ("cautions", "Cautions"),
    ("signoff", "Sign-off"),
    ("method", "Method"),
)
ANNEXES = (("data", "Data"), ("digests", "Digests and versions"))


def section_of(finding: Finding) -> str:
    """Return the section that shows a finding, as its quantity declares."""
    return finding.demand.quantity.section


def findings_of(findings: Iterable[Finding], key: str) -> list[Finding]:
    """Return the findings that a section shows."""
    return [finding for finding in findings if section_of(finding) == key]


def number_sections(
    findings: Sequence[Finding], has_reference: bool, has_circuit: bool
) -> dict[str, Section]:
    """Return the sections this dossier has, by key, numbered without gaps."""
    absent = {"strength"} if not findings_of(findings, "strength") else set()
    if not has_circuit and not findings_of(findings, "circuit"):
        absent.add("circuit")
    if not has_reference:
        absent.add("comparison")
    sections = {}
    present = [(key, title) for key, title in MAIN if key not in absent]
    for number, (key, title) in enumerate(present, start=1):
        sections[key] = Section(key, str(number), title)
    for letter, (key, title) in zip("AB", ANNEXES, strict=True):
        sections[key] = Section(key, f"Annex {letter}", title)
    return sections
