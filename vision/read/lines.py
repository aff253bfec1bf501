"""Find the lines of print on a package's top, which way is up, and what each line says."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.faces import crop_line, evened, resized, turned
from vision.geometry import Corners, apply, as_quad, axis_box, box_overlap, quad_overlap, quad_sides
from vision.lexicon import Lexicon
from vision.observations import Face, Line, Reading, Rgb
from vision.read import ctc, neural
from vision.read.reconcile import LEAST_CONFIDENCE, Opinion, glyphs, reconcile
from vision.read.second import SecondReader

_LEAST_BOX_SCORE = 0.45


@dataclass(frozen=True, slots=True)
class _Found:
    """A line seen on an upright face: its corners in face pixels and its pictures' distributions."""

    corners: Corners
    score: float
    distributions: tuple[ctc.Distribution, ...]
    confidence: float
    text: str


def _pictures(image: Rgb, corners: Corners) -> list[Rgb]:
    """Several pictures of one line: tight and loose, plain, stretched, evened and smoothed."""
    out = [crop_line(image, corners)]
    for pad, kinds in ((0.0, ("even",)), (0.12, ("stretched", "even", "smooth"))):
        grey = cv2.cvtColor(crop_line(image, corners, pad=pad), cv2.COLOR_RGB2GRAY)
        low, high = np.percentile(grey, (1, 99.5))
        stretched = np.clip((grey.astype(float) - low) * 255.0 / max(high - low, 10.0), 0, 255).astype(np.uint8)
        made = {
            "stretched": stretched,
            "smooth": cv2.GaussianBlur(stretched, (0, 0), max(0.6, grey.shape[0] / 45)),
            "even": cv2.createCLAHE(2.0, (2, 4)).apply(stretched),
        }
        out += [np.asarray(cv2.cvtColor(made[kind], cv2.COLOR_GRAY2RGB), np.uint8) for kind in kinds]
    return out


_PER_LINE = 5


def _detected(image: Rgb, short_side: int, *, even: bool = False) -> list[tuple[Corners, float]]:
    """Boxes of lines that run left to right, in the image's pixels."""
    scale = min(short_side / min(image.shape[:2]), 1900 / max(image.shape[:2]))
    picture = resized(image, scale)
    if even:
        picture = evened(picture, clip=4.0, tiles=(4, 4))
    boxes = [(b.corners / scale, b.score) for b in neural.detect(picture) if b.score > _LEAST_BOX_SCORE]
    # The detector likes characters of 15 to 60 pixels; much flatter boxes are scratches, much taller ones lie across.
    return [(c, s) for c, s in boxes if quad_sides(c)[0] > 0.75 * quad_sides(c)[1] and quad_sides(c)[1] > 5]


def _quick(image: Rgb, boxes: Sequence[tuple[Corners, float]]) -> list[tuple[str, float]]:
    crops = [crop_line(image, c, pad=0.05) for c, _ in boxes]
    return [ctc.greedy(d, neural.ALPHABET) for d in neural.distributions(crops)] if crops else []


def _sense(readings: Sequence[tuple[str, float]], lexicon: Lexicon) -> float:
    """How much a set of readings looks like a marking the right way up."""
    total = 0.0
    for text, confidence in readings:
        solid = glyphs(text)
        if len(solid) >= 2:
            total += max(0.0, confidence - 0.55) * min(len(solid), 12) * (1.0 + 0.15 * lexicon.plausibility(text))
    return total


@dataclass(frozen=True, slots=True)
class Upright:
    """Which way a top is up, how sure that is (0.25: no print read, to 1), and where print was seen on the way."""

    turn: int
    confidence: float
    boxes: tuple[tuple[Corners, float], ...]
    """Lines on the face once turned."""
    crossing: tuple[tuple[Corners, float], ...]
    """Lines on the face once turned and turned clockwise by one more quarter."""


def upright(face: Face, lexicon: Lexicon) -> Upright:
    """Decide among the four ways round by how well the print reads.

    Parameters
    ----------
    face : Face
        Long side horizontal.
    lexicon : Lexicon

    Returns
    -------
    Upright
    """
    seen: list[list[tuple[Corners, float]]] = []
    for turn in range(4):
        image = turned(face, turn).image
        seen.append(_detected(image, _base_scale(image)) if turn < 2 else _flipped(seen[turn - 2], image))
    senses = [_sense(_quick(turned(face, t).image, seen[t]), lexicon) for t in range(4)]
    total, best = sum(senses), int(np.argmax(senses))
    confidence = senses[best] / total if total > 0 else 0.25
    return Upright(best, float(confidence), tuple(seen[best]), tuple(seen[(best + 1) % 4]))


def _base_scale(image: Rgb) -> int:
    """Short side at which the detector is asked first: square tops carry more and smaller lines than long ones."""
    short, long = sorted(image.shape[:2])
    return 320 if long > 1.5 * short else 480


def _flipped(boxes: Sequence[tuple[Corners, float]], image: Rgb) -> list[tuple[Corners, float]]:
    """The boxes as they stand after half a turn of their image."""
    size = np.array([image.shape[1], image.shape[0]], float)
    return [(np.roll(size - corners, 2, axis=0), score) for corners, score in boxes]


def _unique(boxes: Sequence[tuple[Corners, float]]) -> list[tuple[Corners, float]]:
    """Drop boxes that repeat another one almost exactly (the same line seen at two scales)."""
    kept: list[tuple[Corners, float]] = []
    for corners, score in sorted(boxes, key=lambda b: -b[1]):
        if all(quad_overlap(corners, other) < 0.7 for other, _ in kept):
            kept.append((corners, score))
    return kept


def _same_line(left: Corners, right: Corners) -> bool:
    """Whether two boxes stand beside each other on one baseline."""
    a, b = axis_box(left), axis_box(right)
    height_a, height_b = quad_sides(left)[1], quad_sides(right)[1]
    smaller = min(height_a, height_b)
    if max(height_a, height_b) > 1.6 * smaller:
        return False
    shared = min(a[3], b[3]) - max(a[1], b[1])
    gap = max(a[0], b[0]) - min(a[2], b[2])
    return shared > 0.68 * smaller and -0.35 * height_a < gap < 4.0 * smaller


def _joined(corners: Sequence[Corners]) -> Corners:
    """The box around boxes on one line, along the line's own direction."""
    points = np.vstack(corners)
    across = sum((c[1] - c[0] + c[2] - c[3] for c in corners), np.zeros(2))
    across = across / np.linalg.norm(across)
    down = np.array([-across[1], across[0]])
    u, v = points @ across, points @ down
    ends = [(u.min(), v.min()), (u.max(), v.min()), (u.max(), v.max()), (u.min(), v.max())]
    return np.array([a * across + b * down for a, b in ends])


def _recognised(image: Rgb, boxes: Sequence[Corners]) -> list[tuple[ctc.Distribution, ...]]:
    pictures = [p for corners in boxes for p in _pictures(image, corners)]
    outputs = neural.distributions(pictures) if pictures else []
    return [tuple(outputs[i : i + _PER_LINE]) for i in range(0, len(outputs), _PER_LINE)]


def _found(image: Rgb, boxes: Sequence[tuple[Corners, float]]) -> list[_Found]:
    out = []
    for (corners, score), outputs in zip(boxes, _recognised(image, [c for c, _ in boxes]), strict=True):
        greedy = [ctc.greedy(d, neural.ALPHABET) for d in outputs]
        text, confidence = max(greedy, key=lambda g: g[1])
        out.append(_Found(corners, score, outputs, confidence, text.strip()))
    return out


def _without_fragments(found: Sequence[_Found]) -> list[_Found]:
    """Of boxes that overlap, keep the one that reads more with confidence."""

    def worth(line: _Found) -> float:
        return line.confidence**2 * len(glyphs(line.text))

    kept: list[_Found] = []
    for line in sorted(found, key=worth, reverse=True):
        core = _core(line.corners)
        if worth(line) <= 0 or any(quad_overlap(core, _core(k.corners), of_smaller=True) > 0.4 for k in kept):
            continue
        kept.append(line)
    return kept


def _core(corners: Corners) -> Corners:
    """The middle half of a line's height: the detector's boxes are generous and overlap their neighbours."""
    down = 0.25 * (corners[[3, 2]] - corners[[0, 1]])
    return np.array([corners[0] + down[0], corners[1] + down[1], corners[2] - down[1], corners[3] - down[0]])


def _rows(found: Sequence[_Found]) -> list[list[_Found]]:
    """Group boxes into printed lines, top to bottom, each left to right."""
    rows: list[list[_Found]] = []
    for line in sorted(found, key=lambda f: axis_box(f.corners)[0]):
        home = next((row for row in rows if _same_line(row[-1].corners, line.corners)), None)
        if home is None:
            rows.append([line])
        else:
            home.append(line)
    return sorted(rows, key=lambda row: float(row[0].corners[:, 1].mean()))


def _without_marks(row: Sequence[_Found]) -> list[_Found]:
    """Drop the row's single glyphs that stand apart or differ in size: logos, dimples and neighbouring signs."""
    if len(row) < 2:
        return list(row)
    kept = []
    for index, line in enumerate(row):
        others = [o for i, o in enumerate(row) if i != index and len(glyphs(o.text)) >= 3]
        if len(glyphs(line.text)) <= 2 and others:
            near = min(others, key=lambda o: _gap(o.corners, line.corners))
            heights = quad_sides(near.corners)[1], quad_sides(line.corners)[1]
            if line.confidence < 0.6 or _gap(near.corners, line.corners) > 0.9 * min(heights):
                continue
            if max(heights) > 1.35 * min(heights):
                continue
        kept.append(line)
    return kept


def _gap(one: Corners, other: Corners) -> float:
    a, b = axis_box(one), axis_box(other)
    return max(a[0], b[0]) - min(a[2], b[2])


# A logo before a line is read as one of these; a line of a marking seldom begins with a lone round or small letter.
_ROUND = tuple(f"{c} " for c in "O0QC@®" + "abcdefghijklmnopqrstuvwxyz")


def _without_logo(text: str) -> str:
    return text[2:].lstrip() if text.startswith(_ROUND) and len(glyphs(text)) > 4 else text


def _opinion(row: Sequence[_Found], seconds: Sequence[Reading | None], lexicon: Lexicon) -> Opinion | None:
    parts = [reconcile(f.distributions, s, lexicon) for f, s in zip(row, seconds, strict=True)]
    solid = [p for p in parts if p is not None and p.confidence >= LEAST_CONFIDENCE]
    if not solid:
        return None
    names = list(dict.fromkeys(r.reader for p in solid for r in p.readings))
    readings = tuple(
        Reading(
            name,
            " ".join(r.text for p in solid for r in p.readings if r.reader == name and r.text),
            min((r.confidence for p in solid for r in p.readings if r.reader == name), default=0.0),
        )
        for name in names
    )
    return Opinion(_without_logo(" ".join(p.text for p in solid)), min(p.confidence for p in solid), readings)


def read_face(
    face: Face, seen: Upright, lexicon: Lexicon, *, second_reader: SecondReader | None = None
) -> tuple[Line, ...]:
    """Read the lines of an upright top.

    Parameters
    ----------
    face : Face
        Turned upright.
    seen : Upright
        What was seen when it was turned.
    lexicon : Lexicon
    second_reader : SecondReader, optional
        Asked too where given.

    Returns
    -------
    tuple of Line
        Top to bottom, then what is printed sideways (reading upwards or downwards), marked so.
    """
    rows = [_without_marks(row) for row in _rows(_level(face.image, seen.boxes))]
    members = [f for row in rows for f in row]
    sideways = _sideways(face, members, seen.crossing, lexicon)
    crops = [crop_line(face.image, f.corners, pad=0.1) for f in members]
    crops += [crop_line(t.image, f.corners, pad=0.1) for t, f in sideways]
    seconds = second_reader.read(crops) if second_reader else [None] * len(crops)
    lines: list[Line] = []
    for row in rows:
        own, seconds = seconds[: len(row)], seconds[len(row) :]
        opinion = _opinion(row, own, lexicon)
        if opinion is not None and _worth_saying(opinion):
            corners = _joined([f.corners for f in row])
            lines.append(_line(opinion, corners, face))
    for (side, found), second in zip(sideways, seconds, strict=True):
        opinion = _opinion([found], [second], lexicon)
        if opinion is not None and _worth_saying(opinion) and opinion.confidence > 0.3:
            line = _line(opinion, found.corners, side)
            back = apply(np.linalg.inv(face.to_photo).astype(np.float64), np.array(line.outline))
            lines.append(replace(line, face_outline=as_quad(back), sideways=True))
    return tuple(lines)


def _worth_saying(opinion: Opinion) -> bool:
    """A single glyph is more often a scratch, a logo or a pin number than a line."""
    return len(glyphs(opinion.text)) >= 2


def _level(image: Rgb, known: Sequence[tuple[Corners, float]]) -> list[_Found]:
    """Lines that run left to right, each box once: those seen already and those of a second, evened look."""
    second = _second_scale(image, known)
    boxes = [*known, *_detected(image, second, even=True), *_detected(image, round(1.5 * second))]
    return _without_fragments(_found(image, _unique(boxes)))


def _second_scale(image: Rgb, known: Sequence[tuple[Corners, float]]) -> int:
    """Short side at which the print already seen would be 30 pixels high, within what is worth the time."""
    if not known:
        return 2 * _base_scale(image) // 3
    height = float(np.median([quad_sides(c)[1] for c, _ in known]))
    return int(np.clip(30.0 / height * min(image.shape[:2]), 160, 640))


def _sideways(
    face: Face, level: Sequence[_Found], crossing: Sequence[tuple[Corners, float]], lexicon: Lexicon
) -> list[tuple[Face, _Found]]:
    """Lines printed across, on the parts of the top that carry no level line."""
    taken = [apply(face.to_photo, f.corners) for f in level if f.confidence > 0.6 and len(glyphs(f.text)) >= 3]
    best: list[tuple[Face, _Found]] = []
    most = 1.2  # less sense than a short clear word is no line
    for turn in (1, 3):
        side = turned(face, turn)
        boxes = [
            b
            for b in _unique(crossing if turn == 1 else _flipped(crossing, side.image))
            if quad_sides(b[0])[0] > 1.8 * quad_sides(b[0])[1]
            and all(quad_overlap(apply(side.to_photo, b[0]), t, of_smaller=True) < 0.2 for t in taken)
        ]
        found = [f for f in _without_fragments(_found(side.image, boxes)) if f.confidence > 0.7]
        sense = _sense([(f.text, f.confidence) for f in found], lexicon)
        if sense > most:
            most, best = sense, [(side, f) for f in found]
    return best


def _line(opinion: Opinion, corners: Corners, face: Face) -> Line:
    return Line(
        text=opinion.text,
        confidence=opinion.confidence,
        outline=as_quad(apply(face.to_photo, corners)),
        face_outline=as_quad(corners),
        readings=opinion.readings,
    )


def photo_texts(image: Rgb) -> list[Corners]:
    """Return where print stands anywhere in a photo, at any angle: the seeds for finding packages.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of ndarray of float64, shape (4, 2)
    """
    scale = min(1.0, 1600 / max(image.shape[:2]))
    scale = max(scale, min(2.0, 500 / min(image.shape[:2]))) if scale == 1.0 else scale
    small = resized(image, scale)
    found = [b.corners / scale for b in neural.detect(small)]
    for box in neural.detect(evened(small)):
        corners = box.corners / scale
        near = (o for o in found if box_overlap(axis_box(corners), axis_box(o)) > 0)
        if all(quad_overlap(corners, other, of_smaller=True) < 0.5 for other in near):
            found.append(corners)
    return found
