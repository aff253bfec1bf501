"""Sheets of labels: how many stand where, in millimetres, and which are left on a part-used sheet.

The named layouts are sizes that sheets of labels are sold in (from memory; no makers' numbers). Measure yours: every
length can be given by itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

PAPERS: Mapping[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height: ISO 216; ANSI/ASME Y14.1."""
SLACK_MM = 0.3
"""How far labels may reach over the paper: the lengths on a packet are rounded (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """Labels on a sheet; lengths in mm.

    Parameters
    ----------
    paper : str
        'a4' or 'letter'.
    columns, rows : int
    width, height : float
        Of one label.
    left, top : float
        From the paper's edges to the first label.
    gap_x, gap_y : float
        Between labels.
    framed : bool
        Whether thin lines to cut along are drawn: plain paper, not labels already cut.
    """

    paper: str
    columns: int
    rows: int
    width: float
    height: float
    left: float
    top: float
    gap_x: float = 0.0
    gap_y: float = 0.0
    framed: bool = False

    @property
    def places(self) -> int:
        """How many labels one sheet has."""
        return self.columns * self.rows

    def faults(self) -> str | None:
        """Return what is wrong with the lengths, in words; None where labels and paper agree."""
        wide, high = PAPERS[self.paper]
        across = self.left + self.columns * self.width + (self.columns - 1) * self.gap_x
        down = self.top + self.rows * self.height + (self.rows - 1) * self.gap_y
        if across > wide + SLACK_MM:
            return f"the labels reach {across:g} mm across, and the paper is {wide:g} mm wide"
        if down > high + SLACK_MM:
            return f"the labels reach {down:g} mm down, and the paper is {high:g} mm high"
        return None

    def at(self, place: int) -> tuple[float, float]:
        """Return left and top of a place on its sheet, counted from 0 row by row."""
        row, column = divmod(place % self.places, self.columns)
        return self.left + column * (self.width + self.gap_x), self.top + row * (self.height + self.gap_y)


PLAIN = SheetLayout("a4", 4, 18, 40.0, 14.0, 20.0, 16.0, 2.0, 1.0, framed=True)
"""Plain A4 paper, to be cut apart."""
LAYOUTS: Mapping[str, SheetLayout] = {
    "plain": PLAIN,
    "63.5x38.1": SheetLayout("a4", 3, 7, 63.5, 38.1, 7.2, 15.1, 2.55, 0.0),
    "70x37": SheetLayout("a4", 3, 8, 70.0, 37.0, 0.0, 0.5),
    "52.5x29.7": SheetLayout("a4", 4, 10, 52.5, 29.7, 0.0, 0.0),
    "48.5x25.4": SheetLayout("a4", 4, 10, 48.5, 25.4, 8.0, 21.5),
    "38.1x21.2": SheetLayout("a4", 5, 13, 38.1, 21.2, 4.75, 10.7, 2.5, 0.0),
    "35.6x16.9": SheetLayout("a4", 5, 16, 35.6, 16.9, 11.0, 13.3, 2.5, 0.0),
    "25.4x10": SheetLayout("a4", 7, 27, 25.4, 10.0, 8.5, 13.5, 2.5, 0.0),
    "66.7x25.4": SheetLayout("letter", 3, 10, 66.7, 25.4, 4.8, 12.7, 3.1, 0.0),
    "44.5x12.7": SheetLayout("letter", 4, 20, 44.5, 12.7, 7.2, 12.7, 7.6, 0.0),
}
"""By width x height. From memory; the lengths of a packet go before them."""


@dataclass(frozen=True, slots=True)
class Placed:
    """One label on a page: its file, and where its upper left corner goes, in mm."""

    file: str
    left: float
    top: float


def pages(files: Sequence[str], layout: SheetLayout, start: int = 1) -> list[list[Placed]]:
    """Return the labels page by page.

    Parameters
    ----------
    start : int
        The first free place of the first sheet, counted from 1 row by row.
    """
    found: list[list[Placed]] = []
    for place, file in enumerate(files, start=start - 1):
        if not found or place % layout.places == 0:
            found.append([])
        left, top = layout.at(place)
        found[-1].append(Placed(file, round(left, 3), round(top, 3)))
    return found


def changed(layout: SheetLayout, lengths: Mapping[str, float | int | str | None]) -> SheetLayout:
    """Return a layout with those of its values that are given."""
    return replace(layout, **{name: value for name, value in lengths.items() if value is not None})  # type: ignore[arg-type]
