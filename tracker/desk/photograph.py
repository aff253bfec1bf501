"""Photos of a lot's pieces: kept, looked at, matched to pieces, and recorded in one act."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy.orm import Session

from tracker.desk.as_recorded import all_as_recorded
from tracker.desk.assess import prior_of
from tracker.desk.camera import Shot
from tracker.desk.card_seen import refuse_other_lots
from tracker.desk.companions import (
    Companions,
    EarlierPhoto,
    companions_of,
    earlier_photos,
    kept_before,
    lost_note,
)
from tracker.desk.contract import InspectionDocument, PhotographDocument
from tracker.desk.corrections import Chip, Correction, corrections_of_lot
from tracker.desk.facts import LISTING, inspected_pieces
from tracker.desk.fields import file_name, one_of
from tracker.desk.inspect import FACE_DOWN, Beside, Progress, judge
from tracker.desk.learned import learned
from tracker.desk.looks import TOP_ROLES
from tracker.desk.matching import BY_ORDER, Matched, match
from tracker.desk.method import looked_with
from tracker.desk.overlays import annotate
from tracker.desk.photo_records import Looked, Taken, record
from tracker.desk.pieces import find_lot, resolve_pieces
from tracker.desk.rejudge import with_corrections
from tracker.desk.reuse import reuse_notes
from tracker.desk.same_chips import same_chips
from tracker.desk.swabs import beside_of_swabs
from tracker.desk.undersides import beside_of_undersides, date_codes_on_top, undated_note
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.judgement.marking import Claim
from tracker.judgement.prior import Prior
from tracker.judgement.weights import Weights
from tracker.knowledge.lexicon import lexicon
from tracker.records.models import Lot
from vision.card import find_card
from vision.crew import Crew
from vision.errors import PhotoError
from vision.inspection import PhotoSource
from vision.inspection import inspect as look
from vision.observations import CardView
from vision.observations import Inspection as Seen
from vision.photo import decode

ROLES = ("top", "bottom", "before-swab", "after-swab", LISTING)
Within = Callable[[Act, PhotographDocument], None]


class Meanwhile(BadRequest):
    """Somebody else photographed pieces of the lot, or corrected a reading, while these photos were looked at.

    Looking again would help.
    """


@dataclass(frozen=True, slots=True)
class _Known:
    """What the records say before the photos are looked at."""

    lot: Lot
    claim: Claim
    before: Prior
    weights: Weights
    named: tuple[str, ...]
    known: tuple[str, ...]
    ids: dict[str, int]
    """Ids of the lot's pieces, by label."""
    free: tuple[str, ...]
    companions: Companions
    notes: tuple[str, ...]
    dates: dict[str, str]
    """Date code on the top by the piece's label, where the photos show undersides."""
    corrections: dict[Chip, Correction]
    """Readings of the lot that a person corrected."""
    kept_as: dict[str, int]
    """Ids of photos that the lot has in this role already, by SHA-256."""


def photograph(
    workspace: Workspace,
    lot: str,
    paths: Sequence[Path],
    *,
    shots: Sequence[Shot] = (),
    piece: Sequence[str] = (),
    role: str = "top",
    operator: str | None = None,
    today: date | None = None,
    progress: Progress | None = None,
    hands: Crew | None = None,
    within: Within | None = None,
) -> PhotographDocument:
    """Keep photos of a lot's pieces, look at them and record what they say.

    Parameters
    ----------
    workspace : Workspace
    lot : str
        Label of the lot.
    paths : sequence of Path
        Photos; all of them or none are recorded.
    shots : sequence of Shot
        Pictures just taken; they come after the photos.
    piece : sequence of str
        Labels of the pieces in view, in reading order. Without it a chip is matched by its cell of the inspection card
        or the label beside it, else by reading order over the pieces that have no photo in this role yet.
    role : str
        'top', 'bottom', 'before-swab', 'after-swab' or 'listing' (the seller's picture: no chip in it is matched).
    operator : str, optional
    today : date, optional
        The current day where not given.
    progress : callable, optional
        Told (photos done, photos in all).
    hands : Crew, optional
        Who shares the work of looking; this process alone where not given.
    within : callable, optional
        Given the act and the answer before the act ends; what it adds to the act's body is journaled.

    Returns
    -------
    PhotographDocument

    Raises
    ------
    BadRequest
        When the lot, a piece or the role is not known, a photo cannot be used or shows another lot's card, or no chip
        can be a piece of the lot. Nothing is recorded then.
    """
    role = one_of(role, "role", ROLES)
    workspace.refuse_if_moved()
    taken = [_take(path) for path in dict.fromkeys(paths)]
    taken += [Taken(Path(shot.name), shot.name, shot.data) for shot in shots]
    _refuse_twice(taken)
    cards = _cards_in(taken)
    with workspace.read() as session:
        refuse_other_lots(cards, find_lot(session, lot).label)
        # Done again after a kill, when nobody heard that it was recorded: by order it would show the next pieces.
        before = None if piece or shots else all_as_recorded(session, workspace.store, lot, role, taken)
        if before is not None:
            return before
        known = _what_is_known(session, workspace, lot, piece, role, taken)
    looked = _look(workspace, known, taken, role, today or datetime.now(UTC).date(), progress, hands)
    with workspace.act(operator, "photograph", known.lot.label) as act:
        owner = find_lot(act.session, known.lot.label)
        if any(m.how == BY_ORDER for m in looked.matched) and _free(act.session, owner, role) != known.free:
            raise Meanwhile(
                f"Somebody else photographed pieces of {owner.label} at the same time.",
                "Nothing was recorded. Run it again, with --piece where the order is in doubt.",
            )
        if corrections_of_lot(act.session, owner) != known.corrections:
            raise Meanwhile(
                f"Somebody else corrected a reading of {owner.label} at the same time.",
                "Nothing was recorded. Run it again.",
            )
        document = record(act, owner, looked)
        if within is not None:
            within(act, document)
        return document


def nothing_yet(workspace: Workspace, lot: str, role: str) -> PhotographDocument:
    """Return the document of a lot that no photo was kept for yet; more can follow.

    Raises
    ------
    BadRequest
        When the lot or the role is not known.
    """
    with workspace.read() as session:
        return PhotographDocument(
            lot=find_lot(session, lot).label, role=one_of(role, "role", ROLES), photos=(), pieces=()
        )


def _take(path: Path) -> Taken:
    try:
        return Taken(path, file_name(path.name), path.read_bytes())
    except FileNotFoundError:
        raise BadRequest(f"There is no file {path}.", "Check its path.") from None
    except IsADirectoryError:
        raise BadRequest(
            f"{path} is a folder.", "Name the photos in it, for example with a * for the file names."
        ) from None
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        raise BadRequest(f"The file {path} cannot be read ({said}).", "Check its permissions.") from None


def _refuse_twice(taken: Sequence[Taken]) -> None:
    first: dict[str, Taken] = {}
    for one in taken:
        other = first.setdefault(one.sha256, one)
        if other is not one:
            raise BadRequest(f"{one.path} is the same picture as {other.path}.", "Leave one of them out.")


def _cards_in(taken: Sequence[Taken]) -> dict[str, str]:
    """Return whose card each photo shows, by the photo's name; nothing for one without a card that can be read.

    What is no whole picture is refused here, before the lot's earlier photos are looked at again, which takes long.
    """
    lots = {}
    for one in taken:
        try:
            photo = decode(one.name, one.data)
        except PhotoError as error:
            raise BadRequest(str(error), "Nothing was recorded.") from None
        card = find_card(photo.image)
        if isinstance(card, CardView) and card.lot is not None:
            lots[one.name] = card.lot
    return lots


def _what_is_known(
    session: Session, workspace: Workspace, label: str, words: Sequence[str], role: str, taken: Sequence[Taken]
) -> _Known:
    lot = find_lot(session, label)
    named = tuple(piece.label for piece in resolve_pieces(session, words))
    known = tuple(piece.label for piece in lot.pieces)
    strangers = [name for name in named if name not in known]
    if strangers:
        raise BadRequest(f"{strangers[0]} is not a piece of {lot.label}.", f"Its pieces are {known[0]} to {known[-1]}.")
    if named and role == LISTING:
        raise BadRequest("A listing picture shows no piece of the lot for certain.", "Leave --piece out with it.")
    return _Known(
        lot=lot,
        claim=Claim(lot.claimed_part, lot.claimed_maker, lot.claimed_grade, lot.condition, lot.arrived_on),
        before=prior_of(session, lot),
        # Which chip is which piece is not known yet, so all that its own lot has taught is left out.
        weights=learned(session).experience.without_lot(lot.id),
        named=named,
        known=known,
        ids={piece.label: piece.id for piece in lot.pieces},
        free=_free(session, lot, role),
        companions=companions_of(session, workspace.store, lot, role, {one.sha256 for one in taken}),
        notes=reuse_notes(session, workspace.store, lot, taken) if role == LISTING else (),
        dates=date_codes_on_top(session, lot) if role == FACE_DOWN else {},
        corrections=corrections_of_lot(session, lot),
        kept_as=kept_before(session, lot, role, [one.sha256 for one in taken]),
    )


def _free(session: Session, lot: Lot, role: str) -> tuple[str, ...]:
    """Return the labels of the pieces that have no photo in this role yet."""
    done = inspected_pieces(session, lot, role)
    return tuple(piece.label for piece in lot.pieces if piece.id not in done)


def _look(
    workspace: Workspace,
    known: _Known,
    taken: list[Taken],
    role: str,
    today: date,
    progress: Progress | None,
    hands: Crew | None,
) -> Looked:
    """Do everything that is slow, before the act: other benches need not wait for it."""
    more: tuple[str, ...] = ()
    siblings = [photo.source for photo in known.companions.siblings]
    seen = look(
        [PhotoSource(one.name, one.data) for one in taken] + siblings,
        exemplars=known.companions.exemplars,
        lexicon=lexicon(),
        progress=progress,
        hands=hands,
    )
    _refuse_unusable(seen, taken)
    document = _judged(seen, known, role, today)
    matched = _matched(document, known, len(taken), role)
    if role in TOP_ROLES:
        document = _as_corrected(document, known, taken, matched, today)
    elif role == "after-swab":
        beside, more = _swabbed(workspace, known, seen, matched, progress, hands)
        document = _judged(seen, known, role, today, beside)
    elif role == FACE_DOWN:
        beside = _undersides(known, seen, matched, len(taken))
        more = undated_note((m.piece for m in matched if m.piece), known.dates)
        document = _judged(seen, known, role, today, beside)
    names = [{m.index: m.piece for m in matched if m.photo == p and m.piece} for p in range(len(taken))]
    return Looked(
        role=role,
        taken=taken,
        document=document,
        matched=matched,
        overlays=[annotate(document.photos[p], taken[p].data, names[p]) for p in range(len(taken))],
        before=known.before,
        companions=known.companions,
        notes=known.notes + more,
        corrections=known.corrections,
        looked=looked_with(document.method, known.claim, role, known.companions.exemplar_photos),
    )


def _as_corrected(
    document: InspectionDocument, known: _Known, taken: list[Taken], matched: Sequence[Matched], today: date
) -> InspectionDocument:
    """Return what was seen, with the readings that a person corrected in photos that are looked at again."""
    held = {chip: said.lines for chip, said in known.corrections.items()}
    chips = [(m.photo, m.index, known.kept_as.get(taken[m.photo].sha256), m.piece) for m in matched]
    found = {(p, i): (row, i, known.ids[piece]) for p, i, row, piece in chips if row is not None and piece is not None}
    texts = {place: held[chip] for place, chip in found.items() if chip in held}
    for p, photo in enumerate(known.companions.siblings, start=len(taken)):
        now = same_chips(photo.outlines, [piece.outline for piece in document.photos[p].pieces])
        said = {chip.index: held.get((photo.photo_id, chip.index, chip.piece_id)) for chip in photo.chips}
        texts |= {(p, now[index]): lines for index, lines in said.items() if lines is not None and index in now}
    return with_corrections(document, texts, known.claim, today=today, before=known.before, weights=known.weights)


def _judged(
    seen: Seen, known: _Known, role: str, today: date, beside: Mapping[tuple[int, int], Beside] | None = None
) -> InspectionDocument:
    return judge(seen, known.claim, today=today, before=known.before, role=role, beside=beside, weights=known.weights)


def _refuse_unusable(seen: Seen, taken: Sequence[Taken]) -> None:
    for photo in seen.photos[: len(taken)]:
        if photo.error is not None:
            raise BadRequest(photo.error, "Nothing was recorded.")


def _matched(document: InspectionDocument, known: _Known, new: int, role: str) -> list[Matched]:
    photos = document.photos[:new]
    if role == LISTING:
        return [
            Matched(p, i, None, "a listing picture shows no piece of the lot for certain")
            for p, photo in enumerate(photos)
            for i in range(len(photo.pieces))
        ]
    matched = match(photos, free=known.free, known=known.known, named=known.named)
    if matched and not any(one.piece for one in matched):
        raise BadRequest(
            f"None of the chips in view can be a piece of {known.lot.label}: {matched[0].how}.",
            "Nothing was recorded. Say which pieces they are with --piece, in reading order.",
        )
    return matched


def _undersides(known: _Known, seen: Seen, matched: Sequence[Matched], new: int) -> dict[tuple[int, int], Beside]:
    wanted = {(m.photo, m.index): m.piece for m in matched if m.piece}
    for p, photo in reversed(list(enumerate(known.companions.siblings, start=new))):
        now = same_chips(photo.outlines, [piece.outline for piece in seen.photos[p].pieces])
        wanted.update({(p, now[chip.index]): chip.piece for chip in photo.chips if chip.index in now})
    return beside_of_undersides(seen, wanted, known.dates)


def _swabbed(
    workspace: Workspace,
    known: _Known,
    seen: Seen,
    matched: Sequence[Matched],
    progress: Progress | None,
    hands: Crew | None,
) -> tuple[dict[tuple[int, int], Beside], tuple[str, ...]]:
    wanted = {(m.photo, m.index): m.piece for m in matched if m.piece}
    with workspace.read() as session:
        lot = find_lot(session, known.lot.label)
        ids = {piece.label: piece.id for piece in lot.pieces if piece.label in wanted.values()}
        new = {photo.sha256 for photo in seen.photos}
        lost: list[str] = []
        before: tuple[EarlierPhoto, ...] = ()
        for role in ("before-swab", "top"):
            shown = {chip.piece for photo in before for chip in photo.chips}
            left = [number for label, number in ids.items() if label not in shown]
            if left:
                before = (*earlier_photos(session, workspace.store, lot, (role,), new, left, lost=lost), *before)
    shown = {chip.piece for photo in before for chip in photo.chips}
    notes = [lost_note(lost)] if lost else []
    unseen = sorted(label for label in ids if label not in shown)
    if unseen:
        notes.append(
            f"No photo shows {', '.join(unseen)} before the swab, so nothing was compared: take one with "
            "--role before-swab first."
        )
    return beside_of_swabs(seen, wanted, before, progress, hands), tuple(notes)
