"""The rows of the lists: one frozen value a lot, piece, seller, machine or run, as it stands now."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class LotRow:
    """One lot; how many of its pieces are open, accepted and so on; the highest suspicion among them."""

    lot: str
    seller: str
    source: str
    order: str | None
    line: int
    part: str
    maker: str | None
    grade: str | None
    condition: str
    ordered: int
    received: int
    price: str | None
    currency: str | None
    arrived: date
    claim_by: date | None
    open: int
    accepted: int
    quarantined: int
    rejected: int
    returned: int
    fitted: int
    suspicion: float | None


@dataclass(frozen=True, slots=True)
class PieceRow:
    """One piece as it stands; `suspicion` is None until anything is known about it."""

    piece: str
    lot: str
    seller: str
    part: str
    part_read: str | None
    date_code: str | None
    package: str | None
    suspicion: float | None
    disposition: str
    settled: str | None
    exemplar: bool
    machine: str | None
    position: str | None
    arrived: date


@dataclass(frozen=True, slots=True)
class SellerRow:
    """One seller and what became of the pieces.

    Of `known_lots`, the lots with pieces whose truth is known, `bad_lots` had some that were not as claimed; the share
    of such lots lies between `share_low` and `share_high` (95 %, 0 to 1; None where no lot is known).
    """

    seller: str
    lots: int
    pieces: int
    genuine: int
    not_genuine: int
    accepted: int
    rejected: int
    returned: int
    fitted: int
    first_arrival: date | None
    last_arrival: date | None
    known_lots: int
    bad_lots: int
    share_low: float | None
    share_high: float | None


@dataclass(frozen=True, slots=True)
class MachineRow:
    """One machine and how many pieces sit in it now."""

    machine: str
    name: str
    owner_reference: str | None
    pieces: int
    since: str


@dataclass(frozen=True, slots=True)
class RunRow:
    """One bench run; instant in UTC, weight in decibans."""

    run: str
    test: str
    piece: str | None
    machine: str | None
    verdict: str
    weight_db: float
    supply_v: float | None
    at: str
    operator: str


Row = LotRow | PieceRow | SellerRow | MachineRow | RunRow
ROW_OF: Mapping[str, type[Row]] = {
    "lots": LotRow,
    "pieces": PieceRow,
    "sellers": SellerRow,
    "machines": MachineRow,
    "runs": RunRow,
}
