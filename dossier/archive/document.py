"""The parts of decision.json that the register and the comparison read, as frozen models."""

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

__all__ = ["CaseHead", "DecisionDocument", "FindingRow", "LimitRow", "ManifestDocument"]

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

    def passes_beyond(self, rule: RuleRow) -> bool:
        """Return whether it says pass though its own numbers say otherwise under the rule."""
        if self.verdict != "pass":
            return False
        low, high, chance = self.limit.min, self.limit.max, self.probability_conforming
        slack = 1e-9 * abs(self.value or 0.0)  # numbers are written with ten digits
        outside = self.value is None or (low is not None and self.value < low - slack)
        outside = outside or (high is not None and (self.value or 0.0) > high + slack)
        wanted = rule.confidence if rule.kind != "simple_acceptance" else None
        unsure = chance is not None and wanted is not None and chance < wanted - 1e-9
        return outside or unsure

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
    versions: dict[str, Text] = Field(default_factory=dict)


class ManifestDocument(_Part):
    """manifest.json as far as it is read here."""

    schema_: Annotated[str, StringConstraints(pattern=r"^dossier manifest 1\.\d{1,4}$")] = Field(
        alias="schema"
    )
    case: Annotated[str, StringConstraints(min_length=1, max_length=500)]
    files: dict[str, Digest]
