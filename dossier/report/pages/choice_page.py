"""Several candidates side by side on two pages: a help to choosing, and no approval."""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from typing import Any

from dossier.decision.cautions import USUAL
from dossier.decision.choice import Candidate, Difference, Pairing
from dossier.decision.comparison import told_apart
from dossier.decision.finding import Finding
from dossier.decision.together import nearness
from dossier.report.blocks import Cell, Chart, Column, Fact, Line, Table
from dossier.report.charts.trade_chart import NUMERALS
from dossier.report.pages.comparison import difference_text, trade
from dossier.report.pages.decision import named_filter, validity
from dossier.report.pages.fixed_words import answer_of, conditions_said, mark
from dossier.report.pages.places import same_as
from dossier.report.pages.results import accepted_text, deciding_text, limit_brief, what_of
from dossier.report.pages.ruler import in_quotes, shortened
from dossier.report.pages.uncertainty import rule_in_brief
from dossier.report.running import retold
from dossier.report.signing import SignOff
from dossier.words import later, say, say_count

PAGES = 2
LONGEST = 300
"""Letters of a condition; its dossier has it whole."""
CAUTIONS = ("Open bypass", "Housing and fit", "What the results relate to")
"""Usual cautions that bear on a choice; each dossier holds them all."""
CAPTION = later(
    "Where the candidates stand between what they hold, catch and cost in pressure, with 95 % "
    "intervals, each by itself. Lines are limits; in grey both are kept, guard bands aside."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Candidates for one application, in the order in which they were named."""

    candidates: tuple[Candidate, ...]
    signoffs: tuple[SignOff, ...]
    pairs: tuple[Pairing, ...]
    decisions: tuple[Mapping[str, Any], ...]
    """decision.json of each case, in its own language."""
    application: str
    """SHA-256 over what the application asks for, the same in every case."""
    on: date | None
    """Day on which it is made."""
    mixed: bool
    """Whether the cases speak several languages."""

    @property
    def numerals(self) -> dict[str, str]:
        """Label of each candidate -> its numeral on the pages."""
        return dict(zip((each.label for each in self.candidates), NUMERALS, strict=False))


def choice_pdf(choice: Choice, document: bytes, day: date) -> bytes:
    """Return the pages as PDF, with `document` attached as choice.json; `day` is its date.

    Where the pages would be more than two, requirements that every candidate passes give way, the
    most certain first; none does where that were not enough.
    """
    from dossier.report.render import page_pdf

    attached = (("choice.json", document, "Source", say("All numbers of the choice")),)
    chart = _trade(choice, style="")
    rows = _rows(choice)
    sure = [n for n, (_, row) in enumerate(rows) if all(f.verdict.value == "pass" for f in row)]
    sure.sort(key=lambda n: min(map(nearness, rows[n][1])), reverse=True)

    @cache  # a layout takes a second
    def without(number: int) -> bytes:
        kept = [row for n, row in enumerate(rows) if n not in sure[:number]]
        page = _content(choice, kept, number, chart)
        return page_pdf("choice.html", attached, day, page=page)

    def fits(number: int) -> bool:
        return without(number).count(b"/Type /Page/") <= PAGES

    if fits(0) or not fits(len(sure)):
        return without(0)
    return without(bisect_left(range(len(sure)), True, key=fits))


_Row = tuple[tuple[str, ...], tuple[Finding, ...]]
"""Ids of requirements that ask the same, and each candidate's finding."""


def _rows(choice: Choice) -> list[_Row]:
    """Return each requirement; one that asks what an earlier one asks stands with it."""
    decided = [each.assessment.findings for each in choice.candidates]
    again = [same_as(findings) for findings in decided]
    rows: dict[str, _Row] = {}
    for row in zip(*decided, strict=True):
        name = row[0].demand.id
        firsts = {each.get(name, "") for each in again}
        first = firsts.pop() if len(firsts) == 1 else ""
        ids, found = rows.get(first, ((), row))
        rows[first or name] = ((*ids, name), found)
    return list(rows.values())


def _content(choice: Choice, rows: Sequence[_Row], left: int, chart: Chart) -> dict[str, Any]:
    """Return what the template prints."""
    application = choice.candidates[0].case.application
    differences, notes = _differences(choice, {name for ids, _ in rows for name in ids})
    title = in_quotes(application.title, 120)
    return {
        "running": shortened(", ".join(choice.numerals), 60),
        "question": say("Which of these filters for: {application}?", application=title),
        "facts": (
            Fact(say("For"), _machines(application.equipment)),
            Fact(say("Rule"), rule_in_brief(application.decision_rule)),
            Fact(say("Requirements"), Line((_revisions(choice),))),
        ),
        "candidates": _candidates(choice),
        "conditions": tuple(_conditions(choice)),
        "verdicts": _verdicts(choice, rows, left),
        "differences": differences,
        "notes": notes,
        "trade": chart,
        "cautions": tuple((say(title), say(USUAL[title])) for title in CAUTIONS),
        "rests": "; ".join(
            f"{n} {each.digest}" for n, each in zip(NUMERALS, choice.signoffs, strict=False)
        ),
    }


def _made(on: date | None) -> str:
    """Return on which day the choice was made, where it is known, and with which version."""
    from importlib.metadata import version

    by = f"dossier {version('dossier')}"
    if on is None:
        return say("Made with {program}.", program=by)
    return say("Made on {day}, with {program}.", day=on, program=by)


def _machines(machines: Sequence[str]) -> str:
    named = "; ".join(in_quotes(each) for each in machines[:4])
    more = len(machines) - 4
    rest = [say_count(more, "{number} more", "{number} more")] if more > 0 else []
    return "; ".join([named or say("no machine named"), *rest])


def _revisions(choice: Choice) -> str:
    """Return under which revision each case asks for the same."""
    letters: dict[str, list[str]] = {}
    for letter, each in zip(NUMERALS, choice.candidates, strict=False):
        asked = each.case.application
        words = say("revision {revision}, issued {issued}", revision=asked.revision,
                    issued=asked.issued)  # fmt: skip
        letters.setdefault(words, []).append(letter)
    told = list(letters)
    if len(letters) > 1:
        told = [f"{', '.join(own)}: {words}" for words, own in letters.items()]
    alike = say("the same in every case (SHA-256 {digest}…)", digest=choice.application[:16])
    return "; ".join([*told, alike])


def _candidates(choice: Choice) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for each, signoff in zip(choice.candidates, choice.signoffs, strict=True):
        case, answer = each.case, answer_of(each.assessment.decision.value, signoff)
        decision = (answer.word, *filter(None, [answer.stamp]))
        rows.append((
            f"{choice.numerals[each.label]}: {named_filter(case.qualification.candidate)}",
            each.label, decision, validity(each.assessment, signoff),
        ))  # fmt: skip
    return Table(
        caption=say("The candidates, in the order in which they were named"),
        columns=(
            Column(say("Filter"), 38), Column(say("Dossier"), 16),
            Column(say("Decision of its own case"), 28), Column(say("Valid until"), 18),
        ),
        rows=tuple(rows),
        note=say(
            "A numeral is a name, and no mark. What a case decides counts by its own dossier alone."
        )
        + f" {_made(choice.on)}",
    )  # fmt: skip


def _conditions(choice: Choice) -> Iterator[str]:
    """Yield each condition under which a candidate is approved, with its numeral."""
    for each in choice.candidates:
        for text in conditions_said(each.assessment):
            yield f"{choice.numerals[each.label]}: {shortened(text, LONGEST)}"


def _verdicts(choice: Choice, rows: Sequence[_Row], left: int) -> Table:
    parts = [each.case.qualification.candidate.part_number for each in choice.candidates]
    heads = [
        f"{letter}: {shortened(part, 30)}" for letter, part in zip(NUMERALS, parts, strict=False)
    ]
    more = say_count(
        left,
        "{number} further requirement, which every candidate passes, and what they differ by in "
        "it, is in choice.json.",
        "{number} further requirements, which every candidate passes, and what they differ by in "
        "them, are in choice.json.",
    )
    return Table(
        caption=say("Verdicts and the numbers that decide, in the order of the application"),
        columns=(
            Column(say("Requirement"), 27),
            Column(say("Limit"), 15),
            *(Column(head, 58 // len(heads)) for head in heads),
        ),
        rows=tuple(_verdict(row) for row in rows),
        note=" ".join([say(BEHIND), *([more] if left else [])]),
    )


BEHIND = later(
    "Behind each verdict the number that decides, and where it is no pass what would be accepted: "
    "the limit, inside by its guard band; or the distance from it."
)
APART = later(
    "Mean less mean, the later less the earlier, of unrounded numbers: where one specimen or a "
    "bound decides, table 2 has another number. For a filtration ratio, the quotient. U: 95 % "
    "interval of the difference. An error that both share through the same instrument of the same "
    "laboratory is counted once, against itself, so that U is not that of the two results added. "
    "Not told apart: the interval includes no difference."
)
MIXED = later("The cases speak several languages, so that these pages speak English.")


def _verdict(row: _Row) -> tuple[Cell, ...]:
    """Return one requirement with each candidate's verdict; a limit of its own stands by it."""
    ids, findings = row
    limits = [limit_brief(each) for each in findings]
    one = len(set(limits)) == 1
    advisory = (say("advisory"),) if findings[0].demand.severity == "advisory" else ()
    head = ", ".join((*ids, *advisory))
    cells = [
        (*_decided(each), *([] if one else [limit]))
        for each, limit in zip(findings, limits, strict=True)
    ]
    what = f"{head}: {shortened(what_of(findings[0].demand), 90)}"
    return (what, limits[0] if one else say("its own"), *cells)


def _decided(finding: Finding) -> tuple[Line | str, ...]:
    """Return verdict and deciding number, and where it is no pass what would be accepted."""
    number, *distance = deciding_text(finding)
    verdict, accepted = mark(finding.verdict.value), accepted_text(finding)
    told = (accepted,) if accepted else distance
    return (Line((verdict, f" {number}")), *(told if verdict.kind != "pass" else ()))


def _differences(choice: Choice, shown: set[str]) -> tuple[Table, tuple[str, ...]]:
    """Return what the candidates differ by, each pair in a column, and what is to be said of it."""
    rows = [
        row
        for row in zip(*(pair.differences for pair in choice.pairs), strict=True)
        if shown.intersection(row[0].requirements)
    ]
    whys = list(dict.fromkeys(each.why for row in rows for each in row if each.why))
    heads = [f"{choice.numerals[p.own]} − {choice.numerals[p.other]}" for p in choice.pairs]
    table = Table(
        caption=say("Difference ± U"),
        columns=(
            Column(say("Quantity"), 26),
            *(Column(head, 74 // len(heads), "right") for head in heads),
        ),
        rows=tuple(
            (what_of(row[0].demand), *(_difference(each, whys) for each in row)) for row in rows
        ),
        note=say(APART),
    )
    numbered = [f"({number}) {retold(why)}." for number, why in enumerate(whys, 1)]
    told = dict.fromkeys(f"{retold(note)}." for pair in choice.pairs for note in pair.notes)
    return table, (*numbered, *told, *([say(MIXED)] if choice.mixed else []))


def _difference(each: Difference, whys: Sequence[str]) -> Cell:
    if each.own is None or each.other is None:
        return say("not shown ({number})", number=whys.index(each.why) + 1)
    words = difference_text(each.demand, each.own, each.other)
    return words if told_apart(each.own, each.other) else (words, say("not told apart"))


def _trade(choice: Choice, style: str) -> Chart:
    """Return where the candidates stand, with the limits that are the same for all of them."""
    findings = [
        each if each.demand.not_worse is None else replace(each, lower=None, upper=None)
        for one in choice.candidates
        for each in one.assessment.findings
    ]
    sides = {
        choice.numerals[each.label]: {f.demand.id: f.estimate for f in each.assessment.findings}
        for each in choice.candidates
    }
    return trade(sides, findings, style, CAPTION)
