"""The same line of print on several pieces, laid over each other: is it of one typeface, how large, and where.

The clearest piece's line is the pattern. Every other piece's is brought over it by the affine map that makes the two
pictures most alike (enhanced correlation, Evangelidis & Psarakis 2008), which takes size, place, tilt and the body's
own proportions out. What then still differs, character cell by character cell, is the shape of the characters.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.between import LaidTop, strokes_of_their_own
from vision.light import FloatImage, Mask
from vision.matching import MatchedLine
from vision.observations import Measure
from vision.registration import at, laid_over, sizes_of
from vision.seat import Seat, seats
from vision.tops import Box, Top
from vision.typeface import LEAST_CELLS, LEAST_LIKENESS, LEAST_PIECES, Alike, likenesses, plain

AROUND = 0.15
"""Ground around a line that belongs to its pattern, line heights."""
CLEAR_ENOUGH = 0.6
"""Of lines that stand out by this part of the best, the one that is least turned is the pattern (common practice)."""
ODD = 0.08
"""A pattern that is less alike than any other line by so much is not the usual one (common practice, no source)."""
RIM, ENDS = 0.1, 0.22
"""Left out along the long and the short edges where older marks are looked for, body units: there a slightly other
outline shows, and at the ends the notch (common practice, no source)."""
OWN = 0.6
"""Part of a line's level from which it is its print (common practice, no source)."""
MOSTLY = 0.6
"""Part of the characters that two lines must have at the same places to be laid over each other (common practice)."""


@dataclass(frozen=True, slots=True)
class Fit:
    """One piece's line against the pattern.

    Parameters
    ----------
    x, y : float
        Where the line's middle lies, short sides of the common body from the upper left of the outline.
    wide : float
        Length of the line against the pattern's, for bodies of one length.
    left, right, top, bottom : float
        How far the outline's sides lie from the line's middle if this piece's line were exactly as large as the
        pattern, in the same unit, all positive.
    above, below : float
        The same for the body's edges as they show inside the outline.
    alike : Alike
        How like its characters are to the others'.
    strokes : float or None
        From `vision.between`, on the line that most pieces share; None on the others.
    seat : float or None
        Where the line's middle lies along the leads, short sides; from `vision.seat`, None where they do not show.
    length : float or None
        Logarithm of the line's length against the pattern's, for combs of leads of one length.
    """

    x: float
    y: float
    wide: float
    left: float
    right: float
    top: float
    bottom: float
    above: float
    below: float
    alike: Alike
    strokes: float | None = None
    seat: float | None = None
    length: float | None = None


def fits(tops: Mapping[int, Top], matched: Sequence[Sequence[MatchedLine]], rows: int) -> list[dict[int, Fit]]:
    """Lay every line that at least three pieces share over its clearest instance.

    Parameters
    ----------
    tops : mapping of int to Top
        The pieces that share a line, brought to one size.
    matched : sequence of sequences of MatchedLine
        From `vision.matching.match_lines`, of all pieces.
    rows : int
        Short side of the bodies there.

    Returns
    -------
    list of dict of int to Fit
        One entry a slot.
    """
    shared = shared_lines(matched)
    if not shared:
        return []
    seated = seats({k: top.combs for k, top in tops.items() if top.combs is not None}, rows)
    strange = strange_lines(matched)
    most = max(sorted(shared), key=lambda slot: len(shared[slot]))
    return [_slot(tops, of, seated, rows, strange if slot == most else {}) for slot, of in sorted(shared.items())]


def shared_lines(matched: Sequence[Sequence[MatchedLine]]) -> dict[int, dict[int, MatchedLine]]:
    """Return the lines that at least three pieces share: slot to piece to line."""
    members: dict[int, dict[int, MatchedLine]] = {}
    for k, lines in enumerate(matched):
        for line in lines:
            members.setdefault(line.slot, {})[k] = line
    return {slot: of for slot, of in members.items() if len(of) >= LEAST_PIECES}


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Equal lines laid over one of them."""

    source: int
    shape: tuple[int, ...]
    corner: tuple[int, int]
    maps: dict[int, NDArray[np.float64]]
    alike: dict[int, Alike]

    def odd_pattern(self) -> bool:
        """Whether the pattern is itself the least alike: then the others were bent to the odd one."""
        known = {k: a.likeness for k, a in self.alike.items() if a.likeness is not None}
        own = known.pop(self.source, None)
        return own is not None and bool(known) and own < min(known.values()) - ODD


def _slot(
    tops: Mapping[int, Top],
    members: dict[int, MatchedLine],
    seated: Mapping[int, Seat],
    rows: int,
    strange: Mapping[int, Sequence[int]],
) -> dict[int, Fit]:
    """Fit one line of all pieces to the clearest one."""
    texts = [line.text for line in members.values()]
    usual = max(set(texts), key=lambda t: (texts.count(t), t))
    eligible = {k: line for k, line in members.items() if line.text == usual}
    laid = _laid_over(tops, members, _pattern_piece(tops, eligible))
    if laid is not None and laid.odd_pattern() and len(eligible) > 1:
        del eligible[laid.source]
        laid = _laid_over(tops, members, _pattern_piece(tops, eligible)) or laid
    if laid is None:
        return {}
    between = _between(tops, laid, strange, rows) if strange else {}
    return {k: _fit(tops[k], laid, k, seated.get(k), between.get(k), rows) for k in laid.maps}


def _laid_over(tops: Mapping[int, Top], members: dict[int, MatchedLine], source: int) -> _Laid | None:
    """Lay all lines over one of them; None where fewer than three are found."""
    pattern, corner = _pattern(tops[source], members[source])
    if min(pattern.shape) < 6:
        return None
    like = [k for k in members if _of_one_text(members[k].text, members[source].text)]
    maps = {k: laid_over(pattern, corner, tops[source], tops[k], (members[source], members[k])) for k in like}
    found = {k: m for k, m in maps.items() if m is not None}
    if len(found) < LEAST_PIECES:
        return None
    alike = _alike(tops, found, pattern.shape, members)
    found = {k: m for k, m in found.items() if k in alike}
    return _Laid(source, pattern.shape, corner, found, alike) if len(found) >= LEAST_PIECES else None


def _fit(top: Top, laid: _Laid, k: int, seat: Seat | None, strokes: float | None, rows: int) -> Fit:
    """Where one piece's line lies on its body, and how large it is."""
    m = laid.maps[k]
    x, y = (float(v) + 0.5 for v in at(m, 0.5 * (laid.shape[1] - 1), 0.5 * (laid.shape[0] - 1)))
    x0, y0, x1, y1 = top.face
    along = sizes_of(m, laid.shape)[0]
    unit = along * rows
    return Fit(
        x=(x - x0) / rows, y=(y - y0) / rows, wide=along,
        left=(x - x0) / unit, right=(x1 - x) / unit, top=(y - y0) / unit, bottom=(y1 - y) / unit,
        above=(y - top.body[1]) / unit, below=(top.body[3] - y) / unit,
        alike=laid.alike[k], strokes=strokes,
        seat=None if seat is None else seat.place(x, (y - y0) / (y1 - y0)) / rows,
        length=None if seat is None else float(np.log(along / seat.longer())),
    )  # fmt: skip


def _alike(
    tops: Mapping[int, Top],
    maps: dict[int, NDArray[np.float64]],
    shape: tuple[int, ...],
    members: dict[int, MatchedLine],
) -> dict[int, Alike]:
    """How like each line is to the others; those that were laid wrongly are left out, for they would spoil the rest."""
    patches = {k: _patch(tops[k].image, m, shape) for k, m in maps.items()}
    while True:
        keys = list(patches)
        alike = likenesses(patches, {k: tops[k].noise for k in keys}, {k: members[k].text for k in keys})
        astray = {k: a.likeness for k, a in alike.items() if a.likeness is not None and a.likeness < LEAST_LIKENESS}
        if not astray or len(keys) < LEAST_PIECES:
            return alike
        del patches[min(astray, key=lambda k: astray[k] or 0.0)]


def _between(tops: Mapping[int, Top], laid: _Laid, strange: Mapping[int, Sequence[int]], rows: int) -> dict[int, float]:
    """Lay whole tops over the pattern's and ask what stands between the characters."""
    corner, shape = laid.corner, tops[laid.source].image.shape

    def whole_top(k: int) -> LaidTop:
        whole = laid.maps[k] @ np.array([[1.0, 0.0, -corner[0]], [0.0, 1.0, -corner[1]], [0.0, 0.0, 1.0]])

        def as_pattern(mask: NDArray[np.uint8]) -> Mask:
            flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
            return np.asarray(cv2.warpPerspective(mask, whole, (shape[1], shape[0]), flags=flags) > 0)

        inside, ink = as_pattern(_within(tops[k], rows)), as_pattern(_own_print(tops[k], strange[k]))
        return LaidTop(_patch(tops[k].image, whole, shape), inside, ink, as_pattern(_boxes(tops[k])))

    return strokes_of_their_own(list(laid.maps), whole_top, rows)


def strange_lines(matched: Sequence[Sequence[MatchedLine]]) -> dict[int, list[int]]:
    """Return which lines of each piece say what most of its siblings do not: another date is no older marking."""
    found = {}
    for k, lines in enumerate(matched):
        said = [{(line.slot, _bare(line.text)) for line in other} for j, other in enumerate(matched) if j != k]
        found[k] = [
            line.geometry.line
            for line in lines
            if 2 * sum((line.slot, _bare(line.text)) in one for one in said) < len(said)
        ]
    return found


def _within(top: Top, rows: int) -> NDArray[np.uint8]:
    """1 well within the body's rim."""
    rim, ends = RIM * rows, ENDS * rows
    x0, y0, x1, y1 = top.body
    within = np.zeros(top.image.shape, np.uint8)
    within[round(y0 + rim) : round(y1 - rim), round(x0 + ends) : round(x1 - ends)] = 1
    return within


def _own_print(top: Top, strange: Sequence[int]) -> NDArray[np.uint8]:
    """1 on what is strong in lines that are this piece's own; fainter strokes among them may be an older mark's."""
    ink = np.zeros(top.image.shape, np.uint8)
    for number in strange:
        place = _around(top.printed[number])
        box = top.image[place]
        if box.size < 20:
            continue
        high, low = float(np.percentile(box, 92)), float(np.percentile(box, 8))
        level = high if high > -low else low
        strong = (box * np.sign(level) > OWN * abs(level)).astype(np.uint8)
        ink[place] |= cv2.dilate(strong, np.ones((5, 5), np.uint8)).astype(np.uint8)
    return ink


def _boxes(top: Top) -> NDArray[np.uint8]:
    """1 in the reader's boxes."""
    boxes = np.zeros(top.image.shape, np.uint8)
    for printed in top.printed:
        boxes[_around(printed)] = 1
    return boxes


def _around(box: Box) -> tuple[slice, slice]:
    """The rows and columns of a box and two pixels around it."""
    left, upper, right, lower = box
    return slice(max(0, int(upper) - 2), int(lower) + 3), slice(max(0, int(left) - 2), int(right) + 3)


def _pattern_piece(tops: Mapping[int, Top], members: Mapping[int, MatchedLine]) -> int:
    """The piece whose line is the pattern: of the clear ones the one whose outline is most like the others'.

    An outline that leans makes one end of its line larger than the other, and every other line must then be bent to it.
    """
    clear = {k: _clear(tops[k], line) for k, line in members.items()}
    shapes = {k: _shape_of(tops[k], line) for k, line in members.items()}
    usual = np.median(list(shapes.values()), axis=0)
    good = [k for k in sorted(members) if clear[k] >= CLEAR_ENOUGH * max(clear.values())]
    return min(good, key=lambda k: float(np.abs(shapes[k] - usual).sum()))


def _shape_of(top: Top, line: MatchedLine) -> NDArray[np.float64]:
    """What a leaning outline changes: the body's proportions and the line's turn."""
    x0, y0, x1, y1 = top.body
    angle = line.geometry.baseline_angle
    turn = np.radians(angle.value) if isinstance(angle, Measure) else 0.0
    return np.array([np.log((x1 - x0) / (y1 - y0)), 3 * turn])


def _clear(top: Top, line: MatchedLine) -> float:
    """Contrast of a line over the noise of its body."""
    contrast = line.geometry.contrast
    return abs(contrast.value) / max(top.noise, 1e-4) if isinstance(contrast, Measure) else 0.0


def _pattern(top: Top, line: MatchedLine) -> tuple[FloatImage, tuple[int, int]]:
    """Cut the pattern out, and where its upper left pixel was."""
    x0, y0, x1, y1 = top.boxes[line.geometry.line]
    pad = AROUND * (y1 - y0)
    rows, columns = top.image.shape
    left, upper = max(0, round(x0 - pad)), max(0, round(y0 - pad))
    right, lower = min(columns, round(x1 + pad)), min(rows, round(y1 + pad))
    return top.image[upper:lower, left:right], (left, upper)


def _patch(image: FloatImage, matrix: NDArray[np.float64], shape: tuple[int, ...]) -> FloatImage:
    """The line as the pattern shows it."""
    size = (shape[1], shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpPerspective(image, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _of_one_text(one: str, other: str) -> bool:
    """Whether most characters stand at their place in both: two date codes of one shape are not the same print."""
    a, b = plain(one), plain(other)
    same = sum(x == y for x, y in zip(a, b, strict=False)) if len(a) == len(b) else 0
    if len(a) != len(b):
        same = sum(block.size for block in SequenceMatcher(None, a, b, autojunk=False).get_matching_blocks())
    return same >= max(LEAST_CELLS, MOSTLY * max(len(a), len(b)))


def _bare(text: str) -> str:
    """Letters and digits alone: a speck read as a full stop is no other marking."""
    return "".join(char for char in plain(text) if char.isalnum())
