"""Bottom photos of a lot: undersides measured, kept, and compared within one date code."""

from dataclasses import replace

import pytest
from drawn_undersides import MIDDLE, PAIR, underside
from staged import Stage, chip, picture
from stock import TODAY, a_lot

from tracker.cli.photo_text import print_photographed
from tracker.desk import photograph as desk
from tracker.desk.photograph import photograph
from tracker.judgement.weights import declared

MIXED = "mould-marks-mixed"


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    monkeypatch.setattr(desk, "look", one.look)
    return one


def on_its_back(n, dimples):
    return replace(chip(at=(20, 20 + 60 * n)), face=underside(dimples, n).face, photo="bottoms")


def tops(*dates):
    return [chip("CV6522AP", *([code] if code else []), at=(20, 20 + 60 * n)) for n, code in enumerate(dates)]


def photographed(workspace, stage, tmp_path, dates, layouts):
    """Photograph the tops of a lot, then its undersides."""
    a_lot(workspace, quantity=len(dates), received=len(dates))
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "tops.png"), *tops(*dates))], today=TODAY)
    backs = [on_its_back(n, layout) for n, layout in enumerate(layouts)]
    path = stage.put(picture(tmp_path, "bottoms.png", shade=40), *backs)
    return photograph(workspace, "L0001", [path], role="bottom", today=TODAY)


def flagged(document):
    return [one.piece for one in document.pieces if any(finding.code == MIXED for finding in one.findings)]


def test_an_underside_of_another_mould_is_a_weak_finding(workspace, stage, tmp_path, capsys):
    document = photographed(workspace, stage, tmp_path, ["8914"] * 4, [PAIR, PAIR, MIDDLE, PAIR])
    assert flagged(document) == ["L0001-03"]
    (finding,) = document.pieces[2].findings
    assert (finding.family, finding.strength) == ("body", "clear")
    assert finding.weight_db == pytest.approx(declared().weight_db(MIXED), abs=0.01)
    assert 0 < finding.weight_db < 4
    assert [len(one.underside.dimples) for one in document.pieces] == [2, 2, 1, 2]
    assert document.pieces[0].underside.dimples[0].diameter == pytest.approx(0.3, rel=0.4)
    print_photographed(document, copied=True)
    said = capsys.readouterr().out
    assert "underside: 1 round mark of the mould, 0." in said
    assert "it may come from another mould" in said


def test_other_date_codes_may_have_other_moulds(workspace, stage, tmp_path):
    dates = ["8914"] * 3 + ["9022"] * 3
    document = photographed(workspace, stage, tmp_path, dates, [PAIR] * 3 + [MIDDLE] * 3)
    assert flagged(document) == []


def test_a_later_photo_is_compared_with_the_earlier_ones(workspace, stage, tmp_path):
    document = photographed(workspace, stage, tmp_path, ["8914"] * 4, [PAIR, PAIR, PAIR])
    assert flagged(document) == []
    path = stage.put(picture(tmp_path, "last.png", shade=60), on_its_back(0, MIDDLE))
    later = photograph(workspace, "L0001", [path], role="bottom", today=TODAY)
    assert [one.piece for one in later.pieces] == ["L0001-04"]
    assert flagged(later) == ["L0001-04"]


def test_without_date_codes_nothing_is_compared_and_that_is_said(workspace, stage, tmp_path):
    document = photographed(workspace, stage, tmp_path, ["8914", "8914", "8914", ""], [PAIR, PAIR, PAIR, MIDDLE])
    assert flagged(document) == []
    assert document.pieces[3].underside is not None
    assert [note for note in document.notes if "No date code is known of L0001-04" in note]
