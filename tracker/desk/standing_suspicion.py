"""Suspicions kept beside the records: which of them are of today, and bringing the others up to it.

A suspicion depends on the whole workshop: one settled piece moves the weights and the prior of all. So a kept one names
what it was worked out with: the program's rules, and how often what the workshop has learned had changed by then. Where
that is not what holds today, or the piece or what is told of its siblings has changed since, it is stale. Who asks
for a list waits for `FEW` of them, worked out anew by `judged` of `tracker/desk/assess.py`; the others are shown as
kept, and marked.
"""

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from sqlalchemy import ColumnElement, Table, Update, bindparam, func, or_, select, update
from sqlalchemy.orm import Session

from tracker import __version__, judgement
from tracker.desk.standing import Progress, bring_up, state
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError
from tracker.records.derived import LOT_STANDING, PIECE_STANDING

FEW = 1_000
"""So many stale suspicions are brought up to today while somebody waits for a list. Of whole lots 0.44 ms a piece
was measured; that half as much goes for each sibling of which anything is known, since it is read along, is an
estimate from its profile. Half a second is what somebody waits gladly (our own choice), and most workshops are
smaller: their lists are always of today."""
AT_ONCE = 2_000
"""Pieces judged between two writes; our own choice."""


def mark(taught: int) -> str:
    """Return what a suspicion of today is worked out with, as `reckoned` names it."""
    return f"{_rules()}.{taught}"


@cache
def _rules() -> str:
    """Return a mark of the program's rules and weights: all files of the room of judgement."""
    found = hashlib.sha256(__version__.encode())
    folder = Path(next(iter(judgement.__path__)))
    for path in sorted(path for path in folder.iterdir() if path.suffix in (".py", ".toml")):
        found.update(path.read_bytes())
    return found.hexdigest()[:12]


@dataclass(slots=True)
class Reckoned:
    """Suspicions of today by piece and by lot, each with the `changed` of the row that it is for."""

    mark: str
    pieces: dict[int, tuple[int, float | None]] = field(default_factory=dict)
    lots: dict[int, tuple[int, float | None]] = field(default_factory=dict)


def reckon_pieces(session: Session, today: str, pieces: Sequence[int]) -> Reckoned:
    """Return today's suspicions of some pieces; one without a row of its own is left out: nothing is known of it.

    Parameters
    ----------
    today : str
        The mark of today.
    pieces : sequence of int
        Ids.
    """
    from tracker.desk.assess import judged
    from tracker.desk.learned import learned

    found = Reckoned(today)
    at = PIECE_STANDING.c
    for start in range(0, len(pieces), AT_ONCE):
        some = pieces[start : start + AT_ONCE]
        rows = session.execute(select(at.piece_id, at.lot_id, at.changed).where(at.piece_id.in_(some))).all()
        sums = judged(session, {row.piece_id: row.lot_id for row in rows}, learned(session), only_known=True)
        for number, lot, changed in rows:
            found.pieces[number] = (changed, sums.suspicion(number, lot))
    return found


def lots_of(session: Session, pieces: Sequence[int]) -> list[tuple[int, int]]:
    """Return some pieces with their lots, in the order given."""
    at = PIECE_STANDING.c
    lot: dict[int, int] = dict(session.execute(select(at.piece_id, at.lot_id).where(at.piece_id.in_(pieces))).all())
    return [(number, lot[number]) for number in pieces if number in lot]


def in_time(session: Session, stale: Sequence[tuple[int, int]], most: int) -> list[int]:
    """Return the first of some pieces that are judged in the time of `most`, at least one; see `FEW`.

    Parameters
    ----------
    stale : sequence of (int, int)
        Pieces with their lots, those first that are to be judged first.
    """
    at, some = PIECE_STANDING.c, list(dict.fromkeys(lot for _, lot in stale[:most]))
    siblings = select(at.lot_id, func.count()).where(at.lot_id.in_(some)).group_by(at.lot_id)
    sizes: dict[int, int] = dict(session.execute(siblings).all())
    chosen = list[int]()
    spent = 0
    for number, lot in stale[:most]:
        spent += 1 + sizes.pop(lot, 0) // 2
        if chosen and spent > most:
            break
        chosen.append(number)
    return chosen


def reckon_lots(session: Session, today: str, lots: Sequence[int], most: int | None = None) -> Reckoned:
    """Return today's suspicions of some lots, the highest of their pieces', and of the pieces where they were stale.

    Parameters
    ----------
    most : int, optional
        So many pieces are judged, as `in_time` counts, those of the first lots. A lot of which more are stale is left
        out; what was judged of it is kept, so that who asks again comes further.
    """
    at, of = PIECE_STANDING.c, LOT_STANDING.c
    rows = [
        row
        for start in range(0, len(lots), AT_ONCE)
        for row in session.execute(
            select(at.piece_id, at.lot_id, at.suspicion, at.reckoned).where(
                at.lot_id.in_(lots[start : start + AT_ONCE])
            )
        )
    ]
    place = {lot: at for at, lot in enumerate(lots)}
    old = [(row.piece_id, row.lot_id) for row in rows if row.reckoned != today]
    old.sort(key=lambda one: (place[one[1]], one[0]))
    found = reckon_pieces(session, today, [one for one, _ in old] if most is None else in_time(session, old, most))
    left = {lot for number, lot in old if number not in found.pieces}
    highest: dict[int, float] = {}
    for number, lot, kept, _ in rows:
        now = found.pieces[number][1] if number in found.pieces else kept
        if now is not None:
            highest[lot] = max(now, highest.get(lot, now))
    for start in range(0, len(lots), AT_ONCE):
        some = select(of.lot_id, of.changed).where(of.lot_id.in_(lots[start : start + AT_ONCE]))
        for lot, changed in session.execute(some):
            if lot not in left:
                found.lots[lot] = (changed, highest.get(lot))
    return found


def keep(workspace: Workspace, found: Reckoned, *, wait: bool = False) -> bool:
    """Keep suspicions where nothing has changed since; False where another bench is writing or nobody may write."""
    if not found.pieces and not found.lots:
        return True
    with suppress(LotproofError), workspace.derive(wait=wait) as session:
        for table, kept in ((PIECE_STANDING, found.pieces), (LOT_STANDING, found.lots)):
            rows = [
                {"of": number, "then": changed, "now": suspicion, "with": found.mark}
                for number, (changed, suspicion) in kept.items()
            ]
            if rows:
                session.connection().execute(_keeping(table), rows)
        return True
    return False


@cache
def _keeping(table: Table) -> Update:
    key = next(iter(table.primary_key))
    same = (key == bindparam("of"), table.c.changed == bindparam("then"))
    return update(table).where(*same).values(suspicion=bindparam("now"), reckoned=bindparam("with"))


def catch_up(workspace: Workspace, progress: Progress | None = None) -> None:
    """Bring the tables up to the newest entry, where they are behind."""
    with workspace.derive() as session:
        at = state(session)
        if not at.current:
            bring_up(session, at, until=at.head, progress=progress)


def stale(session: Session, table: Table, today: str) -> int:
    """Return how many of the suspicions kept in a table are not of today."""
    count = select(func.count()).select_from(table).where(_stale(table, today))
    return session.scalar(count) or 0


def _stale(table: Table, today: str) -> ColumnElement[bool]:
    kept = table.c.reckoned
    # Not '!=': an index can say which lie before and which after.
    return or_(kept.is_(None), kept < today, kept > today)


def some_stale(session: Session, today: str, most: int) -> list[tuple[int, int]]:
    """Return the ids of some pieces whose suspicion is not of today, and of their lots, lot by lot."""
    at = PIECE_STANDING.c
    query = select(at.piece_id, at.lot_id).where(_stale(PIECE_STANDING, today))
    # Not by the number itself: the stale ones are to be found by their index and put in order, not all gone through.
    return [(piece, lot) for piece, lot in session.execute(query.order_by(at.piece_id + 0).limit(most))]


def stale_lots(session: Session, today: str, most: int | None = None) -> list[int]:
    """Return the ids of some lots whose suspicion is not of today."""
    at = LOT_STANDING.c
    return list(
        session.scalars(select(at.lot_id).where(_stale(LOT_STANDING, today)).order_by(at.lot_id + 0).limit(most))
    )


@dataclass(frozen=True, slots=True)
class Done:
    """How many suspicions were worked out anew, and how many are still stale."""

    pieces: int
    lots: int
    left: int


def reckon(workspace: Workspace, *, progress: Progress | None = None, most: int | None = None) -> Done:
    """Bring the suspicions of pieces and lots up to today, in parts; what is done stays done if it is broken off.

    Parameters
    ----------
    progress : callable, optional
        Is told how many pieces are done, of how many.
    most : int, optional
        Stop after so many pieces: for who has a moment only.
    """
    catch_up(workspace)
    pieces = lots = 0
    before = _left(workspace)
    total = before
    while before and (most is None or pieces < most):
        with workspace.read() as session:
            today = mark(state(session).taught)
            some = some_stale(session, today, AT_ONCE if most is None else min(AT_ONCE, most - pieces))
            found = reckon_pieces(session, today, [number for number, _ in some])
        if not keep(workspace, found, wait=True):
            break
        pieces += len(found.pieces)
        left = _left(workspace)
        if progress is not None:
            progress(total - left, total)
        if not left < before:  # others change more meanwhile than is done here
            break
        before = left
    if before == 0:
        lots = _reckon_lots(workspace)
    return Done(pieces, lots, before)


def _left(workspace: Workspace) -> int:
    with workspace.read() as session:
        return stale(session, PIECE_STANDING, mark(state(session).taught))


def _reckon_lots(workspace: Workspace) -> int:
    done = 0
    while True:
        with workspace.read() as session:
            today = mark(state(session).taught)
            found = reckon_lots(session, today, stale_lots(session, today, AT_ONCE))
        if not found.lots or not keep(workspace, found, wait=True):
            return done
        done += len(found.lots)


def brought_up(workspace: Workspace) -> bool:
    """Bring what is kept beside the records up to them, where it is behind; False where that cannot be."""
    with workspace.read() as session:
        if state(session).current:
            return True
    try:
        catch_up(workspace)
    except LotproofError:  # nobody may write here, or another bench does so all the time: then the plain way
        return False
    return True
