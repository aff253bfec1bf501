"""The sentences on a dossier's first page say what was done, and no more."""

from stock import a_lot

from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import settle
from tracker.desk.dossier_copy import copy_of
from tracker.desk.dossier_outcome import outcome
from tracker.desk.learned import learned
from tracker.desk.pieces import find_lot, resolve_pieces
from tracker.desk.workspace import Workspace
from tracker.dossier.redaction import Redaction


def _said(workspace: Workspace, word: str) -> str:
    with workspace.read() as session:
        pieces = resolve_pieces(session, [word])
        copy = copy_of(session, find_lot(session, "L0001"), Redaction())
        return " ".join(outcome(session, pieces, copy, learned(session)))


def _measured(workspace: Workspace, current: str) -> None:
    pairs = (f"1 MHz={current}",)
    request = CurrentRequest(pairs=pairs, limit="6 mA", limit_source="invented", u="0.1 mA")
    run_current(workspace, "L0001-01", request, operator="mira")


def test_what_nobody_looked_at_is_not_judged(workspace: Workspace) -> None:
    a_lot(workspace)
    assert "Nothing was seen or measured of it: its suspicion of 15 % is that of its seller" in _said(
        workspace, "L0001-01"
    )
    whole = _said(workspace, "L0001")
    assert "Nothing was seen or measured of them" in whole
    assert "likely" not in whole


def test_an_earlier_verdict_of_the_same_test_is_named(workspace: Workspace) -> None:
    a_lot(workspace)
    _measured(workspace, "96 mA")
    assert "it is more likely not what was claimed: suspicion" in _said(workspace, "L0001-01")
    _measured(workspace, "4 mA")
    said = _said(workspace, "L0001-01")
    assert "one bench test: pass; earlier runs of the same test said otherwise: B0001 fail." in said
    assert "it is more likely what was claimed: suspicion" in said


def test_pieces_nobody_looked_at_are_not_listed_with_those_that_were(workspace: Workspace) -> None:
    a_lot(workspace)
    settle(workspace, "L0001-01", "not-genuine", "opened by a laboratory", operator="mira")
    said = _said(workspace, "L0001")
    assert "1 is more likely not what was claimed: L0001-01. 2 were neither seen nor measured" in said
