"""Where a top lies along its row of leads: the leads of siblings are laid over each other.

An outline may slide along a body or lose an end by some percent; the comb of leads beside it does not. Two siblings'
combs, laid over each other, tell how far their outlines are apart and how much longer one is taken than the other.
Leads lie lower than the top: a camera that looks askew moves them against it, by two or three percent of its width.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.stand_ins import stand_ins

Profile = NDArray[np.float32]

REACH = 0.17
"""How far outlines may be apart, body units: less than half the pitch of a DIP's leads on a body of 6.4 mm (0.2)."""
STRETCH = 0.06
"""How much longer one outline may be than the other (common practice, no source)."""
STEPS = 13
ALIKE = 0.5
"""Correlation of two combs that are one (common practice, no source)."""
CLEAR = 0.08
"""By how much it stands above any other place, half a pitch away (common practice, no source)."""
TOGETHER = 0.2
"""An outline that leans moves one side against the other; beyond half a pitch they say different things, body units."""
STEADY = 1.5
"""Lengths of the smoothing that takes the slow light out, in the wide mean's share of the body's short side."""


@dataclass(frozen=True, slots=True)
class Seat:
    """A piece's place along the reference's combs: reference = (own - shift) / stretch, canvas pixels.

    Parameters
    ----------
    shift, stretch : (float, float)
        By the comb above the body and by the one below it.
    sides : int
        How many of the two show; where it is one, it stands for both.
    """

    shift: tuple[float, float]
    stretch: tuple[float, float]
    sides: int

    def place(self, x: float, down: float) -> float:
        """Where `x` lies along the reference, for a point that far down from the first comb to the second, 0 to 1."""
        first, second = ((x - a) / b for a, b in zip(self.shift, self.stretch, strict=True))
        return (1 - down) * first + down * second

    def longer(self) -> float:
        """How much longer this outline is than the reference's."""
        return float(np.mean(self.stretch))


def profile(band: NDArray[Any], unit: float) -> Profile:
    """Return how light changes along a band beside a body.

    Parameters
    ----------
    band : ndarray of float32, shape (rows, columns)
        Luminance.
    unit : float
        Short side of the body, pixels.

    Returns
    -------
    ndarray of float32, shape (1, columns)
        Of mean about 0 and deviation about 1, slow changes taken out.
    """
    line = np.sqrt(np.maximum(band, 0)).mean(axis=0, keepdims=True).astype(np.float32)
    wide = (max(3, round(0.5 * unit) | 1), 1)
    flat = line - cv2.blur(line, wide, borderType=cv2.BORDER_REFLECT)
    strength = np.sqrt(cv2.blur(flat * flat, (max(3, round(STEADY * unit) | 1), 1), borderType=cv2.BORDER_REFLECT))
    return np.asarray(np.clip(flat / np.maximum(strength, 1e-4), -2.5, 2.5), np.float32)


def seats(combs: Mapping[int, tuple[Profile, Profile]], unit: float) -> dict[int, Seat]:
    """Return every piece's place along the comb of the one that is most like those that stand for the others.

    Parameters
    ----------
    combs : mapping of int to (ndarray, ndarray)
        Profiles above and below each body, from `profile`; all of one unit.
    unit : float
        Short side of the bodies, pixels.

    Returns
    -------
    dict of int to Seat
        Without those whose leads do not show, or not alike.
    """
    pairs: dict[tuple[int, int], tuple[Seat, float]] = {}
    asked = stand_ins(sorted(combs))
    for number, a in enumerate(asked):
        for b in asked[number + 1 :]:
            found = _laid(combs[a], combs[b], unit)
            if found is not None:
                pairs[a, b] = found
                pairs[b, a] = _turned(found[0]), found[1]
    if not pairs:
        return {}
    score = {a: sum(alike for (one, _), (_, alike) in pairs.items() if one == a) for a in asked}
    reference = max(asked, key=lambda a: score[a])
    result = {reference: Seat((0.0, 0.0), (1.0, 1.0), 2)}
    for b in combs:
        own = pairs.get((reference, b)) if b in asked else _laid(combs[reference], combs[b], unit)
        if own is not None:
            result[b] = own[0]
    return result


def _turned(seat: Seat) -> Seat:
    """The other piece's place along this one's combs."""
    shift = tuple(-a / b for a, b in zip(seat.shift, seat.stretch, strict=True))
    return Seat((shift[0], shift[1]), (1 / seat.stretch[0], 1 / seat.stretch[1]), seat.sides)


def _laid(one: tuple[Profile, Profile], other: tuple[Profile, Profile], unit: float) -> tuple[Seat, float] | None:
    """The second's place along the first, by both sides where both show; None where neither does or they differ."""
    found = [_side(a, b, unit) for a, b in zip(one, other, strict=True)]
    sides = [side for side in found if side is not None]
    if not sides:
        return None
    first, second = sides[0], sides[-1]
    middle = 0.5 * one[0].shape[1]
    if abs((first.shift + first.stretch * middle) - (second.shift + second.stretch * middle)) > TOGETHER * unit:
        return None
    seat = Seat((first.shift, second.shift), (first.stretch, second.stretch), len(sides))
    return seat, float(np.mean([side.alike for side in sides]))


@dataclass(frozen=True, slots=True)
class _Slide:
    """One comb along another one, and how alike they are there."""

    shift: float
    stretch: float
    alike: float


def _side(one: Profile, other: Profile, unit: float) -> _Slide | None:
    """Stretch the first and slide it along the second until they are most alike."""
    reach = round(REACH * unit)
    best, found, curve = ALIKE, None, None
    for stretch in np.linspace(1 - STRETCH, 1 + STRETCH, STEPS):
        columns = round(one.shape[1] * stretch)
        exact = columns / one.shape[1]
        template = cv2.resize(one, (columns, 1), interpolation=cv2.INTER_LINEAR)
        # Both about their middles, the longer one's ends cut off.
        begin = round(0.5 * (other.shape[1] - columns))
        low, high = max(0, reach - begin), min(columns, other.shape[1] - begin - reach)
        if high - low < 1.5 * unit:
            continue
        window = other[:, begin + low - reach : begin + high + reach]
        alike = cv2.matchTemplate(window, template[:, low:high], cv2.TM_CCOEFF_NORMED)[0]
        k = int(np.argmax(alike))
        if alike[k] > best and 0 < k < alike.size - 1:
            best, curve = float(alike[k]), alike
            shift = begin - reach + k + peak(alike[k - 1 : k + 2]) + 0.5 * (exact - 1)
            found = _Slide(float(shift), float(exact), best)
    if found is None or curve is None:
        return None
    k = int(np.argmax(curve))
    near = round(0.08 * unit)
    elsewhere = np.concatenate([curve[: max(0, k - near)], curve[k + near + 1 :]])
    if elsewhere.size and best - float(elsewhere.max()) < CLEAR:
        return None
    return found


def peak(three: NDArray[Any]) -> float:
    """Return the place of a maximum between its neighbours, by a parabola, -0.5 to 0.5."""
    bend = float(three[0] - 2 * three[1] + three[2])
    return 0.0 if bend == 0 else float(np.clip(0.5 * float(three[0] - three[2]) / bend, -0.5, 0.5))
