"""Which sections a dossier has, and how they are numbered."""

from collections.abc import Iterable, Sequence

from dossier.decision.finding import Finding
from dossier.report.blocks import Section
from dossier.words import later, say

MAIN = (
    ("decision", later("Decision")),
    ("requirements", later("Requirements and results")),
    ("application", later("Application")),
    ("filters", later("Filters and specimens")),
    ("efficiency", later("Efficiency")),
    ("capacity", later("Capacity and life")),
    ("pressure", later("Pressure drop and the bypass valve")),
    ("strength", later("Valve, strength, integrity, dimensions")),
    ("comparison", later("Comparison with the filter now fitted")),
    ("circuit", later("Behaviour in the circuit")),
    ("validity", later("Validity of the tests")),
    ("uncertainty", later("Uncertainty and decision rule")),
    ("cautions", later("Cautions")),
    ("signoff", later("Sign-off")),
    ("method", later("Method")),
)
ANNEXES = (("data", later("Data")), ("digests", later("Digests and versions")))


def section_of(finding: Finding) -> str:
    """Return the section that shows a finding, as its quantity declares."""
    return finding.demand.quantity.section


def findings_of(findings: Iterable[Finding], key: str) -> list[Finding]:
    """Return the findings that a section shows."""
    return [finding for finding in findings if section_of(finding) == key]


def number_sections(
    findings: Sequence[Finding], has_reference: bool, has_circuit: bool, own: Sequence[str] = ()
) -> dict[str, Section]:
    """Return the sections this dossier has, by key, numbered without gaps.

    `own` are the titles of a house's sections, which come last.
    """
    absent = {"strength"} if not findings_of(findings, "strength") else set()
    if not has_circuit and not findings_of(findings, "circuit"):
        absent.add("circuit")
    if not has_reference:
        absent.add("comparison")
    sections = {}
    present = [(key, title) for key, title in MAIN if key not in absent]
    for number, (key, title) in enumerate(present, start=1):
        sections[key] = Section(key, str(number), say(title))
    for letter, (key, title) in zip("AB", ANNEXES, strict=True):
        sections[key] = Section(key, say("Annex {letter}", letter=letter), say(title))
    for number, title in enumerate(own, start=1):
        key = f"house-{number}"
        sections[key] = Section(key, say("House {number}", number=number), title)
    return sections
