"""Which pieces' truth is known, from whom, and what that says of their sellers."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracker.desk.facts import standing
from tracker.desk.on_record import VERDICTS
from tracker.records.models import BenchRun, Decision, Lot, Piece, Settlement


@dataclass(frozen=True, slots=True)
class Truth:
    """What one piece is known to be.

    Parameters
    ----------
    piece, lot, seller : int
        Their ids.
    not_genuine : bool
    by_bench : bool
        True where a bench test and a decision that agrees with it say so, False where a settlement does.
    """

    piece: int
    lot: int
    seller: int
    not_genuine: bool
    by_bench: bool


def truths(session: Session, seller: int | None = None, *, pieces: Sequence[int] | None = None) -> tuple[Truth, ...]:
    """Return what is known of all pieces, of those of one seller, or of some named by their ids, by piece.

    The truth of a piece is a settlement that stands, or a decision that a bench test agrees with: a decision from
    photos alone must not come back as evidence. A settlement goes before the bench.
    """
    # Only these can have a truth; all other pieces, thousands of them, need not be read.
    told = or_(Piece.id.in_(select(Settlement.piece_id)), Piece.id.in_(select(BenchRun.piece_id)))
    wanted = select(Piece.id).where(told)
    if seller is not None:
        wanted = wanted.join(Piece.lot).where(Lot.seller_id == seller)
    if pieces is not None:
        wanted = wanted.where(Piece.id.in_(pieces))
    settled = standing(
        session.scalars(select(Settlement).where(Settlement.piece_id.in_(wanted)).order_by(Settlement.id))
    )
    verdicts: dict[int, dict[str, str]] = {}
    runs = select(BenchRun.piece_id, BenchRun.test, BenchRun.verdict).where(BenchRun.piece_id.in_(wanted))
    for number, test, verdict in session.execute(runs.where(BenchRun.verdict.in_(VERDICTS)).order_by(BenchRun.id)):
        verdicts.setdefault(number or 0, {})[test] = verdict
    decisions = select(Decision.piece_id, Decision.disposition).where(Decision.piece_id.in_(wanted))
    decided = {row.piece_id: row.disposition for row in session.execute(decisions.order_by(Decision.id))}
    places = select(Piece.id, Piece.lot_id, Lot.seller_id).join(Piece.lot).where(Piece.id.in_(wanted))
    found = []
    for number, lot, owner in session.execute(places.order_by(Piece.id)):
        if number in settled:
            found.append(Truth(number, lot, owner, not settled[number].genuine, by_bench=False))
            continue
        by_bench = bench_truth(verdicts.get(number, {}).values(), decided.get(number))
        if by_bench is not None:
            found.append(Truth(number, lot, owner, by_bench, by_bench=True))
    return tuple(found)


def bench_truth(verdicts: Iterable[str], disposition: str | None) -> bool | None:
    """Return whether bench and decision together say that a piece is bad; None where they do not.

    A piece accepted in spite of a failed test is known neither way.
    """
    said = set(verdicts)
    if disposition in ("rejected", "returned") and "fail" in said:
        return True
    if disposition == "accepted" and said == {"pass"}:
        return False
    return None


@dataclass(frozen=True)
class SellerRecords:
    """Counts of sellers' pieces whose truth is known, each lot counting as one piece at most.

    Pieces of one lot are mostly all good or all bad, so twenty bad ones of one lot are one experience, not twenty
    (common practice, no source).
    """

    truths: tuple[Truth, ...] = ()
    counted: Mapping[int, Mapping[int, tuple[int, int]]] | None = None
    """By seller and lot: how many pieces are not genuine, and are known; in place of `truths`."""

    @cached_property
    def by_seller(self) -> Mapping[int, Mapping[int, tuple[int, int]]]:
        """How many pieces of each lot are not genuine, and are known, by seller and lot."""
        if self.counted is not None:
            return self.counted
        known: dict[int, dict[int, tuple[int, int]]] = {}
        for one in self.truths:
            lots = known.setdefault(one.seller, {})
            bad, number = lots.get(one.lot, (0, 0))
            lots[one.lot] = bad + one.not_genuine, number + 1
        return known

    @cached_property
    def _bad(self) -> dict[int, Fraction]:
        return {}

    def _bad_of(self, seller: int) -> Fraction:
        # Fractions, so that a lot can be taken away without a trace.
        if seller not in self._bad:
            shares = (Fraction(*counts) for counts in self.by_seller[seller].values())
            self._bad[seller] = sum(shares, Fraction(0))
        return self._bad[seller]

    def of(self, seller: int, *, without_lot: int | None = None) -> tuple[float, float]:
        """Return (bad, good) of a seller; a lot is left out of its own prior."""
        lots = self.by_seller.get(seller)
        if lots is None:
            return 0.0, 0.0
        number, bad = len(lots), self._bad_of(seller)
        if without_lot is not None and without_lot in lots:
            number, bad = number - 1, bad - Fraction(*lots[without_lot])
        return round(float(bad), 3), round(float(number - bad), 3)
