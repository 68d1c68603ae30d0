"""Multi-pass runs and flow sweeps, reduced: tenths, ratios, capacity, loading curve, fits."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dossier.case.application import Oil
from dossier.case.case import Case, Record
from dossier.case.fields import Measured
from dossier.case.model import Conditions
from dossier.case.records import MultipassTable, PressureDropTable
from dossier.evidence.limits import Limits
from dossier.evidence.records.fluid import fluid_at
from dossier.physics import multipass, pressure_drop
from dossier.physics.multipass import RetainedMass
from dossier.physics.pressure_drop import PressureDropFit
from dossier.physics.values import Floats
from dossier.words import later, say


@dataclass(frozen=True, slots=True, kw_only=True)
class MultipassResult:
    """One multi-pass run, reduced; n rows up to the end, k sizes."""

    record: str
    side: str
    """"candidate" or "reference"."""
    specimen: str
    path: str
    sizes: Floats
    """(k,) [um(c)]."""
    up: Floats
    """Mean upstream count of each reporting tenth (10, k) [1/mL]."""
    down: Floats
    """Mean downstream count of each reporting tenth (10, k) [1/mL]."""
    readings: NDArray[np.int64]
    """Readings in each tenth (10, k) [-]."""
    interval_ratio: Floats
    """Filtration ratio of each tenth (10, k) [-]; NaN where nothing was counted downstream."""
    ratio: Floats
    """Overall filtration ratio (k,) [-]; a lower bound where `zero_downstream`."""
    zero_downstream: NDArray[np.bool_]
    """True where no particle was counted downstream over the whole test (k,)."""
    raw_up: Floats
    """Raw counts upstream over the whole test (k,) [-]."""
    raw_down: Floats
    dispersion: Floats
    """Over-dispersion index of the downstream counts (k,) [-]: of pure counting noise 1 but for
    chance, and not less than that where it widens an uncertainty."""
    counted_up: float
    """Volume counted in one reading over the dilution, upstream [mL]."""
    counted_down: float
    """The same downstream [mL]."""
    exposure: Floats
    """Seen volume downstream over that upstream: ratio = raw_up / raw_down * exposure (k,) [-]."""
    end_time: float
    """Time at the terminal differential pressure [s]."""
    time: Floats
    """Time of the rows up to the end (n,) [s]."""
    mass: Floats
    """Injected contaminant at those rows (n,) [kg]."""
    pressure_drop: Floats
    """Differential pressure of the assembly as read (n,) [Pa]."""
    curve: Floats
    """The same, made monotone by isotonic least squares (n,) [Pa]."""
    housing: float
    """Differential pressure of the housing at test conditions [Pa]."""
    terminal: float
    """Terminal differential pressure of the element [Pa]."""
    flow: float
    """Test flow [m3/s]."""
    viscosity: float
    """Dynamic viscosity of the test fluid at test temperature [Pa s]."""
    density: float
    """Density of the test fluid at test temperature [kg/m3]."""
    injection_flow: float
    """Injection flow [m3/s]."""
    base_level: float
    """Base upstream level [kg/m3]."""
    injected: float
    """Injected capacity [kg]."""
    balance: RetainedMass | None
    """Gravimetric balance; None when no final system level was measured."""
    missing_balance: str = ""
    """Why there is no balance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PressureDropResult:
    """One flow sweep, reduced; n rows."""

    record: str
    side: str
    specimen: str
    path: str
    flow: Floats
    """(n,) [m3/s]."""
    pressure_drop: Floats
    """(n,) [Pa]."""
    viscosity: Floats
    """Dynamic viscosity (n,) [Pa s]."""
    density: Floats
    """(n,) [kg/m3]."""
    housing_rows: NDArray[np.bool_]
    assembly: PressureDropFit
    per_flow: tuple[float, float]
    """Change of the assembly's a and b for a relative error of one of the flow readings."""
    per_kelvin: tuple[float, float]
    """Change of the assembly's a and b if the oil was one kelvin warmer than read."""
    per_viscosity: tuple[tuple[float, float], tuple[float, float]]
    """The same for a relative error of one of the fluid's viscosity at 40 and at 100 degC."""
    housing: PressureDropFit | None
    """None when no rows of the housing alone were measured."""

    @property
    def rows(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Flow [m3/s], viscosity [Pa s], density [kg/m3] and drop [Pa] of the assembly (m,)."""
        own = ~self.housing_rows
        return self.flow[own], self.viscosity[own], self.density[own], self.pressure_drop[own]

    @property
    def swept(self) -> tuple[float, float]:
        """The least and the largest kinematic viscosity of the oil, housing rows too [m2/s]."""
        nu = self.viscosity / self.density
        return float(nu.min()), float(nu.max())


ZERO_COUNT_LIMIT = 2.995732273553991
"""One-sided upper 95 % limit of the expected count when none was seen, -ln 0.05 (Garwood 1936)."""


def reduce_multipass(case: Case, record: Record, limits: Limits) -> MultipassResult:
    """Return the reduced run; ValueError says why it cannot be reduced.

    Steps as described in ISO 4548-12:2017 and ISO 16889:2022 (from memory): reporting tenths of
    the test time, ratio of averages, injected mass, gravimetric balance.
    """
    table, entry = record.table, record.entry
    if not isinstance(table, MultipassTable) or entry.fluid is None:
        words = later("record {record} is not a multi-pass record with a test fluid")
        raise ValueError(say(words, record=record.id))
    conditions = entry.conditions
    housing, terminal = _pressures(conditions)
    end = multipass.terminal_time(table.time, table.pressure_drop, terminal + housing)
    index = multipass.tenths(table.time, end, 60.0 * limits.first_minutes)
    counts, loading = _counts(table, conditions, index), _loading(table, conditions, end)
    mu, rho = fluid_at(case.fluid(entry.fluid), conditions.temperature or 0.0)
    found = counts | loading | {"sizes": table.sizes, "end_time": end}
    at: dict[str, Any] = {"housing": housing, "terminal": terminal, "viscosity": mu, "density": rho}
    return MultipassResult(**_named(case, record), **at, **found)


def _named(case: Case, record: Record) -> dict[str, Any]:
    """Return what tells a result from others."""
    entry, path_of = record.entry, case.application.circuit.path_of
    who = {"record": record.id, "side": entry.filter, "specimen": entry.specimen or ""}
    return who | {"path": path_of(entry.path)}


def _counts(
    table: MultipassTable, conditions: Conditions, index: NDArray[np.int64]
) -> dict[str, Any]:
    """Return what the counts give: means of the tenths, ratios, and their noise.

    Raw counts carry the same relative noise as the averages.
    """
    up, readings = _means(table.upstream, table.downstream, index)
    down, _ = _means(table.downstream, table.upstream, index)
    if np.isnan(up).any() or np.isnan(down).any():
        raise ValueError(say("a reporting tenth has no reading at some size"))
    seen_up, seen_down = _counted(conditions)
    raw_up, raw_down = _equivalent(up, readings, seen_up), _equivalent(down, readings, seen_down)
    exposure = _seen(down, raw_down, readings, seen_down) / _seen(up, raw_up, readings, seen_up)
    ratio, zero = multipass.overall_ratio(up, down)
    found = {"up": up, "down": down, "readings": readings, "zero_downstream": zero}
    found |= {"raw_up": raw_up, "raw_down": raw_down, "exposure": exposure}
    return found | {
        "counted_up": seen_up,
        "counted_down": seen_down,
        "ratio": np.where(zero, raw_up * exposure / ZERO_COUNT_LIMIT, ratio),
        "interval_ratio": multipass.interval_ratios(up, down)[0],
        "dispersion": _dispersion(table, index, seen_down),
    }


def _dispersion(table: MultipassTable, index: NDArray[np.int64], seen: float) -> Floats:
    """Return the over-dispersion of the downstream counts where both sides were read (k,) [-]."""
    read = ~np.isnan(table.upstream) & ~np.isnan(table.downstream) & (index >= 0)[:, None]
    columns = (table.downstream[rows, k] * seen for k, rows in enumerate(read.T))
    return np.array([dispersion_of_differences(each) for each in columns])


def _loading(table: MultipassTable, conditions: Conditions, end: float) -> dict[str, Any]:
    """Return what was injected up to the end, its balance, and the pressure against it."""
    flow, injection = _value(conditions.flow), _injection(conditions, end)
    level = _level(conditions)
    read = (table.time <= end) & ~np.isnan(table.pressure_drop)
    time, drop = table.time[read], table.pressure_drop[read]
    mass = level * injection * time
    injected = multipass.injected_mass(level, injection, end)
    base = multipass.base_level(level, injection, flow)
    balance, why = _balance(conditions, injected, base, end)
    curve = multipass.monotone_curve(mass, drop)
    rows = {"time": time, "mass": mass, "pressure_drop": drop, "curve": curve}
    levels = {"flow": flow, "injection_flow": injection, "base_level": base}
    return {**rows, **levels, "injected": injected, "balance": balance, "missing_balance": why}


def _value(measured: object) -> float:
    value = getattr(measured, "value", None)
    if value is None:
        raise ValueError(say("a condition of the record is missing"))
    return float(value)


def _pressures(conditions: Conditions) -> tuple[float, float]:
    housing = _value(conditions.housing_pressure_drop)
    terminal = conditions.terminal_pressure_drop
    if terminal is None or not (housing >= 0 and terminal > 0):
        raise ValueError(say("housing and terminal differential pressure must be above zero"))
    return housing, terminal


def _means(
    own: Floats, other: Floats, index: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.int64]]:
    """Return means of the tenths over rows where both sides were read."""
    gaps = np.isnan(other)
    both = np.where(gaps, np.nan, own) if gaps.any() else own
    return multipass.interval_means(both, index)


def _counted(conditions: Conditions) -> tuple[float, float]:
    """Return the undiluted volume counted in one reading, upstream and downstream [mL]."""
    volume = (conditions.sample_volume or 0.0) * 1e6
    if not volume > 0:
        raise ValueError(say("the sample volume must be above zero"))
    return volume / conditions.dilution.upstream, volume / conditions.dilution.downstream


def _equivalent(means: Floats, readings: NDArray[np.int64], factor: float) -> Floats:
    """Return (sum of means)^2 / variance of that sum under counting noise (k,) [-]."""
    total = means.sum(axis=0)
    variance = (means / (readings * factor)).sum(axis=0)
    safe = np.where(variance > 0, variance, 1.0)
    return np.where(variance > 0, total**2 / safe, 0.0)


def _seen(means: Floats, raw: Floats, readings: NDArray[np.int64], factor: float) -> Floats:
    """Return the raw count for one particle per mL in the sum of the ten means (k,) [mL]."""
    total = means.sum(axis=0)
    even = 1.0 / (1.0 / (readings * factor)).mean(axis=0)
    return np.where(total > 0, raw / np.where(total > 0, total, 1.0), even)


def dispersion_of_differences(counts: Sequence[float] | Floats) -> float:
    """Return the over-dispersion index of counts (m,) in order of time, robust against trend [-].

    Squared differences of neighbours over the sum of neighbours: 1 for counting noise whatever
    the slow change of the expected count, since the variance of each difference is the sum of the
    two expectations.  Scatter slower than the sampling is not seen; of fewer than three counts, or
    none above zero, it is 1.
    Source: mean square successive difference, J. von Neumann, Ann. Math. Stat. 12 (1941), 367
    (from memory), with the Poisson variance of each pair in place of the mean.
    """
    seen = np.asarray(counts, dtype=np.float64)
    if len(seen) < 3 or not seen.sum() > 0:
        return 1.0
    return float((np.diff(seen) ** 2).sum() / (seen[1:] + seen[:-1]).sum())


def _injection(conditions: Conditions, end: float) -> float:
    """Return the injection flow: by the volumes where they were read, else as stated [m3/s]."""
    if conditions.injection_volume is not None:
        ends = conditions.injection_volume
        return float(multipass.injection_flow(ends.start, ends.end, end))
    return _value(conditions.injection_flow)


def _level(conditions: Conditions) -> float:
    ends = conditions.injection_concentration
    if ends is None:
        raise ValueError(say("no injection concentration"))
    return 0.5 * (ends.start.value + ends.end.value)


def _balance(
    conditions: Conditions, injected: float, base: float, end: float
) -> tuple[RetainedMass | None, str]:
    if conditions.final_concentration is None or conditions.system_volume is None:
        return None, say(
            "no final concentration or no system volume of the system fluid was stated"
        )
    drawn = conditions.sample_flow
    if drawn is None:
        return None, say(
            "no sample flow was stated: it is 0 L/min on both sides where every sample returns"
        )
    level, volume = conditions.final_concentration.value, conditions.system_volume.value
    return multipass.retained_mass(
        injected, level, volume, drawn.upstream, drawn.downstream, base, end
    ), ""


STEP, KELVIN = 1e-3, 0.1
"""Steps of the shifted fits: relative [-], and [K]."""


def reduce_pressure_drop(case: Case, record: Record) -> PressureDropResult:
    """Return the reduced sweep; ValueError says why it cannot be reduced.

    dp = a mu Q + b rho Q^2 by weighted least squares, assembly and housing apart (ISO 3968:2017
    subtracts the housing at equal flow and viscosity).  How the coefficients answer to errors of
    flow, temperature and viscosity is found by fitting again with each shifted (JCGM 100:2008,
    5.1.4).
    """
    table, entry = record.table, record.entry
    if not isinstance(table, PressureDropTable) or entry.fluid is None:
        words = later("record {record} is not a flow sweep with a test fluid")
        raise ValueError(say(words, record=record.id))
    fluid, warmth = case.fluid(entry.fluid), _temperature(table, entry.conditions.temperature)
    mu, rho = _states(fluid, warmth)
    housing, flow, drop = table.housing, table.flow, table.pressure_drop
    if housing.all():
        raise ValueError(say("no rows of the assembly"))
    rows = (flow, mu, rho, drop)
    read: dict[str, Any] = {"flow": flow, "pressure_drop": drop, "viscosity": mu, "density": rho}
    alone = _fit(*(each[housing] for each in rows)) if housing.any() else None
    found = _assembly(fluid, warmth[~housing], *(each[~housing] for each in rows))
    return PressureDropResult(
        **_named(case, record), **read, **found, housing_rows=housing, housing=alone
    )


def _assembly(
    fluid: Oil, warmth: Floats, flow: Floats, mu: Floats, rho: Floats, drop: Floats
) -> dict[str, Any]:
    """Return the fit of the assembly's rows, and how its coefficients answer to errors."""
    fit, moved = _fit(flow, mu, rho, drop), _fit(flow * (1.0 + STEP), mu, rho, drop)
    warmer = _fit(flow, *_states(fluid, warmth + KELVIN), drop)
    thicker = []
    for key in ("kv40", "kv100"):
        other = Measured(value=getattr(fluid, key).value * (1.0 + STEP))
        thick = _states(fluid.model_copy(update={key: other}), warmth)[0]
        thicker.append(_slope(fit, _fit(flow, thick, rho, drop), STEP))
    shifts = {"per_flow": _slope(fit, moved, STEP), "per_kelvin": _slope(fit, warmer, KELVIN)}
    return {"assembly": fit, **shifts, "per_viscosity": tuple(thicker)}


def _slope(start: PressureDropFit, moved: PressureDropFit, step: float) -> tuple[float, float]:
    return (moved.a - start.a) / step, (moved.b - start.b) / step


def _states(fluid: Oil, warmth: Floats) -> tuple[Floats, Floats]:
    """Return dynamic viscosity [Pa s] and density [kg/m3] of each row."""
    states = [fluid_at(fluid, float(t)) for t in warmth]
    return np.array([mu for mu, _ in states]), np.array([rho for _, rho in states])


def _temperature(table: PressureDropTable, stated: float | None) -> Floats:
    if table.temperature is not None:
        return table.temperature
    if stated is None:
        raise ValueError(say("no temperature column and no temperature among the conditions"))
    return np.full(len(table.flow), stated)


def row_spread(drop: Floats) -> Floats:
    """Return the spread of rows (n,) [Pa]: as the reading, with a floor of 2 % of the largest."""
    return np.maximum(drop, 0.02 * float(drop.max()))


def _fit(flow: Floats, mu: Floats, rho: Floats, drop: Floats) -> PressureDropFit:
    if not drop.max() > 0:
        raise ValueError(say("no differential pressure above zero"))
    return pressure_drop.fit_pressure_drop(flow, mu, rho, drop, row_spread(drop))
