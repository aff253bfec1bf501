"""The work list: what stands there while nothing does, what can be tidied away from there, and the same as JSON."""

import os
import shutil
import time
from contextlib import nullcontext
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from staged import Stage, chip, picture
from stock import a_lot
from test_bench_forms import CURVES
from web_pages import Pages

from tracker.desk import photograph as photographing
from tracker.desk.bench_curve import CurveRequest, run_curve
from tracker.desk.log import read_log
from tracker.desk.task_leftovers import QUIET
from tracker.desk.task_worker import Worker
from tracker.desk.tasks import ask_export, ask_photograph, cancel
from tracker.desk.uploads import Upload
from tracker.desk.workspace import Workspace
from vision.crew import Crew


@pytest.fixture
def pages(sqlite_template: Path, tmp_path: Path) -> Pages:
    shutil.copytree(sqlite_template, tmp_path / "shop")
    with Workspace.open(tmp_path / "shop") as workspace:
        a_lot(workspace)
    return Pages(tmp_path / "shop")


def photo_asked(pages: Pages, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    path = stage.put(picture(folder, "a.png", shade=60), chip("CV6522AP", "8733"))
    upload = Upload("a.png", path.open("rb"))
    ask_photograph(pages.app.state.workspace, pages.app.state.working.rows, "L0001", [upload])


def worked_off(pages: Pages) -> None:
    worker = Worker(pages.app.state.workspace, pages.app.state.working.rows, hands=lambda: nullcontext(Crew()))
    assert worker.work_off()


def aged(pages: Pages) -> None:
    """Make all that lies in the work folder older than the quiet period."""
    then = time.time() - (QUIET + timedelta(hours=2)).total_seconds()
    for path in pages.app.state.working.rows.folder.rglob("*"):
        os.utime(path, (then, then))


def asked(pages: Pages, path: str) -> Any:
    """Return a document, checked against what /openapi.json says of it."""
    answer = pages.client.get(f"/api/{path}")
    whole = pages.app.openapi()
    place = "/api/work" if path == "work" else "/api/work/{task}"
    schema = whole["paths"][place]["get"]["responses"][str(answer.status_code)]["content"]["application/json"]["schema"]
    jsonschema_rs.Draft202012Validator({**schema, "components": whole["components"]}).validate(answer.json())
    return answer.json()


def test_an_empty_list_says_what_will_stand_there(pages: Pages) -> None:
    text = pages.text("/work")
    assert "Nothing was asked for yet: photos handed in on the page of a lot, and bags and dossiers" in text
    assert '<table class="wide work" hidden>' in text  # the place where work appears that is asked for meanwhile
    assert "Remove them" not in text
    assert asked(pages, "work") == {"schema": "lotproof.work/1", "tasks": []}


def test_what_nobody_needs_is_offered_to_be_removed(pages: Pages) -> None:
    ask_export(pages.app.state.workspace, pages.app.state.working.rows, "L0001")
    worked_off(pages)
    assert "Remove them" not in pages.text("/work")  # somebody may be about to save it
    aged(pages)
    text = pages.text("/work")
    assert "1 folder of the work list" in text
    assert "which W0001 made: a copy of what is on record." in text
    assert "--work" not in text
    assert "The page ‘Work’ offers to remove it after 2 days" in pages.post("/log/verify").text
    assert pages.client.post("/work/tidy").status_code == 403
    assert pages.get("/work/W0001/file").status_code == 200
    assert pages.post("/work/tidy").headers["location"] == "/work"
    text = pages.text("/work")
    assert "1 thing was removed." in text
    assert "Remove them" not in text
    assert pages.get("/work/W0001/file").status_code == 404
    entry = read_log(pages.app.state.workspace, limit=1).entries[0]
    assert (entry.act, entry.operator) == ("tidy", "Ida Brandt")
    pages.post("/work/tidy")
    assert "No things were removed." in pages.text("/work")


def test_what_waits_is_not_offered(pages: Pages, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    photo_asked(pages, tmp_path, monkeypatch)
    aged(pages)
    assert "Remove them" not in pages.text("/work")
    cancel(pages.app.state.working.rows, "W0001")
    aged(pages)
    assert "holds 1 photo of L0001 that W0001 did not record (cancelled)." in pages.text("/work")


def test_the_api_tells_what_a_task_recorded(pages: Pages, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    photo_asked(pages, tmp_path, monkeypatch)
    waiting = asked(pages, "work")["tasks"]
    assert [(one["task"], one["state"], one["title"]) for one in waiting] == [("W0001", "waiting", "Photo of L0001")]
    worked_off(pages)
    found = asked(pages, "work/w1")
    assert (found["schema"], found["state"], found["role"]) == ("lotproof.task/1", "done", "top")
    recorded = found["photos"][0]["recorded"]
    assert recorded["schema"] == "lotproof.photograph/1"
    assert [one["piece"] for one in recorded["pieces"]] == ["L0001-01"]
    assert "token" not in found  # it names a folder and is nobody's business


@pytest.mark.parametrize(("path", "status"), [("work/W0009", 404), ("work/x", 422), ("work?limit=0", 422)])
def test_the_api_refuses_in_words(pages: Pages, path: str, status: int) -> None:
    answer = pages.client.get(f"/api/{path}")
    assert (answer.status_code, answer.json()["schema"]) == (status, "lotproof.error/1")


def test_curves_are_recorded_by_the_api_as_from_a_file(pages: Pages, tmp_path: Path) -> None:
    answer = pages.client.post("/api/bench/curve", json={"subject": "L0001-01", "table": CURVES, "common": "20"})
    assert answer.status_code == 201
    assert answer.headers["location"] == "/api/runs/B0001"
    (tmp_path / "c.csv").write_text(CURVES)
    request = CurveRequest(tmp_path / "c.csv", common="20")
    other = run_curve(pages.app.state.workspace, "L0001-02", request, operator="mira")[0]
    document = answer.json()
    assert document["schema"] == "lotproof.bench.curve/1"
    assert document["result"]["reasons"] == list(other.result.reasons)
    runs = [pages.client.get(f"/api/runs/B000{number}").json() for number in (1, 2)]
    assert runs[0]["samples"] == runs[1]["samples"]
    wrong = pages.client.post("/api/bench/curve", json={"subject": "L0001-01", "table": CURVES + "3, x, 1\n"})
    assert wrong.status_code == 422
    assert wrong.json()["what"] == "The typed table, data row 13: 'x' is not a voltage."
