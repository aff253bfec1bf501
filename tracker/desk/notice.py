"""The notice of a recall: for every machine that holds a piece of the kind looked for, what is to be done, to sign."""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import date
from itertools import groupby
from pathlib import Path

from tracker.desk.fields import one_line
from tracker.desk.recall import Recall, Stay, Wanted
from tracker.desk.whole_file import put_whole
from tracker.disk import make_folder
from tracker.dossier import sheet as papers
from tracker.dossier.model import Row
from tracker.dossier.sheet import Section, Sheet
from tracker.errors import BadRequest

CAUTION = (
    "Before a machine is opened: off the mains, plug pulled, capacitors discharged; hot parts cooled; static kept away "
    "from the pieces. Local rules and licensed practice have the last word."
)
_SAID = {
    "lot": "lot",
    "seller": "seller",
    "date_code": "date code",
    "marking": "marking with",
    "since": "arrived since",
    "until": "arrived until",
}


@dataclass(frozen=True, slots=True)
class NoticeWritten:
    """A notice's file, and how many machines it names as holding such a piece."""

    file: Path
    machines: int


def write_notice(answer: Recall, wanted: Wanted, because: str | None, to: Path, *, today: date) -> NoticeWritten:
    """Write the notice of a recall.

    Parameters
    ----------
    because : str or None
        What is the matter with the pieces; without it a line is left for it.
    to : Path
        A file ending in .pdf or .txt.

    Raises
    ------
    BadRequest
        When no machine holds or held such a piece, or the file cannot be written.
    """
    kind = to.suffix.lower()
    if kind not in (".pdf", ".txt"):
        raise BadRequest(f"A notice cannot be written as {to.name}.", "Name a file ending in .pdf or .txt.")
    if not answer.stays:
        raise BadRequest("No machine holds or held such a piece, so there is nobody to notify.")
    why = one_line(because, "reason", 2000) if because is not None else None
    paper = _notice(answer, wanted, why, today)
    try:
        make_folder(to.parent)
        put_whole(to, papers.pdf(paper, {}) if kind == ".pdf" else papers.text(paper).encode("utf-8"))
    except OSError as error:
        raise BadRequest(f"{to} cannot be written ({error.strerror or error}).", "Name another file.") from None
    return NoticeWritten(to, len({stay.machine for stay in answer.stays if stay.out is None}))


def _notice(answer: Recall, wanted: Wanted, because: str | None, today: date) -> Sheet:
    still = [stay for stay in answer.stays if stay.out is None]
    gone = [stay for stay in answer.stays if stay.out is not None]
    looked_for = [f"{_SAID[one.name]} {value}" for one in fields(wanted) if (value := getattr(wanted, one.name))]
    return Sheet(
        title="Recall notice",
        subtitle=f"{today.isoformat()}; pieces of {', '.join(looked_for)}",
        lead=(f"What is the matter: {because or '_' * 50}", CAUTION),
        sections=(*_machines(still), *_held_before(gone)),
        closing=(
            f"{answer.pieces} {'piece' if answer.pieces == 1 else 'pieces'} on record were looked for; {len(still)} "
            f"{'sits' if len(still) == 1 else 'sit'} in a machine now.",
        ),
    )


def _machines(stays: list[Stay]) -> Iterator[Section]:
    for _, group in groupby(sorted(stays, key=lambda one: (one.machine, one.position)), key=lambda one: one.machine):
        held = list(group)
        machine = held[0]
        rows = [Row("owner's reference", machine.owner_reference or "none on record")]
        rows += [Row(f"position {one.position}", f"{one.piece}, fitted on {one.fitted[:10]}") for one in held]
        to_sign = ("Found in the machine", "Done", "Date and name")
        yield Section(f"{machine.machine}, {machine.machine_name}", rows=tuple(rows), to_sign=to_sign)


def _held_before(stays: list[Stay]) -> Iterator[Section]:
    if stays:
        points = tuple(
            f"{one.machine}, {one.machine_name} (owner's reference: {one.owner_reference or 'none on record'}): "
            f"{one.piece} at {one.position}, {one.fitted[:10]} to {(one.out or '')[:10]}"
            for one in stays
        )
        yield Section("No longer there", points=points)
