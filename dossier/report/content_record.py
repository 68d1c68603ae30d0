"""Sign-off block, methods used, data annex, digests and versions as formatted text."""

import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dossier.case.case import Case
from dossier.decision.finding import Assessment, Finding
from dossier.evidence.reduced import MultipassResult
from dossier.report.blocks import Cell, Column, Fact, Table
from dossier.report.content_filtration import bound_ratio
from dossier.report.format import bound_text, date_text, significant, speak
from dossier.report.signing import Signed, SignOff
from dossier.report.words import answer_of

__all__ = [
    "DigestsPage",
    "MethodEntry",
    "SignOffPage",
    "data_tables",
    "digests_page",
    "methods",
    "signoff_page",
]

MOST_RUNS = 6
"""Multi-pass runs whose ten tenths are printed; all are attached."""
MOST_SIZES = 8

MEANINGS = {
    "prepared": "I prepared this dossier from the records named in it.",
    "checked": "I checked records, requirements, deviations and results.",
    "approved": "I take the decision on page one, for the equipment it covers.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffPage:
    """Who stands for the dossier."""

    state: str
    lines: tuple[tuple[str, str, str, str, str], ...]
    """Role, name, meaning, date, note; blank where nobody has signed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodEntry:
    """How one quantity is obtained."""

    title: str
    symbol: str
    meaning: str
    formula: str
    standard: str
    used_for: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DigestsPage:
    """What proves that nothing was changed."""

    files: Table
    versions: tuple[Fact, ...]
    end: str


def signoff_page(signoff: SignOff, decision: str) -> SignOffPage:
    """Return the sign-off block; empty lines to sign where a role has not signed."""
    answer = answer_of(decision, signoff)
    if answer.stamp:
        state = (
            f"{answer.stamp}. Until every line below is signed, this dossier is a draft and gives "
            "no leave to fit the filter. A sign-off is bound to the digests of inputs and "
            "findings; if one of them changes, it no longer holds."
        )
    else:
        state = (
            f"Signed. The decision is: {answer.word.lower()}. Each sign-off is bound to the "
            "digests of inputs and findings in the annex on digests."
        )
    return SignOffPage(state=state, lines=tuple(_sign_lines(signoff)))


def _sign_lines(signoff: SignOff) -> Iterable[tuple[str, str, str, str, str]]:
    for role in signoff.roles:
        given = [each for each in signoff.signed if each.role == role]
        for each in given:
            yield _signed_line(each)
        if not given:
            yield role.capitalize(), "", MEANINGS.get(role, ""), "", ""


def _signed_line(each: Signed) -> tuple[str, str, str, str, str]:
    note = each.note if each.holds else f"no longer holds: {each.note or 'something changed'}"
    return each.role.capitalize(), each.name, each.meaning, date_text(each.date), note


def methods(findings: Iterable[Finding]) -> tuple[MethodEntry, ...]:
    """Return how each quantity that a requirement asks for is obtained, from its declaration."""
    used: dict[str, list[Finding]] = {}
    for finding in findings:
        used.setdefault(finding.demand.quantity.name, []).append(finding)
    entries = []
    for group in used.values():
        declared = group[0].demand.quantity
        entries.append(
            MethodEntry(
                title=declared.title,
                symbol=declared.symbol,
                meaning=speak(declared.meaning),
                formula=declared.formula,
                standard=speak(declared.standard),
                used_for=", ".join(finding.demand.id for finding in group),
            )
        )
    return tuple(entries)


def data_tables(assessment: Assessment) -> tuple[Table, ...]:
    """Return the ratio of each reporting tenth for the first runs, candidate first."""
    everything = assessment.bench.multipass
    runs = sorted(everything, key=lambda run: (run.side != "candidate", run.path, run.specimen))
    return tuple(_tenths(run) for run in runs[:MOST_RUNS])


def _tenths(run: MultipassResult) -> Table:
    sizes = range(min(len(run.sizes), MOST_SIZES))
    width = 84 // max(len(sizes), 1)
    columns = [Column("Test time", 16)]
    columns += [Column(f"{significant(float(run.sizes[k]))} µm(c)", width, "right") for k in sizes]
    rows: list[tuple[Cell, ...]] = []
    for tenth in range(run.up.shape[0]):
        label = f"{10 * tenth} % to {10 * tenth + 10} %"
        rows.append((label, *(_tenth(run, tenth, k) for k in sizes)))
    return Table(
        caption=f"Record {run.record}, {run.side} {run.specimen}: filtration ratio of each "
        "reporting tenth",
        columns=tuple(columns),
        rows=tuple(rows),
    )


def _tenth(run: MultipassResult, tenth: int, k: int) -> str:
    down = float(run.down[tenth, k])
    if not down > 0:
        return bound_text(significant(bound_ratio(run, tenth, k), 3, keep=True), "larger than")
    return significant(float(run.up[tenth, k]) / down, 3, keep=True)


def digests_page(
    case: Case, assessment: Assessment, manifest: Mapping[str, object], decision: str
) -> DigestsPage:
    """Return digests of the inputs and of decision.json, versions, seed, and the end mark.

    `manifest` may hold "tool" and "versions" (a mapping of names to versions); `decision` is the
    SHA-256 of decision.json.
    """
    rows: list[tuple[Cell, ...]] = [(each.name, each.sha256) for each in case.inputs]
    rows.append(("decision.json", decision))
    facts = [Fact("Seed of all Monte Carlo draws", str(assessment.seed))]
    if "tool" in manifest:
        facts.insert(0, Fact("Tool", str(manifest["tool"])))
    versions = manifest.get("versions")
    if isinstance(versions, Mapping):
        facts += [Fact(str(name), str(version)) for name, version in sorted(versions.items())]
    else:
        facts.append(Fact("Python", platform.python_version()))
    number = f"{case.qualification.number}, revision {case.qualification.revision}"
    return DigestsPage(
        files=Table(
            caption="SHA-256 of every input and of the findings; all are attached to this PDF",
            columns=(Column("File", 36), Column("SHA-256", 64)),
            rows=tuple(rows),
        ),
        versions=tuple(facts),
        end=f"End of dossier {number}",
    )


def attachments_note(runs: Sequence[MultipassResult]) -> str:
    """Return where the data are that the annex does not print."""
    left = len(runs) - MOST_RUNS
    more = f" {left} further runs are not printed here." if left > 0 else ""
    return (
        "The raw data are attached to this PDF as the laboratory's own files. Printed here are the "
        f"filtration ratios of the reporting tenths that the results rest on.{more}"
    )
