"""Readings that come from an instrument: started, followed and stopped from a page, and then recorded as a run."""

import asyncio
import ipaddress
import json
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from tracker.bench import cautions
from tracker.bench.figures import show
from tracker.desk import live as lives
from tracker.desk import spool
from tracker.desk.bench import check_current
from tracker.desk.bench_soak import so_far as check_soak
from tracker.desk.drawing import live_drawing
from tracker.desk.live import LiveRequest
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, LotproofError
from tracker.web import bench_requests, bench_says, needs, once, render
from tracker.web.bench_says import Said
from tracker.web.bench_sent import AtField, Sent, check, count, in_words, sent, worded
from tracker.web.bench_state import new_number, state_of, turn_of
from tracker.web.needs import Refused, Written
from tracker.web.pages.bench import Sending, recorded_now
from tracker.web.pages.bench_shown import Desk, Shown, as_attribute, as_json, desk_of, may_read, page_of
from tracker.web.reading_now import Reader

router = APIRouter(include_in_schema=False)
USUAL = {"current": ("0.5 s", "10"), "soak": ("2 s", "")}
"""How often, and how many; as the command line has it. Common practice, no source."""
LOOK_S = 0.1
SAY_SOMETHING_S = 15.0
MOST_SHOWN = 20
_TCPIP = re.compile(r"(?:PRLGX-)?TCPIP\d*::(\[[^\]]+\]|[^:]+)::.+", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class About:
    """The form a reading was started with, and what the desk will be asked."""

    sent: Sent
    request: Any


@router.post("/bench/live/start/{test}/{label}", dependencies=[Written])
def start(request: Request, workspace: needs.Opened, data: Sending, test: str, label: str) -> Response:
    """Begin to read an instrument for a test."""
    desk = desk_of(request, workspace, test, label)
    found = sent(desk.form, data, desk.quantities)
    wrong = check(desk.form, found)
    try:
        if wrong:
            raise next(iter(wrong.values()))
        if not desk.form.live:
            raise BadRequest("Nothing is read live for this test.")
        request_ = _checked(desk, found)
        reader = Reader(test, desk.about.label, About(found, request_))
        begin(request, reader, found, _clock(found))
    except BadRequest as error:
        said = in_words(error)
        if isinstance(said, AtField):
            wrong.setdefault(said.name, said)
        return page_of(desk, Shown(found, new_number(), wrong=wrong, error=said, status=422))
    desk.state.drafts.put(desk.key, found)
    return render.go(f"/bench/live/{reader.word}/page")


def begin(request: Request, reader: Reader, found: Sent, clock: str) -> None:
    """Begin a series of readings.

    Raises
    ------
    BadRequest
        The instrument may not be read from here, or what was typed cannot be used.
    """
    request.app.state.workspace.refuse_if_moved()
    usual = USUAL[reader.test]
    resource = allowed(found.get("resource") or "", *may_read(request))
    number = found.get("count") or ("" if found.get("duration") else usual[1])
    query = found.get("query")
    if query is not None and not (query.endswith("?") or "? " in query):
        raise AtField("query", "That is no question: it would set the instrument up.", "Write it as READ?.")
    live = lives.ready(
        LiveRequest(
            resource,
            what="current" if reader.test == "current" else "temperature",
            every=found.get("every") or usual[0],
            count=count(number) if number else None,
            duration=found.get("duration"),
            clock=clock or None,
            query=query,
        ),
        spool.spooled(request.app.state.workspace.folder),
    )
    state_of(request).readers.start(reader, live, clock)


def allowed(resource: str, here: bool, named: tuple[str, ...]) -> str:
    """Return a resource that may be read for who asks.

    A resource names an address, and this computer would knock there. So other devices may have those read that were
    named when Lotproof was started; and this computer's own pages those at addresses of its own networks.

    Raises
    ------
    BadRequest
        It may not.
    """
    word = resource.strip()
    if not word:
        raise AtField("resource", "No instrument was named.", "Write its VISA address.")
    for one in named:
        if one.upper() == word.upper():
            return one
    if not here:
        raise AtField(
            "resource",
            "From another device only instruments can be read that were named when Lotproof was started.",
            "Start it with `lotproof serve --lan --instrument ADDRESS`, or start the reading at the computer itself.",
        )
    if word.upper().startswith(("TCPIP", "PRLGX-TCPIP")) and not _near(word):
        raise AtField(
            "resource",
            "Only addresses of this computer and of its own networks are read, as numbers.",
            "Write it such as TCPIP::192.168.1.7::5025::SOCKET; others are named with `lotproof serve --instrument`.",
        )
    return word


def _near(resource: str) -> bool:
    found = _TCPIP.fullmatch(resource)
    if found is None:
        return False
    if found[1].lower() == "localhost":
        return True
    try:
        address = ipaddress.ip_address(found[1].strip("[]"))
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    if mapped is not None:
        address = mapped
    private = address.is_private or address.is_loopback or address.is_link_local
    return private and not (address.is_multicast or address.is_unspecified)


def _checked(desk: Desk, found: Sent) -> Any:
    """Return what the desk will be asked, looked at before anybody waits for readings."""
    if found.held or any(found.of(rows.name) for rows in desk.form.rows[:1]):
        if desk.form.test == "current" and not found.held and not any(row[1] for row in found.of("read")):
            found = replace(found, rows={})  # the clock alone
        else:
            raise BadRequest("There are readings in the form already.", "Empty the rows and take the file out first.")
    request = bench_requests.request_of(desk.form.test, found, None)
    if desk.form.test == "current":
        check_current(desk.workspace, desk.about.label, request)
    else:
        check_soak(replace(request, pairs=("0 s=20 C",)))
    return request


def _clock(found: Sent) -> str:
    return next((row[0] for row in found.of("read") if row[0] and not row[1]), "")


def reader_of(request: Request, word: str) -> Reader:
    """Return a reading.

    Raises
    ------
    Refused
        There is none, or the server was started anew since.
    """
    found = state_of(request).readers.find(word)
    if found is None:
        raise Refused(
            404,
            "This reading is not known here: Lotproof was started anew since, or it is long over.",
            "What was read is in the spool of the workspace; ‘Verify now’ on the page ‘Journal’ names it.",
        )
    return found


@router.get("/bench/live/{word}")
async def listen(request: Request, word: str) -> Response:
    """Send the readings as they come (server-sent events), from the one after Last-Event-ID on."""
    reader = reader_of(request, word)
    last = request.headers.get("last-event-id", "")
    after = int(last) if last.isascii() and last.isdecimal() and len(last) < 10 else 0
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(_stream(reader, after), media_type="text/event-stream", headers=headers)


async def _stream(reader: Reader, after: int) -> AsyncIterator[str]:
    yield "retry: 1000\n\n"
    quiet = 0.0
    while True:
        going = reader.going  # before the messages are looked at: the last ones are told before it ends
        batch = reader.after(after)
        if batch:
            yield "".join(f"id: {number}\ndata: {json.dumps(message)}\n\n" for number, message in batch)
            after, quiet = batch[-1][0], 0.0
        elif not going:
            yield "event: done\ndata: {}\n\n"
            return
        elif quiet >= SAY_SOMETHING_S:
            yield ": still here\n\n"
            quiet = 0.0
        await asyncio.sleep(LOOK_S)
        quiet += LOOK_S


@router.get("/bench/live/{word}/page")
def follow(request: Request, workspace: needs.Opened, word: str) -> Response:
    """Show a reading: while it goes on what comes, and once it ended what it says."""
    reader = reader_of(request, word)
    if reader.recorded:
        return render.go(reader.recorded)
    return _follow(request, workspace, reader, None)


def _follow(request: Request, workspace: Workspace, reader: Reader, error: LotproofError | None) -> Response:
    about = reader.about
    assert isinstance(about, About)
    said: Said | None = None
    going = reader.going
    if not going and error is None:
        try:
            said = says_now(workspace, reader)
        except BadRequest as wrong:
            error = in_words(wrong)
    values = reader.values()
    one = reader.series[-1].live
    drawing = said.drawings[0] if said is not None and said.drawings else live_drawing(one.measured.name, values)
    shown = [(f"{t:.1f} s", show(v, one.measured.unit, 6)) for t, v in values[-MOST_SHOWN:]]
    return render.page(
        request,
        "bench_live",
        422 if error is not None and request.method == "POST" else 200,
        error=error or (None if going else reader.problem),
        reader=reader,
        going=going,
        found=said,
        table=shown,
        count=len(values),
        latest=shown[-1] if shown else None,
        drawing=drawing,
        plot=as_attribute(drawing),
        drawn=state_of(request).show(drawing) if values else "",
        series=[(one.clock, len(one.events)) for one in reader.series],
        spool=f"{spool.SPOOL}/{one.path.name}",
        can_record=not going and one.path.exists() and bool(values),
        protocol=cautions.protocol(reader.test),
        worded=worded,
        last_word=cautions.LAST_WORD,
    )


@router.get("/bench/live/{word}/so-far")
def says_so_far(request: Request, workspace: needs.Opened, word: str) -> Response:
    """Return what the readings of a heat soak say so far, with the fitted rise to be drawn."""
    reader = reader_of(request, word)
    try:
        return JSONResponse(as_json(says_now(workspace, reader), None))
    except BadRequest as error:
        return JSONResponse(as_json(None, in_words(error)))


def says_now(workspace: Workspace, reader: Reader) -> Said | None:
    """Return what was read says; None where that can be told at the end only.

    Raises
    ------
    BadRequest
        What was read cannot be used.
    """
    if reader.test == "soak":
        return bench_says.soak_says(_request(reader, final=False)) if reader.values() else None
    if reader.going or not reader.values():
        return None
    return bench_says.current_says(workspace, reader.label, _request(reader, final=True))


def _request(reader: Reader, *, final: bool) -> Any:
    """Return what the desk is asked for what was read."""
    about = reader.about
    assert isinstance(about, About)
    request = about.request
    last = reader.series[-1]
    if reader.test == "soak":
        who = lives.named(request.typed.instrument, lives.instrument(last.live, last.events))
        return replace(request, table=last.live.path, typed=replace(request.typed, instrument=who))
    if final and reader.ended_well:
        taken = lives.merged([lives.current_taken(one.live, one.events) for one in reader.series])
        return replace(request, currents=(), pairs=(), clock=None, taken=taken)
    # It broke off: its table is used as a file would be.
    who = lives.named(request.typed.instrument, lives.instrument(last.live, last.events))
    return replace(request, currents=(), pairs=(), table=last.live.path, typed=replace(request.typed, instrument=who))


@router.post("/bench/live/{word}/stop", dependencies=[Written])
def stop(request: Request, word: str) -> Response:
    """Stop a reading; what was read stays."""
    reader = reader_of(request, word)
    reader.stop()
    reader.wait(10.0)
    return render.go(f"/bench/live/{word}/page")


@router.post("/bench/live/{word}/again", dependencies=[Written])
def again(request: Request, workspace: needs.Opened, data: Sending, word: str) -> Response:
    """Read the same instrument once more, at another clock."""
    reader = reader_of(request, word)
    about = reader.about
    assert isinstance(about, About)
    clock = data.get("clock")
    try:
        if reader.going or reader.recorded or reader.test != "current":
            raise BadRequest("This reading cannot be gone on with.", "Wait for its end, or start another one.")
        if not isinstance(clock, str) or not clock.strip():
            raise BadRequest("The clock was not said.", "Write it with its unit: 4 MHz, or 0 Hz when stopped.")
        begin(request, reader, about.sent, clock.strip()[:60])
    except BadRequest as error:
        return _follow(request, workspace, reader, in_words(error))
    return render.go(f"/bench/live/{word}/page")


@router.post("/bench/live/{word}/record", dependencies=[Written])
def record(request: Request, workspace: needs.Opened, operator: needs.Operator, word: str) -> Response:
    """Record what was read as a run; a second click finds the same run."""
    reader = reader_of(request, word)
    about = reader.about
    assert isinstance(about, About)
    with turn_of(request, f"reading-{word}") as turn:
        if turn.place:
            return once.repeated(request, turn.place)
        if reader.going:
            return _follow(request, workspace, reader, BadRequest("It is still being read.", "Stop it first."))
        try:
            asked = _request(reader, final=True)
            recorded = bench_requests.record(workspace, reader.test, reader.label, asked, operator)
        except BadRequest as error:
            return _follow(request, workspace, reader, in_words(error))
        turn.place = reader.recorded = f"/runs/{recorded.run}"
    for one in reader.series:
        if reader.ended_well or one is reader.series[-1]:
            spool.discard(one.live.path)
    recorded_now(desk_of(request, workspace, reader.test, reader.label), about.sent, recorded)
    return render.go(turn.place)
