"""Pictures: what they show, who may have them, that each is made once, and what stands in for damaged evidence."""

import io
import re
import shutil
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import select
from web_pages import Pages

from tracker.desk.crops import WIDTHS, Studio
from tracker.desk.picture_cache import PictureCache, folder
from tracker.desk.workspace import Workspace
from tracker.records.models import Inspection, Photo
from vision import plate
from vision.photo import Picture


def _first_photo(pages: Pages) -> tuple[str, list[int]]:
    """Return the digest of a photo and the inspections of the chips in it."""
    with pages.app.state.workspace.read() as session:
        photo = session.scalars(select(Photo).order_by(Photo.id)).first()
        seen = session.scalars(select(Inspection.id).where(Inspection.photo_id == photo.id))
        return photo.sha256, list(seen)


def _opened(answer: Any) -> Image.Image:
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    return Image.open(io.BytesIO(answer.content))


def test_a_top_is_cut_out_as_pillow_cuts_it() -> None:
    """Pillow's own quadrilateral mapping is the reference: another library, the same corners."""
    rng = np.random.default_rng(5)
    small = Image.fromarray(rng.integers(40, 220, (8, 12, 3), dtype=np.uint8))
    photo = small.resize((600, 400), Image.Resampling.BICUBIC)
    # A parallelogram upside down, for which a mapping of quadrilaterals and a homography are the same.
    outline = ((520.0, 330.0), (120.0, 290.0), (130.0, 90.0), (530.0, 130.0))
    length, size = plate.within(outline, 320)
    shown = plate.top(Picture(np.asarray(photo), photo.size), outline, length=length).image
    assert (shown.shape[1], shown.shape[0]) == size
    assert max(size) == 320
    pad = round((320 - length) / 2)
    inner = shown[pad:-pad, pad:-pad]
    corners = [value for k in (0, 3, 2, 1) for value in outline[k]]
    other = photo.transform(
        (inner.shape[1], inner.shape[0]), Image.Transform.QUAD, corners, resample=Image.Resampling.BICUBIC
    )
    assert np.abs(inner.astype(float) - np.asarray(other, float)).mean() < 4


@pytest.mark.parametrize("width", WIDTHS)
def test_tops_come_in_the_sizes_there_are(pages: Pages, width: int) -> None:
    _, (first, *_) = _first_photo(pages)
    assert max(_opened(pages.get(f"/pictures/tops/{first}?w={width}")).size) == width


def test_a_page_says_how_large_its_pictures_are(pages: Pages) -> None:
    found = re.search(r'<img src="(/pictures/tops/[^"]+)" width="(\d+)" height="(\d+)"', pages.text("/lots/L0001"))
    assert found is not None
    assert _opened(pages.get(found[1].replace("&amp;", "&"))).size == (int(found[2]), int(found[3]))


def test_surroundings_are_never_made_larger_and_whole_photos_fit(pages: Pages) -> None:
    sha256, (first, *_) = _first_photo(pages)
    assert max(_opened(pages.get(f"/pictures/around/{first}?w=2560")).size) < 600
    assert _opened(pages.get(f"/pictures/photos/{sha256}?w=640")).size == (640, 480)
    assert _opened(pages.get(f"/pictures/photos/{sha256}?w=2560")).size == (1600, 1200)


def test_a_picture_that_is_known_is_not_sent_again(pages: Pages) -> None:
    sha256, (first, *_) = _first_photo(pages)
    for path in (f"/pictures/tops/{first}?w=160", f"/pictures/photos/{sha256}?w=160"):
        tag = pages.get(path).headers["etag"]
        again = pages.get(path, headers={"if-none-match": tag})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
        assert pages.get(path.replace("160", "320")).headers["etag"] != tag


def test_only_an_address_that_names_what_it_shows_is_kept_for_good(pages: Pages) -> None:
    """Ids begin at 1 in every workspace, and another one may be served at this address tomorrow."""
    sha256, (first, *_) = _first_photo(pages)
    found = re.search(rf"/pictures/tops/{first}\?w=320&amp;v=\w+", pages.text("/lots/L0001"))
    assert found is not None
    good = pages.get(found[0].replace("&amp;", "&")).headers["cache-control"]
    assert good == "private, max-age=31536000, immutable"
    assert pages.get(f"/pictures/photos/{sha256}").headers["cache-control"] == good
    for v in ("", "&v=000000000000"):
        assert pages.get(f"/pictures/tops/{first}?w=320{v}").headers["cache-control"] == "private, no-cache"


def test_an_original_comes_byte_for_byte_to_be_saved(pages: Pages) -> None:
    sha256, _ = _first_photo(pages)
    answer = pages.get(f"/pictures/originals/{sha256}")
    assert answer.content == pages.app.state.workspace.store.read(sha256)
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["content-disposition"].startswith("attachment; filename*=UTF-8''L0001")
    assert answer.headers["x-content-type-options"] == "nosniff"
    tag = answer.headers["etag"]
    assert pages.get(f"/pictures/originals/{sha256}", headers={"if-none-match": tag}).status_code == 304


NOBODY = "0" * 64


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/pictures/tops/999999", 404),
        ("/pictures/tops/0", 422),
        ("/pictures/tops/-1", 422),
        ("/pictures/tops/1e3", 422),
        ("/pictures/tops/99999999999999999999", 422),
        ("/pictures/tops/1?w=161", 422),
        ("/pictures/tops/1?w=1000000", 422),
        ("/pictures/tops/1?w=nan", 422),
        ("/pictures/tops/1?w=", 422),
        ("/pictures/tops/1?w=160&v=" + "x" * 65, 422),
        ("/pictures/around/999999", 404),
        (f"/pictures/photos/{NOBODY}", 404),
        (f"/pictures/photos/{NOBODY.upper().replace('0', 'A')}", 422),
        ("/pictures/photos/..%2F..%2Frecords.db", 404),
        ("/pictures/photos/%2e%2e", 422),
        (f"/pictures/annotated/{NOBODY}", 404),
        (f"/pictures/originals/{NOBODY}", 404),
        (f"/lots/L0001/papers/{NOBODY}", 404),
        ("/lots/L0001/papers/x", 422),
    ],
)
def test_nothing_but_what_the_records_know(pages: Pages, path: str, status: int) -> None:
    answer = pages.get(path)
    assert answer.status_code == status
    assert "no-cache" in answer.headers["cache-control"]


def test_a_kept_file_that_is_no_photo_is_not_found_by_its_digest(pages: Pages) -> None:
    kept = pages.app.state.workspace.store.keep(b"<script>alert(1)</script>").sha256
    for way in ("photos", "annotated", "originals"):
        assert pages.get(f"/pictures/{way}/{kept}").status_code == 404


def test_a_photo_is_decoded_once_for_all_its_pictures(pages: Pages) -> None:
    _, chips = _first_photo(pages)
    studio: Studio = pages.app.state.studio
    for width in (160, 320, 640):
        for one in chips:
            _opened(pages.get(f"/pictures/tops/{one}?w={width}"))
    assert (len(chips), studio.decoded) == (12, 1)


def test_decoded_photos_are_held_up_to_a_bound(pages: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    studio: Studio = pages.app.state.studio
    with pages.app.state.workspace.read() as session:
        photos = list(dict.fromkeys(session.scalars(select(Photo.sha256).order_by(Photo.id))))
    one = 1600 * 1200 * 3
    for bound, held in ((2.5 * one, 2), (0.5 * one, 0)):
        monkeypatch.setattr("tracker.desk.crops.MOST_DECODED", bound)
        for number, sha256 in enumerate(photos[:3]):
            studio.picture(studio.photo(sha256), (320, 640, 1280)[number] if held else 160)
        assert len(studio._open) == held


def test_many_at_once_decode_once(pages: Pages) -> None:
    _, chips = _first_photo(pages)
    studio: Studio = pages.app.state.studio
    source, got = studio.top(chips[0]), []
    threads = [threading.Thread(target=lambda: got.append(studio.picture(source, 640))) for _ in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    assert (len(got), len(set(got)), studio.decoded) == (8, 1, 1)


@pytest.fixture
def damaged(grown: Path, tmp_path: Path) -> Path:
    """Give a copy of the workshop that a test may damage."""
    shutil.copytree(grown, tmp_path / "w")
    return tmp_path / "w"


@pytest.mark.parametrize("fault", ["missing", "damaged"])
def test_a_word_stands_where_the_evidence_cannot_be_shown(damaged: Path, fault: str) -> None:
    pages = Pages(damaged)
    sha256, (first, *_) = _first_photo(pages)
    file = damaged / "evidence" / sha256[:2] / sha256
    file.chmod(0o600)
    if fault == "missing":
        file.unlink()
    else:
        file.write_bytes(b"GIF89a" + file.read_bytes()[6:])
    for path in (f"/pictures/tops/{first}?w=320", f"/pictures/around/{first}", f"/pictures/photos/{sha256}?w=320"):
        answer = pages.get(path)
        assert (answer.status_code, answer.headers["content-type"]) == (200, "image/svg+xml")
        assert answer.headers["cache-control"] == "no-store"
        assert f"photo {fault}" in answer.text
    assert pages.get(f"/pictures/originals/{sha256}").status_code == 503
    assert pages.get("/lots/L0001").status_code == 200
    assert pages.get("/pieces/L0001-01").status_code == 200


def test_pictures_are_there_after_a_restart(grown: Path, tmp_path: Path) -> None:
    with Workspace.open(grown) as workspace:
        first = Studio(workspace, PictureCache(tmp_path / "kept"))
        source = first.top(1)
        shown = first.picture(source, 320)
        second = Studio(workspace, PictureCache(tmp_path / "kept"))
        assert (second.picture(source, 320), second.decoded) == (shown, 0)
        assert (tmp_path / "kept").stat().st_mode & 0o077 == 0
        # A power cut may leave a file without its content.
        for path in (tmp_path / "kept").iterdir():
            path.write_bytes(shown[:100])
        third = Studio(workspace, PictureCache(tmp_path / "kept"))
        assert (third.picture(source, 320), third.decoded) == (shown, 1)


def test_the_cache_is_bounded_in_memory_and_on_disk(tmp_path: Path) -> None:
    cache = PictureCache(tmp_path, memory=5000, disk=8000)
    names = [f"{number:064x}" for number in range(20)]
    for name in names:
        cache.put(name, b"\xff\xd8" + bytes(996) + b"\xff\xd9")
    left = sum(path.stat().st_size for path in tmp_path.iterdir())
    assert 0 < left <= 8000
    assert [name for name in names if cache.get(name)][-1] == names[-1]
    assert sum(map(len, cache._held.values())) <= 5000


def test_a_cache_that_cannot_be_written_only_makes_it_slower(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    cache = PictureCache(tmp_path / "file" / "pictures")
    cache.put("a" * 64, b"\xff\xd8\xff\xd9")
    assert cache.get("a" * 64) == b"\xff\xd8\xff\xd9"
    assert PictureCache(tmp_path / "file" / "pictures").get("a" * 64) is None


def test_where_pictures_are_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LOTPROOF_CACHE", str(tmp_path))
    assert folder() == tmp_path / "pictures"
    monkeypatch.setenv("LOTPROOF_CACHE", "")
    assert folder() is None
    monkeypatch.delenv("LOTPROOF_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert folder() == tmp_path / "cache" / "lotproof" / "pictures"


def test_papers_come_to_be_saved_and_are_never_shown(pages: Pages) -> None:
    found = re.search(r"/lots/(L\d+)/papers/[0-9a-f]{64}", "".join(pages.text(f"/lots/L000{n}") for n in range(1, 5)))
    assert found is not None
    answer = pages.get(found[0])
    assert answer.content.startswith(b"stands in for the ")
    assert answer.headers["content-type"] == "application/octet-stream"
    assert answer.headers["content-disposition"].startswith("attachment")
    other = "L0001" if found[1] != "L0001" else "L0002"
    assert pages.get(found[0].replace(found[1], other)).status_code == 404
