"""The oil circuit: what is cleaned on each round, and what stays in the sump.

One well-mixed sump of volume V, concentration C of one size class.  Contaminant enters the sump at
a rate R; the pump draws Q at C; each path catches its share and the rest returns:

    V dC/dt = R - Q e C,    e = (1 - w) (1 - P) + w (1 - P_fine)

w being the share through the fine path and P the penetrations, one entry a size class or a draw.
No oil is lost or replaced (the cautious figure).  A path that an arrangement lacks lets all
through: P = 1, or w = 0.  From mass balance; for one filter it is the control equation
N_d = R / (Q (beta - 1)) (E. C. Fitch, form from memory).
"""

import numpy as np
from numpy.typing import ArrayLike

from dossier.physics.values import Floats


def cleaned_share(main: ArrayLike, fine: ArrayLike, share: ArrayLike) -> Floats:
    """Return the share of the pump's flow that is cleaned, e [-]; arguments as above [-]."""
    w = np.asarray(share, dtype=np.float64)
    return np.asarray((1.0 - w) * (1.0 - np.asarray(main)) + w * (1.0 - np.asarray(fine)))


def sump_concentration(ingression: ArrayLike, flow: float, cleaned: ArrayLike) -> Floats:
    """Return the long-run concentration in the sump, R / (Q e) [1/m3].

    `ingression` [1/s] of the class, `flow` [m3/s] of the pump, `cleaned` [-]; infinite where
    nothing is cleaned.  The volume plays no part.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(np.asarray(ingression) / (flow * np.asarray(cleaned)))


def time_constant(volume: float, flow: float, cleaned: float) -> float:
    """Return V / (Q e) [s]: after it, 1/e of the way to the long run is left; `volume` [m3]."""
    return volume / (flow * cleaned)


def at_bearings(main: float, fine: float, share: float, *, through_flow: bool) -> float:
    """Return the concentration at the bearings over that in the sump [-].

    The oil that passes the main medium goes there; with `through_flow` that of the fine one too.
    """
    return (1.0 - share) * main + share * fine if through_flow else main
