"""The documents of what was received, said of pieces, and put into machines."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from tracker.desk.correct import Corrected
from tracker.desk.decide import Decided, Declared
from tracker.desk.documents.base import Document, members
from tracker.desk.fitting import Fitted, MachineAdded
from tracker.desk.receive import KeptDocument, Received


@dataclass(frozen=True, kw_only=True)
class LotSaid:
    """A lot as received; `already_received` where its order was received before and nothing was added."""

    lot: str
    pieces: tuple[str, ...]
    seller: str
    source: str
    part: str
    order: str | None
    line: int
    quantity_ordered: int
    arrived: date
    claim_by: date | None
    documents: tuple[KeptDocument, ...]
    notes: tuple[str, ...]
    already_received: bool


@dataclass(frozen=True, kw_only=True)
class ReceivedDocument(LotSaid, Document):
    """One lot as received."""

    schema: Literal["lotproof.received/1"] = "lotproof.received/1"


@dataclass(frozen=True, kw_only=True)
class DeliveryDocument(Document):
    """A whole delivery as received."""

    schema: Literal["lotproof.delivery/1"] = "lotproof.delivery/1"
    lots: tuple[LotSaid, ...]


def _lot(answer: Received) -> LotSaid:
    whole = members(answer)
    return LotSaid(already_received=whole.pop("already"), **whole)


def received_document(answer: Received) -> ReceivedDocument:
    """Return the document of one lot that was received."""
    return ReceivedDocument(**members(_lot(answer)))


def delivery_document(answers: Sequence[Received]) -> DeliveryDocument:
    """Return the document of lots that were received together."""
    return DeliveryDocument(lots=tuple(_lot(answer) for answer in answers))


@dataclass(frozen=True, kw_only=True)
class PapersDocument(Document):
    """All papers of a lot."""

    schema: Literal["lotproof.documents/1"] = "lotproof.documents/1"
    lot: str
    documents: tuple[KeptDocument, ...]


def papers_document(answer: Received) -> PapersDocument:
    """Return the document of a lot's papers."""
    return PapersDocument(lot=answer.lot, documents=answer.documents)


@dataclass(frozen=True, kw_only=True)
class DecisionsDocument(Document):
    """What was decided on pieces, all in one act."""

    schema: Literal["lotproof.decisions/1"] = "lotproof.decisions/1"
    disposition: str
    pieces: tuple[Decided, ...]


def decisions_document(answers: Sequence[Decided]) -> DecisionsDocument:
    """Return the document of decisions of one act (at least one)."""
    return DecisionsDocument(disposition=answers[0].disposition, pieces=tuple(answers))


@dataclass(frozen=True, kw_only=True)
class SettlementDocument(Declared, Document):
    """A truth about a piece, and the one it supersedes."""

    schema: Literal["lotproof.settlement/1"] = "lotproof.settlement/1"


def settlement_document(answer: Declared) -> SettlementDocument:
    """Return the document of a settlement."""
    return SettlementDocument(**members(answer))


@dataclass(frozen=True, kw_only=True)
class ExemplarDocument(Declared, Document):
    """A piece declared known good, or no longer."""

    schema: Literal["lotproof.exemplar/1"] = "lotproof.exemplar/1"


def exemplar_document(answer: Declared) -> ExemplarDocument:
    """Return the document of a declared exemplar."""
    return ExemplarDocument(**members(answer))


@dataclass(frozen=True, kw_only=True)
class CorrectionDocument(Corrected, Document):
    """A reading that a person corrected: what it said and meant before, and now."""

    schema: Literal["lotproof.correction/1"] = "lotproof.correction/1"


def correction_document(answer: Corrected) -> CorrectionDocument:
    """Return the document of a corrected reading."""
    return CorrectionDocument(**members(answer))


@dataclass(frozen=True, kw_only=True)
class FittingDocument(Fitted, Document):
    """A piece put into, or taken out of, a position of a machine."""

    schema: Literal["lotproof.fitting/1"] = "lotproof.fitting/1"


def fitting_document(answer: Fitted) -> FittingDocument:
    """Return the document of a fitting."""
    return FittingDocument(**members(answer))


@dataclass(frozen=True, kw_only=True)
class MachineAddedDocument(MachineAdded, Document):
    """A machine that was added to the records."""

    schema: Literal["lotproof.machine/1"] = "lotproof.machine/1"


def machine_added_document(answer: MachineAdded) -> MachineAddedDocument:
    """Return the document of a machine that was added."""
    return MachineAddedDocument(**members(answer))
