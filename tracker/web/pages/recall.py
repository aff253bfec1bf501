"""Recall: which machines hold, or held, a piece like that; and the notice to their owners."""

from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.fields import day as day_of
from tracker.desk.known_names import known_names
from tracker.desk.notice import write_notice
from tracker.desk.recall import Recall, Wanted, recall
from tracker.errors import BadRequest
from tracker.web import files, needs, render, typed

router = APIRouter(include_in_schema=False)
FIELDS = ("lot", "seller", "date_code", "marking", "since", "until")
LONGEST = 200
Word = Annotated[str, Query(max_length=LONGEST)]


def _words(
    lot: Word = "", seller: Word = "", date_code: Word = "", marking: Word = "", since: Word = "", until: Word = ""
) -> dict[str, str]:
    return {"lot": lot, "seller": seller, "date_code": date_code, "marking": marking, "since": since, "until": until}


Words = Annotated[dict[str, str], Depends(_words)]


@router.get("/recall")
def ask(request: Request, workspace: needs.Opened, values: Words) -> Response:
    """Ask what is looked for, and show every machine and position."""
    found: Recall | None = None
    error: BadRequest | None = None
    if any(text.strip() for text in values.values()):
        try:
            found = recall(workspace, _wanted(values))
        except BadRequest as wrong:
            error = wrong
    return render.page(
        request,
        "recall",
        200 if error is None else 422,
        error=error,
        values=typed.Values(values),
        asked={name: text for name, text in values.items() if text.strip()},
        names=known_names(workspace),
        found=found,
        now=[stay for stay in found.stays if stay.out is None] if found else [],
        once_there=[stay for stay in found.stays if stay.out is not None] if found else [],
    )


def _wanted(values: dict[str, str]) -> Wanted:
    given = {name: text.strip() for name, text in values.items() if text.strip()}
    days = {name: _day(given.pop(name), name) for name in ("since", "until") if name in given}
    return Wanted(**given, **days)  # type: ignore[arg-type]


def _day(text: str, name: str) -> date:
    return day_of(text, f"day '{name}'")


@router.get("/recall/notice")
def notice(
    workspace: needs.Opened,
    day: needs.Today,
    values: Words,
    because: Annotated[str, Query(max_length=2000)] = "",
    form: Literal["pdf", "txt"] = "pdf",
) -> Response:
    """Give the notice of a recall."""
    wanted = _wanted(values)
    answer = recall(workspace, wanted)

    def make(folder: Path) -> Path:
        return write_notice(answer, wanted, because.strip() or None, folder / f"recall-notice.{form}", today=day).file

    return files.made(make, f"recall-notice-{day.isoformat()}.{form}")
