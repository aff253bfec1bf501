"""One piece's page: what was seen and read, the sum, the bench, the history."""

import re
from pathlib import Path
from urllib.parse import quote

import pytest
from asked import asked
from growing import Growth, grow
from sqlalchemy import select
from stock import a_lot
from web_pages import HOSTILE, Pages

from tracker.desk.piece_page import piece_page
from tracker.desk.workspace import Workspace
from tracker.judgement.suspicion import percent
from tracker.records.models import BenchRun, Decision, Exemplar, Piece


def _some(pages: Pages, model: type) -> str:
    """Return the label of a piece that has a row of this kind."""
    with pages.app.state.workspace.read() as session:
        query = select(Piece.label).join(model, model.piece_id == Piece.id)
        return str(session.scalars(query.order_by(Piece.id)).first())


def test_everything_read_and_found_is_there(pages: Pages) -> None:
    found = piece_page(pages.app.state.workspace, "L0001-01")
    text = pages.text("/pieces/l1-1")
    body = found.views[0].document.piece
    for line in body.lines:
        assert line.text in text
        for reader in line.readers:
            assert reader in text
    for code in body.date_codes:
        assert f"{code.year} week {code.week}" in text
    assert len(re.findall(r'<li id="finding-\d+"', text)) == len(body.findings)
    for one in body.findings:
        assert one.message.replace("'", "&#39;") in text


def test_every_place_is_drawn_once_and_leads_to_its_findings(pages: Pages) -> None:
    text = pages.text("/pieces/L0001-01")
    drawn = [one for places in re.findall(r'data-place="([^"]+)"', text) for one in places.split()]
    assert len(drawn) == len(set(drawn))
    for one in drawn:
        assert f'id="{one}"' in text
    for number in re.findall(r'href="#place-(\d+)"', text):
        assert f'id="place-{number}"' in text


def test_the_photo_begins_at_the_piece(pages: Pages) -> None:
    view = piece_page(pages.app.state.workspace, "L0001-02").views[0]
    left, top, wide, high = view.home
    assert wide / high == pytest.approx(1.5)
    for x, y in view.document.piece.outline:
        assert left <= x <= left + wide
        assert top <= y <= top + high
    assert f'viewBox="{left:.2f} {top:.2f} {wide:.2f} {high:.2f}"' in pages.text("/pieces/L0001-02")


def test_the_sum_can_be_followed_to_the_suspicion(pages: Pages) -> None:
    label = _some(pages, BenchRun)
    shown = piece_page(pages.app.state.workspace, label).shown
    text = pages.text(f"/pieces/{label}")
    rows = re.findall(r'<td class="number">([+−][\d.]+) db</td><td class="number">([+−][\d.]+) db', text)
    assert len(rows) == sum(line.kind != "note" for line in shown.sum)
    so_far = 0.0
    for weight, total in rows:
        so_far += float(weight.replace("−", "-"))
        assert float(total.replace("−", "-")) == pytest.approx(so_far, abs=0.06 * len(rows))
    assert shown.summary.suspicion is not None
    assert re.findall(r'db <span class="quiet">([^<]+ %)</span>', text)[len(rows) - 1] == percent(
        shown.summary.suspicion
    )


def test_runs_lead_to_their_pages_and_events_are_told(pages: Pages) -> None:
    label = _some(pages, BenchRun)
    runs = piece_page(pages.app.state.workspace, label).shown.runs
    text = pages.text(f"/pieces/{label}")
    for run in runs:
        assert f'href="/runs/{run.run}"' in text
    for model in (Decision, Exemplar):
        label = _some(pages, model)
        text = pages.text(f"/pieces/{label}")
        for one in piece_page(pages.app.state.workspace, label).shown.events:
            assert f"<b>{one.what}</b>" in text


def test_neighbours_and_actions_are_linked(pages: Pages) -> None:
    text = pages.text("/pieces/L0001-02")
    for to in (
        "/pieces/L0001-01",
        "/pieces/L0001-03",
        "/lots/L0001",
        "/decide?piece=L0001-02",
        "/bench/L0001-02",
        "/fit?piece=L0001-02",
        "/dossier/L0001-02",
        "/pieces/L0001-02/next",
    ):
        assert f'"{to}"' in text
    assert 'rel="prev"' not in pages.text("/pieces/L0001-01")


def test_the_other_photos_can_be_looked_at(pages: Pages) -> None:
    page = next(
        page
        for number in range(1, 31)
        if len((page := piece_page(pages.app.state.workspace, f"L0001-{number:02d}")).views) > 1
    )
    label = page.shown.summary.piece
    assert page.views[0].role in ("top", "before-swab")
    assert f'href="/pieces/{label}?photo=bottom"' in pages.text(f"/pieces/{label}")
    text = pages.text(f"/pieces/{label}?photo=bottom")
    bottom = next(view for view in page.views if view.role == "bottom")
    assert f"/pictures/around/{bottom.inspection}?w=2560" in text


def test_the_next_test_is_the_desks_answer(pages: Pages) -> None:
    assert 'id="next"' in pages.text("/pieces/L0001-01/next")


def test_a_piece_nobody_looked_at(tmp_path: Path) -> None:
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        a_lot(workspace)
    text = Pages(tmp_path / "w").text("/pieces/L0001-01")
    assert "No photo shows this piece yet" in text
    assert "not looked at yet" in text
    assert "Before looking" in text
    assert "Not measured yet" in text


@pytest.mark.parametrize("piece", ["L0001-99", "L9-1", "X", "M0001", "L0001-", "%00", "'%20or%201=1", "𝕏", "x" * 3000])
def test_what_is_no_piece_is_not_found(few: Pages, piece: str) -> None:
    for path in ("", "/next"):
        answer = few.get(f"/pieces/{quote(piece, safe='%')}{path}")
        assert answer.status_code == 404


def test_a_lot_is_no_piece(pages: Pages) -> None:
    assert pages.get("/pieces/L0001").status_code == 422


@pytest.mark.parametrize("value", HOSTILE)
def test_no_photo_asked_for_harms(few: Pages, value: str) -> None:
    text = few.text(f"/pieces/L0001-01?photo={quote(value)}")
    assert "<script>alert" not in text
    assert "What the photo shows" in text


def test_a_larger_lot_asks_no_more_questions(tmp_path: Path) -> None:
    counts = []
    for pieces in (6, 60):
        with Workspace.open(tmp_path / str(pieces), create=True) as workspace:
            grow(workspace, Growth(lots=1, pieces=pieces, seed=3, runs=0, settled=0, decided=0))
        pages = Pages(tmp_path / str(pieces))
        pages.text("/pieces/L0001-01")
        with asked(pages.app.state.workspace) as questions:
            pages.text("/pieces/L0001-01")
        counts.append(questions.number)
    # One question a piece would be 54 more.
    assert counts[1] < counts[0] + 10
    assert counts[0] < 120
