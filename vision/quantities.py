"""What is compared between pieces: each quantity's code, its scale, what genuine pieces differ by, what would show."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.body import Body, find_body
from vision.light import linear_luminance
from vision.matching import MatchedLine, Relative, pitches, relative
from vision.observations import Lettering, LineLettering, Measure, NotMeasured, PieceView, Surface

Value = Measure | NotMeasured


@dataclass(frozen=True, slots=True)
class Quantity:
    """One compared quantity.

    Parameters
    ----------
    code, family : str
        Of the observation.
    subject : str
        Grammatical subject of the sentence, e.g. 'The characters are'.
    more, less : str
        What a positive and a negative difference is called.
    unit : str
    logarithmic : bool
        Differences are ratios.
    allowance : float
        Standard deviation among genuine pieces in different photos, logarithm or unit.
    telling : float
        The smallest difference worth having looked for, logarithm or unit; a comparison that would not have shown it
        does not count as looking.
    """

    code: str
    family: str
    subject: str
    more: str
    less: str
    unit: str
    logarithmic: bool
    allowance: float
    telling: float


# Allowances: common practice, no source. They hold the outline's error (1 to 2 % of the body), the tilt that is left
# after rectifying, ink spread and focus. Telling differences: from memory of re-marked pieces.
HEIGHT = Quantity(
    "lettering-height-differs", "lettering", "The characters are", "taller", "shorter", "body", True, 0.02, 0.25
)
WIDTH = Quantity(
    "lettering-width-differs",
    "lettering",
    "For their height the characters are",
    "wider",
    "narrower",
    "ratio",
    True,
    0.025,
    0.25,
)
SPACING = Quantity(
    "lettering-spacing-differs",
    "lettering",
    "For their height the characters stand",
    "further apart",
    "closer together",
    "ratio",
    True,
    0.02,
    0.2,
)
STROKE = Quantity(
    "lettering-stroke-differs",
    "lettering",
    "For their height the strokes are",
    "thicker",
    "thinner",
    "ratio",
    True,
    0.08,
    0.5,
)
PITCH = Quantity(
    "lettering-pitch-differs",
    "lettering",
    "The lines stand",
    "further apart",
    "closer together",
    "body",
    True,
    0.02,
    0.25,
)
SLANT = Quantity(
    "lettering-slant-differs",
    "lettering",
    "The characters lean",
    "more to the right",
    "more to the left",
    "deg",
    False,
    1.2,
    8.0,
)
ANGLE = Quantity(
    "lettering-angle-differs",
    "lettering",
    "The lines of print are turned",
    "clockwise",
    "anticlockwise",
    "deg",
    False,
    0.9,
    6.0,
)
LEFT = Quantity(
    "lettering-position-differs",
    "lettering",
    "The marking begins",
    "further right",
    "further left",
    "body",
    False,
    0.03,
    0.2,
)
DOWN = Quantity(
    "lettering-position-differs", "lettering", "The marking stands", "lower", "higher", "body", False, 0.025, 0.15
)
CONTRAST = Quantity(
    "lettering-contrast-differs",
    "lettering",
    "The marking stands out from the body",
    "more",
    "less",
    "ratio",
    False,
    0.08,
    0.5,
)
ROUGHNESS = Quantity("surface-differs", "surface", "The top is", "rougher", "smoother", "ratio", True, 0.15, 1.0)
COHERENCE = Quantity(
    "surface-sanded",
    "surface",
    "Fine lines on the top run in one direction",
    "more",
    "less",
    "ratio",
    False,
    0.05,
    0.35,
)
SCRATCHES = Quantity(
    "surface-sanded", "surface", "Fine lines on the top run in one direction", "more", "less", "ratio", False, 0.05, 0.5
)
GLOSS = Quantity("surface-differs", "surface", "The top is", "shinier", "duller", "ratio", False, 0.08, 0.6)
ASPECT = Quantity(
    "body-size-differs", "body", "For its width the body is", "longer", "shorter", "ratio", True, 0.03, 0.25
)
SIZE = Quantity("body-size-differs", "body", "The body is", "wider", "narrower", "mm", True, 0.015, 0.1)

BLUR_EXPONENT = 0.5
RESOLUTION_EXPONENT = 0.5
"""Texture measured falls by about the root of blur and of pixel size relative to the others' (from renderings of this
project's tests); the whole effect is added to the allowance of roughness, not corrected for."""


@dataclass(frozen=True, slots=True)
class Column:
    """One quantity over all pieces, None where it was not measured, with an extra allowance a piece."""

    quantity: Quantity
    entries: tuple[Relative | None, ...]
    extra: tuple[float, ...]


def columns(views: Sequence[PieceView], matched: Sequence[Sequence[MatchedLine]]) -> list[Column]:
    """Return every quantity of every piece, lettering line by line against the group's equal lines."""
    none = (0.0,) * len(views)
    bodies = [find_body(linear_luminance(v.face.image)) for v in views]
    side = tuple(b.u for b in bodies)
    along = _stretch(bodies)
    table = [
        Column(HEIGHT, tuple(relative(matched, _one("character_height"), logarithmic=True)), side),
        Column(WIDTH, tuple(relative(matched, _over_height("character_width"), logarithmic=True, factors=along)), none),
        Column(
            SPACING, tuple(relative(matched, _over_height("character_spacing"), logarithmic=True, factors=along)), none
        ),
        Column(STROKE, tuple(relative(matched, _over_height("stroke_width"), logarithmic=True)), none),
        Column(PITCH, tuple(pitches(matched)), side),
        Column(SLANT, tuple(relative(matched, _one("slant"), logarithmic=False)), none),
        Column(ANGLE, tuple(relative(matched, _one("baseline_angle"), logarithmic=False)), none),
        Column(LEFT, tuple(relative(matched, _one("left"), logarithmic=False, same_length=True, factors=along)), side),
        Column(DOWN, tuple(relative(matched, _one("baseline"), logarithmic=False)), side),
        Column(CONTRAST, tuple(relative(matched, _one("contrast"), logarithmic=False)), none),
    ]
    extra = _texture_allowance(views)
    table.append(Column(ROUGHNESS, _surface(views, lambda s: s.roughness, True), extra))
    table.append(Column(COHERENCE, _surface(views, lambda s: s.coherence, False), none))
    table.append(Column(SCRATCHES, _surface(views, lambda s: s.scratches, False), none))
    table.append(Column(GLOSS, _surface(views, lambda s: s.gloss, False), none))
    table.append(Column(ASPECT, tuple(_aspect(b) for b in bodies), side))
    table.append(Column(SIZE, tuple(_size(v, b) for v, b in zip(views, bodies, strict=True)), side))
    return table


def _one(name: str) -> Callable[[LineLettering], tuple[float, float] | None]:
    """Pick one measure of a line."""

    def pick(line: LineLettering) -> tuple[float, float] | None:
        value = getattr(line, name)
        return (value.value, value.u) if isinstance(value, Measure) else None

    return pick


def _over_height(name: str) -> Callable[[LineLettering], tuple[float, float] | None]:
    """Pick one length over the character height, which takes the outline's error out."""

    def pick(line: LineLettering) -> tuple[float, float] | None:
        value, height = getattr(line, name), line.character_height
        if not (isinstance(value, Measure) and isinstance(height, Measure)) or value.value <= 0 or height.value <= 0:
            return None
        ratio = value.value / height.value
        return ratio, ratio * float(np.hypot(value.u / value.value, height.u / height.value))

    return pick


def _surface(
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
    return _as_the_others(found) if not logarithmic else tuple(found)


def _as_the_others(entries: Sequence[Relative | None]) -> tuple[Relative | None, ...]:
    """Cap each uncertainty at the group's median: the question is how much a piece like the others would scatter.

    A patchily sanded top scatters most itself, and must not excuse itself by it.
    """
    known = [e.u for e in entries if e is not None]
    if not known:
        return tuple(entries)
    usual = float(np.median(known))
    return tuple(replace(e, u=min(e.u, usual)) if e is not None else None for e in entries)


def _texture_allowance(views: Sequence[PieceView]) -> tuple[float, ...]:
    """What focus and pixel size may do to each piece's roughness, against the group's median."""
    blurs = [_blur(v) for v in views]
    known = [b for b in blurs if b is not None]
    middle = float(np.median(known)) if known else None
    shorts = [np.log(min(v.face.image.shape[:2])) for v in views]
    centre = float(np.median(shorts))
    extra = []
    for blur, short in zip(blurs, shorts, strict=True):
        focus = BLUR_EXPONENT * abs(blur - middle) if blur is not None and middle is not None else 0.0
        extra.append(float(np.hypot(focus, RESOLUTION_EXPONENT * abs(short - centre))))
    return tuple(extra)


def _blur(view: PieceView) -> float | None:
    """Logarithm of the print's blur."""
    if not isinstance(view.lettering, Lettering):
        return None
    values = [
        line.blur.value for line in view.lettering.lines if isinstance(line.blur, Measure) and line.blur.value > 0
    ]
    return float(np.log(np.median(values))) if values else None


def _stretch(bodies: Sequence[Body]) -> list[float]:
    """What brings each face to the group's median proportions, so that lengths along a line are shares of the body's.

    A photo's perspective leaves a face stretched by some percent one way; the body is stretched with its print.
    """
    ratios = np.array([(b.x1 - b.x0) / (b.y1 - b.y0) for b in bodies])
    # Another package beside this one would be no stretch: pieces of one group are of one kind, within a fifth.
    factors = np.median(ratios) / ratios
    return [float(f) if 0.8 < f < 1.25 else 1.0 for f in factors]


def _aspect(body: Body) -> Relative:
    """Long over short side of the top."""
    return Relative(float(np.log(body.aspect)), body.u, body.aspect)


def _size(view: PieceView, body: Body) -> Relative | None:
    """Short side in millimetres, where the card gives a scale."""
    if view.face.mm_per_px is None:
        return None
    size = body.short * view.face.mm_per_px
    return Relative(float(np.log(size)), body.u, size)
