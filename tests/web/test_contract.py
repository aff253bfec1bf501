"""The API answers what the commands print under --json, and says in HTTP's words what became of a request."""

import json
import re
import shutil
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from conftest import Lotproof
from web_pages import Pages
from web_workshop import prepared, workshop  # noqa: F401

READ = {
    "lots": ("list", "lots"),
    "lots?lot=L0002&sort=part": ("list", "lots", "--lot", "L0002", "--sort", "part"),
    "lots?source=broker&since=2031-01-01": ("list", "lots", "--source", "broker", "--since", "2031-01-01"),
    "pieces": ("list", "pieces"),
    "pieces?lot=l2&disposition=accepted&limit=1": (
        "list", "pieces", "--lot", "l2", "--disposition", "accepted", "--limit", "1",
    ),
    "pieces?seller=fenwright+components&part=km": (
        "list", "pieces", "--seller", "fenwright components", "--part", "km",
    ),
    "pieces?machine=M0001&min_suspicion=0": ("list", "pieces", "--machine", "M0001", "--min-suspicion", "0"),
    "pieces?sort=suspicion&reverse=true": ("list", "pieces", "--sort", "suspicion", "--reverse"),
    "sellers": ("list", "sellers"),
    "machines": ("list", "machines"),
    "machines?name=tellmark": ("list", "machines", "--name", "tellmark"),
    "runs": ("list", "runs"),
    "runs?test=clock&verdict=pass": ("list", "runs", "--test", "clock", "--verdict", "pass"),
    "lots/L0001": ("show", "L0001"),
    "lots/l2": ("show", "L0002"),
    "pieces/L0001-01": ("show", "L0001-01"),
    "pieces/L0001-02": ("show", "L0001-02"),
    "pieces/L0002-02": ("show", "L0002-02"),
    "machines/M0001": ("show", "M0001"),
    **{f"runs/B000{number}": ("show", f"B000{number}") for number in range(1, 5)},
    "due": ("due",),
    "due?lot=L0002&within=100000": ("due", "L0002", "--within", "100000"),
    "next": ("next",),
    "next?what=L0002&minutes=35": ("next", "L0002", "--minutes", "35"),
    "costs": ("costs",),
    "recall?lot=L0001": ("recall", "--lot", "L0001"),
    "recall?marking=cv6522&until=2040-01-01": ("recall", "--marking", "cv6522", "--until", "2040-01-01"),
    "calibration": ("calibration",),
    "log": ("log",),
    "log?about=L0001&limit=2": ("log", "L0001", "--limit", "2"),
}  # fmt: skip


@pytest.fixture
def pages(workshop: Path, monkeypatch: pytest.MonkeyPatch) -> Pages:  # noqa: F811
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(workshop))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "Ida Brandt")
    return Pages(workshop)


@cache
def _described(pages_app: Any) -> dict[str, Any]:
    found: dict[str, Any] = pages_app.openapi()
    return found


def _as_described(pages: Pages, answered: Any) -> None:
    """Check an answer against what /openapi.json says of it."""
    whole, method = _described(pages.app), answered.request.method.lower()
    path = answered.request.url.path
    places = [one for one in whole["paths"] if re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", one), path)]
    place = path if path in places else places[0]
    response = whole["paths"][place][method]["responses"][str(answered.status_code)]
    schema = {**response["content"]["application/json"]["schema"], "components": whole["components"]}
    jsonschema_rs.Draft202012Validator(schema).validate(answered.json())


@pytest.mark.parametrize("path", READ)
def test_what_is_asked_is_answered_as_the_command_answers_it(path: str, pages: Pages, lotproof: Lotproof) -> None:
    told = pages.client.get(f"/api/{path}")
    assert told.status_code == 200, told.text
    assert told.headers["content-type"] == "application/json"
    _as_described(pages, told)
    printed = lotproof(*READ[path], "--json")
    assert printed.code == 0, printed.err
    assert told.json() == printed.json
    again = pages.client.get(f"/api/{path}", headers={"if-none-match": told.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


WRITE: dict[str, tuple[str, dict[str, Any], tuple[str, ...], int]] = {
    "receive": (
        "lots",
        {"seller": "Brackenridge", "part": "KM4417", "quantity": 2, "received": 3, "order": "Q-9", "price": "8.00",
         "currency": "EUR", "arrived": "2026-01-05"},
        ("receive", "--seller", "Brackenridge", "--part", "KM4417", "--quantity", "2", "--received", "3", "--order",
         "Q-9", "--price", "8.00", "--currency", "EUR", "--arrived", "2026-01-05"),
        201,
    ),
    "receive again": (
        "lots",
        {"seller": "Fenwright Components", "part": "KM4417", "quantity": 4, "order": "F-22"},
        ("receive", "--seller", "Fenwright Components", "--part", "KM4417", "--quantity", "4", "--order", "F-22"),
        200,
    ),
    "decide": (
        "pieces/decide",
        {"pieces": ["L0002-03..04", "L0001-02"], "decision": "quarantine", "reason": "to be measured"},
        ("decide", "L0002-03..04", "L0001-02", "quarantine", "--reason", "to be measured"),
        200,
    ),
    "return": (
        "pieces/decide",
        {"pieces": ["L0001-02"], "decision": "return", "reason": "sanded", "carrier": "Post", "tracking": "RR 1"},
        ("decide", "L0001-02", "return", "--reason", "sanded", "--carrier", "Post", "--tracking", "RR 1"),
        422,
    ),
    "correct": (
        "pieces/correct",
        {"piece": "L0001-02", "lines": ["CV6522AP", "9120"], "remark": "under the lens"},
        ("correct", "L0001-02", "--reads", "CV6522AP", "--reads", "9120", "--remark", "under the lens"),
        200,
    ),
    "correct, nothing to take back": (
        "pieces/correct",
        {"piece": "L0001-02", "lines": []},
        ("correct", "L0001-02", "--as-read"),
        422,
    ),
    "settle": (
        "pieces/settle",
        {"piece": "L0001-02", "truth": "not-genuine", "grounds": "opened"},
        ("settle", "L0001-02", "not-genuine", "--grounds", "opened"),
        200,
    ),
    "withdraw": (
        "pieces/settle",
        {"piece": "L0002-01", "truth": "genuine", "grounds": "mixed up", "withdraw": True},
        ("settle", "L0002-01", "genuine", "--grounds", "mixed up", "--withdraw"),
        200,
    ),
    "exemplar": (
        "pieces/exemplar",
        {"piece": "L0001-02", "grounds": "own stock"},
        ("exemplar", "L0001-02", "--grounds", "own stock"),
        200,
    ),
    "fit": (
        "pieces/fit",
        {"piece": "L0002-02", "into": "Kestrel 2 sampler", "at": "U12", "owner": "A. Quill"},
        ("fit", "L0002-02", "--into", "Kestrel 2 sampler", "--at", "U12", "--owner", "A. Quill"),
        200,
    ),
    "move": (
        "pieces/fit",
        {"piece": "L0001-01", "into": "M0001", "at": "U13", "move": True, "reason": "socket"},
        ("fit", "L0001-01", "--into", "M0001", "--at", "U13", "--move", "--reason", "socket"),
        200,
    ),
    "unfit": ("pieces/unfit", {"piece": "L0001-01"}, ("unfit", "L0001-01"), 200),
    "current": (
        "bench/current",
        {"subject": "L0002-04", "at": ["1 MHz=12.1 mA", "2 MHz=20 mA", "4 MHz=36 mA"], "u": "0.2 mA",
         "limit": "60 mA", "limit_source": "data sheet", "supply": "5 V", "ambient": "23 C", "jig": "J1", "k": 2},
        ("bench", "current", "L0002-04", "--at", "1 MHz=12.1 mA", "--at", "2 MHz=20 mA", "--at", "4 MHz=36 mA", "--u",
         "0.2 mA", "--limit", "60 mA", "--limit-source", "data sheet", "--supply", "5 V", "--ambient", "23 C", "--jig",
         "J1", "--k", "2"),
        201,
    ),
    "clock": (
        "bench/clock",
        {"subject": "L0002-04", "at": ["2 MHz=pass", "2.5 MHz=pass", "3 MHz=fail"], "grade": "2 MHz"},
        ("bench", "clock", "L0002-04", "--at", "2 MHz=pass", "--at", "2.5 MHz=pass", "--at", "3 MHz=fail", "--grade",
         "2 MHz"),
        201,
    ),
    "clock, all pass": (
        "bench/clock",
        {"subject": "L0002-04", "at": ["2 MHz=pass", "3 MHz=pass"]},
        ("bench", "clock", "L0002-04", "--at", "2 MHz=pass", "--at", "3 MHz=pass"),
        201,
    ),
    "soak": (
        "bench/soak",
        {"subject": "L0002-04", "limit": "20 K", "limit_source": "own", "case": False,
         "at": [f"{m} min={22 + 15 * (1 - 0.8**m):.2f} C, 22 C" for m in range(0, 30, 2)]},
        ("bench", "soak", "L0002-04", "--limit", "20 K", "--limit-source", "own", "--open",
         *(word for m in range(0, 30, 2) for word in ("--at", f"{m} min={22 + 15 * (1 - 0.8**m):.2f} C, 22 C"))),
        201,
    ),
    "signature": (
        "bench/signature",
        {"subject": "L0002-04", "bytes": ["20 15", "20 15"], "maker": "Corvane"},
        ("bench", "signature", "L0002-04", "--bytes", "20 15", "--bytes", "20 15", "--maker", "Corvane"),
        201,
    ),
    "in-circuit": (
        "bench/in-circuit",
        {"subject": "L0001-01", "runs": True, "duration": "2 h", "checks": ["display=pass"], "board_before": ["1 A"],
         "board_after": ["0.8 A"]},
        ("bench", "in-circuit", "L0001-01", "--runs", "--for", "2 h", "--check", "display=pass",
         "--board-current-before", "1 A", "--board-current-after", "0.8 A"),
        201,
    ),
    "power": (
        "bench/power",
        {"subject": "M0001", "rails": ["5 V=1.2 A"], "mains_voltage": "230 V", "mains_current": "80 mA",
         "mains_power": "11 W"},
        ("bench", "power", "M0001", "--rail", "5 V=1.2 A", "--mains-voltage", "230 V", "--mains-current", "80 mA",
         "--mains-power", "11 W"),
        201,
    ),
    "datecode": (
        "datecode",
        {"markings": ["CV6522AP 8733 K2104", "nothing"], "maker": "Corvane", "by": "2020-01-01"},
        ("datecode", "CV6522AP 8733 K2104", "nothing", "--maker", "Corvane", "--by", "2020-01-01"),
        200,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRITE)
def test_what_is_recorded_is_told_as_the_command_tells_it(
    name: str,
    pages: Pages,
    prepared: Path,  # noqa: F811
    tmp_path: Path,
    lotproof: Lotproof,
) -> None:
    path, document, words, status = WRITE[name]
    told = pages.client.post(f"/api/{path}", json=document)
    assert told.status_code == status, told.text
    _as_described(pages, told)
    shutil.copytree(prepared, tmp_path / "other")
    where = () if words[0] == "datecode" else ("--workspace", str(tmp_path / "other"))
    printed = lotproof(*words, "--json", *where)
    if status == 422:
        assert printed.code == 2
        assert told.json() == {
            "schema": "lotproof.error/1",
            "what": printed.err.splitlines()[0].removeprefix("lotproof: "),
            "advice": printed.err.splitlines()[1].strip(),
        }
        return
    assert printed.code == 0, printed.err
    assert told.json() == printed.json
    if "location" in told.headers:
        assert pages.client.get(told.headers["location"]).status_code == 200
    assert ("location" in told.headers) == (path.startswith("bench") or path == "lots")
    here = lotproof("log", "--json").json["entries"][-1]
    if name not in ("datecode", "receive again"):
        there = lotproof("log", "--json", *where).json["entries"][-1]
        for one in (here, there):
            one.pop("at"), one.pop("hash"), one["said"].pop("key", None)  # each copy has a key of its own
        assert here == there
        assert here["operator"] == "Ida Brandt"


def test_one_member_says_who_did_it(pages: Pages) -> None:
    pages.client.post("/api/pieces/unfit", json={"piece": "L0001-01", "operator": "Tomas Hell"})
    assert pages.client.get("/api/log?limit=1").json()["entries"][0]["operator"] == "Tomas Hell"


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("lots/L9999", 404),
        ("pieces/L0001-99", 404),
        ("machines/M0099", 404),
        ("runs/B0099", 404),
        ("pieces?lot=L9999", 404),
        ("pieces?seller=nobody", 404),
        ("nothing", 404),
        ("lots/M0001", 422),
        ("pieces?disposition=bad", 422),
        ("pieces?limit=0", 422),
        ("pieces?sort=colour", 422),
        ("pieces?min_suspicion=nan", 422),
        ("recall", 422),
        ("recall?since=yesterday", 422),
        ("next?minutes=-5", 422),
    ],
)
def test_what_cannot_be_answered_is_said_in_one_document(path: str, status: int, pages: Pages) -> None:
    refused = pages.client.get(f"/api/{path}")
    assert refused.status_code == status
    if path != "nothing":
        _as_described(pages, refused)
    document = refused.json()
    assert document["schema"] == "lotproof.error/1"
    assert document["what"].endswith(".")
    assert set(document) == {"schema", "what", "advice"}


def test_a_member_that_nobody_knows_is_refused(pages: Pages) -> None:
    sent = {"pieces": ["L0002-04"], "decision": "accept", "reason": "fine", "resaon": "slip"}
    refused = pages.client.post("/api/pieces/decide", json=sent)
    assert (refused.status_code, "resaon" in refused.json()["what"]) == (422, True)


def test_the_second_of_two_is_told_what_the_first_said_and_may_confirm(pages: Pages) -> None:
    seen = pages.client.get("/api/log?limit=1").json()["entries"][0]["entry"]
    first = {"pieces": ["L0002-04"], "decision": "accept", "reason": "fine", "seen": seen, "operator": "Tomas Hell"}
    assert pages.client.post("/api/pieces/decide", json=first).status_code == 200
    second = {"piece": "L0002-04", "into": "M0001", "at": "U2", "seen": seen}
    told = pages.client.post("/api/pieces/fit", json=second)
    assert told.status_code == 409
    _as_described(pages, told)
    assert [(one["operator"], one["what"], one["why"]) for one in told.json()["events"]] == [
        ("Tomas Hell", "accepted", "fine")
    ]
    assert pages.client.get("/api/pieces/L0002-04").json()["disposition"] == "accepted"
    assert pages.client.post("/api/pieces/fit", json={**second, "seen": told.json()["entry"]}).status_code == 200


def test_the_page_of_the_api_names_everything_there_is(pages: Pages) -> None:
    text = pages.text("/api")
    for path in pages.client.get("/openapi.json").json()["paths"]:
        assert f"{path}<" in text or not path.startswith("/api/"), path
    assert 'href="/api/lots"' in text


def test_the_description_names_pages_and_scripts_from_elsewhere_are_not_there(pages: Pages) -> None:
    described = pages.client.get("/openapi.json").json()
    assert described["paths"]["/"]["get"]["tags"] == ["pages"]
    parameter = described["paths"]["/api/pieces/{piece}"]["get"]["parameters"][0]
    assert parameter["schema"]["pattern"] == "^[Ll][0-9]{1,9}-[0-9]{1,9}$"
    for off in ("/docs", "/redoc", "/docs/oauth2-redirect"):
        assert pages.get(off).status_code == 404
    json.dumps(described)
