"""Who may come in, and what every answer carries."""

from pathlib import Path

import pytest
from web_pages import Pages

KEY = "abcd-efgh-jkmn-pqrs"


@pytest.fixture
def away(tmp_path: Path) -> Pages:
    """Give the pages as another device in the network sees them."""
    return Pages(tmp_path / "w", "192.0.2.9", pass_key=KEY)


def test_this_computer_needs_no_key(tmp_path: Path) -> None:
    assert "Today" in Pages(tmp_path / "w").text("/")


def test_a_foreign_host_name_is_refused(tmp_path: Path) -> None:
    assert Pages(tmp_path / "w").get("/", headers={"host": "rebound.example"}).status_code == 421


def test_another_device_is_sent_to_the_door_and_let_in_with_the_key(away: Pages) -> None:
    sent = away.get("/")
    assert (sent.status_code, sent.headers["location"]) == (303, "/door?to=/")
    assert away.client.post("/door", data={"key": "wrong"}).status_code == 403
    assert away.get("/").status_code == 303
    entered = away.client.post("/door", data={"key": KEY.upper().replace("-", " "), "operator": "Tomas Hell"})
    assert entered.status_code == 303
    assert "Tomas Hell" in away.text("/")


def test_a_mistyped_key_does_not_cost_the_name(away: Pages) -> None:
    again = away.client.post("/door", data={"key": "wrong", "operator": 'Tomas "<b>Hell'})
    assert 'value="Tomas &#34;&lt;b&gt;Hell"' in again.text


def test_the_qr_code_lets_in(away: Pages) -> None:
    assert away.get(f"/door?key={KEY}").headers["location"] == "/who"
    assert "Who is at this device?" in away.text("/who")
    assert away.post("/who", {"operator": "Tomas Hell", "back": "/"}).headers["location"] == "/"
    assert "Tomas Hell" in away.text("/")


def test_wrong_keys_have_to_wait_and_this_computer_does_not(away: Pages) -> None:
    for _ in range(5):
        away.client.post("/door", data={"key": "wrong"})
    late = away.client.post("/door", data={"key": KEY})
    assert late.status_code == 429
    assert int(late.headers["retry-after"]) >= 1
    away.app.state.tries.right("192.0.2.9")
    assert away.client.post("/door", data={"key": KEY}).status_code == 303


def test_a_new_key_ends_the_sessions_of_the_old_one(tmp_path: Path) -> None:
    first = Pages(tmp_path / "w", "192.0.2.9", pass_key=KEY, secret=b"s" * 32)
    first.client.post("/door", data={"key": KEY})
    second = Pages(tmp_path / "w", "192.0.2.9", pass_key="2345-6789-abcd-efgh", secret=b"s" * 32)
    second.client.cookies = first.client.cookies
    assert second.get("/").status_code == 303


@pytest.mark.parametrize("to", ["//evil.example", "https://evil.example/", "/\\evil.example", "/a\r\nX: y"])
def test_the_door_leads_nowhere_else(away: Pages, to: str) -> None:
    assert away.client.post("/door", data={"key": KEY, "to": to}).headers["location"] == "/"


def test_a_form_without_its_token_changes_nothing(tmp_path: Path) -> None:
    pages = Pages(tmp_path / "w")
    pages.text("/")
    assert pages.client.post("/who", data={"operator": "X"}).status_code == 403
    assert pages.client.post("/who", data={"operator": "X", "token": "guess"}).status_code == 403
    foreign = pages.post("/who", {"operator": "X"}, headers={"origin": "https://evil.example"})
    assert foreign.status_code == 403
    assert "Ida Brandt" in pages.text("/")
    assert pages.post("/who", {"operator": "Tomas Hell"}).status_code == 303
    assert "Tomas Hell stands in the journal" in pages.text("/")
    assert "stands in the journal" not in pages.text("/")


def test_every_answer_is_guarded(tmp_path: Path) -> None:
    pages = Pages(tmp_path / "w")
    for path, status in (("/", 200), ("/nothing", 404), ("/lots/L9999", 404), ("/static/lotproof.css", 200)):
        answer = pages.get(path)
        assert answer.status_code == status
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_page_that_has_not_changed_is_not_sent_again(tmp_path: Path) -> None:
    pages = Pages(tmp_path / "w")
    pages.text("/")
    tag = pages.get("/").headers["etag"]
    again = pages.get("/", headers={"if-none-match": tag})
    assert (again.status_code, again.content) == (304, b"")


def test_too_much_is_refused_before_it_is_read(tmp_path: Path) -> None:
    pages = Pages(tmp_path / "w")
    assert pages.client.post("/who", content=b"x" * 1_100_000).status_code == 413

    def pieces() -> object:
        for _ in range(40):
            yield b"x" * 50_000

    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert pages.client.post("/who", content=pieces(), headers=kind).status_code == 413


def test_large_pages_are_packed_for_who_takes_that(tmp_path: Path) -> None:
    pages = Pages(tmp_path / "w")
    pages.text("/")
    packed = pages.get("/", headers={"accept-encoding": "gzip"})
    plain = pages.get("/", headers={"accept-encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert packed.text == plain.text
    assert packed.headers["etag"] != plain.headers["etag"]
    assert int(packed.headers["content-length"]) < len(plain.content) / 2
    again = pages.get("/", headers={"accept-encoding": "gzip", "if-none-match": packed.headers["etag"]})
    assert again.status_code == 304
