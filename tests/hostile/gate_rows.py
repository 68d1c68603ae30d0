"""The form of an adversarial case: what it tries on a demo case, and the line it must meet."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple


class Row(NamedTuple):
    """One change of a copied case folder, and a pattern of what `check` must say of it."""

    name: str
    tries: str
    case: str
    change: Callable[[Path], None]
    line: str
