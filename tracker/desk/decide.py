"""What the workshop says of a piece: its disposition, its truth, and whether it is an exemplar."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import prior_of
from tracker.desk.fields import day, one_line, one_of
from tracker.desk.pieces import MANY, dispositions, find_piece, resolve_pieces, seats
from tracker.desk.since import refuse_if_said
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.judgement.prior import Prior
from tracker.judgement.suspicion import odds_to_probability, percent
from tracker.records.models import BenchRun, Decision, Exemplar, JournalEntry, Lot, Piece, Settlement, Shipment

DISPOSITION_OF = {"accept": "accepted", "quarantine": "quarantined", "reject": "rejected", "return": "returned"}
TRUTHS = ("genuine", "not-genuine")
REASON_LENGTH = 2000


@dataclass(frozen=True, slots=True)
class Decided:
    """One piece and what was decided; `notes` are things to see to."""

    piece: str
    before: str
    disposition: str
    reason: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Declared:
    """A declaration about a piece and the one it supersedes, if any; `notes` are things to see to."""

    piece: str
    said: str
    grounds: str
    supersedes: str | None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sent:
    """How pieces went back: the carrier, its reference, and the day."""

    carrier: str
    reference: str
    on: date


def sent(verb: str, carrier: str | None, reference: str | None, on: str | None, *, today: date) -> Sent | None:
    """Return what was typed of a shipment beside a decision; None where nothing was.

    Raises
    ------
    BadRequest
        Only one of carrier and reference was given, or the day has not come yet.
    """
    if carrier is None and reference is None and on is None:
        return None
    if verb.strip().lower() != "return":
        raise BadRequest(
            f"A carrier goes with a return, not with '{verb}'.", "Leave --carrier, --tracking and --sent-on out."
        )
    if carrier is None or reference is None:
        lacking = "--carrier" if carrier is None else "--tracking"
        raise BadRequest(f"{lacking} is missing.", "A return is proved by both: who carried it, and its reference.")
    when = today if on is None else day(on, "day it was sent")
    if when > today:
        raise BadRequest(f"The day it was sent, {when}, has not come yet.", "Record it once it is on its way.")
    return Sent(one_line(carrier, "carrier", 100), one_line(reference, "reference", 200), when)


def decide(
    workspace: Workspace,
    words: Sequence[str],
    verb: str,
    reason: str,
    *,
    shipped: Sent | None = None,
    seen: int | None = None,
    operator: str | None = None,
) -> tuple[Decided, ...]:
    """Give pieces a disposition, all in one act.

    Parameters
    ----------
    words : sequence of str
        Pieces, runs of pieces or lots.
    verb : str
        accept, quarantine, reject or return.
    shipped : Sent, optional
        How returned pieces went back.
    seen : int, optional
        The journal entry that the page was made from which asked for the decision; see `tracker.desk.since`.

    Raises
    ------
    SaidSince
        Something was said about one of the pieces after entry `seen`.
    BadRequest
        When a piece is unknown, the reason is empty, or a piece to be returned still sits in a machine or was sent
        before it arrived.
    """
    disposition = DISPOSITION_OF[one_of(verb, "decision", tuple(DISPOSITION_OF))]
    why = one_line(reason, "reason", REASON_LENGTH)
    if shipped is not None and disposition != "returned":
        raise BadRequest(f"A carrier goes with a return, not with '{verb}'.", "Leave --carrier and --tracking out.")
    with workspace.act(operator, "decide", "") as act:
        pieces = resolve_pieces(act.session, words)
        if not pieces:
            raise BadRequest("No piece is named.", "Name pieces like L0007-03 or L0007-01..05.")
        refuse_if_said(act.session, pieces, seen)
        before = dispositions(act.session, pieces)
        lots = {piece.lot.seller_id: piece.lot for piece in pieces}
        stood = {number: prior_of(act.session, lot) for number, lot in lots.items()}
        sitting = seats(act.session, pieces)
        genuine = settled(act.session, pieces)
        answers = []
        for piece in pieces:
            seat = sitting.get(piece.id)
            place = f"{seat.machine.label} ({seat.machine.name}) at {seat.position}" if seat else ""
            if seat and disposition == "returned":
                raise BadRequest(f"{piece.label} sits in {place}.", f"Take it out first: lotproof unfit {piece.label}")
            act.session.add(Decision(piece_id=piece.id, disposition=disposition, reason=why))
            if shipped is not None:
                _refuse_sent_before_arrival(piece, shipped)
                act.session.add(
                    Shipment(
                        piece_id=piece.id, carrier=shipped.carrier, reference=shipped.reference, sent_on=shipped.on
                    )
                )
            notes = []
            if disposition == "returned" and shipped is None:
                notes.append("Once it is sent decide it again with --carrier and --tracking: they prove the return.")
            if seat and disposition != "accepted":
                notes.append(f"{piece.label} still sits in {place}.")
            if disposition == "accepted" and genuine.get(piece.id) is False:
                notes.append(f"{piece.label} is settled as not genuine.")
            answers.append(Decided(piece.label, before[piece.id], disposition, why, tuple(notes)))
        act.session.flush()
        moved = [_seller_moved(act.session, lot, stood[number]) for number, lot in lots.items()]
        answers[-1] = replace(answers[-1], notes=(*answers[-1].notes, *(text for text in moved if text)))
        act.subject = subject_for(pieces)
        act.body.update(pieces=[piece.label for piece in pieces], disposition=disposition, reason=why)
        if shipped is not None:
            act.body["sent"] = {"carrier": shipped.carrier, "reference": shipped.reference, "on": str(shipped.on)}
    return tuple(answers)


def _refuse_sent_before_arrival(piece: Piece, shipped: Sent) -> None:
    arrived = piece.lot.arrived_on
    if shipped.on < arrived:
        raise BadRequest(
            f"{piece.label} arrived on {arrived}, so it was not sent back on {shipped.on}.",
            "Give --sent-on as the day it went out.",
        )


def _seller_moved(session: Session, lot: Lot, before: Prior) -> str:
    """Say that the seller's record has changed, and with it what is thought of the other pieces; empty if it has not.

    Where a bench test agrees with a decision, it is known what the piece is, and that counts in the seller's record.
    """
    now = prior_of(session, lot)
    if round(now.db, 3) == round(before.db, 3):
        return ""
    was, is_now = (percent(odds_to_probability(one.db)) for one in (before, now))
    return (
        f"This counts in the record of {lot.seller.name}: of such pieces {was} were taken not to be what they claim, "
        f"now {is_now}. The suspicion of the seller's other pieces moves with it."
    )


def subject_for(pieces: Sequence[Piece]) -> str:
    """Return the journal's subject for an act on several pieces: the piece, else the lot, else the first and last."""
    labels = [piece.label for piece in pieces]
    lots = {piece.lot.label for piece in pieces}
    if len(labels) == 1:
        return labels[0]
    return lots.pop() if len(lots) == 1 else f"{labels[0]}..{labels[-1]}"


def settled(session: Session, pieces: Sequence[Piece] | None = None) -> dict[int, bool]:
    """Return the truth settled for each piece, by its id; unsettled pieces are left out. None: all pieces."""
    query = select(Settlement).order_by(Settlement.entry_id, Settlement.id)
    if pieces is not None and len(pieces) <= MANY:
        query = query.where(Settlement.piece_id.in_([piece.id for piece in pieces]))
    latest = {row.piece_id: row for row in session.scalars(query)}
    return {number: row.genuine for number, row in latest.items() if not row.withdrawn}


def exemplars(session: Session) -> set[int]:
    """Return the ids of the pieces that stand as exemplars."""
    latest = {row.piece_id: row for row in session.scalars(select(Exemplar).order_by(Exemplar.entry_id, Exemplar.id))}
    return {number for number, row in latest.items() if not row.withdrawn}


def settle(
    workspace: Workspace,
    piece_label: str,
    truth: str,
    grounds: str,
    *,
    withdraw: bool = False,
    seen: int | None = None,
    operator: str | None = None,
) -> Declared:
    """Record a truth about a piece established outside the photos, or take it back.

    Parameters
    ----------
    truth : str
        genuine or not-genuine.
    withdraw : bool
        Take back an earlier settlement to the same effect.
    seen : int, optional
        As in `decide`.

    Raises
    ------
    SaidSince
        As in `decide`.
    BadRequest
        When the piece is unknown, the grounds are empty, or there is nothing to take back.
    """
    genuine = one_of(truth, "truth", TRUTHS) == "genuine"
    why = one_line(grounds, "grounds", REASON_LENGTH)
    with workspace.act(operator, "settle", "") as act:
        piece = find_piece(act.session, piece_label)
        refuse_if_said(act.session, [piece], seen)
        query = select(Settlement).where(Settlement.piece_id == piece.id)
        earlier = act.session.scalars(query.order_by(Settlement.entry_id.desc(), Settlement.id.desc())).first()
        standing = earlier if earlier is not None and not earlier.withdrawn else None
        if withdraw and (standing is None or standing.genuine != genuine):
            raise BadRequest(f"{piece.label} is not settled as {_truth(genuine)}.", f"See: lotproof show {piece.label}")
        stood = prior_of(act.session, piece.lot)
        act.add(Settlement(piece_id=piece.id, genuine=genuine, grounds=why, withdrawn=withdraw))
        said = f"{'no longer settled as ' if withdraw else ''}{_truth(genuine)}"
        _say(act, piece, said, why)
        supersedes = _said_before(act.session, standing, _truth(standing.genuine)) if standing else None
        moved = _seller_moved(act.session, piece.lot, stood)
        return Declared(piece.label, said, why, supersedes, (moved,) if moved else ())


def declare_exemplar(
    workspace: Workspace,
    piece_label: str,
    grounds: str,
    *,
    withdraw: bool = False,
    seen: int | None = None,
    operator: str | None = None,
) -> Declared:
    """Declare a piece known good, so that others are compared with it; or take that back.

    Parameters
    ----------
    seen : int, optional
        As in `decide`.

    Raises
    ------
    SaidSince
        As in `decide`.
    BadRequest
        When the piece is unknown, the grounds are empty, it is settled as not genuine, or nothing can be taken back.
    """
    why = one_line(grounds, "grounds", REASON_LENGTH)
    with workspace.act(operator, "exemplar", "") as act:
        piece = find_piece(act.session, piece_label)
        refuse_if_said(act.session, [piece], seen)
        query = select(Exemplar).where(Exemplar.piece_id == piece.id)
        earlier = act.session.scalars(query.order_by(Exemplar.entry_id.desc(), Exemplar.id.desc())).first()
        standing = earlier if earlier is not None and not earlier.withdrawn else None
        if withdraw and standing is None:
            raise BadRequest(f"{piece.label} is not an exemplar.", f"See: lotproof show {piece.label}")
        if not withdraw and settled(act.session, [piece]).get(piece.id) is False:
            raise BadRequest(f"{piece.label} is settled as not genuine.", "An exemplar must be a known-good piece.")
        act.add(Exemplar(piece_id=piece.id, grounds=why, withdrawn=withdraw))
        said = "no longer an exemplar" if withdraw else "exemplar"
        _say(act, piece, said, why)
        supersedes = _said_before(act.session, standing, "exemplar") if standing else None
        return Declared(piece.label, said, why, supersedes, () if withdraw else _against(act.session, piece))


def _against(session: Session, piece: Piece) -> tuple[str, ...]:
    """Say what on record speaks against a piece that is declared known good."""
    notes = []
    stands = dispositions(session, [piece])[piece.id]
    if stands in ("quarantined", "rejected", "returned"):
        notes.append(f"{piece.label} is {stands}.")
    failed = select(BenchRun.label).where(BenchRun.piece_id == piece.id, BenchRun.verdict == "fail")
    runs = session.scalars(failed.order_by(BenchRun.id)).all()
    if runs:
        notes.append(f"{piece.label} failed bench test {', '.join(runs)}.")
    if notes:
        notes.append("Others are compared with it all the same; --withdraw takes the declaration back.")
    return tuple(notes)


def _say(act: Act, piece: Piece, said: str, grounds: str) -> None:
    act.subject = piece.label
    act.body.update(piece=piece.label, said=said, grounds=grounds)


def _said_before(session: Session, row: Settlement | Exemplar, said: str) -> str:
    entry = session.get_one(JournalEntry, row.entry_id)
    return f"{said} ({entry.at[:10]}, {entry.operator}: {row.grounds})"


def _truth(genuine: bool) -> str:
    return "genuine" if genuine else "not genuine"
