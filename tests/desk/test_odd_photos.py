"""Photos of every odd kind, through the verbs as a person calls them."""

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from stock import a_lot

from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from vision import photo

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
Picture = NDArray[np.uint8]
LINES = ["CV6522AP", "8733 K2104"]


def one_chip() -> Picture:
    """One piece of the marketplace lot with some foam around it."""
    whole = photo.decode(*photo.load(str(SAMPLES / "marketplace_lot.jpg"))).image
    return np.ascontiguousarray(whole[440:750, 985:1960])


def in_every_mode(folder: Path) -> list[Path]:
    """The same photo in every colour mode that a camera, a scanner or an editor may write."""
    picture = one_chip()
    image = Image.fromarray(picture)
    deep = picture.astype(np.uint16) * 257
    clear = image.convert("RGBA")
    veil = np.full(picture.shape[:2], 255, np.uint8)
    veil[:12] = 0  # cut free along the upper edge
    clear.putalpha(Image.fromarray(veil))
    image.convert("CMYK").save(folder / "cmyk.jpg", quality=92)
    image.quantize(200).save(folder / "palette.png")
    clear.save(folder / "alpha.png")
    (folder / "deep-colour.tif").write_bytes(cv2.imencode(".tiff", deep[..., ::-1])[1].tobytes())
    (folder / "deep-grey.png").write_bytes(cv2.imencode(".png", deep[..., 1] >> 4)[1].tobytes())  # 12 bits of 16
    return sorted(folder.iterdir())


@pytest.mark.thorough
def test_colour_modes_make_no_difference_to_what_is_read(tmp_path, lotproof):
    paths = in_every_mode(tmp_path)
    ran = lotproof("inspect", *paths, "--json")
    assert ran.code == 0, ran.err
    read = {
        Path(p["path"]).name: [[line["text"] for line in one["lines"]] for one in p["pieces"]]
        for p in ran.json["photos"]
    }
    assert read == {path.name: [LINES] for path in paths}


@pytest.fixture
def ground(tmp_path) -> Path:
    """A photo of bare cardboard."""
    grain = np.random.default_rng(2).normal(150, 4, (300, 420, 3)).clip(0, 255).astype(np.uint8)
    Image.fromarray(grain).save(tmp_path / "ground.png")
    return tmp_path / "ground.png"


def test_a_photo_without_a_chip_is_an_answer_and_no_error(ground, lotproof):
    ran = lotproof("inspect", ground, "--json")
    assert ran.code == 0
    (one,) = ran.json["photos"]
    assert one["pieces"] == []
    assert "no-chip" in [warning["code"] for warning in one["warnings"]]
    assert ran.json["groups"] == []
    shown = lotproof("inspect", ground)
    assert shown.code == 0
    assert "no chip found" in shown.out
    assert "fill the picture with the chips" in shown.out


@pytest.fixture
def workshop(tmp_path, sqlite_template) -> Path:
    folder = tmp_path / "w"
    with Workspace.open(folder, create=True) as opened:
        a_lot(opened)
    return folder


def test_one_pixel_is_refused_and_nothing_is_recorded(tmp_path, lotproof, workshop):
    Image.new("RGB", (1, 1)).save(tmp_path / "pixel.png")
    looked = lotproof("inspect", tmp_path / "pixel.png", "--json")
    assert looked.code == 2
    assert "has only 1 x 1 pixels" in looked.json["photos"][0]["error"]
    kept = lotproof("photograph", "L0001", tmp_path / "pixel.png", "--workspace", workshop)
    assert kept.code == 2
    assert "has only 1 x 1 pixels" in kept.err
    with Workspace.open(workshop) as opened:
        assert not opened.store.has(hashlib.sha256((tmp_path / "pixel.png").read_bytes()).hexdigest())
        assert verify(opened).faults == ()


def test_a_mirrored_photo_is_kept_and_said_to_be_one(tmp_path, lotproof, workshop):
    path = tmp_path / "selfie.png"
    Image.fromarray(np.ascontiguousarray(one_chip()[:, ::-1])).save(path)
    ran = lotproof("photograph", "L0001", path, "--workspace", workshop, "--json")
    assert ran.code == 0, ran.err
    (kept,) = ran.json["photos"]
    assert "mirrored" in [warning["code"] for warning in kept["warnings"]]
    with Workspace.open(workshop) as opened:
        assert opened.store.read(kept["sha256"]) == path.read_bytes()


def test_a_photo_without_a_chip_is_kept_for_the_lot_all_the_same(ground, lotproof, workshop):
    ran = lotproof("photograph", "L0001", ground, "--workspace", workshop, "--json")
    assert ran.code == 0, ran.err
    assert (ran.json["pieces"], ran.json["photos"][0]["chips"]) == ([], 0)
