"""One piece: its photos with what was found in them, the sum of the evidence, its bench runs and its history."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.assess import TEST_NAMES
from tracker.desk.contract import FindingFound, Outline, Point
from tracker.desk.correct import LONGEST_LINE, MOST_LINES, REMARK_LENGTH
from tracker.desk.next_test import next_tests
from tracker.desk.piece_page import View, piece_page
from tracker.desk.showing import SumShown
from tracker.desk.since import SaidSince
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.suspicion import odds_to_probability
from tracker.judgement.weights import families, indicators
from tracker.web import needs, once, render
from tracker.web.typed import Values

router = APIRouter(include_in_schema=False)
ROLES = {
    "top": "Top",
    "bottom": "Underside",
    "before-swab": "Before the swab",
    "after-swab": "After the swab",
    "listing": "Seller's picture",
}


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the sum with what it comes to so far; `left` to `right` is its bar, of a hundred."""

    line: SumShown
    so_far_db: float
    share: float
    left: float
    right: float


@dataclass(frozen=True, slots=True)
class Numbered:
    """One finding with its number in the photo."""

    number: int
    finding: FindingFound
    title: str
    points: str


@dataclass(frozen=True, slots=True)
class Place:
    """A place in the photo with the findings of one family there; `down` tells apart what begins at one corner."""

    family: str
    points: str
    corner: Point
    numbers: tuple[int, ...]
    titles: tuple[str, ...]
    down: int


@router.get("/pieces/{piece}")
def piece(request: Request, workspace: needs.Opened, piece: str, photo: str | None = None) -> Response:
    """Show everything on record about one piece."""
    return page_of(request, workspace, piece, photo)


def page_of(
    request: Request,
    workspace: Workspace,
    piece: str,
    photo: str | None = None,
    status: int = 200,
    *,
    typed: Mapping[str, str] | None = None,
    error: BadRequest | None = None,
) -> Response:
    """Return the page of one piece.

    Parameters
    ----------
    photo : str, optional
        Role of the photo that is shown.
    typed : mapping, optional
        What stands in the form that corrects a reading; where given, it is open.
    error : BadRequest, optional
        Why that form comes back.
    """
    found = piece_page(workspace, piece)
    shown = found.shown
    views = {view.role: view for view in found.views}
    view = views.get(photo or "") or next(iter(views.values()), None)
    findings = list(numbered(view)) if view else []
    steps = list(running(shown.sum))
    return render.page(
        request,
        "piece",
        status,
        error=error,
        since=error if isinstance(error, SaidSince) else None,
        once=once.new(),
        typed=None if typed is None else Values(typed),
        longest=MOST_LINES * (LONGEST_LINE + 2),
        longest_remark=REMARK_LENGTH,
        found=found,
        shown=shown,
        row=shown.summary,
        views=views,
        view=view,
        roles=ROLES,
        numbered=findings,
        places=list(places(findings)),
        families={name: family.title for name, family in families().items()},
        steps=steps,
        zero=zero(shown.sum),
        tests=TEST_NAMES,
        points=points,
    )


@router.get("/pieces/{piece}/next")
def next_test(request: Request, workspace: needs.Opened, day: needs.Today, piece: str) -> Response:
    """Show which bench test of this piece is worth most now."""
    found = next_tests(workspace, piece, minutes=None, today=day)
    return render.page(request, "next", found=found, tests=TEST_NAMES)


def points(outline: Outline) -> str:
    """Return an outline as SVG has it."""
    return " ".join(f"{x:g},{y:g}" for x, y in outline)


def numbered(view: View) -> Iterator[Numbered]:
    """Yield the findings of one photo, what speaks against the piece first, each with its number."""
    found = sorted(view.document.piece.findings, key=lambda one: -one.weight_db)
    for number, one in enumerate(found, start=1):
        known = indicators().get(one.code)
        place = points(one.outline) if one.outline is not None else ""
        yield Numbered(number, one, known.title if known else one.code, place)


def places(findings: Sequence[Numbered]) -> Iterator[Place]:
    """Yield where the findings are, those of one family at one place together."""
    together: dict[tuple[str, str], list[Numbered]] = {}
    for one in findings:
        if one.points:
            together.setdefault((one.finding.family, one.points), []).append(one)
    begun = Counter[Point]()
    for (family, outline), some in together.items():
        assert some[0].finding.outline is not None
        corner = some[0].finding.outline[0]
        yield Place(
            family, outline, corner, tuple(one.number for one in some), tuple(one.title for one in some), begun[corner]
        )
        begun[corner] += 1


def _ends(lines: tuple[SumShown, ...]) -> tuple[float, float]:
    """Return the least and the most that a sum comes to on its way, nought among them."""
    so_far, low, high = 0.0, 0.0, 0.0
    for line in lines:
        so_far += line.weight_db
        low, high = min(low, so_far), max(high, so_far)
    return low, max(high, low + 1.0)


def zero(lines: tuple[SumShown, ...]) -> float:
    """Return where nought stands on the bars, of a hundred."""
    low, high = _ends(lines)
    return -100 * low / (high - low)


def running(lines: tuple[SumShown, ...]) -> Iterator[Step]:
    """Yield the lines of a sum with what they come to so far."""
    low, high = _ends(lines)
    so_far = 0.0
    for line in lines:
        before, so_far = so_far, so_far + line.weight_db
        left, right = (100 * (one - low) / (high - low) for one in sorted((before, so_far)))
        yield Step(line, so_far, odds_to_probability(so_far), left, right)
