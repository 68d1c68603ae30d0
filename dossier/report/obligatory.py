"""What no house template may remove: decision, requirements, deference to the OEM, digests."""

from collections.abc import Iterator
from typing import Any

from dossier.report.blocks import Cell, Line, Link, Mark
from dossier.report.content import Content
from dossier.report.house import DEFERENCE
from dossier.report.visible import Seen, see, squeezed
from dossier.words import say

__all__ = ["lacking"]


def lacking(document: Any, content: Content) -> list[str]:
    """Return each obligatory block that cannot be read in a laid-out document, in words."""
    seen = see(document)
    return [
        *_decision(seen, content),
        *_requirements(seen, content),
        *_cautions(seen, content),
        *_digests(seen, content),
    ]


def plain(cell: Cell) -> str:
    """Return the words of a cell, one after the other."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, Mark):
        return cell.text
    if isinstance(cell, Line):
        return "".join(part.text if isinstance(part, Link) else part for part in cell.parts)
    return "".join(plain(each) for each in cell)


def _decision(seen: Seen, content: Content) -> Iterator[str]:
    one = content.decision
    first = seen.pages[0] if seen.pages else ""
    wanted = [
        ("the question", one.question),
        ("the decision", one.answer.word),
        ("the stamp", one.answer.stamp),
        ("what the decision means", one.answer.text),
        ("how many requirements ended in which verdict", one.tally),
        ("until when the approval holds", one.validity),
        *(("a requirement that is not demonstrated", plain(line)) for line in one.concerns),
        *(("a condition", plain(line)) for line in one.conditions),
    ]
    for name, text in wanted:
        if squeezed(text) not in first:
            yield f"page one lacks {name}: {text!r}"
    for text in one.conditions_in_full:
        if squeezed(text) not in seen.everything:
            yield f"a condition in full is lacking: {text[:80]!r}"
    if squeezed(content.signoff.state) not in seen.everything:
        yield "the state of the sign-off is lacking"


def _requirements(seen: Seen, content: Content) -> Iterator[str]:
    for identifier, asked, limit, result, _, verdict, _ in content.requirements.rows:
        words = asked[0] if isinstance(asked, tuple) else asked
        wanted = [squeezed(plain(cell)) for cell in (identifier, words, limit, result, verdict)]
        if not any(all(text in row for text in wanted) for row in seen.rows):
            yield (
                f"the table of requirements lacks a row with {plain(identifier)!r}, its words, "
                "limit, result and verdict"
            )


def _cautions(seen: Seen, content: Content) -> Iterator[str]:
    computed = [(each.title, each.text) for each in content.computed_cautions]
    for title, text in [(say(DEFERENCE.title), say(DEFERENCE.text)), *computed]:
        if squeezed(title) not in seen.everything or squeezed(text) not in seen.everything:
            yield f"the caution {title!r} is lacking"


def _digests(seen: Seen, content: Content) -> Iterator[str]:
    for name, digest in content.digests.files.rows:
        wanted = [squeezed(plain(name)), squeezed(plain(digest))]
        if not any(all(text in row for text in wanted) for row in seen.rows):
            yield f"the digest of {plain(name)} is lacking"
