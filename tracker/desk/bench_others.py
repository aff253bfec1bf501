"""What exemplars and siblings drew when their supply current was measured at the same clock."""

import json
import math

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracker.bench import beside
from tracker.bench.beside import Other
from tracker.bench.current import CurrentResult
from tracker.desk.facts import standing_exemplars
from tracker.judgement.marking import fold_alike
from tracker.records.models import BenchRun, Piece

_SAME_CLOCK = 0.01  # relative


def beside_others(session: Session, piece: Piece | None, result: CurrentResult) -> tuple[str, ...]:
    """Return how a piece's current stands beside its exemplars' and siblings', in sentences; none for a machine."""
    if piece is None:
        return ()
    wanted = fold_alike(piece.lot.claimed_part)
    declared = {one.id for one in standing_exemplars(session, lambda part: fold_alike(part) == wanted)}
    alike = session.execute(
        select(Piece, BenchRun)
        .join(BenchRun, BenchRun.piece_id == Piece.id)
        .where(
            BenchRun.test == "current",
            Piece.id != piece.id,
            or_(Piece.id.in_(declared), Piece.lot_id == piece.lot_id),
        )
        .order_by(BenchRun.id)
    ).all()
    exemplars: dict[int, Other] = {}
    siblings: dict[int, Other] = {}
    for other, run in alike:  # a piece's last run at this clock stands for it
        found = _drawn(other, run, result.at_hz)
        if found is not None and other.id in declared:
            exemplars[other.id] = found
        elif found is not None:
            siblings[other.id] = found
    told = beside.sentences(result.current_a, result.u_a, "A", list(exemplars.values()), list(siblings.values()))
    return tuple(told)


def _drawn(piece: Piece, run: BenchRun, at_hz: float | None) -> Other | None:
    kept = json.loads(run.result)
    clock = kept.get("at_hz")
    if (clock is None) != (at_hz is None):
        return None
    if clock is not None and at_hz is not None and not math.isclose(clock, at_hz, rel_tol=_SAME_CLOCK):
        return None
    return Other(piece.label, float(kept["current_a"]), float(kept["u_a"]))
