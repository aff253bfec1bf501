"""Annotated pictures: each chip numbered, its suspicion, and where its findings are."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from tracker.desk.contract import FindingFound, InspectionDocument, PhotoInspected, PhotoKept, PieceFound
from tracker.desk.pictures import as_jpeg, open_picture
from tracker.desk.whole_file import put_whole
from tracker.disk import make_folder
from tracker.errors import BadRequest
from tracker.evidence import EvidenceStore
from tracker.judgement.suspicion import percent
from tracker.judgement.weights import indicators
from vision.overlay import Mark, draw


def annotate(photo: PhotoInspected, data: bytes | Path, names: Mapping[int, str] | None = None) -> bytes:
    """Return the annotated picture of one inspected photo as JPEG.

    Parameters
    ----------
    photo : PhotoInspected
    data : bytes or Path
        The photo itself.
    names : mapping of int to str, optional
        Label of each chip by its index; without one a chip is shown by its number, counted from 1.
    """
    picture = open_picture(data)
    marks = [mark for index, piece in enumerate(photo.pieces) for mark in _marks(index, piece, names or {})]
    return as_jpeg(draw(picture.image, [replace(one, outline=picture.place(one.outline)) for one in marks]))


def _marks(index: int, piece: PieceFound, names: Mapping[int, str]) -> list[Mark]:
    name = names.get(index, str(index + 1))
    marks = [Mark(outline=piece.outline, text=f"{name}: {percent(piece.suspicion)}", role="piece")]
    marks += [Mark(outline=line.outline, text=line.text, role="line") for line in piece.lines]
    marks += [
        # What has no place of its own, such as a date that its siblings do not have, is said of the whole chip.
        Mark(outline=finding.outline or piece.outline, text=_title(finding), role="finding")
        for finding in piece.findings
        if finding.weight_db > 0
    ]
    return marks


def _title(finding: FindingFound) -> str:
    declared = indicators().get(finding.code)
    return declared.title if declared else finding.code


def write_overlays(
    document: InspectionDocument, folder: Path, at_hand: Mapping[str, bytes] | None = None
) -> list[Path]:
    """Write the annotated picture of every usable photo into `folder` and return where they are.

    Parameters
    ----------
    document : InspectionDocument
    folder : Path
    at_hand : mapping of str to bytes, optional
        Photos that are no files, by their path in the document.

    Raises
    ------
    BadRequest
        When the folder cannot be made or written.
    """
    usable = [photo for photo in document.photos if photo.error is None]
    known = at_hand or {}
    return _write(folder, ((one.path, annotate(one, known.get(one.path, Path(one.path)))) for one in usable))


def write_overlay(photo: PhotoInspected, data: bytes | Path, folder: Path, written: list[Path]) -> Path:
    """Write the annotated picture of one photo into `folder`, beside those of this run, and return where it is.

    Parameters
    ----------
    photo : PhotoInspected
    data : bytes or Path
        The photo itself.
    folder : Path
    written : list of Path
        What this run has written; the new one is added.

    Raises
    ------
    BadRequest
        When the folder cannot be made or written.
    """
    (path,) = _write(folder, [(photo.path, annotate(photo, data))], written)
    return path


def write_kept(store: EvidenceStore, photos: Iterable[PhotoKept], folder: Path) -> list[Path]:
    """Write kept annotated pictures out into `folder` and return where they are.

    Raises
    ------
    BadRequest
        When the folder cannot be made or written.
    """
    return _write(folder, ((photo.name, store.read(photo.overlay_sha256)) for photo in photos if photo.overlay_sha256))


def _write(folder: Path, pictures: Iterable[tuple[str, bytes]], taken: list[Path] | None = None) -> list[Path]:
    taken = [] if taken is None else taken
    before = len(taken)
    try:
        make_folder(folder)
        for name, data in pictures:
            path = _free_name(folder, name, taken)
            put_whole(path, data)
            taken.append(path)
    except OSError as error:
        raise BadRequest(
            f"The annotated pictures cannot be written into {folder} ({error.strerror or error}).",
            "Name another folder with --overlay.",
        ) from None
    return taken[before:]


def _free_name(folder: Path, photo: str, taken: list[Path]) -> Path:
    """Return a name for a photo's annotated picture that this run has not used; two photos may share a file name."""
    stem, number = Path(photo).stem, 1
    path = folder / f"{stem}-annotated.jpg"
    while path in taken:
        number += 1
        path = folder / f"{stem}-annotated-{number}.jpg"
    return path
