"""A requirement with its quantity, conditions and limits resolved."""

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from dossier.case.application import HAS_FINE, Application, Requirement
from dossier.case.problems import CaseProblem
from dossier.case.tables.size_columns import certified_size
from dossier.case.units import (
    DIMENSIONS,
    PURE,
    USUAL,
    UnitError,
    as_known,
    from_si,
    parse_quantity,
    split_quantity,
)
from dossier.evidence.quantities import all_quantities
from dossier.evidence.registry import Quantity, StatedAt, reference_line
from dossier.words import later, say


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What one requirement asks, ready to be decided."""

    id: str
    """As the user named it; among several applications after the mark of its own: "barge E1"."""
    text: str
    quantity: Quantity
    at: Mapping[str, float | str]
    """Conditions in working units."""
    at_text: str
    """Conditions as printed, such as "80 L/min, 105 °C"."""
    lower: float | None
    """Lower limit [working unit]; None when there is none or it comes from the reference."""
    upper: float | None
    not_worse: float | None
    """Allowed shortfall against the reference as a fraction; None unless so required."""
    unit: str
    """Unit the limit was written in, and results are printed in."""
    source: str
    severity: Literal["mandatory", "advisory"]
    basis: Literal["mean", "every_specimen", "population"]
    coverage: float
    """Share of the population that must conform, for the population basis [-]."""
    not_applicable: str = ""
    must_hold: bool = False
    confidence: float
    """Agreed probability of conforming [-]."""
    mark: str = ""
    """Application that asks, among several; empty where there is but one."""
    conversions: tuple[str, ...] = ()
    """Sentences that say how sizes of an older calibration were converted."""
    said_instead: str = ""
    """A number of the text that limits and conditions do not have; empty if they agree."""
    rounded: tuple[tuple[float, float], ...] = ()
    """Limits [working unit] that print as other numbers [`unit`] than the exact ones."""

    def shown(self, value: float) -> float:
        """Return a working value in the requirement's own unit."""
        equal = (number for end, number in self.rounded if math.isclose(value, end))
        return next(equal, self._exact(value))

    def _exact(self, value: float) -> float:
        if self.quantity.dimension == "statement":
            return value
        return from_si(value, self.unit, self.quantity.dimension)

    @property
    def own_id(self) -> str:
        """Return the identifier within its application."""
        return self.id.removeprefix(f"{self.mark} ")

    @property
    def spread_factor(self) -> float:
        """Return working units per printed unit, for differences such as an uncertainty."""
        return 1.0 / (self._exact(1.0) - self._exact(0.0))

    @property
    def of_reference(self) -> tuple[float, float]:
        """Return (factor [-], offset [working unit]) of the limit that the reference sets."""
        higher = self.quantity.better == "higher"
        return reference_line(self.not_worse or 0.0, higher, self.quantity.share_of)


DEFAULTS = {
    "rated_flow": later("rated flow"),
    "hot_oil": later("hot oil"),
    "normal_oil": later("normal oil"),
    "service_interval": later("service interval"),
}
"""The application's values that stand in where a condition is not given."""
DEFAULT_COVERAGE = 0.95
"""Share of the population that must conform when a requirement states none; always printed."""


def resolve(
    application: Application, file: str, mark: str = ""
) -> tuple[list[Demand], list[CaseProblem]]:
    """Return a demand for each requirement, and the problems of those that cannot be read.

    `mark` is that of the application among several.  A stated life factor of the duty becomes a
    mandatory requirement of its own.
    """
    demands, problems = [], []
    for requirement in _with_life_factor(application):
        if requirement.id == LIFE and requirement in application.requirement:
            what, hint = "is the name of what duty . life_factor asks for", "give it another id"
            problems.append(CaseProblem(file, f"requirement {LIFE!r}", what, hint))
        try:
            demands.append(_demand(requirement, application, mark))
        except UnitError as error:
            place = f"requirement {requirement.id!r}"
            what, _, hint = str(error).partition(" | ")
            problems.append(CaseProblem(file, place, what, hint or "correct this requirement"))
    return demands, problems


LIFE = "life_factor"
"""Identifier of the requirement that the duty's life factor makes: that key, in every language."""


def _with_life_factor(application: Application) -> list[Requirement]:
    requirements, factor = list(application.requirement), application.duty.life_factor
    if factor is None:
        return requirements
    hours = factor * application.duty.service_interval / 3600.0
    life = Requirement(
        id=LIFE,
        text=say("Predicted life is at least {factor:g} service intervals", factor=factor),
        quantity="service_life",
        min=f"{hours:.10g} h",
        source=say("application, life factor of its duty"),
        severity="mandatory",
    )
    return [*requirements, life]


def _demand(requirement: Requirement, application: Application, mark: str) -> Demand:
    known, name = all_quantities(), requirement.quantity
    if name not in known:
        raise UnitError(f"quantity {name!r} is not known | quantities are {', '.join(known)}")
    declared, arrangement = known[name], application.circuit.arrangement
    if declared.of_fine_path and arrangement not in HAS_FINE and not requirement.not_applicable:
        raise UnitError(
            f"{name} is of a fine path, which a circuit of arrangement {arrangement!r} does not "
            "have | leave this requirement out, or correct circuit . arrangement"
        )
    at, shown = _conditions(requirement, declared, application)
    lower, upper, unit = _limits(requirement, declared)
    same = ("text", "source", "severity", "basis", "not_applicable")
    return Demand(
        id=f"{mark} {requirement.id}".lstrip(),
        quantity=declared,
        at=at,
        at_text=shown,
        lower=lower,
        upper=upper,
        not_worse=requirement.not_worse_than_reference,
        unit=unit,
        coverage=requirement.coverage or DEFAULT_COVERAGE,
        must_hold=requirement.must_hold is True,
        confidence=application.decision_rule.confidence,
        mark=mark,
        conversions=tuple(_conversions(requirement, declared)),
        said_instead=_said_instead(requirement, declared, at, (lower, upper), application),
        **{key: getattr(requirement, key) for key in same},
    )


def _conditions(
    requirement: Requirement, declared: Quantity, application: Application
) -> tuple[dict[str, float | str], str]:
    names = [condition.name for condition in declared.conditions]
    for key in requirement.at:
        if key not in names:
            known = ", ".join(names) or "none"
            raise UnitError(f"at . {key} is not a condition of {declared.name} | it takes {known}")
    found = [_condition(each, requirement, application) for each in declared.conditions]
    at = {name: value for name, (value, _) in zip(names, found, strict=True)}
    shown = ", ".join(text for _, text in found)
    if declared.dimension == "cleanliness code":
        at["code"] = _code(requirement)
        shown = say("{conditions}, wanted code {code}", conditions=shown, code=at["code"])
    return at, shown


def _condition(
    condition: StatedAt, requirement: Requirement, application: Application
) -> tuple[float | str, str]:
    raw = requirement.at.get(condition.name)
    if raw is not None and condition.dimension == "text":
        return str(raw), str(raw)
    if raw is not None:
        try:
            value = _parse(raw, condition.dimension, requirement)
        except (UnitError, ValueError) as error:
            raise UnitError(f"at . {condition.name}: {error}") from None
        return value, raw.strip() if isinstance(raw, str) else f"{raw:g}"
    if not condition.default:
        example = DIMENSIONS.get(condition.dimension, ("", "a name"))[1]
        raise UnitError(
            f"at . {condition.name} is missing | write at = {{ {condition.name} = {example!r} }}"
        )
    room, _, key = condition.default.partition(".")
    value = getattr(getattr(application, room), key)
    printed = from_si(value, condition.unit, condition.dimension)
    words = later("{value:.4g} {unit} ({name})")
    return value, say(words, value=printed, unit=condition.unit, name=say(DEFAULTS[key]))


def _parse(raw: object, dimension: str, requirement: Requirement) -> float:
    """Return a value of `dimension`; sizes of an older calibration are converted to um(c)."""
    if dimension == "size" and requirement.size_calibration != "ISO 11171":
        return certified_size(str(raw), requirement.size_calibration)[0]
    return parse_quantity(raw, dimension)


def _conversions(requirement: Requirement, declared: Quantity) -> Iterator[str]:
    if requirement.size_calibration == "ISO 11171":
        return
    sizes = [requirement.at.get(c.name) for c in declared.conditions if c.dimension == "size"]
    if declared.dimension == "size":
        sizes += [requirement.min, requirement.max, *(requirement.between or {}).values()]
    for raw in sizes:
        if raw is not None:
            yield certified_size(str(raw), requirement.size_calibration)[1]


def _limits(requirement: Requirement, declared: Quantity) -> tuple[float | None, float | None, str]:
    if declared.dimension == "cleanliness code":
        return None, 0.0, declared.unit
    if declared.dimension == "statement":
        if requirement.must_hold is None:
            raise UnitError(f"{declared.name} is yes or no | write must_hold = true")
        return None, None, ""
    if requirement.must_hold is not None:
        raise UnitError(f"must_hold does not fit {declared.name} | give min, max or between")
    if requirement.not_worse_than_reference is not None:
        return _against_reference(requirement, declared)
    if requirement.between is not None and set(requirement.between) != {"min", "max"}:
        raise UnitError("between needs min and max")
    own = {"min": requirement.min, "max": requirement.max}
    raw = requirement.between or {side: text for side, text in own.items() if text is not None}
    try:
        values = {side: _parse(t, declared.dimension, requirement) for side, t in raw.items()}
    except (UnitError, ValueError) as error:
        raise UnitError(f"limit: {error}") from None
    lower, upper = values.get("min"), values.get("max")
    if declared.dimension == "number" and any(not value > 0 for value in values.values()):
        raise UnitError(f"limit of {declared.name} must be above zero")
    _accept_limits(declared, lower, upper)
    return lower, upper, _unit_as_written(next(iter(raw.values())), declared)


def _accept_limits(declared: Quantity, lower: float | None, upper: float | None) -> None:
    """Raise UnitError for a limit that asks for the worse side, or that nothing can mean."""
    if lower is not None and upper is not None and not lower < upper:
        raise UnitError("between needs min below max")
    wrong = {"higher": ("max", lower), "lower": ("min", upper)}.get(declared.better)
    by_test = {"multipass", "pressure_drop"} & set(declared.records)  # a strength may be bounded
    if by_test and wrong is not None and wrong[1] is None:
        side = "min" if wrong[0] == "max" else "max"
        raise UnitError(
            f"{declared.name} is better the {declared.better}, so that a {wrong[0]} alone asks for "
            f"the worse filter | give {side} instead, or between"
        )
    for value in (lower, upper):
        if value is None:
            continue
        if declared.dimension == "fraction" and not 0.01 <= value <= 1.0:
            raise UnitError(
                f"limit of {declared.name} must lie from 1 % to 100 %, not at {100 * value:g} % | "
                "write min = '95 %' for 95 of a hundred"
            )
        if value < 0:
            raise UnitError(f"limit of {declared.name} must not be negative")


def _said_instead(
    requirement: Requirement,
    declared: Quantity,
    at: Mapping[str, float | str],
    limits: tuple[float | None, float | None],
    application: Application,
) -> str:
    """Return a number with its unit that the text has in the place of a limit or a condition.

    What the application says elsewhere may stand in a text, and so may more beside what is asked.
    """
    shares = requirement.not_worse_than_reference, requirement.coverage
    asked: list[tuple[str, float | str | None]] = [(declared.dimension, each) for each in limits]
    asked += [("fraction", each) for each in shares]
    given = (each for each in declared.conditions if each.name in requirement.at)
    asked += [(each.dimension, at[each.name]) for each in given]
    stated = _stated(application)
    for dimension in {each: 0 for each, value in asked if isinstance(value, float)}:
        wanted = [each for name, each in asked if name == dimension and isinstance(each, float)]
        told = list(_told(requirement.text, dimension))
        fitting = (*wanted, *stated.get(dimension, ()))
        others = [text for text, fits in told if not any(map(fits, fitting))]
        if others and not all(any(fits(each) for _, fits in told) for each in wanted):
            return others[0]
    return ""


def _stated(application: Application) -> Mapping[str, tuple[object, ...]]:
    """Return what circuit and duty say, by its dimension."""
    circuit, duty = application.circuit, application.duty
    opening = (circuit.opening.min, circuit.opening.max) if circuit.opening else ()
    return {
        "flow": (circuit.rated_flow, circuit.pump_flow),
        "fraction": (circuit.partial_flow_share,),
        "pressure": (circuit.system_pressure, circuit.gallery_pressure, *opening),
        "temperature": (duty.hot_oil, duty.normal_oil, duty.cold_start),
        "time": (duty.service_interval,),
    }


_NUMBERS = re.compile(
    r"(?<![\w.,/])(\d{1,3}(?:[ \u00a0\u202f]\d{3})+|\d+(?:[.,]\d+)?)\s?"
    r"(%|°?[^\W\d_]+[\d²³]?(?:/[^\W\d_]+)?(?:\(c\))?)(?!\w)"
)


def _told(text: str, dimension: str) -> Iterator[tuple[str, Callable[[object], bool]]]:
    """Yield each number with a unit of `dimension`, and whether a working value prints so."""
    shown = {"fraction": PURE["fraction"], "size": {"um(c)": (1.0, 0.0)}}
    units = shown.get(dimension) or USUAL.get(dimension, {})
    for found in _NUMBERS.finditer(text):
        raw, unit = re.sub(r"\s", "", found[1]), re.sub("[µμ]", "u", found[2])
        unit = unit if unit in units else as_known(unit, dimension)
        if unit not in units:
            continue
        factor, offset = units[unit]
        comma = re.fullmatch(r"\d+[.,](\d+)", raw)
        half = 0.5 * factor * 10.0 ** -(len(comma[1]) if comma else 0)
        values = [factor * float(raw.replace(",", ".")) + offset]
        if comma and len(comma[1]) == 3:  # may group thousands
            values.append(factor * float(re.sub("[.,]", "", raw)) + offset)
        if dimension == "fraction":
            values += [1.0 - each for each in values]

        def fits(value: object, values: list[float] = values, half: float = half) -> bool:
            return isinstance(value, float) and any(abs(each - value) < half for each in values)

        yield found[0], fits


def _code(requirement: Requirement) -> str:
    """Return the wanted ISO 4406 code of three numbers, the only limit of a cleanliness."""
    text = str(requirement.max or "").strip()
    if not re.fullmatch(r"\d{1,2}/\d{1,2}/\d{1,2}", text):
        raise UnitError('a cleanliness has a code as its largest | write max = "18/16/13"')
    return text


MOST_SHORT = 0.5
"""Shortfall from the reference beyond which somebody wrote what is left, not what may lack [-]."""


def _against_reference(
    requirement: Requirement, declared: Quantity
) -> tuple[float | None, float | None, str]:
    share = requirement.not_worse_than_reference
    if declared.better == "neither":
        raise UnitError(f"{declared.name} has no better side | give between = {{ min, max }}")
    if not declared.share_of:
        raise UnitError(
            f"a percentage of {declared.name} means nothing, as its zero is arbitrary | give max "
            f"or min in {declared.unit} instead of not_worse_than_reference"
        )
    if share is None or not 0 <= share < 1:
        raise UnitError("not_worse_than_reference must lie from 0 % to below 100 %")
    if share > MOST_SHORT and (declared.better, declared.share_of) == ("higher", "value"):
        what = f"allows {100 * share:g} % less than the reference has"
        raise UnitError(f"not_worse_than_reference {what} | write '5 %' for 95 % of it")
    return None, None, declared.unit


def _unit_as_written(raw: object, declared: Quantity) -> str:
    if isinstance(raw, str) and declared.dimension != "size":
        return split_quantity(raw)[1] or declared.unit
    return declared.unit
