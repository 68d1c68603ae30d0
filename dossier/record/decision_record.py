"""decision.json and the manifest: what a program reads, and what proves it."""

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import to_jsonable_python

from dossier.case.case import Case, Record
from dossier.case.problems import CaseError
from dossier.case.toml_text import parse_toml, problems_in
from dossier.decision.deciding import Deciding, DecidingKind
from dossier.decision.finding import Assessment, ConditionKind, Finding
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.requirement import Demand
from dossier.evidence.statistics.estimate import Estimate, SpecimenValue
from dossier.evidence.statistics.uncertainty import Precision
from dossier.record.document import (
    ApplicationHead,
    CaseHead,
    DecidingRow,
    DecisionContent,
    RecordRow,
    SignOffRow,
    WrittenDecision,
)
from dossier.record.dossier_file import DECISION
from dossier.record.program import layout_versions, libraries_of, versions
from dossier.record.signoff import reads, sign_off_state, standing
from dossier.report.house.house import ATTACHED, House
from dossier.report.signing import SignOff

SCHEMA_VERSION = "1.1"


def decision_document(
    case: Case, assessment: Assessment, issued: date, today: date | None = None
) -> tuple[dict[str, Any], SignOff]:
    """Return decision.json: what was found and decided, who signed it off, and how it stands.

    The sign-offs that it tells of come beside it.
    `decision` is what the calculation gives; `standing` is how it reads once every sign-off the
    case asks for is given and holds, and "draft" before; `expired` says whether an approval is
    over on the day it is, and "false" without `today`.
    """
    document = decided_content(case, assessment, issued)
    signoff = sign_off_state(case, assessment, document, today)
    decision = assessment.decision.value
    told = {
        "expired": reads(decision, signoff) != decision,
        "standing": standing(decision, signoff),
        "signed": signoff.complete,
        "signoff": SignOffRow.model_validate(signoff, from_attributes=True).model_dump(mode="json"),
    }
    return document | told, signoff


def decided_content(case: Case, assessment: Assessment, issued: date) -> dict[str, Any]:
    """Return what people sign: numbers in the requirement's own unit, full precision.

    `unit` is the unit as the requirement writes it; bounds are marked, never turned into numbers.
    """
    qualification = case.qualification
    reference = qualification.reference
    rules = [_rule(part) for part in case.each]
    head = {name: getattr(qualification, name) for name in CaseHead.model_fields} | {
        "issued": issued,
        "candidate": qualification.candidate.part_number,
        "reference": reference.part_number if reference else None,
    }
    reduced: dict[str, dict[str, Iterable[float]]]
    reduced = {run.record: _run(run) for run in assessment.bench.multipass}
    reduced |= {sweep.record: _sweep(sweep) for sweep in assessment.bench.pressure}
    content = {
        "schema": f"dossier decision {SCHEMA_VERSION}",
        "case": head,
        "application": _application(case),
        "decision": assessment.decision.value,
        "valid_until": assessment.valid_until,
        "conditions": assessment.conditions,
        "cautions": assessment.cautions,
        "applications": [_applied(part) for part in assessment.parts],
        "decision_rule": rules[0] if all(each == rules[0] for each in rules) else None,
        "findings": [_finding(finding) for finding in assessment.findings],
        "checks": assessment.checks,
        "records": [_record(each, reduced.get(each.id, {})) for each in case.records],
        "inputs": {file.name: file.sha256 for file in case.inputs},
        "stated": _stated(case),
        "seed": assessment.seed,
        "versions": versions(),
        "house": case.house or None,
    }
    try:
        made = DecisionContent.model_validate(content, from_attributes=True)
    except ValidationError as error:  # of a text too long for who reads it
        raise CaseError(problems_in("decision.json", error, DecisionContent, content)) from None
    kept = None if assessment.parts else {"applications"}
    return made.model_dump(mode="json", by_alias=True, exclude=kept)


def _rule(case: Case) -> dict[str, Any]:
    rule = case.application.decision_rule
    return {"kind": rule.kind, "confidence": ten_digits(rule.confidence), "agreed": rule.agreed}


def _applied(part: Assessment) -> dict[str, Any]:
    case = part.bench.case
    own = {"mark": case.mark, "decision": part.decision.value, "decision_rule": _rule(case)}
    return _application(case) | own


def _application(case: Case) -> dict[str, Any]:
    names = ApplicationHead.model_fields
    head = {name: getattr(case.application, name, None) for name in names}
    return head | {"on_file": case.on_file}


LOOK = ("language", "paper", "units")
"""Keys of case.toml that change how a dossier reads and looks, and nothing that it finds."""


def _stated(case: Case) -> dict[str, str]:
    """Return the SHA-256 of what case.toml states apart from `LOOK`, by its name as an input."""
    stated = {}
    for file in case.inputs:
        if file.name == f"{case.name}/case.toml":
            kept = {k: value for k, value in parse_toml(file.content).items() if k not in LOOK}
            plain = json.dumps(kept, sort_keys=True, default=str)
            stated[file.name] = hashlib.sha256(plain.encode()).hexdigest()
    return stated


def _finding(finding: Finding) -> dict[str, Any]:
    demand, estimate = finding.demand, finding.estimate
    ends = [None if end is None else _shown(demand, end) for end in (finding.lower, finding.upper)]
    relative = ten_digits(demand.not_worse)
    return (
        {name: getattr(demand, name) for name in PLAIN}
        | {
            "requirement": demand.id,
            "quantity": demand.quantity.name,
            "at": demand.at_text,
            "verdict": finding.verdict.value,
            "interval95": finding.interval and [_shown(demand, end) for end in finding.interval],
            "limit": {"min": ends[0], "max": ends[1], "not_worse_than_reference": relative},
            "probability_conforming": ten_digits(finding.probability),
            "reason": finding.reason,
            "concession": finding.concession.text if finding.concession else None,
            "deciding": finding.deciding and _deciding(demand, finding.deciding),
            "reference": _result(demand, finding.reference) if finding.reference else None,
        }
        | (_estimate(demand, estimate) if estimate else {})
    )


PLAIN = ("text", "basis", "severity", "source", "unit")
"""What a row says of a requirement as the requirement does."""


def _estimate(demand: Demand, estimate: Estimate) -> dict[str, Any]:
    precision = estimate.precision and _precision(demand, estimate.precision)
    return _result(demand, estimate) | {
        "dof": ten_digits(estimate.dof),
        "bound": estimate.bound,
        "components": [
            {
                "name": each.name, "u": ten_digits(each.u / abs(demand.spread_factor)),
                "dof": ten_digits(each.dof), "source": each.source, "shared": each.shared,
            }
            for each in estimate.components
        ],
        "precision": precision,
        "notes": estimate.notes,
        "records": estimate.sources,
    }  # fmt: skip


def _record(record: Record, reduced: Mapping[str, Iterable[float]]) -> dict[str, Any]:
    entry = record.entry
    plain = {name: getattr(entry, name, None) for name in RecordRow.model_fields}
    values = {name: [ten_digits(float(v)) for v in column] for name, column in reduced.items()}
    files = {"record": record.id, "file": record.file, "sheet": record.sheet}
    return plain | files | {"reduced": values}


def _run(run: MultipassResult) -> dict[str, Iterable[float]]:
    """Return the filtration ratio of a run at each size, overall and in each tenth of the test."""
    overall: dict[str, Iterable[float]] = {
        "size [um(c)]": run.sizes,
        "filtration ratio": run.ratio,
        "size at which it is only a lower bound [um(c)]": run.sizes[run.zero_downstream],
    }
    for k, size in enumerate(run.sizes):
        overall[f"filtration ratio of each tenth at {size:g} um(c)"] = run.interval_ratio[:, k]
    return overall


def _sweep(sweep: PressureDropResult) -> dict[str, Iterable[float]]:
    """Return what was fitted to a sweep, a*mu*Q + b*rho*Q^2, and what it covers."""
    nu = sweep.viscosity / sweep.density
    return {
        "a [1/m3]": [sweep.assembly.a],
        "b [1/m4]": [sweep.assembly.b],
        "a and b told from zero": map(float, sweep.assembly.resolved),
        "b of the housing [1/m4]": [] if sweep.housing is None else [sweep.housing.b],
        "largest flow [m3/s]": [sweep.flow.max()],
        "least and largest viscosity [m2/s]": [nu.min(), nu.max()],
    }


def _deciding(demand: Demand, found: Deciding) -> dict[str, Any]:
    count = found.kind == "count"
    ends = {"accept_min": found.lower, "accept_max": found.upper, "value": found.value}
    plain = {name: getattr(found, name) for name in DecidingRow.model_fields if name not in ends}
    return plain | {
        name: ten_digits(end) if count or end is None else _shown(demand, end)
        for name, end in ends.items()
    }


def _precision(demand: Demand, told: Precision) -> dict[str, Any]:
    own = told.times(1.0 / demand.spread_factor)
    return {
        "laboratories": own.laboratories, "results": own.results, "degrees_of_freedom": own.dof,
        "repeatability_sd": ten_digits(own.within),
        "between_laboratories_sd": ten_digits(own.between),
        "between_laboratories_interval95": (ten_digits(own.low), ten_digits(own.high)),
        "reproducibility_sd": ten_digits(own.together),
    }  # fmt: skip


def _result(demand: Demand, result: Estimate | SpecimenValue) -> dict[str, Any]:
    """Return value, uncertainty and specimens of a result, in the requirement's own unit."""
    spread = result.u / demand.spread_factor
    return {"value": _shown(demand, result.value), "u": ten_digits(spread)} | (
        {"specimen": result.specimen, "record": result.record, "bound": result.bound}
        if isinstance(result, SpecimenValue)
        else {"per_specimen": [_result(demand, each) for each in result.per_specimen]}
    )


def _shown(demand: Demand, value: float) -> float | None:
    return ten_digits(demand.shown(value))


def ten_digits(value: float | None) -> float | None:
    """Return ten significant digits, enough for every use and the same on every machine."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.10g}")


def as_json(document: Mapping[str, Any]) -> str:
    """Return JSON with sorted keys, indented for people, ending in a line feed."""
    form: dict[str, Any] = {"sort_keys": True, "indent": 2, "ensure_ascii": False}
    return json.dumps(document, **form, allow_nan=False, default=to_jsonable_python) + "\n"


def canonical(document: Mapping[str, Any]) -> bytes:
    """Return the one form of a document in UTF-8."""
    return as_json(document).encode()


def manifest_of(
    case: Case,
    decision_json: bytes,
    assessment: Assessment,
    house: House | None = None,
    libraries: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Return the manifest: SHA-256 of every file attached, seed and versions.

    `libraries` are versions that another manifest states, for `dossier constraints`: nothing on
    the pages follows from them alone.  Those that are installed here where none are given.
    """
    digests = {each.name: each.sha256 for each in (*case.inputs, case.signoff) if each}
    for name, content in house.contents.items() if house else ():
        digests[f"{ATTACHED}{name}"] = hashlib.sha256(content).hexdigest()
    digests[DECISION] = hashlib.sha256(decision_json).hexdigest()
    return {
        "schema": f"dossier manifest {SCHEMA_VERSION}",
        "case": case.name,
        "files": digests,
        "seed": assessment.seed,
        "versions": versions(),
        "layout": layout_versions() | house_entry(house),
        "libraries": dict(libraries_of() if libraries is None else libraries),
    }


def house_entry(house: House | None) -> dict[str, str]:
    """Return what the manifest says of a house."""
    return {"house folder": house.called, "house files": house.digest} if house else {}


NOT_ALWAYS = {"precision", "applications"}
"""Keys that are left out where there is nothing to say."""


def decision_schema() -> dict[str, Any]:
    """Return the JSON Schema of decision.json: every key that is written, and no other."""
    from dossier.evidence.limits import Outcome

    head = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    schema = head | WrittenDecision.model_json_schema()
    schema["title"] = "decision.json"
    for part in (schema, *schema["$defs"].values()):
        if "properties" in part:
            required = sorted(part["properties"].keys() - NOT_ALWAYS)
            part |= {"required": required, "additionalProperties": False}
    codes = {
        ("ConditionRow", "kind"): get_args(ConditionKind),
        ("CheckRow", "outcome"): get_args(Outcome),
        ("DecidingRow", "kind"): get_args(DecidingKind),
    }
    for (name, key), words in codes.items():
        schema["$defs"][name]["properties"][key]["enum"] = list(words)
    return schema
