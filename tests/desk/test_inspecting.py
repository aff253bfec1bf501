"""What was seen becomes the inspection document of the contract."""

import json
from datetime import date

import pytest
from staged import Stage, chip, found, picture

from tracker.desk import inspect as desk
from tracker.desk.inspect import inspect_photos
from tracker.desk.reading import understand
from tracker.judgement.marking import Claim
from tracker.judgement.weights import declared
from vision.observations import Line

TODAY = date(2031, 4, 2)
CONTRACT_PIECE = {
    "outline",
    "package",
    "package_confidence",
    "lines",
    "part",
    "date_codes",
    "suspicion",
    "findings",
}
CONTRACT_FINDING = {"code", "family", "weight_db", "message", "value", "unit", "reference", "outline"}


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    monkeypatch.setattr(desk, "look", one.look)
    return one


def test_the_document_has_the_contract_s_fields(stage, tmp_path):
    seen = chip("CV6522AP", "8914 K2104", observations=[found("surface-sanded", "surface")])
    path = stage.put(picture(tmp_path, "a.png"), seen)
    document = inspect_photos([path], today=TODAY).as_json()
    json.dumps(document, allow_nan=False)
    assert document["schema"] == "lotproof.inspection/1"
    (photo,) = document["photos"]
    assert {"path", "sha256", "width", "height", "warnings", "card", "pieces"} <= set(photo)
    assert "error" not in photo
    assert photo["card"] is None
    (piece,) = photo["pieces"]
    assert set(piece) >= CONTRACT_PIECE
    assert set(piece["lines"][0]) == {"text", "confidence", "outline", "readers", "siblings"}
    assert piece["lines"][0]["readers"] == {"rapidocr": "CV6522AP"}
    assert piece["part"] == "CV6522AP"
    assert piece["part_split"] == {
        "prefix": "CV",
        "base": "6522",
        "grade": None,
        "package": "plastic DIP",
        "temperature": "0 to 70 C",
        "source": "Corvane: invented for the demo",
    }
    date_code = piece["date_codes"][0]
    assert set(date_code) == {"text", "year", "week", "month", "style", "probability"}
    assert (date_code["year"], date_code["week"]) == (1989, 14)
    (finding,) = piece["findings"]
    assert set(finding) >= CONTRACT_FINDING
    assert finding["weight_db"] == pytest.approx(declared().weight_db("surface-sanded"), abs=0.01)
    assert finding["outline"] == [[25, 25], [45, 25], [45, 33], [25, 33]]
    total = sum(line["weight_db"] for line in piece["sum"])
    assert piece["suspicion"] == pytest.approx(1 / (1 + 10 ** (-total / 10)), abs=1e-3)
    assert document["groups"] == [{"part": "CV6522AP", "pieces": [[0, 0]]}]
    assert document["method"]["weights"] == declared().version


def test_a_ctrl_c_says_that_it_stopped(tmp_path, lotproof, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(desk, "look", interrupted)
    ran = lotproof("inspect", picture(tmp_path, "a.png"))
    assert ran.code == 130
    assert ran.err.strip() == "lotproof: Stopped. What it did not yet report as kept was not recorded."


def test_what_siblings_read_stands_beside_a_piece_s_own_reading(stage, tmp_path, lotproof):
    chips = [chip("CV6522AP", at=(20, 20)), chip("CV6522AP", at=(20, 90)), chip("CV65Z2AP", at=(20, 160))]
    path = stage.put(picture(tmp_path, "a.png"), *chips)
    pieces = lotproof("inspect", path, "--json").json["photos"][0]["pieces"]
    assert [piece["lines"][0]["text"] for piece in pieces] == ["CV6522AP", "CV6522AP", "CV65Z2AP"]
    assert pieces[2]["lines"][0]["siblings"] == {"text": "CV6522AP", "pieces": 2, "of": 2}
    assert pieces[2]["part"] == "CV65Z2AP"
    assert "CV65Z2AP: 2 of 2 siblings read CV6522AP" in lotproof("inspect", path).out


def test_what_is_no_part_number_is_not_split(stage, tmp_path):
    path = stage.put(picture(tmp_path, "a.png"), chip("???"))
    (piece,) = inspect_photos([path], today=TODAY).as_json()["photos"][0]["pieces"]
    assert piece["part"] is None
    assert piece["part_split"] is None


def test_a_piece_without_findings_stays_at_an_unknown_source_s_prior(stage, tmp_path):
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"), chip("???", at=(20, 120)))
    document = inspect_photos([path], today=TODAY)
    assert [piece.suspicion for piece in document.photos[0].pieces] == pytest.approx([0.1, 0.1], abs=0.03)


def test_groups_are_pieces_of_one_part_across_photos_glyphs_folded(stage, tmp_path):
    one = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"), chip("HDS62256LP-10", at=(20, 120)))
    two = stage.put(picture(tmp_path, "b.png", shade=50), chip("CV6522AP"), chip("", at=(20, 120)))
    groups = inspect_photos([one, two], today=TODAY).groups
    assert [(group.part, group.pieces) for group in groups] == [
        ("CV6522AP", ((0, 0), (1, 0))),
        ("HDS62256LP-10", ((0, 1),)),
    ]


def test_a_claim_that_is_not_met(stage, tmp_path):
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6502AP", "8914"), chip("CV6522AP", "8914", at=(20, 120)))
    other, same = inspect_photos([path], claimed="CV6522AP", today=TODAY).photos[0].pieces
    assert [finding.code for finding in other.findings] == ["marking-other-part"]
    assert other.findings[0].outline == other.lines[0].outline
    assert other.suspicion > 0.9
    assert same.findings == ()
    assert same.suspicion < 0.1


def test_a_week_that_does_not_exist_is_found(stage, tmp_path):
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP", "8954"), chip("CV6522AP", "8914", at=(20, 120)))
    impossible, possible = inspect_photos([path], today=TODAY).photos[0].pieces
    assert [finding.code for finding in impossible.findings] == ["date-week-impossible"]
    assert possible.findings == ()


def test_the_odd_date_code_among_siblings_is_mild(stage, tmp_path):
    codes = ["8914", "8914", "8914", "9002"]
    chips = [chip("CV6522AP", code, at=(20, 20 + 60 * n)) for n, code in enumerate(codes)]
    pieces = inspect_photos([stage.put(picture(tmp_path, "a.png"), *chips)], today=TODAY).photos[0].pieces
    assert [[f.code for f in piece.findings] for piece in pieces] == [[], [], [], ["date-codes-differ"]]
    assert pieces[3].suspicion < 0.2


def test_an_unusable_photo_does_not_stop_the_others(stage, tmp_path, lotproof):
    good = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))
    ran = lotproof("inspect", tmp_path / "missing.jpg", good, "--json")
    assert ran.code == 2
    first, second = ran.json["photos"]
    assert "missing.jpg" in first["error"]
    assert first["pieces"] == []
    assert first["sha256"] is None
    assert len(second["pieces"]) == 1
    assert "missing.jpg" in ran.err


def test_text_shows_suspicion_reasons_and_the_sum(stage, tmp_path, lotproof):
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP", observations=[found("surface-coated", "surface")]))
    ran = lotproof("inspect", path, "--overlay", tmp_path / "out")
    assert ran.code == 0
    assert "suspicion" in ran.out
    assert "surface-coated was seen." in ran.out
    assert "in all" in ran.out
    assert (tmp_path / "out" / "a-annotated.jpg").read_bytes().startswith(b"\xff\xd8")


def test_overlays_of_photos_with_one_name_do_not_overwrite_each_other(stage, tmp_path, lotproof):
    (tmp_path / "x").mkdir()
    one = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))
    two = stage.put(picture(tmp_path / "x", "a.png", shade=40), chip("CV6522AP"))
    assert lotproof("inspect", one, two, "--overlay", tmp_path / "out").code == 0
    assert len(list((tmp_path / "out").iterdir())) == 2


@pytest.mark.parametrize("content", [b"", b"not a picture", b"\xff\xd8\xff\xe0\x00\x10JFIF"])
def test_what_is_no_picture_is_said_plainly(tmp_path, lotproof, content):
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(content)
    ran = lotproof("inspect", bad, tmp_path, tmp_path / "none.jpg", "--json")
    assert ran.code == 2
    assert [bool(photo["error"]) for photo in ran.json["photos"]] == [True, True, True]
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    ("read", "sure"),
    [
        ("CV82C55AJ", True),  # of no family we know, and far from the claim
        ("HDS6840FP", True),
        ("CV6822AP", False),  # of no family we know, and one misread character away
        ("N3307", False),  # far away, and perhaps a lot number
    ],
)
def test_a_part_of_no_known_family_is_another_part_when_it_is_far_from_the_claim(read: str, sure: bool) -> None:
    quad = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    understood = understand([Line(read, 1.0, quad, quad, ())], Claim(part="CV6522AP"), today=date(2031, 4, 2))
    assert (understood.part, understood.marking.part_sure) == (read, sure)
