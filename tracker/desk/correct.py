"""A person corrects a reading: what the marking says, and what follows from its text, is judged anew."""

import json
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from tracker import __version__
from tracker.desk.assess import piece_suspicions, prior_of
from tracker.desk.companions import KnownChip, findings_in, known_chips
from tracker.desk.contract import PieceDocument, PieceFound
from tracker.desk.corrections import corrections_of_lot
from tracker.desk.fields import one_line
from tracker.desk.learned import learned
from tracker.desk.looks import TOP_ROLES
from tracker.desk.photo_records import write_inspection
from tracker.desk.pieces import find_piece
from tracker.desk.rejudge import corrected, rejudged, siblings_told
from tracker.desk.since import refuse_if_said
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.judgement.marking import Claim
from tracker.records.models import Lot, Piece, ReadingCorrection

MOST_LINES, LONGEST_LINE = 12, 100
"""No chip has more lines, or longer ones (common practice, no source)."""
REMARK_LENGTH = 2000


@dataclass(frozen=True, slots=True)
class MarkingNow:
    """What a marking says and what it means; lines top to bottom."""

    lines: tuple[str, ...]
    part: str | None
    date_code: str | None
    findings: tuple[str, ...]
    """Codes of what was found in the photo, what speaks against the piece first."""
    suspicion: float


@dataclass(frozen=True, slots=True)
class Corrected:
    """A corrected reading.

    Parameters
    ----------
    piece, photo : str
    by_hand : bool
        False where the reading was given back to the readers.
    as_read : tuple of str
        What the readers read.
    before, now : MarkingNow
    supersedes : str or None
        The correction that held before, with who said so and when.
    remark : str or None
    notes : tuple of str
    """

    piece: str
    photo: str
    by_hand: bool
    as_read: tuple[str, ...]
    before: MarkingNow
    now: MarkingNow
    supersedes: str | None
    remark: str | None
    notes: tuple[str, ...] = ()


def correct(
    workspace: Workspace,
    piece: str,
    lines: Sequence[str],
    *,
    photo: str | None = None,
    remark: str | None = None,
    seen: int | None = None,
    operator: str | None = None,
    today: date | None = None,
) -> Corrected:
    """Record what the marking of a piece reads, and judge anew what follows from it.

    Parameters
    ----------
    workspace : Workspace
    piece : str
        Its label.
    lines : sequence of str
        What it reads, top to bottom; none gives the reading back to the readers.
    photo : str, optional
        Name or SHA-256 of a photo of its top; the newest where not given.
    remark : str, optional
        On what it rests.
    seen : int, optional
        As in `tracker.desk.decide.decide`.
    operator : str, optional
    today : date, optional
        The current day where not given.

    Raises
    ------
    SaidSince
        Something was said about the piece after entry `seen`.
    BadRequest
        When there is no such piece or photo, the lines cannot be those of a chip, or nothing would change.
    """
    texts = _checked(lines)
    why = None if remark is None else one_line(remark, "remark", REMARK_LENGTH)
    with workspace.act(operator, "correct", "") as act:
        row = find_piece(act.session, piece)
        act.subject = row.label
        refuse_if_said(act.session, [row], seen)
        chips = known_chips(act.session, row.lot, TOP_ROLES)
        chosen, document = _chosen(chips, row, photo)
        _refuse_the_same(row, document.piece, texts)
        held = corrections_of_lot(act.session, row.lot).get((chosen.photo_id, document.index, row.id))
        stood = piece_suspicions(act.session, [row])[row.id].probability
        act.add(
            ReadingCorrection(
                photo_id=chosen.photo_id,
                piece_id=row.id,
                chip=document.index,
                lines=json.dumps(texts, ensure_ascii=False),
                remark=why,
            )
        )
        found, beside = _judged_anew(act, row.lot, chips, (chosen, document), texts, today)
        act.body.update(
            {
                "piece": row.label,
                "photo": chosen.photo.name,
                "reads" if texts else "reads_as_the_readers_read": found.marking,
                "instead_of": document.piece.marking,
                "remark": why,
                "findings_changed_on": beside,
            }
        )
        stands = piece_suspicions(act.session, [row])[row.id].probability
        return Corrected(
            piece=row.label,
            photo=chosen.photo.name,
            by_hand=bool(texts),
            as_read=tuple(line.text for line in (found.lines if found.as_read is None else found.as_read)),
            before=_now(document.piece, stood),
            now=_now(found, stands),
            supersedes=None if held is None else f"{held.marking} ({held.at[:10]}, {held.operator})",
            remark=why,
            notes=tuple(_notes(chips, chosen.id, row, beside)),
        )


def _checked(lines: Sequence[str]) -> tuple[str, ...]:
    if len(lines) > MOST_LINES:
        raise BadRequest(
            f"The marking has {len(lines)} lines; a chip has at most {MOST_LINES}.", "Give the lines of one chip's top."
        )
    checked = []
    for number, line in enumerate(lines, start=1):
        name = f"text of line {number}"
        if any(unicodedata.category(letter) == "Cc" for letter in line):
            raise BadRequest(f"The {name} holds characters that do not print.", "Give each line by itself.")
        text = one_line(line, name, LONGEST_LINE)
        if " / " in f" {text} ":
            raise BadRequest(
                f"The {name} holds a slash that stands alone.", "It stands between lines: give each line by itself."
            )
        checked.append(text)
    return tuple(checked)


def _chosen(chips: Iterable[KnownChip], piece: Piece, photo: str | None) -> KnownChip:
    """Return the chip whose reading is corrected: the newest of the piece, or that of one photo."""
    mine = sorted((one for one in chips if one[0].piece_id == piece.id), key=lambda one: one[0].id)
    if not mine:
        raise BadRequest(
            f"No photo shows the top of {piece.label} yet.",
            f"Photograph it first: lotproof photograph {piece.lot.label} PHOTO",
        )
    if photo is None:
        return mine[-1]
    named = [one for one in mine if photo in (one[0].photo.name, one[0].photo.sha256)]
    if not named:
        names = ", ".join(dict.fromkeys(one[0].photo.name for one in mine))
        shown = "".join(letter if letter.isprintable() else "?" for letter in photo[:60])
        raise BadRequest(f"No photo '{shown}' shows the top of {piece.label}.", f"Its photos: {names}.")
    return named[-1]


def _refuse_the_same(piece: Piece, found: PieceFound, texts: tuple[str, ...]) -> None:
    if not texts and found.as_read is None:
        raise BadRequest(f"Nobody corrected the reading of {piece.label}.", f"See: lotproof show {piece.label}")
    if texts and texts == tuple(line.text for line in found.lines):
        raise BadRequest(f"{piece.label} reads {' / '.join(texts)} already.", "Nothing was recorded.")


def _judged_anew(
    act: Act, lot: Lot, chips: Sequence[KnownChip], one: KnownChip, texts: tuple[str, ...], today: date | None
) -> tuple[PieceFound, list[str]]:
    """Record what the piece now says, and every sibling about which its text changed a finding.

    Returns
    -------
    found : PieceFound
    beside : list of str
        Labels of those siblings.
    """
    mine, document = one
    compared = {mine.piece.label, *document.compared_with}
    # In the photos of the role that it was compared with: what is compared stays the same, only the text changed.
    group = [chip for chip in chips if chip[0].photo.role == mine.photo.role and chip[0].piece.label in compared]
    pieces = [corrected(d.piece, texts) if i is mine else d.piece for i, d in group]
    weights, before = learned(act.session).experience.without_lot(lot.id), prior_of(act.session, lot)
    claim = Claim(lot.claimed_part, lot.claimed_maker, lot.claimed_grade, lot.condition, lot.arrived_on)
    day = today or datetime.now(UTC).date()
    anew = rejudged(pieces, claim, today=day, before=before, weights=weights)
    newest = {i.piece_id: i.id for i, _ in sorted(group, key=lambda chip: chip[0].id)}
    beside, own = list[str](), anew[0]
    for number, ((inspection, d), found) in enumerate(zip(group, anew, strict=True)):
        changed = newest[inspection.piece_id] == inspection.id and findings_in(d.piece) != findings_in(found)
        if inspection is mine or (changed and inspection.piece_id != mine.piece_id):
            told = siblings_told(anew, number)
            now = _document(d, told, weights.version)
            write_inspection(act, inspection.photo, inspection.piece, now, before)
            if inspection is mine:
                own = told
            else:
                beside.append(inspection.piece.label)
    return own, sorted(beside)


def _document(before: PieceDocument, found: PieceFound, weights: str) -> PieceDocument:
    method = {**before.method, "lotproof": __version__, "weights": weights}
    return before.model_copy(update={"piece": found, "method": method})


def _now(found: PieceFound, suspicion: float) -> MarkingNow:
    return MarkingNow(
        lines=tuple(line.text for line in found.lines),
        part=found.part,
        date_code=found.date_codes[0].text if found.date_codes else None,
        findings=tuple(one.code for one in found.findings),
        suspicion=suspicion,
    )


def _notes(chips: Iterable[KnownChip], chosen: int, piece: Piece, beside: Sequence[str]) -> Iterable[str]:
    later = [i for i, _ in chips if i.piece_id == piece.id and i.id > chosen]
    if later:
        newest = max(later, key=lambda i: i.id)
        yield f"Until now {newest.photo.name} told what {piece.label} reads; now it is the photo that was corrected."
    if beside:
        yield f"Beside this reading, the findings on {', '.join(beside)} changed."
