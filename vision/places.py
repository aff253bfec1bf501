"""How far the print of a piece is moved, and how much larger it is, as far as several opinions of its body agree.

An outline is easily off at one end, where a wall or a shadow was taken for the top, or it slides along the body. The
leads lie lower than the top and move against it where the camera looks askew. Each is wrong in its own way: what they
all say is so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from vision.landmarks import Shift
from vision.matching import Relative
from vision.observations import PieceView

SIDES = ("x", "y", "wide", "left", "right", "top", "bottom", "above", "below", "seat", "length")
FITTED_U = 0.008
"""Standard uncertainty of a fitted line's size and place: a third of a pixel on a body of 40 (common practice)."""
UNSEATED_U, SEATED_U = 0.015, 0.010
"""The same for the smallest of several opinions: of the outline's two ends alone, and where leads agree with them
(common practice, no source)."""
ASKEW, ASKEW_SD = 0.2, 0.1
"""How far leads move against the top, short sides, for a piece that lies one long side of the photo off its middle: the
shoulders of a DIP's leads lie 1.6 mm under a top 6.4 mm wide, and a phone sees 35 to 70 degrees (from memory)."""
TURNED_SD = 0.05
"""The same for a camera that does not look straight down: 10 degrees (common practice, no source)."""
APART = 0.12
"""What the range of opinions adds to the uncertainty of the smallest (common practice, no source)."""
LOST = 0.45
"""Print has seldom so much room, short sides: an outline that nothing confirms is lost (common practice, no source)."""
UNSURE = 0.08
"""A place along the leads less sure than this confirms little, short sides (common practice, no source)."""
SEATED = 0.025
"""Standard deviation of what is left, short sides (from renderings of this project's tests)."""

Entries = Sequence[Relative | None]


@dataclass(frozen=True, slots=True)
class Places:
    """Where equal lines of a group stand.

    Parameters
    ----------
    sides : mapping of str to sequence of (Relative or None)
        One for each name of SIDES: that length of every piece's fits, against the group's.
    seats : sequence of (Relative or None)
        Place along the leads, as a camera straight above would see it.
    slid : mapping of int to ((float, float) or None)
        How far outlines stand from their landmarks, where leads do not tell.
    """

    sides: Mapping[str, Entries]
    seats: Entries
    slid: Mapping[int, Shift]

    def across(self) -> tuple[Relative | None, ...]:
        """How far each line is moved along the body, short sides."""
        found: list[Relative | None] = []
        for k, own in enumerate(self.sides["x"]):
            if own is None:
                found.append(None)
                continue
            opinions = [self._off("left", k), -self._off("right", k)]
            if self.seats[k] is None and _most(self.seats):
                # The others' leads agree with each other and not with this outline: it is lost, not the print.
                found.append(None)
                continue
            slid = self.slid.get(k)
            if self.seats[k] is None and slid is None and abs(agreed(opinions)) > LOST:
                found.append(None)
                continue
            u = UNSEATED_U
            if (seat := self.seats[k]) is not None:
                opinions.append(_against_all(self.seats, k))
                u = SEATED_U if seat.u < UNSURE else UNSEATED_U
            elif slid is not None:
                opinions += [opinion - slid[0] for opinion in opinions]
                u = FITTED_U
            found.append(Relative(agreed(opinions), unsure(opinions, u), own.value))
        return tuple(found)

    def down(self) -> tuple[Relative | None, ...]:
        """How far each line is moved across the body."""
        found: list[Relative | None] = []
        for k, own in enumerate(self.sides["y"]):
            if own is None:
                found.append(None)
                continue
            opinions = [self._off(name, k) * sign for name, sign in _DOWN]
            slid = self.slid.get(k)
            if slid is not None:
                opinions += [opinion - slid[1] for opinion in opinions]
            found.append(Relative(agreed(opinions), unsure(opinions, FITTED_U), own.value))
        return tuple(found)

    def larger(self) -> tuple[Relative | None, ...]:
        """Logarithm of how much larger a line is for its body: by its leads, its length and its width."""
        found: list[Relative | None] = []
        for k, own in enumerate(self.sides["wide"]):
            if own is None:
                found.append(None)
                continue
            if self.sides["length"][k] is None and _most(self.sides["length"]):
                found.append(None)
                continue
            opinions = [-self._longer("left", "right", k), -self._longer("top", "bottom", k)]
            u = UNSEATED_U
            if self.sides["length"][k] is not None:
                opinions.append(_against_all(self.sides["length"], k))
                u = FITTED_U
            found.append(Relative(agreed(opinions), unsure(opinions, u, 0.5 * APART), own.value))
        return tuple(found)

    def _off(self, name: str, k: int) -> float:
        return _against_all(self.sides[name], k)

    def _longer(self, first: str, second: str, k: int) -> float:
        """Logarithm of a body's size against the others', for lines of one size."""
        sizes = {
            j: float(np.log(max(a.value + b.value, 0.1)))
            for j, (a, b) in enumerate(zip(self.sides[first], self.sides[second], strict=True))
            if a is not None and b is not None
        }
        return sizes[k] - median(sizes.values()) if k in sizes and len(sizes) > 1 else 0.0


_DOWN = ("top", 1.0), ("bottom", -1.0), ("above", 1.0), ("below", -1.0)


def agreed(opinions: Sequence[float]) -> float:
    """Return the smallest of several opinions of one displacement; none at all where they differ in sense."""
    smallest = min(opinions, key=abs)
    return smallest if all(v * smallest > 0 for v in opinions) else 0.0


def unsure(opinions: Sequence[float], u: float, share: float = APART) -> float:
    """Return the uncertainty of what several opinions agree in: the less they agree, the less sure it is."""
    return float(np.hypot(u, share * float(np.ptp(opinions))))


def _most(entries: Entries) -> bool:
    """Whether most pieces have an entry."""
    return 2 * sum(entry is not None for entry in entries) > len(entries)


def _against_all(entries: Entries, k: int) -> float:
    """A piece's offset from the middle of all.

    Of all and not of the others: two siblings measured against a middle between a moved one and each other would seem
    to differ, and hide the moved one.
    """
    own = entries[k]
    known = [e.offset for e in entries if e is not None]
    return own.offset - median(known) if own is not None and len(known) > 1 else 0.0


def seen_straight(views: Sequence[PieceView], seats: Entries) -> tuple[Relative | None, ...]:
    """Return places along the leads, less what the camera's looking askew moves them.

    Leads move against the top by where a piece lies in the photo and how the camera is turned: three numbers for a
    photo, with declared priors, learnt from the other pieces (Bayesian regression: Gelman et al., Bayesian Data
    Analysis, 14.2).

    Parameters
    ----------
    views : sequence of PieceView
    seats : sequence of (Relative or None)
    """
    designs = [_askew(view) for view in views]
    found: list[Relative | None] = []
    for k, seat in enumerate(seats):
        own = designs[k]
        others = [
            (d, s.offset)
            for j, (d, s) in enumerate(zip(designs, seats, strict=True))
            if j != k and d is not None and s is not None and views[j].photo == views[k].photo
        ]
        if seat is None or own is None or len(others) < 2:
            found.append(None if seat is None else Relative(seat.offset, SEATED, seat.value))
            continue
        x = np.array([d for d, _ in others])
        y = np.array([s for _, s in others])
        expected, u = _expected(x, y, own)
        found.append(Relative(seat.offset - expected, float(np.hypot(u, FITTED_U)), seat.value))
    return tuple(found)


def _expected(x: np.ndarray, y: np.ndarray, own: np.ndarray) -> tuple[float, float]:
    """What the others' places make of the camera say of this one's, and how unsure that is."""
    prior, mean = np.array([ASKEW_SD, TURNED_SD, TURNED_SD]), np.array([ASKEW, 0.0, 0.0])
    away, rest = x - x.mean(axis=0), y - float(np.median(y)) - (x - x.mean(axis=0)) @ mean
    rest = np.clip(rest, -3 * SEATED, 3 * SEATED)
    precision = np.diag(1 / prior**2) + away.T @ away / SEATED**2
    covariance = np.linalg.inv(precision)
    learnt = mean + covariance @ (away.T @ rest) / SEATED**2
    step = own - x.mean(axis=0)
    return float(step @ learnt), float(np.sqrt(step @ covariance @ step))


def _askew(view: PieceView) -> np.ndarray | None:
    """What moves a piece's leads along it: where it lies in the photo, and which way it lies."""
    if view.photo_size is None:
        return None
    corners = np.asarray(view.outline)
    along = corners[1] - corners[0] + corners[2] - corners[3]
    along = along / max(1e-9, float(np.hypot(*along)))
    size = np.array(view.photo_size, np.float64)
    away = (corners.mean(axis=0) - size / 2) / size.max()
    return np.array([float(away @ along), along[0], along[1]])
