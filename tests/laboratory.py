"""A simulated filter laboratory whose truth is known; it shares no code with the package.

Units of the record files: min, kPa, L/min, degC, 1/mL, um(c), g, mg/L, mPa s, mm2/s, kg/m3.
Sources: A3 counts, loop balance and gravimetric balance as in ISO 16889:2008 (numbers from
memory); viscosity ASTM D341; density ASTM D1250, lubricants; pressure drop a mu Q + b rho Q^2.
"""

import itertools
from dataclasses import dataclass
from math import exp, log, log10, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator

DUST_SIZES = np.array([1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 20, 25, 30], dtype=float)
DUST_COUNTS = np.array(
    [387000, 96450, 40000, 21750, 13350, 8555, 5620, 3770, 1830, 999, 608.5, 183, 71, 30.5]
)
"""ISO 12103-1 A3 once through at 10 mg/L: um(c) and 1/mL, midpoints of ISO 16889:2008 limits."""
DUST_BAND = np.array([0.10] * 8 + [0.11, 0.11, 0.12, 0.15, 0.21, 0.31])
"""Half-widths of those limits: how far a batch may be off at each size [-]."""
VISCOUS = 1e-3 / 6e4 / 1e3  # (1/m3) (mPa s) (L/min) -> kPa
INERTIAL = 1.0 / 6e4**2 / 1e3  # (1/m4) (kg/m3) (L/min)^2 -> kPa
QUADRATURE = 15
STEPS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Oil:
    """A fluid: kv40 and kv100 [mm2/s], density15 [kg/m3]."""

    kv40: float
    kv100: float
    density15: float

    def really(self, errors: tuple[float, float]) -> "Oil":
        """Return the oil that has these relative errors in its two stated viscosities."""
        low, high = self.kv40 / (1.0 + errors[0]), self.kv100 / (1.0 + errors[1])
        return Oil(kv40=low, kv100=high, density15=self.density15)

    def flowing(self, flow: float, temperature: float) -> "Stream":
        """Return the stream of this oil at `flow` [L/min] and `temperature` [degC]."""
        w40, w100 = (log10(log10(kv + 0.7)) for kv in (self.kv40, self.kv100))
        t40, t100, t = (log10(c + 273.15) for c in (40.0, 100.0, temperature))
        w = w40 + (w100 - w40) * (t - t40) / (t100 - t40)
        swell = 0.6278 / self.density15 * (temperature - 15.0)
        density = self.density15 * exp(-swell * (1.0 + 0.8 * swell))
        return Stream(flow, (10.0 ** (10.0**w) - 0.7) * density / 1e3, density)


class Stream(NamedTuple):
    """Oil on its way through a filter."""

    flow: float  # [L/min]
    viscosity: float  # Dynamic [mPa s]
    density: float  # [kg/m3]

    def drop(self, a: Floats | float, b: float) -> Floats | float:
        """Return a mu Q + b rho Q^2 [kPa] for resistances `a` [1/m3] and `b` [1/m4]."""
        return VISCOUS * a * self.viscosity * self.flow + INERTIAL * b * self.density * self.flow**2


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterType:
    """The truth of a filter type; a median specimen has all its factors at one."""

    name: str
    sizes: tuple[float, ...]  # Sizes counted [um(c)]
    penetration: tuple[float, ...]  # Down- over upstream count half way through the loading [-]
    drift: float  # Change of ln(penetration) from the clean to the loaded element [-]
    element_a: float  # Viscous resistance of the clean element [1/m3]
    element_b: float  # Inertial resistance of the element [1/m4]
    housing_a: float
    housing_b: float
    growth: float  # Viscous resistance that the contaminant adds, factor before exp(b m) - 1 [1/m3]
    growth_rate: float  # b of exp(b m) - 1, m the injected mass [1/g]
    gravimetric_efficiency: float  # Share of mass removed in a pass, loop steady [-]
    penetration_sd: float  # Standard deviation of ln(penetration) between specimens [-]
    capacity_sd: float  # Of ln(mass for the same growth) between specimens [-]
    pressure_sd: float  # Of ln(resistance of the clean element) between specimens [-]


@dataclass(frozen=True, slots=True)
class SpecimenFactors:
    """What sets one specimen apart: factors on penetration, capacity and clean resistance [-]."""

    penetration: float = 1.0
    capacity: float = 1.0
    pressure: float = 1.0

    def times(self, other: "SpecimenFactors") -> "SpecimenFactors":
        """Return both together."""
        return SpecimenFactors(
            self.penetration * other.penetration,
            self.capacity * other.capacity,
            self.pressure * other.pressure,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RigPlan:
    """Settings of the rigs."""

    flow: float  # Test flow, and rated flow of the sweep [L/min]
    terminal: float  # Terminal differential pressure of the element [kPa]
    oil: Oil  # Fluid of the multi-pass rig
    sweep_oil: Oil
    temperature: float = 40.0  # Of the multi-pass rig [degC]
    sweep_temperatures: tuple[float, ...] = (74.0, 15.0)
    sweep_steps: tuple[float, ...] = (0.2, 0.4, 0.6, 0.8, 1.0, 1.2)  # Of rated flow
    base_level: float = 10.0  # Planned base upstream level [mg/L]
    injection_flow: float = 0.25
    injection_volume: float = 25.0  # At the start [L]
    system_volume: float = 25.0
    sample_flow: float = 0.1  # Drawn from each side and thrown away [L/min]
    sample_volume: float = 25.0  # Counted, each sample and side [mL]
    dilution: float = 10.0
    interval: float = 1.0  # Between rows [min]


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificates:
    """Standard uncertainties that the laboratory states; relative [-] unless a unit is given."""

    counts: float = 0.02
    flow: float = 0.005
    injection_flow: float = 0.01
    pressure: float = 0.005
    temperature: float = 0.3  # [K]
    injection_level: float = 0.015
    final_level: float = 0.05
    size: float = 0.01  # Of the sizes that are counted
    viscosity: float = 0.01  # Of the oils
    row_noise: float = 0.002  # Noise of a reading of flow or differential pressure from row to row
    row_noise_pressure: float = 0.03  # The same, part independent of its size [kPa]
    row_noise_temperature: float = 0.05  # [K]; the fluid itself wanders three times as far
    injection_wander: float = 0.0  # Of the injected counts from row to row, all sizes together


@dataclass(frozen=True, slots=True, kw_only=True)
class Laboratory:
    """One campaign and its errors: a reading is true * (1 + error), of temperature true + error."""

    plan: RigPlan
    stated: Certificates
    counts_upstream: float = 0.0
    counts_downstream: float = 0.0
    flow: float = 0.0
    injection_flow: float = 0.0
    pressure: float = 0.0
    temperature: float = 0.0
    batch: tuple[float, ...] = (1.0,) * len(DUST_BAND)  # Its dust over A3 at DUST_SIZES [-]
    size: float = 0.0
    viscosity: tuple[float, float] = (0.0, 0.0)  # At 40 degC and at 100 degC


@dataclass(frozen=True, slots=True, kw_only=True)
class MultipassRun:
    """What the laboratory delivers of one multi-pass run; n rows, k sizes."""

    time: Floats
    pressure_drop: Floats
    flow: Floats
    temperature: Floats
    sizes: Floats
    upstream: Floats  # Cumulative counts at the sample point (n, k) [1/mL]
    downstream: Floats
    housing_pressure_drop: float  # At test flow and temperature [kPa]
    injection_level: tuple[float, float]  # Start and end [mg/L]
    injection_volume: tuple[float, float]  # Start, and when the terminal was reached [L]
    final_level: float  # Of the system at the end [mg/L]


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureDropRun:
    """What the laboratory delivers of one flow sweep; n rows."""

    flow: Floats
    pressure_drop: Floats
    temperature: Floats
    part: tuple[str, ...]  # "assembly" or "housing", each row


@dataclass(frozen=True, slots=True, kw_only=True)
class TypeTruth:
    """True means over all specimens of a type, without noise or instrument error."""

    sizes: Floats
    efficiency: Floats  # Overall efficiency from the ratio of averages over ten tenths (k,) [-]
    lowest_efficiency: Floats  # Lowest efficiency of a tenth (k,) [-]
    injected_capacity: float  # [g]
    retained_capacity: float  # [g]
    clean_pressure_drop: float  # Of the assembly [kPa]
    clean_pressure_drop_sd: float  # Standard deviation from specimen to specimen [kPa]


def open_campaign(
    plan: RigPlan, stated: Certificates, rng: Rng, *, batches: bool = False
) -> Laboratory:
    """Return a laboratory with errors drawn from its certificates, once for all its tests.

    With `batches`, its dust is drawn as well: at each size anywhere in the accepted band.
    """
    up, down, flow, injection, pressure, warmth, size, *oil = rng.standard_normal(9)
    batch = 1.0 + DUST_BAND * rng.uniform(-1.0, 1.0, len(DUST_BAND)) if batches else DUST_BAND**0
    return Laboratory(
        plan=plan, stated=stated, counts_upstream=up * stated.counts,
        counts_downstream=down * stated.counts, flow=flow * stated.flow,
        injection_flow=injection * stated.injection_flow, pressure=pressure * stated.pressure,
        temperature=warmth * stated.temperature, size=size * stated.size,
        viscosity=(oil[0] * stated.viscosity, oil[1] * stated.viscosity), batch=tuple(batch),
    )  # fmt: skip


def draw_specimen(filter_type: FilterType, rng: Rng) -> SpecimenFactors:
    """Return the factors of a specimen taken at random from the type (lognormal, median one)."""
    return _factors(filter_type, *rng.standard_normal(3))


def _factors(kind: FilterType, p: float, c: float, d: float) -> SpecimenFactors:
    sds = (kind.penetration_sd, kind.capacity_sd, kind.pressure_sd)
    return SpecimenFactors(*(exp(z * sd) for z, sd in zip((p, c, d), sds, strict=True)))


def dust_counts(sizes: Floats, level: float, batch: tuple[float, ...] | None = None) -> Floats:
    """Return once-through counts of A3 [1/mL] at `sizes` [um(c)] and `level` [mg/L].

    `batch` is what its counts are over those of A3.  ln(count) is interpolated in size.  Raises
    ValueError outside 1 um(c) to 30 um(c).
    """
    if not (DUST_SIZES[0] <= sizes.min() and sizes.max() <= DUST_SIZES[-1]):
        raise ValueError(f"sizes {sizes} leave the table of 1 um(c) to 30 um(c)")
    counts = DUST_COUNTS if batch is None else DUST_COUNTS * np.array(batch)
    return np.asarray(np.exp(np.interp(sizes, DUST_SIZES, np.log(counts))) * level / 10.0)


def element_drop(
    kind: FilterType, specimen: SpecimenFactors, mass: Floats | float, stream: Stream
) -> Floats:
    """Return the pressure drop of the element [kPa] with `mass` [g] injected."""
    grown = kind.growth * np.expm1(kind.growth_rate * np.asarray(mass) / specimen.capacity)
    return np.asarray(stream.drop(specimen.pressure * kind.element_a + grown, kind.element_b))


def housing_drop(kind: FilterType, stream: Stream) -> float:
    """Return the pressure drop of the housing [kPa]."""
    return float(stream.drop(kind.housing_a, kind.housing_b))


def capacity(kind: FilterType, specimen: SpecimenFactors, terminal: float, stream: Stream) -> float:
    """Return the injected mass [g] at which the element reaches `terminal` [kPa]."""
    clean = float(element_drop(kind, specimen, 0.0, stream))
    if not clean < terminal:
        raise ValueError(f"clean element has {clean} kPa, terminal is {terminal} kPa")
    grown = (terminal - clean) / float(stream.drop(kind.growth, 0.0))
    return specimen.capacity / kind.growth_rate * log(grown + 1.0)


def _penetration(kind: FilterType, specimen: SpecimenFactors, share: Floats) -> Floats:
    """Return the penetration (n, k) at each `share` (n,) of the run's injected mass."""
    start = np.log(np.array(kind.penetration)) + log(specimen.penetration)
    p = np.exp(start[None, :] + kind.drift * (share[:, None] - 0.5))
    if not (p < 1.0).all():
        raise ValueError(f"penetration of {kind.name} reaches 1; the loop has no steady state")
    return np.asarray(p)


def simulate_multipass(
    filter_type: FilterType, specimen_factors: SpecimenFactors, lab: Laboratory, rng: Rng
) -> MultipassRun:
    """Return one multi-pass run; it ends with the first row that reads past the terminal."""
    plan, stated, read = lab.plan, lab.stated, 1.0 + lab.pressure
    stream = plan.oil.flowing(plan.flow / (1.0 + lab.flow), plan.temperature - lab.temperature)
    level = plan.base_level * plan.flow / plan.injection_flow
    rate = level * plan.injection_flow / (1.0 + lab.injection_flow)  # mg/min
    base = rate / stream.flow
    housing = housing_drop(filter_type, stream)
    end = capacity(filter_type, specimen_factors, plan.terminal / read, stream) * 1e3 / rate
    time: Floats = plan.interval * np.arange(1.0, int(1.1 * end / plan.interval) + 4.0)
    drop = housing + element_drop(filter_type, specimen_factors, rate * time / 1e3, stream)
    shown = _read_pressure(drop, lab, rng)
    rows = int(np.argmax(shown >= plan.terminal + housing * read)) + 1
    time, shown = time[:rows], shown[:rows]
    sizes = np.array(filter_type.sizes)
    true = np.minimum(sizes / (1.0 + lab.size), DUST_SIZES[-1])
    p = _penetration(filter_type, specimen_factors, (time - plan.interval / 2.0) / end)
    ln = [np.interp(np.log(true), np.log(sizes), row) for row in np.log(p)]
    p = np.exp(np.array(ln))
    passed = dust_counts(true, base, lab.batch) / (1.0 - p)
    # The loop starts clean and fills with the time constant of a mixed volume.
    turnovers = (time - plan.interval / 2.0) * stream.flow / plan.system_volume
    passed = passed * -np.expm1(-turnovers[:, None] * (1.0 - p))
    if stated.injection_wander:
        passed = passed * (1.0 + stated.injection_wander * rng.standard_normal((rows, 1)))
    levels = level * (1.0 + stated.injection_level * rng.standard_normal(2))
    final = base / filter_type.gravimetric_efficiency
    return MultipassRun(
        time=time, pressure_drop=shown, sizes=sizes,
        flow=plan.flow * (1.0 + stated.row_noise * rng.standard_normal(rows)),
        temperature=plan.temperature + 3 * stated.row_noise_temperature * rng.standard_normal(rows),
        upstream=_count(passed, plan, lab.counts_upstream, rng),
        downstream=_count(passed * p, plan, lab.counts_downstream, rng),
        housing_pressure_drop=housing * read, injection_level=(float(levels[0]), float(levels[1])),
        injection_volume=(plan.injection_volume, plan.injection_volume - plan.injection_flow * end),
        final_level=final * (1.0 + stated.final_level * rng.standard_normal()),
    )  # fmt: skip


def _count(true: Floats, plan: RigPlan, gain: float, rng: Rng) -> Floats:
    """Return counts at the sample point [1/mL]: Poisson between sizes, summed from the largest."""
    factor = plan.sample_volume / plan.dilution
    between = true - np.concatenate([true[:, 1:], np.zeros((len(true), 1))], axis=1)
    raw = rng.poisson(between * (1.0 + gain) * factor)
    return np.asarray(np.cumsum(raw[:, ::-1], axis=1)[:, ::-1] / factor)


def _read_pressure(true: Floats, lab: Laboratory, rng: Rng) -> Floats:
    noise = lab.stated.row_noise * true + lab.stated.row_noise_pressure
    return np.asarray(true * (1.0 + lab.pressure) + noise * rng.standard_normal(true.shape))


def simulate_pressure_drop(
    filter_type: FilterType, specimen_factors: SpecimenFactors, lab: Laboratory, rng: Rng
) -> PressureDropRun:
    """Return one flow sweep of the assembly and of the housing at every temperature."""
    plan, wander = lab.plan, lab.stated.row_noise_temperature
    oil = plan.sweep_oil.really(lab.viscosity)
    parts = ("assembly", "housing")
    settings = itertools.product(plan.sweep_temperatures, parts, plan.sweep_steps)
    warmths, part, steps = zip(*settings, strict=True)
    n = len(part)
    shown = plan.flow * np.array(steps) * (1.0 + lab.stated.row_noise * rng.standard_normal(n))
    true = np.array(warmths) - lab.temperature + 3.0 * wander * rng.standard_normal(n)
    drop = np.empty(n)
    for row in range(n):
        stream = oil.flowing(shown[row] / (1.0 + lab.flow), true[row])
        drop[row] = housing_drop(filter_type, stream)
        if part[row] == "assembly":
            drop[row] += element_drop(filter_type, specimen_factors, 0.0, stream)
    return PressureDropRun(
        flow=shown, pressure_drop=_read_pressure(drop, lab, rng), part=part,
        temperature=true + lab.temperature + wander * rng.standard_normal(n),
    )  # fmt: skip


def type_truth(filter_type: FilterType, plan: RigPlan, stream: Stream) -> TypeTruth:
    """Return the true means (Gauss-Hermite) of a type tested by `plan`; clean drop in `stream`."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(QUADRATURE)
    weights /= sqrt(2.0 * np.pi)
    rig = plan.oil.flowing(plan.flow, plan.temperature)
    one = [_efficiencies(filter_type, _factors(filter_type, z, 0.0, 0.0)) for z in nodes]
    grid = [_factors(filter_type, 0.0, z, y) for z in nodes for y in nodes]
    injected = np.array([capacity(filter_type, s, plan.terminal, rig) for s in grid])
    retained = np.array([_retained(filter_type, plan, m) for m in injected])
    shares = np.outer(weights, weights).ravel()
    fresh = [_factors(filter_type, 0.0, 0.0, z) for z in nodes]
    clean = np.array([float(element_drop(filter_type, s, 0.0, stream)) for s in fresh])
    mean = float(weights @ clean)
    return TypeTruth(
        sizes=np.array(filter_type.sizes),
        efficiency=weights @ np.array([overall for overall, _ in one]),
        lowest_efficiency=weights @ np.array([lowest for _, lowest in one]),
        injected_capacity=float(shares @ injected), retained_capacity=float(shares @ retained),
        clean_pressure_drop=mean + housing_drop(filter_type, stream),
        clean_pressure_drop_sd=sqrt(float(weights @ (clean - mean) ** 2)),
    )  # fmt: skip


def _efficiencies(kind: FilterType, specimen: SpecimenFactors) -> tuple[Floats, Floats]:
    """Return overall and lowest efficiency (k,) of a specimen, from means over ten tenths."""
    p = _penetration(kind, specimen, (np.arange(STEPS) + 0.5) / STEPS)
    up = (1.0 / (1.0 - p)).reshape(10, -1, p.shape[1]).mean(axis=1)
    down = (p / (1.0 - p)).reshape(10, -1, p.shape[1]).mean(axis=1)
    return 1.0 - down.sum(axis=0) / up.sum(axis=0), (1.0 - down / up).min(axis=0)


def _retained(kind: FilterType, plan: RigPlan, injected: float) -> float:
    """Return injected less what stays in the system and what the samples take away [g]."""
    minutes = 1e3 * injected / (plan.base_level * plan.flow)
    level = plan.base_level / kind.gravimetric_efficiency  # upstream; downstream less base_level
    drawn = (2.0 * level - plan.base_level) * plan.sample_flow * minutes
    return injected - (level * plan.system_volume + drawn) / 1e3
