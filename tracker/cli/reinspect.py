"""The verb `reinspect`: the photos of the whole archive, or of a lot, looked at again."""

from contextlib import AbstractContextManager
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli import printing
from tracker.cli.interrupt import stopping
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.errors import BadRequest, ExitCode

if TYPE_CHECKING:
    from tracker.desk.reinspect_document import ReinspectDocument
    from tracker.desk.reinspect_write import Moved

SHOWN = 40


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("reinspect")(reinspect)


def reinspect(
    lot: Annotated[
        str | None, typer.Option("--lot", metavar="LOT", help="Only the photos of this lot.", show_default=False)
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="URL",
            help="Let the workers of this dask scheduler look, as tcp://10.0.0.5:8786. Whoever reaches a scheduler can "
            "run anything on its workers and on this computer: only on a network you trust, or tls:// with dask's own "
            "TLS configuration.",
            show_default=False,
        ),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option(
            "--processes",
            metavar="N",
            min=1,
            help="How many processes of this computer look (default: one a core).",
            show_default=False,
        ),
    ] = None,
    pictures: Annotated[
        bool, typer.Option("--pictures/--no-pictures", help="Draw and keep annotated pictures.")
    ] = True,
    dry: Annotated[
        bool, typer.Option("--dry-run", help="Say how many photos would be looked at and what it would cost.")
    ] = False,
    operator: OperatorOption = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look again at photos on record, with today's reader, limits and facts, and record what they show now.

    For a new version of Lotproof. Who is which piece stays as recorded, by place in the photo; corrections hold;
    earlier inspections stay on record and the newest counts. A photo that was looked at with the same method, facts
    and claim is left out, so a run that was broken off goes on where it was. Exit code 2 when a photo had to be set
    aside; the others are done all the same.
    """
    from tracker.desk.reinspect import dry_run
    from tracker.desk.workspace import Workspace

    if scheduler is not None and processes is not None:
        raise BadRequest("--processes is for this computer, --scheduler for others.", "Leave one of the two out.")
    with Workspace.open(workspace) as opened:
        if dry:
            document = dry_run(opened, lot=lot, pictures=pictures)
        else:
            opened.refuse_if_moved()  # before workers are made ready
            document = _run(opened, scheduler, processes, lot=lot, pictures=pictures, operator=operator)
    if as_json:
        printing.print_json(asdict(document))
    else:
        _print(document)
    if document.set_aside:
        raise typer.Exit(ExitCode.BAD_REQUEST)


def _run(opened: Any, scheduler: str | None, processes: int | None, **asked: Any) -> "ReinspectDocument":
    from tracker.cli.photo_text import progress
    from tracker.desk.reinspect import reinspect
    from tracker.desk.reinspect_hands import Hands, cluster_hands, local_hands

    give: AbstractContextManager[Hands] = local_hands(processes) if scheduler is None else cluster_hands(scheduler)
    with give as hands, progress("Looking at photos again") as told, stopping() as stop:
        return reinspect(
            opened, hands, **asked, progress=printing.after_a_second(told), wanted=lambda: not stop.asked()
        )


def _print(found: "ReinspectDocument") -> None:
    photos = "1 photo" if found.photos == 1 else f"{found.photos} photos"
    lots = "1 lot" if found.lots == 1 else f"{found.lots} lots"
    verb = "would be" if found.dry_run else "had to be"
    print(f"{photos} of {lots}: {found.to_do} {verb} looked at again.")
    for count, why in (
        (found.already, "looked at with the same method, facts and claim already"),
        (found.superseded, "overtaken by later photos of the same pieces"),
        (found.of_nobody, "without a chip that is known to be a piece: `lotproof photograph` takes them again"),
        (found.listing, "sellers' pictures"),
    ):
        if count:
            print(f"  {count:>6}  {why}")
    cost = found.cost
    if found.to_do:
        would = "would be" if found.dry_run else "were"
        print(
            f"{cost.looks} photos {would} opened, those to compare with among them; "
            f"{cost.bytes_read / 1e6:.1f} MB read, {cost.cpu_s:.0f} s of processor time ({cost.source})."
        )
    if found.dry_run:
        return
    print(f"Recorded: {found.done} photos, {found.pieces} pieces, in {found.seconds:.1f} s.")
    for one in found.set_aside:
        print(f"Set aside: {one.photo} of {one.lot}: {one.reason}.")
    if found.aside > len(found.set_aside):
        print(f"Set aside as well: {found.aside - len(found.set_aside)} more.")
    for said in found.notes:
        print(f"Mind: {said}")
    if found.stopped:
        print("Broken off; run it again for the rest.")
    _print_moved(found)


def _print_moved(found: "ReinspectDocument") -> None:
    if not found.changed:
        if found.pieces:
            print("No piece reads otherwise, and no suspicion moved much.")
        return
    print(f"\n{found.changed} pieces read otherwise, or their odds moved by 3 decibans, by this photo alone:")
    rows = [
        (
            one.piece,
            one.photo,
            _said(one),
            f"{100 * one.suspicion_before:.0f} %",
            f"{100 * one.suspicion:.0f} %",
            f"{one.moved_db:+.1f}",
            ", ".join([*(f"+{code}" for code in one.found), *(f"-{code}" for code in one.lost)]),
        )
        for one in found.moved[:SHOWN]
    ]
    names = ("piece", "photo", "reads", "was", "is", "dB", "findings")
    printing.console().print(printing.table(names, rows, right=("was", "is", "dB")))
    if found.changed > SHOWN:
        print(f"and {found.changed - SHOWN} more; --json has the first 1000.")


def _said(one: "Moved") -> str:
    if one.reads == one.read:
        return one.reads or "nothing"
    return f"{one.reads or 'nothing'} (was {one.read or 'nothing'})"
