"""A verification as text for a terminal and as JSON."""

import hashlib
import json
import shlex
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any, get_args

import typer
from pydantic_core import to_jsonable_python

from dossier.decision.conditions import APPROVES
from dossier.make.decide import what_moved
from dossier.report.format import date_text
from dossier.verification.questions import Word
from dossier.verification.verify import NOTHING, UNREAD, Verification
from dossier.words import later, say, speaking
from dossier.words.terminal_safe import shown

_FILES = ("--trust", "--trust-person", "--crl")
"""Options of the call that name files."""
_APART = ("failed", "not proven", "remark", "auditor's questions")
"""Facts that stand in lists and tables of their own on the note."""
STATED = ("file", "sha256", "number", "revision", "decision", "standing", "day", "reads")
AGAIN = ("identical", "same_version", "moved", "why_not", "pages", "words")


def print_verification(found: Verification) -> None:
    """Print the facts and then the verdict."""
    for line in fact_lines(found):
        typer.echo(shown(line))
    typer.echo(shown(f"verdict: {found.verdict}"))


def fact_lines(found: Verification) -> Iterator[str]:
    """Yield the facts, a line each, the verdict left out."""
    yield f"{found.file}: {found.number} revision {found.revision}, sha256 {found.sha256}"
    ended = f", its last day was {found.signoff.ended}" if found.signoff.ended else ""
    yield f"reads on {found.day}, the day of judgement: {found.reads}{ended}"
    yield f"says of itself: decision {found.decision}, standing {found.standing}"
    for seal in found.seals:
        trust = "trusted" if seal.trusted else "not trusted"
        state = f"{seal.level}, whole, {trust}" if seal.sound else "broken"
        when = f"stamped {seal.stamped}" if seal.stamped else f"says {seal.claimed or 'no time'}"
        yield f"{seal.field}: {seal.signer or 'unread'}, {when}: {state}"
    for each in found.signoff.signed:
        state = "holds" if each.holds else f"does not hold: {each.note}"
        yield f"sign-off {each.role}: {each.name}, {each.date.isoformat()}: {state}"
    told = f"{len(found.faults)} contradictions" if found.faults else "all as in the manifest"
    yield f"attachments: {found.attached}, {told}"
    yield f"decided again: {_again(found)}"
    more = f"; {found.recomputed.words}" if found.recomputed.words else ""
    yield f"pages: {found.recomputed.pages}{more}"
    if found.recomputed.house_digest:
        yield f"house: {found.recomputed.house}, sha256 {found.recomputed.house_digest}"
    for below in found.carried:
        named = f"{below.number} revision {below.revision}"
        yield f"evidence carried from {below.file}: {named}, {below.verdict}"
    yield f"auditor's questions: {len(found.answers)}, {_counted(found)}"
    kinds = (("failed", found.failures), ("not proven", found.gaps), ("remark", found.remarks))
    yield from (f"{word}: {line}" for word, every in kinds for line in every)


def _counted(found: Verification) -> str:
    """Return how often each answer was given."""
    words = [answer.word for answer in found.answers]
    counts = ((words.count(each), each) for each in get_args(Word) if each in words)
    told = (
        say("{number} do not apply", number=number) if number > 1 and word == "does not apply"
        else f"{number} {say(word)}" for number, word in counts
    )  # fmt: skip
    return ", ".join(told) or say("none was asked")


def _again(found: Verification) -> str:
    again = found.recomputed
    if again.why_not:
        return f"no: {again.why_not}"
    if again.identical:
        return "decision.json is identical"
    return what_moved(again.moved) + ("" if again.moved else ", versions differ")


def facts_json(results: Iterable[Verification]) -> str:
    """Return the facts of all files as JSON."""
    facts, form = [_facts(each) for each in results], to_jsonable_python
    return json.dumps(facts, indent=2, ensure_ascii=False, default=form) + "\n"


def _rows(of: Iterable[object], *names: str) -> list[dict[str, Any]]:
    return [{name: getattr(each, name) for name in names} for each in of]


def _facts(found: Verification) -> dict[str, Any]:
    again = found.recomputed
    house = {"folder": again.house, "sha256": again.house_digest}
    return _rows([found], *STATED)[0] | {
        "ended": found.signoff.ended,
        "verdict": found.verdict,
        "failures": found.failures,
        "not_proven": found.gaps,
        "remarks": found.remarks,
        "signatures": found.seals,
        "sign_offs": _rows(found.signoff.signed, "role", "name", "date", "holds"),
        "attached": found.attached,
        "house": house if again.house_digest else None,
        "carried": _rows(found.carried, "file", "sha256", "verdict"),
        "decided_again": _rows([again], *AGAIN)[0],
        "questions": [
            {"question": e.question, "answer": e.word, "detail": e.detail} for e in found.answers
        ],
    }


def note_pdf(found: Verification, day: date, given: Sequence[tuple[str, str]]) -> bytes:
    """Return a PDF of one page with verdict, facts, questions, and how to repeat a verification.

    `day` is that of judgement; `given` are the options of the call and what each was given.  It
    is in the language of the dossier; what a terminal prints too is in English.
    """
    from importlib.metadata import version

    from dossier.report.render import page_pdf

    told = [line.partition(": ")[::2] for line in list(fact_lines(found))[2:]]
    with speaking(found.language):
        return page_pdf(
            "verification.html",
            found=found,
            kind="fail" if found.failures else "open" if found.verdict != "verified" else "pass",
            day=date_text(day),
            version=version("dossier"),
            verdict=say(found.verdict),
            reads=_reading(found),
            what_to_do=say(_advice(found)),
            facts=[pair for pair in told if pair[0] not in _APART],
            counted=_counted(found),
            repeat=list(_repeat(found, day, given)),
            lists=_lists(found),
        )


def _lists(found: Verification) -> tuple[tuple[str, Sequence[str]], ...]:
    """Return what stands in lists; what an answer says too is left out."""
    asked = tuple(answer.question for answer in found.answers)
    known = [each for each in found.remarks if not each.startswith(asked)]
    return (
        (say("What contradicts the dossier"), found.failures),
        (say("What is not proven"), found.gaps),
        (say("What a person should know"), known),
    )


VERDICTS = later("verified"), later("not proven"), later("failed")
TESTED = later("verified, by TEST identities, which prove nothing")
STATES = later("expired"), later("superseded"), later("recalled"), later("in conflict")
"""What undoes a reading, said where it is printed,"""
UNSETTLED = later("not known"), later("draft")
"""and what leaves it open."""
NO_READING = later(
    "Fit no filter by this file, and keep it as it is. Ask whoever issued it for the dossier as it "
    "was made."
)
UNDONE = later(
    "Fit no further filter by it. Ask whoever issued it what counts in its place, and what to do "
    "with filters that are fitted."
)
OPEN = later(
    "Do not rely on it yet. Clear what is named as not proven, such as a missing seal, and verify "
    "again."
)
NO_LEAVE = later("Fit no filter by it: it is no approval.")
LEAVE = later(
    "Filters may be fitted as its first page says: of the lots, in the machines, until the day and "
    "under the conditions named there."
)


def _advice(found: Verification) -> str:
    """Return what an owner does now."""
    if found.reads.startswith(UNREAD):
        return OPEN
    if found.reads not in APPROVES:
        undone = UNDONE if ": was " in found.reads else NO_LEAVE
        return NO_READING if found.reads.startswith(NOTHING) else undone
    return LEAVE if found.verdict == "verified" else OPEN


def _reading(found: Verification) -> str:
    """Return how the dossier reads, in the language spoken now."""
    reading = found.reads
    for mark, words in (
        (": was ", later("{state}: was {decision}")),
        (": would be ", later("{state}: would be {decision}")),
        (f"{NOTHING}: ", later("nothing, as it failed; of itself it says: {decision}")),
    ):
        state, there, decision = reading.partition(mark)
        if there:
            states = ", ".join(map(say, state.split(", ")))
            return say(words, state=states, decision=say(decision))
    return say(reading)


def _repeat(
    found: Verification, day: date, given: Sequence[tuple[str, str]]
) -> Iterator[tuple[str, str]]:
    """Yield what is needed to verify again, and the command; each file by its SHA-256."""
    from importlib.metadata import version

    files = [(flag, text) for flag, text in given if flag in _FILES]
    needed = later(
        "this PDF, which carries all inputs; files that the command names; dossier {version}; "
        "where pages are to be identical, the versions that 'dossier constraints' prints for it"
    )
    yield say("Needed"), say(needed, version=version("dossier"))
    words = [word for flag, text in given for word in (flag, text) if word]
    yield say("Command"), shlex.join(["dossier", "verify", found.file, *words, "--at", str(day)])
    yield say("SHA-256 of {file}", file=found.file), found.sha256
    paths = (text.partition("=")[2] if flag == "--trust-person" else text for flag, text in files)
    for path in dict.fromkeys(map(Path, paths)):
        yield (
            say("SHA-256 of {file}", file=path.name),
            hashlib.sha256(path.read_bytes()).hexdigest(),
        )
