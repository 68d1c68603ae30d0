"""Sign-off block, methods used, digests and versions as formatted text."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from dossier.case.case import Case
from dossier.decision.conditions import APPROVES
from dossier.decision.finding import Finding
from dossier.report.blocks import Fact, Line, as_written
from dossier.report.format import date_text, speak
from dossier.report.house.house import House
from dossier.report.pages.fixed_words import answer_of
from dossier.report.signing import MEANINGS, Signed, SignOff, field_name, role_text
from dossier.words import later, say, say_count


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffPage:
    """Who stands for the dossier."""

    state: str
    lines: tuple["SignOffLine", ...]
    digest: str
    """What sign-offs of the present content are bound to; empty where it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffLine:
    """One line to sign; blank but for role and meaning where nobody has signed."""

    role: str
    meaning: str | Line
    name: str = ""
    date: str = ""
    note: str = ""
    digest: str = ""
    field: str = ""
    """Name of the field for a digital signature."""


@dataclass(frozen=True, slots=True)
class MethodFamily:
    """Quantities that are reduced as one standard or source describes."""

    standard: str
    entries: tuple[Fact, ...]
    """How each is obtained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DigestsPage:
    """What proves that nothing was changed."""

    facts: tuple[Fact, ...]
    end: str


def signoff_page(signoff: SignOff, decision: str) -> SignOffPage:
    """Return the sign-off block; empty lines to sign where a role has not signed."""
    answer = answer_of(decision, signoff)
    if answer.stamp:
        state = say(
            "{stamp}. Until every line below is signed, this dossier is a draft and gives no leave "
            "to fit the filter. A sign-off is bound to the digest of inputs, findings and "
            "decision; if one of them changes, it no longer holds.",
            stamp=answer.stamp,
        )
    else:
        state = say(
            "Signed. The decision is: {decision}. Each sign-off is bound to the digest below.",
            decision=say(decision) if signoff.ended is None else answer.word,
        )
    return SignOffPage(
        state=state,
        lines=tuple(_sign_lines(signoff, leave=decision in APPROVES)),
        digest=signoff.digest,
    )


def _sign_lines(signoff: SignOff, *, leave: bool) -> Iterable[SignOffLine]:
    for role in signoff.roles:
        given = [each for each in signoff.signed if each.role == role]
        for each in given:
            yield _signed_line(each, leave=leave)
        if not given:
            yield SignOffLine(
                role=_shown(role, leave=leave),
                meaning=say(MEANINGS.get(role, "")),
                field=field_name(role),
            )
    for each in signoff.signed:
        if each.role not in signoff.roles:
            yield _signed_line(each, leave=leave)


def _shown(role: str, *, leave: bool) -> str:
    return role_text(role, leave=leave).capitalize()


def _signed_line(each: Signed, *, leave: bool) -> SignOffLine:
    """Return the line of a sign-off; only one that holds has a field to seal it."""
    return SignOffLine(
        role=_shown(each.role, leave=leave),
        meaning=as_written(each.meaning),
        name=each.name,
        date=date_text(each.date),
        note=each.note if each.holds else say("No longer holds: {reason}.", reason=each.note),
        digest="" if each.holds else each.digest,
        field=field_name(each.role) if each.holds else "",
    )


SYMBOLS = {
    "N̄u": later("N̄u,j and N̄d,j: mean particles per volume upstream and downstream in tenth "
                 "j = 1 … 10 of the test time"),
    "x₁": later("x₁ and x₂, β₁ and β₂: adjacent counted sizes and the ratios at them"),
    "ci": later("ci and qi: concentration and flow of what is injected; tf: time to the terminal "
                "differential pressure"),
    "cb": later("c: final concentration in the system of volume V; cb: base level upstream; qu and "
                "qd: sample flows upstream and downstream that do not return"),
    "ρ·Q²": later("Q: flow; a, b: by least squares from the flow sweep (ah: of the housing alone); "
                  "µ, ν, ρ: dynamic and kinematic viscosity and density of the application's oil"),
    "lg T": later("T: absolute temperature; A, B: from the two stated viscosities; ρ from the "
                  "density at 15 °C"),
    "g(m)": later("g(m): pressure drop of the run at mass m less the part that does not grow, over "
                  "the same at its start"),
    "R": later("R: contaminant that reaches the filter in an hour, in particles where R(x)"),
    "pmin": later("pmin: lowest opening pressure of the valve"),
    "qc": later("qc: the flow at which the valve counts as open"),
    "pg": later("pg: pressure at the bearings; Δpf, Δpm: pressure drop of the fine and of the main "
                "path"),
    "Ef": later("Ef(x): efficiency of the fine path"),
    "Cw": later("Cw: concentration of the wanted code"),
}  # fmt: skip
"""What letters of the formulas mean beside the quantities themselves, by one that shows it."""


def symbols(findings: Iterable[Finding]) -> str:
    """Return what the letters mean in the formulas of quantities that a requirement asks for."""
    used = dict.fromkeys(finding.demand.quantity for finding in findings)
    text = "; ".join(each.formula for each in used)
    shown = (key for key in SYMBOLS if re.search(rf"(?<!\w){re.escape(key)}(?!\w)", text))
    return "; ".join(speak(say(SYMBOLS[key])) for key in shown)


def methods(findings: Iterable[Finding]) -> tuple[MethodFamily, ...]:
    """Return how each quantity that a requirement asks for is obtained, those of one kind together.

    From its declaration; what all of a kind follow is said once.
    """
    used = dict.fromkeys(finding.demand.quantity for finding in findings)
    families: dict[str, list[Fact]] = {}
    told = ""
    for each in used:
        formula = say("Likewise.") if each.formula == told else say(each.formula)
        told = each.formula
        entry = Fact(
            f"{say(each.title)}, {say(each.symbol)}", f"{speak(say(each.meaning))} {formula}"
        )
        families.setdefault(speak(say(each.standard)), []).append(entry)
    return tuple(MethodFamily(standard, tuple(own)) for standard, own in families.items())


def digests_page(
    case: Case, manifest: Mapping[str, Any], decision: str, house: House | None = None
) -> DigestsPage:
    """Return the digest of decision.json, which holds those of the inputs; versions, end.

    `manifest` holds "versions" by name; `decision` is the SHA-256 of decision.json.
    """
    inputs = say_count(
        len(case.inputs),
        "{number} file, attached byte for byte",
        "{number} files, attached byte for byte",
    )
    listed = ", ".join(f"{name} {each}" for name, each in sorted(manifest["versions"].items()))
    facts = [
        Fact("decision.json", f"SHA-256 {decision}"),
        Fact(say("Inputs"), inputs),
        Fact(say("Versions"), listed),
    ]
    if house is not None:
        facts.append(Fact(say("House"), f"{house.name}, SHA-256 {house.digest}"))
    return DigestsPage(
        facts=tuple(facts),
        end=say(
            "End of dossier {number}, revision {revision}",
            number=case.qualification.number,
            revision=case.qualification.revision,
        ),
    )
