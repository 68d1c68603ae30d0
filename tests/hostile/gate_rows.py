"""One row of the table of changed cases; each part of the gate has a list of them."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple


class Row(NamedTuple):
    """A case as a careless or dishonest hand would change it, and the line it must meet."""

    name: str
    tries: str
    case: str
    change: Callable[[Path], None]
    line: str
