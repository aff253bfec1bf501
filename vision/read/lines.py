"""Find the lines of print on an upright top and say what each reads.

The bounds here are common practice, no source: set by eye on photographs of chips.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.faces import crop_line, turned, with_air
from vision.geometry import Corners, apply, as_quad, quad_overlap, quad_sides
from vision.lexicon import Lexicon
from vision.observations import Face, Line, Reading, Rgb
from vision.read import ctc, neural
from vision.read.ends import to_the_ends
from vision.read.flat import flattened
from vision.read.pictures import first_picture, more_pictures
from vision.read.reconcile import LEAST_CONFIDENCE, Opinion, calibrated, glyphs, reconcile
from vision.read.rows import Found, joined, rows_of, without_marks
from vision.read.signs import front, possible, with_signs
from vision.read.upright import REACHES, Box, Upright, across, base_scale, detected, flipped, looked_at, sense

# A line is plain where its weakest character has this probability; a top needs no second look once so many characters
# are read and every line is plain.
_PLAIN, _ENOUGH = 0.9, 6
# The small network leaves out spaces: where characters stand so many median steps apart, the large one is asked.
_GAP = 1.6
_MORE_AROUND = 0.05  # seen more around a top at the second look, in its short sides
_CLOSE_UP = 200  # short side of a top's picture above which a larger look may show more
_CLEAR, _VAGUE = 0.6, 0.3  # how sure a clear word is, and how little what may be left out beside one


def _unique(boxes: Sequence[Box]) -> list[Box]:
    """Drop boxes that repeat another one almost exactly (the same line seen at two scales)."""
    kept: list[Box] = []
    for corners, score in sorted(boxes, key=lambda b: -b[1]):
        if all(quad_overlap(corners, other) < 0.7 for other, _ in kept):
            kept.append((corners, score))
    return kept


def _found(photo: Rgb, face: Face, boxes: Sequence[Box]) -> list[Found]:
    """The lines in boxes, each by its first picture; the small network's word is taken where it has no doubt."""
    if not boxes:
        return []
    flat = flattened(face.image, min(face.image.shape[:2]) / REACHES)
    boxes = [(to_the_ends(flat, corners), score) for corners, score in boxes]
    taken = [first_picture(photo, apply(face.to_photo, corners)) for corners, _ in boxes]
    outputs = neural.distributions(taken, quick=True)
    unsure = [k for k, output in enumerate(outputs) if not _sure(output) or ctc.widest_gap(output) > _GAP]
    for k, output in zip(unsure, neural.distributions([taken[k] for k in unsure]), strict=True):
        outputs[k] = output
    out = []
    for (corners, score), output in zip(boxes, outputs, strict=True):
        text, confidence = ctc.greedy(output, neural.ALPHABET)
        out.append(Found(corners, score, (output,), confidence, text.strip()))
    return out


def _looked_at_again(photo: Rgb, face: Face, found: Sequence[Found]) -> list[Found]:
    """Take further pictures of the lines that their first one left in doubt."""
    doubtful = [k for k, line in enumerate(found) if len(line.distributions) == 1 and not _plain(line)]
    taken = [more_pictures(photo, apply(face.to_photo, found[k].corners)) for k in doubtful]
    outputs = iter(neural.distributions([picture for pictures in taken for picture in pictures]))
    out = list(found)
    for k, pictures in zip(doubtful, taken, strict=True):
        out[k] = replace(found[k], distributions=(*found[k].distributions, *(next(outputs) for _ in pictures)))
    return out


def _plain(line: Found) -> bool:
    """Whether the first picture leaves no character in doubt."""
    return _sure(line.distributions[0])


def _sure(output: ctc.Distribution) -> bool:
    text, _ = ctc.greedy(output, neural.ALPHABET)
    return ctc.weakest(output) >= _PLAIN and len(glyphs(text)) >= 2


def _without_fragments(found: Sequence[Found]) -> list[Found]:
    """Of boxes that overlap, keep the one that reads more with confidence."""

    def worth(line: Found) -> float:
        return line.confidence**2 * len(glyphs(line.text))

    kept: list[Found] = []
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


# A logo before a line is read as one of these; a line of a marking seldom begins with a lone round or small letter.
_ROUND = tuple(f"{c} " for c in "O0QC@®" + "abcdefghijklmnopqrstuvwxyz")


# A dimple or a notch behind a line is read as one of these, well apart.
_DIMPLES = tuple(f" {c}" for c in "O0QoC@©°")


def _without_logo(text: str, sure: bool) -> str:
    """A line without a lone round sign before or behind it, as long as more than a few glyphs are left.

    In a line that is not sure, whatever sign stands alone before it is taken for a logo.
    """
    if len(glyphs(text)) > 4 and (text.startswith(_ROUND) or (not sure and text[1:2] == " ")):
        text = text[2:].lstrip()
    return text[:-2].rstrip() if text.endswith(_DIMPLES) and len(glyphs(text)) > 4 else text


def _opinion(row: Sequence[Found], seconds: Sequence[Reading | None], lexicon: Lexicon) -> Opinion | None:
    parts = [_reconciled(f, s, lexicon) for f, s in zip(row, seconds, strict=True)]
    solid = [p for p in parts if p is not None and p.confidence >= LEAST_CONFIDENCE]
    if not solid:
        return None
    clear = [p for p in solid if p.confidence >= _CLEAR and len(glyphs(p.text)) >= 4]
    # Scratches and a logo's edge beside a clear word are read, too, but with no conviction.
    solid = [p for p in solid if not clear or p.confidence >= _VAGUE or len(glyphs(p.text)) > 3]
    names = list(dict.fromkeys(r.reader for p in solid for r in p.readings))
    readings = tuple(
        Reading(
            name,
            " ".join(r.text for p in solid for r in p.readings if r.reader == name and r.text),
            min((r.confidence for p in solid for r in p.readings if r.reader == name), default=0.0),
        )
        for name in names
    )
    sure = min(p.confidence for p in solid)
    return Opinion(_without_logo(" ".join(p.text for p in solid), sure >= _CLEAR), sure, readings)


def _reconciled(found: Found, second: Reading | None, lexicon: Lexicon) -> Opinion | None:
    opinion = reconcile(found.distributions, second, lexicon)
    if opinion is None or found.front is None:
        return opinion
    return replace(opinion, text=with_signs(opinion.text, found.front))


def _with_front(photo: Rgb, face: Face, found: Found) -> Found:
    texts = (ctc.greedy(d, neural.ALPHABET)[0].strip() for d in found.distributions)
    if not any(possible(text) for text in texts):
        return found
    return replace(found, front=front(photo, apply(face.to_photo, found.corners)))


@dataclass(frozen=True, slots=True)
class Draft:
    """The lines found on a top, before the second reader is asked.

    Parameters
    ----------
    crops : tuple of ndarray of uint8
        A picture of each line for the second reader: level lines first, then sideways ones.
    """

    face: Face
    rows: tuple[tuple[Found, ...], ...]
    sideways: tuple[tuple[Face, Found], ...]
    crops: tuple[Rgb, ...]


def draft(photo: Rgb, face: Face, seen: Upright, lexicon: Lexicon) -> Draft:
    """Find the lines of an upright top and ask the neural reader.

    Parameters
    ----------
    photo : ndarray of uint8, shape (height, width, 3), RGB
    face : Face
        Turned upright.
    seen : Upright
        What was seen when it was turned.
    lexicon : Lexicon

    Returns
    -------
    Draft
    """
    level = [_with_front(photo, face, line) for line in _level(photo, face, seen.boxes)]
    rows = tuple(tuple(without_marks(row)) for row in rows_of(level))
    members = [f for row in rows for f in row]
    sideways = tuple(_sideways(photo, face, members, seen.crossing, lexicon))
    places = [apply(face.to_photo, f.corners) for f in members]
    places += [apply(side.to_photo, f.corners) for side, f in sideways]
    return Draft(face, rows, sideways, tuple(crop_line(photo, corners, pad=0.1) for corners in places))


def settled(found: Draft, seconds: Sequence[Reading | None], lexicon: Lexicon) -> tuple[Line, ...]:
    """Reconcile the readers' opinions of a draft's lines.

    Parameters
    ----------
    found : Draft
    seconds : sequence of Reading or None
        The second reader's opinion of each of `found.crops`, in order.
    lexicon : Lexicon

    Returns
    -------
    tuple of Line
        Top to bottom, then what is printed sideways (reading upwards or downwards), marked so.
    """
    opinions = list(seconds)
    lines: list[Line] = []
    for row in found.rows:
        own, opinions = opinions[: len(row)], opinions[len(row) :]
        opinion = _opinion(row, own, lexicon)
        if opinion is not None and _worth_saying(opinion):
            lines.append(_line(opinion, joined([f.corners for f in row]), found.face))
    for (side, one), second in zip(found.sideways, opinions, strict=True):
        opinion = _opinion([one], [second], lexicon)
        if opinion is not None and _worth_saying(opinion) and opinion.confidence > 0.3:
            line = _line(opinion, one.corners, side)
            back = apply(np.linalg.inv(found.face.to_photo).astype(np.float64), np.array(line.outline))
            lines.append(replace(line, face_outline=as_quad(back), sideways=True))
    return tuple(lines)


def _worth_saying(opinion: Opinion) -> bool:
    """A single glyph is more often a scratch, a logo or a pin number than a line."""
    return len(glyphs(opinion.text)) >= 2


def _level(photo: Rgb, face: Face, known: Sequence[Box]) -> list[Found]:
    """Lines that run left to right, each box once: those seen already and, where they leave a doubt, further ones."""
    found = _looked_at_again(photo, face, _without_fragments(_found(photo, face, _unique(known))))
    enough = len(found) > 1 and sum(len(glyphs(line.text)) for line in found) >= _ENOUGH
    if enough and all(_settled(line) for line in found):
        return found
    boxes = _second_look(photo, face, known)
    fresh = [b for b in _unique(boxes) if all(quad_overlap(b[0], line.corners) < 0.7 for line in found)]
    return _looked_at_again(photo, face, _without_fragments([*found, *_found(photo, face, fresh)]))


def _settled(line: Found) -> bool:
    """Whether a line is plain, or most of its pictures read the same."""
    texts = [glyphs(ctc.greedy(d, neural.ALPHABET)[0]) for d in line.distributions]
    agreed = max(texts.count(text) for text in texts)
    return _plain(line) or (2 * agreed > len(texts) > 1 and len(glyphs(line.text)) >= 2)


def _second_look(photo: Rgb, face: Face, known: Sequence[Box]) -> list[Box]:
    """Lines seen with more around the top, since those at its edge are easily lost, and in a smoothed picture; in a
    close-up also with the brightness evened instead of flattened, and larger."""
    short = min(face.image.shape[:2])
    pad = round(_MORE_AROUND * short)
    wider = with_air(photo, face, pad).image
    looks = [(corners - pad, score) for corners, score in looked_at(wider, quick=True)]
    boxes = [box for box in [*looks, *looked_at(face.image, faint=True, quick=True)] if not across(box)]
    if short < _CLOSE_UP:
        return boxes
    scale = _second_scale(face.image, known)
    return boxes + detected(face.image, scale, even=True) + detected(face.image, round(1.5 * scale))


def _second_scale(image: Rgb, known: Sequence[Box]) -> int:
    """Short side at which the print already seen would be 30 pixels high, within what is worth the time."""
    if not known:
        return 2 * base_scale(image) // 3
    height = float(np.median([quad_sides(c)[1] for c, _ in known]))
    return int(np.clip(30.0 / height * min(image.shape[:2]), 160, 640))


def _sideways(
    photo: Rgb, face: Face, level: Sequence[Found], crossing: Sequence[Box], lexicon: Lexicon
) -> list[tuple[Face, Found]]:
    """Lines printed across, on the parts of the top that carry no level line."""
    taken = [apply(face.to_photo, f.corners) for f in level if f.confidence > 0.6 and len(glyphs(f.text)) >= 3]
    best: list[tuple[Face, Found]] = []
    most = 1.2  # less sense than a short clear word is no line
    # What was seen of lines while they stood upright is roughly placed: look again along them.
    along = [*looked_at(turned(face, 1).image), *crossing] if crossing else []
    for turn in (1, 3):
        side = turned(face, turn)
        boxes = [
            b
            for b in _unique(along if turn == 1 else flipped(along, side.image))
            if quad_sides(b[0])[0] > 1.8 * quad_sides(b[0])[1]
            and all(quad_overlap(apply(side.to_photo, b[0]), t, of_smaller=True) < 0.2 for t in taken)
        ]
        found = [f for f in _without_fragments(_found(photo, side, boxes)) if f.confidence > 0.7]
        makes = sense([(f.text, f.confidence) for f in found], lexicon)
        if makes > most:
            most, best = makes, [(side, f) for f in found]
    return best


def _line(opinion: Opinion, corners: Corners, face: Face) -> Line:
    return Line(
        text=opinion.text,
        confidence=calibrated(opinion.confidence),
        outline=as_quad(apply(face.to_photo, corners)),
        face_outline=as_quad(corners),
        readings=opinion.readings,
    )
