"""Letters on a recall: a page to the owner of each approval that was decided again, and a list."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from dossier.decision.cautions import USUAL
from dossier.record.decision_record import as_json
from dossier.record.recall import CONDITIONAL, FALLS, STANDS, UNKNOWN
from dossier.register.listing import one_line
from dossier.register.recall import AGAIN, NO_APPROVAL, Done, Told
from dossier.register.register import Register
from dossier.words import day, language, later, say, speaking

MOST = 6
"""Rows and lines of a list on a page; recall.json holds all."""
LONGEST, REASON = 400, 160
"""Characters of a text that came from elsewhere, and of the reason of one verdict."""
ANSWERS = {
    FALLS: ("fail", later("The approval falls"), later(
        "Without the evidence that is recalled, the requirements are not shown to be met. It is no "
        "approval any more."
    )),
    UNKNOWN: ("fail", later("The approval cannot be kept"), later(
        "It could not be decided again without the evidence that is recalled. Until somebody has "
        "done that, it is no approval any more."
    )),
    CONDITIONAL: ("partly", later("The approval stands, under conditions"), later(
        "Without the evidence that is recalled it was decided again from the raw data attached to "
        "the dossier, and holds only under the conditions below."
    )),
    STANDS: ("pass", later("The approval stands"), later(
        "Without the evidence that is recalled it was decided again from the raw data attached to "
        "the dossier, with the same decision."
    )),
    AGAIN: ("pass", later("The approval stands again"), later(
        "What was recalled of its evidence is recalled no longer."
    )),
}  # fmt: skip
"""Look, word and meaning of each outcome that a letter tells."""
WARNED = ("The OEM and local rules come first", "Hot oil and pressure", "Oil starvation",
          "Work on the machine", "Waste oil and used filters")  # fmt: skip
"""The usual cautions that bear on a filter that is taken out."""


@dataclass(frozen=True, slots=True)
class Reply:
    """Whom an owner may ask, and until when to answer; what is empty is filled in by hand."""

    contact: str = ""
    by: date | None = None


def letters_pdf(outcome: Register, done: Done, reply: Reply) -> bytes:
    """Return a PDF with a page to each owner in the language of the dossier, and a list last.

    Raises RenderError where the layout has a fault.
    """
    from dossier.report.render import page_pdf

    told = sorted(done.told, key=lambda each: (_urgent(each), each.row.name))
    letters = _letters([each for each in told if each.outcome in ANSWERS], done, reply)
    return page_pdf("recall.html", letters=letters, rows=told, done=done,
                    unread=outcome.unreadable, count=outcome.count, span=span(done),
                    short=_short)  # fmt: skip


def _urgent(told: Told) -> int:
    return [*ANSWERS, NO_APPROVAL].index(told.outcome)


def _letters(told: Iterable[Told], done: Done, reply: Reply) -> Iterator[dict[str, Any]]:
    """Yield what stands on each page; its language is spoken while the page is written."""
    for each in told:
        case = each.left.case
        with speaking(case.language if case else "en"):
            look, word, meaning = ANSWERS[each.outcome]
            yield {
                "language": language(),
                "paper": "us" if case and case.paper == "US Letter" else "a4",
                "told": each,
                "answer": (look, say(word), say(meaning)),
                "facts": list(_facts(each, done, reply)),
                "verdicts": [
                    (", ".join(ids), say(old), say(new), _short(why, REASON))
                    for (old, new, why), ids in list(_alike(each).items())[:MOST]
                ],
                "more": _more(each),
                "new": [_short(line) for line in each.left.conditions[:MOST]],
                "cautions": [(say(title), say(USUAL[title])) for title in WARNED],
            }


def _alike(told: Told) -> dict[tuple[str, str, str], list[str]]:
    """Return the requirements that read otherwise now, by what they read and why."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for requirement, old, new, why in told.left.verdicts:
        found.setdefault((old, new, why), []).append(requirement)
    return found


def _more(told: Told) -> str:
    """Return how many rows and lines do not stand on the page; empty where all do."""
    more = sum(max(len(each) - MOST, 0) for each in (_alike(told), told.left.conditions))
    return say("and {number} more, in recall.json", number=more) if more else ""


def _facts(told: Told, done: Done, reply: Reply) -> Iterator[tuple[str, str]]:
    """Yield name and text of each line at the head of a letter."""
    row, left, recall = told.row, told.left, done.recall
    yield say("To"), _short(left.application.owner if left.application else "")
    yield say("Machines"), _short(row.equipment) or say("not named by the application")
    yield say("Filter"), _short(f"{row.candidate}, {left.case.candidate.maker}" if left.case
                                else row.candidate)  # fmt: skip
    words = later("{dossier}, issued {issued}, SHA-256 {digest}…")
    yield say("Dossier"), say(words, dossier=row.name, issued=date.fromisoformat(row.issued),
                              digest=row.sha256[:16])  # fmt: skip
    words = later("{what}, {span} (recall {number} of {day})")
    if recall.lifts:
        words = later("{what}, {span} (lifted by {number} of {day})")
    yield say("What is recalled"), say(words, what=_short(recall.what), span=span(done),
                                       number=recall.number, day=recall.day)  # fmt: skip
    yield say("Reason"), _short(recall.reason)
    if told.records:
        yield say("Evidence left out"), _short(", ".join(told.records))
    if told.outcome == UNKNOWN:
        yield say("Why it cannot be decided"), _short(told.why)
    if told.outcome in (STANDS, CONDITIONAL) and told.until:
        yield say("It holds until"), day(told.until)
    yield say("Answer by"), day(reply.by) if reply.by else ""
    yield say("Contact"), _short(reply.contact)


def span(done: Done) -> str:
    """Return from when to when evidence is recalled, in the language spoken now."""
    first, until = done.recall.first, done.recall.until
    if first and until:
        return say("measured from {first} to {until}", first=first, until=until)
    if first:
        return say("measured on {first} or later", first=first)
    return say("measured on {until} or before", until=until) if until else say("on any day")


def _short(text: str, most: int = LONGEST) -> str:
    """Return text from elsewhere as one line of a length that a page has room for."""
    line = one_line(text)
    return line if len(line) <= most else f"{line[: most - 1]}…"


def recall_json(outcome: Register, done: Done, trusted: bool) -> str:
    """Return all that a recall came to as JSON."""
    return as_json({
        "schema": "dossier recalled 1.0",
        "recall": done.recall.model_dump(by_alias=True, exclude={"outcomes"}),
        "on_file_before": done.before or None, "head": done.head,
        "signatures_judged": trusted, "whole": outcome.whole,
        "dossiers": [_told(each) for each in done.told],
        "spelled_otherwise": done.alike,
        "not_touched": outcome.count - len(done.told),
        "not_dossiers": [{"file": file, "reason": why} for file, why in outcome.unreadable],
    })  # fmt: skip


def _told(told: Told) -> dict[str, Any]:
    row, names = told.row, ("requirement", "before", "now", "why")
    return {
        "dossier": row.name, "file": row.file, "sha256": row.sha256, "machines": row.equipment,
        "candidate": row.candidate, "outcome": told.outcome, "why": told.why,
        "left_out": told.records, "decision": told.left.decision or None,
        "until": told.until,
        "verdicts": [dict(zip(names, each, strict=True)) for each in told.left.verdicts],
        "conditions": told.left.conditions,
    }  # fmt: skip


def lines(outcome: Register, done: Done) -> Iterator[str]:
    """Yield what a person at a terminal has to know."""
    for each in sorted(done.told, key=lambda each: (_urgent(each), each.row.name)):
        yield f"{each.row.name}: {each.outcome}: {each.why} ({each.row.file})"
    count = outcome.count - len(done.told)
    yield f"{count} of {outcome.count} dossiers not touched"
    for name in done.alike:
        yield f"spelled otherwise, not recalled: {name}: recall it too if it is the same"
    for file, why in outcome.unreadable:
        yield f"not a dossier, not looked at: {file}: {why}"
