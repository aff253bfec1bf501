"""A picture from a camera on this machine: the sharpest of a short burst, encoded without loss."""

import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tracker.disk import make_folder
from tracker.errors import BadRequest

FIRST_INDICES = range(6)
"""Where cameras are looked for when the one that was asked for does not answer; a bench has no more of them."""
SETTLING_FRAMES, BURST_FRAMES = 12, 15
"""A camera's first frames, in which it finds exposure and focus, and those the sharpest is taken from. At the usual 15
to 30 frames a second this is about a second (common practice, no source)."""
MOST_FILM_FRAMES = 300
"""Of a film that stands in for a camera; a short film of a phone has no more (common practice, no source)."""
_LARGE = 10_000  # pixels, more than any camera has


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture taken.

    Parameters
    ----------
    name : str
        A file name, with the camera and the UTC time in it.
    data : bytes
        PNG, the frame pixel for pixel.
    frames : int
        How many frames it is the sharpest of.
    """

    name: str
    data: bytes
    frames: int


def shoot(which: str, *, now: datetime | None = None) -> Shot:
    """Take one picture.

    Parameters
    ----------
    which : str
        A camera's index ('0' is the first), or the path of a film, whose frames then stand in for the camera's.
    now : datetime, optional
        For the name; the current instant where not given.

    Raises
    ------
    BadRequest
        When nothing answers there, or it gives no picture.
    """
    film = not re.fullmatch(r"[0-9]{1,4}", which.strip())
    source = _film(which) if film else int(which)
    with _opened(source) as capture:
        if capture is None:
            raise _no_film(which) if film else _no_camera(int(which))
        if not film:
            _ask_for_large(capture)
        best = _sharpest(capture, film=film)
    if best is None:
        raise (
            _no_film(which)
            if film
            else BadRequest(
                f"Camera {which} answers and gives no picture.",
                "Close other programs that use it, or plug it in again.",
            )
        )
    stamp = (now or datetime.now(UTC)).strftime("%Y%m%dT%H%M%SZ")
    title = re.sub(r"[^\w-]+", "-", Path(which).stem)[:60] if film else which.strip()
    return Shot(f"camera-{title}-{stamp}.png", _png(best.image), best.frames)


def keep(shot: Shot, folder: Path) -> Path:
    """Write a picture taken into a folder, beside what is there, and return where it is.

    Raises
    ------
    BadRequest
        When the folder cannot be made or written.
    """
    stem, ending = Path(shot.name).stem, Path(shot.name).suffix
    number = 1
    try:
        make_folder(folder)
        while True:
            path = folder / (shot.name if number == 1 else f"{stem}-{number}{ending}")
            try:
                with path.open("xb") as file:
                    file.write(shot.data)
                    file.flush()
                    os.fsync(file.fileno())
            except FileExistsError:
                number += 1
            else:
                return path
    except OSError as error:
        raise BadRequest(
            f"The camera's picture cannot be kept in {folder} ({error.strerror or error}).", "Name another folder."
        ) from None


def _film(which: str) -> str:
    """Return the path of a film as one that cannot be taken for an address or a device."""
    path = Path(which)
    try:
        if stat.S_ISREG(path.stat().st_mode):
            return str(path.resolve())
    except (OSError, ValueError):
        pass
    raise BadRequest(
        f"There is neither a camera nor a film '{which}'.", "Name a camera by its number, 0 for the first, or a film."
    )


def _no_film(which: str) -> BadRequest:
    return BadRequest(f"'{which}' is not a film that can be read.", "Name a film, or a camera by its number.")


def _no_camera(index: int) -> BadRequest:
    answering = [str(other) for other in FIRST_INDICES if other != index and _answers(other)]
    if not answering:
        others = "nor does any other of" if index in FIRST_INDICES else "nor at any of"
        others += f" {FIRST_INDICES[0]} to {FIRST_INDICES[-1]}"
        return BadRequest(f"No camera answers at {index}, {others}.", "Plug one in, or name a film instead.")
    where = " and ".join([", ".join(answering[:-1]), answering[-1]] if len(answering) > 1 else answering)
    return BadRequest(f"No camera answers at {index}.", f"There is one at {where}.")


def _answers(index: int) -> bool:
    with _opened(index) as capture:
        return capture is not None


@contextmanager
def _opened(source: int | str) -> Iterator[Any]:
    """Give an open OpenCV capture, or None where nothing opens; what OpenCV prints of it is held back."""
    import cv2

    log = cv2.utils.logging
    before = log.getLogLevel()
    log.setLogLevel(log.LOG_LEVEL_SILENT)
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")  # AV_LOG_QUIET; read once, when the first film is opened
    capture = cv2.VideoCapture()
    try:
        yield capture if capture.open(source) else None
    finally:
        capture.release()
        log.setLogLevel(before)


def _ask_for_large(capture: Any) -> None:
    """Ask for the largest frames: a driver takes the nearest it has, and without asking most give 640 x 480.

    Motion JPEG comes first, for a USB 2 camera sends its large frames in time only when they are compressed (from
    memory).
    """
    import cv2

    capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
    capture.set(cv2.CAP_PROP_FRAME_WIDTH, _LARGE)
    capture.set(cv2.CAP_PROP_FRAME_HEIGHT, _LARGE)


def _sharpest(capture: Any, *, film: bool) -> Any:
    from vision.burst import sharpest

    return sharpest(_frames(capture, 0, MOST_FILM_FRAMES) if film else _frames(capture, SETTLING_FRAMES, BURST_FRAMES))


def _frames(capture: Any, skipped: int, most: int) -> Iterator[Any]:
    """Yield frames as RGB until there are `most` or none comes any more; a camera's first ones are skipped."""
    import cv2

    for number in range(skipped + most):
        got, frame = capture.read()
        if not got or frame is None:
            return
        if number >= skipped:
            yield cv2.cvtColor(frame, cv2.COLOR_BGR2RGB)


def _png(image: Any) -> bytes:
    import cv2

    _, data = cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 3])
    return bytes(data.tobytes())
