"""What `receive --bag` does and prints."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tracker.cli.printing import after_a_second, note, print_json

if TYPE_CHECKING:
    from tracker.desk.receive_bag import BagReceived


def receive_bag(
    workspace: Path | None,
    bag: Path,
    given: Mapping[str, str],
    *,
    again: bool,
    operator: str | None,
    as_json: bool,
) -> None:
    """Check a bag, take it in, and say what came of it."""
    from tracker.cli.photo_text import progress
    from tracker.desk import receive_bag as taking
    from tracker.desk.bag_read import opened
    from tracker.desk.workspace import Workspace

    with progress("Taking in the bag") as told, opened(bag.expanduser(), after_a_second(told), note) as foreign:
        arrival = taking.arrival_of(foreign, given, today=date.today())
        # Only now: a bag that is refused does not start a workspace either.
        with Workspace.open(workspace, create=True) as ours:
            answer = taking.receive_bag(
                ours, foreign, arrival, again=again, operator=operator, progress=after_a_second(told)
            )
    if as_json:
        print_json(_document(answer))
    else:
        _say(answer)
    for text in answer.notes:
        note(f"Note on {answer.received.lot}: {text}")


def _document(answer: "BagReceived") -> dict[str, Any]:
    return {
        "schema": "lotproof.bag-received/1",
        "lot": answer.received.lot,
        "pieces": list(answer.received.pieces),
        "seller": answer.received.seller,
        "source": answer.received.source,
        "part": answer.received.part,
        "arrived": answer.received.arrived,
        "claim_by": answer.received.claim_by,
        "origin": asdict(answer.origin),
        "files": answer.files,
        "size_bytes": answer.size_bytes,
        "their_records": answer.records,
        "notes": list(answer.notes),
    }


def _say(answer: "BagReceived") -> None:
    lot, origin = answer.received, answer.origin
    many = "1 piece" if len(lot.pieces) == 1 else f"{len(lot.pieces)} pieces"
    span = lot.pieces[0] if len(lot.pieces) == 1 else f"{lot.pieces[0]} to {lot.pieces[-1]}"
    print(f"{lot.lot}  {many} of {lot.part}: {span}")
    print(f"       received from {origin.workshop} as their {origin.their_lot}")
    print(f"       bought from {lot.seller} ({lot.source})")
    print(f"       their journal's head: entry {origin.head_entry}, {origin.head_hash}")
    if origin.signing_key:
        print(f"       signed with key {origin.signing_key}: ask them whether it is theirs")
    print(f"       kept {answer.files} files, {answer.size_bytes:,} bytes, all as the bag's manifests say")
    if answer.records:
        counts = ", ".join(f"{count} {_plural(kind, count)}" for kind, count in answer.records.items())
        print(f"       theirs, shown and not counted: {counts}")
    print(f"       The suspicion of these pieces is still that of any from {lot.seller}: photograph them yourself.")


def _plural(kind: str, count: int) -> str:
    words = {"inspection": "inspections", "run": "bench runs", "earlier": "of a workshop before them"}
    one = {"run": "bench run", "earlier": "of a workshop before them"}
    return one.get(kind, kind) if count == 1 else words.get(kind, f"{kind}s")
