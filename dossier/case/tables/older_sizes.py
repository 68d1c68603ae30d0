"""Sizes of older counter calibrations, converted to um(c) with a sentence to print."""

from dossier.case.units import UnitError, split_quantity
from dossier.physics import size_scale


def convert(text: str, calibration: str) -> tuple[float, str]:
    """Return (size [um(c)], sentence) of a size in the micrometres of an older calibration.

    `text` is such as ``10 um`` of a counter calibrated to "ISO 4402", or ``10 um(b)`` for "um(b)".
    Raises UnitError for another unit, ValueError outside the published table.
    """
    value, unit = split_quantity(text)
    plain = unit.replace("µ", "u").replace("μ", "u").replace(" ", "")
    wanted = {"ISO 4402": "um", "um(b)": "um(b)"}[calibration]
    if plain != wanted:
        raise UnitError(
            f"{text!r} does not fit size_calibration = {calibration!r}: write '{value:g} {wanted}'"
        )
    converted = size_scale.convert(value, calibration)
    return converted.size, converted.sentence
