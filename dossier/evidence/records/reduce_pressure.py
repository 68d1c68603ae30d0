"""Reduce one flow sweep: viscosity of every row, and the fit of its pressure drop."""

import numpy as np
from numpy.typing import NDArray

from dossier.case.application import Oil
from dossier.case.case import Case, Record
from dossier.case.fields import Measured
from dossier.case.records import PressureDropTable
from dossier.evidence.records.fluid import fluid_at
from dossier.evidence.records.reduced import PressureDropResult, SweepFit
from dossier.physics import pressure_drop
from dossier.words import later, say

Floats = NDArray[np.float64]

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
    warmth = _temperature(table, entry.conditions.temperature)
    fluid = case.fluid(entry.fluid)
    mu, rho = _states(fluid, warmth)
    housing = table.housing
    if not (~housing).any():
        raise ValueError(say("no rows of the assembly"))
    flow, drop, rows = table.flow, table.pressure_drop, ~housing
    assembly = _fit(flow[rows], mu[rows], rho[rows], drop[rows])
    moved = _fit(flow[rows] * (1.0 + STEP), mu[rows], rho[rows], drop[rows])
    hot, lighter = _states(fluid, warmth[rows] + KELVIN)
    warmer = _fit(flow[rows], hot, lighter, drop[rows])
    thicker = []
    for key in ("kv40", "kv100"):
        stated = getattr(fluid, key)
        moved_kv = Measured(value=stated.value * (1.0 + STEP))
        other = _states(fluid.model_copy(update={key: moved_kv}), warmth[rows])[0]
        thicker.append(_slope(assembly, _fit(flow[rows], other, rho[rows], drop[rows]), STEP))
    return PressureDropResult(
        record=record.id, side=entry.filter, specimen=entry.specimen or "",
        path=case.application.circuit.path_of(entry.path),
        flow=flow, pressure_drop=drop, temperature=warmth, viscosity=mu, density=rho,
        housing_rows=housing, assembly=assembly,
        per_flow=_slope(assembly, moved, STEP), per_kelvin=_slope(assembly, warmer, KELVIN),
        per_viscosity=(thicker[0], thicker[1]),
        housing=_fit(flow[housing], mu[housing], rho[housing], drop[housing])
        if housing.any()
        else None,
    )  # fmt: skip


def _slope(start: SweepFit, moved: SweepFit, step: float) -> tuple[float, float]:
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


def _fit(flow: Floats, mu: Floats, rho: Floats, drop: Floats) -> SweepFit:
    if not drop.max() > 0:
        raise ValueError(say("no differential pressure above zero"))
    fit = pressure_drop.fit_pressure_drop(flow, mu, rho, drop, row_spread(drop))
    return SweepFit(
        a=fit.a, b=fit.b, covariance=fit.covariance, residual=fit.residual_sd,
        resolved=fit.resolved, dof=fit.dof,
    )  # fmt: skip
