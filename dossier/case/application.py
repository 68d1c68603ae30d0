"""application.toml as frozen models: where a filter will work and what it must do."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from dossier.case.fields import (
    Band,
    Concentration,
    Day,
    Density,
    Flow,
    Fraction,
    MassRate,
    MeasuredViscosity,
    Model,
    Pressure,
    Temperature,
    Time,
    Volume,
)
from dossier.physics.viscosity import kinematic_viscosity, walther_constants

Name = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
Words = Annotated[str, StringConstraints(max_length=4000)]

HAS_FINE = {"partial_flow", "full_and_partial_flow", "combined", "combined_through_flow"}
"""Arrangements with a fine path."""
HAS_MAIN = {"full_flow", "full_and_partial_flow", "combined", "combined_through_flow"}
"""Arrangements whose oil passes a full-flow medium on its way to the bearings."""


class BypassValve(Model):
    """Where the bypass valve sits and between which pressures it opens."""

    location: Literal["filter", "head", "none"]
    opening: Band | None = None

    def _wrong(self) -> str:
        lacks = self.location != "none" and self.opening is None
        return "a bypass valve needs its opening band: opening = { min, max }" if lacks else ""


class Circuit(Model):
    """The oil circuit in which the filter will work."""

    arrangement: Literal[
        "full_flow", "partial_flow", "full_and_partial_flow", "combined", "combined_through_flow"
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

    @property
    def guarded(self) -> frozenset[str]:
        """The paths that the bypass valve stands across: oil to the sump passes none of it."""
        if self.arrangement == "combined_through_flow":
            return frozenset(("full_flow", "fine"))
        return frozenset((self.path_of("full_flow"),))

    @property
    def opening(self) -> Band | None:
        """The pressures between which its bypass valve opens; None without a valve."""
        valve = self.bypass_valve
        return valve.opening if valve and valve.location != "none" else None

    @property
    def pumped(self) -> float:
        """The flow that divides between the paths [m3/s]: the pump's, else the rated flow."""
        return self.pump_flow if self.pump_flow is not None else self.rated_flow

    def path_of(self, named: str) -> str:
        """Return the path that `named` is here: where there is but the fine one, that."""
        return "fine" if self.arrangement == "partial_flow" else named


class Oil(Model):
    """The oil of the application."""

    description: Words = ""
    kv40: MeasuredViscosity
    kv100: MeasuredViscosity
    density15: Density

    def _wrong(self) -> str:
        thins = self.kv40.value > self.kv100.value > 0
        return "" if thins else "kv40 must be larger than kv100, and both above zero"


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

    def _wrong(self) -> str:
        rate = self.ingression
        if rate is not None and rate.u is not None and not rate.u <= rate.value:
            return "the standard uncertainty of the ingression must not be larger than its value"
        return ""


class DecisionRule(Model):
    """The decision rule, agreed before the tests."""

    kind: Literal["simple_acceptance", "guard_band", "graded"]
    confidence: Fraction
    agreed: Day

    def _wrong(self) -> str:
        inside = 0.5 < self.confidence < 1
        return "" if inside else "confidence must lie between 50 % and 100 %"


class Terms(Model):
    """How a test has to be run for a requirement, where not as the application is."""

    flow: Flow | None = None
    base_level: Concentration | None = None
    terminal: Pressure | None = None
    """Least terminal differential pressure of the element."""

    def _wrong(self) -> str:
        level = self.base_level.value if self.base_level else None
        above = all(each is None or each > 0 for each in (self.flow, level, self.terminal))
        return "" if above else "flow, base_level and terminal of a test are above zero"


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

    def _wrong(self) -> str:
        names = ("min", "max", "between", "not_worse_than_reference", "must_hold")
        given = [name for name in names if getattr(self, name) is not None]
        if len(given) != 1:
            return (
                f"requirement {self.id!r} needs exactly one of {', '.join(names)}; it has "
                f"{' and '.join(given) or 'none'} (a band is between = {{ min = ..., max = ... }})"
            )
        inside = self.coverage is None or 0.5 <= self.coverage < 1
        return "" if inside else "coverage must lie between 50 % and 100 %"


class Application(Model):
    """application.toml: where the filter will work and what it must do."""

    title: Name
    revision: Name
    issued: Day
    owner: Words = ""
    equipment: tuple[Name, ...] = ()
    extends: Name | tuple[Name, ...] = ()
    """Files of requirements that are taken as well, relative to this one: "../library/x.toml"."""
    notes: Words = ""
    circuit: Circuit
    oil: Oil
    duty: Duty
    decision_rule: DecisionRule
    requirement: tuple[Requirement, ...] = Field(min_length=1, max_length=200)

    def _wrong(self) -> str:
        oil, duty = self.oil, self.duty
        try:
            line = walther_constants(313.15, oil.kv40.value, 373.15, oil.kv100.value)
            for warmth in (duty.cold_start, duty.normal_oil, duty.hot_oil):
                kinematic_viscosity(*line, warmth)
        except ValueError as error:
            return f"the oil, from cold start to hot: {error}"
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """A requirement set as an application uses it."""

    file: str
    """Its path, relative to the case folder."""
    title: str
    revision: str
    issued: Day
    taken: tuple[str, ...]
    """Ids of the requirements that are taken from it."""
    overridden: tuple[str, ...]
    """Ids of those that the application states otherwise."""


def mark_of(file: str) -> str:
    """Return the word for one application among several: the name of its file, else its folder."""
    path = PurePosixPath(file)
    plain = path.stem == "application" and path.parent.name not in {"", ".."}
    return "-".join((path.parent.name if plain else path.stem).split())


def marked_name(application: Application, mark: str) -> Application:
    """Return an application whose requirements bear its mark, "barge E1"; as it is without one."""
    own = (each.model_copy(update={"id": f"{mark} {each.id}"}) for each in application.requirement)
    return application.model_copy(update={"requirement": tuple(own)}) if mark else application


def joined_applications(applications: Mapping[str, Application]) -> Application:
    """Return several applications, by their marks, as one: for names, machines and requirements.

    Circuit, oil, duty and rule are those of the first: nothing may be decided by them.
    """
    first, everyone = next(iter(applications.values())), applications.values()
    return first.model_copy(update={
        "title": "; ".join(each.title for each in everyone),
        "revision": "; ".join(f"{mark} {each.revision}" for mark, each in applications.items()),
        "issued": max(each.issued for each in everyone),
        "owner": "; ".join(dict.fromkeys(each.owner for each in everyone if each.owner)),
        "equipment": tuple(dict.fromkeys(name for each in everyone for name in each.equipment)),
        "notes": "\n".join(dict.fromkeys(each.notes for each in everyone if each.notes)),
        "requirement": tuple(
            r for mark, each in applications.items() for r in marked_name(each, mark).requirement
        ),
    })  # fmt: skip
