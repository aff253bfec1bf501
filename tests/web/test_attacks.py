"""Somebody means harm: what a hostile network, page, file or device may try, and what it gets."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_pages import Pages
from web_workshop import prepared, workshop  # noqa: F401

from tracker.web.app import COOKIE

KEY = "abcd-efgh-jkmn-pqrs"
FOREIGN = "192.0.2.66"  # RFC 5737: an address nobody has
JSON = {"content-type": "application/json"}
DECIDE = {"pieces": ["L0002-04"], "decision": "reject", "reason": "an attack"}


@pytest.fixture
def here(workshop: Path) -> Iterator[Pages]:  # noqa: F811
    """Give the pages as this computer sees them."""
    pages = Pages(workshop, pass_key=KEY)
    yield pages
    pages.close()


@pytest.fixture
def away(workshop: Path) -> Iterator[Pages]:  # noqa: F811
    """Give the pages as another device sees them."""
    pages = Pages(workshop, FOREIGN, pass_key=KEY)
    yield pages
    pages.close()


def _entries(pages: Pages) -> int:
    with pages.app.state.workspace.read() as session:
        from tracker.journal import head

        return head(session).entry


# Paths


STEPS = (
    "..%2f..%2f..%2f..%2fetc%2fpasswd",
    "%2e%2e%2f%2e%2e%2f%2e%2e%2fetc%2fpasswd",
    "..%252f..%252f..%252fetc%252fpasswd",
    "..%5c..%5c..%5cwindows%5cwin.ini",
    "..%c0%af..%c0%afetc%c0%afpasswd",
    "%00",
    "lotproof.css%00.svg",
    "%ff%fe",
    "....//....//etc/passwd",
    "/etc/passwd",
    "%2fetc%2fpasswd",
    "L0001%0d%0aSet-Cookie:%20a=b",
    "\u202e1000L",
)


@pytest.mark.parametrize("step", STEPS)
def test_no_path_leads_out(step: str, here: Pages) -> None:
    for room in ("/static/", "/lots/", "/pieces/", "/machines/", "/runs/", "/pictures/", "/bench/current/", "/dossier/",
                 "/api/lots/", "/api/pieces/", "/api/runs/", "/api/machines/"):  # fmt: skip
        answer = here.client.get(room + step)
        assert answer.status_code in (400, 404, 405, 422), (room, step, answer.status_code)
        assert "root:" not in answer.text
        assert "set-cookie" not in {name for name in answer.headers if "a=b" in answer.headers[name]}


# Foreign pages in one's own browser (CSRF), foreign names (DNS rebinding)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({**JSON, "origin": "https://evil.example"}, 403),
        ({**JSON, "origin": "null"}, 403),
        ({**JSON, "origin": "http://127.0.0.1:8437.evil.example"}, 403),
        ({**JSON, "origin": "http://127.0.0.1:1"}, 403),
        ({**JSON, "origin": "https://127.0.0.1:8437"}, 403),
        ({**JSON, "sec-fetch-site": "cross-site"}, 403),
        ({**JSON, "sec-fetch-site": "same-site"}, 403),
        ({"content-type": "text/plain"}, 415),
        ({"content-type": "application/x-www-form-urlencoded"}, 415),
        ({"content-type": "multipart/form-data; boundary=x"}, 415),
        ({"content-type": "text/plain; application/json"}, 415),
        ({}, 415),
    ],
)
def test_a_foreign_page_changes_nothing_by_the_api(headers: dict[str, str], status: int, here: Pages) -> None:
    before = _entries(here)
    sent = here.client.post("/api/pieces/decide", content=json.dumps(DECIDE), headers=headers)
    assert sent.status_code == status
    assert _entries(here) == before
    own = {**JSON, "origin": "http://127.0.0.1:8437", "sec-fetch-site": "same-origin"}
    assert here.client.post("/api/pieces/decide", content=json.dumps(DECIDE), headers=own).status_code == 200


def test_no_other_site_is_allowed_to_send_json(here: Pages) -> None:
    asked = {
        "origin": "https://evil.example",
        "access-control-request-method": "POST",
        "access-control-request-headers": "content-type",
    }
    answer = here.client.options("/api/pieces/decide", headers=asked)
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control")]
    read = here.client.get("/api/lots", headers={"origin": "https://evil.example"})
    assert not [name for name in read.headers if name.startswith("access-control")]


@pytest.mark.parametrize("token", [None, "", "guess", "é"])
def test_a_session_alone_changes_nothing_without_its_token(token: str | None, away: Pages) -> None:
    away.client.post("/door", data={"key": KEY})
    before = _entries(away)
    headers = {} if token is None else {"x-lotproof-token": token.encode("latin-1")}
    sent = away.client.post("/api/pieces/decide", json=DECIDE, headers=headers)  # type: ignore[arg-type]
    assert (sent.status_code, _entries(away)) == (403, before)
    right = {"x-lotproof-token": away.client.get("/api/token").json()["token"]}
    assert away.client.post("/api/pieces/decide", json=DECIDE, headers=right).status_code == 200


def test_the_token_of_another_session_is_none(away: Pages, here: Pages) -> None:
    away.client.post("/door", data={"key": KEY})
    foreign = {"x-lotproof-token": here.client.get("/api/token").json()["token"]}
    assert away.client.post("/api/pieces/decide", json=DECIDE, headers=foreign).status_code == 403


def test_made_up_authorization_does_not_replace_the_token(here: Pages) -> None:
    for said in ("Basic eDp5", "Bearer wrong", "Bearer", "x"):
        sent = here.client.post("/who", data={"operator": "X"}, headers={"authorization": said})
        assert sent.status_code == 403, said


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8437", "127.0.0.1.evil.example", "", "127.0.0.1@evil.example", "[::1", "0.0.0.0",
     "127.0.0.1:8437, evil.example", "2130706433", "127.1"],
)  # fmt: skip
def test_a_foreign_name_is_answered_with_nothing(host: str, here: Pages) -> None:
    for path in ("/", "/api/lots", "/openapi.json", "/static/lotproof.css"):
        answer = here.client.get(path, headers={"host": host})
        assert answer.status_code == 421
        assert "L0001" not in answer.text
    assert here.client.post("/api/pieces/decide", json=DECIDE, headers={"host": host}).status_code == 421


def test_another_device_that_calls_itself_localhost_is_not_let_in(away: Pages) -> None:
    for headers in (
        {"host": "localhost"},
        {"x-forwarded-for": "127.0.0.1"},
        {"forwarded": "for=127.0.0.1"},
        {"x-real-ip": "127.0.0.1"},
    ):
        assert away.client.get("/api/lots", headers=headers).status_code == 401


# The pass key


def test_the_key_lets_scripts_in_without_a_session(away: Pages) -> None:
    assert away.client.get("/api/lots").status_code == 401
    assert away.client.get("/api/lots").json()["schema"] == "lotproof.error/1"
    right = {"authorization": f"Bearer {KEY}"}
    assert away.client.get("/api/lots", headers=right).status_code == 200
    assert away.client.post("/api/pieces/decide", json=DECIDE, headers=right).status_code == 200
    assert away.client.get("/openapi.json").status_code == 401


def test_trying_keys_is_slowed_down_and_does_not_lock_out_this_computer(away: Pages) -> None:
    clock = [0.0]
    away.app.state.tries.now = lambda: clock[0]
    answers = [away.client.get("/api/lots", headers={"authorization": f"Bearer wrong-{number}"}) for number in range(6)]
    assert [one.status_code for one in answers] == [401] * 4 + [429] * 2
    assert 1 <= int(answers[-1].headers["retry-after"]) <= 3
    right = {"authorization": f"Bearer {KEY}"}
    assert away.client.get("/api/lots", headers=right).status_code == 429
    form = away.client.post("/door", data={"key": KEY})
    assert (form.status_code, "retry-after" in form.headers) == (429, True)
    here = away.client.__class__(away.app, base_url="http://127.0.0.1:8437", client=("127.0.0.1", 5))
    assert here.get("/api/lots").status_code == 200
    assert here.post("/api/pieces/decide", json=DECIDE).status_code == 200
    clock[0] += 3
    assert away.client.get("/api/lots", headers=right).status_code == 200


def test_a_day_of_trying_yields_about_a_hundred_keys(away: Pages) -> None:
    clock, tried = [0.0], 0
    tries = away.app.state.tries
    tries.now = lambda: clock[0]
    while clock[0] < 86_400:
        clock[0] += tries.wait_s(FOREIGN)
        tries.wrong(FOREIGN)
        tried += 1
    assert tried < 120


@pytest.mark.parametrize("key", ["", " ", KEY[:-1], KEY + "x", KEY[::-1], "\x00", "é", "a" * 100_000])
def test_a_wrong_key_is_wrong(key: str, away: Pages) -> None:
    assert away.client.post("/door", data={"key": key}).status_code == 403
    assert away.client.get("/api/lots").status_code == 401


# The session cookie


def _cookie(pages: Pages) -> str:
    return str(pages.client.cookies[COOKIE])


def test_a_cookie_that_was_changed_lets_nobody_in(away: Pages) -> None:
    away.client.post("/door", data={"key": KEY})
    right = _cookie(away)
    assert away.client.get("/api/lots").status_code == 200
    payload, stamp, signature = right.rpartition(".")[0].partition(".")[0], *right.split(".")[1:]
    broken = [
        # Not the last sign: of its six bits two are beyond the signature's 160 and stand for nothing.
        right[:-2] + ("A" if right[-2] != "A" else "B") + right[-1],
        right[1:],
        f"{payload[::-1]}.{stamp}.{signature}",
        f"{payload}.{stamp}.",
        payload,
        "",
        "x" * 4000,
        "..",
    ]
    away.client.cookies.clear()
    for cookie in broken:
        answer = away.client.get("/api/lots", headers={"cookie": f"{COOKIE}={cookie}"})
        assert answer.status_code == 401, cookie


def test_a_cookie_signed_with_another_secret_lets_nobody_in(away: Pages, prepared: Path, tmp_path: Path) -> None:  # noqa: F811
    import shutil

    shutil.copytree(prepared, tmp_path / "mine")
    mine = Pages(tmp_path / "mine", FOREIGN, pass_key=KEY, secret=b"of my own" * 4)
    mine.client.post("/door", data={"key": KEY})
    answer = away.client.get("/api/lots", headers={"cookie": f"{COOKIE}={_cookie(mine)}"})
    assert answer.status_code == 401


def test_a_session_ends(away: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    away.client.post("/door", data={"key": KEY})
    kept = {"cookie": f"{COOKIE}={_cookie(away)}"}
    assert away.client.get("/api/lots", headers=kept).status_code == 200
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + away.settings.session_s + 5)
    away.client.cookies.clear()
    assert away.client.get("/api/lots", headers=kept).status_code == 401


def test_the_cookie_is_kept_from_scripts_and_other_sites(away: Pages) -> None:
    said = away.client.post("/door", data={"key": KEY}).headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=lax" in said
    secure = Pages(Path(away.settings.workspace or ""), FOREIGN, pass_key=KEY, secure=True)
    assert "secure" in secure.client.post("/door", data={"key": KEY}).headers["set-cookie"].lower()


def test_what_is_said_once_never_breaks_the_cookie(here: Pages) -> None:
    for name in ("Ж" * 80, "漢" * 80, "\U0001f9ea" * 80, "a" * 80):
        assert here.post("/who", {"operator": name}).status_code == 303
        assert len(_cookie(here)) < 4000  # RFC 6265, 6.1: at least 4096 bytes with its name and attributes
    assert here.get("/").status_code == 200


# Headers


@pytest.mark.parametrize("name", ["A\r\nSet-Cookie: x=y", "A\nB", "A\x00B", "A\u2028B", "A\u202eB", "A\x1b[31mB"])
def test_no_line_of_ours_is_broken(name: str, here: Pages) -> None:
    before = _entries(here)
    who = here.post("/who", {"operator": name})
    named = here.client.post("/api/lots", json={"seller": name, "part": "X1", "quantity": 1})
    acted = here.client.post("/api/pieces/decide", json={**DECIDE, "operator": name})
    for answer in (who, named, acted):
        assert "x=y" not in str(answer.headers)
    joined = {"A\nB", "A\r\nSet-Cookie: x=y", "A\u2028B"}  # white space in a line is one space
    assert named.status_code == (201 if name in joined else 422)
    assert _entries(here) - before == (2 if name in joined else 0)


@pytest.mark.parametrize(
    "to",
    [
        "//evil.example",
        "https://evil.example",
        "/%0d%0aX:y",
        "/\r\nX: y",
        "/\\evil.example",
        "\\\\evil",
        "javascript:x",
    ],
)
def test_no_page_leads_elsewhere(to: str, away: Pages) -> None:
    for sent, place in (
        (away.client.post("/door", data={"key": KEY, "to": to}), "/"),
        (away.client.get("/door", params={"key": KEY, "to": to}), "/who"),
        (away.post("/who", {"operator": "X", "back": to}), "/"),
    ):
        assert sent.headers["location"] == place


# What is sent


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"[" * 200_000, 400),
        (b'{"a":' * 100_000, 400),
        (b'{"piece": NaN}', 422),
        (b'{"subject": "L0002-04", "currents": ["9 mA"], "k": NaN}', 422),
        (b'{"subject": "L0002-04", "currents": ["9 mA"], "k": Infinity}', 422),
        (b'{"subject": "L0002-04", "currents": ["9 mA"], "k": 1e999}', 422),
        (b'{"subject": "L0002-04", "currents": ["9 mA"], "k": ' + b"9" * 6000 + b"}", 400),
        (b'{"subject": "L0002-04", "currents": ["1e999 A"]}', 422),
        (b'{"subject": "L0002-04", "currents": ["nan A"]}', 422),
        (b'{"subject": "L0002-04", "currents": ["inf A"]}', 422),
        (b'{"subject": "\\ud800", "currents": ["9 mA"]}', 422),
        (b'{"subject": "L0002-04", "currents": ["9 mA"], "jig": "a\\u0000b"}', 422),
        (b'{"subject": "L0002-04", "currents": ' + json.dumps(["9 mA"] * 20_000).encode() + b"}", 422),
        (b"\xff\xfe{}", 400),
        (b"", 422),
        (b"null", 422),
        (b'"L0002-04"', 422),
        (b'{"subject": {"$ne": null}}', 422),
    ],
    ids=lambda value: str(value)[:40],
)
def test_json_that_means_harm_is_refused(body: bytes, status: int, here: Pages) -> None:
    before = _entries(here)
    for path in ("/api/bench/current", "/api/pieces/unfit"):
        answer = here.client.post(path, content=body, headers=JSON)
        assert answer.status_code in (status, 422), answer.text
        assert answer.json()["schema"] == "lotproof.error/1"
    assert _entries(here) == before


@pytest.mark.parametrize("seen", [-(2**70), -1, 2**63, 2**70])
def test_entry_numbers_beyond_reason_break_nothing(seen: int, here: Pages) -> None:
    answer = here.client.post("/api/pieces/decide", json={**DECIDE, "pieces": ["L0002-03"], "seen": seen})
    assert answer.status_code == (409 if seen < 0 else 200)


@pytest.mark.parametrize("kind", ["fields", "files", "headers"])
def test_a_form_of_many_parts_is_refused(kind: str, here: Pages) -> None:
    token = here.token
    before = here.client.get("/").text
    if kind == "fields":
        sent = here.client.post("/who", data={"token": token, **{f"a{number}": "" for number in range(5000)}})
    elif kind == "files":
        sent = here.client.post("/who", data={"token": token}, files=[("f", ("a.png", b"x"))] * 500)
    else:
        part = "".join(f"X-{number}: y\r\n" for number in range(20_000))
        body = f'--b\r\nContent-Disposition: form-data; name="operator"\r\n{part}\r\nX\r\n--b--\r\n'
        sent = here.client.post(
            "/who", content=body.encode(), headers={"content-type": "multipart/form-data; boundary=b"}
        )
    assert sent.status_code in (400, 403, 422), sent.text
    assert here.client.get("/").text == before


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "TRACE", "CONNECT", "PROPFIND"])
def test_other_methods_do_nothing(method: str, here: Pages) -> None:
    for path in ("/", "/api/lots", "/api/lots/L0001", "/static/lotproof.css"):
        answer = here.client.request(method, path, headers={"x-http-method-override": "POST"})
        assert answer.status_code == 405
    override = here.client.get("/api/pieces/decide", headers={"x-http-method-override": "POST"})
    assert override.status_code in (404, 405, 422)


def test_an_error_of_ours_tells_nothing_of_the_inside(here: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise RuntimeError("secret /home/ida/keys")

    monkeypatch.setattr("tracker.web.pages.api.lists.listed", broken)
    quiet = here.client.__class__(
        here.app, base_url="http://127.0.0.1:8437", client=("127.0.0.1", 5), raise_server_exceptions=False
    )
    answer = quiet.get("/api/lots")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.json()["schema"] == "lotproof.error/1"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
