"""The bench: a form for each test, what it would say, and recording it once."""

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from tracker.bench import cautions
from tracker.bench.tables import LARGEST_BYTES
from tracker.desk import bench_words
from tracker.desk.bench_record import Recorded
from tracker.desk.drawn_picture import picture
from tracker.desk.next_test import next_tests
from tracker.desk.table_preview import QUANTITIES, TablePreview, table_preview
from tracker.errors import BadRequest
from tracker.web import bench_requests, bench_says, needs, once, render, typed
from tracker.web.bench_forms import FORMS
from tracker.web.bench_says import Said
from tracker.web.bench_sent import (
    MORE,
    MOST_ROWS,
    AtField,
    Sent,
    check,
    in_words,
    sent,
    with_row,
    without_last,
)
from tracker.web.bench_state import new_number, state_of, turn_of
from tracker.web.needs import Refused, Written
from tracker.web.pages.bench_shown import Desk, Shown, as_json, desk_of, page_of, subject_of
from tracker.web.svg import svg

router = APIRouter(include_in_schema=False)
HELD = ("supply", "ambient", "jig", "instrument", "remark")
HEX = (".hex", ".ihex", ".ihx")


Sending = Annotated[FormData, Depends(typed.form_of)]


@router.get("/bench/drawn/{word}.svg")
def drawn(request: Request, word: str) -> Response:
    """Draw what a preview showed, for a browser that runs no scripts."""
    found = state_of(request).drawn.get(word)
    if found is None:
        raise Refused(404, "This drawing is gone.", "Ask once more what the readings say.")
    return svg(request, picture(found))


@router.get("/bench/{label}")
def which(request: Request, workspace: needs.Opened, day: needs.Today, label: str) -> Response:
    """Say which test comes next for a piece, and what each means."""
    about = subject_of(workspace, label)
    asked = next_tests(workspace, about.label, minutes=None, today=day) if about.kind == "piece" else None
    return render.page(
        request,
        "bench",
        about=about,
        asked=asked,
        forms=[one for one in FORMS.values() if about.kind in one.of],
        titles={one.test: one.title for one in FORMS.values()},
        cautions={test: cautions.protocol(test) for test in FORMS},
        last_word=cautions.LAST_WORD,
    )


@router.get("/bench/{test}/{label}")
def ask(request: Request, workspace: needs.Opened, test: str, label: str, anew: int = 0) -> Response:
    """Show the form of a test: as it was last left, or a new one with this person's usual conditions."""
    desk = desk_of(request, workspace, test, label)
    if anew:
        desk.state.drafts.drop(desk.key)
    draft = desk.state.drafts.get(desk.key)
    if isinstance(draft, Sent):
        return page_of(desk, Shown(draft, new_number(), drafted=True))
    usual = desk.state.conditions.get((desk.owner, test)) or {}
    return page_of(desk, Shown(Sent(values=dict(usual)), new_number()))


@router.post("/bench/{test}/{label}", dependencies=[Written])
def act(
    request: Request, workspace: needs.Opened, operator: needs.Operator, data: Sending, test: str, label: str
) -> Response:
    """Do what one of the form's buttons says; all but 'Record' record nothing."""
    desk = desk_of(request, workspace, test, label)
    number, do = _word(data, "once"), _word(data, "do")
    found = sent(desk.form, data, desk.quantities)
    try:
        found = _with_file(desk, found, data, drop=do == "drop")
        if do == "record":
            return _record(desk, found, number, operator)
        return page_of(desk, _answer(desk, found, data, do, number))
    except BadRequest as error:
        desk.state.drafts.put(desk.key, found)
        wrong = check(desk.form, found)
        first = next(iter(wrong.values()), None) or in_words(error)
        if isinstance(first, AtField):
            wrong.setdefault(first.name, first)
        return page_of(desk, Shown(found, number or new_number(), None, _table(desk, found), wrong, first, status=422))


@router.post("/bench/{test}/{label}/so-far", dependencies=[Written])
def so_far(request: Request, workspace: needs.Opened, data: Sending, test: str, label: str) -> Response:
    """Return what a form would say, for the script that asks after each reading; the form is remembered."""
    desk = desk_of(request, workspace, test, label)
    found = sent(desk.form, data, desk.quantities)
    desk.state.drafts.put(desk.key, found)
    wrong = check(desk.form, found)
    if wrong:
        return JSONResponse(as_json(None, next(iter(wrong.values()))))
    try:
        return JSONResponse(as_json(_says(desk, found), None))
    except BadRequest as error:
        return JSONResponse(as_json(None, in_words(error)))


def _answer(desk: Desk, found: Sent, data: FormData, do: str, number: str) -> Shown:
    """Return what the page shows after any button but 'Record'."""
    if do == "more":
        found = replace(found, empty=min(found.empty + MORE, MOST_ROWS))
    elif do in ("pass", "fail") and desk.form.test == "clock":
        found = _stepped(found, _word(data, "clock_now"), do)
    elif do == "undo" and desk.form.test == "clock":
        found = without_last(found, "step")
    desk.state.drafts.put(desk.key, found)
    said = None
    if do != "more":
        wrong = check(desk.form, found)
        if wrong:
            raise next(iter(wrong.values()))
        nothing_yet = do != "look" and desk.form.test == "clock" and not found.of("step")
        said = None if nothing_yet or (do != "say" and not _anything(desk, found)) else _says(desk, found)
    return Shown(found, number or new_number(), said, _table(desk, found))


def _stepped(found: Sent, clock: str, outcome: str) -> Sent:
    if not clock:
        raise AtField("clock_now", "The clock was not said.", "Write it with its unit: 2 MHz.")
    more = with_row(found, "step", (clock, outcome))
    wrong = check(FORMS["clock"], more)
    if wrong:
        error = next(iter(wrong.values()))
        raise AtField("clock_now", error.what, error.advice)
    return more


def _anything(desk: Desk, found: Sent) -> bool:
    in_fields = any(found.get(name) for name in desk.form.measured)
    return in_fields or desk.upload(found) is not None or any(found.of(rows.name) for rows in desk.form.rows)


def _says(desk: Desk, found: Sent) -> Said | None:
    if not desk.form.says:
        return None
    return bench_says.says(desk.workspace, desk.form.test, desk.about.label, request_of(desk, found))


def request_of(desk: Desk, found: Sent) -> Any:
    """Return what the desk is asked for a form.

    Raises
    ------
    BadRequest
        Something of it cannot be used.
    """
    upload = desk.upload(found)
    if found.held and upload is None:
        raise AtField("file", "The file was kept for an hour and is gone.", "Send it once more.")
    table = None if upload is None else upload.path
    bench_requests.refuse_two_ways(found, tuple(rows.name for rows in desk.form.rows[:1]), table)
    return bench_requests.request_of(desk.form.test, found, table)


def _record(desk: Desk, found: Sent, number: str, operator: str) -> Response:
    with turn_of(desk.request, number, found.mark) as turn:
        if turn.place:
            return once.repeated(desk.request, turn.place)
        wrong = check(desk.form, found)
        if wrong:
            raise next(iter(wrong.values()))
        request = request_of(desk, found)
        recorded = bench_requests.record(desk.workspace, desk.form.test, desk.about.label, request, operator)
        turn.place = f"/runs/{recorded.run}"
    recorded_now(desk, found, recorded)
    return render.go(turn.place)


def recorded_now(desk: Desk, found: Sent, recorded: Recorded[Any]) -> None:
    """Say that a run was recorded, and remember its conditions for this person's next run of the test."""
    told = " ".join(text for _, text in bench_words.suspicion_text(recorded))
    render.say(desk.request, f"{recorded.run} is recorded: {recorded.verdict}. {f'Suspicion {told}.' if told else ''}")
    usual = {name: found.values.get(name, "") for name in HELD}
    desk.state.conditions.put((desk.owner, desk.form.test), usual)
    desk.state.drafts.drop(desk.key)
    if found.held:
        desk.state.uploads.drop(desk.owner, found.held)


def _with_file(desk: Desk, found: Sent, data: FormData, *, drop: bool) -> Sent:
    """Return a form with the file that came with it in place of one that came before."""
    if drop and found.held:
        desk.state.uploads.drop(desk.owner, found.held)
        return replace(found, held="", columns={})
    upload = data.get("file")
    if not desk.form.table or not isinstance(upload, UploadFile) or not upload.filename:
        return found
    content = upload.file.read(LARGEST_BYTES + 1)
    if len(content) > LARGEST_BYTES:
        raise AtField("file", f"The file is larger than {LARGEST_BYTES // 1_000_000} MB.", "Send a part of it.")
    if not content:
        raise AtField("file", "The file is empty.", "Send another one.")
    if found.held:
        desk.state.uploads.drop(desk.owner, found.held)
    ending = ".csv"
    if desk.form.test == "signature":
        ending = ".hex" if upload.filename.lower().endswith(HEX) else ".bin"
    return replace(found, held=desk.state.uploads.keep(desk.owner, upload.filename, content, ending))


def _table(desk: Desk, found: Sent) -> TablePreview | None:
    upload = desk.upload(found)
    if upload is None or desk.form.test not in QUANTITIES:
        return None
    try:
        return table_preview(desk.form.test, upload.path, found.mapped)
    except BadRequest as error:
        return TablePreview((), (), 0, (), str(in_words(error)))


def _word(data: FormData, name: str) -> str:
    found = data.get(name)
    return found.strip()[:200] if isinstance(found, str) else ""
