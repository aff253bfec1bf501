"""Bags whose manifests are all right and whose records, journal or provenance are not."""

import contextlib
import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bagit
import pytest
from bags import copy, edited, refused, reseal
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tracker.desk.bag_read import opened
from tracker.errors import BadRequest, Damaged, LotproofError


def _set(value, *path):
    *most, last, new = path
    for key in most:
        value = value[key]
    value[last] = new


CONTRADICTIONS = {
    "a newer schema": (BadRequest, lambda v: _set(v, "schema", "lotproof.bag/2"), "newer Lotproof"),
    "a newer migration": (BadRequest, lambda v: _set(v, "records", "v9999"), "newer Lotproof"),
    "a field of no schema": (BadRequest, lambda v: _set(v, "extra", 1), "not as it must be"),
    "a column of no table": (BadRequest, lambda v: _set(v, "tables", "piece", 0, "colour", "x"), "rows of piece"),
    "a table of ours that is not for bags": (BadRequest, lambda v: _set(v, "tables", "journal_entry", []), "unknown"),
    "a missing table": (BadRequest, lambda v: v["tables"].pop("photo") and None, "no table 'photo'"),
    "a text where a number must be": (BadRequest, lambda v: _set(v, "tables", "piece", 0, "number", "1"), "piece"),
    "a number beyond all": (BadRequest, lambda v: _set(v, "tables", "piece", 0, "number", 10**40), "piece"),
    "a row twice": (BadRequest, lambda v: v["tables"]["piece"].append(v["tables"]["piece"][0]), "twice"),
    "a row of another lot": (BadRequest, lambda v: _set(v, "tables", "photo", 0, "lot_id", 77), "not there"),
    "another lot": (BadRequest, lambda v: _set(v, "lot", "L0099"), "not those of the one lot"),
    "a piece too few": (BadRequest, lambda v: v["tables"]["piece"].pop() and None, "has not the pieces"),
    "an edited reading": (Damaged, lambda v: _set(v, "tables", "inspection", 0, "suspicion", 0.01), "not those that"),
    "an edited verdict": (Damaged, lambda v: _set(v, "tables", "bench_run", 0, "verdict", "pass"), "not those that"),
    "an added decision": (
        Damaged,
        lambda v: v["tables"]["decision"].append({**v["tables"]["decision"][0], "id": 9}),
        "not those that",
    ),
    "another digest of a file": (Damaged, lambda v: _set(v, "files", 0, "sha256", "0" * 64), "contradict"),
    "another size of a file": (Damaged, lambda v: _set(v, "files", 0, "size_bytes", 1), "contradict"),
    "a file outside": (Damaged, lambda v: _set(v, "files", 0, "path", "../x"), "contradict"),
    "a file that is not named": (Damaged, lambda v: v["files"].pop() and None, "know nothing"),
    "another head": (Damaged, lambda v: _set(v, "head", "hash", "0" * 64), "does not end at the head"),
    "another workshop": (Damaged, lambda v: _set(v, "workshop_id", "0" * 64), "does not begin"),
    "no object": (BadRequest, lambda _: [1], "not as it must be"),
}


@pytest.mark.parametrize("what", CONTRADICTIONS)
def test_records_that_contradict(bag: Path, what: str) -> None:
    kind, change, match = CONTRADICTIONS[what]
    edited(bag, "records.json", change)
    assert bagit.Bag(str(bag)).is_valid()  # so nothing but the records can be what is wrong
    refused(bag, kind, match)


def _journal(bag: Path, change: Callable[[list], object]) -> None:
    path = bag / "data" / "journal.jsonl"
    entries = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    change(entries)
    path.write_text("".join(f"{json.dumps(entry)}\n" for entry in entries), encoding="utf-8")
    reseal(bag)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda e: e[2].update(operator="somebody else"), "journal entry 3 was changed"),
        (lambda e: e[2].update(signature="0" * 128), "signature of journal entry 3 does not fit"),
        (lambda e: e[2].update(signature=None), "journal entry 3 is not signed"),
        (lambda e: e[2].update(signing_key="0" * 32), "key that signed journal entry 3 is not there"),
        (lambda e: e[2].update(body=e[2]["body"].replace("top", "bot")), "journal entry 3 was changed"),
        (lambda e: e.insert(0, e.pop(3)), "not in its place"),
        (lambda e: e.append(e[-1]), "not in its place"),
        (lambda e: e.pop(), "wrote|head"),
        (lambda e: e.clear(), "does not end at the head"),
        (lambda e: e.pop(0), "are not those that it wrote"),
    ],
)
def test_a_journal_that_was_changed(bag: Path, change: Callable[[list], object], match: str) -> None:
    _journal(bag, change)
    refused(bag, Damaged, match)


@pytest.mark.parametrize(
    ("name", "data", "match"),
    [
        ("records.json", b"{", "Invalid JSON"),
        ("records.json", b"[" * 100_000, "Invalid JSON"),
        ("records.json", b'{"schema": NaN}', "not as it must be"),
        ("records.json", b"\xff", "Invalid JSON"),
        ("records.json", b"1" * 10_000, "not as it must be"),
        ("journal.jsonl", b"[" * 100_000, "line 1"),
        ("provenance.json", b"[" * 100_000, "no PROV-JSON"),
        ("provenance.json", b"[]", "no PROV-JSON"),
        ("provenance.json", b"{}", "tells nothing of L0001"),
        ("provenance.json", b'{"entity": {"nowhere:x": {}}}', "no PROV-JSON"),
        ("provenance.json", b"\xff\xfe", "no PROV-JSON"),
    ],
)
def test_json_that_cannot_be_read(bag: Path, name: str, data: bytes, match: str) -> None:
    (bag / "data" / name).write_bytes(data)
    reseal(bag)
    refused(bag, BadRequest, match)


@pytest.mark.parametrize("name", ["LARGEST_RECORDS", "LARGEST_JOURNAL", "LARGEST_PROVENANCE"])
def test_huge_json_is_not_read(sound: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f"tracker.dossier.bag.records.{name}", 100)
    refused(sound, BadRequest, "has more than 100 bytes")


@pytest.mark.parametrize("cells", [[[]] * 1000, [0] * 1000, [{}] * 1000, [{"id": []}] * 1000])
def test_the_first_of_many_faults_is_enough(bag: Path, cells: list[object]) -> None:
    """A fault kept for each of millions of rows would fill the memory."""
    edited(bag, "records.json", lambda value: _set(value, "tables", "piece", cells))
    with pytest.raises(BadRequest, match=r"not as (it|they) must be") as caught, opened(bag):
        pass
    more = re.search(r"and (\d+) more", caught.value.what)
    assert more is None or int(more[1]) < 10


def test_a_document_of_too_many_values_is_not_read(sound: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.desk.bag_read.MOST_VALUES", 100)
    refused(sound, BadRequest, "more than 100 values")


ODD = [
    None,
    True,
    0,
    -1,
    10**30,
    1e308,
    "",
    "x",
    "\u202e",
    "../x",
    [],
    {},
    [1],
    {"a": 1},
    "L0001",
    "0" * 64,
    "2031-02-30",
]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(["records.json", "provenance.json"]), data=st.data())
def test_any_changed_value_gets_a_sentence(sound: Path, tmp_path: Path, name: str, data: st.DataObject) -> None:
    """One value anywhere exchanged or left out, all manifests right: taken in or refused, never a fault of ours."""
    bag = tmp_path / "changed"
    shutil.rmtree(bag, ignore_errors=True)
    copy(sound, bag)
    value = json.loads((bag / "data" / name).read_text(encoding="utf-8"))
    here, key = data.draw(st.sampled_from(list(_places(value))))
    if data.draw(st.booleans()):
        here[key] = data.draw(st.sampled_from(ODD))
    else:
        del here[key]
    (bag / "data" / name).write_text(json.dumps(value), encoding="utf-8")
    reseal(bag)
    with contextlib.suppress(LotproofError), opened(bag) as foreign:
        assert foreign.records.lot == "L0001"


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    for key in list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ():
        yield value, key
        yield from _places(value[key])
