"""How a probability is said, on pages, in reasons and in the terminal: certainty never is."""

from dossier.words import decimal_mark, say

MOST, LEAST = 0.999, 0.001
"""A probability beyond them is said as a bound: models of measurement know no better [-]."""


def chance_text(chance: float, wanted: float | None = None) -> str:
    """Return a probability [-] in percent, "> 99.9 %" at most.

    One decimal, or more where it would otherwise be said on the wrong side of the probability
    `wanted` [-] that a verdict is taken by.
    """
    if not 0.0 <= chance <= 1.0:
        return say("no number")
    if chance > MOST:
        return say("> {percent} %", percent=_percent(MOST, 1))
    if chance < LEAST:
        return say("< {percent} %", percent=_percent(LEAST, 1))
    return say("{percent} %", percent=_percent(chance, _decimals(chance, wanted)))


def _percent(chance: float, decimals: int) -> str:
    return f"{100 * chance:.{decimals}f}".replace(".", decimal_mark())


def _decimals(chance: float, wanted: float | None) -> int:
    """Return the decimals with which the percentage stays on its side of `wanted`."""
    for decimals in range(1, 12):
        said = round(chance, decimals + 2)
        if wanted is None or chance == wanted or (said < wanted) == (chance < wanted):
            return decimals
    return 12
