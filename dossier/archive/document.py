"""The parts of decision.json that the register and the comparison read, as frozen models."""

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

__all__ = [
    "CaseHead",
    "DecisionDocument",
    "FindingRow",
    "LimitRow",
    "ManifestDocument",
    "plain_part",
]

MAX_NAME = 200
"""Bytes of a name."""
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Text = Annotated[str, StringConstraints(max_length=20_000)]
Real = Annotated[float, Field(allow_inf_nan=False)]
DossierNumber = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
DecisionWord = Literal["approved", "approved with conditions", "not approved", "undecided"]
VerdictWord = Literal[
    "pass",
    "conditional pass",
    "conditional fail",
    "fail",
    "not demonstrated",
    "not applicable",
]


def plain_part(name: str) -> bool:
    """Return whether a name is one plain part of a path, on every system."""
    return (
        0 < len(name.encode("utf-8", "replace")) <= MAX_NAME
        and name not in {".", ".."}
        and name == name.strip()
        and name.isprintable()
        and not set(name) & set('/\\:*?"<>|')
    )


def _plain(name: str) -> str:
    if not plain_part(name):
        raise ValueError("not one plain part of a path")
    return name


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class CaseHead(_Part):
    """What identifies a dossier."""

    number: DossierNumber
    revision: Annotated[int, Field(ge=0, le=9999, strict=True)]
    title: Text
    issued: date
    candidate: Text
    reference: Text | None = None
    replaces: Text | None = None
    review_due: date | None = None


class ApplicationHead(_Part):
    """Where the filter would work."""

    title: Text
    revision: Text
    equipment: tuple[Text, ...] = ()


class RuleRow(_Part):
    """The decision rule as agreed."""

    kind: Text
    confidence: Real | None
    agreed: date


class LimitRow(_Part):
    """Limits of a requirement, in its own unit."""

    min: Real | None = None
    max: Real | None = None
    not_worse_than_reference: Real | None = None


class SpecimenRow(_Part):
    """One specimen's result."""

    record: Text | None = None


class SideRow(_Part):
    """The result of the filter now fitted."""

    value: Real | None = None
    u: Real | None = None
    per_specimen: tuple[SpecimenRow, ...] = ()


class FindingRow(_Part):
    """One requirement with what was found and said."""

    requirement: Annotated[Text, Field(min_length=1)]
    text: Text = ""
    quantity: Text
    at: Text | None = None
    basis: Text
    severity: Text
    source: Text = ""
    verdict: VerdictWord
    value: Real | None = None
    u: Real | None = None
    bound: Text | None = None
    unit: Text | None = None
    limit: LimitRow = LimitRow()
    probability_conforming: Real | None = None
    reason: Text = ""
    concession: Text | None = None
    per_specimen: tuple[SpecimenRow, ...] = ()
    records: tuple[Text, ...] = ()
    reference: SideRow | None = None

    def rests_on_records(self) -> frozenset[str]:
        """Return identifiers of all records behind this finding, the reference's among them."""
        behind = [*self.per_specimen, *(self.reference.per_specimen if self.reference else ())]
        return frozenset(self.records) | {row.record for row in behind if row.record}


class CheckRow(_Part):
    """One rule of validity that was applied."""

    record: Text
    standard: Text = ""


class DecisionDocument(_Part):
    """decision.json as far as it is read here."""

    schema_: Annotated[str, StringConstraints(pattern=r"^dossier decision 1\.\d{1,4}$")] = Field(
        alias="schema"
    )
    case: CaseHead
    application: ApplicationHead
    decision: DecisionWord
    signed: Any = False
    standing: Any = None
    conditions: tuple[Text, ...] = ()
    decision_rule: RuleRow
    findings: tuple[FindingRow, ...]
    checks: tuple[CheckRow, ...] = ()
    inputs: dict[str, Digest]
    seed: int | None = None
    house: Digest | None = None
    versions: dict[str, Text] = Field(default_factory=dict)


class ManifestDocument(_Part):
    """manifest.json as far as it is read here."""

    schema_: Annotated[str, StringConstraints(pattern=r"^dossier manifest 1\.\d{1,4}$")] = Field(
        alias="schema"
    )
    case: Annotated[str, AfterValidator(_plain)]
    """Name of the case folder."""
    files: dict[str, Digest]
