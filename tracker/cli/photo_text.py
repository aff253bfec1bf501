"""What the photo verbs print: chips, reasons, sums, and how far the looking has come."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tracker.cli import printing

if TYPE_CHECKING:
    from tracker.desk.contract import (
        CardSeen,
        DateCode,
        InspectionDocument,
        PhotographDocument,
        PhotoInspected,
        PhotoKept,
        PieceFound,
        PiecePhotographed,
        SumItem,
        UndersideSeen,
    )


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
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

        # The time that is left is not shown: photos hold one chip or forty, so it would be wrong most of the time.
        shown = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*shown, console=Console(stderr=True), transient=True) as bar:
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


def print_inspection(document: "InspectionDocument") -> None:
    """Print every photo of a document."""
    for photo in document.photos:
        print_photo(photo)


def print_photo(photo: "PhotoInspected", only: "Sequence[int] | None" = None) -> None:
    """Print what one photo shows, of all chips in it or of those at some indices; nothing where it was unusable."""
    if photo.error is not None:
        return
    print(f"{photo.path}: {photo.width} x {photo.height} pixels, {chips(len(photo.pieces))}")
    _print_card(photo.card)
    if only is None:
        for warning in photo.warnings:
            print(f"  note: {warning.message}")
    for index, piece in enumerate(photo.pieces):
        if only is None or index in only:
            cell = f"  cell {piece.label or f'-{piece.cell:02d}'}" if piece.cell else ""
            _print_piece(f"{index + 1:>3}{cell}", piece, piece.sum)
    print(flush=True)


def print_photographed(document: "PhotographDocument", *, copied: bool) -> None:
    """Print what became of the photos of a lot; `copied` where annotated pictures were written out, too."""
    for photo in document.photos:
        print(f"{photo.name}: {photo.width} x {photo.height} pixels, {chips(photo.chips)}")
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


def chips(number: int) -> str:
    """Return a number of chips in words."""
    return "no chip found" if not number else "1 chip" if number == 1 else f"{number} chips"


def _print_piece(name: str, piece: "PieceFound | PiecePhotographed", lines: "Sequence[SumItem]") -> None:
    """Print what one chip says, how suspicious it is, and the sum behind that where anything was found."""
    from tracker.desk.contract import PieceFound
    from tracker.judgement.suspicion import percent

    facts = [piece.part and f"part {piece.part}", piece.package, _date_words(piece.date_codes)]
    print(f"  {name}  {piece.marking or '(nothing read)'}")
    for read in piece.lines if isinstance(piece, PieceFound) else ():
        others = read.siblings
        if others is not None and others.text != read.text:
            print(f"       {read.text}: {others.pieces} of {others.of} siblings read {others.text}")
    if any(facts):
        print("       " + ", ".join(fact for fact in facts if fact))
    if piece.underside is not None:
        print(f"       underside: {_underside_words(piece.underside)}")
    print(f"       suspicion {percent(piece.suspicion)}")
    if all(line.kind in ("prior", "absence", "together") for line in lines):
        looked = " nothing strange was found" if len(lines) > 1 else " nothing could be compared"
        print(f"       {lines[0].text};{looked}")
        return
    for line in lines:
        weight = " " * 10 if line.kind == "note" else f"{line.weight_db:+7.1f} db"
        print(f"       {weight}  {line.text}")
    print(f"       {sum(line.weight_db for line in lines):+7.1f} db  in all")


def _underside_words(underside: "UndersideSeen") -> str:
    sizes = [f"{dimple.diameter:.2f}" for dimple in underside.dimples]
    if not sizes:
        return "no round mark of the mould seen"
    marks = "1 round mark" if len(sizes) == 1 else f"{len(sizes)} round marks"
    return f"{marks} of the mould, {', '.join(sizes)} of the body's width across"


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
