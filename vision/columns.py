"""Every compared quantity of every piece of a group, as offsets from the group, ready to be judged."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from vision.body import Body, find_body
from vision.landmarks import Shift, shifts
from vision.light import linear_luminance
from vision.likeness import Fit, fits, shared_lines
from vision.matching import MatchedLine, Relative, averaged, pitches, relative
from vision.observations import LineLettering, Measure, PieceView
from vision.places import FITTED_U, SIDES, Places, seen_straight
from vision.quantities import (
    ACROSS,
    ANGLE,
    ASPECT,
    BELOW,
    BETWEEN,
    COHERENCE,
    CONTRAST,
    DOWN,
    GLOSS,
    GRAIN,
    HEIGHT,
    LEFT,
    LENGTH,
    LINED,
    PITCH,
    ROUGHNESS,
    SCRATCHES,
    SHAPE,
    SIZE,
    SLANT,
    SPACING,
    STEPS,
    STROKE,
    WIDTH,
    Quantity,
)
from vision.textures import as_the_others, lined, softened, surface, texture_allowance
from vision.tops import Top, body_of, common_size, laid_out

STROKE_SHARE = 0.12
"""What a difference in stroke width, as a logarithm, takes from likeness: correlation hardly sees an even thickening
that the eye does (common practice, no source)."""
NOISE_SHARE, CUT_SHARE = 0.12, 0.3
"""What likeness may lose to a noise that was taken wrongly, on a line that is all noise, and to a line that runs out of
an outline which is off by its whole length (common practice, no source)."""
STRAIGHT, LEANS = 0.8, 1.6
"""Degrees by which genuine print is turned, and half the length of a body, short sides: beyond the first it is rather
the outline that leans, and that moves its ends (common practice, no source)."""
MISREAD = 0.03
"""What likeness may lose on a line that was read otherwise than its siblings': dirt, or laid a little wrongly."""
TILT = 20.0
"""Degrees by which an outline that is off by its whole size may be turned (common practice, no source)."""
NEARER = 0.05
"""Siblings in one photo differ in size by this much, for one lies nearer to the camera (common practice)."""
STEPS_U = 0.002
STROKES_U = 0.001
BENT = 0.02
"""What strokes of its own a body leaves that leans by its whole size: one line does not tell where its corners lie."""
SHEAR = 40.0
"""Degrees of apparent slant that an outline off by its whole width would leave, for the extra allowance of a slant."""


@dataclass(frozen=True, slots=True)
class Column:
    """One quantity over all pieces, None where it was not measured, with an extra allowance a piece.

    `light` is the logarithm of each top's luminance where the quantity follows it within one photo.
    """

    quantity: Quantity
    entries: tuple[Relative | None, ...]
    extra: tuple[float, ...]
    light: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Seen:
    """A top's edges, by large steps alone and by small ones, too, and the logarithm of its luminance."""

    coarse: Body
    fine: Body
    light: float


def _seen(view: PieceView) -> _Seen:
    """One piece at a time: the luminances of all would fill the memory."""
    luminance = linear_luminance(view.face.image)
    coarse = find_body(luminance)
    fine = body_of(view, luminance, coarse)
    return _Seen(coarse, fine, float(np.log(np.median(luminance[::3, ::3]))))


def columns(views: Sequence[PieceView], matched: Sequence[Sequence[MatchedLine]]) -> list[Column]:
    """Return every quantity of every piece, lettering line by line against the group's equal lines."""
    none = (0.0,) * len(views)
    seen = [_seen(view) for view in views]
    bodies = [one.coarse for one in seen]
    along = _stretch(bodies)
    side = tuple(float(np.hypot(b.u, np.log(f))) for b, f in zip(bodies, along, strict=True))
    # Whether a face is stretched or its outline cut short the picture does not tell: half of the factor is doubt.
    doubt = tuple(0.5 * abs(float(np.log(f))) for f in along)
    sheared = tuple(SHEAR * abs(float(np.log(f))) for f in along)
    cut, squeezed = _cut_short(views, bodies)
    tilted = tuple(TILT * max(pair) for pair in zip(cut, squeezed, strict=True))
    tall = tuple(float(np.hypot(s, q)) for s, q in zip(side, squeezed, strict=True))
    height, ratio = relative(matched, _one("character_height"), logarithmic=True), _over_height
    table = [
        Column(HEIGHT, tuple(height), tall),
        Column(WIDTH, tuple(relative(matched, ratio("character_width"), logarithmic=True, factors=along)), doubt),
        Column(SPACING, tuple(relative(matched, ratio("character_spacing"), logarithmic=True, factors=along)), doubt),
        Column(STROKE, tuple(relative(matched, ratio("stroke_width"), logarithmic=True)), none),
        Column(PITCH, tuple(pitches(matched)), none),
        Column(SLANT, tuple(relative(matched, _one("slant"), logarithmic=False)), sheared),
        Column(ANGLE, tuple(relative(matched, _one("baseline_angle"), logarithmic=False)), tilted),
        Column(CONTRAST, tuple(relative(matched, _one("contrast"), logarithmic=False)), none),
    ]
    laid, unsharp = _laid_over(views, seen, matched, relative(matched, ratio("stroke_width"), logarithmic=True))
    table += laid
    if not any(any(column.entries) for column in laid):
        left = relative(matched, _one("left"), logarithmic=False, same_length=True, factors=along)
        table.append(Column(LEFT, tuple(left), side))
        table.append(Column(DOWN, tuple(relative(matched, _one("baseline"), logarithmic=False)), side))
    extra = texture_allowance(views)
    light = tuple(one.light for one in seen)
    rough = surface(views, lambda s: s.roughness, True)
    table.append(Column(ROUGHNESS, rough, softened(rough, extra, unsharp), light))
    table.append(Column(COHERENCE, surface(views, lambda s: s.coherence, False), none))
    table.append(Column(SCRATCHES, surface(views, lambda s: s.scratches, False), none))
    table.append(Column(GLOSS, surface(views, lambda s: s.gloss, False), none))
    fine = surface(views, lambda s: s.grain, True)
    table.append(Column(GRAIN, fine, softened(fine, extra, unsharp), light))
    table.append(Column(LINED, lined(views), none))
    table.append(Column(ASPECT, tuple(_aspect(b) for b in bodies), none))
    table.append(Column(SIZE, tuple(_size(v, b) for v, b in zip(views, bodies, strict=True)), side))
    return table


def _laid_over(
    views: Sequence[PieceView],
    seen: Sequence[_Seen],
    matched: Sequence[Sequence[MatchedLine]],
    strokes: Sequence[Relative | None],
) -> tuple[list[Column], tuple[float, ...]]:
    """What shows when equal lines of the group are laid over each other, and how much less sharp each piece's is."""
    coarse, bodies = [one.coarse for one in seen], [one.fine for one in seen]
    sharing = sorted({k for of in shared_lines(matched).values() for k in of})
    size = common_size([bodies[k] for k in sharing] or bodies)
    tops = {k: laid_out(views[k], bodies[k], coarse[k], size) for k in sharing}
    slots = fits(tops, matched, size[0])
    count, none = len(views), (0.0,) * len(views)
    alike: dict[tuple[int, int], dict[int, tuple[float, float]]] = {}
    steps: dict[tuple[int, int], dict[int, tuple[float, float]]] = {}
    own: list[Relative | None] = [None] * count
    noisy = [0.0] * count
    for number, fitted in enumerate(slots):
        for k, fit in fitted.items():
            if fit.alike.likeness is not None:
                alike.setdefault((number, 0), {})[k] = (fit.alike.likeness, fit.alike.u)
            if fit.alike.steps is not None:
                steps.setdefault((number, 0), {})[k] = (fit.alike.steps, STEPS_U)
            misread = 0.0 if fit.alike.read_alike else MISREAD
            noisy[k] = max(noisy[k], float(np.hypot(NOISE_SHARE * (1 - fit.alike.reliable), misread)))
            if fit.strokes is not None:
                own[k] = Relative(fit.strokes, STROKES_U, fit.strokes)
    sides = {name: _side(slots, count, name) for name in SIDES}
    cut, squeezed = _cut_short(views, bodies)
    leaning = _leaning(matched)
    aside = tuple(float(np.hypot(c, lean)) for c, lean in zip(cut, leaning, strict=True))
    shape_doubt = tuple(float(np.hypot(n, CUT_SHARE * c)) for n, c in zip(noisy, cut, strict=True))
    places = Places(sides, seen_straight(views, sides["seat"]), _slid(views, tops, sides["seat"], size[0]))
    laid = [
        Column(SHAPE, as_the_others(_shaped(averaged(alike, count, False), strokes)), shape_doubt),
        Column(STEPS, tuple(averaged(steps, count, False)), none),
        Column(BETWEEN, tuple(own), tuple(BENT * a for a in aside)),
        Column(LENGTH, places.larger(), leaning),
        Column(ACROSS, places.across(), aside),
        Column(
            BELOW, places.down(), tuple(float(np.hypot(s, lean)) for s, lean in zip(squeezed, leaning, strict=True))
        ),
    ]
    return laid, _unsharp(slots, count)


def _unsharp(slots: Sequence[dict[int, Fit]], count: int) -> tuple[float, ...]:
    """By how much less of a piece's print is in its edges than of its siblings', logarithm, never below 0."""
    sharp = averaged(
        {
            (number, 0): {k: (fit.alike.sharp, 0.0) for k, fit in fitted.items() if fit.alike.sharp is not None}
            for number, fitted in enumerate(slots)
        },
        count,
        False,
    )
    known = [s.offset for s in sharp if s is not None]
    usual = median(known) if known else 0.0
    return tuple(0.0 if s is None else max(0.0, usual - s.offset) for s in sharp)


def _slid(
    views: Sequence[PieceView], tops: Mapping[int, Top], seats: Sequence[Relative | None], rows: int
) -> dict[int, Shift]:
    """How far outlines are apart by what is moulded into the tops, where no leads tell it."""
    members = [k for k in tops if seats[k] is None]
    return shifts({k: views[k] for k in tops}, tops, rows) if members else {}


def _cut_short(views: Sequence[PieceView], bodies: Sequence[Body]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """By what share more than perspective allows a body is longer, and wider, than its siblings beside it, in pixels.

    Siblings in one photo are of one size: an outline that is not has lost an end or taken one for itself.
    """
    sizes = np.log([[b.x1 - b.x0, b.y1 - b.y0] for b in bodies])
    doubt = []
    for k, view in enumerate(views):
        beside = [sizes[j] for j, other in enumerate(views) if j != k and other.photo == view.photo]
        away = np.abs(sizes[k] - np.median(beside, axis=0)) if len(beside) > 1 else np.zeros(2)
        doubt.append(np.maximum(0.0, away - NEARER))
    return tuple(float(d[0]) for d in doubt), tuple(float(d[1]) for d in doubt)


def _leaning(matched: Sequence[Sequence[MatchedLine]]) -> tuple[float, ...]:
    """How far an outline that leans may be off along the body, by how its print is turned against the siblings'."""
    turned = relative(matched, _one("baseline_angle"), logarithmic=False)
    known = [t.offset for t in turned if t is not None]
    usual = median(known) if known else 0.0
    away = [0.0 if t is None else max(0.0, abs(t.offset - usual) - STRAIGHT) for t in turned]
    return tuple(LEANS * float(np.tan(np.radians(min(degrees, 20.0)))) for degrees in away)


def _side(slots: Sequence[dict[int, Fit]], count: int, name: str) -> list[Relative | None]:
    """One length of the fits of every piece, against the group's, over its lines."""
    table = {
        (number, 0): {
            k: (float(value), FITTED_U) for k, fit in fitted.items() if (value := getattr(fit, name)) is not None
        }
        for number, fitted in enumerate(slots)
    }
    return averaged(table, count, False)


def _shaped(alike: Sequence[Relative | None], strokes: Sequence[Relative | None]) -> tuple[Relative | None, ...]:
    """Likeness of the characters' shapes, less what a bolder or a lighter stroke adds to their difference."""
    known = [s.offset for s in strokes if s is not None]
    usual = median(known) if known else 0.0
    found: list[Relative | None] = []
    for shape, stroke in zip(alike, strokes, strict=True):
        bolder = STROKE_SHARE * abs(stroke.offset - usual) if stroke is not None else 0.0
        found.append(
            None if shape is None else replace(shape, offset=shape.offset - bolder, value=shape.value - bolder)
        )
    return tuple(found)


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


def _stretch(bodies: Sequence[Body]) -> list[float]:
    """What brings each face to the group's median proportions, so that lengths along a line are shares of the body's.

    A photo's perspective leaves a face stretched by some percent one way; the body is stretched with its print. The
    factor's distance from 1 also tells how far an outline may be off.
    """
    ratios = np.array([(b.x1 - b.x0) / (b.y1 - b.y0) for b in bodies])
    # Beyond a third it is another package and no stretch.
    factors = np.median(ratios) / ratios
    return [float(np.clip(f, 0.75, 1.33)) for f in factors]


def _aspect(body: Body) -> Relative:
    """Long over short side of the top."""
    return Relative(float(np.log(body.aspect)), body.u, body.aspect)


def _size(view: PieceView, body: Body) -> Relative | None:
    """Short side in millimetres, where the card gives a scale."""
    if view.face.mm_per_px is None:
        return None
    size = body.short * view.face.mm_per_px
    return Relative(float(np.log(size)), body.u, size)
