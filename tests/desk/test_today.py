"""What is to be seen to today: the same answers as `list`, `due` and `next` give, bounded, in a fixed number of
questions."""

from dataclasses import replace
from datetime import timedelta

import pytest
from asked import asked
from growing import TODAY, Growth, grow
from stock import a_lot

from tracker.desk.due import due, due_page, nothing_due, soonest_first
from tracker.desk.listing import list_rows
from tracker.desk.lot_page import lot_page
from tracker.desk.next_test import next_tests
from tracker.desk.today import LATEST, MOST_PIECES, STEPS, today
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest

SMALL = Growth(lots=3, pieces=8, runs=0.4, decided=0.4, settled=0.2, seed=6)


def test_it_says_what_list_due_and_next_say(workspace: Workspace) -> None:
    grow(workspace, SMALL)
    found = today(workspace, today=TODAY)
    rows = list_rows(workspace, "lots").rows
    assert found.arrived == tuple(sorted(rows, key=lambda row: row.arrived, reverse=True))
    assert (found.lots, found.unjudged, found.day) == (3, frozenset(), TODAY)
    assert found.due == due(workspace, today=TODAY)
    assert found.due
    whole = next_tests(workspace, None, minutes=None, today=TODAY)
    assert not found.next.bounded
    assert [(one.piece, one.test) for one in found.next.steps] == [(one.piece, one.test) for one in whole.steps[:STEPS]]
    assert found.next.steps


def test_an_empty_workspace(workspace: Workspace) -> None:
    found = today(workspace, today=TODAY)
    assert (found.arrived, found.lots, found.due, found.next.steps, found.next.lots) == ((), 0, (), (), ())


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_a_large_workspace_is_bounded_and_says_so(workspace: Workspace) -> None:
    grow(workspace, replace(SMALL, lots=14, pieces=20))
    found = today(workspace, today=TODAY)
    assert [row.lot for row in found.arrived] == [f"L{number:04d}" for number in range(14, 14 - LATEST, -1)]
    assert found.unjudged == {"L0008", "L0007", "L0006", "L0005"}
    assert {row.lot for row in found.arrived if row.suspicion is None} >= found.unjudged
    assert all(
        row.open + row.accepted + row.quarantined + row.rejected + row.returned + row.fitted == 20
        for row in found.arrived
    )
    assert len(found.next.lots) * 20 <= MOST_PIECES
    assert found.next.bounded
    assert found.next.of == 14


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_a_window_that_closed_long_ago_is_left_to_due(workspace: Workspace) -> None:
    a_lot(workspace, arrived=TODAY - timedelta(days=500), claim_by=TODAY - timedelta(days=480))
    a_lot(workspace, arrived=TODAY - timedelta(days=50), claim_by=TODAY - timedelta(days=20))
    assert [one.lot for one in due(workspace, today=TODAY)] == ["L0001", "L0002"]
    assert [one.lot for one in today(workspace, today=TODAY).due] == ["L0002"]


def test_windows_page_by_page_open_ones_first(workspace: Workspace) -> None:
    for days in (-400, 3, -20, 3, -1, 0, -20):
        a_lot(workspace, arrived=TODAY - timedelta(days=500), claim_by=TODAY + timedelta(days=days))
    a_lot(workspace, arrived=TODAY - timedelta(days=500))
    for within, wanted in ((None, "6 2 4 5 3 7 1"), (0, "6 5 3 7 1")):
        for limit in (1, 2, 3, 7):
            rows, after = [], None
            while True:
                page = due_page(workspace, today=TODAY, within=within, limit=limit, after=after)
                assert page.found == len(wanted.split())
                assert len(page.due) <= limit
                rows, after = [*rows, *page.due], page.next
                if after is None:
                    break
            assert [one.lot for one in rows] == [f"L000{one}" for one in wanted.split()]
            assert soonest_first(rows) == due(workspace, today=TODAY, within=within)
    seen = today(workspace, today=TODAY)
    assert ([one.lot for one in seen.due], seen.windows) == ([f"L000{one}" for one in (3, 7, 5, 6, 2, 4)], 6)
    with pytest.raises(BadRequest, match="no last day"):
        due_page(workspace, today=TODAY, after="L0008")


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_the_number_of_questions_does_not_grow_with_the_lots(workspace: Workspace) -> None:
    grow(workspace, replace(SMALL, lots=40, pieces=4, looks=2.0, seed=8))
    today(workspace, today=TODAY)
    with asked(workspace) as questions:
        today(workspace, today=TODAY)
    assert questions.number <= 36
    with asked(workspace) as of_due:
        due(workspace, today=TODAY)
    with asked(workspace) as of_next:
        next_tests(workspace, None, minutes=None, today=TODAY)
    assert of_due.number <= 16
    assert of_next.number <= 30


@pytest.mark.parametrize("workspace", ["sqlite"], indirect=True)
def test_why_nothing_is_due_takes_no_more_questions_for_more_lots(workspace: Workspace) -> None:
    counts = []
    for more in (2, 12):
        for number in range(more):
            a_lot(workspace, order=f"W-{more}-{number}", quantity=1, received=1, claim_by=None)
        with asked(workspace) as questions:
            assert "No last day for a claim is on record for L0001, L0002" in nothing_due(workspace)
        counts.append(questions.number)
    assert counts[0] == counts[1]


def test_the_page_of_a_lot_says_of_its_window_what_due_says(workspace: Workspace) -> None:
    grow(workspace, SMALL)
    windows = {one.lot: one for one in due(workspace, today=TODAY)}
    for label in ("L0001", "L0002", "L0003"):
        assert lot_page(workspace, label, today=TODAY).due == windows.get(label)
    assert windows
