"""How well each input of a record is known: certificate first, else the standard's accuracy."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from dossier.case.case import Case
from dossier.case.certificate import DIMENSION
from dossier.case.fields import FINEST as FINEST_OF_ALL
from dossier.case.model import Instrument, RecordEntry
from dossier.case.problems import CaseProblem
from dossier.case.units import UnitError, parse_quantity, split_quantity
from dossier.evidence.limits import Limits

READ_BY: dict[str, tuple[str, ...]] = {
    "collapse pressure": ("differential pressure", "pressure"),
    "burst pressure": ("pressure",),
    "first bubble pressure": ("pressure", "differential pressure"),
    "pulse cycles": ("cycles",),
    "vibration hours": ("time",),
    "anti-drain leakage": ("volume rate", "flow"),
    "initial cleanliness": ("mass",),
    "valve leakage": ("volume rate", "flow"),
}
"""What each column of a measurement record is measured as, the usual first."""

EXACT = {"cycles", "time"}
"""Measurands that are counted or timed exactly enough for what rests on them."""

_ABSOLUTE = {"temperature", "length"}
"""Measurands whose stand-in accuracy is absolute [K, mm]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputAccuracy:
    """Standard uncertainty of one input."""

    u: float
    """Relative [-], or [K] for a temperature."""
    source: str
    """Where the figure comes from, as printed: an instrument, whose certificate the case names,
    or the accuracy that stands in."""
    shared: str
    """Key under which records that use the same instrument share the error."""
    laboratory: str = ""
    """Laboratory whose instrument or fluid it is, and of a fluid which of its figures: several of
    one are taken to err together."""


def reading_u(instrument: Instrument, measurand: str) -> tuple[float, bool] | None:
    """Return (standard uncertainty, whether it is relative) of a reading; None if none is stated.

    Absolute figures are in the working unit of the measurand.  Raises UnitError when the text of
    `reading_u` fits no measurand of the instrument.
    """
    if measurand == "counts":
        return None if instrument.size_u is None else (instrument.size_u, True)
    raw = instrument.reading_u
    if raw is None:
        return None
    if isinstance(raw, str) and raw.strip().endswith("%"):
        return parse_quantity(raw, "fraction"), True
    if measurand not in DIMENSION:
        raise UnitError(f"reading_u {raw!r} of instrument {instrument.id!r} fits no measurand")
    return parse_quantity(raw, DIMENSION[measurand]), False


FINEST = {"size_u": 3e-3, "diameter_u": 1e-3, "reading_u": FINEST_OF_ALL}
"""Relative standard uncertainty below which no working instrument is known [-]: our own, a third of
what the best calibrations of a particle counter state, and 1 in 20 000 of any other reading."""


def _too_fine(instrument: Instrument) -> Iterator[CaseProblem]:
    for key, least in FINEST.items():
        stated = getattr(instrument, key)
        if isinstance(stated, str):
            try:
                number, unit = split_quantity(stated)
            except UnitError:
                continue  # told with what its instrument measures
            stated = number / 100.0 if unit == "%" else 1.0 if number > 0 else 0.0
        if stated is not None and stated < least:
            what = f"is {stated:.2g} of the reading, which no working instrument is known to reach"
            hint = "look at its unit in the certificate; leave it out where none is stated"
            yield CaseProblem("case.toml", f"instrument {instrument.id!r} . {key}", what, hint)


def instrument_problems(case: Case) -> Iterator[CaseProblem]:
    """Yield a problem for each stated uncertainty that fits nothing, or is too small to be one."""
    for instrument in case.qualification.instrument:
        yield from _too_fine(instrument)
        for measurand in (each for each in instrument.measures if each != "counts"):
            try:
                stated = reading_u(instrument, measurand)
            except UnitError as error:
                what, hint = str(error), f"give it in a unit of {measurand}, or in percent"
            else:
                if stated is None or not (measurand == "temperature" and stated[1]):
                    continue
                what, hint = f"{instrument.reading_u!r} of a temperature", "give it in K"
            place = f"instrument {instrument.id!r} . reading_u"
            yield CaseProblem("case.toml", place, what, hint)


def _stating(
    case: Case, entry: RecordEntry, measurand: str
) -> Iterator[tuple[Instrument, float, bool]]:
    """Yield a record's instruments that state a figure for a measurand, with `reading_u`."""
    for instrument in case.instruments(entry):
        stated = reading_u(instrument, measurand) if measures(instrument, measurand) else None
        if stated is not None:
            yield instrument, *stated


def accuracy_of(
    case: Case, limits: Limits, entry: RecordEntry, measurand: str, value: float
) -> InputAccuracy:
    """Return how well `measurand` is known in a record, near `value` [working unit].

    The record's own instrument counts first; without a stated figure the accuracy that the
    standard allows stands in as a rectangular distribution (JCGM 100:2008, 4.3.7), and says so.
    It stands in as well for a condition that was not read, but stated in a report.  Records share
    the error of an instrument that both name in one laboratory; where none is named those of one
    filter share it, and nothing is taken out between the two.
    """
    unread = entry.stated.conditions if entry.stated else ()
    read = () if measurand in unread else _stating(case, entry, measurand)
    for instrument, u, relative in read:
        if measurand != "temperature" and not relative:
            u = u / abs(value) if value else math.inf
        return _keyed(case, entry, u, instrument.id, f"{instrument.id}:{measurand}")
    u, source = limits.accuracy[measurand] / math.sqrt(3.0), limits.accuracy_source(measurand)
    return _keyed(case, entry, u, source, f"{_named(case, entry, measurand)}:{measurand}")


def _keyed(case: Case, entry: RecordEntry, u: float, source: str, key: str) -> InputAccuracy:
    """Return an accuracy whose error the records of one laboratory share under a key."""
    house = case.laboratory_of(entry)
    return InputAccuracy(u=u, source=source, shared=f"{house}:{key}", laboratory=house)


def _named(case: Case, entry: RecordEntry, measurand: str) -> str:
    """Return the instruments that measure something in a record, else the filter it is of."""
    own = [each.id for each in case.instruments(entry) if measures(each, measurand)]
    return ", ".join(sorted(own)) or f"the {entry.filter}"


def absolute_accuracy(
    case: Case, limits: Limits, entry: RecordEntry, measurands: Sequence[str], value: float
) -> InputAccuracy:
    """Return how well a reading of `value` is known in a record, `u` in its working unit.

    As `accuracy_of`, for the first of `measurands` that an instrument of the record states a
    figure for, else for the first of them; an absolute figure stays what it is at a zero reading.
    """
    for measurand in measurands:
        for _, u, relative in _stating(case, entry, measurand):
            known = accuracy_of(case, limits, entry, measurand, 1.0)
            return replace(known, u=u * abs(value) if relative else u)
    known = accuracy_of(case, limits, entry, measurands[0], 1.0)
    return known if measurands[0] in _ABSOLUTE else replace(known, u=known.u * abs(value))


def ratio_accuracy(case: Case, limits: Limits, entry: RecordEntry) -> InputAccuracy:
    """Return how well a ratio of two counts is known from the counters' calibration.

    Upstream and downstream counters err independently; one counter that serves both sides counts
    twice.  Without a stated figure the accuracy that the standard allows stands in for both.
    """
    found = [(instrument, u) for instrument, u, _ in _stating(case, entry, "counts")]
    if not found:
        one = accuracy_of(case, limits, entry, "counts", 1.0)
        return replace(one, u=math.sqrt(2.0) * one.u)
    sides = found if len(found) > 1 else found * 2
    names = ", ".join(sorted({i.id for i, _ in sides}))
    u = math.sqrt(sum(u * u for _, u in sides))
    return _keyed(case, entry, u, names, f"{names}:counts")


def size_accuracy(case: Case, limits: Limits, entry: RecordEntry) -> InputAccuracy:
    """Return how well the sizes that a record was counted at are known, relative.

    One error of both sides: what tells the two counters apart is in their counts.  The larger of
    their figures; where either states none, the accuracy that stands in.
    """
    counters = [each for each in case.instruments(entry) if measures(each, "counts")]
    stated = [each.diameter_u for each in counters if each.diameter_u is not None]
    u, source = limits.accuracy["size"] / math.sqrt(3.0), limits.accuracy_source("size")
    if counters and len(stated) == len(counters):
        u, source = max(stated), ", ".join(each.id for each in counters)
    return _keyed(case, entry, u, source, f"{_named(case, entry, 'counts')}:size")


def measures(instrument: Instrument, measurand: str) -> bool:
    """Return whether an instrument measures something; a counter counts by its kind alone."""
    if measurand in instrument.measures:
        return True
    return measurand == "counts" and instrument.kind.lower() == "particle counter"
