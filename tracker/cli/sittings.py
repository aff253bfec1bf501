"""`--watch`: photos looked at as they come into a folder, until somebody says that it is enough."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.cli import printing
from tracker.cli.interrupt import Stop, stopping
from tracker.cli.photo_text import chips, print_photo, print_photographed

if TYPE_CHECKING:
    from tracker.desk.camera import Shot
    from tracker.desk.contract import InspectionDocument, PhotographDocument, PhotoInspected
    from tracker.desk.sitting import Sitting
    from tracker.desk.watch import Ends, Watch


@dataclass(slots=True)
class Asked:
    """What `inspect` was asked to do while it watches."""

    photos: Sequence[Path] = ()
    shots: "Sequence[Shot]" = ()
    exemplars: Sequence[Path] = ()
    claimed: str | None = None
    overlay: Path | None = None
    as_json: bool = False


def watch_and_inspect(folder: Path, ends: "Ends", asked: Asked) -> "InspectionDocument":
    """Inspect the named photos, then each that comes into a folder; print each, and return all as one lot.

    Raises
    ------
    BadRequest
        When there is no such folder.
    """
    from tracker.desk.watch import Watch

    watch = Watch(folder)  # first of all: what comes while the program gets ready is not missed
    with stopping() as stop:
        _say_what_is_watched(watch, ends)
        from tracker.desk.inspect import every_core
        from tracker.desk.sitting import Sitting

        with every_core() as hands:
            session = _Session(Sitting(exemplars=asked.exemplars, claimed=asked.claimed, hands=hands), asked, stop)
            session.run(watch, ends)
    session.finish()
    return session.sitting.document


def watch_and_photograph(
    folder: Path,
    ends: "Ends",
    begun: "PhotographDocument",
    photos: Sequence[Path],
    shots: "Sequence[Shot]",
    keep: "Callable[[Sequence[Path], Sequence[Shot]], PhotographDocument]",
    *,
    as_json: bool,
) -> "tuple[PhotographDocument, bool]":
    """Keep the named photos, then each that comes into a folder, one act a photo; print each.

    Returns
    -------
    document : PhotographDocument
        All of them; of a piece that was looked at again, how it stands now.
    refused : bool
        Whether a photo that came could not be kept.

    Raises
    ------
    BadRequest
        When there is no such folder, or a named photo cannot be kept.
    """
    from tracker.desk.camera import Shot
    from tracker.desk.watch import Arrived, Watch, arrivals
    from tracker.errors import BadRequest

    def show(document: "PhotographDocument") -> "PhotographDocument":
        if as_json:
            printing.note(f"{', '.join(photo.name for photo in document.photos)}: kept")
        else:
            print_photographed(document, copied=True)
        return begun.followed_by(document)

    watch, refused = Watch(folder), False
    with stopping() as stop:  # an act is not broken off: what was begun is finished
        _say_what_is_watched(watch, ends)
        if photos or shots:
            begun = show(keep(photos, shots))
        for one in arrivals(watch, ends, stop.asked):
            if isinstance(one, Arrived):
                try:
                    begun = show(keep((), (Shot(one.path.name, one.data, 1),)))
                except BadRequest as error:
                    refused = True
                    printing.note(f"lotproof: {one.path.name}: {error}")
            else:
                refused = refused or one.unusable
                printing.note(one.reason)
        _say_what_was_left(watch, came=bool(begun.photos))
    return begun, refused


def _say_what_was_left(watch: "Watch", *, came: bool) -> None:
    for left in watch.unfinished():
        printing.note(left.reason)
    if not came:
        printing.note("No photo came.")


def _say_what_is_watched(watch: "Watch", ends: "Ends") -> None:
    until = [f"{ends.photos} photos have come"] if ends.photos else []
    until += [f"{ends.seconds:g} seconds have passed"] if ends.seconds else []
    printing.note(f"Watching {watch.folder} for new photos until {' or '.join([*until, 'Ctrl-C'])}.")
    if watch.before:
        there = "A photo that is there already is" if watch.before == 1 else f"{watch.before} photos there already are"
        printing.note(f"{there} left alone; name what belongs to the lot as well.")


@dataclass(slots=True)
class _Session:
    """One sitting with its screen and its annotated pictures."""

    sitting: "Sitting"
    asked: Asked
    stop: Stop
    overlays: dict[int, Path] = field(default_factory=dict)

    def run(self, watch: "Watch", ends: "Ends") -> None:
        from tracker.desk.watch import Arrived, arrivals

        named: list[tuple[str, bytes | None]] = [(str(path), None) for path in self.asked.photos]
        named += [(shot.name, shot.data) for shot in self.asked.shots]
        if not all(self._look(path, data) for path, data in named):
            return
        for one in arrivals(watch, ends, self.stop.asked):
            if isinstance(one, Arrived):
                if not self._look(str(one.path), one.data):
                    break
            elif one.unusable:
                self._show(self.sitting.add_unusable(str(one.path), one.reason), None)
            else:
                printing.note(one.reason)
        _say_what_was_left(watch, came=bool(self.sitting.document.photos))

    def _look(self, path: str, data: bytes | None) -> bool:
        """Look at one photo and show it; False where somebody asked to stop meanwhile."""
        try:
            with self.stop.interruptible():
                view = self.sitting.see(path, data)
        except KeyboardInterrupt:
            printing.note(f"{Path(path).name} was being looked at and is left out.")
            return False
        self._show(self.sitting.add(view), data)
        return True

    def _show(self, photo: "PhotoInspected", data: bytes | None) -> None:
        if photo.error is not None:
            printing.note(f"lotproof: {photo.error}")
            return
        if self.asked.as_json:
            printing.note(f"{photo.path}: {chips(len(photo.pieces))}")
        else:
            print_photo(photo)
        if self.asked.overlay is not None:
            from tracker.desk.overlays import write_overlay

            written = list(self.overlays.values())
            path = write_overlay(photo, data or Path(photo.path), self.asked.overlay, written)
            self.overlays[len(self.sitting.document.photos) - 1] = path
            printing.note(f"Annotated picture: {path}")

    def finish(self) -> None:
        """Show again what looks different now that all photos are there."""
        changed = self.sitting.changed()
        photos = self.sitting.document.photos
        if changed and not self.asked.as_json:
            print("Beside the photos that came later:")
        for index in dict.fromkeys(p for p, _ in changed):
            if not self.asked.as_json:
                print_photo(photos[index], only=[k for p, k in changed if p == index])
            if index in self.overlays:
                self._draw_again(photos[index], self.overlays[index])

    def _draw_again(self, photo: "PhotoInspected", path: Path) -> None:
        from tracker.desk.overlays import annotate
        from tracker.desk.whole_file import put_whole
        from tracker.errors import BadRequest

        try:
            put_whole(path, annotate(photo, Path(photo.path)))
        except (BadRequest, OSError):
            printing.note(f"{path} shows what was known when its photo came: the photo has been moved.")
