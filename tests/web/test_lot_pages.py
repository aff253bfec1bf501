"""Lots: the list and its filters, one lot with its contact sheet, its outlook, and tops side by side."""

import re
from pathlib import Path
from urllib.parse import quote

import pytest
from asked import asked
from growing import TODAY, Growth, grow
from grown_pages import PIECES
from stock import a_lot
from web_pages import HOSTILE, Pages

from tracker.desk.listing import list_rows
from tracker.desk.lot_page import PageWish, lot_page
from tracker.desk.tops import MOST
from tracker.desk.workspace import Workspace


def _shown(text: str) -> list[str]:
    return re.findall(r'name="piece" value="([^"]+)"', text)


def _lots(text: str) -> list[str]:
    return re.findall(r'<td><a class="label" href="/lots/(L\d+)">', text)


def test_an_empty_workshop_says_what_a_lot_is(tmp_path: Path) -> None:
    assert "A lot is what arrived together" in Pages(tmp_path / "w").text("/lots")


def test_lots_are_listed_the_newest_first(pages: Pages) -> None:
    text = pages.text("/lots")
    assert _lots(text) == ["L0004", "L0003", "L0002", "L0001"]
    assert "4 lots" in text


@pytest.mark.parametrize("column", ["seller", "source", "part"])
def test_lots_are_filtered(pages: Pages, column: str) -> None:
    rows = {row.lot: row for row in list_rows(pages.app.state.workspace, "lots").rows}
    word = getattr(rows["L0001"], column)
    wanted = {lot for lot, row in rows.items() if getattr(row, column) == word}
    assert set(_lots(pages.text(f"/lots?{column}={quote(word)}"))) == wanted
    assert pages.text(f"/lots?{column}={quote(word)}").count(f'"{word}"') + pages.text("/lots").count(word) > 0


def test_lots_with_pieces_that_stand_somehow(pages: Pages) -> None:
    rows = list_rows(pages.app.state.workspace, "lots").rows
    for word in ("quarantined", "returned", "fitted"):
        assert set(_lots(pages.text(f"/lots?disposition={word}"))) == {row.lot for row in rows if getattr(row, word)}


def test_a_long_list_comes_in_pages(tmp_path: Path) -> None:
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        grow(workspace, Growth(lots=53, pieces=1, looks=0, runs=0, decided=0, settled=0))
    pages = Pages(tmp_path / "w")
    first = pages.text("/lots")
    assert len(_lots(first)) == 50
    further = re.search(r'href="([^"]+)" rel="next"', first)
    assert further is not None
    second = pages.text(further[1].replace("&amp;", "&"))
    assert _lots(second) == ["L0003", "L0002", "L0001"]
    assert 'rel="next"' not in second
    assert 'rel="prev"' in second
    assert _lots(pages.text("/lots?page=2")) == _lots(second)
    assert pages.get("/lots?page=99").status_code == 200


@pytest.mark.parametrize("field", ["seller", "source", "part", "disposition", "sort", "page", "after"])
@pytest.mark.parametrize("value", HOSTILE)
def test_no_filter_of_the_list_harms(few: Pages, field: str, value: str) -> None:
    answer = few.get(f"/lots?{field}={quote(value)}")
    assert answer.status_code in (200, 422)
    assert "<script>alert" not in answer.text
    assert "<h1>Lots</h1>" in answer.text


@pytest.mark.parametrize("field", ["sort", "order", "disposition", "text", "suspicion", "view"])
@pytest.mark.parametrize("value", HOSTILE)
def test_no_filter_of_the_pieces_harms(few: Pages, field: str, value: str) -> None:
    answer = few.get(f"/lots/L0001?{field}={quote(value)}")
    assert answer.status_code in (200, 422)
    assert "<script>alert" not in answer.text
    if answer.status_code == 422:
        # Nothing is hidden behind an error.
        assert len(_shown(answer.text)) == 3
        assert 'role="alert"' in answer.text


@pytest.mark.parametrize("lot", ["L9999", "L0001-01", "M0001", "X", "L", "%00", "L1%20or%201", "'"])
def test_what_is_no_lot_is_not_found(few: Pages, lot: str) -> None:
    for path in ("", "/outlook", "/compare"):
        assert few.get(f"/lots/{lot}{path}").status_code == 404


def test_a_lot_says_what_it_is_and_where_to_go(pages: Pages) -> None:
    row = lot_page(pages.app.state.workspace, "L0001").summary
    text = pages.text("/lots/l1")
    for word in (row.lot, row.part, row.seller, row.source, str(row.arrived), row.order or ""):
        assert word in text
    for to in (
        "/lots/L0001/photograph",
        "/bench/plan/L0001",
        "/decide?piece=L0001",
        "/labels/L0001",
        "/card/L0001",
        "/dossier/L0001",
        "/export/L0001",
        "/lots/L0001/compare",
        "/lots/L0001/outlook",
    ):
        assert f'"{to}"' in text


def test_the_claim_says_what_it_lacks(tmp_path: Path) -> None:
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        a_lot(workspace, claim_by=TODAY)
    text = Pages(tmp_path / "w").text("/lots/L0001")
    for lack in ("no invoice", "no order reference", "no photo", "3 pieces undecided"):
        assert f"<li>{lack}</li>" in text


def test_every_piece_is_on_the_sheet_as_the_desk_has_it(pages: Pages) -> None:
    found = lot_page(pages.app.state.workspace, "L0001")
    for view in ("sheet", "table"):
        text = pages.text(f"/lots/L0001?view={view}")
        assert _shown(text) == [one.piece for one in found.pieces]
        assert text.count("loading=lazy") + text.count('loading="lazy"') >= sum(1 for one in found.pieces if one.crop)
        for one in found.pieces:
            assert f'href="/pieces/{one.piece}"' in text
            for line in (one.reading or "").split(" / "):
                assert line in text


@pytest.mark.parametrize(
    "wish",
    [
        PageWish(sort="suspicion", reverse=True),
        PageWish(sort="reading"),
        PageWish(sort="date-code", reverse=True),
        PageWish(disposition="open"),
        PageWish(text="dull"),
        PageWish(suspicion=0.3),
        PageWish(sort="disposition", disposition="accepted", text="K"),
    ],
)
def test_the_sheet_is_sorted_and_filtered_as_the_desk_does_it(pages: Pages, wish: PageWish) -> None:
    query = f"sort={wish.sort}&order={'down' if wish.reverse else ''}&disposition={wish.disposition or ''}"
    query += f"&text={wish.text or ''}&suspicion={'' if wish.suspicion is None else 100 * wish.suspicion}"
    wanted = [one.piece for one in lot_page(pages.app.state.workspace, "L0001", wish).pieces]
    assert _shown(pages.text(f"/lots/L0001?{query}")) == wanted


def test_what_was_typed_stands_in_the_form_again(pages: Pages) -> None:
    text = pages.text("/lots/L0001?text=a%26b&suspicion=12.5&sort=reading&disposition=open&view=table&order=down")
    for part in ('value="a&amp;b"', 'value="12.5"', "selected>reading", "selected>open", 'value="table" checked'):
        assert part in text


def test_more_pieces_ask_no_more_questions(grown: Path, tmp_path: Path) -> None:
    counts = []
    for pieces in (6, 60):
        with Workspace.open(tmp_path / str(pieces), create=True) as workspace:
            grow(workspace, Growth(lots=1, pieces=pieces, seed=3))
        pages = Pages(tmp_path / str(pieces))
        pages.text("/lots/L0001")
        with asked(pages.app.state.workspace) as questions:
            pages.text("/lots/L0001")
        counts.append(questions.number)
    # One question a piece would be 54 more.
    assert counts[1] < counts[0] + 10
    assert counts[0] < 120


def test_a_piece_takes_little_of_the_page(pages: Pages) -> None:
    for view in ("sheet", "table"):
        whole = len(pages.text(f"/lots/L0001?view={view}"))
        none = len(pages.text(f"/lots/L0001?view={view}&text=nothing+is+like+this"))
        assert (whole - none) / PIECES < 1000


def test_the_outlook_is_the_desks(pages: Pages) -> None:
    text = pages.text("/lots/L0001/outlook")
    assert 'id="outlook"' in text
    assert re.search(r"at 95 % certainty between (under )?\d+ % and \d+ %", text)


def test_hostile_words_come_out_harmless(tmp_path: Path) -> None:
    bad = "<script>alert(1)</script>\"'{{7*7}}"
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        a_lot(workspace, seller=bad, remark=bad, order=bad)
    pages = Pages(tmp_path / "w")
    for path in ("/lots", "/lots/L0001", "/lots/L0001?view=table", "/pieces/L0001-01", "/lots/L0001/compare"):
        text = pages.text(path)
        assert "<script>alert" not in text
        assert "49" not in text.replace("0049", "")


# Tops side by side


def test_the_chosen_stand_side_by_side_at_one_scale(pages: Pages) -> None:
    seen = [one.piece for one in lot_page(pages.app.state.workspace, "L0001").pieces if one.crop][:3]
    text = pages.text("/lots/L0001/compare?" + "&".join(f"piece={one}" for one in seen))
    assert "every body has the same length" in text
    boxes = re.findall(r'<svg class="view" viewBox="([^"]+)"', text)
    assert len(boxes) == 3
    assert len(set(boxes)) == 1
    assert f'aria-label="{seen[0]} and {seen[1]} at the same place"' in text
    assert f"left={seen[0]}&amp;right={seen[2]}" in text


def test_any_two_can_be_laid_together(pages: Pages) -> None:
    seen = [one.piece for one in lot_page(pages.app.state.workspace, "L0001").pieces if one.crop]
    other = next(one.piece for one in lot_page(pages.app.state.workspace, "L0002").pieces if one.crop)
    text = pages.text(f"/lots/L0001/compare?piece={seen[0]}&left={seen[4]}&right={other}")
    assert f'aria-label="{seen[4]} and {other} at the same place"' in text
    assert f"<option selected>{other}</option>" in text


def test_exemplars_can_stand_beside_them(pages: Pages) -> None:
    options = re.findall(r'<option value="(L\d+-\d+)">', pages.text("/lots/L0001/compare"))
    assert options
    assert "<b>exemplar</b>" in pages.text(f"/lots/L0001/compare?piece=L0001-01&right={options[0]}")


def test_what_tells_two_apart_has_its_numbers(pages: Pages) -> None:
    from tracker.desk.tops import compare_tops

    found = compare_tops(pages.app.state.workspace, "L0001", [])
    assert found.pair is not None
    assert found.differences
    text = pages.text("/lots/L0001/compare")
    for row in found.differences:
        assert row.one != row.other
        assert row.title[1:].replace("'", "&#39;") in text
        for side in (row.one, row.other):
            if side is not None and side.value is not None:
                assert f"{side.value:.3g}" in text


def test_a_group_too_large_is_cut_and_says_so(tmp_path: Path) -> None:
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        grow(workspace, Growth(lots=1, pieces=MOST + 5, runs=0, decided=0, settled=0, rematched=0))
    text = Pages(tmp_path / "w").text(f"/lots/L0001/compare?left=L0001-{MOST + 4}")
    assert "4 more are not shown" in text
    assert f'aria-label="L0001-{MOST + 4} and L0001-01 at the same place"' in text


@pytest.mark.parametrize("value", HOSTILE)
@pytest.mark.parametrize("field", ["piece", "left", "right"])
def test_no_comparison_harms(few: Pages, field: str, value: str) -> None:
    answer = few.get(f"/lots/L0001/compare?{field}={quote(value)}")
    assert answer.status_code == 404
    assert "<script>alert" not in answer.text


def test_one_alone_and_none_at_all_are_no_fault(tmp_path: Path, pages: Pages) -> None:
    one = pages.text("/lots/L0001/compare?piece=L0001-01&left=L0001-01&right=L0001-01")
    assert "at the same place" not in one
    with Workspace.open(tmp_path / "w", create=True) as workspace:
        a_lot(workspace)
    assert "from above" in Pages(tmp_path / "w").text("/lots/L0001/compare")


def test_what_another_workshop_found_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from bags import a_bag, full_lot
    from staged import Stage

    from tracker.desk import photograph as photographing
    from tracker.desk.bag_read import opened
    from tracker.desk.receive_bag import arrival_of, receive_bag

    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    with Workspace.open(tmp_path / "theirs", create=True) as theirs:
        bag = a_bag(theirs, tmp_path / "bag", full_lot(theirs, tmp_path / "files", stage))
    with opened(bag) as foreign, Workspace.open(tmp_path / "ours", create=True) as ours:
        receive_bag(ours, foreign, arrival_of(foreign, {}, today=TODAY), operator="ada")
    pages = Pages(tmp_path / "ours")
    for path in ("/lots/L0001", "/pieces/L0001-02"):
        text = pages.text(path)
        assert "Hollin Bench as their L0001" in text
        assert "counts for nothing in our sum" in text
        assert "<script>" not in text
