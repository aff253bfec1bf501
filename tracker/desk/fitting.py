"""A piece goes into a machine, and comes out again."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.decide import REASON_LENGTH, settled
from tracker.desk.fields import one_line
from tracker.desk.names import close_names
from tracker.desk.pieces import OPEN, disposition, find_piece, machine_or_none, next_number, seat, seats
from tracker.desk.since import refuse_if_said
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.records.models import Fitting, Machine, Piece

BAD = ("quarantined", "rejected", "returned")


@dataclass(frozen=True, slots=True)
class Fitted:
    """A piece put into, or taken out of, a position of a machine; `notes` are things to see to."""

    piece: str
    fitted: bool
    machine: str
    machine_name: str
    position: str
    reason: str | None
    new_machine: bool = False
    notes: tuple[str, ...] = ()
    came_from: str | None = None
    """Where a moved piece sat before."""


def fit(
    workspace: Workspace,
    piece_label: str,
    machine_name: str,
    position: str,
    *,
    owner: str | None = None,
    anyway: bool = False,
    move: bool = False,
    reason: str | None = None,
    seen: int | None = None,
    operator: str | None = None,
) -> Fitted:
    """Record that a piece was put into a machine.

    Parameters
    ----------
    machine_name : str
        A machine's label (`M0002`) or name; a name not known yet makes a new machine.
    owner : str, optional
        The owner's reference of a new machine.
    anyway : bool
        Fit a piece that was quarantined, rejected or returned, or is settled as not genuine; `reason` is then needed.
    move : bool
        Take it out of where it sits first; both are recorded together.
    seen : int, optional
        The journal entry that the page was made from which asked for it; see `tracker.desk.since`.

    Raises
    ------
    SaidSince
        Something was said about the piece after entry `seen`.
    BadRequest
        When the piece sits in a machine already, the position is taken, or the piece must not be fitted.
    """
    name = one_line(machine_name, "name of the machine", 200)
    place = one_line(position, "position", 60)
    why = one_line(reason, "reason", REASON_LENGTH) if reason is not None else None
    if anyway and why is None:
        raise BadRequest("--anyway needs a reason.", "Add --reason with why it is fitted all the same.")
    with workspace.act(operator, "fit", "") as act:
        piece = find_piece(act.session, piece_label)
        refuse_if_said(act.session, [piece], seen)
        sat = seat(act.session, piece)
        came_from = _taken_out(act, piece, why) if move else None
        if not move:
            _refuse_sitting(act.session, piece)
        notes = _objections(act.session, piece, anyway)
        machine, new = _machine(act, name, owner, notes)
        if sat is not None and (sat.machine.id, sat.position.casefold()) == (machine.id, place.casefold()):
            raise BadRequest(
                f"{piece.label} sits in {machine.label} ({machine.name}) at {sat.position} already.",
                "Give --into or --at of the place it was moved to.",
            )
        _refuse_taken(act.session, machine, place)
        act.add(Fitting(piece_id=piece.id, machine_id=machine.id, position=place, fitted=True, reason=why))
        _say(act, piece, machine, place, why)
        if came_from is not None:
            act.body["from"] = came_from
        return Fitted(piece.label, True, machine.label, machine.name, place, why, new, tuple(notes), came_from)


@dataclass(frozen=True, slots=True)
class MachineAdded:
    """A machine on record; `notes` are things to see to."""

    machine: str
    name: str
    owner_reference: str | None
    notes: tuple[str, ...] = ()


def add_machine(
    workspace: Workspace, name: str, *, owner: str | None = None, operator: str | None = None
) -> MachineAdded:
    """Record a machine before anything is fitted into it, so that it can be measured as it came.

    Raises
    ------
    BadRequest
        When a machine has this name or label already.
    """
    wanted = one_line(name, "name of the machine", 200)
    with workspace.act(operator, "machine", "") as act:
        known = machine_or_none(act.session, wanted)
        if known is not None:
            raise BadRequest(f"{known.label} is called {known.name} already.", f"See: lotproof show {known.label}")
        notes: list[str] = []
        machine, _ = _machine(act, wanted, owner, notes)
        act.subject = machine.label
        act.body.update(machine=machine.label, name=machine.name, owner_reference=machine.owner_reference)
        return MachineAdded(machine.label, machine.name, machine.owner_reference, tuple(notes))


def unfit(
    workspace: Workspace,
    piece_label: str,
    *,
    reason: str | None = None,
    seen: int | None = None,
    operator: str | None = None,
) -> Fitted:
    """Record that a piece was taken out of its machine.

    Parameters
    ----------
    seen : int, optional
        As in `fit`.

    Raises
    ------
    SaidSince
        As in `fit`.
    BadRequest
        When it sits in none.
    """
    why = one_line(reason, "reason", REASON_LENGTH) if reason is not None else None
    with workspace.act(operator, "unfit", "") as act:
        piece = find_piece(act.session, piece_label)
        refuse_if_said(act.session, [piece], seen)
        sits = seat(act.session, piece)
        if sits is None:
            raise BadRequest(f"{piece.label} sits in no machine.", f"See: lotproof show {piece.label}")
        act.add(
            Fitting(piece_id=piece.id, machine_id=sits.machine.id, position=sits.position, fitted=False, reason=why)
        )
        _say(act, piece, sits.machine, sits.position, why)
        now = disposition(act.session, piece)
        notes = (f"Its disposition is now {now}, as last decided.",) if now != OPEN else ()
        return Fitted(piece.label, False, sits.machine.label, sits.machine.name, sits.position, why, False, notes)


def _say(act: Act, piece: Piece, machine: Machine, position: str, reason: str | None) -> None:
    act.subject = piece.label
    act.body.update(piece=piece.label, machine=machine.label, position=position, reason=reason)


def _taken_out(act: Act, piece: Piece, reason: str | None) -> str:
    """Record that a piece to be moved was taken out of where it sits, and return where that was."""
    sits = seat(act.session, piece)
    if sits is None:
        raise BadRequest(f"{piece.label} sits in no machine, so it cannot be moved.", "Leave --move out.")
    act.add(Fitting(piece_id=piece.id, machine_id=sits.machine.id, position=sits.position, fitted=False, reason=reason))
    return f"{sits.machine.label} ({sits.machine.name}) at {sits.position}"


def _refuse_sitting(session: Session, piece: Piece) -> None:
    sits = seat(session, piece)
    if sits is not None:
        raise BadRequest(
            f"{piece.label} sits in {sits.machine.label} ({sits.machine.name}) at {sits.position} already.",
            f"Add --move to record both at once, or take it out first: lotproof unfit {piece.label}",
        )


def _refuse_taken(session: Session, machine: Machine, position: str) -> None:
    for piece_id, sits in seats(session).items():
        if sits.machine.id == machine.id and sits.position.casefold() == position.casefold():
            other = session.get_one(Piece, piece_id).label
            raise BadRequest(
                f"Position {sits.position} of {machine.label} ({machine.name}) holds {other}.",
                f"Take it out first: lotproof unfit {other}",
            )


def _objections(session: Session, piece: Piece, anyway: bool) -> list[str]:
    """Refuse a piece that must not be fitted, unless `anyway`; return what is to be noted about it."""
    now = disposition(session, piece)
    objection = f"{piece.label} is {now}" if now in BAD else None
    if settled(session, [piece]).get(piece.id) is False:
        objection = f"{piece.label} is settled as not genuine"
    if objection and not anyway:
        raise BadRequest(f"{objection}.", "To fit it all the same add --anyway and --reason.")
    if objection:
        return [f"{objection} and was fitted all the same."]
    return [f"No decision on {piece.label} had been recorded before it was fitted."] if now == OPEN else []


def _machine(act: Act, name: str, owner: str | None, notes: list[str]) -> tuple[Machine, bool]:
    machine = machine_or_none(act.session, name)
    if machine is not None:
        if owner is not None and owner.strip() != (machine.owner_reference or ""):
            was = machine.owner_reference or "none"
            raise BadRequest(
                f"{machine.label} is on record with owner reference '{was}'.",
                "Leave --owner out, or name another machine.",
            )
        return machine, False
    if _looks_like_label(name):
        raise BadRequest(
            f"There is no machine {name.upper()}.", "Give a new machine's name; its label comes by itself."
        )
    known = act.session.scalars(select(Machine.name)).all()
    notes += [f"'{name}' is a new machine; there is also '{like}'." for like in close_names(name, known)]
    reference = one_line(owner, "owner reference", 200) if owner is not None else None
    label = f"M{next_number(act.session, Machine):04d}"
    return act.add(Machine(label=label, name=name, owner_reference=reference)), True


def _looks_like_label(name: str) -> bool:
    return name[:1] in "Mm" and name[1:].isdigit()
