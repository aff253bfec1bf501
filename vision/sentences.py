"""What a comparison found, in words that fit the quantity and its unit."""

import numpy as np

from vision.quantities import (
    BETWEEN,
    COHERENCE,
    CONTRAST,
    GLOSS,
    GRAIN,
    LINED,
    ROUGHNESS,
    SCRATCHES,
    SHAPE,
    STEPS,
    Quantity,
)
from vision.spread import Deviation


def sentence(quantity: Quantity, off: Deviation, against: str, value: float, reference: float) -> str:
    """Return what was found as a sentence a customer would understand.

    Parameters
    ----------
    quantity : Quantity
    off : Deviation
    against : str
        'exemplar', 'siblings' or 'halves': what the piece was compared with.
    value, reference : float
        Of the piece and of what it was compared with, in the quantity's unit.
    """
    way = quantity.more if off.difference > 0 else quantity.less
    others = "piece" if off.others == 1 else "pieces"
    whom = {
        "exemplar": "than on the known-good piece",
        "siblings": f"than on the other {off.others} {others} of this group",
        "halves": f"than on most of the other {off.others} {others}; the group is of two kinds, and which is right the "
        "pictures alone cannot say",
    }[against]
    if quantity is LINED:
        return (
            f"Fine parallel lines run over the top, as sanding leaves them: its texture is {_percent(value)} stronger "
            f"along one direction {whom}."
        )
    if quantity is BETWEEN:
        return (
            "Between and beside its characters the top is uneven as strokes make it, and the others are not: an older "
            "marking may lie under the present one."
        )
    if quantity is STEPS:
        return (
            f"The characters of one line stand at other distances from each other {whom}, as another typeface sets "
            f"them: by {_percent(float(np.log1p(value)))} of a character's width."
        )
    if quantity is SHAPE:
        return (
            f"The characters are shaped otherwise {whom}, as another typeface shapes them: {value:.2f} alike, "
            f"the others {reference:.2f}."
        )
    if quantity in (COHERENCE, SCRATCHES):
        what = "coherence" if quantity is COHERENCE else "strength"
        return (
            f"Fine parallel lines run over the top, as sanding leaves them: {what} {value:.2f}, "
            f"against {reference:.2f} {whom.removeprefix('than ')}."
        )
    if quantity in (ROUGHNESS, GRAIN) and off.difference < 0:
        return f"The top is {_percent(off.difference)} smoother {whom}, as a coating leaves it."
    return f"{quantity.subject} {_amount(quantity, off.difference)} {way} {whom}."


def _amount(quantity: Quantity, difference: float) -> str:
    """How much, in words that fit the unit."""
    if quantity.logarithmic:
        return _percent(difference)
    if quantity.unit == "deg":
        return f"{abs(difference):.1f} degrees"
    if quantity is CONTRAST or quantity is GLOSS:
        return f"{abs(difference):.2f} (of 1)"
    return f"{abs(difference) * 100:.0f} % of the body's width"


def _percent(difference: float) -> str:
    """Ratio as a percentage."""
    return f"{abs(np.expm1(difference)) * 100:.0f} %"
