"""The documents of lists: lots, pieces, sellers, machines, runs.

`next` is what `--after` takes for the next page; `stale` is as in `Listing`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast

from tracker.desk.documents.base import Document
from tracker.desk.listing import Listing
from tracker.desk.rows import LotRow, MachineRow, PieceRow, RunRow, SellerRow


@dataclass(frozen=True, kw_only=True)
class LotsDocument(Document):
    """Lots, and how many there were before the limit."""

    schema: Literal["lotproof.lots/1"] = "lotproof.lots/1"
    lots: tuple[LotRow, ...]
    found: int
    next: str | None = None
    stale: int = 0


@dataclass(frozen=True, kw_only=True)
class PiecesDocument(Document):
    """Pieces, and how many there were before the limit."""

    schema: Literal["lotproof.pieces/1"] = "lotproof.pieces/1"
    pieces: tuple[PieceRow, ...]
    found: int
    next: str | None = None
    stale: int = 0


@dataclass(frozen=True, kw_only=True)
class SellersDocument(Document):
    """Sellers, and how many there were before the limit."""

    schema: Literal["lotproof.sellers/1"] = "lotproof.sellers/1"
    sellers: tuple[SellerRow, ...]
    found: int
    next: str | None = None
    stale: int = 0


@dataclass(frozen=True, kw_only=True)
class MachinesDocument(Document):
    """Machines, and how many there were before the limit."""

    schema: Literal["lotproof.machines/1"] = "lotproof.machines/1"
    machines: tuple[MachineRow, ...]
    found: int
    next: str | None = None
    stale: int = 0


@dataclass(frozen=True, kw_only=True)
class RunsDocument(Document):
    """Bench runs, and how many there were before the limit."""

    schema: Literal["lotproof.runs/1"] = "lotproof.runs/1"
    runs: tuple[RunRow, ...]
    found: int
    next: str | None = None
    stale: int = 0


ListDocument = LotsDocument | PiecesDocument | SellersDocument | MachinesDocument | RunsDocument
LIST_DOCUMENTS: Mapping[str, Any] = {
    "lots": LotsDocument,
    "pieces": PiecesDocument,
    "sellers": SellersDocument,
    "machines": MachinesDocument,
    "runs": RunsDocument,
}


def list_document(listing: Listing) -> ListDocument:
    """Return the document of a list."""
    made = LIST_DOCUMENTS[listing.what](
        found=listing.found, next=listing.next, stale=listing.stale, **{listing.what: listing.rows}
    )
    return cast(ListDocument, made)
