"""A part of a marking is found by the words kept of it: the same looks as by going through all there are."""

import random
from collections.abc import Iterable

import pytest
from asked import worked
from hypothesis import example, given, settings
from hypothesis import strategies as st
from settled_workshop import look
from sqlalchemy import delete, func, insert, select, update
from sqlalchemy.orm import Session
from stock import arrival

from tracker.desk import find as finding
from tracker.desk import marking_check, marking_words
from tracker.desk.fields import folded
from tracker.desk.find import find
from tracker.desk.marking_search import candidates, holding
from tracker.desk.marking_words import FRAGMENT, LONGEST, endings, fragments, words_of
from tracker.desk.recall import Wanted, recall
from tracker.desk.receive import receive
from tracker.desk.standing import state
from tracker.desk.standing_check import check, mend
from tracker.desk.tidy import tidy
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.records.derived import MARKING_WORD, STANDING_STATE, WORD_ENDING
from tracker.records.models import Inspection, Photo, Piece

ODD = (
    "CORVANE / CV6522AP / 8823 K3277",
    "corvane / cv6522ap / 8823 k3278",
    "HDS62256LP-10 / 9404",
    "100% / _x_ \\ 'quoted' \"twice\"",
    "µPD / Ω 5 / STRAẞE straße / ǅ İ ı",
    "two  blanks\tand\u00a0others / \u2003wide",
    "漢字 / 🂡🂡 / e\u0301 \u00e9",
    "1010 1010 0101 / / //",
    "A" * 31 + "b" * 70 + " end",
    "/",
    "",
)
TEXT = st.text(st.sampled_from("abAB19/ %_\\'\"ßẞİı\u00a0\t漢Σς"), max_size=2 * LONGEST)


def read(workspace: Workspace, markings: Iterable[str]) -> None:
    """Record looks with these markings, at the pieces of the first lot in turn."""
    with workspace.act("mira", "photograph", "L0001") as act:
        pieces = act.session.scalars(select(Piece).order_by(Piece.id)).all()
        kept = act.keep(b"a picture")
        size = {"size_bytes": kept.size_bytes, "width": 9, "height": 9}
        photo = act.add(Photo(lot_id=pieces[0].lot_id, role="top", name="p.jpg", sha256=kept.sha256, **size))
        for number, marking in enumerate(markings):
            look(act, photo, pieces[number % len(pieces)], number, {}, marking)


@pytest.fixture
def shop(workspace: Workspace) -> Workspace:
    """Give a workshop with one lot and odd markings."""
    receive(workspace, [arrival(quantity=len(ODD), received=len(ODD))], operator="mira")
    read(workspace, ODD)
    return workspace


def questions(seed: int, number: int) -> list[str]:
    """Return parts of the markings in all cases, and texts that are in none."""
    rng, found = (
        random.Random(seed),
        ["6522", "nosuch", "%", "_", "9404 / ", "77 / cv", "İ", "  K3277 "],
    )
    while len(found) < number:
        marking = rng.choice(ODD)
        first = rng.randrange(len(marking) + 1)
        part = marking[first : first + rng.choice((1, 2, 3, 5, 8, 40, 80))]
        found.append(rng.choice((str, str.lower, str.upper, str.swapcase))(part))
    return found


def test_the_answer_is_that_of_going_through_all_looks(shop: Workspace) -> None:
    helped = hits = 0
    with shop.read() as session:
        for text in questions(1, 70):
            there = set(session.scalars(select(Inspection.id).where(holding(text))))
            found = candidates(session, text, 5)
            if found is None:
                assert set(text.split()) <= {"/"}
                continue
            among = set(session.scalars(found.looks))
            assert there <= among, text
            assert found.few == (session.scalar(select(func.count()).select_from(found.looks.subquery())) < 5)
            helped += len(among) < len(ODD) / 2
            hits += bool(there)
    assert helped > 45
    assert hits > 30
    for text in ("cv6522AP / 8823", "/", " ", "b" * 60):
        with shop.read() as session:
            plainly = set(session.scalars(select(Piece.label).join(Inspection).where(holding(text))))
        for wanted in (Wanted(marking=text), Wanted(marking=text, lot="L0001")):
            assert {one.piece for one in recall(shop, wanted).loose} == plainly, text


def test_letters_that_are_not_ascii_are_found_as_printed(shop: Workspace) -> None:
    for text in ("Ω 5", "STRAẞE", "µPD", "漢字"):
        assert len(recall(shop, Wanted(marking=text)).loose) == 1, text


@settings(max_examples=40)
@given(TEXT, TEXT, TEXT)
@example("", "x" * 31, "y" * 99)
@example("a" * 33, "a" * FRAGMENT, "")
def test_what_holds_a_text_holds_its_fragments(before: str, text: str, after: str) -> None:
    marking = before + " ".join(text.split()) + after
    kept = {ending for word in words_of(marking) for ending, _ in endings(word)}
    assert all(len(one) <= LONGEST for one in kept)
    for fragment in fragments(text):
        assert fragment in folded(marking)
        assert any(one.startswith(fragment) for one in kept)


def test_what_is_asked_does_not_grow_with_the_looks(shop: Workspace) -> None:
    def steps(wanted: Wanted) -> int:
        with worked() as work:
            assert len(recall(shop, wanted).loose) == 1
        return work.steps

    asked = [
        Wanted(marking="K3277"),
        Wanted(marking="8823 k3277"),
        Wanted(marking="k3277", seller="quayside surplus"),
    ]
    before = [steps(one) for one in asked]
    read(shop, (f"CV6522AP / 9{number % 10}23 {number:05d}" for number in range(250)))
    assert [steps(one) for one in asked] == pytest.approx(before, abs=400)  # of SQLite: PostgreSQL counts none
    assert (min(before) > 0) == (shop._engine.dialect.name == "sqlite")
    assert len(recall(shop, Wanted(marking="00249")).loose) == 1


def test_find_searches_all_markings_where_a_text_is_on_few(shop: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finding, "LOOKS_SEARCHED", 2)
    rare, common = find(shop, "k3277"), find(shop, "8823")
    assert ([hit.what for hit in rare.hits], rare.lately) == ([ODD[0]], False)
    assert common.lately
    read(shop, ["8823 A"])
    assert [hit.what for hit in find(shop, "8823").hits] == ["8823 A"]


def test_older_records_are_brought_up_without_working_out_the_rest(shop: Workspace) -> None:
    with shop.derive() as session:  # as the migration leaves them
        for table in (MARKING_WORD, WORD_ENDING):
            session.execute(delete(table))
        session.execute(delete(STANDING_STATE).where(STANDING_STATE.c.id == 2))
    with shop.read() as session:
        assert (state(session).current, candidates(session, "k3277", 5)) == (False, None)
    with worked() as work:
        assert len(recall(shop, Wanted(marking="k3277")).loose) == 1
    assert not any("piece_standing" in one for one in work.statements if one.startswith(("INSERT", "DELETE", "UPDATE")))
    _sound(shop)


def test_words_are_added_in_parts(shop: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marking_words, "LOOKS_AT_ONCE", 3)
    read(shop, [*ODD, "NEW / 1"])
    monkeypatch.setattr(marking_check, "LOOKS", 4)
    _sound(shop)
    assert len(recall(shop, Wanted(marking="new / 1")).loose) == 1


def _sound(workspace: Workspace) -> None:
    with workspace.read() as session:
        assert state(session).current
        assert [*check(session)] == []


def _wrong(session: Session) -> None:
    word = MARKING_WORD.c
    session.execute(update(MARKING_WORD).where(word.look_id == 3).values(look_id=word.look_id + 7000))


def _gone(session: Session) -> None:
    session.execute(delete(MARKING_WORD).where(MARKING_WORD.c.look_id == 3))


def _more(session: Session) -> None:
    session.execute(insert(MARKING_WORD).values(word="more", look_id=3))


def _no_ending(session: Session) -> None:
    session.execute(delete(WORD_ENDING).where(WORD_ENDING.c.ending == "k3277"))


DAMAGE = (
    (_wrong, ["L0001-03", "look 7003"]),
    (_gone, ["L0001-03", "the words of markings"]),
    (_more, ["L0001-03", "the words of markings"]),
    (_no_ending, ["the words of markings"]),
)


def test_what_differs_is_named_and_mended(shop: Workspace) -> None:
    for damage, named in DAMAGE:
        with shop.derive() as session:
            damage(session)
        with shop.derive() as session:
            assert [fault.subject for fault in check(session)] == named
            assert mend(session) == len(named)
        _sound(shop)
    with shop.derive() as session:
        _no_ending(session)
    assert [fault.code for fault in verify(shop).faults] == ["standing-differs"]
    assert tidy(shop, operator="mira").mended == 1
    _sound(shop)
    assert len(recall(shop, Wanted(marking="k3277")).loose) == 1
