"""decision.json as frozen models: by them it is written, read, and told in its schema."""

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
)

from dossier.case.fields import Digest

MAX_NAME = 200
"""Bytes of a name."""
Text = Annotated[str, StringConstraints(max_length=20_000)]
Maybe = Annotated[Text | None, BeforeValidator(lambda text: None if text == "" else text)]
"""A text that may be absent: null, never empty."""
Real = Annotated[float, Field(allow_inf_nan=False)]
DossierNumber = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
DecisionWord = Literal["approved", "approved with conditions", "not approved", "undecided"]
VerdictWord = Literal[
    "pass", "conditional pass", "conditional fail", "fail", "not demonstrated", "not applicable"
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
    model_config = ConfigDict(frozen=True, extra="ignore", defer_build=True)


class CaseHead(_Part):
    """What identifies a dossier."""

    number: DossierNumber
    revision: Annotated[int, Field(ge=0, le=9999, strict=True)]
    title: Text
    issued: date
    candidate: Text
    reference: Text | None = None
    replaces: Maybe = None
    review_due: date | None = None


class ChangeRow(_Part):
    """A field of the application that changed since it was asked; null where it is absent."""

    field: Text
    before: Text | None = None
    after: Text | None = None


class OnFileRow(_Part):
    """Since when the requirements are on file, and what changed since."""

    since: date
    first_test: date
    changes: tuple[ChangeRow, ...] = ()


class RuleRow(_Part):
    """The decision rule as agreed."""

    kind: Text
    confidence: Real | None
    agreed: date


class ApplicationHead(_Part):
    """Where the filter would work."""

    title: Text
    revision: Text
    issued: date | None = None
    equipment: tuple[Text, ...] = ()
    on_file: OnFileRow | None = None
    """Null where no request is on file: nothing shows when the requirements were agreed."""


class AppliedRow(ApplicationHead):
    """One of several applications, decided by itself."""

    mark: Annotated[Text, Field(min_length=1)]
    """What its requirements are named by: "barge" of "barge E1"."""
    issued: date
    decision: DecisionWord
    """What it would be alone; an approval is given for all applications or for none."""
    decision_rule: RuleRow


class LimitRow(_Part):
    """Limits of a requirement, in its own unit."""

    min: Real | None = None
    max: Real | None = None
    not_worse_than_reference: Real | None = None


class SpecimenRow(_Part):
    """One specimen's result."""

    specimen: Text | None = None
    record: Text | None = None
    value: Real | None = None
    u: Real | None = None
    bound: Maybe = None


class SideRow(_Part):
    """The result of the filter now fitted."""

    value: Real | None = None
    u: Real | None = None
    per_specimen: tuple[SpecimenRow, ...] = ()


class DecidingRow(_Part):
    """The number that decides, and the limits inside which it passes, in the requirement's unit."""

    kind: Text
    value: Real | None = None
    """Of a count the share of the type that it shows to conform, at least [-]."""
    specimen: Maybe = None
    bound: Maybe = None
    accept_min: Real | None = None
    accept_max: Real | None = None
    specimens: int = 0
    failures: int = 0


class ComponentRow(_Part):
    """One contribution to the uncertainty of a result, in the requirement's unit."""

    name: Text
    u: Real | None = None
    dof: Real | None = None
    source: Text = ""
    shared: Maybe = None
    """Key of an input whose error other results share."""


class PrecisionRow(_Part):
    """What the laboratories that tested one filter differ by in a result, in its unit."""

    laboratories: int
    results: int
    degrees_of_freedom: Real
    """Between laboratories: one less than they are."""
    repeatability_sd: Real | None = None
    """s_r; null where each laboratory has one result, which does not tell it from s_L."""
    between_laboratories_sd: Real | None = None
    """s_L, zero where it cannot be told from zero."""
    between_laboratories_interval95: tuple[Real | None, ...]
    reproducibility_sd: Real
    """s_R."""


class FindingRow(_Part):
    """One requirement with what was found and said."""

    requirement: Annotated[Text, Field(min_length=1)]
    text: Text = ""
    quantity: Text
    at: Maybe = None
    basis: Text
    severity: Text
    source: Text = ""
    verdict: VerdictWord
    value: Real | None = None
    u: Real | None = None
    """Standard uncertainty, in the requirement's own unit."""
    dof: Real | None = None
    """Effective degrees of freedom; null where they are without bound."""
    bound: Maybe = None
    """Where the value is only a bound of the true one: larger than, or smaller than."""
    interval95: tuple[Real | None, ...] | None = None
    unit: Text | None = None
    limit: LimitRow = LimitRow()
    probability_conforming: Real | None = None
    reason: Text = ""
    concession: Text | None = None
    deciding: DecidingRow | None = None
    components: tuple[ComponentRow, ...] = ()
    """The uncertainty budget."""
    precision: PrecisionRow | None = Field(default=None, exclude_if=lambda row: row is None)
    """Only where several laboratories tested the filter."""
    notes: tuple[Text, ...] = ()
    per_specimen: tuple[SpecimenRow, ...] = ()
    records: tuple[Text, ...] = ()
    reference: SideRow | None = None

    def passes_beyond(self, rule: RuleRow | None) -> bool:
        """Return whether it says pass though its own numbers say otherwise under the rule."""
        if self.verdict != "pass" or rule is None:
            return self.verdict == "pass"
        low, high, chance = self.limit.min, self.limit.max, self.probability_conforming
        slack = 1e-9 * abs(self.value or 0.0)  # numbers are written with ten digits
        outside = self.value is None or (low is not None and self.value < low - slack)
        outside = outside or (high is not None and (self.value or 0.0) > high + slack)
        wanted = rule.confidence if rule.kind != "simple_acceptance" else None
        unsure = chance is not None and wanted is not None and chance < wanted - 1e-9
        return outside or unsure

    @property
    def behind(self) -> tuple[SpecimenRow, ...]:
        """Return the results of each specimen behind this finding, the reference's among them."""
        return *self.per_specimen, *(self.reference.per_specimen if self.reference else ())

    def rests_on_records(self) -> frozenset[str]:
        """Return identifiers of all records behind this finding, the reference's among them."""
        return frozenset(self.records) | {row.record for row in self.behind if row.record}


class CheckRow(_Part):
    """One rule of validity that was applied."""

    record: Text
    rule: Text = ""
    limit: Text = ""
    found: Text = ""
    outcome: Text = ""
    mandatory: bool = False
    standard: Text = ""
    guards: Maybe = None
    """metrology or integrity, where no deviation may cover the rule."""
    deviation: Maybe = None


class RecordRow(_Part):
    """One test record and its file."""

    record: Text
    kind: Text
    filter: Text
    specimen: Maybe = None
    path: Text
    standard: Text
    laboratory: Text
    tested: date
    finished: date | None = None
    file: Text
    """Name under which it is attached."""
    sheet: Maybe = None
    reduced: dict[Text, tuple[Real | None, ...]] = Field(default_factory=dict)
    """What the record was reduced to that no page shows whole: names with their unit, values."""


class CautionRow(_Part):
    """A warning for the people who act on the dossier."""

    title: Text
    text: Text
    computed: bool
    """False for the usual cautions."""


class SignedRow(_Part):
    """One sign-off and whether it holds."""

    role: Text
    name: Text
    meaning: Text
    date: Annotated[Text, BeforeValidator(str)]
    digest: Text
    holds: bool
    note: Maybe = None


class SignOffRow(_Part):
    """Who has signed, bound to which digest."""

    digest: Text
    roles: tuple[Text, ...] = ()
    missing: tuple[Text, ...] = ()
    signed: tuple[SignedRow, ...] = ()


class ConditionRow(_Part):
    """One condition of an approval."""

    kind: Text
    subject: Maybe = None
    """Requirement or record it is about; null for the whole case."""
    text: Text


class DecisionContent(_Part):
    """The part of decision.json that people sign, as far as it is read here."""

    schema_: Annotated[str, StringConstraints(pattern=r"^dossier decision 1\.\d{1,4}$")] = Field(
        alias="schema"
    )
    case: CaseHead
    application: ApplicationHead
    """Of several applications, their titles, revisions and machines together."""
    applications: tuple[AppliedRow, ...] = ()
    """Several applications; the key is absent where there is but one."""
    decision: DecisionWord
    valid_until: date | None = None
    """Last day on which an approval holds."""
    conditions: tuple[ConditionRow, ...] = ()
    cautions: tuple[CautionRow, ...] = ()
    decision_rule: RuleRow | None
    """Null where several applications do not agree on one."""
    findings: tuple[FindingRow, ...]
    checks: tuple[CheckRow, ...] = ()
    records: tuple[RecordRow, ...] = ()
    inputs: dict[str, Digest]
    stated: dict[str, Digest] = Field(default_factory=dict)
    """Of case.toml, the SHA-256 of what it states apart from language, paper and units."""
    seed: int | None = None
    house: Digest | None = None
    versions: dict[str, Text] = Field(default_factory=dict)

    @property
    def by_application(self) -> Iterator[tuple[str, RuleRow | None, list[FindingRow]]]:
        """Each application's mark, rule and findings; those of the only one without a mark."""
        for each in self.applications:
            own = [f for f in self.findings if f.requirement.startswith(f"{each.mark} ")]
            yield each.mark, each.decision_rule, own
        if not self.applications:
            yield "", self.decision_rule, list(self.findings)


class DecisionDocument(DecisionContent):
    """decision.json as far as it is read here."""

    signed: Any = False
    standing: Any = None
    signoff: Any = None
    expired: bool = False
    """Whether an approval was over on the day it was built."""


class ManifestDocument(_Part):
    """manifest.json as far as it is read here."""

    schema_: Annotated[str, StringConstraints(pattern=r"^dossier manifest 1\.\d{1,4}$")] = Field(
        alias="schema"
    )
    case: Annotated[str, AfterValidator(_plain)]
    """Name of the case folder."""
    files: dict[str, Digest]
    versions: dict[str, Any] = Field(default_factory=dict)
    layout: dict[str, Any] = Field(default_factory=dict)
    """Versions of what the look of the pages depends on, and the folder of a house."""
    libraries: Any = None

    @property
    def house(self) -> str:
        """Return the folder of the house whose words the pages carry; empty without one."""
        return str(self.layout.get("house folder", ""))


class WrittenDecision(DecisionDocument):
    """decision.json as this version writes it, its sign-offs included."""

    signed: bool
    standing: Text
    """The decision once it is signed off and holds, else "draft" or "expired: was ..."."""
    signoff: SignOffRow
