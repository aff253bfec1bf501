"""How suspicions have held, as values: each piece, the reliability diagram, and what became of the weights."""

from dataclasses import dataclass

from tracker.bench.sampling import interval
from tracker.judgement.scores import Bin, Scores
from tracker.judgement.together import Together


@dataclass(frozen=True, slots=True)
class Judged:
    """One piece: what would have been thought of it, and what it is.

    Parameters
    ----------
    piece, lot : str
    suspicion : float
        Without any truth of its lot: neither in the sum, nor in the seller's record, nor in the weights. Where its
        truth comes from the bench, without bench tests too.
    not_genuine : bool
    by_bench : bool
        Whether the bench and a decision made its truth.
    """

    piece: str
    lot: str
    suspicion: float
    not_genuine: bool
    by_bench: bool


@dataclass(frozen=True, slots=True)
class Reliability:
    """One bin of the reliability diagram, with the 95 % interval (Clopper-Pearson) of what the pieces were."""

    bin: Bin
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """How suspicions have held.

    Parameters
    ----------
    weights : str
        The version of the weights, all lessons counted.
    judged : tuple of Judged
    left_out : int
        Pieces of known truth of which nothing was ever looked at.
    enough : bool
        Whether there are so many that something can be said.
    said : str
        That in words.
    scores : Scores or None
        None without any piece.
    reliability : tuple of Reliability
    notes : tuple of str
        What to mind.
    behind : int
        How many journal entries came since it was worked out.
    """

    weights: str
    judged: tuple[Judged, ...]
    left_out: int
    enough: bool
    said: str
    scores: Scores | None
    reliability: tuple[Reliability, ...]
    notes: tuple[str, ...]
    behind: int = 0


@dataclass(frozen=True, slots=True)
class IndicatorMoved:
    """What settled pieces did to the weight of one indicator, clearly seen.

    Parameters
    ----------
    code, family, title : str
    declared_not_genuine, declared_genuine : float
        Share of pieces that show it clearly, as declared, 0 to 1.
    seen_not_genuine, of_not_genuine, seen_genuine, of_genuine : float
        As settled here, in effective pieces: those of one lot count less than one each.
    pieces, lots : int
        Settled pieces behind that, and the lots they came in.
    declared_db, now_db : float
        Its weight by the declared counts, and now.
    """

    code: str
    family: str
    title: str
    declared_not_genuine: float
    declared_genuine: float
    seen_not_genuine: float
    of_not_genuine: float
    seen_genuine: float
    of_genuine: float
    pieces: int
    lots: int
    declared_db: float
    now_db: float

    @property
    def moved_db(self) -> float:
        """How far the weight has moved."""
        return self.now_db - self.declared_db


@dataclass(frozen=True, slots=True)
class IndicatorsMoved:
    """All indicators, the farthest moved first.

    Parameters
    ----------
    weights : str
        Their version.
    declared_pieces : float
        How many pieces of either kind the declared counts stand for.
    together : Together
    indicators : tuple of IndicatorMoved
    """

    weights: str
    declared_pieces: float
    together: Together

    @property
    def together_said(self) -> str:
        """What settled pieces have shown of several signs on one piece, in a sentence; '' without any."""
        together = self.together
        if not together.pieces:
            return ""
        return (
            f"Several signs on one piece together count {together.signs_count}; what was looked for, not found and "
            f"left out of that sum counts {together.left_out_counts}. Until a piece is settled, signs count what they "
            "add up to, and what is left out counts nothing."
        )

    indicators: tuple[IndicatorMoved, ...]


def reliability_of(found: Scores) -> tuple[Reliability, ...]:
    """Return the bins of scores with their intervals."""
    return tuple(_reliability(one) for one in found.bins)


def _reliability(one: Bin) -> Reliability:
    found = interval(one.not_genuine, one.pieces)
    return Reliability(one, found.lower, found.upper)
