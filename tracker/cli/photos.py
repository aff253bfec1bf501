"""The verbs that look at photos: `inspect` without a workspace, `photograph` with one."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli import printing
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.errors import ExitCode

if TYPE_CHECKING:
    from tracker.desk.contract import (
        CardSeen,
        DateCode,
        InspectionDocument,
        PhotographDocument,
        PhotoKept,
        PieceFound,
        PiecePhotographed,
        SumItem,
    )


class Role(StrEnum):
    """What a photo shows."""

    TOP = "top"
    BOTTOM = "bottom"
    BEFORE_SWAB = "before-swab"
    AFTER_SWAB = "after-swab"
    LISTING = "listing"


PhotosArgument = Annotated[
    list[Path], typer.Argument(metavar="PHOTO...", help="JPEG, PNG, WebP, TIFF or HEIC.", show_default=False)
]
OverlayOption = Annotated[
    Path | None,
    typer.Option("--overlay", metavar="DIR", help="Write annotated pictures into this folder.", show_default=False),
]


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("inspect")(inspect)
    app.command("photograph")(photograph)


def inspect(
    photos: PhotosArgument,
    exemplar: Annotated[
        list[Path] | None,
        typer.Option(
            "--exemplar", metavar="PHOTO", help="A photo of known-good pieces; may be repeated.", show_default=False
        ),
    ] = None,
    claimed: Annotated[
        str | None, typer.Option("--claimed", metavar="PART", help="The part number claimed.", show_default=False)
    ] = None,
    overlay: OverlayOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find, read, measure and compare the chips in photos that make one lot.

    Needs no workspace and remembers nothing. Exit code 0 also when suspicious; 2 when a photo could not be used (the
    others are done all the same).
    """
    from tracker.desk.inspect import every_core, inspect_photos

    with progress("Looking at photos") as told:
        document = inspect_photos(
            photos, exemplars=exemplar or [], claimed=claimed, progress=told, workers=every_core()
        )
    written = []
    if overlay is not None:
        from tracker.desk.overlays import write_overlays

        written = write_overlays(document, overlay)
    if as_json:
        printing.print_json(document.as_json())
    else:
        _print_inspection(document)
    for path in written:
        printing.note(f"Annotated picture: {path}")
    for error in document.errors:
        printing.note(f"lotproof: {error}")
    if document.errors:
        raise typer.Exit(ExitCode.BAD_REQUEST)


def photograph(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot the pieces belong to.", show_default=False)],
    photos: PhotosArgument,
    piece: Annotated[
        list[str] | None,
        typer.Option(
            "--piece",
            metavar="LABEL",
            help="Which piece is in view; repeated, or a run as L0001-03..05, for several in reading order.",
            show_default=False,
        ),
    ] = None,
    role: Annotated[Role, typer.Option("--role", help="What the photos show.")] = Role.TOP,
    overlay: OverlayOption = None,
    operator: OperatorOption = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep photos of a lot's pieces, look at them, and record what they say.

    A chip is matched to a piece by its cell of the lot's card or the label beside it, else by reading order over the
    pieces without such a photo; --piece says it outright, also to correct an earlier match. Swab photos: work with good
    air, gloves and no flame; local rules have the last word.
    """
    from tracker.desk.photograph import photograph as keep_and_look
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        with progress("Looking at photos, with earlier ones to compare with") as told:
            document = keep_and_look(
                opened, lot, photos, piece=piece or (), role=role.value, operator=operator, progress=told
            )
        written = []
        if overlay is not None:
            from tracker.desk.overlays import write_kept

            written = write_kept(opened.store, document.photos, overlay)
    if as_json:
        printing.print_json(document.as_json())
    else:
        _print_photographed(document, copied=bool(written))
    for path in written:
        printing.note(f"Annotated picture: {path}")


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show progress on standard error: a bar on a terminal, else a line now and then.

    Parameters
    ----------
    what : str
        What is being done.

    Yields
    ------
    callable
        To be told (done, of how many).
    """
    import sys

    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import Progress

        with Progress(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(what, total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)
        return
    said = 0

    def tell(done: int, total: int) -> None:
        nonlocal said
        tenth = done * 10 // total
        if total > 1 and tenth > said:
            said = tenth
            printing.note(f"{what}: {done} of {total}")

    yield tell


def _print_inspection(document: "InspectionDocument") -> None:
    for photo in document.photos:
        if photo.error is not None:
            continue
        print(f"{photo.path}: {photo.width} x {photo.height} pixels, {_chips(len(photo.pieces))}")
        _print_card(photo.card)
        for warning in photo.warnings:
            print(f"  note: {warning.message}")
        for index, piece in enumerate(photo.pieces, 1):
            cell = f"  cell {piece.label or f'-{piece.cell:02d}'}" if piece.cell else ""
            _print_piece(f"{index:>3}{cell}", piece, piece.sum)
        print()


def _print_photographed(document: "PhotographDocument", *, copied: bool) -> None:
    for photo in document.photos:
        print(f"{photo.name}: {photo.width} x {photo.height} pixels, {_chips(photo.chips)}")
        _print_card(photo.card)
        for warning in photo.warnings:
            print(f"  note: {warning.message}")
    for piece in document.pieces:
        how = "looked at again" if piece.again else f"by {piece.matched_by}, {piece.photo} no. {piece.index + 1}"
        _print_piece(f"{piece.piece} ({how})", piece, piece.sum)
    for chip in document.unmatched:
        print(f"  not recorded: {chip.photo} no. {chip.index + 1}, {chip.marking or 'nothing read'}: {chip.reason}")
    for note in document.notes:
        printing.note(f"note: {note}")
    if not copied:
        _print_where(document.photos)


def _print_where(photos: "Sequence[PhotoKept]") -> None:
    for photo in photos:
        if photo.overlay:
            print(f"Annotated picture of {photo.name} kept as {photo.overlay} (--overlay DIR writes a copy to open)")


def _print_card(card: "CardSeen | None") -> None:
    if card is None:
        return
    whose = f"{card.lot}, page {card.page}" if card.lot else f"a lot that cannot be read, page {card.page}"
    used = sum(marker.used for marker in card.markers)
    print(f"  card of {whose}: {used} marks used, {card.mm_per_px:.4f} mm a pixel, off by {card.residual_mm:.2f} mm")


def _chips(number: int) -> str:
    return "no chip found" if not number else "1 chip" if number == 1 else f"{number} chips"


def _print_piece(name: str, piece: "PieceFound | PiecePhotographed", lines: "Sequence[SumItem]") -> None:
    """Print what one chip says, how suspicious it is, and the sum behind that where anything was found."""
    from tracker.judgement.suspicion import percent

    facts = [piece.part and f"part {piece.part}", piece.package, _date_words(piece.date_codes)]
    print(f"  {name}  {piece.marking or '(nothing read)'}")
    if any(facts):
        print("       " + ", ".join(fact for fact in facts if fact))
    print(f"       suspicion {percent(piece.suspicion)}")
    if all(line.kind in ("prior", "absence") for line in lines):
        looked = " nothing strange was found" if len(lines) > 1 else " nothing could be compared"
        print(f"       {lines[0].text};{looked}")
        return
    for line in lines:
        print(f"       {line.weight_db:+7.1f} db  {line.text}")
    print(f"       {sum(line.weight_db for line in lines):+7.1f} db  in all")


def _date_words(dates: "Sequence[DateCode]") -> str:
    from tracker.judgement.suspicion import percent

    if not dates:
        return ""
    best = dates[0]
    when = f"{best.year}"
    if best.week is not None:
        when += f" week {best.week}"
    elif best.month is not None:
        when += f" month {best.month}"
    return f"date code {best.text} ({when}, {percent(best.probability)} sure)"
