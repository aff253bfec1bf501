"""Whether suspicions have held, drawn on the server, and what settled pieces did to the weights."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.calibrated import Calibration
from tracker.desk.calibration import calibration, indicators_moved
from tracker.web import needs, render

router = APIRouter(include_in_schema=False)
SIDE = 300
MARGIN = 40
MOST_MOVED = 40
SHOWN_DB = 0.05
"""A weight that moved by less is shown as +0.0 db; our own choice, half of the last digit."""


@dataclass(frozen=True, slots=True)
class Point:
    """One bin in the diagram, in its own units: where it stands, its interval, and how large its dot is."""

    x: float
    y: float
    low: float
    high: float
    radius: float
    said: str


@router.get("/calibration")
def shown(request: Request, workspace: needs.Opened, now: Annotated[str, Query(max_length=3)] = "") -> Response:
    """Show whether suspicions have held; in a large workshop as it was worked out last, unless asked for now."""
    found, moved = calibration(workspace, earlier=not now, with_pieces=False), indicators_moved(workspace)
    return render.page(
        request,
        "calibration",
        found=found,
        points=points(found),
        side=SIDE,
        margin=MARGIN,
        moved=moved,
        stirred=[one for one in moved.indicators if abs(one.moved_db) >= SHOWN_DB],
        still=[one for one in moved.indicators if abs(one.moved_db) < SHOWN_DB],
        most_moved=MOST_MOVED,
    )


def points(found: Calibration) -> list[Point]:
    """Return where the bins of a reliability diagram stand: said to the right, were upwards."""
    most = max((one.bin.pieces for one in found.reliability), default=1)
    return [
        Point(
            x=_across(one.bin.said),
            y=_up(one.bin.were),
            low=_up(one.lower),
            high=_up(one.upper),
            # The area of a dot is as its pieces; the smallest can still be seen.
            radius=max(3.0, 9.0 * (one.bin.pieces / most) ** 0.5),
            said=f"{one.bin.pieces} said {100 * one.bin.said:.0f} %, were {100 * one.bin.were:.0f} %",
        )
        for one in found.reliability
    ]


def _across(share: float) -> float:
    return MARGIN + SIDE * share


def _up(share: float) -> float:
    return MARGIN / 4 + SIDE * (1.0 - share)
