"""A verification as text for a terminal and as JSON."""

import hashlib
import json
import shlex
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import typer
from pydantic_core import to_jsonable_python

from dossier.make.decide import what_moved
from dossier.report.format import date_text
from dossier.verification.verify import Verification
from dossier.words.terminal_safe import shown

_FILES = ("--trust", "--trust-person", "--crl")
"""Options of the call that name files."""
_APART = ("failed", "not proven", "remark", "auditor's questions")
"""Facts that stand in lists and tables of their own on the note."""
STATED = ("file", "sha256", "number", "revision", "decision", "standing", "reads")
AGAIN = ("identical", "same_version", "moved", "why_not", "pages", "words")


def print_verification(found: Verification) -> None:
    """Print the facts and then the verdict."""
    for line in fact_lines(found):
        typer.echo(shown(line))
    typer.echo(shown(f"verdict: {found.verdict}"))


def fact_lines(found: Verification) -> Iterator[str]:
    """Yield the facts, a line each, the verdict left out."""
    yield f"{found.file}: {found.number} revision {found.revision}, sha256 {found.sha256}"
    yield f"states: decision {found.decision}, standing {found.standing}"
    ended = f", its last day was {found.signoff.ended}" if found.signoff.ended else ""
    yield f"reads on the day of judgement: {found.reads}{ended}"
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
    yes = sum(answer.word == "yes" for answer in found.answers)
    yield f"auditor's questions: {yes} of {len(found.answers)} answered yes"
    kinds = (("failed", found.failures), ("not proven", found.gaps), ("remark", found.remarks))
    yield from (f"{word}: {line}" for word, every in kinds for line in every)


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

    `day` is that of judgement; `given` are the options of the call and what each was given.
    """
    from importlib.metadata import version

    from dossier.report.render import page_pdf

    asked = tuple(answer.question for answer in found.answers)
    told = [line.partition(": ")[::2] for line in list(fact_lines(found))[2:]]
    return page_pdf(
        "verification.html",
        found=found,
        kind="fail" if found.failures else "open" if found.verdict != "verified" else "pass",
        day=date_text(day),
        version=version("dossier"),
        facts=[pair for pair in told if pair[0] not in _APART],
        yes=sum(answer.word == "yes" for answer in found.answers),
        repeat=list(_repeat(found, day, given)),
        lists=(
            ("What contradicts the dossier", found.failures),
            ("What is not proven", found.gaps),
            ("What a person should know", [r for r in found.remarks if not r.startswith(asked)]),
        ),
    )


def _repeat(
    found: Verification, day: date, given: Sequence[tuple[str, str]]
) -> Iterator[tuple[str, str]]:
    """Yield what is needed to verify again, and the command; each file by its SHA-256."""
    from importlib.metadata import version

    files = [(flag, text) for flag, text in given if flag in _FILES]
    held = "; the files that the command names" if files else ""
    exact = "where pages are to be identical, the versions that 'dossier constraints' prints for it"
    needed = f"this PDF, which carries all inputs{held}; dossier {version('dossier')}; {exact}"
    yield "Needed", needed
    words = [word for flag, text in given for word in (flag, text) if word]
    yield "Command", shlex.join(["dossier", "verify", found.file, *words, "--at", str(day)])
    yield f"SHA-256 of {found.file}", found.sha256
    paths = (text.partition("=")[2] if flag == "--trust-person" else text for flag, text in files)
    for path in dict.fromkeys(map(Path, paths)):
        yield f"SHA-256 of {path.name}", hashlib.sha256(path.read_bytes()).hexdigest()
