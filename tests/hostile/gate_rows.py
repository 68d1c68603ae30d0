"""A row of the tables of what is handed in to get a pass that was not earned."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple


class Row(NamedTuple):
    """One attempt, and the line of `dossier check` that it meets."""

    name: str
    tries: str
    case: str
    change: Callable[[Path], None]
    line: str
