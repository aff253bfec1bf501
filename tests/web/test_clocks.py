"""Clocks that are set: sessions and wrong keys at the door, and the day it is where the workshop is."""

import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from web_pages import Pages

from tracker.desk import kept_copy
from tracker.desk.arrival import check_arrival
from tracker.desk.due import due_page
from tracker.desk.receive import receive
from tracker.desk.workspace import Workspace
from tracker.web import needs
from tracker.web.door import Tries

KEY = "abcd-efgh-jkmn-pqrs"
HOUR, DAY, YEAR = 3600, 24 * 3600, 365 * 24 * 3600


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Set the clock by which sessions are signed, in seconds from now."""

    def stands(ahead: float) -> None:
        monkeypatch.setattr("itsdangerous.timed.time", SimpleNamespace(time=lambda: time.time() + ahead))

    return stands


@pytest.fixture
def let_in(tmp_path: Path) -> Pages:
    """Give the pages to another device of the network that has the key, with a name said."""
    pages = Pages(tmp_path / "w", "192.0.2.9", pass_key=KEY)
    assert pages.client.post("/door", data={"key": KEY, "operator": "Tomas Hell"}).status_code == 303
    return pages


@pytest.mark.parametrize("ahead", [-23 * HOUR, -HOUR, -1, HOUR, 13 * DAY])
def test_a_session_goes_on_when_the_clock_is_set_by_little(
    let_in: Pages, clock: Callable[[float], None], ahead: float
) -> None:
    """Also where summer time was set by hand: an hour."""
    clock(ahead)
    assert "Tomas Hell" in let_in.text("/")


@pytest.mark.parametrize(("ahead", "why"), [(-YEAR, "was set back"), (YEAR, "last used too long ago")])
def test_a_session_from_another_time_ends_with_a_word(
    let_in: Pages, clock: Callable[[float], None], ahead: float, why: str
) -> None:
    clock(ahead)
    sent = let_in.get("/lots")
    assert (sent.status_code, sent.headers["location"]) == (303, "/door?to=/lots")
    said = let_in.text("/door?to=/lots")
    assert "session has ended" in said
    assert why in said
    # The key opens the next one, by the clock as it is now.
    assert let_in.client.post("/door", data={"key": KEY}).status_code == 303
    assert let_in.get("/lots").status_code == 200


def test_a_form_of_a_session_from_another_time_is_refused_with_a_word(
    let_in: Pages, clock: Callable[[float], None]
) -> None:
    clock(-YEAR)
    posted = let_in.client.post("/who", data={"operator": "X"})
    assert posted.status_code == 401
    assert "was set back" in posted.text
    assert "type the pass key" in posted.text


def test_a_session_opened_under_a_clock_far_ahead_does_not_outlive_it(
    tmp_path: Path, clock: Callable[[float], None]
) -> None:
    clock(YEAR)
    pages = Pages(tmp_path / "w", "192.0.2.9", pass_key=KEY)
    pages.client.post("/door", data={"key": KEY})
    assert pages.get("/").status_code == 200
    for now in (0.0, YEAR + 15 * DAY):
        clock(now)
        assert pages.get("/").status_code == 303


def test_who_was_never_let_in_is_told_of_no_session(tmp_path: Path, clock: Callable[[float], None]) -> None:
    pages = Pages(tmp_path / "w", "192.0.2.9", pass_key=KEY)
    pages.text("/door")
    clock(YEAR)
    assert "session has ended" not in pages.text("/door")
    forged = Pages(tmp_path / "w", "192.0.2.9", pass_key=KEY)
    forged.client.cookies.set("lotproof_session", "eyJpbiI6IDF9.aaaaaa.bbbbbbbbbbbbbbbbbbbbbbbbbbb")
    assert "session has ended" not in forged.text("/door")


def test_on_this_computer_a_form_from_before_the_clock_was_set_says_so(
    tmp_path: Path, clock: Callable[[float], None]
) -> None:
    pages = Pages(tmp_path / "w")
    form = {"operator": "Tomas Hell", "token": pages.token}
    clock(-60)
    assert pages.client.post("/who", data=form).status_code == 303
    clock(-YEAR)
    late = pages.client.post("/who", data=form)
    assert late.status_code == 403
    assert "This form is too old" in late.text


def test_a_wrong_key_waits_however_the_clock_is_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries = Tries()
    for _ in range(8):
        tries.wrong("192.0.2.9")
    before = tries.wait_s("192.0.2.9")
    for ahead in (-YEAR, YEAR):
        true = time.time()
        with monkeypatch.context() as patch:
            patch.setattr(time, "time", lambda true=true, ahead=ahead: true + ahead)
            assert before - 1 < tries.wait_s("192.0.2.9") <= before


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Have the workshop be in another time zone."""

    def lies(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield lies
    monkeypatch.undo()
    time.tzset()


# POSIX names an offset by what is added to reach UTC: -14 lies 14 hours ahead. The two never have the same day.
EARLIEST, LATEST = "AAA-14", "BBB+12"


def test_days_left_are_counted_by_the_day_where_the_workshop_is(tmp_path: Path, zone: Callable[[str], None]) -> None:
    pages = Pages(tmp_path / "w")
    zone(EARLIEST)
    day = needs._today()
    last = {"claim_by": str(day + timedelta(days=3)), "source": "marketplace"}
    given = {"seller": "Quayside Surplus", "part": "CV6522AP", "quantity": "1", "arrived": str(day), **last}
    workspace: Workspace = pages.app.state.workspace
    receive(workspace, [check_arrival(given, [], today=day)], operator="Ida Brandt")

    def left() -> list[int]:
        return [one.days_left for one in due_page(workspace, today=needs._today()).due]

    assert left() == [3]
    assert "3 days" in pages.text("/due")
    zone(LATEST)
    # The same instant, where it is still the day before or the one before that.
    earlier = (day - needs._today()).days
    assert earlier in (1, 2)
    assert left() == [3 + earlier]
    assert f"{3 + earlier} days" in pages.text("/due")


def test_a_result_that_was_kept_under_a_clock_far_ahead_is_old(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Else it would not be worked out anew before that time has come."""
    kept = tmp_path / "kept"
    kept.write_text('{"entry": 1, "hash": "a"}\n', encoding="utf-8")
    monkeypatch.setattr(kept_copy, "place_of", lambda session, ending: kept)
    monkeypatch.setattr(kept_copy.journal, "head", lambda session: kept_copy.Head(2, "b"))
    now = kept.stat().st_mtime
    assert not kept_copy.is_old(None, "x", HOUR, now + 60)
    assert kept_copy.is_old(None, "x", HOUR, now + HOUR)
    assert kept_copy.is_old(None, "x", HOUR, now - YEAR)
