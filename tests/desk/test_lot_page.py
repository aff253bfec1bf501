"""A lot as a page shows it: what `show` and `list` say, in a fixed number of questions, sorted and filtered."""

from dataclasses import replace
from pathlib import Path

import pytest
from asked import asked
from growing import Growth, grow
from settled_workshop import look
from sqlalchemy import select
from stock import a_lot

from tracker.desk.assess import piece_suspicion
from tracker.desk.decide import settle
from tracker.desk.facts import kept_document, top_inspections
from tracker.desk.learned import learned
from tracker.desk.listing import Filters, list_rows
from tracker.desk.lot_page import SORTS, LotPage, PageWish, lot_page
from tracker.desk.pieces import find_lot, find_piece
from tracker.desk.showing import LotShown, PieceShown, show
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.counts import ABSENT, CLEAR
from tracker.records.models import Photo

VARIED = Growth(lots=4, pieces=14, looks=1.6, runs=0.7, decided=0.6, settled=0.25, exemplars=0.1, rematched=0.5)


@pytest.fixture
def varied(workspace: Workspace) -> Workspace:
    """Give a workshop in which everything occurs."""
    grow(workspace, replace(VARIED, seed=20_310))
    return workspace


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_every_suspicion_is_that_of_the_piece_alone_to_the_last_digit(workspace: Workspace, seed: int) -> None:
    looks, settled, runs = (0.6, 1.0, 2.4)[seed % 3], (0.0, 0.3, 1.0)[(seed + seed // 3) % 3], (0.0, 0.9)[seed % 2]
    grow(workspace, replace(VARIED, looks=looks, settled=settled, runs=runs, seed=seed))
    known = 0
    for number in range(1, VARIED.lots + 1):
        page = lot_page(workspace, f"L{number:04d}")
        assert [line.number for line in page.pieces] == list(range(1, VARIED.pieces + 1))
        with workspace.read() as session:
            for line in page.pieces:
                if line.suspicion is not None:
                    known += 1
                    assert line.suspicion == piece_suspicion(session, find_piece(session, line.piece)).probability
    assert known > VARIED.pieces


def test_it_says_what_show_and_list_say(varied: Workspace) -> None:
    for number in (1, 2, 3, 4):
        page, shown = lot_page(varied, f"l{number}"), show(varied, f"L{number:04d}")
        assert isinstance(shown, LotShown)
        assert (page.summary, page.remark, page.documents, page.photos, page.origin) == (
            shown.summary,
            shown.remark,
            shown.documents,
            shown.photos,
            shown.origin,
        )
        assert (page.passed, page.of) == (VARIED.pieces, VARIED.pieces)
        rows = list_rows(varied, "pieces", Filters(lot=f"L{number:04d}")).rows
        for line, row in zip(page.pieces, rows, strict=True):
            for name in (
                "piece",
                "part_read",
                "date_code",
                "package",
                "suspicion",
                "disposition",
                "settled",
                "machine",
            ):
                assert getattr(line, name) == getattr(row, name)
            assert (line.exemplar, line.position) == (row.exemplar, row.position)


def test_the_crop_is_where_the_latest_top_photo_has_the_piece(varied: Workspace) -> None:
    with varied.read() as session:
        for number in (1, 2, 3, 4):
            lot = find_lot(session, f"L{number}")
            tops = top_inspections(session, lot.pieces)
            assert tops
            for piece, line in zip(lot.pieces, lot_page(varied, lot.label).pieces, strict=True):
                seen = tops.get(piece.id)
                assert (line.crop is None) == (seen is None)
                if seen is not None and line.crop is not None:
                    assert (line.crop.inspection, line.crop.photo_sha256) == (seen.id, seen.photo.sha256)
                    assert line.crop.outline == kept_document(seen).piece.outline
                    assert line.reading == seen.marking


def test_the_reason_is_the_line_that_moved_the_sum_most(varied: Workspace) -> None:
    ups = downs = 0
    for line in lot_page(varied, "L0001").pieces:
        shown = show(varied, line.piece)
        assert isinstance(shown, PieceShown)
        if line.reason is None:
            continue
        prior = next(one.weight_db for one in shown.sum if one.kind == "prior")
        lines = [one for one in shown.sum if one.kind in ("finding", "siblings", "absence")]
        if sum(one.weight_db for one in shown.sum) >= prior:
            ups += 1
            assert line.reason.weight_db == max(one.weight_db for one in lines)
        else:
            downs += 1
            assert line.reason.weight_db == min(one.weight_db for one in lines)
        assert line.reason.text in [one.text for one in lines]
    assert ups + downs > 0


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_the_number_of_questions_does_not_grow_with_the_lot(workspace: Workspace) -> None:
    grow(workspace, replace(VARIED, lots=1, pieces=150, rematched=0.0, seed=9))
    for number, pieces in ((2, 12), (3, 60)):
        a_lot(workspace, quantity=pieces, received=pieces)
        with workspace.act("mira", "photograph", "") as act:
            lot = find_lot(act.session, f"L{number}")
            kept = act.keep(b"stands in for a photo")
            size = {"size_bytes": kept.size_bytes, "width": 400, "height": 300}
            photo = act.add(Photo(lot_id=lot.id, role="top", name="p.jpg", sha256=kept.sha256, **size))
            for index, piece in enumerate(lot.pieces):
                look(act, photo, piece, index, {"surface-sanded": CLEAR if index % 5 == 0 else ABSENT})
    counts = {}
    for label in ("L0001", "L0002", "L0003", "L0001", "L0002"):
        with asked(workspace) as questions:
            lot_page(workspace, label)
        counts[label] = questions.number
    assert counts["L0002"] == counts["L0003"] <= counts["L0001"] <= 24


def test_what_was_learned_is_forgotten_with_the_next_act(varied: Workspace, tmp_path: Path) -> None:
    before = {line.piece: line.suspicion for line in lot_page(varied, "L0002").pieces}
    undecided = next(line for line in lot_page(varied, "L0001").pieces if line.settled is None)
    settle(varied, undecided.piece, "not-genuine", "opened", operator="mira")
    page = lot_page(varied, "L0001")
    assert next(line for line in page.pieces if line.piece == undecided.piece).settled == "not-genuine"
    # As a process that begins now sees it.
    with Workspace.open(varied.folder) as anew:
        assert lot_page(anew, "L0001") == page
        assert lot_page(anew, "L0002") == lot_page(varied, "L0002")
    assert {line.piece: line.suspicion for line in lot_page(varied, "L0002").pieces} != before


def test_an_act_that_teaches_nothing_leaves_what_was_learned(varied: Workspace) -> None:
    before = lot_page(varied, "L0001")
    a_lot(varied)
    page = lot_page(varied, "L0001")
    assert page == before
    with varied.read() as session, Workspace.open(varied.folder) as anew, anew.read() as other:
        kept, fresh = learned(session).experience, learned(other).experience
        assert kept.version == fresh.version != ""
        assert (kept.weights, kept.together) == (fresh.weights, fresh.together)
        for truth in learned(session).truths:
            assert kept.without_piece(truth.piece) == fresh.without_piece(truth.piece)


@pytest.fixture
def wide(workspace: Workspace) -> LotPage:
    """Give a lot's page with all its pieces."""
    grow(workspace, replace(VARIED, lots=1, pieces=40, looks=0.8, seed=3))
    return lot_page(workspace, "L0001")


@pytest.mark.parametrize("sort", SORTS)
@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_sorted(workspace: Workspace, wide: LotPage, sort: str, reverse: bool) -> None:
    column = {"label": "number", "date-code": "date_code"}.get(sort, sort)
    found = lot_page(workspace, "L0001", PageWish(sort=sort, reverse=reverse)).pieces
    assert sorted(line.piece for line in found) == sorted(line.piece for line in wide.pieces)
    values = [getattr(line, column) for line in found]
    present = [value for value in values if value is not None]
    assert values == [*present, *[None] * (len(values) - len(present))]
    assert present == sorted(present, reverse=reverse)


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_filtered(workspace: Workspace, wide: LotPage) -> None:
    def labels(wish: PageWish) -> list[str]:
        page = lot_page(workspace, "L0001", wish)
        assert (page.passed, page.of, page.summary) == (len(page.pieces), 40, wide.summary)
        return [line.piece for line in page.pieces]

    every = wide.pieces
    opened = labels(PageWish(disposition="Open"))
    assert opened == [line.piece for line in every if line.disposition == "open"]
    assert 0 < len(opened) < 40
    least = sorted(line.suspicion for line in every if line.suspicion is not None)[20]
    assert labels(PageWish(suspicion=least)) == [
        line.piece for line in every if line.suspicion is not None and line.suspicion >= least
    ]
    code = next(line.date_code for line in every if line.date_code)
    assert set(labels(PageWish(text=f" {code} "))) >= {line.piece for line in every if line.date_code == code}
    assert labels(PageWish(text="l0001-07")) == ["L0001-07"]
    assert labels(PageWish(text="no piece says this")) == []


def test_no_such_lot_or_order(varied: Workspace) -> None:
    with pytest.raises(BadRequest, match="no lot L0099"):
        lot_page(varied, "L0099")
    with pytest.raises(BadRequest, match="not sorted by 'weight'"):
        lot_page(varied, "L0001", PageWish(sort="weight"))


def test_a_lot_nobody_has_looked_at(workspace: Workspace) -> None:
    a_lot(workspace)
    page = lot_page(workspace, "L0001")
    assert [(line.suspicion, line.reason, line.reading, line.crop) for line in page.pieces] == [(None,) * 4] * 3
    assert page.summary.suspicion is None


def test_a_piece_seen_in_the_photo_of_another_lot(workspace: Workspace) -> None:
    a_lot(workspace)
    a_lot(workspace)
    with workspace.act("mira", "photograph", "") as act:
        kept = act.keep(b"stands in for a photo")
        size = {"size_bytes": kept.size_bytes, "width": 400, "height": 300}
        lot = find_lot(act.session, "L1")
        photo = act.add(Photo(lot_id=lot.id, role="top", name="p.jpg", sha256=kept.sha256, **size))
        look(act, photo, find_piece(act.session, "L2-1"), 0, {"surface-sanded": CLEAR})
    line = lot_page(workspace, "L0002").pieces[0]
    assert line.crop is not None
    with workspace.read() as session:
        assert line.crop.photo_sha256 == session.scalar(select(Photo.sha256))
        assert line.suspicion == piece_suspicion(session, find_piece(session, "L2-1")).probability
