"""What the surfaces of a group's tops show, as offsets that can be compared: texture, gloss, lines of one direction."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from vision.matching import Relative
from vision.observations import Lettering, Measure, NotMeasured, PieceView, Surface

Value = Measure | NotMeasured

LINED_U = 0.05
FOCUS = 0.7
"""How the finest texture falls with the share of the print that is in its edges, logarithms (from renderings and pasted
photos of this project's tests); the whole effect is added to the allowance."""
BLUR_EXPONENT = 0.5
RESOLUTION_EXPONENT = 0.5
"""Texture measured falls by about the root of blur and of pixel size relative to the others' (from renderings of this
project's tests); the whole effect is added to the allowance of roughness, not corrected for."""


def lined(views: Sequence[PieceView]) -> tuple[Relative | None, ...]:
    """By how much each piece's strongest direction exceeds what the others show in that direction."""
    profiles = [v.surface.directions if isinstance(v.surface, Surface) else () for v in views]
    known = {k: np.log(np.maximum(profile, 1e-3)) for k, profile in enumerate(profiles) if profile}
    found: list[Relative | None] = []
    for k in range(len(views)):
        others = [profile for j, profile in known.items() if j != k]
        if k not in known or len(others) < 2:
            found.append(None)
            continue
        excess = float(np.max(known[k] - np.median(others, axis=0)))
        found.append(Relative(excess, LINED_U, excess))
    return tuple(found)


def surface(
    views: Sequence[PieceView], pick: Callable[[Surface], Value], logarithmic: bool
) -> tuple[Relative | None, ...]:
    """One surface measure of every piece."""
    found: list[Relative | None] = []
    for view in views:
        value = pick(view.surface) if isinstance(view.surface, Surface) else None
        if not isinstance(value, Measure) or (logarithmic and value.value <= 0):
            found.append(None)
        elif logarithmic:
            found.append(Relative(float(np.log(value.value)), value.u / value.value, value.value))
        else:
            found.append(Relative(value.value, value.u, value.value))
    return as_the_others(found) if not logarithmic else tuple(found)


def as_the_others(entries: Sequence[Relative | None]) -> tuple[Relative | None, ...]:
    """Cap each uncertainty at the group's median: the question is how much a piece like the others would scatter.

    A patchily sanded top, or a line of which some characters are alike, scatters most itself, and must not excuse
    itself by it.
    """
    known = [e.u for e in entries if e is not None]
    if not known:
        return tuple(entries)
    usual = median(known)
    return tuple(replace(e, u=min(e.u, usual)) if e is not None else None for e in entries)


def texture_allowance(views: Sequence[PieceView]) -> tuple[float, ...]:
    """What focus and pixel size may do to each piece's roughness, against the group's median."""
    blurs = [_blur(v) for v in views]
    known = [b for b in blurs if b is not None]
    middle = median(known) if known else None
    shorts = [np.log(min(v.face.image.shape[:2])) for v in views]
    centre = median(shorts)
    extra = []
    for blur, short in zip(blurs, shorts, strict=True):
        focus = BLUR_EXPONENT * abs(blur - middle) if blur is not None and middle is not None else 0.0
        extra.append(float(np.hypot(focus, RESOLUTION_EXPONENT * abs(short - centre))))
    return tuple(extra)


def softened(entries: Sequence[Relative | None], extra: Sequence[float], unsharp: Sequence[float]) -> tuple[float, ...]:
    """The allowance of a texture, wider where it is weak and the print is less sharp than the siblings', too."""
    known = [e.offset for e in entries if e is not None]
    usual = median(known) if known else 0.0
    return tuple(
        float(np.hypot(own, FOCUS * lost)) if e is not None and e.offset < usual else own
        for e, own, lost in zip(entries, extra, unsharp, strict=True)
    )


def _blur(view: PieceView) -> float | None:
    """Logarithm of the print's blur."""
    if not isinstance(view.lettering, Lettering):
        return None
    values = [
        line.blur.value for line in view.lettering.lines if isinstance(line.blur, Measure) and line.blur.value > 0
    ]
    return float(np.log(median(values))) if values else None
