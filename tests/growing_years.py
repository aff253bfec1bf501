"""A workshop after years of work: lots of many sizes, several at once in hand, an act every minute or so.

    grow_years(workspace, Years(scale=0.01))      # 10 lots, 1,000 pieces, about 3,000 inspections, 10,000 entries

At scale 1 there are 1,000 lots, 100,000 pieces, about 300,000 inspections and 1,000,000 journal entries. Each is an act
that happens at a bench: deliveries and their papers, photos of one chip to twelve, runs, decisions piece by piece,
returns, truths, fittings, bags. Sizes of lots, what is known of a piece and how many lots are in hand do not depend on
the scale; how far back the records go does. Rows and journal are as the desk writes them (`tests/bulk_acts.py`).
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from bulk_acts import Scribe
from growing import HEIGHT, OPERATORS, PER_PHOTO, SELLERS, TODAY, WIDTH, Chip, Grown, picture
from stand_ins import VARIANTS, RunModel, look, run_models

from tracker.desk.pieces import lot_label, piece_label
from tracker.desk.workspace import Workspace
from tracker.evidence import Kept
from tracker.judgement.prior import source_kinds
from tracker.records.models import (
    BenchRun,
    BenchSample,
    Decision,
    Document,
    Exemplar,
    Finding,
    Fitting,
    Inspection,
    Lot,
    Machine,
    Photo,
    Piece,
    Seller,
    Settlement,
    Shipment,
)

LOTS, ENTRIES = 1_000, 1_000_000
SIZES = (5, 10, 12, 25, 25, 40, 60, 100, 223, 500)
"""Pieces of ten lots, a thousand together: many small ones and a few large."""
IN_HAND = 8
"""Lots that are worked on at the same time; our own choice."""
SECONDS = 80.0
"""Between two acts of the whole workshop, on average: several benches, every day; our own choice."""
FAMILIES = ("CV6522AP", "CV74HC245N", "HDS62256LP-10", "HDS74HC595D", "CV74HC00N", "CV74HC374N", "HDS6264LP-12")
PLACES = ("Ashby", "Tarn", "Copper Lane", "Old Mill", "Quayside", "Fennimore", "Brightwell", "Larkfield")
TRADES = ("Components", "Surplus", "Brokerage", "Parts", "Salvage")
IN_PHOTO = (1, 1, 1, 2, 3, PER_PHOTO)
"""How many chips are photographed at once."""
POSITIONS = 20
RUNS = ("current", "clock", "in-circuit", "current", "clock", "current", "in-circuit", "current")
"""What a piece is measured for the first, the second ... time: on arrival, after a soak, in the machine."""


@dataclass(frozen=True, slots=True)
class Years:
    """How large the workshop is, by what seed, and the day it ends on."""

    scale: float = 1.0
    seed: int = 1
    today: date = TODAY

    @property
    def lots(self) -> int:
        """How many lots there are."""
        return max(1, round(LOTS * self.scale))

    @property
    def entries(self) -> int:
        """How many journal entries there are at least."""
        return round(ENTRIES * self.scale)


@dataclass(slots=True)
class _Shop:
    scribe: Scribe
    size: Years
    rng: random.Random
    pictures: Sequence[Kept]
    runs: dict[tuple[str, str], RunModel]
    at: datetime
    grown: Grown = field(default_factory=Grown)
    sellers: list[tuple[int, str, str]] = field(default_factory=list)
    machines: list[int] = field(default_factory=list)
    positions: int = 0

    def end(self, act: str, subject: str, body: dict[str, Any]) -> None:
        self.at += timedelta(seconds=2 * SECONDS * self.rng.random())
        self.scribe.end(self.rng.choice(OPERATORS), act, subject, body, self.at)

    def some(self, share: float) -> bool:
        return self.rng.random() < share


def grow_years(workspace: Workspace, size: Years) -> Grown:
    """Fill a new workspace and return what was written."""
    begin = datetime.combine(size.today, time(7), tzinfo=UTC) - timedelta(seconds=SECONDS * size.entries * 1.005)
    with Scribe(workspace, large=True) as scribe:
        kept = [workspace.store.keep(picture(number)) for number in range(3)]
        shop = _Shop(scribe, size, random.Random(size.seed), kept, run_models(), begin)
        _work(shop)
        while scribe.entries < size.entries:
            _measure_machine(shop)
        shop.grown.entries = scribe.entries
    return shop.grown


def _work(shop: _Shop) -> None:
    """Let lots arrive while others are in hand, and take up one act of one of them after the other."""
    sizes: list[int] = []
    waiting, in_hand = iter(range(1, shop.size.lots + 1)), list[Iterator[None]]()
    number = next(waiting, None)
    while number is not None or in_hand:
        while number is not None and len(in_hand) < IN_HAND:
            if not sizes:
                sizes = shop.rng.sample(SIZES, len(SIZES))
            in_hand.append(_lot(shop, number, sizes.pop()))
            number = next(waiting, None)
        at = shop.rng.randrange(len(in_hand))
        if next(in_hand[at], _OVER) is _OVER:
            in_hand.pop(at)


_OVER = object()


def _lot(shop: _Shop, number: int, pieces: int) -> Iterator[None]:
    """Work on one lot, from its arrival to its last piece; every act is followed by a pause."""
    rng, label, part = shop.rng, lot_label(number), shop.rng.choice(FAMILIES)
    seller, name, source = _seller(shop)
    day = shop.at.date()
    lot = shop.scribe.add(
        Lot,
        label=label,
        seller_id=seller,
        source_kind=source,
        order_reference=f"Q-{number:06d}",
        order_line=1,
        price=f"{pieces * rng.randint(80, 900) / 100:.2f}",
        currency="EUR",
        claimed_part=part,
        claimed_maker="Corvane" if part.startswith("CV") else "Halden Semi",
        condition=rng.choice(("new", "old-stock", "pulled")),
        quantity_ordered=pieces,
        quantity_received=pieces,
        arrived_on=day,
        claim_by=None if shop.some(0.2) else day + timedelta(days=rng.choice((14, 30, 60))),
        remark=None if shop.some(0.8) else "Came in two tubes.",
    )
    declared = source_kinds()[source]
    share = rng.betavariate(max(0.3 * declared.not_genuine, 1e-3), max(0.3 * (1 - declared.not_genuine), 1e-3))
    chips = []
    for k in range(1, pieces + 1):
        one = piece_label(label, k)
        chips.append(Chip(shop.scribe.add(Piece, label=one, lot_id=lot, number=k), one, shop.some(share)))
    said = {"lot": label, "pieces": pieces, "part": part, "seller": name, "order": f"Q-{number:06d}"}
    shop.end("receive", label, {"lots": [said]})
    shop.grown.lots += 1
    shop.grown.pieces += pieces
    yield
    yield from _papers(shop, lot, label)
    for role in ("top", "bottom"):
        yield from _photos(shop, (lot, label, role, part, source), chips)
    for chip in chips:
        yield from _measure(shop, chip, RUNS[:5])
        if shop.some(0.995):
            yield from _decide(shop, label, chip)
        if shop.some(0.02):
            yield from _settle(shop, chip)
    yield from _photos(shop, (lot, label, "after-swab", part, source), chips)
    for chip in chips:
        if chip.disposition == "accepted" and shop.some(0.7):
            yield from _fit(shop, chip)
        yield from _measure(shop, chip, RUNS[5:])
    if shop.some(0.5):
        _export(shop, label)
        yield


def _seller(shop: _Shop) -> tuple[int, str, str]:
    """Return a seller: mostly one from whom something came before; some sell far more than others."""
    known = shop.sellers
    if known and not shop.some(1 / (2 + len(known) / 4)):
        return known[int(len(known) * shop.rng.random() ** 2)]
    number = len(known)
    name, source = SELLERS[number % len(SELLERS)]
    if number >= len(SELLERS):
        name = f"{PLACES[number % 8]} {TRADES[number // 8 % 5]} {number}"
    known.append((shop.scribe.add(Seller, name=name), name, source))
    return known[-1]


def _papers(shop: _Shop, lot: int, label: str) -> Iterator[None]:
    for kind in ("invoice", "listing", "certificate"):
        if shop.some(0.6):
            kept = shop.scribe.keep(f"stands in for the {kind} of {label}, seed {shop.size.seed}".encode())
            said = {"name": f"{kind}-{label}.pdf", "sha256": kept.sha256, "size_bytes": kept.size_bytes}
            shop.scribe.add(Document, lot_id=lot, kind=kind, **said)
            shop.end("document", label, {})
            yield


def _photos(shop: _Shop, what: tuple[int, str, str, str, str], chips: Sequence[Chip]) -> Iterator[None]:
    """Photograph all of them, a few at a time; seldom two are said later to be each other's piece."""
    lot, label, role, part, source = what
    rng, start = shop.rng, 0
    while start < len(chips):
        some = chips[start : start + rng.choice(IN_PHOTO)]
        start += len(some)
        kept = shop.scribe.keep_again(rng.choice(shop.pictures))
        name = f"{some[0].label}-{role}.jpg"
        size = {"size_bytes": kept.size_bytes, "width": WIDTH, "height": HEIGHT}
        photo = shop.scribe.add(Photo, lot_id=lot, role=role, name=name, sha256=kept.sha256, **size)
        seen = [(index, chip) for index, chip in enumerate(some)]
        for turn in range(2 if len(some) > 1 and shop.some(0.01) else 1):
            if turn:
                seen = [(0, some[1]), (1, some[0])]
            for index, chip in seen:
                _look(shop, photo, (role, source, part), name, index, chip)
            said = [f"{chip.label} in {name} no. {index + 1} by reading order" for index, chip in seen]
            shop.end("photograph", label, {"role": role, "pieces": said})
            yield


def _look(shop: _Shop, photo: int, kind: tuple[str, str, str], name: str, index: int, chip: Chip) -> None:
    (role, source, part), rng = kind, shop.rng
    model = look(role, source, chip.bad, rng.randrange(VARIANTS))
    row, document = model.filled(name, index, part, f"K{rng.randint(1000, 9999)}")
    number = shop.scribe.add(Inspection, photo_id=photo, piece_id=chip.id, document=document, **row)
    for one in model.findings:
        shop.scribe.add(Finding, inspection_id=number, **one)
    shop.grown.inspections += 1
    shop.grown.findings += len(model.findings)


def _measure(shop: _Shop, chip: Chip, tests: Sequence[str]) -> Iterator[None]:
    """Measure a piece; one run of twelve leaves the matter open, and one of thirty is wrong."""
    for test in tests:
        if shop.some(0.86):
            verdict = "undecided" if shop.some(1 / 12) else "fail" if chip.bad != shop.some(1 / 30) else "pass"
            _run(shop, chip.label, test, verdict, piece_id=chip.id)
            yield


def _measure_machine(shop: _Shop) -> None:
    at = shop.rng.randrange(len(shop.machines))
    _run(shop, f"M{at + 1:04d}", "in-circuit", "pass", machine_id=shop.machines[at])


def _run(shop: _Shop, subject: str, test: str, verdict: str, **of: int) -> None:
    shop.grown.runs += 1
    model, label = shop.runs[test, verdict], f"B{shop.grown.runs:04d}"
    row = {**model.row, "weight_db": model.row["weight_db"] if "piece_id" in of else 0.0}
    number = shop.scribe.add(BenchRun, label=label, **row, **of)
    for sample in model.samples:
        shop.scribe.add(BenchSample, run_id=number, **sample)
    said = {"test": test, "verdict": verdict, "rule": row["rule"], "weight_db": row["weight_db"]}
    shop.end("bench", subject, {"run": label, **said})


def _decide(shop: _Shop, lot: str, chip: Chip) -> Iterator[None]:
    """Decide on a piece, some after a second thought; what goes back goes by a carrier."""
    likely = "rejected" if chip.bad != shop.some(0.05) else "accepted"
    for disposition in ("quarantined", likely) if shop.some(0.1) else (likely,):
        sent = disposition == "rejected" and shop.some(0.3)
        chip.disposition = "returned" if sent else disposition
        reason = "Draws what it should." if disposition == "accepted" else "Not like the others."
        shop.scribe.add(Decision, piece_id=chip.id, disposition=chip.disposition, reason=reason)
        body: dict[str, Any] = {"pieces": [chip.label], "disposition": chip.disposition, "reason": reason}
        if sent:
            shipped = {"carrier": "Harbour Post", "reference": f"HP{chip.id:09d}", "sent_on": shop.at.date()}
            shop.scribe.add(Shipment, piece_id=chip.id, **shipped)
        shop.end("decide", chip.label, body)
        yield


def _settle(shop: _Shop, chip: Chip) -> Iterator[None]:
    """Settle a truth, now and then taking it back, and declare some good pieces exemplars."""
    grounds = "Opened; the die was compared with a known-good one."
    for withdrawn in (False, *((True,) if shop.some(0.05) else ())):
        shop.scribe.add(Settlement, piece_id=chip.id, genuine=not chip.bad, grounds=grounds, withdrawn=withdrawn)
        said = f"{'no longer settled as ' if withdrawn else ''}{'not genuine' if chip.bad else 'genuine'}"
        shop.end("settle", chip.label, {"piece": chip.label, "said": said, "grounds": grounds})
        yield
    shop.grown.settled += 1
    if not chip.bad and shop.some(0.2):
        shop.scribe.add(Exemplar, piece_id=chip.id, grounds=grounds, withdrawn=False)
        shop.end("exemplar", chip.label, {"piece": chip.label, "said": "exemplar", "grounds": grounds})
        yield


def _fit(shop: _Shop, chip: Chip) -> Iterator[None]:
    """Put an accepted piece into the machine that has a place left, and seldom take it out again."""
    if shop.positions % POSITIONS == 0:
        number = len(shop.machines) + 1
        name = f"Sampling keyboard Orrin {number % 7 + 2}, serial {shop.rng.randint(1000, 9999)}{number:05d}"
        shop.machines.append(shop.scribe.add(Machine, label=f"M{number:04d}", name=name))
    shop.positions += 1
    machine = f"M{len(shop.machines):04d}"
    place = {"machine_id": shop.machines[-1], "position": f"U{(shop.positions - 1) % POSITIONS + 1}"}
    body = {"piece": chip.label, "machine": machine, "position": place["position"]}
    for fitted in (True, *((False,) if shop.some(0.05) else ())):
        shop.scribe.add(Fitting, piece_id=chip.id, fitted=fitted, reason=None if fitted else "It ran hot.", **place)
        shop.end("fit" if fitted else "unfit", chip.label, body)
        yield


def _export(shop: _Shop, label: str) -> None:
    said = {"bag": f"{shop.rng.getrandbits(256):064x}", "payload_files": 14, "payload_bytes": 240_000}
    shop.end("export", label, {**said, "head": f"entry {shop.scribe.entries}", "to": f"{label}.zip"})
