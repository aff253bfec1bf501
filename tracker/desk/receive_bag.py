"""Another workshop's lot becomes one of ours: our labels, its files, and what it found shown as its own.

What counts: nothing of it counts in our sums. Its inspections, bench runs, settlements, exemplars and decisions are
kept word for word and shown beside ours, but they weigh nothing, teach no weights and say nothing about the seller's
record. We did not see how they came about, and one workshop's mistake would otherwise become everybody's. Who trusts
them says so with a reason in the own journal: `lotproof settle`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import select

from tracker.desk.arrival import Arrival, check_arrival
from tracker.desk.bag_read import Foreign
from tracker.desk.export_gather import Wanted, lot_files, workshop_id
from tracker.desk.fields import file_name
from tracker.desk.origin import Origin, origin_of
from tracker.desk.receive import Received, receive_one
from tracker.desk.workspace import Act, Workspace
from tracker.dossier.bag import names
from tracker.dossier.bag.records import corrected_marking
from tracker.dossier.bag.source import Progress, refused
from tracker.errors import BadRequest
from tracker.judgement.suspicion import percent
from tracker.records.models import Document, ForeignRecord, JournalEntry, Lot, LotOrigin, Piece

MAY_BE_GIVEN = ("seller", "source", "order", "condition", "arrived", "claim_by", "price", "currency", "remark")
"""What is ours to say of a lot that comes in a bag; all else the bag says."""
THEIRS = "theirs: "
NAMELESS = "a workshop without a name"
_KIND_LENGTH = 30
_SAID_LENGTH = 2000
"""Characters of one foreign record that are shown; the whole is in its records.json. Our own bound."""


@dataclass(frozen=True, slots=True)
class BagReceived:
    """A lot that came in a bag; `records` counts what the other workshop found, by kind."""

    received: Received
    origin: Origin
    files: int
    size_bytes: int
    records: dict[str, int]
    notes: tuple[str, ...]


def arrival_of(foreign: Foreign, given: Mapping[str, str], *, today: date) -> Arrival:
    """Return the arrival of a foreign lot: what the bag claims, and what was typed besides.

    Raises
    ------
    BadRequest
        When something was typed that the bag says, or a field cannot be used.
    """
    for name in given:
        if name not in MAY_BE_GIVEN:
            raise BadRequest(f"--{name.replace('_', '-')} does not go with --bag: the bag says it.", "Leave it out.")
    lot, seller = foreign.typed["lot"][0], foreign.typed["seller"][0]
    theirs = {
        "seller": seller["name"],
        "source": lot["source_kind"],
        "part": lot["claimed_part"],
        "maker": lot["claimed_maker"] or "",
        "grade": lot["claimed_grade"] or "",
        "condition": lot["condition"],
        "quantity": str(lot["quantity_received"]),
    }
    return check_arrival({**theirs, **given}, today=today)


def receive_bag(
    workspace: Workspace,
    foreign: Foreign,
    arrival: Arrival,
    *,
    again: bool = False,
    operator: str | None = None,
    progress: Progress | None = None,
) -> BagReceived:
    """Record a foreign lot with its files, all in one act or nothing.

    Parameters
    ----------
    again : bool
        Also where this bag was taken in before, or is one of our own.

    Raises
    ------
    BadRequest
        When it was taken in before, the order is here already, or a file changed since it was checked.
    """
    with workspace.act(operator, "receive", "") as act:
        notes = _earlier(act, foreign, again)
        received = receive_one(act, arrival, arrival.line or 1)
        if received.already:
            raise BadRequest(f"Order {arrival.order} from {arrival.seller} is here already as {received.lot}.", _ELSE)
        lot = act.session.scalars(select(Lot).where(Lot.label == received.lot)).one()
        _keep_files(act, foreign, lot, progress)
        _add_origin(act, foreign, lot)
        counts = _add_records(act, foreign, lot)
        act.subject = lot.label
        act.body["lots"] = [
            {"lot": lot.label, "pieces": len(received.pieces), "part": received.part, "seller": received.seller}
        ]
        act.body.update(_said_of(foreign))
        origin = origin_of(act.session, lot)
        if origin is None:
            raise RuntimeError("the origin that was just written is not there")
    payload = [foreign.bag.sizes[path] for path in foreign.bag.payload]
    return BagReceived(received, origin, len(payload), sum(payload), counts, (*notes, *received.notes))


_ELSE = "Nothing was recorded. Give another order reference, or leave --order out."


def _earlier(act: Act, foreign: Foreign, again: bool) -> list[str]:
    """Refuse what was taken in before; note what is like it."""
    own = foreign.records.workshop_id == workshop_id(act.session)
    same = select(LotOrigin, JournalEntry.at).join(JournalEntry, JournalEntry.id == LotOrigin.entry_id)
    for origin, at in act.session.execute(same.where(LotOrigin.bag_sha256 == foreign.bag.digest)):
        if not again:
            raise BadRequest(
                f"This bag was taken in before, as {origin.lot.label} on {at[:10]}.",
                "Nothing was changed. To take it in once more, as another lot, add --again.",
            )
    if own and not again:
        raise BadRequest(
            f"This is a bag of this workshop's own {foreign.records.lot}.",
            "Nothing was changed. To take it in all the same, as another lot, add --again.",
        )
    like = select(LotOrigin).where(
        LotOrigin.workshop_id == foreign.records.workshop_id, LotOrigin.their_lot == foreign.records.lot
    )
    labels = [origin.lot.label for origin in act.session.scalars(like.order_by(LotOrigin.id))]
    return [f"Their {foreign.records.lot} is here already as {', '.join(labels)}."] if labels else []


def _keep_files(act: Act, foreign: Foreign, lot: Lot, progress: Progress | None) -> None:
    """Keep every file of the payload, and what names and describes it, as documents of the lot."""
    wanted = {one.sha256: one for one in lot_files(foreign.tables, foreign.entries)}
    for number, (path, sha256) in enumerate(sorted(foreign.bag.payload.items()), start=1):
        _keep(act, foreign, lot, path, sha256, wanted.get(sha256))
        if progress is not None:
            progress(number, len(foreign.bag.payload))
    for path in (names.INFO, names.MANIFESTS[0]):
        _keep(act, foreign, lot, path, None, None)


def _keep(act: Act, foreign: Foreign, lot: Lot, path: str, sha256: str | None, what: Wanted | None) -> None:
    kept = act.keep(foreign.bag.folder / path)
    if sha256 is not None and kept.sha256 != sha256:
        raise refused(f"{path} changed while it was taken in")
    kind = f"photo {what.kind}" if what is not None and what.folder == "photos" else what.kind if what else "records"
    act.add(
        Document(
            lot_id=lot.id,
            kind=f"{THEIRS}{_line(kind.removeprefix(THEIRS))}"[:_KIND_LENGTH],
            name=file_name(path if what is None else what.name),
            sha256=kept.sha256,
            size_bytes=kept.size_bytes,
        )
    )


def _add_origin(act: Act, foreign: Foreign, lot: Lot) -> None:
    records = foreign.records
    act.add(
        LotOrigin(
            lot_id=lot.id,
            workshop=_line(foreign.workshop or "")[:200] or NAMELESS,
            workshop_id=records.workshop_id,
            their_lot=records.lot,
            bag_sha256=foreign.bag.digest,
            head_entry=records.head.entry,
            head_hash=records.head.hash,
            exported_at=records.exported_at,
            program=_line(records.program)[:40],
            signing_key=foreign.entries[-1].signing_key,
        )
    )


def _said_of(foreign: Foreign) -> dict[str, Any]:
    records = foreign.records
    return {
        "received_from": f"{_line(foreign.workshop or NAMELESS)} as their {records.lot}",
        "their_workshop": records.workshop_id,
        "their_head": f"entry {records.head.entry}, {records.head.hash}",
        "bag": foreign.bag.digest,
    }


@dataclass(frozen=True, slots=True)
class _Found:
    """One thing they found or did; `piece` is their row's id, `entry` their journal's."""

    kind: str
    piece: int | None
    entry: int
    said: str
    label: str | None = None
    act: tuple[str, str] | None = None
    """When and by whom, where that is not what the journal entry says."""


def _add_records(act: Act, foreign: Foreign, lot: Lot) -> dict[str, int]:
    ours = {piece.number: piece.id for piece in act.session.scalars(select(Piece).where(Piece.lot_id == lot.id))}
    pieces = {row["id"]: ours[row["number"]] for row in foreign.typed["piece"]}
    entries = {entry.id: entry for entry in foreign.entries}
    counts: dict[str, int] = {}
    for one in sorted(_found(foreign.typed), key=lambda one: one.entry):
        counts[_line(one.kind)] = counts.get(_line(one.kind), 0) + 1
        at, operator = one.act or (entries[one.entry].at, entries[one.entry].operator)
        act.session.add(
            ForeignRecord(
                lot_id=lot.id,
                piece_id=None if one.piece is None else pieces.get(one.piece),
                kind=_line(one.kind),
                their_label=None if one.label is None else _line(one.label),
                at=_line(at),
                operator=_line(operator),
                said=_line(one.said)[:_SAID_LENGTH],
            )
        )
    act.session.flush()
    return counts


def _found(typed: Mapping[str, list[dict[str, Any]]]) -> Iterator[_Found]:
    roles = {row["id"]: row["role"] for row in typed["photo"]}
    machines = {row["id"]: f"{row['label']} ({row['name']})" for row in typed["machine"]}
    for row in typed["inspection"]:
        said = (
            f"{roles[row['photo_id']]} photo: {row['marking'] or 'nothing read'}, suspicion {_share(row['suspicion'])}"
        )
        yield _Found("inspection", row["piece_id"], row["entry_id"], said)
    for row in typed["bench_run"]:
        yield _Found("run", row["piece_id"], row["entry_id"], f"{row['test']}: {row['verdict']}", row["label"])
    for row in typed["decision"]:
        yield _Found("decision", row["piece_id"], row["entry_id"], f"{row['disposition']}: {row['reason']}")
    for row in typed["settlement"]:
        word = f"settled as {'genuine' if row['genuine'] else 'not genuine'}"
        yield _Found("settlement", row["piece_id"], row["entry_id"], _withdrawn(row, word))
    for row in typed["exemplar"]:
        yield _Found("exemplar", row["piece_id"], row["entry_id"], _withdrawn(row, "declared an exemplar"))
    for row in typed["fitting"]:
        verb = "fitted into" if row["fitted"] else "taken out of"
        said = f"{verb} {machines[row['machine_id']]} at {row['position']}"
        yield _Found("fitting", row["piece_id"], row["entry_id"], said)
    for row in typed["reading_correction"]:
        marking = corrected_marking(row["lines"])
        said = f"reading corrected by hand: {marking}" if marking else "corrected reading given back to the readers"
        remark = f" ({row['remark']})" if row["remark"] else ""
        yield _Found("correction", row["piece_id"], row["entry_id"], f"{said}{remark}")
    for row in typed["shipment"]:
        said = f"sent back on {row['sent_on']} with {row['carrier']}, {row['reference']}"
        yield _Found("shipment", row["piece_id"], row["entry_id"], said)
    for row in typed["lot_origin"]:
        said = f"they had it from {row['workshop']} as {row['their_lot']}, journal head {row['head_hash']}"
        yield _Found("earlier", None, row["entry_id"], said, row["their_lot"])
    for row in typed["foreign_record"]:
        before = typed["lot_origin"][0]["workshop"] if typed["lot_origin"] else NAMELESS
        yield _Found(
            row["kind"],
            row["piece_id"],
            row["entry_id"],
            f"by {before}: {row['said']}",
            row["their_label"],
            (row["at"], row["operator"]),
        )


def _withdrawn(row: Mapping[str, Any], word: str) -> str:
    return f"{f'no longer {word}' if row['withdrawn'] else word}: {row['grounds']}"


def _share(value: float) -> str:
    return percent(value) if 0 <= value <= 1 else "unknown"


def _line(text: str) -> str:
    """Return foreign text fit for a screen: one line, and nothing in it that does not print."""
    return "".join(letter if letter.isprintable() else "?" for letter in " ".join(text.split()))
