"""What differs between two dossiers, and what the differences changed."""

import hashlib
import math
import posixpath
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import Any

from dossier.case.attached import open_pdf
from dossier.case.requested import FieldChange, field_changes, said
from dossier.case.whole import tables
from dossier.record.decision_record import as_json
from dossier.record.document import DecidingRow, FindingRow, OnFileRow, RuleRow
from dossier.record.dossier_file import DECISION, DossierFile, dossier_in
from dossier.record.signoff import SAID
from dossier.record.standing import as_of, reading_of, standing_of


@dataclass(frozen=True, slots=True)
class Changed:
    """One thing before and after; None where it is absent."""

    what: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class InputChange(Changed):
    """An input file by its name in the case, with its SHA-256."""

    moved: tuple[str, ...]
    """Requirements whose result rests on it and moved."""


@dataclass(frozen=True, slots=True)
class RequirementChange:
    """A requirement that was added, removed, or asks for something else."""

    requirement: str
    kind: str
    """"added", "removed" or "changed"."""
    changes: tuple[Changed, ...]


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A verdict that differs, with the differences that bear on it."""

    requirement: str
    before: str | None
    after: str | None
    because: tuple[str, ...]
    """Changed limits, inputs, rule or versions that this finding depends on."""


@dataclass(frozen=True, slots=True)
class Resulted:
    """What was found for one requirement, in its own unit."""

    value: float | None
    u: float | None
    """Standard uncertainty."""
    unit: str
    deciding: DecidingRow | None = None
    """The number that decides, and the limits inside which it passes."""


@dataclass(frozen=True, slots=True)
class ValueChange:
    """A result, the number that decides or an acceptance limit that differs."""

    requirement: str
    quantity: str
    before: Resulted
    after: Resulted
    because: tuple[str, ...]
    limits: tuple[float, ...] = ()
    """Limits of either side: a printed value must keep its side of them."""

    @property
    def difference(self) -> float | None:
        """Return after less before; None unless both have a value in the same unit."""
        old, new = self.before.value, self.after.value
        if old is None or new is None or self.before.unit != self.after.unit:
            return None
        return new - old if math.isfinite(new - old) else None

    @property
    def moved(self) -> bool:
        """Return whether a number moved, and not only the limits inside which it passes."""
        ends = {"accept_min": None, "accept_max": None}
        old, new = (
            replace(each, deciding=each.deciding and each.deciding.model_copy(update=ends))
            for each in (self.before, self.after)
        )
        return old != new


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything that differs between two dossiers; empty parts are the same."""

    names: tuple[str, str]
    proofs: tuple[str, str]
    """SHA-256 of each PDF; of a case folder that of its decision.json."""
    day: date | None
    """Day as of which both read as they do."""
    decisions: tuple[str, str]
    """As they read, with their standing."""
    verdicts: tuple[VerdictChange, ...]
    requirements: tuple[RequirementChange, ...]
    values: tuple[ValueChange, ...]
    inputs: tuple[InputChange, ...]
    rest: tuple[Changed, ...]
    """Number, filters, application, decision rule, conditions, seed, versions."""
    remarks: tuple[str, ...]
    """Why a side does not read as its decision, where that needs saying."""

    @property
    def same(self) -> bool:
        """Return whether decision, standing and every verdict are the same."""
        return self.decisions[0] == self.decisions[1] and not self.verdicts


def comparison_of(a: DossierFile, b: DossierFile, today: date | None = None) -> Comparison:
    """Return what differs from `a` to `b`, as they read on a day; nothing is recomputed."""
    standings = as_of(standing_of(a), today), as_of(standing_of(b), today)
    before, after = _by_requirement(a), _by_requirement(b)
    pairs = {name: (before.get(name), after.get(name)) for name in [*before, *after]}
    inputs = sorted(_changes(_digests(a), _digests(b)), key=lambda each: each.what)
    rest = _rest(a, b)
    alike = a.language == b.language
    asked = [_requirement(name, pair, alike) for name, pair in pairs.items()]
    requirements = tuple(each for each in asked if each.changes)
    causes = {name: _causes(name, a, b, requirements, inputs, rest) for name in pairs}
    verdicts = [c for n, pair in pairs.items() if (c := _verdict(n, pair, causes[n]))]
    turned = {each.requirement for each in verdicts}
    values = [v for n, pair in pairs.items() if (v := _value(n, pair, causes[n]))]
    values.sort(key=lambda each: each.requirement not in turned)
    return Comparison(
        names=(_name(a), _name(b)), proofs=(_proof(a), _proof(b)), day=today,
        decisions=(
            reading_of(a.decision.decision, standings[0].word),
            reading_of(b.decision.decision, standings[1].word),
        ),
        verdicts=tuple(sorted(verdicts, key=lambda each: each.after == "pass")),
        requirements=requirements, values=tuple(values), rest=rest,
        inputs=tuple(
            InputChange(e.what, e.before, e.after, tuple(_moved(e.what, a, b, values)))
            for e in inputs
        ),
        remarks=tuple(
            f"{side}: {each.remark}" for side, each in zip("AB", standings, strict=True)
            if each.remark
        ),
    )  # fmt: skip


_Pair = tuple[FindingRow | None, FindingRow | None]
"""What both sides found for one requirement."""


def _name(side: DossierFile) -> str:
    return f"{side.decision.case.number} r{side.decision.case.revision}"


def _proof(side: DossierFile) -> str:
    return side.sha256 or hashlib.sha256(side.files[DECISION]).hexdigest()


def _by_requirement(side: DossierFile) -> dict[str, FindingRow]:
    return {finding.requirement: finding for finding in side.decision.findings}


def _changes(before: Mapping[str, str], after: Mapping[str, str]) -> tuple[Changed, ...]:
    """Return the entries that differ, in a fixed order."""
    names = dict.fromkeys([*before, *after])
    return tuple(
        Changed(name, before.get(name), after.get(name))
        for name in names
        if before.get(name) != after.get(name)
    )


def _digests(side: DossierFile) -> dict[str, str]:
    """Return file -> SHA-256, by the name within the case: its folder may have another name.

    A file that is carried over stands under the name that it has in its own dossier.
    """
    own = {_within(side, name): digest for name, digest in side.decision.inputs.items()}
    return _carried(side) | own


def _carried(side: DossierFile) -> dict[str, str]:
    found: dict[str, str] = {}
    for source in side.carried:
        inner, names = dossier_in(open_pdf(source.content)), source.records
        used = (e for e in tables(inner.case or {}, "record") if e.get("id") in names)
        files = {_file(inner, entry) for entry in used}
        found |= {name: digest for name, digest in _digests(inner).items() if name in files}
    return found


def _file(side: DossierFile, record: Mapping[str, Any]) -> str:
    """Return the file of a record, by its name within the case."""
    path = str(record.get("file", "")).partition("#")[0]
    return _within(side, posixpath.normpath(f"{side.case_name}/{path}"))


def _within(side: DossierFile, name: str) -> str:
    return name.removeprefix(f"{side.case_name}/")


def _requirement(name: str, pair: _Pair, alike: bool) -> RequirementChange:
    """Return how a requirement changed; without what is said of it where the languages differ."""
    before, after = (
        {key: text for key, text in _asked(each).items() if alike or key not in SAID["findings"]}
        for each in pair
    )
    return RequirementChange(name, _kind(*pair), _changes(before, after))


def _asked(finding: FindingRow | None) -> dict[str, str]:
    """Return what a requirement asks, as words, without what was found."""
    if finding is None:
        return {}
    limit, unit = finding.limit, finding.unit or ""
    relative = limit.not_worse_than_reference
    asked = {
        "text": finding.text,
        "quantity": finding.quantity,
        "at": finding.at,
        "basis": finding.basis,
        "severity": finding.severity,
        "source": finding.source,
        "not worse than reference by": None if relative is None else f"{100 * relative:.10g} %",
    }
    if relative is None:  # else the limit is a result: it moves with the reference
        asked["min"] = None if limit.min is None else f"{limit.min:.10g} {unit}".strip()
        asked["max"] = None if limit.max is None else f"{limit.max:.10g} {unit}".strip()
    return {key: value for key, value in asked.items() if value}


def _value(name: str, pair: _Pair, because: tuple[str, ...]) -> ValueChange | None:
    """Return how a result moved; None where either side lacks the requirement or both agree."""
    before, after = pair
    if before is None or after is None:
        return None
    old, new = (Resulted(f.value, f.u, f.unit or "", f.deciding) for f in (before, after))
    ends = (before.limit.min, before.limit.max, after.limit.min, after.limit.max)
    limits = tuple(end for end in ends if end is not None)
    return None if old == new else ValueChange(name, after.quantity, old, new, because, limits)


def _verdict(name: str, pair: _Pair, because: tuple[str, ...]) -> VerdictChange | None:
    old, new = (each.verdict if each else None for each in pair)
    return None if old == new else VerdictChange(name, old, new, because)


def _rest(a: DossierFile, b: DossierFile) -> tuple[Changed, ...]:
    fields = field_changes(a.application or {}, b.application or {})
    applied = (Changed(f"application . {c.field}", c.before, c.after) for c in fields)
    alike = a.language == b.language
    return (*_changes(_head(a, alike), _head(b, alike)), *applied)


def _on_file(file: OnFileRow | None) -> str:
    """Return since when requirements are on file, and each field that changed since."""
    if file is None:
        return "none"
    late = f", after the first test on {file.first_test}" if file.since > file.first_test else ""
    changes = [said(FieldChange(c.field, c.before, c.after)) for c in file.changes]
    return "; ".join([f"since {file.since}{late}", *changes])


def _rule(rule: RuleRow) -> str:
    confidence = "none" if rule.confidence is None else f"{100 * rule.confidence:.10g} %"
    return f"{rule.kind}, confidence {confidence}, agreed {rule.agreed}"


def _head(side: DossierFile, alike: bool) -> dict[str, str]:
    decision, case = side.decision, side.decision.case
    texts = (e.text if alike else f"{e.kind}: {e.subject}" for e in decision.conditions)
    head = {
        "number": case.number,
        "revision": str(case.revision),
        "issued": case.issued.isoformat(),
        "candidate": case.candidate,
        "reference": case.reference or "",
        "review due": case.review_due.isoformat() if case.review_due else "",
        "replaces": case.replaces or "",
        "application": f"{decision.application.title}, revision {decision.application.revision}",
        "equipment": "; ".join(decision.application.equipment),
        "requirements on file": _on_file(decision.application.on_file),
        "conditions": "; ".join(texts),
        "seed": "" if decision.seed is None else str(decision.seed),
        "house": decision.house or "",
    }
    head |= {
        f"{mark} decision rule".lstrip(): _rule(rule)
        for mark, rule, _ in decision.by_application
        if rule is not None
    }
    versions = {f"version of {key}": value for key, value in sorted(decision.versions.items())}
    return {key: value for key, value in (head | versions).items() if value}


def _causes(
    name: str,
    a: DossierFile,
    b: DossierFile,
    requirements: Sequence[RequirementChange],
    inputs: Sequence[Changed],
    rest: Sequence[Changed],
) -> tuple[str, ...]:
    """Return the differences that the finding on a requirement depends on."""
    causes = [f"requirement {c.kind}: {_what(c)}" for c in requirements if c.requirement == name]
    files = _files(a, name) | _files(b, name)
    rule = f"{name.partition(' ')[0]} decision rule"
    causes += [f"{c.what} {_kind(c.before, c.after)}" for c in inputs if c.what in files]
    causes += [
        f"{each.what}: {each.before or 'none'} → {each.after or 'none'}"
        for each in rest
        if each.what in ("decision rule", rule, "seed", "candidate", "reference")
        or each.what.startswith("version of")
    ]
    return tuple(causes)


def _what(change: RequirementChange) -> str:
    if change.kind != "changed":
        return change.requirement
    return ", ".join(f"{c.what} {c.before or 'none'} → {c.after or 'none'}" for c in change.changes)


def _kind(before: object, after: object) -> str:
    return "added" if before is None else "removed" if after is None else "changed"


def _files(side: DossierFile, requirement: str) -> set[str]:
    """Return the files that a finding rests on: those of its records, and the case files."""
    case_files = {_within(side, name) for name in side.decision.inputs if name.endswith(".toml")}
    finding = _by_requirement(side).get(requirement)
    if finding is None:
        return case_files
    records = finding.rests_on_records()
    for entry in tables(side.case or {}, "record"):
        if entry.get("id") in records:
            file = _file(side, entry)
            case_files |= {file, file.partition("!/")[0]}  # and the PDF that it is carried from
    return case_files


def _moved(file: str, a: DossierFile, b: DossierFile, values: Sequence[ValueChange]) -> list[str]:
    """Return the requirements whose result rests on a file and moved."""
    moved = [each.requirement for each in values if each.moved]
    return [name for name in moved if file in _files(a, name) | _files(b, name)]


SIDE = ("dossier", "sha256", "decision")
"""What is said of each side, besides its file."""


def comparison_json(comparison: Comparison, files: tuple[str, str]) -> str:
    """Return a comparison as JSON; `files` are the two places as they were given."""
    document = asdict(comparison, dict_factory=_sided)
    parts = (document.pop(name) for name in ("names", "proofs", "decisions"))
    for row, change in zip(document["values"], comparison.values, strict=True):
        del row["limits"]
        row["difference"] = change.difference
    for side, (file, *told) in zip("ab", zip(files, *parts, strict=True), strict=True):
        document[side] = {"file": file} | dict(zip(SIDE, told, strict=True))
    document |= {"schema": "dossier comparison 1.0", "same": comparison.same}
    return as_json(document | {"other": document.pop("rest")})


def _sided(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    return {{"before": "a", "after": "b"}.get(name, name): value for name, value in pairs}
