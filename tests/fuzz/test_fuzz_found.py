"""What campaigns of hostile input have found, each mended."""

import io
import json
import sqlite3
import struct
import time
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from fuzz_photos import bomb
from PIL import Image

from tracker.bench.units import written
from tracker.desk.bag_read import opened
from tracker.desk.task import PhotoRow, Wish
from tracker.desk.task_rows import LIST, WORK, TaskRows
from tracker.dossier import provenance
from tracker.dossier.bag.source import unpack
from tracker.errors import BadRequest, Damaged
from tracker.records.session import explained
from vision import photo
from vision.errors import PhotoError


@pytest.mark.parametrize("text", ["96 mA\0", "96 \u202emA", "96\x1b mA", "96 m\u200bA", "\ud80096 mA"])
def test_a_unit_with_what_cannot_be_seen_is_refused(text: str) -> None:
    with pytest.raises(BadRequest, match="do not print"):
        written(text, "current")


def test_a_unit_that_cannot_be_told_is_refused() -> None:
    with pytest.raises(BadRequest, match="something else, where a current is needed"):
        written("12.3 dB;m", "current")


@pytest.mark.parametrize("space", [" ", "\xa0", "\u202f", "\u2009", "\t", "\n "])
def test_any_white_space_may_stand_before_a_unit(space: str) -> None:
    found = written(f"96{space}mA", "current")
    assert (found.value, found.text) == (pytest.approx(0.096), "96 mA")


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("task", "wish", "no JSON"),
        ("task", "wish", "[]"),
        ("task", "wish", '{"kind": 1, "subject": "L0001"}'),
        ("task", "refused", '[{"name": 1}]'),
        ("task", "refused", "[" * 100_000),
        ("task", "done", "many"),
        ("photo", "warnings", "7"),
        ("photo", "warnings", ""),
        ("photo", "size_bytes", "many"),
    ],
)
def test_a_row_of_the_work_list_that_somebody_edited_is_damaged(
    table: str, column: str, value: str, tmp_path: Path
) -> None:
    rows = TaskRows(tmp_path)
    try:
        rows.add(Wish("photograph", "L0001", "top"), "mira", "a" * 32, [PhotoRow(1, "a.png", "0" * 64, 10, ("soft",))])
        with closing(sqlite3.connect(tmp_path / WORK / LIST)) as other:
            other.execute(f"UPDATE {table} SET {column}=?", (value,))
            other.commit()
        with pytest.raises(Damaged, match=r"work list in .* is damaged"):
            rows.every()
    finally:
        rows.close()


def test_a_work_list_with_a_column_renamed_is_damaged(tmp_path: Path) -> None:
    rows = TaskRows(tmp_path)
    rows.add(Wish("photograph", "L0001", "top"), "mira", "a" * 32, [PhotoRow(1, "a.png", "0" * 64, 10, ("soft",))])
    rows.close()
    with closing(sqlite3.connect(tmp_path / WORK / LIST)) as other:
        other.execute("ALTER TABLE photo RENAME COLUMN warnings TO warning")
        other.commit()
    rows = TaskRows(tmp_path)
    try:
        with pytest.raises(Damaged, match=r"work list in .* is damaged"):
            rows.every()
    finally:
        rows.close()


def test_records_of_which_sqlite_cites_no_text_are_damaged() -> None:
    with pytest.raises(Damaged, match="are damaged"), explained("here"):
        b"\xcd.".decode()


def test_a_work_list_whose_own_words_are_spoiled_is_damaged(tmp_path: Path) -> None:
    TaskRows(tmp_path).close()
    path = tmp_path / WORK / LIST
    path.write_bytes(path.read_bytes().replace(b"CREATE TABLE task", b"CREATE TABLE \xfa\xfa\xfa\xfa", 1))
    with pytest.raises((Damaged, BadRequest), match="work list"):
        TaskRows(tmp_path)


def test_a_zip_member_that_lies_outside_of_its_file_is_damaged(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("bag/bagit.txt", b"x" * 40)
    data = bytearray(out.getvalue())
    end = data.rfind(b"PK\x05\x06")
    struct.pack_into("<I", data, end + 16, 2**31 - 1)  # where the directory is said to begin
    (tmp_path / "sent.zip").write_bytes(data)
    (tmp_path / "into").mkdir()
    with pytest.raises(Damaged, match="no sound ZIP file"):
        unpack(tmp_path / "sent.zip", tmp_path / "into")


@pytest.mark.parametrize(
    "told",
    [
        {"prefix": {"ws": "urn:w:"}, "entity": {"ws:1": [{f"ws:a{i}": "x"} for i in range(10_000)]}},
        {"prefix": {f"p{i}": f"urn:{i}:" for i in range(20_000)}},
    ],
    ids=["one name many times", "many prefixes"],
)
def test_a_provenance_that_means_harm_is_read_at_once(told: object) -> None:
    """The library for provenance took 136 and 17 seconds of processor time for these."""
    began = time.process_time()
    provenance.names_in(told)
    assert time.process_time() - began < 1


@pytest.mark.parametrize(
    "told",
    [
        [],
        {"entity": []},
        {"bundle": {}},
        {"prefix": []},
        {"prefix": {"a": 1}},
        {"entity": {"x:1": {}}},
        {"entity": {"prov:a": 1}},
    ],
    ids=str,
)
def test_what_is_no_provenance_is_said(told: object) -> None:
    with pytest.raises(ValueError, match=r"it |its |what it says|the prefix"):
        provenance.names_in(told)


def test_names_are_those_that_the_library_reads() -> None:
    from prov.model import ProvDocument

    doc = ProvDocument()
    doc.add_namespace("ws", "urn:w:")
    doc.set_default_namespace("urn:d:")
    doc.entity("ws:1")
    doc.agent("a")
    doc.activity("ws:2")
    doc.wasGeneratedBy("ws:1", "ws:2")
    read = {one.identifier.uri for one in doc.get_records() if one.identifier is not None}
    assert provenance.names_in(json.loads(doc.serialize(format="json"))) == read == {"urn:w:1", "urn:d:a", "urn:w:2"}


def test_a_bomb_is_refused_by_what_its_format_takes() -> None:
    with pytest.raises(PhotoError, match="over the limit of 107 million"):
        photo.decode("bomb.png", bomb(60_000, 6))


def test_a_photo_in_strips_is_what_pillow_makes_of_it() -> None:
    """Of more rows than a strip, in every mode: as Pillow's own conversion of the whole."""
    import numpy as np

    chance = np.random.default_rng(3)
    whole = Image.fromarray(chance.integers(0, 255, (700, 60, 3), np.uint8))
    for mode in ("RGB", "L", "P", "1", "CMYK"):
        picture, out = whole.convert(mode), io.BytesIO()
        picture.save(out, "TIFF")
        assert np.array_equal(photo.pixels("x.tif", out.getvalue()).image, np.asarray(picture.convert("RGB")))
    clear, out = whole.convert("RGBA"), io.BytesIO()
    clear.putalpha(whole.convert("L"))
    clear.save(out, "PNG")
    white = Image.alpha_composite(Image.new("RGBA", clear.size, "white"), clear).convert("RGB")
    assert np.array_equal(photo.pixels("x.png", out.getvalue()).image, np.asarray(white))
    deep, out = chance.integers(0, 4000, (700, 60), np.uint16), io.BytesIO()
    Image.fromarray(deep).save(out, "PNG")
    wanted = (deep.astype(np.float32) * 255 / deep.max()).astype(np.uint8)
    assert np.abs(photo.pixels("x.png", out.getvalue()).image[..., 0].astype(int) - wanted).max() <= 1


@pytest.mark.parametrize(("bound", "said"), [("MOST_MEMBERS", "values with a name"), ("MOST_ENTRIES", "entries")])
def test_records_of_too_many_parts_are_refused_before_they_are_read(
    bound: str, said: str, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(f"tracker.desk.bag_read.{bound}", 3)
    with pytest.raises(BadRequest, match=rf"holds more than 3 {said}"), opened(bag):
        pass


def test_documents_in_a_row_do_not_count_as_members(bag: Path) -> None:
    """What is counted before reading, against the members that `json` finds: texts add the colons of times of day."""
    data = (bag / "data" / "records.json").read_bytes()
    found = 0

    def count(members: list[tuple[str, object]]) -> None:
        nonlocal found
        found += len(members)

    json.loads(data, object_pairs_hook=count)
    assert found <= data.count(b":") - data.count(b'\\":') <= 1.5 * found
    assert data.count(b":") > 1.5 * found
