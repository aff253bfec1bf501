"""A workshop of any size, drawn by chance from one seed: lots, photos, findings, runs, decisions, truths, fittings.

    grow(workspace, Growth(lots=3, pieces=500))               # a new workspace; returns what was written, as counts

Everything in it is invented. Rows and journal are as the desk writes them, only many at once (`tests/bulk_acts.py`),
so `verify` finds nothing to say, and every document is a whole `PieceDocument`. Pieces show what the declared counts
say of their truth, so no two of a large lot look quite alike; lots are mostly all good or all bad.
"""

import io
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import cache

from bulk_acts import Scribe
from PIL import Image, ImageDraw

from tracker.desk.contract import DateCode, FindingFound, LineRead, PieceDocument, PieceFound, SumItem
from tracker.desk.pieces import lot_label, piece_label
from tracker.desk.workspace import Workspace
from tracker.evidence import Kept
from tracker.judgement.counts import ABSENT, CLEAR, OUTCOMES
from tracker.judgement.observed import Remark
from tracker.judgement.prior import before_looking, source_kinds
from tracker.judgement.suspicion import combine
from tracker.judgement.weighing import weigh
from tracker.judgement.weights import families, indicators
from tracker.records.models import (
    BenchRun,
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
)

TODAY = date(2031, 4, 2)
SELLERS = (
    ("Fennimore Components", "authorised"),
    ("Quayside Surplus", "marketplace"),
    ("Brightwell Brokerage", "broker"),
    ("Old Mill Parts", "marketplace"),
    ("Tarn & Daughter", "unknown"),
    ("Copper Lane Salvage", "donor"),
)
PARTS = (("CV6522AP", "Corvane"), ("CV74HC245N", "Corvane"), ("HDS62256LP-10", None), ("HDS74HC595D", None))
OPERATORS = ("mira", "jonas", "ines")
TESTS = ("current", "clock", "soak", "signature")
PER_PHOTO, ACROSS = 12, 4
WIDTH, HEIGHT = 1600, 1200
METHOD = {"lotproof": "0.1.0", "vision": "3", "weights": "stands in", "rapidocr": "3.10.0", "numpy": "2.4.6"}
SWAB = {"swab-mark-loss", "swab-surface-change"}
ROLES = ("top", "bottom", "top", "before-swab", "after-swab")
"""What a piece is photographed as the first, the second ... time."""


@dataclass(frozen=True, slots=True)
class Growth:
    """How large a workshop is to be.

    Parameters
    ----------
    lots, pieces : int
        Lots, and pieces in each.
    looks : float
        Inspections a piece; 2.5 means that half of them have a third.
    runs, decided, settled, exemplars, fitted : float
        Shares of the pieces; `runs` may exceed 1, `fitted` is a share of those accepted.
    rematched : float
        Share of photos in which two chips were later said to be each other's piece.
    machines : int
    entries : int
        Journal entries there are to be at least: exports make up what is missing.
    seed : int
    today : date
        The newest lots arrived a little before it.
    """

    lots: int = 10
    pieces: int = 25
    looks: float = 1.0
    runs: float = 0.2
    decided: float = 0.5
    settled: float = 0.1
    exemplars: float = 0.01
    fitted: float = 0.2
    rematched: float = 0.02
    machines: int = 8
    entries: int = 0
    seed: int = 1
    today: date = TODAY


@dataclass(slots=True)
class Grown:
    """What was written, as counts."""

    lots: int = 0
    pieces: int = 0
    inspections: int = 0
    findings: int = 0
    runs: int = 0
    settled: int = 0
    entries: int = 0


@dataclass(slots=True)
class Chip:
    """One piece while its lot is written."""

    id: int
    label: str
    bad: bool
    disposition: str = "open"


@dataclass(slots=True)
class _Shop:
    """The workshop while it is written."""

    scribe: Scribe
    growth: Growth
    rng: random.Random
    pictures: Sequence[Kept]
    at: datetime
    grown: Grown = field(default_factory=Grown)
    sellers: list[int] = field(default_factory=list)
    machines: list[int] = field(default_factory=list)
    positions: int = 0

    def end(self, act: str, subject: str, body: Mapping[str, object]) -> None:
        """End an act some seconds after the one before."""
        self.at += timedelta(seconds=self.rng.randint(1, 40), microseconds=self.rng.randint(0, 999_999))
        self.scribe.end(self.rng.choice(OPERATORS), act, subject, body, self.at)

    def some(self, share: float) -> bool:
        """Draw whether something happens."""
        return self.rng.random() < share


def grow(workspace: Workspace, growth: Growth | None = None) -> Grown:
    """Fill a new workspace and return what was written."""
    size = growth or Growth()
    rng = random.Random(size.seed)
    begin = datetime.combine(size.today - timedelta(days=3 * size.lots + 2), time(7), tzinfo=UTC)
    with Scribe(workspace) as scribe:
        kept = [workspace.store.keep(picture(number)) for number in range(3)]
        shop = _Shop(scribe, size, rng, kept, begin)
        for number in range(size.machines):
            name = f"Sampling keyboard Orrin {number % 7 + 2}, serial {rng.randint(1000, 9999)}{number:03d}"
            shop.machines.append(scribe.add(Machine, label=f"M{number + 1:04d}", name=name))
            shop.end("machine", f"M{number + 1:04d}", {"machine": f"M{number + 1:04d}", "name": name})
        for number in range(1, size.lots + 1):
            day = size.today - timedelta(days=3 * (size.lots - number) + 1)
            shop.at = max(shop.at, datetime.combine(day, time(8), tzinfo=UTC))
            _lot(shop, number, day)
        while scribe.entries < size.entries:
            label = lot_label(rng.randint(1, size.lots))
            shop.end("export", label, {"lot": label, "folder": f"/srv/handed-over/{label}", "files": 14})
        shop.grown.entries = scribe.entries
    return shop.grown


def _lot(shop: _Shop, number: int, day: date) -> None:
    rng, size, label = shop.rng, shop.growth, lot_label(number)
    seller = rng.randrange(len(SELLERS))
    part, maker = rng.choice(PARTS)
    while len(shop.sellers) <= seller:  # all up to this one: their ids then follow the list
        shop.sellers.append(shop.scribe.add(Seller, name=SELLERS[len(shop.sellers)][0]))
    source = SELLERS[seller][1]
    lot = shop.scribe.add(
        Lot,
        label=label,
        seller_id=shop.sellers[seller],
        source_kind=source,
        order_reference=f"Q-{number:06d}",
        order_line=1,
        price=f"{size.pieces * rng.randint(80, 900) / 100:.2f}",
        currency="EUR",
        claimed_part=part,
        claimed_maker=maker,
        condition=rng.choice(("new", "old-stock", "pulled")),
        quantity_ordered=size.pieces,
        quantity_received=size.pieces,
        arrived_on=day,
        claim_by=None if shop.some(0.2) else day + timedelta(days=rng.choice((14, 30, 60))),
        remark=None if shop.some(0.8) else "Came in two tubes.",
    )
    declared = source_kinds()[source]
    share = rng.betavariate(max(0.3 * declared.not_genuine, 1e-3), max(0.3 * (1 - declared.not_genuine), 1e-3))
    labels = [piece_label(label, k) for k in range(1, size.pieces + 1)]
    chips = [
        Chip(shop.scribe.add(Piece, label=one, lot_id=lot, number=k), one, shop.some(share))
        for k, one in enumerate(labels, 1)
    ]
    for kind in ("invoice", "listing"):
        if shop.some(0.7):
            kept = shop.scribe.keep(f"stands in for the {kind} of {label}, seed {size.seed}".encode())
            said = {"name": f"{kind}-{label}.pdf", "sha256": kept.sha256, "size_bytes": kept.size_bytes}
            shop.scribe.add(Document, lot_id=lot, kind=kind, **said)
    said = {"lot": label, "pieces": size.pieces, "part": part, "seller": SELLERS[seller][0], "order": f"Q-{number:06d}"}
    shop.end("receive", label, {"lots": [said]})
    shop.grown.lots += 1
    shop.grown.pieces += size.pieces
    for turn in range(len(ROLES)):
        looked = [chip for chip in chips if shop.some(size.looks - turn)]
        for start in range(0, len(looked), PER_PHOTO):
            _photo(shop, lot, ROLES[turn], looked[start : start + PER_PHOTO], (part, source))
    for chip in chips:
        _bench(shop, chip)
    _decide(shop, label, chips)
    for chip in chips:
        _settle(shop, chip)
    _fit(shop, chips)


def _photo(shop: _Shop, lot: int, role: str, chips: Sequence[Chip], claim: tuple[str, str]) -> None:
    """One photo with up to twelve chips; seldom two of them are said later to be each other's piece."""
    kept = shop.scribe.keep_again(shop.rng.choice(shop.pictures))
    name = f"{chips[0].label}-{role}.jpg"
    size = {"size_bytes": kept.size_bytes, "width": WIDTH, "height": HEIGHT}
    photo = shop.scribe.add(Photo, lot_id=lot, role=role, name=name, sha256=kept.sha256, **size)
    for index, chip in enumerate(chips):
        _inspection(shop, photo, role, name, index, chip, claim)
    _say_seen(shop, name, role, chips)
    if len(chips) > 1 and shop.some(shop.growth.rematched):
        at = shop.rng.randrange(len(chips) - 1)
        for index, chip in ((at, chips[at + 1]), (at + 1, chips[at])):
            _inspection(shop, photo, role, name, index, chip, claim)
        _say_seen(shop, name, role, chips[at : at + 2])


def _say_seen(shop: _Shop, name: str, role: str, chips: Sequence[Chip]) -> None:
    seen = [f"{chip.label} in {name} no. {index} by reading order" for index, chip in enumerate(chips, 1)]
    shop.end("photograph", chips[0].label.partition("-")[0], {"role": role, "pieces": seen})


def _inspection(shop: _Shop, photo: int, role: str, name: str, index: int, chip: Chip, claim: tuple[str, str]) -> None:
    seen, prior_db = a_look(shop.rng, role, index, claim, bad=chip.bad)
    code = seen.date_codes[0]
    number = shop.scribe.add(
        Inspection,
        photo_id=photo,
        piece_id=chip.id,
        part_read=seen.part,
        marking=seen.marking,
        date_code=code.text,
        date_year=code.year,
        date_week=code.week,
        package="DIP-40",
        suspicion=seen.suspicion,
        prior_db=prior_db,
        document=PieceDocument(photo=name, index=index, piece=seen, method=METHOD).as_text(),
    )
    for one in seen.findings:
        said = {"weight_db": one.weight_db, "message": one.message, "value": one.value, "unit": one.unit}
        shop.scribe.add(Finding, inspection_id=number, code=one.code, family=one.family, reference=1.0, **said)
    shop.grown.inspections += 1
    shop.grown.findings += len(seen.findings)


def a_look(rng: random.Random, role: str, index: int, claim: tuple[str, str], *, bad: bool) -> tuple[PieceFound, float]:
    """Draw what a photo shows of a piece, and return it with the prior it was judged with, in decibans.

    Parameters
    ----------
    role : str
        Of the photo: what is looked for depends on it.
    index : int
        Where the chip lies in the photo, from 0.
    claim : (str, str)
        The claimed part and the kind of source.
    bad : bool
        Whether the piece is not genuine.
    """
    part, source = claim
    code = f"{rng.randint(84, 99):02d}{rng.randint(1, 52):02d}"
    outcomes = {
        one: _drawn(rng, chances)
        for one, chances in _chances(bad).items()
        if (one in SWAB) == (role == "after-swab") and (one == "mould-marks-mixed") == (role == "bottom")
    }
    facts = [_remark(rng, one, outcome) for one, outcome in outcomes.items() if outcome != ABSENT]
    before = before_looking(source)
    weighed = weigh(facts, outcomes)
    found = combine(before.db, weighed, prior_text=before.text)
    weights = {item.code: item.weight_db for item in weighed}
    place = outline(index)
    findings = tuple(
        FindingFound(
            code=one.code,
            family=one.family or "",
            weight_db=round(weights[one.code], 2),
            message=one.message,
            value=round(rng.uniform(0.5, 2.0), 6),
            unit="ratio",
            reference=1.0,
            outline=place,
            strength=one.strength,
        )
        for one in facts
    )
    lines = tuple(
        LineRead(text=one, confidence=0.97, outline=place, readers={"rapidocr": one, "tesseract": one})
        for one in (part, f"{code} K{rng.randint(1000, 9999)}")
    )
    seen = PieceFound(
        outline=place,
        package="DIP-40",
        package_confidence=0.9,
        lines=lines if role != "bottom" else (),
        part=part if role != "bottom" else None,
        date_codes=(
            DateCode(
                text=code, year=1900 + int(code[:2]), week=int(code[2:]), month=None, style="YYWW", probability=0.97
            ),
        ),
        suspicion=round(found.probability, 6),
        findings=findings,
        sum=tuple(
            SumItem(kind=one.kind, text=one.text, weight_db=round(one.weight_db, 2), family=one.family, code=one.code)
            for one in found.lines
        ),
        looked_for=tuple(outcomes),
    )
    return seen, before.db


def _remark(rng: random.Random, code: str, outcome: str) -> Remark:
    known = indicators()[code]
    said = (
        f"{known.title.capitalize()}: {rng.randint(2, 60)} % from the other {rng.randint(3, 11)} pieces of this group."
    )
    return Remark(code, said, outcome, known.family)


@cache
def _chances(bad: bool) -> Mapping[str, tuple[float, float]]:
    """Return how often each sign is seen clearly, and at all, in photos of pieces of either truth."""
    found = {}
    for code, known in indicators().items():
        if families()[known.family].looks_for_signs and known.family != "picture":
            counts = known.not_genuine if bad else known.genuine
            shares = [counts.of(one) / counts.total for one in OUTCOMES]
            found[code] = (shares[0], shares[0] + shares[1])
    return found


def _drawn(rng: random.Random, chances: tuple[float, float]) -> str:
    at = rng.random()
    return CLEAR if at < chances[0] else OUTCOMES[1] if at < chances[1] else ABSENT


def _bench(shop: _Shop, chip: Chip) -> None:
    """So many runs as were asked for; one of twelve leaves the matter open, and one of thirty is wrong."""
    for turn, test in enumerate((*TESTS, "current")):
        if not shop.some(shop.growth.runs - turn):
            return
        shop.grown.runs += 1
        bad = chip.bad != shop.some(1 / 30)
        verdict = "undecided" if shop.some(1 / 12) else "fail" if bad else "pass"
        weight = {"fail": 10.0, "pass": -4.0, "undecided": 0.0}[verdict]
        rule = "stands in for a rule"
        label = f"B{shop.grown.runs:04d}"
        said = {"test": test, "verdict": verdict, "weight_db": weight, "rule": rule}
        shop.scribe.add(BenchRun, label=label, piece_id=chip.id, supply_v=5.0, ambient_c=22.5, result="{}", **said)
        shop.end("bench", chip.label, {"run": label, **said})


def _decide(shop: _Shop, lot: str, chips: Sequence[Chip]) -> None:
    """Decide on some pieces, up to five in one act."""
    groups: dict[str, list[Chip]] = {}
    for chip in chips:
        if shop.some(shop.growth.decided):
            likely = "rejected" if chip.bad != shop.some(0.05) else "accepted"
            chip.disposition = (
                "quarantined" if shop.some(0.1) else "returned" if chip.bad and shop.some(0.3) else likely
            )
            groups.setdefault(chip.disposition, []).append(chip)
    for disposition, some in groups.items():
        for start in range(0, len(some), 5):
            batch = some[start : start + 5]
            reason = "Draws what it should." if disposition == "accepted" else "Not like the others."
            for chip in batch:
                shop.scribe.add(Decision, piece_id=chip.id, disposition=disposition, reason=reason)
            labels = [chip.label for chip in batch]
            shop.end("decide", lot, {"pieces": labels, "disposition": disposition, "reason": reason})


def _settle(shop: _Shop, chip: Chip) -> None:
    """Settle some truths, now and then taking one back, and declare some pieces known good."""
    if shop.some(shop.growth.settled):
        grounds = "Opened; the die was compared with a known-good one."
        for withdrawn in (False, *((True,) if shop.some(0.05) else ())):
            shop.scribe.add(Settlement, piece_id=chip.id, genuine=not chip.bad, grounds=grounds, withdrawn=withdrawn)
            said = f"settled as {'not genuine' if chip.bad else 'genuine'}"
            shop.end("settle", chip.label, {"piece": chip.label, "said": said, "grounds": grounds})
        shop.grown.settled += 1
    if not chip.bad and shop.some(shop.growth.exemplars):
        grounds = "Bought from the maker's own shop."
        shop.scribe.add(Exemplar, piece_id=chip.id, grounds=grounds, withdrawn=False)
        shop.end("exemplar", chip.label, {"piece": chip.label, "said": "declared an exemplar", "grounds": grounds})


def _fit(shop: _Shop, chips: Sequence[Chip]) -> None:
    """Put some accepted pieces into machines, and take every eighth out again."""
    for chip in chips if shop.machines else ():
        if chip.disposition != "accepted" or not shop.some(shop.growth.fitted):
            continue
        shop.positions += 1
        at = shop.positions % len(shop.machines)
        place = {"machine_id": shop.machines[at], "position": f"U{shop.positions // len(shop.machines) + 1}"}
        body = {"piece": chip.label, "machine": f"M{at + 1:04d}", "position": place["position"]}
        for fitted in (True, *((False,) if shop.some(0.125) else ())):
            shop.scribe.add(Fitting, piece_id=chip.id, fitted=fitted, reason=None if fitted else "It ran hot.", **place)
            shop.end("fit" if fitted else "unfit", chip.label, body)


def outline(index: int) -> tuple[tuple[float, float], ...]:
    """Return where a chip of the picture lies, clockwise from its upper left."""
    left, top = 60.0 + 380.0 * (index % ACROSS), 120.0 + 360.0 * (index // ACROSS)
    return ((left, top), (left + 320.0, top), (left + 320.0, top + 110.0), (left, top + 110.0))


def picture(number: int) -> bytes:
    """Return a drawn picture of twelve chips, as JPEG."""
    image = Image.new("RGB", (WIDTH, HEIGHT), (196 + 4 * number, 190, 178))
    draw = ImageDraw.Draw(image)
    for index in range(PER_PHOTO):
        (left, top), _, (right, bottom), _ = outline(index)
        draw.rectangle((left, top, right, bottom), fill=(38, 38, 42))
        draw.ellipse((left + 8, top + 45, left + 28, top + 65), fill=(24, 24, 27))
        draw.text(
            (left + 60, top + 20), f"CV6522AP\n91{number + 10} K{2100 + index}", fill=(214, 214, 206), font_size=34
        )
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()
