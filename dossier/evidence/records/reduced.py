"""Records reduced to results: plain frozen containers, filled by the reduce modules."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dossier.physics.multipass import RetainedMass
from dossier.physics.pressure_drop import PressureDropFit
from dossier.physics.values import Floats


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
    injection_level: float
    """Mean injection level [kg/m3]."""
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
    temperature: Floats
    """(n,) [K]."""
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
