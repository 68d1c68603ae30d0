"""Rules of validity for a multi-pass record."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np

from dossier.case.case import Case, Record
from dossier.case.records import MultipassTable
from dossier.evidence.limits import Limit, Limits
from dossier.evidence.quantities.clean import carried
from dossier.evidence.records.fluid import kinematic_at
from dossier.evidence.records.instruments import measures
from dossier.evidence.records.reduced import MultipassResult, PressureDropResult
from dossier.evidence.spoken import shown
from dossier.evidence.validity.balance import balance_rules
from dossier.evidence.validity.check import Check
from dossier.evidence.validity.readings import readings_rules
from dossier.evidence.validity.relevance import relevance_rules, terms_of
from dossier.evidence.validity.rules import (
    Rule,
    Verdicts,
    apply_rules,
    does_not_apply,
    stated_instead,
    unlike,
)
from dossier.evidence.validity.specimens import TIME
from dossier.physics.values import Floats
from dossier.words import later, say, say_count


def multipass_checks(
    case: Case,
    record: Record,
    result: MultipassResult,
    limits: Limits,
    siblings: Sequence[MultipassResult],
    sweeps: Sequence[PressureDropResult],
    against: Mapping[str, str],
) -> Iterator[Check]:
    """Return every check of a reduced multi-pass record.

    `siblings` are the runs of the same filter, `sweeps` its flow sweeps; `against` says, rule by
    rule, what any other run of the case has against this one, in words, or nothing.
    """
    table = record.table
    assert isinstance(table, MultipassTable)
    rules: dict[str, Rule] = {
        "test flow": lambda limit: _as_read(
            record, "flow", limit, lambda read: _flow(record, read, limit)
        ),
        "injection flow": lambda limit: _injection_flow(record, result, limit),
        "temperature": lambda limit: _as_read(
            record, "temperature", limit, lambda read: _temperature(record, read, limit)
        ),
        "viscosity": lambda limit: _viscosity(case, record, limit),
        "injection level": lambda limit: _injection_level(record, limit),
        "base upstream level": lambda limit: _base_level(case, record, result, limit),
        "final level": lambda limit: _final_level(record, limit),
        "coincidence": lambda limit: _coincidence(case, record, table, limit),
        "counting interval": lambda limit: _interval(table, limit),
        "sampled volume": lambda limit: _sampled(record, table, limit),
        "enough counts": lambda limit: _enough(result, limit),
        "upstream above downstream": lambda limit: _upstream(result, limit),
        "counts fall with size": lambda _: _falling(result),
        "steady growth of pressure": lambda limit: _growth(result, limit),
        "noise of its own": lambda _: unlike(against["noise of its own"]),
        "same dust in every run": lambda _: unlike(against["same dust in every run"]),
        TIME: lambda _: unlike(against[TIME]),
        "terminal reached": lambda limit: _reached(table, result, limit),
        "balance": lambda limit: _balance(result, limit),
        "settled loop": lambda limit: _settled(record, result, limit),
        "same sizes": lambda _: _same_sizes(result, siblings),
        "clean pressure drop agrees": lambda limit: _agrees(result, sweeps, limit),
        "scope of the method": lambda limit: _scope(result, limit),
    }
    rules |= relevance_rules(case, record, result, sweeps)
    rules |= readings_rules(record, result, 60.0 * limits.first_minutes)
    rules |= balance_rules(record, result, against["recirculation"])
    return apply_rules(limits, record, rules)


def _reached(table: MultipassTable, result: MultipassResult, limit: Limit) -> Verdicts:
    """Ask whether the terminal was approached: by no steeper a step than the rows before foretell.

    The growth is taken in the logarithm of the pressure, the steepest of the last rows counts.
    """
    read = ~np.isnan(table.pressure_drop)
    time, drop = table.time[read], table.pressure_drop[read]
    after = int(np.searchsorted(time, result.end_time))  # the first row at the terminal or beyond
    if after < LAST_ROWS or not (drop[:after] > 0).all():
        return Verdicts(None, say("too few rows before the terminal"))
    rows = slice(after - LAST_ROWS, after)
    slope = max(0.0, float((np.diff(np.log(drop[rows])) / np.diff(time[rows])).max()))
    ahead = limit.value * slope * float(time[after] - time[after - 1])
    foretold = float(drop[after - 1] * np.exp(ahead)) * (1.0 + limit.tolerance)
    end = say("after {minutes:.1f} min", minutes=result.end_time / 60)
    found = say(
        "{end}, from {last:.1f} kPa to {beyond:.1f} kPa, at most {foretold:.1f} kPa foretold",
        end=end, last=drop[after - 1] / 1e3, beyond=drop[after] / 1e3, foretold=foretold / 1e3,
    )  # fmt: skip
    return Verdicts(bool(drop[after] <= foretold), found)


LAST_ROWS = 5
"""Rows before the terminal that foretell the next."""


def _as_read(
    record: Record, name: str, limit: Limit, judge: Callable[[Floats], Verdicts]
) -> Verdicts:
    """Return what `judge` says of the readings of a condition, or why there are none."""
    instead, column = stated_instead(record, name), getattr(record.table, name)
    if instead is not None:
        return instead
    if column is None or not (~np.isnan(column)).mean() >= limit.agreed:
        return Verdicts(None, say(NO_COLUMN[name]))
    read: Floats = column[~np.isnan(column)]
    values, times = np.unique(read, return_counts=True)
    if times.max() > MOST_ALIKE * len(read):
        scale, shift, unit = UNITS[name]
        value = float(values[times.argmax()]) * scale + shift
        return Verdicts(None, say(SETTING, value=value, unit=unit))
    return judge(read)


NO_COLUMN = {
    "flow": later("no flow column, or one with too many empty cells"),
    "temperature": later("no temperature column, or one with too many empty cells"),
}
UNITS = {"flow": (6e4, 0.0, "L/min"), "temperature": (1.0, -273.15, "°C")}
MOST_ALIKE = 0.95
"""Share of the rows beyond which one value in them is a setting [-]."""
SETTING = later(
    "the rows say {value:.4g} {unit} throughout, which is a setting and no reading: hand in what "
    "was read, or leave the column out and name the laboratory's report that states it"
)


def _flow(record: Record, read: Floats, limit: Limit) -> Verdicts:
    assert record.entry.conditions.flow is not None  # no run is read without
    stated = record.entry.conditions.flow.value
    mean = float(read.mean())
    off = mean / stated - 1.0
    inside = float((np.abs(read / stated - 1.0) <= limit.value).mean())
    found = say(
        "mean {mean:.2f} L/min, {off:+.1%} off, {inside:.0%} of the rows inside",
        mean=mean * 6e4, off=off, inside=inside,
    )  # fmt: skip
    return Verdicts(abs(off) <= limit.value and inside >= MOST_INSIDE, found)


MOST_INSIDE = 0.95
"""Share of the readings of a condition that have to lie inside its tolerance [-]."""


def _injection_flow(record: Record, result: MultipassResult, limit: Limit) -> Verdicts:
    conditions = record.entry.conditions
    if conditions.injection_volume is None or conditions.injection_flow is None:
        return Verdicts(None, say("no injection_volume read at start and end"))
    off = result.injection_flow / conditions.injection_flow.value - 1.0
    flow = result.injection_flow * 6e4
    found = say("{flow:.4f} L/min by the volumes, {off:+.1%} off", flow=flow, off=off)
    return Verdicts(abs(off) <= limit.value, found)


def _temperature(record: Record, read: Floats, limit: Limit) -> Verdicts:
    assert record.entry.conditions.temperature is not None  # no run is read without
    off = np.abs(read - record.entry.conditions.temperature)
    inside = float((off <= limit.value).mean())
    found = say(
        "{inside:.0%} of rows inside, largest deviation {off:.1f} K", inside=inside, off=off.max()
    )
    return Verdicts(inside >= MOST_INSIDE, found)


def _viscosity(case: Case, record: Record, limit: Limit) -> Verdicts:
    entry = record.entry
    if entry.fluid is None or entry.conditions.temperature is None:
        return Verdicts(None, say("no test fluid or temperature"))
    nu = kinematic_at(case.fluid(entry.fluid), entry.conditions.temperature)
    return Verdicts(abs(nu - limit.value) <= limit.tolerance, say("{nu:.2f} mm²/s", nu=nu * 1e6))


def _injection_level(record: Record, limit: Limit) -> Verdicts:
    ends = record.entry.conditions.injection_concentration
    if ends is None:
        return Verdicts(None, say("no injection levels"))
    mean = 0.5 * (ends.start.value + ends.end.value)
    off = abs(ends.start.value - mean) / mean if mean > 0 else np.inf
    found = say(
        "{start:.0f} and {end:.0f} mg/L, {off:.1%} off",
        start=ends.start.value * 1e3, end=ends.end.value * 1e3, off=off,
    )  # fmt: skip
    return Verdicts(bool(off <= limit.value), found)


def _base_level(case: Case, record: Record, result: MultipassResult, limit: Limit) -> Verdicts:
    stated = record.entry.conditions.base_level
    agreed = stated.value if stated else limit.levels[0]
    entry = record.entry
    for level in terms_of(case.application, entry.kind, entry.path, "base_level"):
        allowed = limit.levels if level is None else (level,)
        if not any(math.isclose(agreed, each, rel_tol=1e-6) for each in allowed):
            listed = ", ".join(shown(each * 1e3, "g") for each in allowed)
            words = later("{agreed:g} mg/L is not among the agreed levels: {listed} mg/L")
            return Verdicts(False, say(words, agreed=agreed * 1e3, listed=listed))
    off = result.base_level / agreed - 1.0
    found = say(
        "{level:.2f} mg/L against {agreed:g} mg/L, {off:+.1%} off",
        level=result.base_level * 1e3, agreed=agreed * 1e3, off=off,
    )  # fmt: skip
    return Verdicts(abs(off) <= limit.value, found)


def _final_level(record: Record, limit: Limit) -> Verdicts:
    final = record.entry.conditions.final_concentration
    if final is None:
        return Verdicts(None, say("not measured"))
    found = say("{level:.1f} mg/L", level=final.value * 1e3)
    return Verdicts(0 <= final.value < limit.value, found)


def _coincidence(case: Case, record: Record, table: MultipassTable, limit: Limit) -> Verdicts:
    if table.sizes[0] > limit.value:
        # The sensor sees what is smaller as well, and most particles are.
        words = say("counted from {size:g} µm(c) up, too few to judge", size=table.sizes[0])
        return Verdicts(False, words)
    used = [case.instrument(name) for name in record.entry.instruments]
    stated = [each.coincidence_limit for each in used if measures(each, "counts")]
    limits = [each for each in stated if each is not None]
    if not limits or None in stated:
        return Verdicts(
            None, say("no coincidence_limit stated for every counter: it stands in the certificate")
        )
    if max(limits) > limit.agreed:
        words = later("a limit of {limit:.0f} per mL: look at its unit in the certificate")
        return Verdicts(False, say(words, limit=max(limits)))
    dilution = record.entry.conditions.dilution
    highest = max(
        float(np.nanmax(table.upstream)) / dilution.upstream,
        float(np.nanmax(table.downstream)) / dilution.downstream,
    )
    found = say(
        "up to {highest:.0f} at the sensor, limit {limit:.0f} per mL",
        highest=highest, limit=min(limits),
    )  # fmt: skip
    return Verdicts(highest <= min(limits), found)


def _interval(table: MultipassTable, limit: Limit) -> Verdicts:
    steps = np.diff(table.time)
    longest = float(np.median(steps))
    equal = float((np.abs(steps - longest) <= 0.1 * longest).mean())
    found = say(
        "median interval {longest:.0f} s, {equal:.0%} of the intervals equal",
        longest=longest, equal=equal,
    )  # fmt: skip
    return Verdicts(longest <= 1.02 * limit.value and equal >= 0.9, found)


def _sampled(record: Record, table: MultipassTable, limit: Limit) -> Verdicts:
    volume = record.entry.conditions.sample_volume or 0.0
    rate = 60.0 * volume / float(np.median(np.diff(table.time)))
    return Verdicts(0 < rate <= limit.value, say("{rate:.3g} mL in a minute", rate=rate * 1e6))


def _enough(result: MultipassResult, limit: Limit) -> Verdicts:
    few = [
        say("{size:g} µm(c): {raw:.0f}", size=size, raw=raw)
        for size, raw in zip(result.sizes, result.raw_down, strict=True)
        if raw < limit.value
    ]
    least = say("at least {least:.0f} counted", least=result.raw_down.min())
    return Verdicts(not few, "; ".join(few) or least)


def _upstream(result: MultipassResult, limit: Limit) -> Verdicts:
    up, down = result.up.sum(axis=0), result.down.sum(axis=0)
    noise = np.sqrt(
        up**2 / np.maximum(result.raw_up, 1.0)
        + down**2 * np.maximum(result.dispersion, 1.0) / np.maximum(result.raw_down, 1.0)
    )
    short = (up - down) < -limit.value * noise
    found = [
        say("ratio {ratio:.3f} at {size:g} µm(c)", ratio=up[k] / down[k], size=result.sizes[k])
        for k in np.flatnonzero(short)
    ]
    return Verdicts(not found, "; ".join(found) or say("upstream above downstream at every size"))


RISES = (
    later("upstream tenth {tenth}: more at {size:g} µm(c) than at {smaller:g} µm(c)"),
    later("downstream tenth {tenth}: more at {size:g} µm(c) than at {smaller:g} µm(c)"),
)


def _falling(result: MultipassResult) -> Verdicts:
    for words, means in zip(RISES, (result.up, result.down), strict=True):
        rises = np.argwhere(np.diff(means, axis=1) > 1e-9)
        if len(rises):
            tenth, size = rises[0]
            sizes = {"size": result.sizes[size + 1], "smaller": result.sizes[size]}
            return Verdicts(False, say(words, tenth=tenth + 1, **sizes))
    return Verdicts(True, say("counts fall with size on both sides"))


def _growth(result: MultipassResult, limit: Limit) -> Verdicts:
    highest = np.maximum.accumulate(result.pressure_drop)
    fall = (highest - result.pressure_drop) / highest
    worst = int(np.argmax(fall))
    found = say(
        "largest fall {fall:.1%}, at {minutes:.0f} min",
        fall=fall[worst], minutes=result.time[worst] / 60,
    )  # fmt: skip
    return Verdicts(bool(fall[worst] <= limit.value), found)


def _balance(result: MultipassResult, limit: Limit) -> Verdicts:
    if result.balance is None:
        return Verdicts(None, result.missing_balance)
    share = result.balance.retained / result.balance.injected
    injected = result.injected * 1e3
    found = say(
        "retained {share:.1%} of the injected {injected:.2f} g", share=share, injected=injected
    )
    return Verdicts(limit.value <= share <= 1.0, found)


def _settled(record: Record, result: MultipassResult, limit: Limit) -> Verdicts:
    final = record.entry.conditions.final_concentration
    if result.balance is None or final is None:
        return Verdicts(None, result.missing_balance)
    if final.value < limit.value * result.base_level:
        words = later(
            "{final:.2f} mg/L at the end, with {base:.2f} mg/L injected: look at its unit"
        )
        return Verdicts(False, say(words, final=final.value * 1e3, base=result.base_level * 1e3))
    if result.balance.level_below_base:
        words = say("final level below the base level; no mass credited for it")
        return Verdicts(False, words, "warning")
    return Verdicts(True, say("final level at or above the base level"))


def _same_sizes(result: MultipassResult, siblings: Sequence[MultipassResult]) -> Verdicts:
    everything = sorted({float(size) for run in siblings for size in run.sizes})
    lacking = sorted(set(everything) - {float(size) for size in result.sizes})
    if lacking:
        sizes = ", ".join(shown(size, "g") for size in lacking)
        return Verdicts(
            False, say("no counts at {sizes} µm(c), which other runs have", sizes=sizes)
        )
    number = len(everything)
    return Verdicts(
        True, say_count(number, "{number} size in every run", "{number} sizes in every run")
    )


def _agrees(
    result: MultipassResult, sweeps: Sequence[PressureDropResult], limit: Limit
) -> Verdicts:
    own = [sweep for sweep in sweeps if sweep.specimen == result.specimen] or list(sweeps)
    if not own:
        return does_not_apply(say("no flow sweep of this filter"))
    point = (result.flow, result.viscosity, result.density)
    expected = float(np.mean([carried(sweep, *point) for sweep in own]))
    found = float(result.curve[0])
    off = found / expected - 1.0 if expected > 0 else np.inf
    words = say(
        "{found:.1f} kPa in the run, {expected:.1f} kPa from the sweep, {off:+.0%}",
        found=found / 1e3, expected=expected / 1e3, off=off,
    )  # fmt: skip
    if limit.tolerance < abs(off) <= limit.value:
        return Verdicts(False, words, "warning")
    return Verdicts(abs(off) <= limit.value, words)


def _scope(result: MultipassResult, limit: Limit) -> Verdicts:
    above = result.sizes >= 10.0
    if not above.any():
        return does_not_apply(say("no size from 10 µm(c) up"))
    efficiency = 1.0 - 1.0 / result.ratio[above][0]
    size = result.sizes[above][0]
    words = say("{efficiency:.2%} at {size:g} µm(c)", efficiency=efficiency, size=size)
    return Verdicts(efficiency < limit.value, words)
