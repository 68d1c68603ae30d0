"""The verdicts of a case as text for a terminal."""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from dossier.case.case import Case
from dossier.case.requested import said
from dossier.decision.conditions import late_review, on_file_text
from dossier.decision.finding import Assessment, Finding
from dossier.decision.probability import chance_text
from dossier.evidence.limits import Check
from dossier.record.signoff import reads
from dossier.report.format import clean
from dossier.report.pages.fixed_words import TONGUES, answer_of, given_texts
from dossier.report.pages.results import limit_text, result_lines
from dossier.report.signing import Signed, SignOff
from dossier.words import other_language, speaking
from dossier.words.terminal_safe import shown

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from dossier.report.pages.choice_page import Choice

MOST_CHECKS = 12
"""Checks that were not met which are printed one by one."""
SEVERAL = {"warning": "warnings", "does not apply": "do not apply"}
"""Outcomes of which several are told in another form."""


MARKS = {"pass": ("✓", "green"), "fail": ("✗", "red"), "not applicable": ("–", "")}
"""Mark and colour of a verdict, on a terminal; of any other a question mark in yellow."""


def print_assessment(case: Case, assessment: Assessment, signoff: SignOff) -> None:
    """Print one row a requirement, the reasons of those that do not pass, and the decision."""
    console, asked = wide_console(), case.qualification
    title, revision = case.application.title, case.application.revision
    for line in (
        f"{asked.number} revision {asked.revision}: {asked.title}",
        f"candidate {asked.candidate.part_number}; {title}, revision {revision}",
        on_file_text(case),
        *(f"  {said(change)}" for change in (case.on_file.changes if case.on_file else ())),
    ):
        console.print(shown(line))
    console.print(_table(assessment, marked=console.is_terminal))
    for line in (
        *_reasons(assessment),
        *map(part_line, assessment.parts),
        *check_lines(assessment.checks),
        *(f"condition: {each.text}" for each in assessment.conditions),
        *until_lines(case, assessment, signoff),
        *map(_signed, signoff.signed),
        bound_line(signoff.digest),
        decision_line(assessment, signoff),
    ):
        console.print(shown(line))


def language_note(assessment: Assessment) -> str:
    """Return that conditions are in another language than the dossier; empty where none is."""
    said = assessment.bench.case.qualification
    with speaking(said.language):
        given = [own for own in given_texts(assessment.bench.case) if other_language(own)]
    if not any(own in each.text for own in given for each in assessment.conditions):
        return ""
    return (
        f"note: conditions are not in {TONGUES[said.language]}, the language of the dossier: "
        "whoever must keep them may not read them; word them so in case.toml"
    )


def _reasons(assessment: Assessment) -> Iterator[str]:
    for each in assessment.findings:
        if each.verdict.value != "pass":
            yield f"{clean(each.demand.id)}: {each.verdict.value}: {each.reason}"


def _signed(each: Signed) -> str:
    state = "" if each.holds else f" (no longer holds: {each.note})"
    return f"{each.role}: {each.name}, {each.date.isoformat()}{state}"


def part_line(part: Assessment) -> str:
    """Return how one of several applications was decided, and for which machines."""
    case = part.bench.case
    machines = "; ".join(case.application.equipment) or "no machine named"
    return f"{case.mark}: alone it would be {part.decision.value}: {machines}"


def check_lines(checks: Sequence[Check]) -> list[str]:
    """Return how many checks of validity came out how, and those that were not met."""
    counts = Counter(check.outcome for check in checks)
    told = ", ".join(
        f"{count} {SEVERAL.get(outcome, outcome) if count > 1 else outcome}"
        for outcome, count in counts.most_common()
    )
    lines = [f"checks: {told or 'none'}"]
    open_ones = [check for check in checks if check.outcome not in {"met", "does not apply"}]
    for check in open_ones[:MOST_CHECKS]:
        more = f"; {check.deviation}" if check.deviation else ""
        where = f"{check.record or 'whole case'}: {check.rule}"
        lines.append(f"{where}: {check.outcome}: {check.found}{more}")
    if len(open_ones) > MOST_CHECKS:
        lines.append(f"and {len(open_ones) - MOST_CHECKS} more: the dossier lists them all")
    return lines


def decision_line(assessment: Assessment, signoff: SignOff) -> str:
    """Return the last line: the decision, or, unsigned, what the calculation would give."""
    decision = assessment.decision.value
    if signoff.complete:
        return f"decision: {reads(decision, signoff)}"
    answer = answer_of(decision, signoff)
    return f"calculated: {answer.word.lower()}; {answer.stamp}: no leave to fit the filter"


def bound_line(digest: str) -> str:
    """Return what sign-offs bind: to be compared before signing."""
    return f"digest that sign-offs bind: {digest}"


def tally_line(assessment: Assessment) -> str:
    """Return how many requirements ended in which verdict."""
    counts = Counter((f.demand.severity, f.verdict.value) for f in assessment.findings)
    return ", ".join(f"{n} {severity} {verdict}" for (severity, verdict), n in counts.items())


def until_lines(case: Case, assessment: Assessment, signoff: SignOff) -> list[str]:
    """Return until when an approval holds, and a warning where its review comes too late."""
    end = assessment.valid_until
    late = late_review(assessment.findings, case.qualification.review_due)
    words = "expired: its last day was" if signoff.ended else "valid until"
    told = [f"{words} {end.isoformat()}"] if end else []
    return [*told, *([f"warning: {late}"] if late else [])]


def _table(assessment: Assessment, *, marked: bool) -> "Table":
    from rich.text import Text

    headings = ("requirement", "quantity", "at", "result", "limit", "conforms with", "verdict")
    rows = []
    for finding in assessment.findings:
        *cells, verdict = _row(finding)
        mark, colour = MARKS.get(verdict, ("?", "yellow"))
        rows.append((*cells, Text(f"{mark} {verdict}", colour) if marked else verdict))
    return plain_table(headings, rows, right=("result", "limit", "conforms with"))


def print_choice(choice: "Choice") -> None:
    """Print a row a requirement with the verdict of each candidate, and how each decision reads."""
    console = wide_console()
    rows = []
    for found in zip(*(e.assessment.findings for e in choice.candidates), strict=True):
        asked, verdicts = found[0].demand, [each.verdict.value for each in found]
        rows.append((clean(asked.id), asked.quantity.title, asked.at_text, *verdicts))
    labels = [each.label for each in choice.candidates]
    console.print(plain_table(("requirement", "quantity", "at", *labels), rows))
    for each, signoff in zip(choice.candidates, choice.signoffs, strict=True):
        part = each.case.qualification.candidate.part_number
        console.print(shown(f"{each.label}: {part}: {decision_line(each.assessment, signoff)}"))
    console.print("a help to choosing: each decision counts only by its own dossier")


def wide_console(least: int = 100) -> "Console":
    """Return the terminal, without colours or marks, `least` columns wide at least."""
    from rich.console import Console

    plain: dict[str, Any] = {"highlight": False, "markup": False, "emoji": False}
    return Console(**plain, width=max(Console(**plain).width, least))


def plain_table(
    headings: Sequence[str], rows: "Iterable[Sequence[str | Text]]", right: Collection[str] = ()
) -> "Table":
    """Return a table without lines; columns named in `right` stand there."""
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="")
    for each in headings:
        table.add_column(each, justify="right" if each in right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(c if isinstance(c, Text) else Text(shown(c)) for c in row))
    return table


def _row(finding: Finding) -> tuple[str, ...]:
    demand = finding.demand
    advisory = "" if demand.severity == "mandatory" else " (advisory)"
    p = finding.probability
    chance = "" if p is None else chance_text(p, demand.confidence)
    return (
        clean(demand.id) + advisory,
        demand.quantity.title,
        demand.at_text,
        "; ".join(result_lines(finding)) if finding.estimate else "",
        limit_text(finding),
        chance,
        finding.verdict.value,
    )
