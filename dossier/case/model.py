"""The two case files as frozen models; names and meanings as in the case format."""

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints, model_validator

from dossier.case.fields import (
    Band,
    Concentration,
    CountConcentration,
    Density,
    Dilution,
    Dust,
    Ends,
    FilterName,
    Flow,
    Fraction,
    MassRate,
    MeasuredFlow,
    MeasuredPressure,
    MeasuredViscosity,
    MeasuredVolume,
    Model,
    Pressure,
    Sides,
    Temperature,
    Time,
    Volume,
    VolumeEnds,
)
from dossier.case.signoff_file import SignOffRules

__all__ = [
    "Application",
    "Circuit",
    "Concession",
    "Conditions",
    "DecisionRule",
    "Deviation",
    "Duty",
    "Filter",
    "Fluid",
    "Instrument",
    "Laboratory",
    "Qualification",
    "RecordEntry",
    "Reproducibility",
    "Requirement",
    "Stated",
    "Terms",
]

Name = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
Words = Annotated[str, StringConstraints(max_length=4000)]
Language = Literal["en", "de"]
Number = Annotated[
    str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$", strip_whitespace=True)
]


class BypassValve(Model):
    """Where the bypass valve sits and between which pressures it opens."""

    location: Literal["filter", "head", "none"]
    opening: Band | None = None

    @model_validator(mode="after")
    def _has_opening(self) -> "BypassValve":
        if self.location != "none" and self.opening is None:
            raise ValueError("a bypass valve needs its opening band: opening = { min, max }")
        return self


class Circuit(Model):
    """The oil circuit in which the filter will work."""

    arrangement: Literal[
        "full_flow",
        "partial_flow",
        "full_and_partial_flow",
        "combined",
        "combined_through_flow",
    ]
    rated_flow: Flow
    sump_volume: Volume | None = None
    partial_flow_share: Fraction | None = None
    bypass_valve: BypassValve | None = None
    system_pressure: Pressure | None = None
    pump_flow: Flow | None = None
    """Flow of the pump, where it is not the rated flow of the full-flow path."""
    gallery_pressure: Pressure | None = None
    """Regulated gauge pressure at the bearings [Pa]; it drives a fine path back to the sump."""

    def path_of(self, named: str) -> str:
        """Return the path that `named` is here: where there is but the fine one, that."""
        return "fine" if self.arrangement == "partial_flow" else named


class Oil(Model):
    """The oil of the application."""

    description: Words = ""
    kv40: MeasuredViscosity
    kv100: MeasuredViscosity
    density15: Density

    @model_validator(mode="after")
    def _thinner_when_hot(self) -> "Oil":
        if not self.kv40.value > self.kv100.value > 0:
            raise ValueError("kv40 must be larger than kv100, and both above zero")
        return self


class Fluid(Oil):
    """A test fluid."""

    id: Name


class Duty(Model):
    """How the machine works."""

    hot_oil: Temperature
    normal_oil: Temperature
    cold_start: Temperature
    service_interval: Time
    ingression: MassRate | None = None
    ingression_dust: Words = ""
    life_factor: Annotated[float, Field(ge=1, le=100)] | None = None


class DecisionRule(Model):
    """The decision rule, agreed before the tests."""

    kind: Literal["simple_acceptance", "guard_band", "graded"]
    confidence: Fraction
    agreed: date

    @model_validator(mode="after")
    def _sensible(self) -> "DecisionRule":
        if not 0.5 < self.confidence < 1:
            raise ValueError("confidence must lie between 50 % and 100 %")
        return self


class Terms(Model):
    """How a test has to be run for a requirement, where not as the application is."""

    flow: Flow | None = None
    base_level: Concentration | None = None
    terminal: Pressure | None = None
    """Least terminal differential pressure of the element."""

    @model_validator(mode="after")
    def _above_zero(self) -> "Terms":
        level = self.base_level.value if self.base_level else None
        if not all(each is None or each > 0 for each in (self.flow, level, self.terminal)):
            raise ValueError("flow, base_level and terminal of a test are above zero")
        return self


class Requirement(Model):
    """One requirement as the user wrote it; limits are read later, by its quantity's unit."""

    id: Name
    text: Words
    quantity: Name
    at: dict[str, Any] = Field(default_factory=dict)
    min: Any = None
    max: Any = None
    between: dict[str, Any] | None = None
    not_worse_than_reference: Fraction | None = None
    """Share by which the value may be worse; of an efficiency or a filtration ratio, by which more
    may pass [-]."""
    must_hold: Literal[True] | None = None
    source: Words
    severity: Literal["mandatory", "advisory"]
    basis: Literal["mean", "every_specimen", "population"] = "mean"
    coverage: Fraction | None = None
    """Share of the population that must conform, for the population basis."""
    size_calibration: Literal["ISO 11171", "ISO 4402", "um(b)"] = "ISO 11171"
    """Calibration that the sizes of this requirement are written in; older ones are converted."""
    test: Terms = Terms()
    not_applicable: Words = ""
    """Reason why this requirement does not apply to this application, in a sentence."""
    method: Words = ""
    """House method that this requirement accepts beside those of the standards, by its name."""

    @model_validator(mode="after")
    def _one_limit(self) -> "Requirement":
        names = ("min", "max", "between", "not_worse_than_reference", "must_hold")
        given = [name for name in names if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(
                f"requirement {self.id!r} needs exactly one of {', '.join(names)}; it has "
                f"{' and '.join(given) or 'none'} (a band is between = {{ min = ..., max = ... }})"
            )
        if self.coverage is not None and not 0.5 <= self.coverage < 1:
            raise ValueError("coverage must lie between 50 % and 100 %")
        return self


class Application(Model):
    """application.toml: where the filter will work and what it must do."""

    title: Name
    revision: Name
    issued: date
    owner: Words = ""
    equipment: tuple[Name, ...] = ()
    notes: Words = ""
    circuit: Circuit
    oil: Oil
    duty: Duty
    decision_rule: DecisionRule
    requirement: tuple[Requirement, ...] = Field(min_length=1, max_length=200)


class Filter(Model):
    """The candidate, or the filter now fitted."""

    part_number: Name
    maker: Words = ""
    description: Words = ""
    lots: tuple[Name, ...] = ()
    specimens: tuple[Name, ...] = ()
    """Specimens that the test plan names; each must have every kind of record that is used."""


class Laboratory(Model):
    """A laboratory and what it is accredited for."""

    id: Name
    name: Name
    accreditation: Words = ""
    methods: tuple[Name, ...] = ()


Measurand = Literal[
    "counts",
    "flow",
    "injection flow",
    "differential pressure",
    "temperature",
    "mass",
    "pressure",
    "volume rate",
    "length",
    "cycles",
    "time",
]


class Instrument(Model):
    """A measuring instrument with its calibration."""

    id: Name
    kind: Name
    calibrated: date
    due: date
    certificate: Words = ""
    size_u: Fraction | None = None
    """Relative standard uncertainty of a particle count from calibration [-]."""
    diameter_u: Fraction | None = None
    """Relative standard uncertainty of the sizes that a particle counter counts at [-]."""
    reading_u: Any = None
    """Standard uncertainty of a reading: relative in percent, or absolute with its unit."""
    measures: tuple[Measurand, ...] = ()
    coincidence_limit: CountConcentration | None = None

    @model_validator(mode="after")
    def _due_after_calibrated(self) -> "Instrument":
        if self.due < self.calibrated:
            raise ValueError(f"instrument {self.id!r} is due before it was calibrated")
        return self


class Reproducibility(Model):
    """How far results of one method differ from laboratory to laboratory."""

    method: Name
    """Standard, as the records state it."""
    quantity: Name
    u: Fraction
    """Relative standard uncertainty between laboratories [-]: of the value, and of an efficiency
    or a filtration ratio of the penetration."""
    source: Annotated[str, StringConstraints(min_length=10, max_length=4000)]
    """Interlaboratory study or clause that the figure is from."""

    @model_validator(mode="after")
    def _sensible(self) -> "Reproducibility":
        if not 0 < self.u < 1:
            raise ValueError("u must lie between 0 % and 100 %")
        return self


class Conditions(Model):
    """Conditions of one test; which are needed depends on the kind of record."""

    flow: MeasuredFlow | None = None
    temperature: Temperature | None = None
    injection_flow: MeasuredFlow | None = None
    injection_concentration: Ends | None = None
    injection_volume: VolumeEnds | None = None
    base_level: Concentration | None = None
    """Base upstream level that was agreed, where it is not the usual one."""
    final_concentration: Concentration | None = None
    system_volume: MeasuredVolume | None = None
    sample_flow: Sides | None = None
    housing_pressure_drop: MeasuredPressure | None = None
    terminal_pressure_drop: Pressure | None = None
    sample_volume: Volume | None = None
    dilution: Dilution = Dilution()
    dust: Dust | None = None
    criterion_flow: Flow | None = None
    """Flow at which a bypass valve counts as open or as reseated."""


class Stated(Model):
    """Conditions that were not recorded, and that the laboratory's signed report states."""

    report: Name
    """Number of the report."""
    conditions: tuple[Literal["flow", "temperature"], ...]


class RecordEntry(Model):
    """One test record of case.toml."""

    id: Number
    kind: Literal["multipass", "pressure_drop", "bypass_valve", "measurement", "inspection"]
    standard: Name
    filter: FilterName
    specimen: Name | None = None
    path: Literal["full_flow", "fine"] = "full_flow"
    laboratory: Name
    instruments: tuple[Name, ...] = ()
    tested: date
    finished: date | None = None
    fluid: Name | None = None
    file: Name
    columns: dict[str, str] = Field(default_factory=dict)
    """The laboratory's own column names mapped to those of the case format."""
    decimal: Literal["", ".", ","] = ""
    """Decimal mark of the file, for the rare one that does not show it; '' elsewhere."""
    size_calibration: Literal["ISO 11171", "ISO 4402", "um(b)"] = "ISO 11171"
    conditions: Conditions = Conditions()
    stated: Stated | None = None


class Deviation(Model):
    """A departure from the test plan or method, and its effect."""

    record: Name
    text: Words
    """What was done otherwise and why, in a sentence."""
    effect: Literal["none", "widens uncertainty", "record excluded"]
    agreed_by: Words
    """Who answers for it: a person or a role."""
    agreed: date
    """Day on which it was agreed, not before the test."""
    u: Fraction | None = None
    """Relative standard uncertainty to add, where the effect widens it [-]."""
    cause: Words = ""
    """Physical cause, in a sentence, for a record that is excluded."""
    rule: Words = ""
    """Name of the check that this deviation covers; without it, none is covered."""

    @model_validator(mode="after")
    def _complete(self) -> "Deviation":
        widens = self.effect == "widens uncertainty"
        if widens and not (self.u is not None and self.u > 0):
            raise ValueError("a deviation that widens the uncertainty needs u, such as u = '2 %'")
        if self.u is not None and not widens:
            raise ValueError(f"u widens the uncertainty, which effect {self.effect!r} does not")
        return self


class Concession(Model):
    """Leave to use a filter that fails a requirement, bounded in time or machines."""

    requirement: Name
    text: Words
    agreed_by: Name
    agreed: date
    until: date | None = None
    machines: tuple[Name, ...] = ()

    @model_validator(mode="after")
    def _bounded(self) -> "Concession":
        if self.until is None and not self.machines:
            raise ValueError("a concession is bounded: give until, or machines, or both")
        return self


class Qualification(Model):
    """case.toml: this qualification."""

    number: Number
    revision: Annotated[int, Field(ge=0, le=9999)]
    title: Name
    purpose: Words = ""
    application: Name = "application.toml"
    replaces: Words = ""
    issued: date | None = None
    """Date of issue that the pages carry; --issued overrides it."""
    review_due: date | None = None
    notes: Words = ""
    language: Language = "en"
    """Language of the pages, as in ISO 639-1."""
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] | None = None
    candidate: Filter
    reference: Filter | None = None
    laboratory: tuple[Laboratory, ...] = Field(min_length=1)
    instrument: tuple[Instrument, ...] = ()
    fluid: tuple[Fluid, ...] = ()
    reproducibility: tuple[Reproducibility, ...] = ()
    record: tuple[RecordEntry, ...] = Field(min_length=1, max_length=2000)
    deviation: tuple[Deviation, ...] = ()
    concession: tuple[Concession, ...] = ()
    house: Name | None = None
    """Folder of a house, relative to the case folder and inside the inputs folder."""
    signoff: SignOffRules | None = None
    """Roles that sign, in their order, where they are not the usual three."""
