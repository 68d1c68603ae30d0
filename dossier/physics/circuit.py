"""The oil circuit: what each arrangement catches, and what stays in the sump.

One well-mixed sump of volume V, concentration C of one size class.  Contaminant enters the sump at
a rate R; the pump draws at C; each filter catches its share and the rest returns:

    V dC/dt = R - (sum of Q E + q) C

where q is oil burnt or drained and replaced by clean oil.  The balance is linear, so it holds for
each size class apart; efficiencies may be arrays, one entry a class (or a draw).  Take classes
between neighbouring sizes and add up: an efficiency for "this size and larger" holds only for the
size distribution it was measured with.  From mass balance; the single-filter case equals the
control equation N_d = R / (Q (beta - 1)) (E. C. Fitch, form from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from dossier.physics.flow_paths import (
    ParallelSplit,
    Path,
    SumpSplit,
    in_series,
    orifice_path,
    split_parallel,
    split_to_sump,
)
from dossier.physics.values import Floats, not_negative, positive, share

__all__ = [
    "Cleaning",
    "ParallelSplit",
    "Path",
    "SumpSplit",
    "bearing_concentration",
    "combined",
    "combined_through_flow",
    "concentration_at",
    "full_and_partial_flow",
    "full_flow",
    "full_flow_loading",
    "in_series",
    "orifice_path",
    "partial_flow",
    "split_parallel",
    "split_to_sump",
    "sump_concentration",
    "time_constant",
    "turnover_time",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning:
    """What an arrangement does to one size class, or to each of several."""

    full_flow: Floats
    """Flow times efficiency of the full-flow filter or medium [m3/s]."""
    fine: Floats
    """Flow times efficiency of the fine filter or medium [m3/s]."""
    passage: Floats
    """Concentration at the bearings over that in the sump [-]."""

    @property
    def total(self) -> Floats:
        """Flow cleaned, the sum of flow times efficiency [m3/s]."""
        return self.full_flow + self.fine


def full_flow(flow: float, efficiency: ArrayLike, unfiltered_share: ArrayLike = 0.0) -> Cleaning:
    """Return the cleaning where all of the pump's oil passes one filter, then the bearings.

    `flow` [m3/s], `efficiency` [-] per class, `unfiltered_share` [-] of the flow past an open or
    leaking valve: E_eff = (1 - f) E.  Mass balance.  Raises ValueError for a flow not above zero
    or a share outside 0 to 1.
    """
    return combined_through_flow(flow, 0.0, efficiency, 0.0, unfiltered_share)


def partial_flow(flow: float, fine_share: ArrayLike, fine_efficiency: ArrayLike) -> Cleaning:
    """Return the cleaning where a share passes a fine filter to the sump, the rest is unfiltered.

    `flow` [m3/s] of the pump, `fine_share` [-] of it through the fine filter of `fine_efficiency`
    [-].  The bearings get the sump's concentration.  Mass balance.
    Raises ValueError as `full_flow`.
    """
    return full_and_partial_flow(flow, fine_share, 0.0, fine_efficiency)


def full_and_partial_flow(
    flow: float,
    fine_share: ArrayLike,
    efficiency: ArrayLike,
    fine_efficiency: ArrayLike,
    unfiltered_share: ArrayLike = 0.0,
) -> Cleaning:
    """Return the cleaning of two filters: a fine one back to the sump, a full-flow one onward.

    `flow` [m3/s] of the pump, `fine_share` [-] of it through the fine filter of `fine_efficiency`
    [-]; the rest passes the full-flow filter of `efficiency` [-] to the bearings, but for the
    `unfiltered_share` [-] of that rest which passes its valve.  Mass balance.
    Raises ValueError as `full_flow`.
    """
    positive("flow", flow, "m3/s")
    w, e, e_fine, reach = _shares(fine_share, efficiency, fine_efficiency, unfiltered_share)
    return _cleaning(flow * (1 - w) * reach * e, flow * w * e_fine, 1 - reach * e)


def combined(
    flow: float,
    fine_share: ArrayLike,
    efficiency: ArrayLike,
    fine_efficiency: ArrayLike,
    unfiltered_share: ArrayLike = 0.0,
) -> Cleaning:
    """Return the cleaning of two media in one can whose fine part returns to the sump.

    The balance of `full_and_partial_flow`; the share follows from `split_to_sump`.
    """
    return full_and_partial_flow(flow, fine_share, efficiency, fine_efficiency, unfiltered_share)


def combined_through_flow(
    flow: float,
    fine_share: ArrayLike,
    efficiency: ArrayLike,
    fine_efficiency: ArrayLike,
    unfiltered_share: ArrayLike = 0.0,
) -> Cleaning:
    """Return the cleaning of two media in one can that send all oil to the engine.

    `flow` [m3/s] of the pump; of what passes the media, `fine_share` [-] (from `split_parallel`)
    takes the fine one of `fine_efficiency` [-], the rest that of `efficiency` [-]: the can's
    efficiency is their flow-weighted mean, 1 / beta = sum of share / beta.  `unfiltered_share` [-]
    of the pump's flow passes the valve.  Mass balance.  Raises ValueError as `full_flow`.
    """
    positive("flow", flow, "m3/s")
    w, e, e_fine, reach = _shares(fine_share, efficiency, fine_efficiency, unfiltered_share)
    main, fine = reach * (1 - w) * e, reach * w * e_fine
    return _cleaning(flow * main, flow * fine, 1 - main - fine)


def sump_concentration(cleaning: Cleaning, ingression: ArrayLike, loss_flow: float = 0.0) -> Floats:
    """Return the long-run concentration in the sump, R / (sum of Q E + q) [1/m3].

    `ingression` R [1/s] into the sump, of each class; `loss_flow` q [m3/s] of oil replaced by
    clean oil, 0 being the cautious figure.  R in kg/s gives kg/m3.  The volume plays no part.
    Raises ValueError where nothing removes a class: it then grows without limit.
    """
    return not_negative("ingression", ingression, "1/s") / _removal(cleaning, loss_flow)


def bearing_concentration(
    cleaning: Cleaning, ingression: ArrayLike, loss_flow: float = 0.0
) -> Floats:
    """Return the long-run concentration at the bearings [1/m3]: that of the sump times passage.

    Arguments and errors as `sump_concentration`.
    """
    return cleaning.passage * sump_concentration(cleaning, ingression, loss_flow)


def time_constant(cleaning: Cleaning, volume: float, loss_flow: float = 0.0) -> Floats:
    """Return V / (sum of Q E + q) [s]: after it, 1/e of the way to the long run is left.

    `volume` [m3] of the sump; errors as `sump_concentration`.
    """
    return positive("volume", volume, "m3") / _removal(cleaning, loss_flow)


def concentration_at(
    time: float,
    cleaning: Cleaning,
    ingression: ArrayLike,
    volume: float,
    initial: ArrayLike,
    loss_flow: float = 0.0,
) -> Floats:
    """Return the sump's concentration [1/m3] at `time` [s] from `initial` [1/m3].

    C(t) = C0 e^-x + (R t / V) (1 - e^-x) / x with x = (sum of Q E + q) t / V: the closed form of
    the balance, which also holds where nothing removes a class.  `volume` [m3] of the sump, others
    as in `sump_concentration`.  Raises ValueError for a negative or non-finite argument.
    """
    from scipy.special import exprel

    t, q = not_negative("time", time, "s"), not_negative("loss flow", loss_flow, "m3/s")
    start = not_negative("initial concentration", initial, "1/m3")
    entered = not_negative("ingression", ingression, "1/s") * t / positive("volume", volume, "m3")
    x = (cleaning.total + q) * t / volume
    return np.asarray(start * np.exp(-x) + entered * exprel(-x), dtype=np.float64)


def turnover_time(volume: float, path_flow: float) -> float:
    """Return the time [s] in which a path of `path_flow` [m3/s] passes one `volume` [m3].

    With perfect mixing a share e^-1 = 36.8 % of the oil has then not yet passed.
    Raises ValueError where either is not above zero and finite.
    """
    return positive("volume", volume, "m3") / positive("path flow", path_flow, "m3/s")


def full_flow_loading(
    cleaning: Cleaning, ingression: float, mass_shares: ArrayLike, loss_flow: float = 0.0
) -> float:
    """Return the mass rate [kg/s] that the full-flow filter catches in the long run.

    `ingression` [kg/s] in all, `mass_shares` (k) [-] its part in each size class, adding up to 1;
    `cleaning` of these classes.  In each class the full-flow filter catches Q E / (sum of Q E + q)
    of what enters: the fine path spares it the rest, and its life grows in proportion.
    Raises ValueError where the shares do not add up to 1, or as `sump_concentration`.
    """
    parts = share("mass shares", mass_shares)
    if not abs(float(parts.sum()) - 1.0) <= 1e-9:
        raise ValueError(f"mass shares must add up to 1, not {float(parts.sum())}")
    caught = cleaning.full_flow / _removal(cleaning, loss_flow)
    return float(positive("ingression", ingression, "kg/s") * np.sum(parts * caught))


def _shares(*values: ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
    """Return fine share, efficiencies of the media, and the share that reaches a medium."""
    names = ("fine share", "efficiency", "fine efficiency", "unfiltered share")
    w, e, e_fine, past = (share(name, value) for name, value in zip(names, values, strict=True))
    return w, e, e_fine, np.asarray(1 - past)


def _cleaning(main: Floats, fine: Floats, passage: Floats) -> Cleaning:
    main, fine, passage = (np.array(each) for each in np.broadcast_arrays(main, fine, passage))
    return Cleaning(full_flow=main, fine=fine, passage=passage)


def _removal(cleaning: Cleaning, loss_flow: float) -> Floats:
    removal = cleaning.total + not_negative("loss flow", loss_flow, "m3/s")
    if not (removal > 0).all():
        raise ValueError(
            "nothing removes particles of a size class (0 m3/s cleaned): their concentration "
            "grows without limit"
        )
    return removal
