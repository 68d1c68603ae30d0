"""Charts drawn by a second process, while the first one prepares the layout."""

import base64
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import BinaryIO

from dossier.system.second_process import Aside, aside, send

Draw = Callable[[], bytes]
CHART = "asset:chart-"
"""Beginning of the address of a chart that is drawn later; its number follows."""


@dataclass(slots=True)
class Later:
    """Charts that are asked for now and drawn later; until then each is an address."""

    wanted: list[Draw] = field(default_factory=list)
    ready: list[bytes] = field(default_factory=list)
    other: Aside | None = None

    def address(self, draw: Draw) -> str:
        """Note one chart and return the address under which `picture` has it."""
        self.wanted.append(draw)
        return f"{CHART}{len(self.wanted) - 1}"

    def picture(self, address: str) -> bytes:
        """Return the chart of an address as SVG; ValueError where there is none."""
        number = address.removeprefix(CHART)
        if not number.isdecimal() or int(number) >= len(self.wanted):
            raise ValueError(f"{address[:80]!r} is not a chart of this dossier")
        while len(self.ready) <= int(number):
            there = self.other.next() if self.other is not None else None
            self.ready.append(self.wanted[len(self.ready)]() if there is None else there)
        return self.ready[int(number)]

    @contextmanager
    def started(self) -> Iterator[None]:
        """Start a process that draws the charts, in order, while this one goes on.

        Where no second process can be had, or it fails, they are drawn here when they are
        wanted: the pictures are the same.
        """
        self.other = aside(self._draw_all) if self.wanted else None
        try:
            yield
        finally:
            if self.other is not None:
                self.other.end()

    def _draw_all(self, pipe: BinaryIO) -> None:
        for draw in self.wanted:
            send(pipe, draw())


_later: ContextVar[Later | None] = ContextVar("_later", default=None)


@contextmanager
def drawn_later() -> Iterator[Later]:
    """Collect the charts asked for inside, instead of drawing each at once."""
    later = Later()
    token = _later.set(later)
    try:
        yield later
    finally:
        _later.reset(token)


def now_or_later(draw: Draw) -> str:
    """Return the picture as a data URI, or its address inside `drawn_later`."""
    later = _later.get()
    return data_uri(draw()) if later is None else later.address(draw)


def data_uri(picture: bytes) -> str:
    """Return an SVG picture as an address that holds it."""
    return "data:image/svg+xml;base64," + base64.b64encode(picture).decode("ascii")
