"""Pages of a register: itself in a browser, and letters on a recall.

The page needs nothing else: no network, no server, no other file.  On it machines against filters:
what is approved where, in tables that grow as the dossiers do.  Of letters each owner of an
approval that was decided again gets one, and a list comes last.
"""

import base64
import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any
from urllib.parse import quote

from dossier.case.agreed import known_as
from dossier.case.model import Qualification
from dossier.case.seen import plain
from dossier.decision.cautions import USUAL
from dossier.decision.conditions import APPROVES
from dossier.record.decision_record import as_json
from dossier.record.recall import CONDITIONAL, FALLS, STANDS, UNKNOWN, Recall
from dossier.record.rests import KINDS, folded
from dossier.register.listing import one_line
from dossier.register.recall import AGAIN, NO_APPROVAL, Done, Told
from dossier.register.register import Hit, Register
from dossier.register.row import STATES, Row
from dossier.report.assets import source_of, templates
from dossier.system.grouped import grouped
from dossier.words import day, language, later, say, speaking


def register_page(outcome: Register, hits: Sequence[Hit], *, prefix: str | None) -> str:
    """Return the page as HTML.

    `prefix` is the way from the page to the folder of the dossiers, such as "" or "../dossiers/";
    None leaves out the links.  Script and style stand in the page, and its policy allows nothing
    else to run or load.
    """
    from markupsafe import Markup

    environment = templates(one_line)
    parts = {kind: source_of(environment, f"register.{kind}") for kind in ("js", "css")}
    made = blocks(hits)
    rows = [row for each in made for _, cells in each.machines for own in cells for row in own]
    found = {row.state for row in (*rows, *(hit.row for hit in hits))}
    page: str = environment.get_template("register.html").render(
        outcome=outcome, hits=hits, kinds=KINDS, blocks=made, lots=_lots(hits),
        states={word: mark for word, mark in STATES.items() if word in found},
        script=Markup(parts["js"]), script_hash=_hash(parts["js"]),
        style=Markup(parts["css"]), style_hash=_hash(parts["css"]),
        href=lambda row: None if prefix is None else quote(f"./{prefix}{row.file}"),
    )  # fmt: skip
    return page


def _lots(hits: Iterable[Hit]) -> dict[str, str]:
    """Return for what an approval holds, by the digest of its dossier: its lots, its conditions."""
    found = {}
    for hit in hits:
        lots = ", ".join(each.value for each in hit.rests if each.kind == "approved lot")
        held = hit.row.state == "approved with conditions"
        bound = ", under the conditions in it" if held else ""
        found[hit.row.sha256] = (f"lots: {lots}" if lots else "lots not named") + bound
    return found


def _hash(text: str) -> str:
    """Return the digest of an inline script or style as a content security policy writes it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


WIDE, SPARSE = 8, 4
"""Filters beside each other that a table may have, and empty cells for each that is not."""
NOWHERE = "machines that the application does not name"
Cells = dict[str, dict[str, list[Row]]]
"""Machine -> filter -> dossiers."""


@dataclass(frozen=True, slots=True)
class Block:
    """Machines that have filters in common, and what is said of each pair."""

    filters: tuple[str, ...]
    machines: tuple[tuple[str, tuple[tuple[Row, ...], ...]], ...]
    """Each machine with a cell for each filter."""


def blocks(hits: Sequence[Hit]) -> tuple[Block, ...]:
    """Return a table for all machines that filters connect, in the order of their names.

    What would be wide or mostly empty is taken apart, a machine each: the tables together hold
    a few cells for each dossier, however many there are.
    """
    cells: Cells = defaultdict(lambda: defaultdict(list))
    names: dict[str, str] = {}  # a machine or filter stands under the name it is first met by
    for hit in hits:
        filter_ = names.setdefault(plain(hit.row.candidate), hit.row.candidate)
        without = {e.value for e in hit.rests if e.kind == "not conceded"}
        for machine in [e.value for e in hit.rests if e.kind == "equipment"] or [NOWHERE]:
            row = replace(hit.whole, found="not approved") if machine in without else hit.whole
            cells[names.setdefault(plain(machine), machine)][filter_].append(row)
    return tuple(each for group in _connected(cells) for each in _laid_out(cells, group))


def _connected(cells: Cells) -> Iterator[list[str]]:
    """Yield machines in groups: those of one have a filter in common, or a third between them."""
    by_filter = grouped((part, machine) for machine in sorted(cells) for part in cells[machine])
    seen: set[str] = set()
    for first in sorted(cells):
        if first in seen:
            continue
        seen.add(first)
        group, parts = [first], set[str]()
        for machine in group:  # grows as it is walked through
            for part in set(cells[machine]) - parts:
                parts.add(part)
                group += (new := [m for m in by_filter[part] if m not in seen])
                seen.update(new)
        yield sorted(group)


def _laid_out(cells: Cells, group: Sequence[str]) -> Iterator[Block]:
    filters = sorted({part for machine in group for part in cells[machine]})
    filled = sum(len(cells[machine]) for machine in group)
    if len(group) > 1 and (len(filters) > WIDE or len(group) * len(filters) > SPARSE * filled):
        for machine in group:
            yield from _laid_out(cells, [machine])
        return
    rows = ((m, tuple(_shown(cells[m].get(part, ())) for part in filters)) for m in group)
    yield Block(tuple(filters), tuple(rows))


def _shown(rows: Sequence[Row]) -> tuple[Row, ...]:
    """Return the dossiers that count for a machine and a filter: the last ones, if any is.

    Beside one that approves stands each that did not before, whatever took its place.
    """
    current = [row for row in rows if row.current]
    refused = [row for row in rows if not row.current and row.refuses]
    if refused and any(row.state in APPROVES for row in current):
        current += refused
    latest = max(rows, key=lambda row: (row.number, row.revision), default=None)
    return tuple(current or ([latest] if latest else []))


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
        "the dossier, and holds only under its own conditions and the new ones below."
    )),
    STANDS: ("pass", later("The approval stands"), later(
        "Without the evidence that is recalled it was decided again from the raw data attached to "
        "the dossier, and stands as it was signed: its conditions and its last day remain."
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

    told = _by_urgency(done)
    letters = _letters([each for each in told if each.outcome in ANSWERS], done, reply)
    return page_pdf(
        "recall.html", letters=letters, rows=told, done=done, short=_short,
        what=thing(done.recall), outcomes={key: each[1] for key, each in ANSWERS.items()},
        unread=outcome.unreadable, count=outcome.count, span=span(done),
    )  # fmt: skip


def _by_urgency(done: Done) -> list[Told]:
    order = [*ANSWERS, NO_APPROVAL]
    return sorted(done.told, key=lambda each: (order.index(each.outcome), each.row.name))


def _letters(told: Iterable[Told], done: Done, reply: Reply) -> Iterator[dict[str, Any]]:
    """Yield what stands on each page; its language is spoken while the page is written."""
    for each in told:
        case = each.left.case
        with speaking(case.language if case else "en"):
            look, word, meaning = ANSWERS[each.outcome]
            rows = grouped(((old, new, why), name) for name, old, new, why in each.left.verdicts)
            conditions = each.left.conditions
            more = sum(max(len(those) - MOST, 0) for those in (rows, conditions))
            yield {
                "language": language(),
                "paper": "us" if case and case.paper == "US Letter" else "a4",
                "told": each,
                "answer": (look, say(word), say(meaning)),
                "facts": list(_facts(each, done, reply)),
                "verdicts": [
                    (", ".join(ids), say(old), say(new), _short(why, REASON))
                    for (old, new, why), ids in list(rows.items())[:MOST]
                ],
                "more": say("and {number} more, in recall.json", number=more) if more else "",
                "new": [_short(line) for line in conditions[:MOST]],
                "cautions": [(say(title), say(USUAL[title])) for title in WARNED],
            }


def _facts(told: Told, done: Done, reply: Reply) -> Iterator[tuple[str, str]]:
    """Yield name and text of each line at the head of a letter."""
    row, left, recall = told.row, told.left, done.recall
    yield say("From, and whom to ask"), _short(reply.contact)
    yield say("Day of this letter"), day(recall.day)
    yield say("To"), _short(left.application.owner if left.application else "")
    yield say("Machines"), _short(row.equipment) or say("not named by the application")
    maker = f", {left.case.candidate.maker}" if left.case else ""
    yield say("Filter"), _short(row.candidate + maker)
    issued = date.fromisoformat(row.issued)
    yield say("Dossier"), say("{dossier}, issued {issued}", dossier=row.name, issued=issued)
    yield "SHA-256", row.sha256
    words = later("{what}, {span} (recall {number})")
    if recall.lifts:
        words = later("{what}, {span} (lifted by {number})")
    what, when = _short(thing(recall, left.case)), span(done)
    yield say("What is recalled"), say(words, what=what, span=when, number=recall.number)
    yield say("Reason"), _short(recall.reason)
    if told.records:
        yield say("Evidence left out"), _short(", ".join(told.records))
    if told.outcome == UNKNOWN:
        yield say("Why it cannot be decided"), _short(told.why)
    if told.outcome in (STANDS, CONDITIONAL) and told.until:
        yield say("It holds until"), day(told.until)
    yield say("Answer by"), day(reply.by) if reply.by else ""


THINGS: Mapping[str, str] = {
    "instrument": later("instrument {name}"),
    "certificate": later("certificate {name}"),
    "laboratory": later("laboratory {name}"),
    "lot": later("lot {name}"),
    "specimen": later("specimen {name}"),
    "fluid": later("test fluid {name}"),
    "record": later("test record {name}"),
    "dossier": later("dossier {name}"),
}


def thing(recall: Recall, case: Qualification | None = None) -> str:
    """Return what is recalled in words, an instrument with what its case calls it."""
    called = say(THINGS[recall.kind], name=recall.value)
    for tool in case.instrument if case and recall.kind == "instrument" else ():
        if folded(known_as(tool.id)) == folded(recall.value):
            called = f"{called} ({tool.kind})"
    return (
        say("{thing} of {within}", thing=called, within=recall.within) if recall.within else called
    )


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
    for each in _by_urgency(done):
        yield f"{each.row.name}: {each.outcome}: {each.why} ({each.row.file})"
    count = outcome.count - len(done.told)
    yield f"{count} of {outcome.count} dossiers not touched"
    for name in done.alike:
        yield f"spelled otherwise, not recalled: {name}: recall it too if it is the same"
    for file, why in outcome.unreadable:
        yield f"not a dossier, not looked at: {file}: {why}"
