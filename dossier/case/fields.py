"""Field types of the case files: text with a unit in, a checked value in working units out."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, model_validator
from pydantic_core import core_schema

from dossier.case.units import DIMENSIONS, parse_quantity

__all__ = [
    "Band",
    "Concentration",
    "CountConcentration",
    "Density",
    "Flow",
    "Fraction",
    "MassRate",
    "Measured",
    "Model",
    "Pressure",
    "Temperature",
    "Time",
    "Volume",
]


class Model(BaseModel):
    """Base of all case models: frozen, and every unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


@dataclass(frozen=True, slots=True)
class _In:
    """Marks a field as text with a unit of one dimension, read into the working unit."""

    dimension: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(
            lambda value: parse_quantity(value, self.dimension)
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        return {
            "type": "string",
            "description": self.dimension,
            "examples": [DIMENSIONS[self.dimension][1]],
        }


class Measured(Model):
    """A measured constant with its standard uncertainty, if one was stated."""

    value: float
    """Value [working unit of its dimension]."""
    u: float | None = None
    """Standard uncertainty [same unit]; None when nothing was stated."""
    k: float | None = None
    """Coverage factor that a stated expanded uncertainty was divided by [-]."""


@dataclass(frozen=True, slots=True)
class _MeasuredIn:
    """Marks a field as a measured constant of one dimension."""

    dimension: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(
            lambda value: _measured(value, self.dimension)
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        keys: dict[str, Any] = {"value": {}, "u": {}, "U": {}, "k": {}}
        return {
            "anyOf": [
                {"type": "string", "examples": [DIMENSIONS[self.dimension][1]]},
                {"type": "object", "properties": keys, "required": ["value"]},
            ],
            "description": self.dimension,
        }


def _measured(raw: object, dimension: str) -> Measured:
    """Return a measured constant from ``"5 g"``, ``{ value, u }`` or ``{ value, U, k }``."""
    example = DIMENSIONS[dimension][1]
    if isinstance(raw, Measured):
        return raw
    if not isinstance(raw, Mapping):
        return Measured(value=parse_quantity(raw, dimension))
    keys = set(raw)
    if keys not in ({"value"}, {"value", "u"}, {"value", "U", "k"}):
        raise ValueError(
            f"a measured constant has value, and u or else U with k; this one has "
            f"{', '.join(sorted(keys)) or 'nothing'} (write {{ value = {example!r}, u = ... }})"
        )
    value = parse_quantity(raw["value"], dimension)
    if keys == {"value"}:
        return Measured(value=value)
    if "u" in keys:
        return Measured(value=value, u=_positive(raw["u"], dimension, value))
    factor = raw["k"]
    if isinstance(factor, bool) or not isinstance(factor, (int, float)) or not 1 <= factor <= 5:
        raise ValueError(f"coverage factor k must be between 1 and 5, not {factor!r}")
    expanded = _positive(raw["U"], dimension, value)
    return Measured(value=value, u=expanded / factor, k=float(factor))


def _positive(raw: object, dimension: str, value: float) -> float:
    if isinstance(raw, str) and raw.strip().endswith("%") and dimension != "fraction":
        u = parse_quantity(raw, "fraction") * abs(value)
    else:
        u = parse_quantity(raw, dimension)
    if not u >= 0:
        raise ValueError(f"an uncertainty must not be negative, this one is {raw!r}")
    return u


Flow = Annotated[float, _In("flow")]
Pressure = Annotated[float, _In("pressure")]
Temperature = Annotated[float, _In("temperature")]
Density = Annotated[float, _In("density")]
Volume = Annotated[float, _In("volume")]
Time = Annotated[float, _In("time")]
Fraction = Annotated[float, _In("fraction")]
CountConcentration = Annotated[float, _In("count concentration")]
Concentration = Annotated[Measured, _MeasuredIn("concentration")]
MassRate = Annotated[Measured, _MeasuredIn("mass rate")]
MeasuredFlow = Annotated[Measured, _MeasuredIn("flow")]
MeasuredVolume = Annotated[Measured, _MeasuredIn("volume")]
MeasuredViscosity = Annotated[Measured, _MeasuredIn("kinematic viscosity")]
MeasuredPressure = Annotated[Measured, _MeasuredIn("pressure")]


class Band(Model):
    """A pressure band, written by its ends or by a nominal value and a tolerance."""

    min: Pressure
    """Lower end [Pa]."""
    max: Pressure
    """Upper end [Pa]."""

    @model_validator(mode="before")
    @classmethod
    def _from_nominal(cls, raw: Any) -> Any:
        if isinstance(raw, Mapping) and set(raw) == {"nominal", "tolerance"}:
            middle = parse_quantity(raw["nominal"], "pressure")
            half = parse_quantity(raw["tolerance"], "pressure")
            return {"min": f"{middle - half} Pa", "max": f"{middle + half} Pa"}
        return raw

    @model_validator(mode="after")
    def _ordered(self) -> "Band":
        if not 0 <= self.min <= self.max:
            raise ValueError("a band needs 0 <= min <= max")
        return self


class Ends(Model):
    """A concentration sampled at the start and at the end of the test."""

    start: Concentration
    end: Concentration


class VolumeEnds(Model):
    """A volume read at the start and at the end of the test."""

    start: Volume
    end: Volume


class Sides(Model):
    """One flow on each side of the filter."""

    upstream: Flow
    downstream: Flow


class Dilution(Model):
    """Dilution factors of the counted samples, 1 when undiluted."""

    upstream: float = 1.0
    downstream: float = 1.0

    @model_validator(mode="after")
    def _at_least_one(self) -> "Dilution":
        if not (1 <= self.upstream < 1e6 and 1 <= self.downstream < 1e6):
            raise ValueError("a dilution factor is 1 (undiluted) or larger")
        return self


FilterName = Literal["candidate", "reference"]
