"""A simulated workshop put into the records: its lots, what their photos showed, its bench runs, its settled pieces."""

from collections.abc import Iterable, Mapping, Sequence

from stock import arrival
from workshop_simulation import SimulatedLot, SimulatedPiece

from tracker.desk.contract import FindingFound, PieceDocument, PieceFound
from tracker.desk.receive import receive
from tracker.desk.workspace import Act, Workspace
from tracker.judgement.counts import ABSENT
from tracker.judgement.weights import indicators
from tracker.records.models import BenchRun, Decision, Finding, Inspection, Photo, Piece, Settlement

PLACE = ((0.0, 0.0), (9.0, 0.0), (9.0, 3.0), (0.0, 3.0))


def put(workspace: Workspace, lots: Sequence[SimulatedLot], *, photos: bool = True) -> dict[int, str]:
    """Receive lots and record what their photos show; returns each piece's label by its simulated number."""
    labels = {}
    for lot in lots:
        one = arrival(
            seller=f"Seller {lot.seller}", source=lot.source, quantity=len(lot.pieces), received=len(lot.pieces)
        )
        (received,) = receive(workspace, [one], operator="mira")
        labels |= {piece.number: label for piece, label in zip(lot.pieces, received.pieces, strict=True)}
    if photos:
        with workspace.act("mira", "photograph", "") as act:
            for lot in lots:
                _photograph(act, lot, labels)
    return labels


def _photograph(act: Act, lot: SimulatedLot, labels: Mapping[int, str]) -> None:
    rows = {row.label: row for row in act.session.query(Piece).filter(Piece.label.in_(labels.values()))}
    first = rows[labels[lot.pieces[0].number]]
    kept = act.keep(f"stands in for the photo of {first.label}".encode())
    size = {"size_bytes": kept.size_bytes, "width": 4000, "height": 3000}
    photo = act.add(Photo(lot_id=first.lot_id, role="top", name="p.jpg", sha256=kept.sha256, **size))
    for index, piece in enumerate(lot.pieces):
        look(act, photo, rows[labels[piece.number]], index, piece.photo)


def look(
    act: Act, photo: Photo, piece: Piece, index: int, outcomes: Mapping[str, str], marking: str = ""
) -> Inspection:
    """Record one inspection with the outcomes of everything that was looked for."""
    findings = tuple(
        FindingFound(code=code, family=indicators()[code].family, weight_db=1.0, message=code, strength=outcome)
        for code, outcome in outcomes.items()
        if outcome != ABSENT
    )
    found = PieceFound(
        outline=PLACE,
        package=None,
        package_confidence=0.5,
        lines=(),
        part=None,
        date_codes=(),
        suspicion=0.1,
        findings=findings,
        looked_for=tuple(outcomes),
    )
    row = act.add(
        Inspection(
            photo_id=photo.id,
            piece_id=piece.id,
            part_read=None,
            marking=marking,
            package=None,
            suspicion=0.1,
            prior_db=-5.0,
            document=PieceDocument(photo=photo.name, index=index, piece=found).as_text(),
        )
    )
    for one in findings:
        said = {"code": one.code, "family": one.family, "weight_db": 1.0, "message": one.message}
        act.add(Finding(inspection_id=row.id, **said))
    return row


def settle_all(workspace: Workspace, pieces: Iterable[SimulatedPiece], labels: Mapping[int, str]) -> None:
    """Settle pieces as what they are, in one act."""
    with workspace.act("mira", "settle", "") as act:
        ids = {row.label: row.id for row in act.session.query(Piece)}
        for piece in pieces:
            number = ids[labels[piece.number]]
            act.add(Settlement(piece_id=number, genuine=not piece.not_genuine, grounds="opened", withdrawn=False))


def ran(act: Act, piece: Piece, test: str, verdict: str) -> BenchRun:
    """Record one bench run."""
    number = act.session.query(BenchRun).count() + 1
    said = {"test": test, "verdict": verdict, "weight_db": 1.0, "rule": "stands in for a rule", "result": "{}"}
    return act.add(BenchRun(label=f"B{number:04d}", piece_id=piece.id, **said))


def decided(act: Act, piece: Piece, disposition: str) -> None:
    """Record one decision."""
    act.add(Decision(piece_id=piece.id, disposition=disposition, reason="looked at"))
