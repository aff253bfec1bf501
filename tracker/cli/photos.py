"""The verbs that look at photos: `inspect` without a workspace, `photograph` with one."""

from collections.abc import Sequence
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli import printing
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.photo_text import print_inspection, print_photographed, progress
from tracker.errors import BadRequest, ExitCode

if TYPE_CHECKING:
    from tracker.desk.camera import Shot
    from tracker.desk.contract import InspectionDocument, PhotographDocument
    from tracker.desk.inspect import Hands
    from tracker.desk.watch import Ends
    from tracker.desk.workspace import Workspace


class Role(StrEnum):
    """What a photo shows."""

    TOP = "top"
    BOTTOM = "bottom"
    BEFORE_SWAB = "before-swab"
    AFTER_SWAB = "after-swab"
    LISTING = "listing"


PhotosArgument = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="PHOTO...",
        help="JPEG, PNG, WebP, TIFF or HEIC; may be left out with --watch or --camera.",
        show_default=False,
    ),
]
CameraOption = Annotated[
    str | None,
    typer.Option(
        "--camera",
        metavar="N",
        help="Take the picture: a camera's number, 0 for the first, or a film that stands in for it. The sharpest of "
        "a short burst counts.",
        show_default=False,
    ),
]
WatchOption = Annotated[
    Path | None,
    typer.Option(
        "--watch",
        metavar="DIR",
        help="Go on with every photo that comes into this folder, as a tethered camera or a phone's sync puts them "
        "there; Ctrl-C ends it.",
        show_default=False,
    ),
]
UntilOption = Annotated[
    int | None,
    typer.Option("--until", metavar="N", min=1, help="With --watch: end after N photos.", show_default=False),
]
ForOption = Annotated[
    float | None,
    typer.Option("--for", metavar="SECONDS", help="With --watch: end after so many seconds.", show_default=False),
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
    photos: PhotosArgument = None,
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
    watch: WatchOption = None,
    until: UntilOption = None,
    seconds: ForOption = None,
    camera: CameraOption = None,
    keep: Annotated[
        Path | None,
        typer.Option(
            "--keep", metavar="DIR", help="With --camera: keep its picture in this folder, as PNG.", show_default=False
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Find, read, measure and compare the chips in photos that make one lot.

    Needs no workspace and remembers nothing. Exit code 0 also when suspicious; 2 when a photo could not be used (the
    others are done all the same).
    """
    ends = _ends(watch, until, seconds)
    shots = _shots(camera, keep)
    _refuse_nothing(photos, camera, watch)
    if watch is not None:
        from tracker.cli.sittings import Asked, watch_and_inspect

        asked = Asked(photos or (), shots, exemplar or (), claimed, overlay, as_json)
        document = watch_and_inspect(watch, ends, asked)
        if as_json:
            printing.print_json(document.as_json())
    else:
        document = _inspect_at_once(photos or [], shots, exemplar or [], claimed)
        _show_at_once(document, shots, overlay, as_json=as_json)
    if document.errors:
        raise typer.Exit(ExitCode.BAD_REQUEST)


def _refuse_nothing(photos: list[Path] | None, camera: str | None, watch: Path | None = None) -> None:
    if not photos and camera is None and watch is None:
        raise BadRequest("No photo is named.", "Name photos, a folder with --watch, or a camera with --camera.")


def _ends(watch: Path | None, until: int | None, seconds: float | None) -> "Ends":
    from tracker.desk.watch import Ends

    if watch is None and (until is not None or seconds is not None):
        raise BadRequest("--until and --for say when --watch ends.", "Name the folder to watch with --watch.")
    if seconds is not None and not 0 < seconds < float("inf"):
        raise BadRequest("--for needs a number of seconds above 0.", "For example --for 60.")
    return Ends(until, seconds)


def _shots(camera: str | None, keep: Path | None) -> list["Shot"]:
    if camera is None:
        if keep is not None:
            raise BadRequest("--keep says where a camera's picture is kept.", "Name the camera with --camera.")
        return []
    from tracker.desk.camera import keep as keep_shot
    from tracker.desk.camera import shoot

    shot = shoot(camera)
    printing.note(f"{shot.name}: the sharpest of {shot.frames} frames")
    if keep is not None:
        from dataclasses import replace

        path = keep_shot(shot, keep)
        printing.note(f"Kept: {path}")
        shot = replace(shot, name=str(path))
    return [shot]


def _inspect_at_once(
    photos: list[Path], shots: "list[Shot]", exemplars: list[Path], claimed: str | None
) -> "InspectionDocument":
    from tracker.desk.inspect import every_core, inspect_photos

    with every_core() as hands, progress("Looking at photos") as told:
        return inspect_photos(photos, shots=shots, exemplars=exemplars, claimed=claimed, progress=told, hands=hands)


def _show_at_once(document: "InspectionDocument", shots: "list[Shot]", overlay: Path | None, *, as_json: bool) -> None:
    written = []
    if overlay is not None:
        from tracker.desk.overlays import write_overlays

        written = write_overlays(document, overlay, {shot.name: shot.data for shot in shots})
    if as_json:
        printing.print_json(document.as_json())
    else:
        print_inspection(document)
    for path in written:
        printing.note(f"Annotated picture: {path}")
    for error in document.errors:
        printing.note(f"lotproof: {error}")


def photograph(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot the pieces belong to.", show_default=False)],
    photos: PhotosArgument = None,
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
    watch: WatchOption = None,
    until: UntilOption = None,
    seconds: ForOption = None,
    camera: CameraOption = None,
    operator: OperatorOption = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep photos of a lot's pieces, look at them, and record what they say.

    A chip is matched to a piece by its cell of the lot's card or the label beside it, else by reading order over the
    pieces without such a photo; --piece says it outright, also to correct an earlier match. Swab photos: work with good
    air, gloves and no flame; local rules have the last word.
    """
    ends = _ends(watch, until, seconds)
    _refuse_nothing(photos, camera, watch)
    if watch is not None and piece:
        raise BadRequest("--piece says what is in view of one photo.", "Leave it out with --watch.")
    from tracker.desk.inspect import every_core
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened, every_core() as hands:
        shots, refused = _shots(camera, None), False
        keep = partial(_keep_and_look, opened, hands, lot, piece or (), role, operator)
        if watch is None:
            document = keep(photos or [], shots)
        else:
            from tracker.cli.sittings import watch_and_photograph
            from tracker.desk.photograph import nothing_yet

            begun = nothing_yet(opened, lot, role.value)
            document, refused = watch_and_photograph(watch, ends, begun, photos or [], shots, keep, as_json=as_json)
        written = []
        if overlay is not None:
            from tracker.desk.overlays import write_kept

            written = write_kept(opened.store, document.photos, overlay)
    if as_json:
        printing.print_json(document.as_json())
    elif watch is None:
        print_photographed(document, copied=bool(written))
    for path in written:
        printing.note(f"Annotated picture: {path}")
    if refused:
        raise typer.Exit(ExitCode.BAD_REQUEST)


def _keep_and_look(
    workspace: "Workspace",
    hands: "Hands",
    lot: str,
    piece: Sequence[str],
    role: Role,
    operator: str | None,
    photos: Sequence[Path],
    shots: "Sequence[Shot]",
) -> "PhotographDocument":
    from tracker.desk.photograph import photograph as keep_and_look

    with progress("Looking at photos, with earlier ones to compare with") as told:
        return keep_and_look(
            workspace,
            lot,
            photos,
            shots=shots,
            piece=piece,
            role=role.value,
            operator=operator,
            progress=told,
            hands=hands,
        )
