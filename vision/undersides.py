"""Undersides: the round marks of ejector pins and the moulded words, and which pieces came out of unlike moulds.

A mould leaves its ejector pins in the same places on every piece. Pieces of one date code come from few moulds, so
undersides of unlike layouts are worth a second look, and no more: makers run several moulds in one week.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.body import Body, find_body
from vision.light import FloatImage, linear_luminance, robust_sd
from vision.observations import Line, NotMeasured, Observation, PieceView
from vision.read.reconcile import glyphs

MIXED = "mould-marks-mixed"
ROWS = 100
"""Rows an underside is brought to: a dimple is then ten pixels and more across, and grain is not seen any more."""
LEAST_ROWS = 60
"""Short side below which a dimple's rim is no longer seen (common practice, no source)."""
SMALLEST, LARGEST = 0.1, 0.8
"""Diameters looked for, body units: ejector pins of a DIP leave 1 to 4 mm on a body 6.4 or 13.7 mm wide (from
memory)."""
SURE, FAINT = 0.8, 0.7
"""How round a rim is, 0 to 1 (OpenCV's measure): at SURE a dimple is there, below FAINT none is. Common practice, no
source: of 24 bare drawn undersides none shows one at SURE, two do at FAINT."""
EDGE = 200
"""Gradient at which a rim is an edge, of the evened picture (OpenCV's Canny threshold; set on drawn undersides)."""
PLACE, DIAMETER = 0.15, 0.45
"""How near dimples of one mould lie to each other, body units, and how near their diameters, as a logarithm: light from
one side shows one half of a rim, at its inner or its outer edge (common practice, no source)."""
ASIDE, DOWN = 0.2, 0.08
"""How far outlines may be apart, along and across, body units (as for the landmarks of tops)."""
LEAST_UNLIKE = 2
"""So many dimples without a partner make two layouts unlike; one alone may be hidden by a reflection."""
LEAST_GROUP = 3
"""Of two pieces nobody can say which one is odd."""
LEAST_WORD, LEGIBLE, ALIKE = 4, 0.8, 0.7
"""A moulded word, such as the country, has so many letters, is read this surely, and shares this part of them with the
same word misread. Numbers tell the cavities of one mould apart and are not compared. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Dimple:
    """One round mark: its middle from the body's upper left and its diameter, body units."""

    across: float
    down: float
    diameter: float


@dataclass(frozen=True, slots=True)
class Underside:
    """What a mould left on one piece.

    Parameters
    ----------
    dimples, faint : tuple of Dimple
        Those seen for certain, from the left; those and the ones that may be there.
    marks : tuple of str
        The lines read on it.
    words : frozenset of str
        The words in them that can be compared.
    size : (float, float)
        Width and height of the body, body units.
    """

    dimples: tuple[Dimple, ...]
    faint: tuple[Dimple, ...]
    marks: tuple[str, ...]
    words: frozenset[str]
    size: tuple[float, float]


def measure(view: PieceView) -> Underside | NotMeasured:
    """Find the round marks and the moulded words of a piece that lies on its back.

    Parameters
    ----------
    view : PieceView

    Returns
    -------
    Underside or NotMeasured
    """
    luminance = linear_luminance(view.face.image)
    body = find_body(luminance)
    if body.short < LEAST_ROWS:
        return NotMeasured(f"the underside is only {body.short:.0f} pixels wide; {LEAST_ROWS} are needed")
    picture, unit = _flattened(luminance, body)
    printed = [_box(line, body) for line in view.lines]
    dimples = _dimples(picture, unit, SURE, printed)
    return Underside(
        dimples=dimples,
        faint=dimples + _dimples(picture, unit, FAINT, printed),
        marks=tuple(line.text for line in view.lines),
        words=frozenset(word for line in view.lines if line.confidence >= LEGIBLE for word in _words(line.text)),
        size=((body.x1 - body.x0) / body.short, (body.y1 - body.y0) / body.short),
    )


def compare_undersides(
    undersides: Sequence[Underside | NotMeasured], views: Sequence[PieceView]
) -> list[tuple[tuple[Observation, ...], tuple[str, ...]]]:
    """Say which undersides of one date code are of another layout than most.

    Parameters
    ----------
    undersides : sequence of Underside or NotMeasured
    views : sequence of PieceView
        The pieces they were measured on; pieces of one photo share its light.

    Returns
    -------
    list of (tuple of Observation, tuple of str)
        One entry a piece, in order, as `vision.compare.compare` gives them. 'clear' where a piece differs from more
        than half, 'slight' on all that differ from any where no layout is more than half.
    """
    known = {k: one for k, one in enumerate(undersides) if isinstance(one, Underside)}
    if len(known) < LEAST_GROUP:
        return [((), ())] * len(views)
    unlike = {
        a: {b for b in known if b != a and _unlike(known[a], known[b], views[a].photo == views[b].photo)} for a in known
    }
    usual = min(known, key=lambda k: (len(unlike[k]), k))
    most = 2 * (len(known) - len(unlike[usual])) > len(known)
    odd = unlike[usual] if most else {k for k in known if unlike[k]}
    return [
        (
            (_observation(known[k], known[usual], views[k], len(known), most),) if k in odd else (),
            (MIXED,) if k in known else (),
        )
        for k in range(len(views))
    ]


def _observation(own: Underside, usual: Underside, view: PieceView, count: int, most: bool) -> Observation:
    if most:
        said = f"otherwise than on most of the {count} pieces of this date code"
    else:
        said = f"and those of the {count} pieces of this date code are of several kinds, none of them on most"
    words = f" and '{' '.join(sorted(own.words))}'" if own.words else ""
    marks = "1 round mark" if len(own.dimples) == 1 else f"{len(own.dimples)} round marks"
    return Observation(
        MIXED,
        "body",
        f"The mould left {marks}{words} on the underside, {said}: it may come from another mould.",
        float(len(own.dimples)),
        "1",
        float(len(usual.dimples)) if most else None,
        "clear" if most else "slight",
        view.outline,
    )


def _unlike(one: Underside, other: Underside, same_photo: bool) -> bool:
    """Whether two undersides cannot have come out of one mould."""
    if one.words and other.words and not any(_same_word(a, b) for a in one.words for b in other.words):
        return True
    if not same_photo and not (one.dimples and other.dimples):
        return False  # in other light none may show
    return min(_without_partner(one, turned) for turned in (other, _half_turned(other))) >= LEAST_UNLIKE


def _same_word(one: str, other: str) -> bool:
    return SequenceMatcher(None, one, other, autojunk=False).ratio() >= ALIKE


def _half_turned(one: Underside) -> Underside:
    """The same underside the other way up: without print nobody knows which way that is."""
    width, height = one.size

    def turned(dimples: Sequence[Dimple]) -> tuple[Dimple, ...]:
        return tuple(replace(d, across=width - d.across, down=height - d.down) for d in dimples)

    return replace(one, dimples=turned(one.dimples), faint=turned(one.faint))


def _without_partner(one: Underside, other: Underside) -> int:
    """How many certain dimples of either have none like it on the other, outlines slid until these are fewest."""
    slides = [(b.across - a.across, b.down - a.down) for a in one.faint for b in other.faint]
    near = [(x, y) for x, y in slides if abs(x) <= ASIDE and abs(y) <= DOWN]
    return min(
        sum(not _has(other.faint, replace(d, across=d.across + x, down=d.down + y)) for d in one.dimples)
        + sum(not _has(one.faint, replace(d, across=d.across - x, down=d.down - y)) for d in other.dimples)
        for x, y in [(0.0, 0.0), *near]
    )


def _has(dimples: Sequence[Dimple], wanted: Dimple) -> bool:
    return any(
        np.hypot(d.across - wanted.across, d.down - wanted.down) <= PLACE
        and abs(np.log(d.diameter / wanted.diameter)) <= DIAMETER
        for d in dimples
    )


def _words(text: str) -> list[str]:
    words = (glyphs(word) for word in text.split())
    return [word for word in words if len(word) >= LEAST_WORD and word.isalpha()]


def _flattened(luminance: FloatImage, body: Body) -> tuple[NDArray[np.uint8], float]:
    """The body alone with its light evened out, and how many of its pixels are a body unit."""
    top = luminance[round(body.y0) : round(body.y1), round(body.x0) : round(body.x1)]
    scale = ROWS / body.short
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    level = cv2.resize(np.log(np.maximum(top, np.float32(1e-3))), None, fx=scale, fy=scale, interpolation=method)
    level = cv2.GaussianBlur(level, (0, 0), 0.02 * ROWS) - cv2.GaussianBlur(level, (0, 0), 0.4 * ROWS)
    spread = max(robust_sd(level), 1e-3)
    return (128 + np.clip(level / spread, -4, 4) * 31).astype(np.uint8), float(ROWS)


def _box(line: Line, body: Body) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a line, body units."""
    points = (np.asarray(line.face_outline) - [body.x0, body.y0]) / body.short
    return (*points.min(axis=0), *points.max(axis=0))


def _dimples(
    picture: NDArray[np.uint8], unit: float, roundness: float, printed: Sequence[tuple[float, float, float, float]]
) -> tuple[Dimple, ...]:
    """Round marks that are no characters, the edges of one rim taken together."""
    circles = cv2.HoughCircles(
        picture,
        cv2.HOUGH_GRADIENT_ALT,
        1.5,
        0.1 * unit,
        param1=EDGE,
        param2=roundness,
        minRadius=round(SMALLEST / 2 * unit),
        maxRadius=round(LARGEST / 2 * unit),
    )
    rims: list[list[NDArray[np.float64]]] = []
    for circle in [] if circles is None else np.asarray(circles, np.float64).reshape(-1, circles.shape[-1])[:, :3]:
        x, y, radius = circle
        same = next((r for r in rims if np.hypot(r[0][0] - x, r[0][1] - y) <= 0.5 * min(radius, r[0][2])), None)
        if same is None:
            rims.append([circle])
        else:
            same.append(circle)
    found = [Dimple(*(float(v) for v in np.mean(rim, axis=0) * [1, 1, 2] / unit)) for rim in rims]
    return tuple(sorted((d for d in found if not _a_character(d, printed)), key=lambda d: (d.across, d.down)))


def _a_character(dimple: Dimple, printed: Sequence[tuple[float, float, float, float]]) -> bool:
    """Whether what is round is an O, or the ring around a number."""
    return any(
        left <= dimple.across <= right and top <= dimple.down <= bottom and dimple.diameter <= 1.2 * (bottom - top)
        for left, top, right, bottom in printed
    )
