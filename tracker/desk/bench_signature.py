"""Recording an electronic signature: the bytes as read, against what the piece's marking says."""

from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy.orm import Session

from tracker.bench import dumps, signature
from tracker.bench.signature import MOST_DEVICE_BYTES, Identity, Marked, SignatureResult
from tracker.bench.tables import Source
from tracker.desk import bench_entry
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_record import Outcome, Recorded, find_subject, record
from tracker.desk.facts import top_inspections
from tracker.desk.fields import one_line
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.knowledge import makers
from tracker.knowledge.parts import compare_part, parse
from tracker.knowledge.signatures import CONTINUATION, carrier, is_invented
from tracker.records.models import BenchSample, Lot, Piece

CODE_BYTES = 1 + MOST_DEVICE_BYTES
_WHOLE_CHIP = dumps.MOST_BYTES


@dataclass(frozen=True, slots=True)
class SignatureRequest:
    """A signature as typed.

    Parameters
    ----------
    readings : tuple of str
        Each a row of bytes in hexadecimal; several are repeated readings.
    file : Path or None
        A dump, raw or Intel HEX.
    offset : str or None
        Address of the manufacturer code in the file: '0', '0x7e00'.
    maker : str or None
        The maker that the marking names, where the records do not know it or are wrong.
    """

    readings: tuple[str, ...] = ()
    file: Path | None = None
    offset: str | None = None
    maker: str | None = None
    typed: Typed = field(default_factory=Typed)


def run_signature(
    workspace: Workspace, label: str, request: SignatureRequest, *, operator: str | None = None
) -> Recorded[SignatureResult]:
    """Record an electronic signature of a piece.

    The maker is the stated one, else the one of the marking as last read, else the claimed one, else the one whose
    prefix the claimed part carries.

    Raises
    ------
    BadRequest
        The label or anything typed cannot be used, or the label is a machine's; nothing was changed.
    """
    read, source = _readings(request.readings, request.file, request.offset)
    held = bench_entry.conditions(request.typed)
    stated = None if request.maker is None else one_line(request.maker, "maker")
    with workspace.act(operator, "bench", "") as act:
        subject = find_subject(act.session, label)
        if subject.piece is None:
            raise BadRequest(f"{subject.label} is a machine; a signature is a piece's.", "Name the piece: L0001-03.")
        marked, notes = _marked(act.session, subject.piece, stated)
        result = signature.evaluate(read, marked)
        samples = tuple(BenchSample(position=i, text=one.hex(" ").upper()) for i, one in enumerate(read, start=1))
        return record(act, subject, Outcome("signature", result, notes, held, samples, source))


def identify(readings: tuple[str, ...], file: Path | None, offset: str | None) -> tuple[Identity, ...]:
    """Return what rows of bytes say, without a workspace.

    Raises
    ------
    BadRequest
        Something typed cannot be used.
    """
    return tuple(signature.identify(one) for one in _readings(readings, file, offset)[0])


def _readings(typed: tuple[str, ...], file: Path | None, offset: str | None) -> tuple[tuple[bytes, ...], Source | None]:
    if bool(typed) == (file is not None):
        what = "--bytes and --from do not go together." if typed else "There is no reading."
        raise BadRequest(what, "Give the bytes with --bytes '1E 95', or a file with --from.")
    if file is None:
        if offset is not None:
            raise BadRequest("--offset goes with --from.", "With --bytes the manufacturer code stands first.")
        return tuple(dumps.by_hand(text) for text in typed), None
    dump = dumps.open_dump(file)
    if offset is None and len(dump.cells) > _WHOLE_CHIP:
        raise BadRequest(
            f"{file.name} has {len(dump.cells)} bytes, as many as a chip's content rather than its signature.",
            "Say with --offset at which address the signature stands.",
        )
    start = min(dump.cells) if offset is None else _address(offset)
    row = dump.part(start, dumps.MOST_BYTES)
    skipped = len(row) - len(row.lstrip(bytes([CONTINUATION])))
    return (row[: skipped + CODE_BYTES],), dump.source


def _address(text: str) -> int:
    try:
        at = int(text.strip(), 0)
    except ValueError:
        at = -1
    if not 0 <= at < 2**32:
        raise BadRequest(f"{text!r} is not an address.", "Write 512 or 0x200.")
    return at


def _marked(session: Session, piece: Piece, stated: str | None) -> tuple[Marked, tuple[str, ...]]:
    """Return what the piece's marking says, and what to mind about it."""
    lot = piece.lot
    seen = top_inspections(session, [piece]).get(piece.id)
    read = None if seen is None else seen.part_read
    claimed = _claimed_makers(lot)
    notes: list[str] = []
    found: tuple[str, ...]
    if stated is not None:
        found, source = (stated,), "stated by the operator"
    elif seen is not None and (words := _makers_of(seen.marking, read)):
        found, source = words, "the marking as read from its photo"
        if claimed and not set(claimed) & set(words):
            notes.append(f"The claim stands for {' or '.join(claimed)}, the marking for {' or '.join(words)}.")
    else:
        found, source = claimed, "claimed; no maker was read from a photo of its marking"
    if carrier(lot.claimed_part) is None:
        notes.append(f"{lot.claimed_part} is not known to have an electronic signature.")
    invented = is_invented(lot.claimed_part) or any(_of_demo(maker) for maker in found)
    part = read if read and compare_part(lot.claimed_part, read).kind != "unsure" else lot.claimed_part
    return Marked(found, part, source, invented, carrier(lot.claimed_part) is not None), tuple(notes)


def _of_demo(maker: str) -> bool:
    known = makers.find_maker(maker)
    return known is not None and known.invented


def _makers_of(marking: str, part: str | None) -> tuple[str, ...]:
    """Return the makers that the words of a marking name, else those its part number's prefix stands for."""
    named = makers.named_in(tuple(marking.replace("/", " ").split()))
    if named:
        return tuple(maker.name for maker in named)
    parsed = parse(part) if part else None
    return parsed.makers if parsed is not None else ()


def _claimed_makers(lot: Lot) -> tuple[str, ...]:
    if lot.claimed_maker:
        found = makers.find_maker(lot.claimed_maker)
        return (found.name if found else lot.claimed_maker,)
    parsed = parse(lot.claimed_part)
    return parsed.makers if parsed is not None else ()
