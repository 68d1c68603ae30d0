"""One function a quantity, each with its declaration."""

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache

from dossier.evidence.registry import QUANTITIES, Quantity


@cache
def all_quantities() -> Mapping[str, Quantity]:
    """Return every declared quantity by name, in alphabetical order."""
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")
    return dict(sorted(QUANTITIES.items()))
