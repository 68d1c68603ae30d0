"""Rules of validity for a multi-pass record."""

import math

import numpy as np

from dossier.evidence.limits import Limit
from dossier.evidence.records.fluid import tested_viscosity
from dossier.evidence.records.instruments import measures
from dossier.evidence.spoken import number_text
from dossier.evidence.validity import balance, readings, relevance
from dossier.evidence.validity.general import TIME
from dossier.evidence.validity.readings import Run
from dossier.evidence.validity.rules import AGREES, Found, Rules, stated_instead, unlike
from dossier.physics.values import Floats
from dossier.words import later, say, say_count


def _as_read(held: Run, name: str, limit: Limit) -> Floats | Found:
    """Return the readings of a condition, or why there are none."""
    instead, column = stated_instead(held.record, name), getattr(held.record.table, name)
    if instead is not None:
        return instead
    if column is None or not (~np.isnan(column)).mean() >= limit.agreed:
        return None, say(NO_COLUMN[name])
    read: Floats = column[~np.isnan(column)]
    values, times = np.unique(read, return_counts=True)
    if times.max() > MOST_ALIKE * len(read):
        scale, shift, unit = UNITS[name]
        value = float(values[times.argmax()]) * scale + shift
        return None, say(SETTING, value=value, unit=unit)
    return read


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
MOST_INSIDE = 0.95
"""Share of the readings of a condition that have to lie inside its tolerance [-]."""


def _flow(held: Run, limit: Limit) -> Found:
    read, flow = _as_read(held, "flow", limit), held.conditions.flow
    if isinstance(read, tuple):
        return read
    assert flow is not None  # no run is read without
    mean = float(read.mean())
    off = mean / flow.value - 1.0
    inside = float((np.abs(read / flow.value - 1.0) <= limit.value).mean())
    words = later("mean {mean:.2f} L/min, {off:+.1%} off, {inside:.0%} of the rows inside")
    met = abs(off) <= limit.value and inside >= MOST_INSIDE
    return met, say(words, mean=mean * 6e4, off=off, inside=inside)


def _injection_flow(held: Run, limit: Limit) -> Found:
    conditions, flow = held.conditions, held.result.injection_flow
    if conditions.injection_volume is None or conditions.injection_flow is None:
        return None, say("no injection volume read at start and end")
    off = flow / conditions.injection_flow.value - 1.0
    words = later("{flow:.4f} L/min by the volumes, {off:+.1%} off")
    return abs(off) <= limit.value, say(words, flow=flow * 6e4, off=off)


def _temperature(held: Run, limit: Limit) -> Found:
    read, stated = _as_read(held, "temperature", limit), held.conditions.temperature
    if isinstance(read, tuple):
        return read
    assert stated is not None  # no run is read without
    off = np.abs(read - stated)
    inside = float((off <= limit.value).mean())
    words = later("{inside:.0%} of rows inside, largest deviation {off:.1f} K")
    return inside >= MOST_INSIDE, say(words, inside=inside, off=off.max())


def _viscosity(held: Run, limit: Limit) -> Found:
    nu = tested_viscosity(held.case, held.entry)
    return abs(nu - limit.value) <= limit.tolerance, say("{nu:.2f} mm²/s", nu=nu * 1e6)


def _injection_level(held: Run, limit: Limit) -> Found:
    ends = held.conditions.injection_concentration
    if ends is None:
        return None, say("no injection levels")
    start, end = ends.start.value, ends.end.value
    mean = 0.5 * (start + end)
    off = abs(start - mean) / mean if mean > 0 else math.inf
    words = later("{start:.0f} and {end:.0f} mg/L, {off:.1%} off")
    return off <= limit.value, say(words, start=start * 1e3, end=end * 1e3, off=off)


def _base_level(held: Run, limit: Limit) -> Found:
    entry, stated = held.entry, held.conditions.base_level
    agreed = stated.value if stated else limit.levels[0]
    for level in relevance.terms_of(held.case.application, entry.kind, entry.path, "base_level"):
        allowed = limit.levels if level is None else (level,)
        if not any(math.isclose(agreed, each, rel_tol=1e-6) for each in allowed):
            listed = "; ".join(number_text(each * 1e3, "g") for each in allowed)
            words = later("{agreed:g} mg/L is not among the agreed levels: {listed} mg/L")
            return False, say(words, agreed=agreed * 1e3, listed=listed)
    off, level = held.result.base_level / agreed - 1.0, held.result.base_level
    words = later("{level:.2f} mg/L against {agreed:g} mg/L, {off:+.1%} off")
    return abs(off) <= limit.value, say(words, level=level * 1e3, agreed=agreed * 1e3, off=off)


def _final_level(held: Run, limit: Limit) -> Found:
    final = held.conditions.final_concentration
    if final is None:
        return None, say("not measured")
    return 0 <= final.value < limit.value, say("{level:.1f} mg/L", level=final.value * 1e3)


def _coincidence(held: Run, limit: Limit) -> Found:
    table, dilution = held.table, held.conditions.dilution
    if table.sizes[0] > limit.value:
        # The sensor sees what is smaller as well, and most particles are.
        return False, say("counted from {size:g} µm(c) up, too few to judge", size=table.sizes[0])
    used = held.case.instruments(held.entry)
    stated = [each.coincidence_limit for each in used if measures(each, "counts")]
    limits = [each for each in stated if each is not None]
    if not limits or None in stated:
        words = later("no coincidence limit stated for every counter: it stands in the certificate")
        return None, say(words)
    if max(limits) > limit.agreed:
        words = later("a limit of {limit:.0f} per mL: look at its unit in the certificate")
        return False, say(words, limit=max(limits))
    most = {side: float(np.nanmax(getattr(table, side))) for side in readings.SIDES}
    highest = max(count / getattr(dilution, side) for side, count in most.items())
    words = later("up to {highest:.0f} at the sensor, limit {limit:.0f} per mL")
    return highest <= min(limits), say(words, highest=highest, limit=min(limits))


def _interval(held: Run, limit: Limit) -> Found:
    steps = np.diff(held.table.time)
    longest = float(np.median(steps))
    equal = float((np.abs(steps - longest) <= 0.1 * longest).mean())
    words = later("median interval {longest:.0f} s, {equal:.0%} of the intervals equal")
    met = longest <= 1.02 * limit.value and equal >= 0.9
    return met, say(words, longest=longest, equal=equal)


def _sampled(held: Run, limit: Limit) -> Found:
    volume = held.conditions.sample_volume or 0.0
    rate = 60.0 * volume / float(np.median(np.diff(held.table.time)))
    return 0 < rate <= limit.value, say("{rate:.3g} mL in a minute", rate=rate * 1e6)


def _enough(held: Run, limit: Limit) -> Found:
    result = held.result
    few = [
        say("{size:g} µm(c): {raw:.0f}", size=size, raw=raw)
        for size, raw in zip(result.sizes, result.raw_down, strict=True)
        if raw < limit.value
    ]
    least = say("at least {least:.0f} counted", least=result.raw_down.min())
    return not few, "; ".join(few) or least


def _upstream(held: Run, limit: Limit) -> Found:
    result = held.result
    up, down = result.up.sum(axis=0), result.down.sum(axis=0)
    noise = np.sqrt(
        up**2 / np.maximum(result.raw_up, 1.0)
        + down**2 * np.maximum(result.dispersion, 1.0) / np.maximum(result.raw_down, 1.0)
    )
    found = [
        say("ratio {ratio:.3f} at {size:g} µm(c)", ratio=up[k] / down[k], size=result.sizes[k])
        for k in np.flatnonzero((up - down) < -limit.value * noise)
    ]
    return not found, "; ".join(found) or say("upstream above downstream at every size")


RISES = (
    later("upstream tenth {tenth}: more at {size:g} µm(c) than at {smaller:g} µm(c)"),
    later("downstream tenth {tenth}: more at {size:g} µm(c) than at {smaller:g} µm(c)"),
)
MORE = later(
    "{side} at {minutes:g} min: {more:g} per mL from {size:g} µm(c) on, and {count:g} per mL from "
    "{smaller:g} µm(c) on, of which they are a part"
)


def _falling(held: Run, _: Limit) -> Found:
    """Ask it of tenths, and of rows, where only what was edited breaks it: half a digit is free."""
    result = held.result
    for words, means in zip(RISES, (result.up, result.down), strict=True):
        rises = np.argwhere(np.diff(means, axis=1) > 1e-9)
        if len(rises):
            tenth, size = rises[0]
            sizes = {"size": result.sizes[size + 1], "smaller": result.sizes[size]}
            return False, say(words, tenth=tenth + 1, **sizes)
    for side in held.sides:
        counts, digits = side.counts, 0.5 * side.digits
        above = np.argwhere(np.diff(counts, axis=1) > digits[1:] + digits[:-1] + 1e-9)
        if len(above):
            row, k = above[0]
            told = {"size": side.sizes[k + 1], "smaller": side.sizes[k], "count": counts[row, k]}
            told |= {"more": counts[row, k + 1], "minutes": held.table.time[row] / 60}
            return False, say(MORE, side=say(side.name), **told)
    return True, say("counts fall with size on both sides")


def _growth(held: Run, limit: Limit) -> Found:
    drop = held.result.pressure_drop
    highest = np.maximum.accumulate(drop)
    fall = (highest - drop) / np.maximum(highest, np.finfo(float).tiny)
    worst = int(np.argmax(fall))
    words = later("largest fall {fall:.1%}, at {minutes:.0f} min")
    found = say(words, fall=fall[worst], minutes=held.result.time[worst] / 60)
    still = _still(held.result.time, drop)
    return not still and bool(fall[worst] <= limit.value), still or found


def _still(time: Floats, drop: Floats) -> str:
    """Return where a gauge stood still and then leapt, in words; empty if it did nowhere.

    What is printed coarsely repeats, too, and goes on by the same step as before and after.
    """
    moves = np.flatnonzero(np.diff(drop))
    steps, numbers = np.diff(drop)[moves], np.diff(moves, prepend=-1)
    for k in np.flatnonzero(numbers >= STILL):
        beside = np.abs(np.concatenate([steps[max(k - BESIDE, 0) : k], steps[k + 1 :][:BESIDE]]))
        if len(beside) >= BESIDE and steps[k] > LEAP * float(np.median(beside)):
            words = later(
                "{number} rows of {kept:.2f} kPa from {minutes:.0f} min on, then {after:.2f} kPa: "
                "the gauge, or what kept its readings, stood still"
            )
            last, number = int(moves[k]), int(numbers[k])
            kpa = {"kept": drop[last] / 1e3, "after": drop[last + 1] / 1e3}
            return say(words, number=number, minutes=time[last + 1 - number] / 60, **kpa)
    return ""


STILL, BESIDE, LEAP = 5, 3, 5.0
"""Equal rows from which a gauge stood still, steps on either side that its leap is held against,
and how many times their median it exceeds: noise of a step of printing leaps so far in no run."""


def _reached(held: Run, limit: Limit) -> Found:
    """Ask whether the terminal was approached: by no steeper a step than the rows before foretell.

    The growth is taken in the logarithm of the pressure, the steepest of the last rows counts.
    """
    table, end = held.table, held.result.end_time
    read = ~np.isnan(table.pressure_drop)
    time, drop = table.time[read], table.pressure_drop[read]
    after = int(np.searchsorted(time, end))  # the first row at the terminal or beyond
    if after < LAST_ROWS or not (drop[:after] > 0).all():
        return None, say("too few rows before the terminal")
    rows = slice(after - LAST_ROWS, after)
    slope = max(0.0, float((np.diff(np.log(drop[rows])) / np.diff(time[rows])).max()))
    ahead = limit.value * slope * float(time[after] - time[after - 1])
    foretold = float(drop[after - 1] * np.exp(ahead)) * (1.0 + limit.tolerance)
    words = later(
        "{end}, from {last:.1f} kPa to {beyond:.1f} kPa, at most {foretold:.1f} kPa foretold"
    )
    kpa = {"last": drop[after - 1] / 1e3, "beyond": drop[after] / 1e3, "foretold": foretold / 1e3}
    minutes = say("after {minutes:.1f} min", minutes=end / 60)
    return bool(drop[after] <= foretold), say(words, end=minutes, **kpa)


LAST_ROWS = 5
"""Rows before the terminal that foretell the next."""


def _balance(held: Run, limit: Limit) -> Found:
    result = held.result
    if result.balance is None:
        return None, result.missing_balance
    share = result.balance.retained / result.balance.injected
    words = later("retained {share:.1%} of the injected {injected:.2f} g")
    return limit.value <= share <= 1.0, say(words, share=share, injected=result.injected * 1e3)


def _settled(held: Run, limit: Limit) -> Found:
    final, result = held.conditions.final_concentration, held.result
    if result.balance is None or final is None:
        return None, result.missing_balance
    if final.value < limit.value * result.base_level:
        words = later(
            "{final:.2f} mg/L at the end, with {base:.2f} mg/L injected: look at its unit"
        )
        return False, say(words, final=final.value * 1e3, base=result.base_level * 1e3)
    if result.balance.level_below_base:
        return "warning", say("final level below the base level; no mass credited for it")
    return True, say("final level at or above the base level")


def _same_sizes(held: Run, _: Limit) -> Found:
    everything = {float(size) for run in held.siblings for size in run.sizes}
    lacking = sorted(everything - {float(size) for size in held.result.sizes})
    if lacking:
        sizes = "; ".join(number_text(size, "g") for size in lacking)
        return False, say("no counts at {sizes} µm(c), which other runs have", sizes=sizes)
    number = len(everything)
    return True, say_count(number, "{number} size in every run", "{number} sizes in every run")


def _scope(held: Run, limit: Limit) -> Found:
    above = held.result.sizes >= 10.0
    if not above.any():
        return "does not apply", say("no size from 10 µm(c) up")
    ratio, size = float(held.result.ratio[above][0]), float(held.result.sizes[above][0])
    if not ratio > 0:
        return None, say("nothing was counted upstream at {size:g} µm(c)", size=size)
    efficiency = 1.0 - 1.0 / ratio
    words = later("{efficiency:.2%} at {size:g} µm(c)")
    return efficiency < limit.value, say(words, efficiency=efficiency, size=size)


def _alive(held: Run, limit: Limit) -> Found:
    """Ask whether something is counted at every size at which the next smaller one foretells it.

    What passes falls with size by no more than a power of it, and does not stop on the way.
    """
    result = held.result
    raw, size = float(result.raw_down[0]), float(result.sizes[0])
    found = say("{raw:.0f} counted downstream at {size:g} µm(c)", raw=raw, size=size)
    if not raw > 0:
        return False, found
    offered = result.raw_up * result.exposure
    steps = (result.sizes[:-1] / result.sizes[1:]) ** limit.value
    least = result.raw_down[:-1] / np.maximum(offered[:-1], 1.0) * steps * offered[1:]
    for k in np.flatnonzero(result.raw_down[1:] < least - SURE * np.sqrt(least)):
        words = later(
            "{raw:.0f} counted downstream at {size:g} µm(c), where {smaller:g} µm(c) foretells "
            "{least:.0f} at least"
        )
        sizes = {"size": result.sizes[k + 1], "smaller": result.sizes[k]}
        return False, say(words, raw=result.raw_down[k + 1], least=least[k], **sizes)
    silent = _silent(held)
    return not silent, silent or found


def _silent(held: Run) -> str:
    """Return at which size nothing was counted downstream for long, in words; empty if at none."""
    side, total = held.sides[1], held.result.raw_down
    for n, size in enumerate(held.result.sizes[1:]):
        share, silent = total[n + 1] / max(total[n], 1.0), side.counts[:, n + 1] == 0
        lost = np.nan_to_num(side.counts[:, n]) * silent * side.volume * share
        most = float(np.bincount(np.cumsum(~silent), lost).max(initial=0.0))
        if most > SILENT:
            return say(QUIET, size=size, least=most)
    return ""


QUIET = later(
    "nothing counted downstream at {size:g} µm(c) for so long that {least:.0f} are foretold"
)
SILENT = 140.0
"""Particles foretold by the next smaller size, as of the whole run, of which none is counted by a
chance of 1 in a million even where the filter passes ten times fewer at that time."""
SURE = 4.0
"""Standard deviations of counting that chance is given."""

RULES: Rules = {
    "test flow": _flow,
    "injection flow": _injection_flow,
    "temperature": _temperature,
    "viscosity": _viscosity,
    "injection level": _injection_level,
    "base upstream level": _base_level,
    "final level": _final_level,
    "coincidence": _coincidence,
    "counting interval": _interval,
    "sampled volume": _sampled,
    "enough counts": _enough,
    "upstream above downstream": _upstream,
    "counts fall with size": _falling,
    "steady growth of pressure": _growth,
    "noise of its own": unlike,
    balance.SHAPE: unlike,
    TIME: unlike,
    "terminal reached": _reached,
    "balance": _balance,
    "settled loop": _settled,
    "same sizes": _same_sizes,
    AGREES: relevance.agrees,
    "scope of the method": _scope,
    **relevance.RULES,
    **readings.RULES,
    "downstream counts something": _alive,
    **balance.RULES,
}
"""All rules of a multi-pass record, in the order in which they are printed."""
