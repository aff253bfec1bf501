"""Deciding, settling, declaring, fitting: good, wrong, hostile, sent twice, and two people at one piece."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from stock import TODAY, a_lot
from web_pages import Pages
from web_workshop import prepared, workshop  # noqa: F401

from tracker.desk.decide import decide
from tracker.desk.log import read_log
from tracker.desk.showing import PieceShown, show
from tracker.judgement.suspicion import percent

HOSTILE = '<img src=x onerror="alert(1)">'


@pytest.fixture
def pages(workshop: Path) -> Pages:  # noqa: F811
    """Give the pages of the workshop, on the day its lots arrived."""
    return Pages(workshop, today=TODAY)


def piece(pages: Pages, label: str) -> PieceShown:
    found = show(pages.app.state.workspace, label)
    assert isinstance(found, PieceShown)
    return found


def entries(pages: Pages) -> int:
    return read_log(pages.app.state.workspace).found


def filled(pages: Pages, path: str, **values: Any) -> dict[str, Any]:
    """Return a form as its page has it, with what is typed into it."""
    text = pages.text(path)
    hidden: dict[str, Any] = {}
    for name, value in re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', text):
        if name in ("once", "seen"):
            hidden[name] = value
        elif name == "piece":
            hidden.setdefault("piece", []).append(value)
    return {**hidden, **values}


def send(pages: Pages, path: str, form: dict[str, Any]) -> Any:
    return pages.post(path.partition("?")[0], form)


def test_the_form_shows_what_is_thought_of_the_piece(pages: Pages) -> None:
    text = pages.text("/decide?piece=L0001-02")
    known = piece(pages, "L0001-02")
    assert known.summary.suspicion is not None
    assert f"<b>{percent(known.summary.suspicion)}</b>" in text
    strongest = max((line for line in known.sum if line.kind == "finding"), key=lambda line: line.weight_db)
    assert strongest.text in text
    assert "rejected" in text
    assert "with a failed bench test" in text.lower()


def test_several_pieces_are_decided_in_one_entry(pages: Pages) -> None:
    path, before = "/decide?piece=L0002-01&piece=L0002-04", entries(pages)
    answer = send(pages, path, filled(pages, path, decision="quarantine", reason="waits for a bench test"))
    assert (answer.status_code, answer.headers["location"]) == (303, "/lots/L0002")
    assert [piece(pages, f"L0002-0{n}").summary.disposition for n in (1, 4)] == ["quarantined"] * 2
    assert entries(pages) == before + 1
    assert "2 pieces quarantined: L0002-01, L0002-04." in pages.text("/")


def test_a_run_of_pieces_and_a_lot_can_be_named(pages: Pages) -> None:
    for query, words in (
        ("piece=L0002-02..04", "L0002-02..04"),
        ("piece=L0002", "L0002-01..04"),
        ("piece=l2-3", "L0002-03"),
        ("piece=L0002-04&piece=L0002-01,L0002-02", "L0002-04 L0002-01..02"),
    ):
        assert f'name="piece" value="{words}"' in pages.text(f"/decide?{query}")


def test_a_large_lot_is_decided_whole(pages: Pages) -> None:
    """More pieces than a form may have fields: they travel as runs."""
    a_lot(pages.app.state.workspace, order="B-1", quantity=900, received=900)
    odd = "&".join(f"piece=L0003-{number:02d}" for number in range(1, 900, 2))
    for path, count in (("/decide?piece=L0003", 900), (f"/decide?{odd}", 450)):
        form = filled(pages, path, decision="quarantine", reason="waits")
        assert send(pages, path, form).status_code == 303
        assert f"{count} pieces quarantined" in pages.text("/")


def test_too_many_words_are_refused_and_not_cut(pages: Pages) -> None:
    words = " ".join(["L0002-01"] * 2001)
    answer = pages.post("/decide", {"piece": words, "decision": "reject", "reason": "x"})
    assert answer.status_code == 422
    assert "More than 2000 pieces are named." in answer.text


def test_who_goes_back_and_changes_a_form_is_heard(pages: Pages) -> None:
    path = "/decide?piece=L0002-04"
    form = filled(pages, path, decision="quarantine", reason="waits")
    send(pages, path, form)
    assert send(pages, path, form).status_code == 303
    assert "This form came twice. It was carried out once." in pages.text("/")
    other = send(pages, path, {**form, "decision": "accept", "reason": "passed"})
    assert other.status_code == 409, "the first word was said since the page was made"
    assert send(pages, path, {**form, "decision": "accept", "reason": "passed", "seen": ""}).status_code == 303


def test_without_a_piece_the_form_asks_for_one(pages: Pages) -> None:
    form = filled(pages, "/decide", piece="L0002-04", decision="reject", reason="bent")
    assert send(pages, "/decide", form).headers["location"] == "/pieces/L0002-04"


def test_a_return_is_proved_by_its_carrier(pages: Pages) -> None:
    path = "/decide?piece=L0001-02"
    form = filled(pages, path, decision="return", reason="claim", carrier="Parcel Line")
    answer = send(pages, path, form)
    assert answer.status_code == 422
    assert "The carrier&#39;s reference is missing." in answer.text
    assert re.search(r'value="return" required checked', answer.text)
    form |= {"tracking": "PL 4711", "once": ""}
    assert send(pages, path, form).status_code == 303
    assert any("Parcel Line, reference PL 4711" in one.what for one in piece(pages, "L0001-02").events)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"decision": "", "reason": "x"}, "No decision was chosen."),
        ({"decision": "burn", "reason": "x"}, "The decision is &#39;burn&#39;."),
        ({"decision": "accept", "reason": ""}, "The reason is empty."),
        ({"decision": "accept", "reason": "x", "carrier": "y"}, "A carrier goes with a return"),
        ({"decision": "accept", "reason": "x", "piece": "L0999-01"}, "There is no lot L0999."),
        ({"decision": "accept", "reason": "x", "piece": HOSTILE}, "is not the label of a piece"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_recorded(pages: Pages, values: dict[str, str], said: str) -> None:
    before = entries(pages)
    answer = send(pages, "/decide", filled(pages, "/decide?piece=L0002-04", **values))
    assert answer.status_code == 422
    assert said in answer.text
    assert "<img" not in answer.text
    assert entries(pages) == before


def test_a_piece_that_is_not_there(pages: Pages) -> None:
    for path in ("/decide", "/settle", "/exemplar", "/fit", "/unfit"):
        assert pages.get(f"{path}?piece=L0999-01").status_code == 404
        assert pages.client.post(path, data={"piece": "L0002-04"}).status_code == 403


def test_sent_twice_is_recorded_once(pages: Pages) -> None:
    path, before = "/decide?piece=L0002-04", entries(pages)
    form = filled(pages, path, decision="accept", reason=HOSTILE)
    assert send(pages, path, form).headers["location"] == send(pages, path, form).headers["location"]
    assert entries(pages) == before + 1
    assert HOSTILE not in pages.text(path)


@pytest.mark.parametrize(
    ("path", "values"),
    [
        ("/decide?piece=L0002-04", {"decision": "accept", "reason": "good"}),
        ("/settle?piece=L0002-04", {"truth": "genuine", "grounds": "maker"}),
        ("/exemplar?piece=L0002-04", {"grounds": "maker"}),
        ("/fit?piece=L0002-04", {"machine": "M0001", "position": "U3"}),
        ("/unfit?piece=L0001-01", {"reason": "failed"}),
    ],
)
def test_two_people_at_one_piece(pages: Pages, path: str, values: dict[str, str]) -> None:
    label = path.rpartition("=")[2]
    form = filled(pages, path, **values)
    decide(pages.app.state.workspace, [label], "quarantine", "dropped on the floor", operator="Jonas Vik")
    before = entries(pages)
    told = send(pages, path, form)
    assert told.status_code == 409
    assert "quarantined: dropped on the floor" in " ".join(told.text.split())
    assert "Jonas Vik" in told.text
    assert "Record it all the same" in told.text
    for text in values.values():
        assert text in told.text, "what was typed is kept"
    assert entries(pages) == before
    again = dict(form, seen=re.findall(r'name="seen" value="(\d+)"', told.text)[0])
    again["once"] = re.findall(r'name="once" value="([^"]+)"', told.text)[0]
    if path.startswith("/fit"):
        again |= {"anyway": "yes", "reason": "it is not broken"}
    assert send(pages, path, again).status_code == 303
    assert entries(pages) == before + 1


def test_other_pieces_do_not_come_in_between(pages: Pages) -> None:
    path = "/decide?piece=L0002-04"
    form = filled(pages, path, decision="accept", reason="good")
    decide(pages.app.state.workspace, ["L0001-02"], "quarantine", "look again", operator="Jonas Vik")
    assert send(pages, path, form).status_code == 303


def said(pages: Pages, label: str) -> Sequence[str]:
    return [one.what for one in piece(pages, label).events]


def test_a_truth_is_settled_and_taken_back(pages: Pages) -> None:
    path = "/settle?piece=L0002-04"
    assert 'name="withdraw"' not in pages.text(path)
    send(pages, path, filled(pages, path, truth="not-genuine", grounds="opened, no die"))
    assert "settled as not genuine" in pages.text(path)
    taken = filled(pages, path, truth="not-genuine", grounds="mixed up", withdraw="yes")
    assert send(pages, path, taken).headers["location"] == "/pieces/L0002-04"
    assert said(pages, "L0002-04") == ["settled as not genuine", "no longer settled as not genuine"]
    wrong = send(pages, path, filled(pages, path, truth="genuine", grounds="x", withdraw="yes"))
    assert wrong.status_code == 422
    assert "See the page of L0002-04." in wrong.text


def test_an_exemplar_and_what_speaks_against_it(pages: Pages) -> None:
    path = "/exemplar?piece=L0001-02"
    send(pages, path, filled(pages, path, grounds="the maker says so"))
    text = pages.text(path)
    assert "L0001-02 is an exemplar." in text
    assert "L0001-02 is rejected." in text
    assert "--withdraw" not in text
    send(pages, path, filled(pages, path, grounds="it was not", withdraw="yes"))
    assert said(pages, "L0001-02")[-2:] == ["exemplar", "no longer an exemplar"]


def test_fitting_into_a_new_machine_moving_and_taking_out(pages: Pages) -> None:
    path = "/fit?piece=L0002-02"
    form = filled(pages, path, new="Kestrel 2 sampler", owner="Job 12", position="U9")
    assert send(pages, path, form).headers["location"] == "/pieces/L0002-02"
    assert "fitted into the new machine M0002 (Kestrel 2 sampler) at U9" in pages.text("/")
    assert "Move L0002-02" in pages.text(path)
    unmoved = send(pages, path, filled(pages, path, machine="M0001", position="U3"))
    assert unmoved.status_code == 422
    assert "Tick below that it is moved." in unmoved.text
    send(pages, path, filled(pages, path, machine="M0001", position="U3", move="yes"))
    out = "/unfit?piece=L0002-02"
    send(pages, out, filled(pages, out, reason="to be measured"))
    assert [one.split(" (")[0] for one in said(pages, "L0002-02")[-4:]] == [
        "fitted into M0002", "taken out of M0002", "fitted into M0001", "taken out of M0001",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("values", "what"),
    [
        ({"position": "U1"}, "No machine is named."),
        ({"position": "U1", "machine": "M0001", "new": "Other"}, "Two machines are named."),
        ({"position": "", "machine": "M0001"}, "The position is empty."),
        ({"position": "U12", "machine": "M0001"}, "holds L0001-01"),
        ({"position": "U1", "new": "M0099"}, "There is no machine M0099."),
    ],
)
def test_a_place_that_cannot_be(pages: Pages, values: dict[str, str], what: str) -> None:
    path, before = "/fit?piece=L0002-02", entries(pages)
    answer = send(pages, path, filled(pages, path, **values))
    assert answer.status_code == 422
    assert what in answer.text
    assert "lotproof" not in answer.text.partition('role="alert"')[2].partition("</div>")[0]
    assert entries(pages) == before


def test_a_rejected_piece_is_fitted_only_with_a_word(pages: Pages) -> None:
    path = "/fit?piece=L0001-02"
    assert "though it is rejected" in pages.text(path)
    values = {"machine": "M0001", "position": "U3"}
    assert "tick that below" in send(pages, path, filled(pages, path, **values)).text
    assert send(pages, path, filled(pages, path, **values, anyway="yes")).status_code == 422
    assert send(pages, path, filled(pages, path, **values, anyway="yes", reason="test set-up")).status_code == 303
