"""What the rows of `piece_standing` say, worked out from the records; no suspicions."""

import hashlib
from collections.abc import Sequence
from typing import Any, NamedTuple

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from tracker.canonical import canonical
from tracker.desk.fields import folded
from tracker.desk.on_record import VERDICTS, OnRecord, bench_and_truth, on_record
from tracker.desk.outcomes import bench_outcomes, photo_outcomes
from tracker.desk.pieces import seats, standings
from tracker.desk.truths import bench_truth
from tracker.records.derived import PIECE_STANDING
from tracker.records.models import Piece

SAID = tuple(
    column.name for column in PIECE_STANDING.columns if column.name not in ("changed", "suspicion", "reckoned")
)
"""The columns that the rows alone decide."""


FROM_LOOKS = ("part_read", "read_key", "date_code", "package")
"""Those that come from photos."""


class Written(NamedTuple):
    """The lots of the pieces written, and whether what the workshop learns from them has changed."""

    lots: set[int]
    taught: bool


class _Numbered(NamedTuple):
    id: int


def write_pieces(session: Session, pieces: Sequence[int], until: int) -> Written:
    """Write the rows of some pieces anew; their suspicions are stale then."""
    before = dict(
        session.execute(
            select(PIECE_STANDING.c.piece_id, PIECE_STANDING.c.lesson).where(PIECE_STANDING.c.piece_id.in_(pieces))
        ).all()
    )
    rows = standing_rows(session, pieces)
    session.execute(delete(PIECE_STANDING).where(PIECE_STANDING.c.piece_id.in_(pieces)))
    if rows:
        session.execute(insert(PIECE_STANDING), [{**row, "changed": until} for row in rows])
    taught = any(row["lesson"] != before.get(row["piece_id"]) for row in rows)
    return Written({row["lot_id"] for row in rows}, taught)


def standing_rows(session: Session, pieces: Sequence[int], *, with_looks: bool = True) -> list[dict[str, Any]]:
    """Return what the records say of some pieces, as rows of `piece_standing`.

    Parameters
    ----------
    pieces : sequence of int
        Ids, at most `AT_ONCE` of `tracker/desk/standing.py`.
    with_looks : bool
        Without, nothing that photos showed is in them: no document is read.
    """
    lot_of: dict[int, int] = dict(
        session.execute(select(Piece.id, Piece.lot_id).where(Piece.id.in_(pieces)).order_by(Piece.id)).all()
    )
    known = on_record(session, list(lot_of)) if with_looks else bench_and_truth(session, list(lot_of))
    some = [_Numbered(number) for number in lot_of]
    sitting = seats(session, some)
    now = standings(session, some, sitting)
    rows = []
    for number, lot in lot_of.items():
        sits = sitting.get(number)
        place = (None, None) if sits is None else (sits.machine.id, sits.position)
        rows.append(_row(number, lot, known[number], now[number], place))
    return rows


def _row(
    number: int, lot: int, known: OnRecord, disposition: str, place: tuple[int | None, str | None]
) -> dict[str, Any]:
    seen, settlement = known.top, known.settlement
    truth = _truth(known)
    return {
        "piece_id": number,
        "lot_id": lot,
        **(from_look(seen.part_read, seen.date_code, seen.package) if seen else from_look()),
        "disposition": disposition,
        "settled": None if settlement is None else "genuine" if settlement.genuine else "not-genuine",
        "exemplar": known.exemplar is not None,
        "machine_id": place[0],
        "position": place[1],
        "truth": truth,
        "lesson": None if truth is None else _lesson(known, truth),
    }


def from_look(
    part: str | None = None, date_code: str | None = None, package: str | None = None
) -> dict[str, str | None]:
    """Return the columns `FROM_LOOKS` of a piece by what was read of it last."""
    return {
        "part_read": part,
        "read_key": None if part is None else folded(part),
        "date_code": date_code,
        "package": package,
    }


def _truth(known: OnRecord) -> bool | None:
    """Return whether a piece is known not to be genuine, as `truths` of `tracker/desk/truths.py` says."""
    if known.settlement is not None:
        return not known.settlement.genuine
    return bench_truth((run.verdict for run in known.runs if run.verdict in VERDICTS), known.disposition)


def _lesson(known: OnRecord, not_genuine: bool) -> str:
    """Return a mark of all that a piece teaches; see `tracker/desk/learned.py`."""
    settled = known.settlement is not None
    outcomes = photo_outcomes(known) | (bench_outcomes(known.runs) if settled else {})
    text = canonical([not_genuine, settled, sorted(outcomes.items())])
    return hashlib.sha256(text.encode()).hexdigest()[:16]
