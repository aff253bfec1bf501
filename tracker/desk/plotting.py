"""Writing a plot where the user wants it."""

from pathlib import Path

from tracker.bench.plots import Kind
from tracker.desk.whole_file import put_whole
from tracker.errors import BadRequest


def plot_kind(path: Path) -> Kind:
    """Return the kind of picture a file name asks for.

    Raises
    ------
    BadRequest
        It is neither a PNG nor an SVG, a folder, or in a folder that is not there.
    """
    if path.is_dir() or not path.parent.is_dir():
        why = "it is a folder" if path.is_dir() else f"there is no folder {path.parent}"
        raise BadRequest(f"{path} cannot be written: {why}.")
    if path.suffix.lower() == ".png":
        return "png"
    if path.suffix.lower() == ".svg":
        return "svg"
    raise BadRequest(f"{path} is neither a PNG nor an SVG.", "Name the plot so that it ends in .png or .svg.")


def write_plot(path: Path, picture: bytes) -> None:
    """Write a plot, whole or not at all; an earlier file of this name is replaced.

    Raises
    ------
    BadRequest
        It cannot be written there.
    """
    try:
        put_whole(path, picture)
    except OSError as error:
        raise BadRequest(f"{path} cannot be written: {error.strerror or error}.") from None
