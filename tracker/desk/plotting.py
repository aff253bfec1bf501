"""Writing a plot where the user wants it."""

from pathlib import Path

from tracker.bench.plots import Kind
from tracker.errors import BadRequest


def plot_kind(path: Path) -> Kind:
    """Return the kind of picture a file name asks for.

    Raises
    ------
    BadRequest
        It is neither a PNG nor an SVG, or there is no such folder.
    """
    if not path.parent.is_dir():
        raise BadRequest(f"There is no folder {path.parent}.")
    if path.suffix.lower() == ".png":
        return "png"
    if path.suffix.lower() == ".svg":
        return "svg"
    raise BadRequest(f"{path} is neither a PNG nor an SVG.", "Name the plot so that it ends in .png or .svg.")


def write_plot(path: Path, picture: bytes) -> None:
    """Write a plot.

    Raises
    ------
    BadRequest
        It cannot be written there.
    """
    try:
        path.write_bytes(picture)
    except OSError as error:
        raise BadRequest(f"{path} cannot be written: {error}.") from None
