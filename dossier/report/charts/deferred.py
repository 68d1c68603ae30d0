"""Charts are drawn when the layout asks for them: who only wants the words draws none."""

import base64
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field

Draw = Callable[[], bytes]
CHART = "asset:chart-"
"""Beginning of the address of a chart that is drawn later; its number follows."""


@dataclass(slots=True)
class Later:
    """Charts that are asked for now and drawn later; until then each is an address."""

    wanted: list[Draw] = field(default_factory=list)

    def address(self, draw: Draw) -> str:
        """Note one chart and return the address under which `picture` has it."""
        self.wanted.append(draw)
        return f"{CHART}{len(self.wanted) - 1}"

    def picture(self, address: str) -> bytes:
        """Return the chart of an address as SVG; ValueError where there is none."""
        number = address.removeprefix(CHART)
        if not number.isdecimal() or int(number) >= len(self.wanted):
            raise ValueError(f"{address[:80]!r} is not a chart of this dossier")
        return self.wanted[int(number)]()


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
