"""The verbs that look at photos: `inspect` without a workspace, `photograph` with one."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli import printing
from tracker.cli.options import JsonOption
from tracker.errors import ExitCode

if TYPE_CHECKING:
    from tracker.desk.contract import InspectionDocument, PieceFound

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
    from tracker.desk.inspect import inspect_photos

    with progress("Looking at photos") as told:
        document = inspect_photos(photos, exemplars=exemplar or [], claimed=claimed, progress=told)
    written = []
    if overlay is not None:
        from tracker.desk.overlays import write_overlays

        written = write_overlays(document, overlay)
    if as_json:
        printing.print_json(document.as_json())
    else:
        _print_document(document)
    for path in written:
        printing.note(f"Annotated picture: {path}")
    for error in document.errors:
        printing.note(f"lotproof: {error}")
    if document.errors:
        raise typer.Exit(ExitCode.BAD_REQUEST)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show progress on standard error: a bar on a terminal, else a line for every tenth of the work.

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

    from rich.console import Console
    from rich.progress import Progress

    if sys.stderr.isatty():
        with Progress(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(what, total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)
        return
    said = 0

    def tell(done: int, total: int) -> None:
        nonlocal said
        if total > 1 and done * 10 // total > said:
            said = done * 10 // total
            printing.note(f"{what}: {done} of {total}")

    yield tell


def _print_document(document: "InspectionDocument") -> None:
    for photo in document.photos:
        if photo.error is not None:
            continue
        number = len(photo.pieces)
        chips = "no chip found" if not number else "1 chip" if number == 1 else f"{number} chips"
        print(f"{photo.path}: {photo.width} x {photo.height} pixels, {chips}")
        for warning in photo.warnings:
            print(f"  note: {warning.message}")
        for index, piece in enumerate(photo.pieces, 1):
            print_piece(f"{index}", piece)
        print()


def print_piece(name: str, piece: "PieceFound") -> None:
    """Print what one chip says, how suspicious it is, and the sum behind that.

    Parameters
    ----------
    name : str
        Number in the photo, or label.
    piece : PieceFound
    """
    print(f"  {name:>3}  {piece.marking or '(nothing read)'}")
    facts = [piece.part and f"part {piece.part}", piece.package, _date_words(piece)]
    if any(facts):
        print("       " + ", ".join(fact for fact in facts if fact))
    print(f"       suspicion {percent(piece.suspicion)}")
    for line in piece.sum:
        print(f"       {line.weight_db:+7.1f} db  {line.text}")
    print(f"       {sum(line.weight_db for line in piece.sum):+7.1f} db  in all")


def _date_words(piece: "PieceFound") -> str:
    if not piece.date_codes:
        return ""
    best = piece.date_codes[0]
    when = f"{best.year}"
    if best.week is not None:
        when += f" week {best.week}"
    elif best.month is not None:
        when += f" month {best.month}"
    return f"date code {best.text} ({when}, {percent(best.probability)} sure)"


def percent(probability: float) -> str:
    """Return a probability as people read it, never a false 0 % or 100 %."""
    if 0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1:
        return "over 99 %"
    return f"{probability * 100:.0f} %"
