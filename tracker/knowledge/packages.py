"""Package outlines with their sources."""

import re
from dataclasses import dataclass
from functools import cache

from tracker.knowledge.facts import sourced, table

DIP_PITCH_MM = 2.54  # general practice for dual in-line packages; parts made to a 2.5 mm pitch exist (Soviet parts)
DIP_ROWS_MM = (7.62, 10.16, 15.24, 22.86)  # 300, 400, 600 and 900 mil; the second and last are rarer
SOIC_PITCH_MM = 1.27


@dataclass(frozen=True, slots=True)
class PackageOutline:
    """One outline; lengths in millimetres.

    Parameters
    ----------
    length_mm, width_mm : tuple of float
        Smallest and largest body length (the longer side) and width.
    row_mm : float
        Between the rows of leads of a DIP, over the leads of the others.
    top_mm : tuple of float
        How high the body's top stands above a table, lowest and highest.
    """

    name: str
    pins: int
    length_mm: tuple[float, float]
    width_mm: tuple[float, float]
    row_mm: float
    pitch_mm: float
    top_mm: tuple[float, float]
    source: str


@cache
def outlines() -> tuple[PackageOutline, ...]:
    """Return all outlines in the order of the data file."""
    return tuple(
        PackageOutline(
            name=row["name"],
            pins=row["pins"],
            length_mm=(row["length"][0], row["length"][1]),
            width_mm=(row["width"][0], row["width"][1]),
            row_mm=row["row"],
            pitch_mm=row["pitch"],
            top_mm=(row["top"][0], row["top"][1]),
            source=sourced(row),
        )
        for row in table("packages.toml")["package"]
    )


def outline(name: str) -> PackageOutline | None:
    """Return the outline called `name` ('DIP-40', 'dip40', 'SOIC-16 wide'), or None."""
    wanted = re.sub(r"[^A-Z0-9]", "", name.upper())
    return next((o for o in outlines() if re.sub(r"[^A-Z0-9]", "", o.name.upper()) == wanted), None)
