"""What vision returns: frozen values with units, places and reasons.

Lengths are photo pixels unless a name ends in `_mm` or `_body` (a fraction of the body's short side); angles are
degrees; probabilities 0 to 1. Corner order: clockwise as seen, starting at the upper left of the upright marking.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]
Rgb = NDArray[np.uint8]
Homography = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A measurement that could not be made, and why. It is false, so `if measure:` reads naturally; never a zero."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, slots=True)
class Measure:
    """One value that never travels alone.

    Parameters
    ----------
    value : float
    unit : str
        SI or 'body' (fraction of the body's short side), 'deg', 'ratio'.
    u : float
        Standard uncertainty, same unit.
    n : int
        How many single observations it rests on.
    """

    value: float
    unit: str
    u: float
    n: int

    def __bool__(self) -> bool:
        return True


@dataclass(frozen=True, slots=True)
class PhotoWarning:
    """Something about a photo that makes results worse, and what to do about it."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One reader's opinion of one line."""

    reader: str
    text: str
    confidence: float


@dataclass(frozen=True, slots=True)
class Line:
    """One line of marking: the reconciled text and every reader's own.

    `outline` is in photo pixels, `face_outline` in pixels of the rectified top.
    """

    text: str
    confidence: float
    outline: Quad
    face_outline: Quad
    readings: tuple[Reading, ...]
    sideways: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """The rectified, upright top of one package.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    to_photo : ndarray of float64, shape (3, 3)
        Homography from face pixels (x, y, 1) to photo pixels.
    mm_per_px : float or None
        Along the short side, on the plane of the inspection card; known only where the card is in view.
    """

    image: Rgb
    to_photo: Homography
    mm_per_px: float | None = None


@dataclass(frozen=True, slots=True)
class Observation:
    """One observed fact with a place or a value; judgement gives it its weight.

    Parameters
    ----------
    code : str
        Stable name, e.g. 'lettering-height-differs'.
    family : str
        'text', 'lettering', 'surface', 'body' or 'picture'.
    message : str
        A sentence a customer would understand.
    value, unit, reference : optional
        What was measured, in which unit, and what it was compared with (same unit).
    strength : str
        'slight' or 'clear', by the declared bounds of the measure.
    outline : Quad or None
        Where in the photo.
    """

    code: str
    family: str
    message: str
    value: float | None = None
    unit: str | None = None
    reference: float | None = None
    strength: str = "clear"
    outline: Quad | None = None


@dataclass(frozen=True, slots=True)
class LineLettering:
    """Geometry of one printed line; `line` is its index among the face's lines. Lengths in 'body'.

    `left` and `baseline` place the first character's left edge and the line's baseline from the body's upper left;
    `blur` is the Gaussian sigma that softens the print's edges.
    """

    line: int
    baseline_angle: Measure | NotMeasured
    character_height: Measure | NotMeasured
    character_width: Measure | NotMeasured
    character_spacing: Measure | NotMeasured
    stroke_width: Measure | NotMeasured
    slant: Measure | NotMeasured
    contrast: Measure | NotMeasured
    left: Measure | NotMeasured
    baseline: Measure | NotMeasured
    blur: Measure | NotMeasured


@dataclass(frozen=True, slots=True)
class Lettering:
    """Geometry of what is printed; each entry a Measure or NotMeasured. Medians over the lines of one face."""

    baseline_angle: Measure | NotMeasured
    line_pitch: Measure | NotMeasured
    character_height: Measure | NotMeasured
    character_width: Measure | NotMeasured
    character_spacing: Measure | NotMeasured
    stroke_width: Measure | NotMeasured
    slant: Measure | NotMeasured
    contrast: Measure | NotMeasured
    left_margin: Measure | NotMeasured
    top_margin: Measure | NotMeasured
    lines: tuple[LineLettering, ...] = ()
    """The same line by line, so that equal lines of siblings can be compared with each other."""


@dataclass(frozen=True, slots=True)
class Surface:
    """The texture of the top away from the print; each entry a Measure or NotMeasured."""

    roughness: Measure | NotMeasured
    coherence: Measure | NotMeasured
    direction: Measure | NotMeasured
    gloss: Measure | NotMeasured
    edge_sharpness: Measure | NotMeasured
    old_mark: Measure | NotMeasured
    scratches: Measure | NotMeasured = NotMeasured("not asked for")
    """How much of the texture runs in one narrow direction, as sanding leaves it."""
    grain: Measure | NotMeasured = NotMeasured("not asked for")
    """Strength of the finest texture that the picture's pixels hold."""
    directions: tuple[float, ...] = ()
    """Its power by direction, mean 1, from the reading direction clockwise through 180 degrees; empty if unmeasured."""


@dataclass(frozen=True, slots=True)
class CardMarker:
    """One fiducial of the inspection card; `residual_mm` is how far its corners are from where they should be.

    `place` is 0 to 8, row by row on the card; `used` is false where it contradicts the others.
    """

    place: int
    outline: Quad
    residual_mm: float
    used: bool


@dataclass(frozen=True, slots=True)
class CardCell:
    """One cell of the card: its printed number, the piece's label where the lot could be read, its place in the photo.

    `u_mm` is the standard uncertainty of a place in it, on the card's plane.
    """

    number: int
    label: str | None
    outline: Quad
    u_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class CardView:
    """The inspection card in a photo.

    Parameters
    ----------
    kind : str
        'large' or 'small'.
    lot : str or None
        From its QR code; None where no code could be read.
    page : int
    markers : tuple of CardMarker
    to_photo : ndarray of float64, shape (3, 3)
        Homography from card mm (x to the right, y down, from the field's upper left) to photo pixels.
    mm_per_px : float
        In the middle of the card, on its plane.
    residual_mm : float
        Root mean square distance of the markers' corners from where they should be.
    camera_height : Measure
        Of the camera above the card's plane, mm.
    white_balance : tuple of float, or NotMeasured
        Factors for red, green and blue in linear light that make grey grey.
    tone : tuple of (seen, nominal)
        Relative luminance, paper being 1, as in the photo and as printed; empty where it was not measured.
    cells : tuple of CardCell
        Those that the page has.
    """

    kind: str
    lot: str | None
    page: int
    markers: tuple[CardMarker, ...]
    to_photo: Homography
    mm_per_px: float
    residual_mm: float
    camera_height: Measure
    white_balance: tuple[float, float, float] | NotMeasured
    tone: tuple[tuple[float, float], ...]
    cells: tuple[CardCell, ...]


@dataclass(frozen=True, slots=True)
class TopSize:
    """The sides of a flat top as they measure on the card's plane, mm; the top itself is nearer to the camera.

    A top `h` above the card shows its sides larger by height / (height - h), `height` being the camera's, in every
    direction and wherever it lies: a plane parallel to the card is projected onto it from one point.
    """

    length: Measure
    width: Measure


@dataclass(frozen=True, slots=True, eq=False)
class PieceView:
    """One chip as seen in one photo."""

    outline: Quad
    score: float
    package: str | None
    package_confidence: float
    lines: tuple[Line, ...]
    face: Face
    lettering: Lettering | NotMeasured = NotMeasured("not asked for")
    surface: Surface | NotMeasured = NotMeasured("not asked for")
    observations: tuple[Observation, ...] = ()
    photo: str | None = None
    """SHA-256 of the photo it was seen in; pieces of one photo share light, focus and camera."""
    label: str | None = None
    """Text of a QR label seen beside the chip, if any."""
    looked_for: tuple[str, ...] = ()
    """Codes of observations that could have been made here and were looked for, found or not."""
    cell: int | None = None
    """Number of the inspection card's cell in which it lies, if any."""
    size: TopSize | NotMeasured = NotMeasured("no card in view")
    photo_size: tuple[int, int] | None = None
    """Width and height of that photo: how askew a camera sees a piece depends on where in the photo it lies."""
    around: Rgb | None = None
    """The face with its leads and what else is near (`vision.faces.surroundings`); None where it was not kept."""


@dataclass(frozen=True, slots=True, eq=False)
class PhotoView:
    """One photo and the chips in it; `error` says why it could not be used (then there are no pieces)."""

    path: str
    sha256: str
    width: int
    height: int
    warnings: tuple[PhotoWarning, ...] = ()
    pieces: tuple[PieceView, ...] = ()
    labels: tuple[str, ...] = ()
    """Every QR text seen in the photo."""
    card: CardView | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """Everything seen in a set of photos that make one lot."""

    photos: tuple[PhotoView, ...]
    exemplars: tuple[PhotoView, ...] = ()
    method: dict[str, str] = field(default_factory=dict)
    """Versions, seeds and thresholds that this result depends on."""
