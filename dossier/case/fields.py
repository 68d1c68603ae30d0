"""Field types of the case files: text with a unit in, a checked value in working units out."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from types import UnionType
from typing import Annotated, Any, Literal, Self, Union, get_args, get_origin

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    Strict,
    StringConstraints,
    model_validator,
)
from pydantic_core import core_schema

from dossier.case.units import DIMENSIONS, UnitError, parse_quantity, parse_size
from dossier.physics.particles import grade


class Model(BaseModel):
    """Base of all case models: frozen, and every unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, defer_build=True)

    def _wrong(self) -> str:
        """Return what does not fit together in it, or nothing."""
        return ""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if why := self._wrong():
            raise ValueError(why)
        return self


class Measured(Model):
    """A measured constant with its standard uncertainty, if one was stated."""

    value: float
    """Value [working unit of its dimension]."""
    u: float | None = None
    """Standard uncertainty [same unit]; None when nothing was stated."""
    k: float | None = None
    """Coverage factor that a stated expanded uncertainty was divided by [-]."""


@dataclass(frozen=True, slots=True)
class _In:
    """Marks a field as text with a unit of one dimension, read into the working unit."""

    dimension: str
    measured: bool = False
    """Whether an uncertainty may be stated with it."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        read = _measured if self.measured else parse_quantity
        return core_schema.no_info_plain_validator_function(lambda raw: read(raw, self.dimension))

    def __get_pydantic_json_schema__(self, schema: Any, handler: Any) -> dict[str, Any]:
        text = {"type": "string", "examples": [DIMENSIONS[self.dimension][1]]}
        keys: dict[str, Any] = {"value": {}, "u": {}, "U": {}, "k": {}}
        table = {"type": "object", "properties": keys, "required": ["value"]}
        written = {"anyOf": [text, table]} if self.measured else text
        return {**written, "description": self.dimension}


def dimension_of(annotation: Any) -> tuple[str, bool]:
    """Return the dimension that a field is marked with, and whether it may state an uncertainty.

    The dimension is empty where the annotation names none.
    """
    for each in get_args(annotation):
        if isinstance(each, _In):
            return each.dimension, each.measured
        found = dimension_of(each)
        if found[0]:
            return found
    return "", False


def types_in(annotation: Any) -> Iterator[Any]:
    """Yield every type that an annotation names, tuple and dict as such."""
    origin = get_origin(annotation)
    if origin in {tuple, dict}:
        yield origin
    if origin in {tuple, Union, UnionType, Annotated}:
        for each in get_args(annotation):
            yield from types_in(each)
    elif origin is not dict:
        yield annotation


def model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model inside ``tuple[Model, ...]`` or ``Model | None``."""
    found = (each for each in types_in(annotation) if isinstance(each, type))
    return next((each for each in found if issubclass(each, BaseModel)), None)


def example_of(annotation: Any, metadata: Sequence[Any] = ()) -> str:
    """Return how a value of a field is written in TOML."""
    dimension = dimension_of(Annotated[annotation, *metadata, ""])[0]
    if dimension:
        return f'"{DIMENSIONS[dimension][1]}"'
    inner = [each for each in get_args(annotation) if each is not type(None)]
    if get_origin(annotation) is Literal:
        return f'"{inner[0]}"'
    if get_origin(annotation) is tuple:
        return f"[{example_of(inner[0])}]"
    if inner:
        return example_of(inner[0])
    if model := model_in(annotation):
        needed = ((k, f) for k, f in model.model_fields.items() if f.is_required())
        keys = (f"{k} = {example_of(f.annotation, f.metadata)}" for k, f in needed)
        return f"{{ {', '.join(keys)} }}"
    return {date: "2026-03-10", int: "0", float: "1.0", bool: "true"}.get(annotation, '"..."')


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
    if "U" not in keys:
        u = _positive(raw["u"], dimension, value) if "u" in keys else None
        return Measured(value=value, u=u)
    factor = raw["k"]
    if isinstance(factor, bool) or not isinstance(factor, (int, float)) or not 1 <= factor <= 5:
        raise ValueError(f"coverage factor k must be between 1 and 5, not {factor!r}")
    return Measured(value=value, u=_positive(raw["U"], dimension, value) / factor, k=float(factor))


FINEST = 5e-5
"""Relative standard uncertainty below which nothing is known in a filter laboratory [-]: own."""


def _positive(raw: object, dimension: str, value: float) -> float:
    if isinstance(raw, str) and raw.strip().endswith("%") and dimension != "fraction":
        u = parse_quantity(raw, "fraction") * abs(value)
    else:
        u = parse_quantity(raw, dimension)
    if not u > 0:
        raise ValueError(
            f"an uncertainty is above zero, this one is {raw!r}: leave it out where none is stated"
        )
    if u < FINEST * abs(value):
        raise ValueError(
            f"an uncertainty of {raw!r} is {u / abs(value):.1g} of the value, finer than anything "
            "measured in a filter laboratory: look at its unit, or leave it out"
        )
    return u


DIGEST = r"^[0-9a-f]{64}$"
Digest = Annotated[str, StringConstraints(pattern=DIGEST)]
"""A SHA-256 in hexadecimal."""
Day = Annotated[date, Strict()]
"""As TOML has a day: in quotation marks, or as a number, it is none to who reads the file later."""
Flow = Annotated[float, _In("flow")]
Pressure = Annotated[float, _In("pressure")]
Temperature = Annotated[float, _In("temperature")]
Density = Annotated[float, _In("density")]
Volume = Annotated[float, _In("volume")]
Time = Annotated[float, _In("time")]
Fraction = Annotated[float, _In("fraction")]
CountConcentration = Annotated[float, _In("count concentration")]
Concentration = Annotated[Measured, _In("concentration", measured=True)]
MassRate = Annotated[Measured, _In("mass rate", measured=True)]
MeasuredFlow = Annotated[Measured, _In("flow", measured=True)]
MeasuredVolume = Annotated[Measured, _In("volume", measured=True)]
MeasuredViscosity = Annotated[Measured, _In("kinematic viscosity", measured=True)]
MeasuredPressure = Annotated[Measured, _In("pressure", measured=True)]


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

    def _wrong(self) -> str:
        return "" if 0 <= self.min <= self.max else "a band needs 0 <= min <= max"


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

    def _wrong(self) -> str:
        fits = 1 <= self.upstream < 1e6 and 1 <= self.downstream < 1e6
        return "" if fits else "a dilution factor is 1 (undiluted) or larger"


class Dust(Model):
    """The test dust of a multi-pass run."""

    kind: Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
    """Designation, such as "ISO 12103-1 A3"."""
    batch: Annotated[str, StringConstraints(max_length=4000)] = ""
    counts: dict[str, str] = Field(default_factory=dict)
    """Particles of each size and larger per mass, of a dust whose counts are not known here."""
    source: Annotated[str, StringConstraints(max_length=4000)] = ""
    """Where `counts` are from."""

    @model_validator(mode="before")
    @classmethod
    def _table(cls, raw: Any) -> Any:
        if isinstance(raw, str):
            raise ValueError(f"write dust = {{ kind = {raw[:60]!r}, batch = '...' }}")
        return raw

    def _wrong(self) -> str:
        known = grade(self.kind) == "A3"
        if "12103" in self.kind and not grade(self.kind):
            return "this dust of ISO 12103 is not understood: write 'ISO 12103-1 A3'"
        if known and self.counts:
            return "the counts of ISO 12103-1 A3 are known: leave counts out"
        if not known and not (self.counts and self.source.strip()):
            return (
                f"the counts of dust {self.kind!r} are not known here, only those of 'ISO 12103-1 "
                "A3': add counts = { '5 um(c)' = '1.3e9 1/g', ... } and their source"
            )
        wrong = "; ".join(self._wrong_counts())
        return f"counts of the dust: {wrong}" if wrong else ""

    def _wrong_counts(self) -> Iterator[str]:
        """Yield what is wrong with the counts: every entry that is none, or that rises."""
        read: dict[float, float] = {}
        for size, count in self.counts.items():
            try:
                at, value = parse_size(size), parse_quantity(count, "counts per mass")
            except UnitError as error:
                yield str(error)
                continue
            if not value > 0:
                yield f"{count!r} at {size!r} is not above zero"
            if at in read:
                yield f"{size!r} is given twice"
            read[at] = value
        for (small, more), (large, less) in pairwise(sorted(read.items())):
            if not more > less:
                yield f"not fewer at {large:g} um(c) than at {small:g} um(c)"

    @property
    def known_batch(self) -> str:
        """The batch, where it has a number by which it can be told from another; else empty."""
        return self.batch if any(c.isdigit() for c in self.batch) else ""

    @property
    def spectrum(self) -> tuple[tuple[float, float], ...]:
        """Size [um(c)] and particles of it and larger in a mass [1/kg], sizes rising."""
        per_mass = {s: parse_quantity(n, "counts per mass") for s, n in self.counts.items()}
        return tuple(sorted((parse_size(size), count) for size, count in per_mass.items()))


FilterName = Literal["candidate", "reference"]
SIDES = ("candidate", "reference")
