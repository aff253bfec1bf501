"""One piece as a page shows it: what is on record, and its photos with what was seen in them and where."""

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from tracker.desk.contract import PieceDocument
from tracker.desk.corrections import ByHand, by_hand
from tracker.desk.crops import around_box, mark
from tracker.desk.facts import facts_of
from tracker.desk.looks import TOP_ROLES
from tracker.desk.pieces import find_piece
from tracker.desk.run_record import plotted
from tracker.desk.showing import PieceShown, show
from tracker.desk.since import seen_now
from tracker.desk.workspace import Workspace
from tracker.records.models import BenchRun, Inspection, JournalEntry, Photo, Piece

FLAT = 1.5
"""Width over height of the part of a photo that is shown at first: a phone held across, a half of a desktop's page."""
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class View:
    """A piece in one photo.

    Parameters
    ----------
    inspection : int
    role, name, sha256 : str
        Of the photo.
    width, height : int
        Of the photo, pixels.
    at, operator : str
        When it was recorded, UTC, and by whom.
    document : PieceDocument
        What was seen; its outlines are pixels of the photo.
    near : tuple of int
        (left, top, right, bottom) of the chip with some ground, in the photo.
    annotated : str or None
        Digest of the photo's annotated picture.
    """

    inspection: int
    role: str
    name: str
    sha256: str
    width: int
    height: int
    at: str
    operator: str
    document: PieceDocument
    near: tuple[int, int, int, int]
    annotated: str | None
    corrected: ByHand | None = None
    """Where a person corrected the reading in this photo."""

    @property
    def shows_marking(self) -> bool:
        """Whether its reading counts as the piece's marking, and can be corrected."""
        return self.role in TOP_ROLES

    @property
    def around_mark(self) -> str:
        """What stands in the address of its surroundings."""
        return mark("around", self.sha256, self.document.piece.outline)

    @property
    def home(self) -> Box:
        """What is shown at first, (left, top, width, height): the chip with some ground, in the page's shape."""
        left, top, right, bottom = self.near
        return _in_shape(left, top, right - left, bottom - top)

    @property
    def whole(self) -> Box:
        """The whole photo in the same shape."""
        return _in_shape(0, 0, self.width, self.height)


def _in_shape(left: float, top: float, wide: float, high: float) -> Box:
    """Return a box of the page's shape around another."""
    new_wide, new_high = max(wide, high * FLAT), max(high, wide / FLAT)
    return left - (new_wide - wide) / 2, top - (new_high - high) / 2, new_wide, new_high


@dataclass(frozen=True, slots=True)
class PiecePage:
    """One piece as a page shows it.

    Parameters
    ----------
    shown : PieceShown
    views : tuple of View
        The newest photo of each role, those of an unswabbed top first.
    earlier : int
        How many more times it was inspected.
    before, after : str or None
        Its neighbours in the lot.
    plots : tuple of (str, str)
        Labels of the bench runs that have a plot, and what each shows.
    entry : int
        The journal's newest entry: what a form on the page carries along.
    """

    shown: PieceShown
    views: tuple[View, ...]
    earlier: int
    before: str | None
    after: str | None
    plots: tuple[tuple[str, str], ...]
    entry: int = 0


def piece_page(workspace: Workspace, label: str) -> PiecePage:
    """Return one piece as a page shows it.

    Raises
    ------
    NoSuch
        There is no such piece.
    """
    with workspace.read() as session:
        piece = find_piece(session, label)
        entry = seen_now(session)
        views = _views(session, piece)
        measured = select(BenchRun).where(BenchRun.piece_id == piece.id).order_by(BenchRun.id)
        runs = session.scalars(measured.options(selectinload(BenchRun.samples)))
        plots = tuple((run.label, said) for run in runs if (said := plotted(run)) is not None)
        seen = session.scalar(select(func.count()).select_from(Inspection).where(Inspection.piece_id == piece.id)) or 0
        beside = {
            one.number: one.label
            for one in session.scalars(
                select(Piece).where(
                    Piece.lot_id == piece.lot_id, Piece.number.in_((piece.number - 1, piece.number + 1))
                )
            )
        }
    shown = show(workspace, piece.label)
    assert isinstance(shown, PieceShown)
    neighbours = beside.get(piece.number - 1), beside.get(piece.number + 1)
    return PiecePage(shown, views, seen - len(views), *neighbours, plots, entry)


def _views(session: Session, piece: Piece) -> tuple[View, ...]:
    facts = facts_of(session, [piece])[piece.id]
    found = [
        _view(session, role, one, document)
        for (role, one), document in zip(facts.inspections, facts.documents, strict=True)
    ]
    return tuple(sorted(found, key=lambda one: (one.role not in TOP_ROLES, -one.inspection)))


def _view(session: Session, role: str, one: Inspection, document: PieceDocument) -> View:
    photo: Photo = one.photo
    entry = session.get_one(JournalEntry, photo.entry_id)
    return View(
        inspection=one.id,
        role=role,
        name=photo.name,
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        at=entry.at,
        operator=entry.operator,
        document=document,
        near=around_box(document.piece.outline, photo.width, photo.height),
        annotated=one.overlay_sha256,
        corrected=by_hand(session, one, document),
    )
