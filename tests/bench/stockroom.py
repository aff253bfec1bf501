"""A workshop some years on: an invented delivery, and a workspace of many thousand pieces with a history."""

import csv
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

from sqlalchemy import select

from tracker.desk.contract import LineRead, PieceDocument, PieceFound
from tracker.desk.delivery_csv import read_delivery
from tracker.desk.receive import receive
from tracker.desk.workspace import Act, Workspace
from tracker.records.models import BenchRun, Decision, Finding, Fitting, Inspection, Lot, Machine, Photo, Piece

TODAY = date(2031, 4, 2)
SELLERS = (
    ("Quayside Surplus", "marketplace"),
    ("Fennimore Components", "authorised"),
    ("Brightwell Brokerage", "broker"),
)
PARTS = ("CV6522AP", "CV74HC245N", "HDS62256LP-10", "HDS74HC595D")
DATE_CODES = ("8733", "8911", "9118", "9214", "0417", "0122", "8649", "8802", "9037", "9350")
LOT_PIECES = 25
COLUMNS = ("seller", "source", "order", "line", "part", "quantity", "price", "currency", "arrived")
_PLACE = ((10.0, 10.0), (90.0, 10.0), (90.0, 40.0), (10.0, 40.0))


def write_delivery(path: Path, lots: int) -> Path:
    """Write the CSV of a delivery of `lots` lots of 25 pieces, four lines to an order."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for number in range(lots):
            order = number // 4
            seller, source = SELLERS[order % len(SELLERS)]
            arrived = TODAY - timedelta(days=3 * (lots - number))
            part = PARTS[number % len(PARTS)]
            writer.writerow(
                (seller, source, f"Q-{order:05d}", number % 4 + 1, part, LOT_PIECES, "37.50", "EUR", arrived)
            )
    return path


def stocked(folder: Path, lots: int) -> Workspace:
    """Return an open workspace with lots whose pieces were partly photographed, decided, tested and fitted."""
    delivery = write_delivery(folder / "stock.csv", lots)
    workspace = Workspace.open(folder / "stocked", create=True)
    receive(workspace, read_delivery(delivery, today=TODAY), operator="mira")
    with workspace.act("jonas", "photograph", "") as act:
        pieces = act.session.scalars(select(Piece).order_by(Piece.id)).all()
        _photograph(act, pieces)
        _test_and_decide(act, pieces)
        _fit(act, pieces)
    return workspace


def _photograph(act: Act, pieces: Sequence[Piece]) -> None:
    """Three lots of five have a photo with all their pieces; one piece of eleven shows something."""
    of_lot: dict[int, list[Piece]] = {}
    for piece in pieces:
        of_lot.setdefault(piece.lot_id, []).append(piece)
    for lot in act.session.scalars(select(Lot).order_by(Lot.id)):
        if lot.id % 5 > 2:
            continue
        kept = act.keep(f"stands in for the photo of {lot.label}".encode())
        size = {"size_bytes": kept.size_bytes, "width": 4000, "height": 3000}
        photo = act.add(Photo(lot_id=lot.id, role="top", name=f"{lot.label}.jpg", sha256=kept.sha256, **size))
        seen = [_inspection(photo, piece, lot.claimed_part, index) for index, piece in enumerate(of_lot[lot.id])]
        act.session.add_all(seen)
        act.session.flush()
        act.session.add_all(_finding(one) for one in seen if one.piece_id % 11 == 0)
    act.session.flush()


def _inspection(photo: Photo, piece: Piece, part: str, index: int) -> Inspection:
    code = DATE_CODES[(photo.lot_id + index // 12) % len(DATE_CODES)]
    lines = tuple(
        LineRead(text=text, confidence=0.97, outline=_PLACE, readers={"rapidocr": text}) for text in (part, code)
    )
    found = PieceFound(
        outline=_PLACE,
        package="DIP-40",
        package_confidence=0.9,
        lines=lines,
        part=part,
        date_codes=(),
        suspicion=0.1,
        findings=(),
        looked_for=("lettering-height-differs", "surface-sanded"),
    )
    return Inspection(
        photo_id=photo.id,
        piece_id=piece.id,
        part_read=part,
        marking=found.marking,
        date_code=code,
        date_year=1900 + int(code[:2]),
        date_week=int(code[2:]),
        package="DIP-40",
        suspicion=0.1,
        prior_db=-5.0,
        document=PieceDocument(photo=photo.name, index=index, piece=found).as_text(),
    )


def _finding(one: Inspection) -> Finding:
    said = {"message": "The letters are higher than on its siblings.", "value": 3.1, "unit": "body", "reference": 1.0}
    return Finding(inspection_id=one.id, code="lettering-height-differs", family="lettering", weight_db=8.0, **said)


def _test_and_decide(act: Act, pieces: Sequence[Piece]) -> None:
    """Every second piece was decided, every twentieth measured before."""
    tested = [piece for piece in pieces if piece.id % 20 == 0]
    act.session.add_all(
        BenchRun(
            label=f"B{number:04d}",
            piece_id=piece.id,
            test="current",
            verdict="fail" if number % 9 == 0 else "pass",
            weight_db=12.0 if number % 9 == 0 else -6.0,
            rule="stands in for a rule",
            result="{}",
        )
        for number, piece in enumerate(tested, 1)
    )
    decided = [piece for piece in pieces if piece.id % 2 == 0]
    act.session.add_all(
        Decision(piece_id=piece.id, disposition="rejected" if piece.id % 11 == 0 else "accepted", reason="looked at")
        for piece in decided
    )
    act.session.flush()


def _fit(act: Act, pieces: Sequence[Piece]) -> None:
    """Every sixth piece went into one of forty machines; every fifth of those came out again."""
    machines = [
        act.add(Machine(label=f"M{k:04d}", name=f"Sampling keyboard Orrin 8, serial {k:04d}")) for k in range(1, 41)
    ]
    fitted = [piece for piece in pieces if piece.id % 6 == 0]
    for going_in in (True, False):
        act.session.add_all(
            Fitting(piece_id=piece.id, machine_id=machines[k % 40].id, position=f"U{k // 40 + 1}", fitted=going_in)
            for k, piece in enumerate(fitted)
            if going_in or k % 5 == 0
        )
        act.session.flush()
