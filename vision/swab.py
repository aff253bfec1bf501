"""Before and after a solvent swab: is the marking still there, and is the surface under it still the same."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.geometry import apply, as_quad
from vision.light import FloatImage, linear_luminance
from vision.observations import Line, Measure, NotMeasured, Observation, PieceView, Quad, Surface
from vision.quantities import COHERENCE, ROUGHNESS
from vision.spread import deviation
from vision.strip import Strip, cut

LOSS_SLIGHT, LOSS_CLEAR = 0.25, 0.5
"""Part of the marking lost; MIL-STD-883 method 2015 fails markings that are missing, faded, smeared or blurred without
a number (as quoted by siliconcert.com), so the numbers are common practice with no source."""
LOSS_U = 0.06
"""Standard uncertainty of the part that is left, from two photos of one untouched mark (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Loss:
    """How much of one line is gone."""

    line: Line
    lost: float
    place: Quad
    """Where the line was, on the face after."""


def swab(before: PieceView, after: PieceView) -> tuple[Observation, ...]:
    """Compare one piece before and after it was swabbed.

    Parameters
    ----------
    before, after : PieceView
        The same piece, each with its lines and its surface measured. Light and distance may differ.

    Returns
    -------
    tuple of Observation
        'swab-mark-loss' with the part of the marking lost (0 to 1) on the line that lost most; 'swab-surface-change'
        with the roughness or the direction after, against before. Empty where nothing changed.
    """
    observed = []
    losses = mark_losses(before, after)
    if losses:
        worst = max(losses, key=lambda loss: loss.lost)
        if worst.lost > max(LOSS_SLIGHT, 3.0 * LOSS_U):
            observed.append(_loss_observation(worst, after))
    observed += _surface_change(before, after)
    return tuple(observed)


def mark_losses(before: PieceView, after: PieceView) -> list[Loss]:
    """Return the part of each line's ink that is gone: ink is its contrast times its area in body units."""
    first, second = linear_luminance(before.face.image), linear_luminance(after.face.image)
    scale = np.array([second.shape[1] / first.shape[1], second.shape[0] / first.shape[0]])
    losses = []
    for line in before.lines:
        if line.sideways:
            continue
        had = _ink(first, line.face_outline)
        if had <= 0:
            continue
        places = _places(line, after.lines, scale)
        left = max(_ink(second, box) for box in places)
        losses.append(Loss(line, float(np.clip(1.0 - left / had, 0.0, 1.0)), places[0]))
    return losses


def _places(line: Line, lines: Sequence[Line], scale: np.ndarray) -> list[Quad]:
    """Where the line may be after: at the same place of the body, and where a reader still reads the same text."""
    a, b, c, d = (tuple(float(v) for v in np.asarray(p) * scale) for p in line.face_outline)
    same: Quad = (a, b, c, d)  # type: ignore[assignment]
    return [same, *(other.face_outline for other in lines if other.text == line.text)]


def _ink(luminance: FloatImage, box: Quad) -> float:
    """Contrast times area of the print in a box; 0 where none stands out."""
    strip: Strip | NotMeasured = cut(luminance, box)
    if isinstance(strip, NotMeasured):
        return 0.0
    contrast = strip.level / (2.0 + strip.level) if strip.bright else strip.level / (2.0 - min(1.0, strip.level))
    area = float(strip.ink.sum()) / (strip.scale * min(luminance.shape)) ** 2
    return float(contrast * area)


def _loss_observation(loss: Loss, after: PieceView) -> Observation:
    """Say how much of the marking is gone."""
    return Observation(
        "swab-mark-loss",
        "surface",
        f"After the swab {loss.lost * 100:.0f} % of the line '{loss.line.text}' is gone.",
        loss.lost,
        "ratio",
        0.0,
        "clear" if loss.lost >= LOSS_CLEAR else "slight",
        as_quad(apply(after.face.to_photo, np.asarray(loss.place))),
    )


def _surface_change(before: PieceView, after: PieceView) -> list[Observation]:
    """Roughness or direction that changed beyond what two photos differ by."""
    if not isinstance(before.surface, Surface) or not isinstance(after.surface, Surface):
        return []
    found = []
    old, new = before.surface.roughness, after.surface.roughness
    if isinstance(old, Measure) and isinstance(new, Measure) and min(old.value, new.value) > 0:
        off = deviation(
            float(np.log(new.value)),
            new.u / new.value,
            [float(np.log(old.value))],
            [old.u / old.value],
            ROUGHNESS.elsewhere,
        )
        if off.strength:
            way = "rougher" if off.difference > 0 else "smoother"
            found.append(
                (off, f"After the swab the top is {abs(np.expm1(off.difference)) * 100:.0f} % {way}.", new, old)
            )
    old, new = before.surface.coherence, after.surface.coherence
    if isinstance(old, Measure) and isinstance(new, Measure):
        off = deviation(new.value, new.u, [old.value], [old.u], COHERENCE.elsewhere)
        if off.strength:
            way = "now shows" if off.difference > 0 else "no longer shows"
            found.append((off, f"After the swab the top {way} fine lines in one direction.", new, old))
    if not found:
        return []
    off, message, new, old = max(found, key=lambda f: abs(f[0].score))
    return [
        Observation(
            "swab-surface-change",
            "surface",
            message,
            new.value,
            new.unit,
            old.value,
            off.strength or "slight",
            after.outline,
        )
    ]
