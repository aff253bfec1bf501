"""Lots: the list, one lot with its contact sheet, its outlook, and tops side by side."""

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.crops import mark, top_size
from tracker.desk.due import nothing_due
from tracker.desk.listing import Filters, list_rows
from tracker.desk.listing_ask import DISPOSITIONS
from tracker.desk.lot_page import SORTS, Crop, PageWish, lot_page
from tracker.desk.lot_plans import outlook_of
from tracker.desk.origin import found_there
from tracker.desk.rows import LotRow
from tracker.desk.tops import compare_tops
from tracker.errors import BadRequest
from tracker.judgement.prior import source_kinds
from tracker.web import needs, render
from tracker.web.pages import asked
from tracker.web.pages.today import stands

router = APIRouter(include_in_schema=False)
LOT_SORTS = {
    "arrived": "newest first",
    "claim_by": "claim window",
    "suspicion": "most suspicious first",
    "part": "part",
    "seller": "seller",
    "lot": "label",
}
_LARGEST_FIRST = ("arrived", "suspicion")
PAGE = 50
PIECE_SORTS = {
    "label": "label",
    "suspicion": "suspicion",
    "reading": "reading",
    "date-code": "date code",
    "disposition": "what was decided",
}
VIEWS = {"sheet": "Pictures", "table": "Table"}
Text = Annotated[str | None, Query()]


@router.get("/lots")
def lots(
    request: Request,
    workspace: needs.Opened,
    day: needs.Today,
    seller: Text = None,
    source: Text = None,
    part: Text = None,
    disposition: Text = None,
    sort: Text = None,
    page: Text = None,
    after: Text = None,
) -> Response:
    """Show the lots, filtered and sorted, page by page.

    A page goes on after a lot; one without, as in older addresses and those of the page before, is counted off.
    """
    typed = {"seller": seller, "source": source, "part": part, "disposition": disposition, "sort": sort}
    error: BadRequest | None = None
    try:
        filters, order = _lots_wanted(typed)
    except BadRequest as fault:
        error, filters, order = fault, Filters(), "arrived"
    at = asked.number(page)
    passed, last = (0, after.strip()) if after and after.strip() else ((at - 1) * PAGE, None)
    down = order in _LARGEST_FIRST
    try:
        found = list_rows(workspace, "lots", filters, sort=order, reverse=down, limit=passed + PAGE, after=last)
    except BadRequest as fault:  # no such lot to go on after
        error, at, passed = fault, 1, 0
        found = list_rows(workspace, "lots", filters, sort=order, reverse=down, limit=PAGE)
    shown = [row for row in found.rows[passed:] if isinstance(row, LotRow)]
    old = found.old & {row.lot for row in shown}
    return render.page(
        request,
        "lots",
        200 if error is None else 422,
        error=error,
        lots=shown,
        count=found.found,
        old=old,
        stale=max(len(old), found.stale if order == "suspicion" else 0),
        first=(at - 1) * PAGE + 1,
        typed={name: value or "" for name, value in typed.items()},
        filtered=any((seller, source, part, disposition)),
        sources=tuple(source_kinds()),
        dispositions=DISPOSITIONS,
        sorts=LOT_SORTS,
        stands=stands,
        left=lambda row: (row.claim_by - day).days,
        earlier=asked.address("/lots", {**typed, "page": at - 1}) if at > 1 else "",
        later=asked.address("/lots", {**typed, "page": at + 1, "after": found.next}) if found.next else "",
    )


def _lots_wanted(typed: dict[str, str | None]) -> tuple[Filters, str]:
    filters = Filters(
        seller=asked.word(typed["seller"]),
        source=asked.one_of(typed["source"], source_kinds(), "source"),
        part=asked.word(typed["part"]),
        having=asked.one_of(typed["disposition"], DISPOSITIONS, "disposition"),
    )
    return filters, asked.one_of(typed["sort"], LOT_SORTS, "order") or "arrived"


@dataclass(frozen=True, slots=True)
class _Typed:
    """What stands in the filter of a contact sheet, as it was typed."""

    sort: str
    order: str
    disposition: str
    text: str
    suspicion: str
    view: str


@router.get("/lots/{lot}")
def lot(
    request: Request,
    workspace: needs.Opened,
    day: needs.Today,
    lot: str,
    sort: Text = None,
    order: Text = None,
    disposition: Text = None,
    text: Text = None,
    suspicion: Text = None,
    view: Text = None,
) -> Response:
    """Show one lot: its facts, its claim, and the contact sheet of its pieces."""
    typed = _Typed(sort or "", order or "", disposition or "", text or "", suspicion or "", view or "")
    error: BadRequest | None = None
    try:
        wish, kind = _pieces_wanted(typed)
    except BadRequest as fault:
        error, wish, kind = fault, PageWish(), "sheet"
    found = lot_page(workspace, lot, wish, today=day)
    row = found.summary
    return render.page(
        request,
        "lot",
        200 if error is None else 422,
        error=error,
        found=found,
        lot=row,
        typed=typed,
        kind=kind,
        views=VIEWS,
        sorts=PIECE_SORTS,
        dispositions=DISPOSITIONS,
        stands=stands(row),
        due=found.due,
        nothing_due="" if found.due else nothing_due(workspace, row.lot),
        theirs=found_there(workspace, row.lot) if found.origin else (),
        picture=picture,
        seller_address=f"/sellers/{quote(row.seller, safe='')}",
    )


def _pieces_wanted(typed: _Typed) -> tuple[PageWish, str]:
    wish = PageWish(
        sort=asked.one_of(typed.sort, SORTS, "order") or "label",
        reverse=asked.one_of(typed.order, ("down",), "direction") is not None,
        disposition=asked.one_of(typed.disposition, DISPOSITIONS, "disposition"),
        text=asked.word(typed.text),
        suspicion=asked.share(typed.suspicion, "The least suspicion"),
    )
    return wish, asked.one_of(typed.view, VIEWS, "view") or "sheet"


def picture(crop: Crop, longest: int) -> tuple[str, int, int]:
    """Return the address of a piece's top, with its width and height, so that nothing moves when it comes."""
    width, height = top_size(crop.outline, longest)
    v = mark("top", crop.photo_sha256, crop.outline)
    return f"/pictures/tops/{crop.inspection}?w={longest}&v={v}", width, height


@router.get("/lots/{lot}/outlook")
def outlook(request: Request, workspace: needs.Opened, day: needs.Today, lot: str) -> Response:
    """Show what is known of a lot as a whole, and what testing more of it would leave."""
    found = outlook_of(workspace, lot, today=day)
    plans = () if found is None else found.compared
    return render.page(request, "outlook", lot=lot.strip().upper(), found=found, plans=plans)


@router.get("/lots/{lot}/compare")
def compare(
    request: Request,
    workspace: needs.Opened,
    lot: str,
    piece: Annotated[list[str], Query()] = [],  # noqa: B006  FastAPI copies it
    left: Text = None,
    right: Text = None,
) -> Response:
    """Show tops side by side at one scale, two of them laid over each other."""
    wanted = [one for one in piece if one.strip()]
    found = compare_tops(workspace, lot, wanted, left or None, right or None)
    chosen = [one.piece for one in found.tops] if wanted else []
    return render.page(
        request,
        "compare",
        found=found,
        chosen=chosen,
        to=lambda **more: asked.address(f"/lots/{found.lot}/compare", {"piece": chosen, **more}),
    )
