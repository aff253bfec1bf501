"""The committed photo of a lot on its card, through the whole of `inspect`: what a script gets."""

import csv
from pathlib import Path

import numpy as np
import pytest
from shapely import Polygon

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
ROWS = [r for r in csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")) if r["file"] == "card_lot.jpg"]
CELLS = (1, 2, 3, 4, 5, 7)


@pytest.fixture(scope="module")
def photo() -> dict:
    from tracker.desk.inspect import inspect_photos

    return inspect_photos([SAMPLES / "card_lot.jpg"], claimed="CV6522AP").as_json()["photos"][0]


def test_every_chip_is_found_once_and_no_print_is(photo) -> None:
    assert len(photo["pieces"]) == len(ROWS)
    for piece, row in zip(photo["pieces"], ROWS, strict=True):
        true = Polygon([(float(row[f"x{i}"]), float(row[f"y{i}"])) for i in range(4)])
        found = Polygon(piece["outline"])
        assert true.intersection(found).area / true.union(found).area > 0.8
        assert [line["text"] for line in piece["lines"] if len(line["text"]) > 4] == row["lines"].split(" / ")


def test_cells_give_the_labels(photo) -> None:
    assert [piece["label"] for piece in photo["pieces"]] == [f"L0003-{n:02d}" for n in CELLS]
    assert [piece["cell"] for piece in photo["pieces"]] == list(CELLS)


def test_the_card_is_in_the_document(photo) -> None:
    card = photo["card"]
    assert (card["kind"], card["lot"], card["page"]) == ("large", "L0003", 1)
    assert [m["place"] for m in card["markers"]] == list(range(9))
    assert all(m["used"] for m in card["markers"])
    # As rendered: 1560 pixels see 212 mm across where the camera looks, the card's middle is about there.
    assert card["mm_per_px"] == pytest.approx(212 / 1560, rel=0.04)
    assert card["residual_mm"] < 0.05
    assert card["camera_height_mm"] == pytest.approx(236, rel=0.03)
    # The renderer's lamp and sensor favour red and slight blue.
    red, green, blue = card["white_balance"]
    assert red < green < blue
    levels = np.array(card["tone"])
    assert (np.diff(levels, axis=0) > 0).all()
    assert len(card["cells"]) == 12
    for cell, number in zip(card["cells"], range(1, 13), strict=True):
        assert (cell["number"], cell["label"]) == (number, f"L0003-{number:02d}")


def test_the_wrong_body_is_found_by_its_size_and_it_alone(photo) -> None:
    """Piece 4 was rendered 56.0 mm long; DIP-40 is 50.3 to 53.2 mm (Harris E40.6, MS-011-AC)."""
    findings = {
        piece["label"]: [f for f in piece["findings"] if f["code"] == "body-size-against-package"]
        for piece in photo["pieces"]
    }
    (finding,) = findings.pop("L0003-04")
    assert not any(findings.values())
    assert (finding["family"], finding["unit"], finding["strength"]) == ("body", "mm", "clear")
    assert finding["value"] == pytest.approx(56.0, abs=1.2)
    assert (finding["reference"], finding["reference_range"]) == (53.2, [50.3, 53.2])
    assert finding["weight_db"] > 0
    suspicions = [piece["suspicion"] for piece in photo["pieces"]]
    assert suspicions.index(max(suspicions)) == 3
