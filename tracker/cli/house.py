"""Verbs that keep house: `demo`, `doctor`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.printing import console, note, print_json, table
from tracker.errors import ExitCode

if TYPE_CHECKING:
    from tracker.desk.bench_record import Recorded, Result
    from tracker.desk.demo import PieceTold, Story
    from tracker.desk.doctor_check import Check

DEMO_FOLDER = Path("demo-workspace")


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("demo")(demo)
    app.command("doctor")(doctor)


def demo(
    # Without the environment variable of the other verbs: invented lots must not get among real ones.
    workspace: Annotated[
        Path, typer.Option("--workspace", metavar="DIR", help="A new or empty folder for it.")
    ] = DEMO_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Carry two invented lots through the whole job, on pictures that come with Lotproof.

    One lot comes from a marketplace, one from an authorised distributor. Both are photographed and compared, the
    suspects and the best piece are measured, pieces are decided on, one is fitted, the dossier is written. Takes about
    a minute. Sellers, parts, machines and meter readings are invented; what the photos show is read from them.
    """
    from tracker.desk.demo import run

    story = run(workspace, progress=lambda what: note(f"{what} ..."))
    if as_json:
        print_json(_story_json(story))
    else:
        _print_story(story)
    if not story.verified.sound:
        raise typer.Exit(ExitCode.DAMAGED)


def doctor(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """Try what Lotproof is made of: readers, records, fonts, PDF; say what is missing and how to get it.

    Exit code 1 when something that the main job needs does not work.
    """
    from dataclasses import asdict

    from tracker.desk.doctor import examine
    from tracker.desk.documents.house import doctor_document

    checks = examine(workspace)
    if as_json:
        print_json(asdict(doctor_document(checks)))
    else:
        _print_checks(checks)
    if any(check.bad for check in checks):
        raise typer.Exit(ExitCode.NO)


def _print_checks(checks: "tuple[Check, ...]") -> None:
    from rich.markup import escape

    console().print(table(("part", "state", "what"), [(c.name, c.state, escape(c.detail)) for c in checks]))
    for check in checks:
        if check.advice:
            print(f"\n{check.name}: {check.advice}")
    bad = [check.name for check in checks if check.bad]
    print()
    print(f"Does not work yet: {', '.join(bad)}." if bad else "Everything that the main job needs works.")


def _print_story(story: "Story") -> None:
    """Tell the story in the order in which it happened, and where everything lies."""
    from tracker.judgement.suspicion import percent

    good, doubted = story.reference, story.doubted
    print(f"{good.lot}: {len(good.pieces)} {good.part} came from {good.seller}, an authorised distributor.")
    print("  They are photographed and declared exemplars: the pieces that others are compared with.")
    print(f"{doubted.lot}: {len(doubted.pieces)} {doubted.part} came from {doubted.seller}, a marketplace seller.")
    print(f"  A claim is possible until {doubted.claim_by}. What the photo says of each piece:\n")
    for piece in story.pieces:
        _print_piece(piece)
    print("\nOn the bench:")
    for run in story.runs:
        if not run.machine:
            _print_run(run)
    print("\nDecided:")
    for decision in story.decisions:
        print(f"  {decision.piece} {decision.disposition}: {decision.reason}.")
    fitted = story.fitted
    print(f"  {fitted.piece} fitted into {fitted.machine} ({fitted.machine_name}) at {fitted.position}.")
    still_open = [piece for piece in story.pieces if piece.disposition == "open"]
    print("  What failed counts against its seller from now on, and so against the rest of the lot.")
    if still_open:
        worst = percent(max(piece.suspicion for piece in still_open))
        print(f"  {len(still_open)} pieces stay open until they are measured; the most suspicious stands at {worst}.")
    print("\nIn the machine:")
    for run in story.runs:
        if run.machine:
            _print_run(run)
    _print_places(story)


def _print_piece(piece: "PieceTold") -> None:
    from tracker.judgement.suspicion import percent

    print(f"  {piece.piece}  {piece.marking}")
    print(f"            suspicion {percent(piece.suspicion_by_photo)}" + ("" if piece.reasons else ": nothing strange"))
    for reason in piece.reasons:
        print(f"            {reason.weight_db:+5.1f} db  {reason.text}")


def _print_run(run: "Recorded[Result]") -> None:
    from tracker.judgement.suspicion import percent

    print(f"  {run.run}  {run.piece}, {run.test}: {run.verdict}. {' '.join(run.reasons)}")
    if run.suspicion is not None:
        print(f"         suspicion {percent(run.suspicion.before)} -> {percent(run.suspicion.after)}")


def _print_places(story: "Story") -> None:
    print("\nWhat was made:")
    for picture in story.pictures:
        print(f"  annotated picture  {picture}")
    for file in story.dossier:
        print(f"  dossier            {file}")
    print(f"  workspace          {story.workspace}")
    checked = sum(rung.checked for rung in story.verified.rungs)
    state = "sound" if story.verified.sound else f"{story.verified.fault_count} faults"
    print(f"  verify             {state}: {checked} things checked, journal of {story.verified.head.entry} entries")
    print("\nTo look further:")
    worst = story.suspects[0] if story.suspects else story.doubted.lot
    for command in (f"show {worst}", "list pieces", f"recall --lot {story.doubted.lot}", "log"):
        print(f"  lotproof {command} --workspace {story.workspace}")


def _story_json(story: "Story") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "schema": "lotproof.demo/1",
        "workspace": str(story.workspace),
        "lots": [
            {"lot": lot.lot, "seller": lot.seller, "source": lot.source, "part": lot.part, "pieces": list(lot.pieces)}
            for lot in (story.reference, story.doubted)
        ],
        "exemplars": list(story.exemplars),
        "pieces": [asdict(piece) for piece in story.pieces],
        "suspects": list(story.suspects),
        "runs": [
            {
                "run": run.run,
                "piece": run.piece,
                "test": run.test,
                "verdict": run.verdict,
                "weight_db": run.weight_db,
                "suspicion": asdict(run.suspicion) if run.suspicion else None,
            }
            for run in story.runs
        ],
        "decisions": [asdict(decision) for decision in story.decisions],
        "fitted": asdict(story.fitted),
        "pictures": [str(path) for path in story.pictures],
        "dossier": [str(path) for path in story.dossier],
        "verify": {
            "sound": story.verified.sound,
            "reached": story.verified.reached,
            "faults": [asdict(fault) for fault in story.verified.faults],
        },
    }
