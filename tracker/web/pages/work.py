"""The work list: what waits, what is at work, what became of it; told as it changes."""

import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Annotated, Literal

import anyio
from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse

from tracker.desk.contract import PhotographDocument
from tracker.desk.task import PhotoRow, Task
from tracker.desk.task_leftovers import QUIET, removable
from tracker.desk.tasks import MOST_SHOWN, cancel, find_task, made_file, recorded, retry
from tracker.desk.tidy import tidy
from tracker.web import door, needs, render
from tracker.web.needs import Refused, Written

router = APIRouter()
LOOK_S, ALIVE_S, LONGEST_S = 0.4, 15.0, 1800.0
"""How soon a follower hears of a change, how often it hears that nothing changed, and when it has to ask anew. Common
practice, no source."""


@dataclass(frozen=True, slots=True)
class PhotoShown:
    """One photo of a task and what was recorded of it."""

    row: PhotoRow
    document: PhotographDocument | None


@dataclass(frozen=True, slots=True)
class TaskShown:
    """A task as pages show it."""

    task: Task
    photos: tuple[PhotoShown, ...]

    @property
    def said(self) -> str:
        """Its state in a few words, for who does not see the page change."""
        task = self.task
        if task.state == "failed":
            return f"{task.label} failed: {task.what}"
        pieces = [one.piece for photo in self.photos if photo.document for one in photo.document.pieces]
        found = f": {', '.join(pieces)}" if pieces and task.state == "done" else ""
        return f"{task.label} {task.title}: {STATES[task.state]}{found}"


STATES = {
    "waiting": "waiting",
    "running": "at work",
    "done": "done",
    "failed": "failed",
    "cancelled": "cancelled",
}


def shown(task: Task) -> TaskShown:
    """Return a task as pages show it."""
    return TaskShown(task, tuple(PhotoShown(row, recorded(row)) for row in task.photos))


def part(request: Request, task: TaskShown, form: Literal["row", "whole"]) -> str:
    """Return one task as HTML: a row of the list, or the whole of it."""
    template = render.environment().get_template("work_part.html.j2")
    return template.render(one=task, form=form, token=door.token(request), states=STATES)


@router.get("/work", include_in_schema=False)
def work(request: Request, workspace: needs.Opened, working: needs.WorkList) -> Response:
    """Show the newest work."""
    mark = working.rows.mark()
    tasks = [shown(task) for task in working.rows.newest(MOST_SHOWN)]
    left = removable(workspace.folder)
    return render.page(
        request,
        "work",
        tasks=tasks,
        mark=mark,
        states=STATES,
        left=left,
        left_bytes=sum(one.size_bytes for one in left),
        quiet_days=QUIET.days,
    )


@router.post("/work/tidy", dependencies=[Written], include_in_schema=False)
def tidy_up(request: Request, workspace: needs.Opened, operator: needs.Operator) -> Response:
    """Remove what nobody needs any more, as `lotproof tidy --work` does."""
    done = tidy(workspace, work=True, operator=operator)
    kept = [one.message for one in done.left if one.code == "not-removed"]
    render.say(request, " ".join((f"{_counted(len(done.removed))} removed.", *kept)))
    return render.go("/work")


def _counted(number: int) -> str:
    return "1 thing was" if number == 1 else f"{number or 'No'} things were"


@router.get("/work/events", include_in_schema=False)
async def events(
    request: Request,
    working: needs.WorkList,
    since: Annotated[int, Query(ge=0)] = 0,
    form: Literal["row", "whole"] = "row",
) -> Response:
    """Tell of every change from a mark on, as server-sent events (HTML standard, section 9.2)."""
    rows = working.rows
    last = request.headers.get("last-event-id", "")
    mark = int(last) if last.isascii() and last.isdecimal() and len(last) < 18 else since
    if working.full:
        raise Refused(503, "Too many pages follow the work list just now.", "Load the page again in a while.")

    async def told() -> AsyncIterator[str]:
        nonlocal mark
        begun = quiet = anyio.current_time()
        yield "retry: 2000\n\n"
        with working.followed():
            while not working.ending.is_set() and anyio.current_time() - begun < LONGEST_S:
                for task in await anyio.to_thread.run_sync(rows.changed_since, mark):
                    mark, quiet = task.changed, anyio.current_time()
                    yield _event(request, shown(task), form)
                if anyio.current_time() - quiet > ALIVE_S:
                    quiet = anyio.current_time()
                    yield ": nothing new\n\n"
                await anyio.sleep(LOOK_S)

    return StreamingResponse(told(), media_type="text/event-stream", headers={"cache-control": "no-store"})


def _event(request: Request, task: TaskShown, form: Literal["row", "whole"]) -> str:
    data = {"task": task.task.label, "html": part(request, task, form), "said": task.said}
    return f"id: {task.task.changed}\nevent: task\ndata: {json.dumps(data)}\n\n"


@router.get("/work/{label}", include_in_schema=False)
def one(request: Request, label: str, working: needs.WorkList) -> Response:
    """Show one task and what became of it."""
    mark = working.rows.mark()
    return render.page(request, "work_one", one=shown(find_task(working.rows, label)), mark=mark, states=STATES)


@router.post("/work/{label}/cancel", dependencies=[Written], include_in_schema=False)
def take_off(request: Request, label: str, working: needs.WorkList) -> Response:
    """Take a task off the list, or have it broken off."""
    task = cancel(working.rows, label)
    running = f"{task.label} is being broken off; what is recorded already stays recorded."
    render.say(request, running if task.state == "running" else f"{task.label} is {STATES[task.state]}.")
    return render.go(f"/work/{task.label}")


@router.post("/work/{label}/retry", dependencies=[Written], include_in_schema=False)
def again(request: Request, label: str, working: needs.WorkList) -> Response:
    """Let a task wait for its turn again."""
    task = retry(working.rows, label)
    working.wake()
    render.say(request, f"{task.label} waits for its turn again.")
    return render.go(f"/work/{task.label}")


@router.get("/work/{label}/file", include_in_schema=False)
def made(label: str, workspace: needs.Opened, working: needs.WorkList) -> Response:
    """Send the file that a task made; a page among them is saved, not opened as one of ours."""
    path = made_file(workspace, find_task(working.rows, label))
    kind = {".zip": "application/zip", ".pdf": "application/pdf"}.get(path.suffix, "application/octet-stream")
    return FileResponse(path, media_type=kind, filename=path.name, content_disposition_type="attachment")
