"""The documents of one piece, machine, run or seller: everything on record about it; of a lot by way of `lot`."""

from dataclasses import dataclass
from typing import Any, Literal

from tracker.desk.corrections import ByHand
from tracker.desk.documents.base import Document, members
from tracker.desk.events import Event
from tracker.desk.origin import Origin, Theirs
from tracker.desk.rows import PieceRow
from tracker.desk.sellers import SellerShown
from tracker.desk.showing import (
    File,
    FindingShown,
    LotShown,
    MachineShown,
    Measured,
    PieceShown,
    RunShown,
    Shown,
    SumShown,
    result_of,
)
from tracker.judgement.siblings import SiblingsReading
from tracker.judgement.suspicion import InVain


@dataclass(frozen=True, kw_only=True)
class PieceDocument(PieceRow, Document):
    """One piece: its row, the claim, what was seen and measured, the sum of its suspicion, and what was decided."""

    schema: Literal["lotproof.piece/1"] = "lotproof.piece/1"
    maker: str | None
    grade: str | None
    condition: str
    marking: str | None
    machine_name: str | None
    sum: tuple[SumShown, ...]
    findings: tuple[FindingShown, ...]
    runs: tuple[Measured, ...]
    photos: tuple[File, ...]
    events: tuple[Event, ...]
    siblings_read: tuple[SiblingsReading, ...]
    in_vain: tuple[InVain, ...]
    weights: str
    origin: Origin | None
    theirs: tuple[Theirs, ...]
    corrected: ByHand | None


@dataclass(frozen=True, kw_only=True)
class MachineDocument(MachineShown, Document):
    """One machine: what it holds and held, its runs, its events."""

    schema: Literal["lotproof.machine/1"] = "lotproof.machine/1"


@dataclass(frozen=True, kw_only=True)
class SellerDocument(SellerShown, Document):
    """A seller's record."""

    schema: Literal["lotproof.seller/1"] = "lotproof.seller/1"


@dataclass(frozen=True, kw_only=True)
class RunDocument(Document):
    """One bench run whole: SI units, weight in decibans; `result` is the test's own."""

    schema: Literal["lotproof.run/1"] = "lotproof.run/1"
    run: str
    test: str
    subject: str
    verdict: str
    weight_db: float
    rule: str
    at: str
    operator: str
    program: str | None
    supply_v: float | None
    ambient_c: float | None
    jig: str | None
    instrument: str | None
    remark: str | None
    result: Any
    samples: tuple[dict[str, Any], ...]


@dataclass(frozen=True, kw_only=True)
class SumDocument(Document):
    """How the suspicion of a piece adds up, in decibans, with the counts that each weight rests on."""

    schema: Literal["lotproof.sum/1"] = "lotproof.sum/1"
    piece: str
    suspicion: float | None
    total_db: float
    weights: str
    sum: tuple[SumShown, ...]
    in_vain: tuple[InVain, ...]


def shown_document(shown: Shown) -> Document:
    """Return the document of what is shown."""
    whole = members(shown)
    if isinstance(shown, LotShown):
        # Loads what compares test plans, which nothing else that is shown needs.
        from tracker.desk.documents.lot import lot_document

        return lot_document(shown)
    if isinstance(shown, PieceShown):
        return PieceDocument(**members(whole.pop("summary")), **whole)
    if isinstance(shown, MachineShown):
        return MachineDocument(**whole)
    if isinstance(shown, SellerShown):
        return SellerDocument(**whole)
    return run_document(shown)


def run_document(shown: RunShown) -> RunDocument:
    """Return the document of one bench run."""
    samples = tuple(dict(one) for one in shown.samples)
    return RunDocument(**{**members(shown), "result": result_of(shown), "samples": samples})


def sum_document(shown: PieceShown) -> SumDocument:
    """Return the document of a piece's sum."""
    return SumDocument(
        piece=shown.summary.piece,
        suspicion=shown.summary.suspicion,
        total_db=sum(line.weight_db for line in shown.sum),
        weights=shown.weights,
        sum=shown.sum,
        in_vain=shown.in_vain,
    )
