"""Requests to the pages and the JSON API, through the application itself: addresses, queries, forms, JSON, cookies.

A case is written as HTTP writes a request: 'POST /api/lots?x=1', headers, an empty line, the body; TOKEN and COOKIE
stand for those of the session, KEY for the pass key. The header 'from' is the address asked from: from elsewhere than
this computer the door stands before everything. Every answer must be one below 500, and one from 400 on must have
changed nothing.
"""

import asyncio
import json
import re
from datetime import date
from typing import Any
from urllib.parse import quote

import anyio.to_thread
import fuzz_workshop
from fuzz_choices import Choices
from fuzz_deliveries import standing

from tracker.journal import head
from tracker.web import needs
from tracker.web.app import create_app
from tracker.web.settings import Settings

MODULES = ("tracker.web", "tracker.desk.fields", "tracker.desk.pieces", "tracker.desk.bench_entry", "python_multipart")
TODAY = date(2031, 4, 2)
PORT = 8437
PASS_KEY = "2345-6789-abcd-efgh"
_LEFT_OUT = ("/work/events", "/bench/live/")
"""What streams without an end, or opens instruments."""
_DOORS = (
    ("GET", "/door", ("to", "key"), ()),
    ("POST", "/door", (), ("key", "operator", "to")),
    ("GET", "/who", (), ()),
    ("POST", "/who", (), ("operator", "back")),
    ("GET", "/phone/code.svg", ("n",), ()),
)
"""What the description of the API leaves out: method, path, names of the query, names of the form."""
_MOST_ACTS = 40
_MOST_ROWS = 400
"""Beyond those the workshop came with: after a lot of 9999 chips was received every later case would be slow."""
_NAMES = {
    "lot": ("L0001", "L0002", "l2", "L0003", "L0001-01"),
    "piece": ("L0001-01", "L0001-02", "L0002-02", "L0002-04", "L0009-01"),
    "machine": ("M0001", "Laboratory counter Tellmark 220", "M0002"),
    "run": ("B0001", "B0002", "B0009"),
    "label": ("L0001", "L0002-02", "M0001", "B0001", "W0001"),
    "test": ("current", "clock", "soak", "signature", "curve", "power", "in-circuit", "none"),
    "sha256": ("0" * 64, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", "x"),
    "inspection": ("1", "2", "0", "99"),
    "task": ("W0001", "W1", "1"),
    "word": ("a", "0" * 32),
    "name": ("Quayside Surplus", "Fenwright Components"),
    "subject": ("L0002-04", "L0002-02", "L0001-01"),
    "decision": ("accept", "reject", "quarantine", "return"),
    "verdict": ("genuine", "not genuine", "withdraw", "pass"),
    "currents": ("9 mA", "10.2 mA"),
    "pairs": ("2 MHz=pass", "3 MHz=fail"),
    "limit": ("60 mA", "5", "0"),
    "rails": ("5 V=1.2 A", "12 V=0.4 A"),
    "quantity": ("1", "3", "0"),
    "markings": ("CV6522AP 8914", "8914"),
    "minutes": ("35", "1 h"),
    "part": ("CV6522AP", "KM4417"),
    "seller": ("Quayside Surplus", "Brackenridge"),
    "arrived": ("2031-04-01", "2031-04-03"),
    "currency": ("EUR",),
    "price": ("8.00",),
    "reason": ("measured", "an odd print"),
    "grounds": ("its maker says so",),
    "position": ("U12",),
    "lines": ("CV6522AP", "8914"),
    "table": ("pin,voltage [V],current [uA]\n1,0,0\n1,0.5,10\n1,0.6,100\n", "time_s,temp_c\n0,21\n60,30\n120,35\n"),
    "bytes": ("1E 95",),
    "seen": ("7", "0"),
    "key": ("KEY", "2345-6789-abcd-efgj", ""),
    "to": ("/lots", "//evil.example", "/a/../b", "javascript:1"),
    "operator": ("Mira Lenz", "Ida Brandt"),
    "n": ("0", "1", "-1"),
}  # fmt: skip
_ANY = ("", "1", "on", "x", "2031-04-02", "5 V", "L0001", "0.95")


class _House:
    """The application on a workspace, replaced once many acts were recorded."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.renew()
        described = [one for one in self._described() if not one[1].startswith(_LEFT_OUT)]
        self.places = described + [one for one in map(_as_described, _DOORS) for _ in range(4)]
        self.components = self.app.openapi()["components"]

    def renew(self) -> None:
        if hasattr(self, "app"):
            self.app.state.workspace.close()
        made = create_app(
            Settings(workspace=fuzz_workshop.fresh("pages"), operator="Ida Brandt", port=PORT, pass_key=PASS_KEY)
        )
        if hasattr(self, "app"):  # what is worked out of the routes is worked out once
            made.router.routes[:] = self.routes
        else:
            self.routes = list(made.router.routes)
            made.dependency_overrides[needs._today] = lambda: TODAY
        self.app, self.clock_s = made, 0.0
        made.state.tries.now = lambda: self.clock_s
        self.before, self.quiet = standing(made.state.workspace), 0
        self.acts, self.rows = self.before[0], _rows(self.before)
        status, headers, body = self.ask("GET", "/phone", [], b"")
        found = re.search(rb'name="lotproof-token" content="([^"]+)"', body)
        assert status == 200, body[:300]
        assert found
        self.token = found[1].decode()
        self.cookie = dict(headers)[b"set-cookie"].decode().split(";")[0]

    def _described(self) -> list[tuple[str, str, dict[str, Any]]]:
        paths = self.app.openapi()["paths"]
        return sorted(
            ((method.upper(), path, said) for path, one in paths.items() for method, said in one.items()),
            key=lambda one: one[:2],
        )

    def ask(
        self, method: str, target: str, headers: list[tuple[bytes, bytes]], body: bytes, client: str = "127.0.0.1"
    ) -> Any:
        """Send one request and return status, headers and body."""
        self.clock_s += 60  # whoever has to wait at the door waits for a few cases
        path, _, query = target.partition("?")
        from urllib.parse import unquote_to_bytes

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
            "path": unquote_to_bytes(path).decode("utf-8", "replace"), "raw_path": path.encode("latin-1", "replace"),
            "query_string": query.encode("latin-1", "replace"), "root_path": "", "client": (client, 50000),
            "server": ("127.0.0.1", PORT),
            "headers": [(b"host", f"127.0.0.1:{PORT}".encode()), *headers],
        }  # fmt: skip
        answered: dict[str, Any] = {"body": b""}
        sent = iter([{"type": "http.request", "body": body, "more_body": False}])

        async def receive() -> Any:
            return next(sent, {"type": "http.disconnect"})

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start":
                answered.update(status=message["status"], headers=message["headers"])
            else:
                answered["body"] += message.get("body", b"")

        self.loop.run_until_complete(self.app(scope, receive, send))
        return answered["status"], answered["headers"], answered["body"]


def _as_described(place: tuple[str, str, tuple[str, ...], tuple[str, ...]]) -> tuple[str, str, dict[str, Any]]:
    method, path, asked, form = place
    content = {"application/x-www-form-urlencoded": {"schema": {"properties": dict.fromkeys(form)}}}
    return (
        method,
        path,
        {"parameters": [{"in": "query", "name": name} for name in asked], "requestBody": {"content": content}},
    )


async def _here(function: Any, *given: Any, **_: Any) -> Any:
    """Stand in for a thread: nothing else happens meanwhile, and starting one takes longer than most pages."""
    return function(*given)


anyio.to_thread.run_sync = _here  # type: ignore[assignment]
_built: list[_House] = []


def _house() -> _House:
    if not _built:
        _built.append(_House())
    return _built[0]


def made(pick: Choices) -> bytes:
    """Return a request: mostly to something that is there, with most of it right."""
    house = _house()
    writes = [one for one in house.places if one[0] == "POST"]
    method, path, said = pick.one(writes if pick.often(65) else house.places)
    target = re.sub(r"\{(\w+)[^}]*\}", lambda found: quote(_word(pick, found[1]), safe=""), path)
    asked = [one["name"] for one in said.get("parameters", []) if one["in"] == "query" and pick.often(40)]
    if asked:
        target += "?" + "&".join(f"{quote(name)}={quote(_word(pick, name), safe='')}" for name in asked)
    if pick.often(4):
        target = pick.spoiled(target).replace("\n", "%0a").replace("\r", "%0d") or "/"
    another = quote(pick.odd().encode("utf-8", "replace")) if pick.often(3) else ""
    headers = [f"cookie: lotproof_session={another}" if another else "cookie: COOKIE"]
    if pick.often(12):
        headers = (
            headers
            if pick.often(50)
            else ["authorization: Bearer KEY" if pick.often(50) else "authorization: Bearer x"]
        )
        headers.append(f"from: {pick.one(('192.0.2.7', '192.0.2.8', '2001:db8::1', '127.0.0.2'))}")
    headers.append(f"accept: {pick.one(('text/html', 'application/json', '*/*'))}")
    body = b""
    content = said.get("requestBody", {}).get("content", {})
    if method == "POST":
        kind, schema = next(((kind, one["schema"]) for kind, one in content.items()), ("", {}))
        body, kind = _body(pick, kind, schema, house)
        headers.append(f"content-type: {kind}")
    if pick.often(3):
        headers.append(
            pick.one(
                (
                    "origin: null",
                    "origin: https://evil.example",
                    "sec-fetch-site: cross-site",
                    "range: bytes=0-5",
                    "if-none-match: *",
                    'if-none-match: "x"',
                    "accept-encoding: gzip",
                    "content-length: 9",
                )
            )
        )
    return f"{method} {target}\r\n".encode("utf-8", "replace") + "\r\n".join([*headers, "", ""]).encode() + body


def _word(pick: Choices, name: str) -> str:
    text = pick.one(_NAMES.get(name, _NAMES.get(name.rstrip("s"), _ANY)))
    return pick.spoiled(text).encode("utf-8", "replace").decode() if pick.often(6) else text


def _body(pick: Choices, kind: str, schema: dict[str, Any], house: _House) -> tuple[bytes, str]:
    if kind == "application/json":
        text = json.dumps(_value(pick, schema, "", house.components, 0))
        data = pick.spoiled(text).encode("utf-8", "replace") if pick.often(4) else text.encode()
        return (pick.bent(data) if pick.often(3) else data), kind
    fields = [(name, _word(pick, name)) for name in schema.get("properties", {}) if name != "token" and pick.often(70)]
    fields += [(name, _word(pick, name)) for name in _NAMES if pick.often(12)]
    fields.append(("token", "TOKEN" if pick.often(97) else pick.odd().encode("utf-8", "replace").decode()))
    if kind == "multipart/form-data" or pick.often(15):
        return _multipart(pick, fields), "multipart/form-data; boundary=b"
    text = "&".join(f"{quote(name)}={quote(value)}" for name, value in fields)
    return (pick.spoiled(text) if pick.often(4) else text).encode(
        "utf-8", "replace"
    ), "application/x-www-form-urlencoded"


def _multipart(pick: Choices, fields: list[tuple[str, str]]) -> bytes:
    parts = [f'Content-Disposition: form-data; name="{name}"\r\n\r\n{value}'.encode() for name, value in fields]
    for name in ("photos", "table", "file", "papers", "bag"):
        if pick.often(25):
            called = pick.one(("a.png", "t.csv", "bag.zip", "", "../../x", "\u202egnp.exe"))
            content = pick.one(
                (b"", b"x", b"clock_hz,current_a\n1,2\n", b"PK\x05\x06" + bytes(18), b"\x89PNG\r\n\x1a\n")
            )
            parts.append(f'Content-Disposition: form-data; name="{name}"; filename="{called}"\r\n'
                         "Content-Type: application/octet-stream\r\n\r\n".encode() + content)  # fmt: skip
    data = b"".join(b"--b\r\n" + part + b"\r\n" for part in parts) + b"--b--\r\n"
    return pick.bent(data) if pick.often(8) else data


def _value(pick: Choices, schema: dict[str, Any], name: str, components: dict[str, Any], deep: int) -> Any:
    """Return a value of a schema, sometimes of another kind."""
    if pick.often(2):
        return pick.one((None, 1, -1, 1e308, 2**70, True, [], {}, "", "\ud800", pick.text(), [[[]]], {"$ne": None}))
    while "$ref" in schema:
        schema = components["schemas"][schema["$ref"].rpartition("/")[2]]
    for several in ("anyOf", "oneOf", "allOf"):
        if several in schema:
            return _value(pick, pick.one(schema[several]), name, components, deep)
    if "enum" in schema:
        return pick.one(schema["enum"])
    kind = schema.get("type")
    if kind == "object" and deep < 4:
        needed = schema.get("required", [])
        return {
            key: _value(pick, one, key, components, deep + 1)
            for key, one in schema.get("properties", {}).items()
            if pick.often(96 if key in needed else 30)
        }
    if kind == "array":
        return [_value(pick, schema.get("items", {}), name, components, deep + 1) for _ in range(pick.whole(0, 3))]
    if kind in ("integer", "number"):
        return pick.one((1, 3, 0, -1, 9999, 2**53, 0.5, 1e300))
    return {"boolean": pick.often(50), "null": None}.get(str(kind), _word(pick, name))


def one_case(data: bytes) -> str:
    """Send a request."""
    house = _house()
    head, _, body = data.partition(b"\r\n\r\n")
    first, *lines = head.split(b"\r\n")
    method, _, target = first.partition(b" ")
    headers = [(name.lower(), value.strip()) for name, _, value in (line.partition(b":") for line in lines)]
    headers = [(name, value.replace(b"COOKIE", house.cookie.encode())) for name, value in headers]
    headers = [(name, value.replace(b"KEY", PASS_KEY.encode())) for name, value in headers]
    body = body.replace(b"TOKEN", house.token.encode()).replace(b"KEY", PASS_KEY.encode())
    client = dict(headers).get(b"from", b"127.0.0.1").decode("latin-1")
    target = target.replace(b"KEY", PASS_KEY.encode())
    status, answered, said = house.ask(
        method.decode("latin-1"), target.decode("utf-8", "replace"), headers, body, client
    )
    if client != "127.0.0.1":
        _at_the_door(dict(headers), target, status, dict(answered))
    assert 200 <= status < 500 or (status == 503 and b"damaged" in said), f"{first[:80]!r} answered {status}"
    names = {name for name, _ in answered}
    assert b"content-security-policy" in names
    assert not any(b"\n" in value or b"\r" in value for _, value in answered)
    if b"text/html" in dict(answered).get(b"content-type", b""):
        assert b"Traceback" not in said
    _unchanged(house, method, status)
    room = "api" if target.startswith(b"/api") else "page"
    return f"{room} {method.decode('latin-1')[:4]} {status}"


def _at_the_door(headers: dict[bytes, bytes], target: bytes, status: int, answered: dict[bytes, bytes]) -> None:
    """From elsewhere nothing is shown to whoever does not bring the pass key, but the door itself."""
    if target.startswith((b"/door", b"/static/")) or headers.get(b"authorization", b"").endswith(PASS_KEY.encode()):
        return
    assert status >= 400 or answered.get(b"location", b"").startswith(b"/door"), f"{target[:80]!r} was let in: {status}"


def _unchanged(house: _House, method: bytes, status: int) -> None:
    """Hold the head of the journal against the one before; now and then all rows and files."""
    if method in (b"GET", b"HEAD") or status >= 400:
        with house.app.state.workspace.read() as session:
            now = head(session)
        assert (now.entry, now.hash) == house.before[:2], f"{status} to {method!r} changed something"
        house.quiet += 1
        if house.quiet % 16 == 0:
            assert standing(house.app.state.workspace) == house.before, f"{status} to {method!r} left something"
        return
    house.before = standing(house.app.state.workspace)
    if house.before[0] > house.acts + _MOST_ACTS or _rows(house.before) > house.rows + _MOST_ROWS:
        house.renew()


def _rows(stood: tuple[Any, ...]) -> int:
    return sum(count for _, count in stood[2])


def close() -> None:
    """Remove what was written."""
    fuzz_workshop.remove()
