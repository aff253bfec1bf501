"""The main job from end to end on the sample pictures, in a workspace of its own.

Sellers, makers, machines and bench readings are invented. What the photos say is not: it is read from the pictures.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path

from tracker.desk.arrival import Arrival
from tracker.desk.assess import piece_suspicions
from tracker.desk.bench import (
    ClockRequest,
    CurrentRequest,
    run_clock,
    run_current,
)
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
from tracker.desk.bench_record import Recorded, Result
from tracker.desk.bench_soak import run_soak
from tracker.desk.bench_soak_entry import SoakRequest
from tracker.desk.contract import PhotographDocument
from tracker.desk.decide import Decided, decide, declare_exemplar
from tracker.desk.dossier import write_dossier
from tracker.desk.fitting import Fitted, fit
from tracker.desk.overlays import write_kept
from tracker.desk.photograph import photograph
from tracker.desk.pieces import dispositions, find_lot
from tracker.desk.receive import Received, receive
from tracker.desk.verify import Report, verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest

OPERATOR = "mira"
PART = "CV6522AP"
MACHINE = "Sampling keyboard Orrin 8, serial 0412"
POSITION = "U12"
GROUNDS = "From the authorised distributor, with the maker's certificate for this date code"
HANDED_OVER = "handed-over"
"""Folder inside the workspace's for the pictures and the dossier."""

# What an invented meter shows for each piece of the marketplace lot at 1 MHz and 5 V, by its number: the re-marked
# ones are an older NMOS part.
READINGS = {1: "2.1 mA", 2: "2.0 mA", 3: "96 mA", 4: "2.2 mA", 5: "2.1 mA", 6: "91 mA", 7: "2.0 mA", 8: "2.2 mA"}
CLOCK_STEPS = ("1 MHz=pass", "2 MHz=pass", "2.5 MHz=pass", "3 MHz=pass", "3.4 MHz=fail", "3.2 MHz=fail")
# A part that draws 2 mA at 5 V hardly warms: the one re-marked would rise by twenty degrees.
SOAK_STEPS = (
    "0 min=23.0 C",
    "1 min=23.4 C",
    "2 min=23.6 C",
    "4 min=23.9 C",
    "6 min=24.0 C",
    "8 min=24.1 C",
    "10 min=24.1 C",
    "13 min=24.1 C",
    "16 min=24.2 C",
    "20 min=24.1 C",
)
RIG = "an Orrin 8 board kept for tests"
CONDITIONS = Typed(supply="5.00 V", ambient="23 °C", jig="port jig", instrument="bench multimeter")

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Reason:
    """One line of the sum behind a suspicion, in decibans."""

    text: str
    weight_db: float


@dataclass(frozen=True, slots=True)
class PieceTold:
    """One piece of the lot in doubt: what its photo said, and how it stands in the end."""

    piece: str
    marking: str
    suspicion_by_photo: float
    reasons: tuple[Reason, ...]
    suspicion: float
    disposition: str


@dataclass(frozen=True, slots=True)
class Story:
    """Everything the demo did, in order."""

    workspace: Path
    reference: Received
    exemplars: tuple[str, ...]
    doubted: Received
    photos: tuple[PhotographDocument, ...]
    pieces: tuple[PieceTold, ...]
    suspects: tuple[str, ...]
    runs: tuple[Recorded[Result], ...]
    decisions: tuple[Decided, ...]
    fitted: Fitted
    pictures: tuple[Path, ...]
    dossier: tuple[Path, ...]
    verified: Report


def sample(name: str) -> Path:
    """Return the path of a sample picture, from the installed package or the checkout.

    Raises
    ------
    BadRequest
        When it is not installed.
    """
    try:
        path = Path(str(files("sample_images").joinpath(name)))
    except ModuleNotFoundError:
        path = Path(__file__).resolve().parents[2] / "sample_images" / name
    if not path.is_file():
        raise BadRequest(f"The sample picture {name} is missing.", "Install Lotproof again: its wheel carries it.")
    return path


def _fresh_folder(folder: Path) -> Path:
    """Return the folder when it is new or empty: invented lots must not mix with real ones."""
    for name in ("LOTPROOF_DATABASE", "LOTPROOF_EVIDENCE"):
        if os.environ.get(name):
            raise BadRequest(
                f"{name} is set, and the demo keeps its invented lots away from real records.", f"Unset {name} first."
            )
    try:
        taken = folder.is_file() or (folder.exists() and any(folder.iterdir()))
    except OSError as error:
        raise BadRequest(f"{folder} cannot be read ({error.strerror}).", "Name another folder.") from None
    if taken:
        raise BadRequest(
            f"{folder} is there already, and the demo needs a folder of its own.",
            "Name a new or empty folder with --workspace.",
        )
    return folder.absolute()


def run(folder: Path, *, today: date | None = None, progress: Progress | None = None) -> Story:
    """Carry a good and a doubtful lot through the whole job.

    Parameters
    ----------
    folder : Path
        New or empty; becomes the workspace.
    today : date, optional
        The day the doubtful lot is dealt with.
    progress : callable, optional
        Told what is being done now.

    Raises
    ------
    BadRequest
        When the folder holds anything, or the sample pictures are missing.
    """
    where = _fresh_folder(folder)
    good, doubtful = sample("authorised_lot.jpg"), sample("marketplace_lot.jpg")
    day = today or datetime.now(UTC).date()
    say = progress or (lambda _: None)
    with Workspace.open(where, create=True) as workspace:
        reference, doubted = _receive(workspace, day)
        say("Looking at the distributor's pieces")
        known = photograph(workspace, reference.lot, [good], operator=OPERATOR, today=day)
        for piece in reference.pieces:
            declare_exemplar(workspace, piece, GROUNDS, operator=OPERATOR)
        say("Looking at the marketplace pieces, beside the distributor's")
        seen = photograph(workspace, doubted.lot, [doubtful], operator=OPERATOR, today=day)
        suspects, best = _sorted_out(seen)
        runs = _measure(workspace, suspects, best)
        decisions = _decide(workspace, runs)
        fitted = fit(workspace, best, MACHINE, POSITION, owner="Tidewater job 231", operator=OPERATOR)
        runs += (_in_circuit(workspace, best),)
        say("Writing the dossier")
        handed = where / HANDED_OVER
        pictures = write_kept(workspace.store, [*known.photos, *seen.photos], handed)
        dossier = write_dossier(workspace, doubted.lot, handed)
        return Story(
            workspace=where,
            reference=reference,
            exemplars=reference.pieces,
            doubted=doubted,
            photos=(known, seen),
            pieces=_pieces(workspace, seen, doubted.lot),
            suspects=suspects,
            runs=runs,
            decisions=decisions,
            fitted=fitted,
            pictures=tuple(pictures),
            dossier=dossier.files,
            verified=verify(workspace),
        )


def _receive(workspace: Workspace, day: date) -> tuple[Received, Received]:
    good = Arrival(
        seller="Fennimore Components",
        source="authorised",
        part=PART,
        maker="Corvane",
        condition="old-stock",
        quantity=4,
        received=4,
        order="FC-20318",
        price="38.00",
        currency="EUR",
        arrived=day - timedelta(days=45),
    )
    doubtful = Arrival(
        seller="Quayside Surplus",
        source="marketplace",
        part=PART,
        maker="Corvane",
        condition="old-stock",
        quantity=8,
        received=8,
        order="QS-7714",
        price="31.20",
        currency="EUR",
        arrived=day - timedelta(days=1),
        claim_by=day + timedelta(days=20),
        remark="Sold as one date code, tested",
    )
    (reference,) = receive(workspace, [good], operator="jonas")
    (doubted,) = receive(workspace, [doubtful], operator=OPERATOR)
    return reference, doubted


def _sorted_out(seen: PhotographDocument) -> tuple[tuple[str, ...], str]:
    """Return the two most suspicious pieces, worst first, and the least suspicious one."""
    by_suspicion = sorted(seen.pieces, key=lambda piece: piece.suspicion)
    worst_first = by_suspicion[::-1]
    return tuple(piece.piece for piece in worst_first[:2]), by_suspicion[0].piece


def _measure(workspace: Workspace, suspects: Sequence[str], best: str) -> tuple[Recorded[Result], ...]:
    """Measure the suspects and the best piece: supply current of each, and all the rest of the best one.

    Where siblings fail, one good test does not make a piece good enough to be fitted.
    """
    runs = [_current(workspace, label) for label in (*suspects, best)]
    clock = ClockRequest(pairs=CLOCK_STEPS, typed=CONDITIONS)
    runs.append(run_clock(workspace, best, clock, operator=OPERATOR))
    soak = SoakRequest(
        pairs=SOAK_STEPS, limit="10 K", limit_source="invented for the demo", cold=True, case=False, typed=CONDITIONS
    )
    runs.append(run_soak(workspace, best, soak, operator=OPERATOR))
    runs.append(_in_circuit(workspace, best, replace(CONDITIONS, jig=RIG)))
    return tuple(runs)


def _current(workspace: Workspace, label: str) -> Recorded[Result]:
    reading = READINGS[int(label.rpartition("-")[2])]
    request = CurrentRequest(currents=(reading,), clock="1 MHz", u="0.1 mA", typed=CONDITIONS)
    return run_current(workspace, label, request, operator=OPERATOR)


def _in_circuit(workspace: Workspace, label: str, typed: Typed | None = None) -> Recorded[Result]:
    checks = ("keys scan=pass", "sample playback=pass", "display=pass")
    request = InCircuitRequest(runs=True, duration="2 h", checks=checks, known_good="runs", typed=typed or Typed())
    return run_in_circuit(workspace, label, request, operator=OPERATOR)


def _decide(workspace: Workspace, runs: Sequence[Recorded[Result]]) -> tuple[Decided, ...]:
    """Reject what failed, accept what passed everything; the bench decides, not the story."""
    verdicts: dict[str, set[str]] = {}
    for one in runs:
        verdicts.setdefault(str(one.piece), set()).add(one.verdict)
    failed = [piece for piece, found in verdicts.items() if "fail" in found]
    passed = [piece for piece, found in verdicts.items() if found == {"pass"}]
    decided: list[Decided] = []
    if failed:
        why = "One of the most suspicious by its photo; draws more than this part may"
        decided += decide(workspace, failed, "reject", why, operator=OPERATOR)
    if passed:
        why = "The least suspicious by its photo; passed all four tests"
        decided += decide(workspace, passed, "accept", why, operator=OPERATOR)
    return tuple(decided)


def _pieces(workspace: Workspace, seen: PhotographDocument, lot: str) -> tuple[PieceTold, ...]:
    with workspace.read() as session:
        pieces = find_lot(session, lot).pieces
        now = piece_suspicions(session, pieces)
        stands = dispositions(session, pieces)
        final = {piece.label: (now[piece.id].probability, stands[piece.id]) for piece in pieces}
    return tuple(
        PieceTold(
            piece=one.piece,
            marking=one.marking,
            suspicion_by_photo=one.suspicion,
            reasons=tuple(Reason(line.text, line.weight_db) for line in one.sum if line.kind == "finding"),
            suspicion=final[one.piece][0],
            disposition=final[one.piece][1],
        )
        for one in seen.pieces
    )
