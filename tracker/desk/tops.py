"""Tops of pieces side by side at one scale, and what tells two of them apart."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from tracker.desk.contract import FindingFound, PieceDocument
from tracker.desk.crops import mark
from tracker.desk.facts import kept_document, standing_exemplars, top_inspections
from tracker.desk.pieces import find_lot, find_piece
from tracker.desk.workspace import Workspace
from tracker.judgement.weights import indicators
from tracker.records.models import Inspection, Lot, Piece
from vision import plate

MOST = 60
"""Tops side by side: more than a photo holds, and what a page can still show (common practice, no source)."""
MOST_EXEMPLARS = 30
FINE = 1280
"""Longer side of the pictures laid over each other, in pixels."""
UNIT = 1000.0
"""Length of the longest body in the units of the comparison."""


@dataclass(frozen=True, slots=True)
class TopShown:
    """One top.

    Parameters
    ----------
    piece, part : str
    exemplar : bool
    inspection : int
    mark : str
        For the picture's address.
    photo : str
        Name of the photo.
    width, height : int
        Of the picture, pixels.
    wide, high : float
        Of the picture in the comparison's units: with them all are at one scale.
    native : float
        Length of the body in pixels of its photo: how fine the camera saw it.
    long_mm, short_mm : float or None
        Of the top on the inspection card.
    document : PieceDocument
    """

    piece: str
    part: str
    exemplar: bool
    inspection: int
    mark: str
    photo: str
    width: int
    height: int
    wide: float
    high: float
    native: float
    long_mm: float | None
    short_mm: float | None
    document: PieceDocument


@dataclass(frozen=True, slots=True)
class Difference:
    """One finding that is not the same on two pieces; None where a piece does not have it."""

    title: str
    family: str
    one: FindingFound | None
    other: FindingFound | None


@dataclass(frozen=True, slots=True)
class Compared:
    """What was asked for.

    Parameters
    ----------
    lot : str
    tops : tuple of TopShown
        In the order asked for.
    without : tuple of str
        Labels of pieces that no photo shows from above.
    left_out : int
        Pieces beyond `MOST`.
    pair : tuple of TopShown or None
        The two laid over each other.
    differences : tuple of Difference
        Of the pair, the heaviest first.
    exemplars : tuple of (str, str)
        Labels and parts that could stand beside them; those of the same part first.
    pieces : tuple of str
        All labels of the lot.
    millimetres : bool
        Whether the one scale is that of the inspection card; otherwise every body has the same length.
    """

    lot: str
    tops: tuple[TopShown, ...]
    without: tuple[str, ...]
    left_out: int
    pair: tuple[TopShown, TopShown] | None
    differences: tuple[Difference, ...]
    exemplars: tuple[tuple[str, str], ...]
    pieces: tuple[str, ...]
    millimetres: bool


def compare_tops(
    workspace: Workspace, lot: str, pieces: Sequence[str] = (), left: str | None = None, right: str | None = None
) -> Compared:
    """Return tops side by side.

    Parameters
    ----------
    lot : str
    pieces : sequence of str
        Labels, also of other lots; all of the lot where there are none.
    left, right : str, optional
        Which two are laid over each other; the first two of `pieces` where not given, and what is named joins them.

    Raises
    ------
    NoSuch
        There is no such lot or piece.
    """
    with workspace.read() as session:
        home = find_lot(session, lot)
        asked = [find_piece(session, one) for one in dict.fromkeys(pieces[: MOST + 1])] or list(home.pieces)
        two = [find_piece(session, one) if one else None for one in (left, right)]
        wanted = list({one.id: one for one in (*(one for one in two if one is not None), *asked)}.values())
        ordered = [one for one in asked if one in wanted] + [one for one in wanted if one not in asked]
        chosen = _kept(ordered, two)
        known_good = standing_exemplars(session, among=[one.id for one in chosen])
        seen = top_inspections(session, chosen)
        tops, millimetres = _at_one_scale(chosen, seen, {one.id for one in known_good})
        by_label = {one.piece: one for one in tops}
        pair = _pair(tops, [by_label.get(one.label) if one else None for one in two])
        return Compared(
            lot=home.label,
            tops=tops,
            without=tuple(one.label for one in chosen if one.id not in seen),
            left_out=len(ordered) - len(chosen),
            pair=pair,
            differences=() if pair is None else differences(pair[0].document, pair[1].document),
            exemplars=_partners(session, home),
            pieces=tuple(one.label for one in home.pieces),
            millimetres=millimetres,
        )


def _kept(ordered: Sequence[Piece], two: Sequence[Piece | None]) -> list[Piece]:
    """Return the first pieces, and those to be laid over each other wherever they stand."""
    named = {one.id for one in two if one is not None}
    return [one for place, one in enumerate(ordered) if place < MOST or one.id in named]


def _partners(session: Session, home: Lot) -> tuple[tuple[str, str], ...]:
    order = standing_exemplars(session, lambda part: part == home.claimed_part, most=MOST_EXEMPLARS)
    if len(order) < MOST_EXEMPLARS:
        order += standing_exemplars(session, lambda part: part != home.claimed_part, most=MOST_EXEMPLARS - len(order))
    seen = top_inspections(session, order)
    return tuple((one.label, one.lot.claimed_part) for one in order if one.id in seen)


def _pair(tops: Sequence[TopShown], named: Sequence[TopShown | None]) -> tuple[TopShown, TopShown] | None:
    one, other = named
    one = one or next((top for top in tops if top is not other), None)
    other = other or next((top for top in tops if top is not one), None)
    return None if one is None or other is None or one is other else (one, other)


def _at_one_scale(
    pieces: Sequence[Piece], seen: dict[int, Inspection], known_good: set[int]
) -> tuple[tuple[TopShown, ...], bool]:
    there = [one for one in pieces if one.id in seen]
    documents = {one.id: kept_document(seen[one.id]) for one in there}
    sizes = [documents[one.id].piece.size_on_card_mm for one in there]
    longest = max((size[0] for size in sizes if size is not None), default=0.0)
    millimetres = longest > 0 and all(size is not None and size[0] > 0 for size in sizes)
    found = []
    for piece, size in zip(there, sizes, strict=True):
        document, inspection = documents[piece.id], seen[piece.id]
        length, (width, height) = plate.within(document.piece.outline, FINE)
        share = size[0] / longest if millimetres and size is not None else 1.0
        unit = UNIT * share / max(length, 1e-6)
        found.append(
            TopShown(
                piece=piece.label,
                part=piece.lot.claimed_part,
                exemplar=piece.id in known_good,
                inspection=inspection.id,
                mark=mark("top", inspection.photo.sha256, document.piece.outline),
                photo=inspection.photo.name,
                width=width,
                height=height,
                wide=width * unit,
                high=height * unit,
                native=plate.body_length(document.piece.outline),
                long_mm=size[0] if size else None,
                short_mm=size[1] if size else None,
                document=document,
            )
        )
    return tuple(found), millimetres


def differences(one: PieceDocument, other: PieceDocument) -> tuple[Difference, ...]:
    """Return the findings that one piece has and the other has not, or has otherwise, the heaviest first."""
    mine, theirs = _by_code(one), _by_code(other)
    found = []
    for code in dict.fromkeys((*mine, *theirs)):
        a, b = mine.get(code), theirs.get(code)
        if a is not None and b is not None and (a.value, a.message, a.strength) == (b.value, b.message, b.strength):
            continue
        known, any_of_them = indicators().get(code), a or b
        assert any_of_them is not None
        found.append(Difference(known.title if known else code, any_of_them.family, a, b))
    return tuple(sorted(found, key=lambda row: -_apart(row)))


def _apart(row: Difference) -> float:
    one, other = (0.0 if found is None else found.weight_db for found in (row.one, row.other))
    return max(abs(one - other), 0.01 * max(abs(one), abs(other)))


def _by_code(document: PieceDocument) -> dict[str, FindingFound]:
    """Return the findings by code, each at its strongest."""
    found: dict[str, FindingFound] = {}
    for one in document.piece.findings:
        if one.code not in found or abs(one.weight_db) > abs(found[one.code].weight_db):
            found[one.code] = one
    return found
