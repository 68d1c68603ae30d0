"""A verification as text for a terminal and as JSON."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from datetime import date
from typing import Any

import typer

from dossier.report.format import date_text
from dossier.verification.verification import Verification
from dossier.words.terminal_safe import shown

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
    yes = sum(answer.word == "yes" for answer in found.answers)
    yield f"auditor's questions: {yes} of {len(found.answers)} answered yes"
    for kind in ("failures", "gaps", "remarks"):
        word = {"failures": "failed", "gaps": "not proven", "remarks": "remark"}[kind]
        yield from (f"{word}: {line}" for line in getattr(found, kind))


def _again(found: Verification) -> str:
    again = found.recomputed
    if again.why_not:
        return f"no: {again.why_not}"
    if again.identical:
        return "decision.json is identical"
    return "numbers moved" if again.moved else "no number moved, versions differ"


def facts_json(results: Iterable[Verification]) -> str:
    """Return the facts of all files as JSON."""
    return json.dumps([_facts(each) for each in results], indent=2, ensure_ascii=False) + "\n"


def _facts(found: Verification) -> dict[str, Any]:
    again = found.recomputed
    return {
        "file": found.file,
        "sha256": found.sha256,
        "number": found.number,
        "revision": found.revision,
        "decision": found.decision,
        "standing": found.standing,
        "reads": found.reads,
        "ended": found.signoff.ended.isoformat() if found.signoff.ended else None,
        "verdict": found.verdict,
        "failures": found.failures,
        "not_proven": found.gaps,
        "remarks": found.remarks,
        "signatures": [asdict(seal) for seal in found.seals],
        "sign_offs": [
            {"role": s.role, "name": s.name, "date": s.date.isoformat(), "holds": s.holds}
            for s in found.signoff.signed
        ],
        "attached": found.attached,
        "house": {"folder": again.house, "sha256": again.house_digest}
        if again.house_digest
        else None,
        "decided_again": {name: getattr(again, name) for name in AGAIN},
        "questions": [
            {"question": each.question, "answer": each.word, "detail": each.detail}
            for each in found.answers
        ],
    }


def note_pdf(found: Verification, day: date) -> bytes:
    """Return a PDF of one page with the facts and the verdict of a verification."""
    from importlib.metadata import version

    from dossier.report.render import page_pdf

    return page_pdf(
        "verification.html",
        found=found,
        day=date_text(day),
        version=version("dossier"),
        facts=list(_verification_note_facts(found)),
        lists=(
            ("What contradicts the dossier", found.failures),
            ("What is not proven", found.gaps),
            ("What a person should know", found.remarks),
        ),
    )


def _verification_note_facts(found: Verification) -> Iterator[tuple[str, str]]:

    for line in list(fact_lines(found))[2:]:
        name, _, text = line.partition(": ")
        if name not in {"failed", "not proven", "remark"}:
            yield name, text
