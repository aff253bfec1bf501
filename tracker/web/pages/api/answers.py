"""What is asked of the records as a whole: due, next, costs, recall, calibration, log; and what a date code means."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.calibration import calibration
from tracker.desk.costs import show_costs
from tracker.desk.dating import LONGEST_MARKING, date_markings
from tracker.desk.documents.answers import (
    DueDocument,
    LogDocument,
    RecallDocument,
    due_document,
    log_document,
    recall_document,
)
from tracker.desk.documents.dates import DatecodeDocument, datecode_document
from tracker.desk.documents.reckoned import (
    CalibrationDocument,
    CostsDocument,
    NextDocument,
    calibration_document,
    costs_document,
    next_document,
)
from tracker.desk.fields import day
from tracker.desk.log import read_log
from tracker.desk.next_test import next_tests
from tracker.desk.recall import Wanted, recall
from tracker.web import door, needs
from tracker.web.pages.api.common import LONGEST, JsonOnly, Sent, Text, answer, refusals
from tracker.web.pages.api.token import TokenDocument

router = APIRouter(tags=["answers"], responses=refusals(of_one=True))
MOST_MARKINGS = 200
"""Markings at once; a lot has fewer as a rule (common practice, no source)."""

OptionalText = Annotated[str | None, Query(max_length=LONGEST)]


@router.get("/due", response_model=DueDocument)
def closing(
    request: Request,
    workspace: needs.Opened,
    today: needs.Today,
    lot: OptionalText = None,
    within: Annotated[int | None, Query(ge=0, le=100_000, description="Days.")] = None,
    limit: Annotated[
        int | None,
        Query(ge=1, le=1_000_000, description="At most this many, open windows before closed ones."),
    ] = None,
    after: Annotated[
        str | None,
        Query(max_length=LONGEST, description="Go on after this lot, as `next` names it."),
    ] = None,
) -> Response:
    """Say which claim windows are closing, and what a claim still lacks."""
    found = due_document(workspace, lot, today=today, within=within, limit=limit, after=after)
    return answer(request, found)


@router.get("/next", response_model=NextDocument)
def next_(
    request: Request,
    workspace: needs.Opened,
    today: needs.Today,
    what: Annotated[str | None, Query(max_length=LONGEST, description="A piece or a lot.")] = None,
    minutes: Annotated[str | None, Query(max_length=60, description="Time there is: 35, or '1 h'.")] = None,
    everything: Annotated[bool, Query(alias="all", description="Look at all lots, however long it takes.")] = False,
) -> Response:
    """Say which bench tests to do next; `left_out` counts the lots with undecided pieces that were not looked at."""
    found = next_tests(workspace, what, minutes=minutes, today=today, everything=everything)
    return answer(request, next_document(found))


@router.get("/costs", response_model=CostsDocument)
def costs(request: Request, workspace: needs.Opened) -> Response:
    """Show what the workshop reckons with."""
    return answer(request, costs_document(show_costs(workspace)))


@router.get("/recall", response_model=RecallDocument)
def recalled(
    request: Request,
    workspace: needs.Opened,
    lot: OptionalText = None,
    seller: OptionalText = None,
    date_code: OptionalText = None,
    marking: OptionalText = None,
    since: OptionalText = None,
    until: OptionalText = None,
) -> Response:
    """List every machine that holds or held a piece like that; all that is given must hold."""
    wanted = Wanted(
        lot,
        seller,
        date_code,
        marking,
        None if since is None else day(since, "first day"),
        None if until is None else day(until, "last day"),
    )
    return answer(request, recall_document(recall(workspace, wanted)))


@router.get("/calibration", response_model=CalibrationDocument)
def calibrated(request: Request, workspace: needs.Opened) -> Response:
    """Say whether suspicions have held for the pieces whose truth is known."""
    return answer(request, calibration_document(calibration(workspace)))


@router.get("/log", response_model=LogDocument)
def log(
    request: Request,
    workspace: needs.Opened,
    about: Annotated[str | None, Query(max_length=LONGEST, description="Only what concerns this label.")] = None,
    limit: Annotated[int, Query(ge=1, le=1_000_000, description="At most this many, the newest.")] = 50,
) -> Response:
    """Show the journal, the newest entry last."""
    return answer(request, log_document(read_log(workspace, about, limit=limit)))


class DatecodeAsked(Sent):
    """Markings to be dated."""

    markings: Annotated[
        tuple[Annotated[str, Field(max_length=LONGEST_MARKING)], ...], Field(min_length=1, max_length=MOST_MARKINGS)
    ]
    maker: Text | None = None
    by: Text | None = Field(None, description="The latest possible date, YYYY-MM-DD; today where not given.")


@router.post("/datecode", response_model=DatecodeDocument, dependencies=[JsonOnly])
def datecode(request: Request, asked: DatecodeAsked) -> Response:
    """Say what the date code in each marking may mean; nothing is recorded."""
    latest = None if asked.by is None else day(asked.by, "latest date")
    return answer(request, datecode_document(date_markings(asked.markings, maker=asked.maker, by=latest)))


@router.get("/token", response_model=TokenDocument)
def token(request: Request) -> Response:
    """Tell this session's token, which goes along as X-Lotproof-Token with everything that changes something."""
    made = answer(request, TokenDocument(token=door.token(request)))
    made.headers["cache-control"] = "no-store"
    return made
