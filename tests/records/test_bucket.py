"""Evidence in a bucket: whole or not at all on good days and bad ones, in bounded time, said in sentences.

The store is moto's server, asked besides by plain HTTP; a proxy before it makes the bad days.
"""

import hashlib
import io
import logging
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from buckets import Faults, bad_days, kept_in, plainly
from conftest import Lotproof
from stock import a_lot

from tracker import bucket as buckets
from tracker.desk.arrival import Paper
from tracker.desk.receive import add_documents
from tracker.desk.tidy import tidy
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore, Unreachable

DATA = b"the invoice of a counter's chips\n" * 100
SHA256 = hashlib.sha256(DATA).hexdigest()
THOROUGH = pytest.mark.sweep
NAME = f"workshop/{SHA256[:2]}/{SHA256}"


@pytest.fixture
def name(bucket: str) -> str:
    """Give the name of the bucket alone."""
    return bucket.split("/")[2]


@pytest.fixture
def bad(bucket: str, bucket_server: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[EvidenceStore, Faults]]:
    """Give a store whose requests pass through the proxy, and waits that are short."""
    monkeypatch.setattr(buckets, "ANSWER_S", 0.4)
    monkeypatch.setattr(buckets, "CONNECT_S", 0.2)
    monkeypatch.setattr(buckets, "PAUSES_S", (0.01, 0.02))
    with bad_days(bucket_server) as (endpoint, faults):
        yield EvidenceStore(bucket, endpoint), faults


def only(fault: str, *methods: str, times: int = 99) -> Callable[[str, str, int], str | None]:
    """Return a plan: this fault for these methods, so many times."""
    left = [times]

    def plan(method: str, _path: str, _before: int) -> str | None:
        if method not in methods or not left[0]:
            return None
        left[0] -= 1
        return fault

    return plan


def test_kept_once_under_its_digest(bucket: str, bucket_server: str, name: str) -> None:
    store = EvidenceStore(bucket)
    kept = store.keep(DATA)
    again = store.keep(DATA)
    assert (kept.sha256, kept.size_bytes, kept.new, again.new) == (SHA256, len(DATA), True, False)
    assert plainly(bucket_server, "GET", f"/{name}/{NAME}") == (200, DATA)
    assert kept_in(bucket_server, name) == [NAME]
    assert (store.has(SHA256), store.has("0" * 64), store.digest(SHA256)) == (True, False, (SHA256, len(DATA)))


def test_nothing_of_a_listing_is_remembered(bucket: str, bucket_server: str, name: str) -> None:
    store = EvidenceStore(bucket)
    assert (list(store.all()), store.has(SHA256)) == ([], False)
    plainly(bucket_server, "PUT", f"/{name}/{NAME}", DATA)  # another bench
    plainly(bucket_server, "PUT", f"/{name}/workshop/half-a-file", b"half")
    plainly(bucket_server, "PUT", f"/{name}/elsewhere/note", b"not ours")
    assert (list(store.all()), store.has(SHA256), list(store.strays())) == ([SHA256], True, ["half-a-file"])
    store.remove("half-a-file")
    assert sorted(kept_in(bucket_server, name)) == ["elsewhere/note", NAME]


@THOROUGH
def test_listings_come_page_by_page(
    bad: tuple[EvidenceStore, Faults], bucket_server: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, faults = bad
    monkeypatch.setattr(buckets, "PAGE", 3)
    for number in range(8):
        plainly(bucket_server, "PUT", f"/{name}/workshop/{number}", b"x")
    assert list(store.strays()) == [str(number) for number in range(8)]
    assert [method for method, _ in faults.seen] == ["GET"] * 3


def test_has_asks_for_one_object_and_lists_nothing(bad: tuple[EvidenceStore, Faults]) -> None:
    store, faults = bad
    assert not store.has(SHA256)
    assert [(method, path.partition("?")[0].count("/")) for method, path in faults.seen] == [("HEAD", 4)]


@pytest.mark.parametrize(
    "fault", ["drop-after", *(pytest.param(one, marks=THOROUGH) for one in ("500", "503", "drop", "hang"))]
)
def test_one_bad_answer_is_got_over(
    bad: tuple[EvidenceStore, Faults], bucket_server: str, name: str, fault: str
) -> None:
    store, faults = bad
    faults.plan = only(fault, "PUT", times=1)
    assert store.keep(DATA).sha256 == SHA256
    assert plainly(bucket_server, "GET", f"/{name}/{NAME}") == (200, DATA)
    faults.plan = only(fault, "GET", times=1)
    assert store.read(SHA256) == DATA


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("500", r"answered with a fault of its own \(InternalError\)"),
        pytest.param("503", r"answered with a fault of its own \(SlowDown\)", marks=THOROUGH),
        pytest.param("403", r"refuses us \(SignatureDoesNotMatch\)", marks=THOROUGH),
        pytest.param("drop", "does not answer", marks=THOROUGH),
        pytest.param("hang", r"does not answer \(it took too long\)", marks=THOROUGH),
    ],
)
def test_a_store_that_takes_nothing_leaves_nothing(
    bad: tuple[EvidenceStore, Faults], bucket_server: str, name: str, fault: str, said: str
) -> None:
    store, faults = bad
    faults.plan = only(fault, "PUT")
    begun = time.monotonic()
    with pytest.raises(BadRequest, match=said) as caught:
        store.keep(DATA)
    # What is declared: each try the time for connection, answer and bytes, and the pauses between them.
    each = buckets.CONNECT_S + buckets.ANSWER_S + len(DATA) / buckets.SLOWEST
    assert time.monotonic() - begun < buckets.TRIES * each + sum(buckets.PAUSES_S) + 1
    assert caught.value.advice.startswith("Nothing was recorded.")
    assert kept_in(bucket_server, name) == []
    puts = sum(method == "PUT" for method, _ in faults.seen)
    # aiohttp repeats a request by itself once where a connection that was kept open turns out to be closed.
    assert puts == {"403": 1, "drop": 2 * buckets.TRIES}.get(fault, buckets.TRIES)


@THOROUGH
def test_a_slow_store_is_waited_for(bad: tuple[EvidenceStore, Faults]) -> None:
    store, faults = bad
    faults.plan, faults.delay_s = only("slow", "PUT", "GET", "HEAD"), 0.1
    assert store.read(store.keep(DATA).sha256) == DATA


def test_a_part_is_never_taken_for_the_file(bad: tuple[EvidenceStore, Faults]) -> None:
    store, faults = bad
    store.keep(DATA)
    faults.plan = only("truncate", "GET", times=1)
    assert store.read(SHA256) == DATA
    faults.plan = only("truncate", "GET")
    with pytest.raises(Unreachable, match="broke off in the middle"):
        store.open(SHA256)
    with pytest.raises(OSError, match="broke off in the middle"):
        store.digest(SHA256)


def test_other_bytes_are_damage(bad: tuple[EvidenceStore, Faults], bucket_server: str, name: str) -> None:
    store, _ = bad
    store.keep(DATA)
    plainly(bucket_server, "PUT", f"/{name}/{NAME}", DATA[:-1])
    with pytest.raises(Damaged, match="has changed"):
        store.read(SHA256)
    with pytest.raises(Damaged, match="has changed"):
        store.keep(DATA)
    plainly(bucket_server, "DELETE", f"/{name}/{NAME}")
    with pytest.raises(Damaged, match="is missing"):
        store.read(SHA256)


def test_what_the_store_did_not_keep_right_goes_again(
    bad: tuple[EvidenceStore, Faults], bucket_server: str, name: str
) -> None:
    """Read back where it keeps no checksum; held against the checksum where it does."""
    store, faults = bad
    faults.plan = only("flip", "GET")
    with pytest.raises(BadRequest, match="did not keep the bytes"):
        store.keep(DATA)
    assert kept_in(bucket_server, name) == []
    faults.plan, faults.sha256 = only("summed", "HEAD"), "0" * 64
    with pytest.raises(BadRequest, match="did not keep the bytes"):
        store.keep(DATA)
    assert kept_in(bucket_server, name) == []
    faults.sha256 = SHA256
    faults.seen.clear()
    assert store.keep(DATA).new
    assert "GET" not in [method for method, _ in faults.seen]


@THOROUGH
def test_a_store_without_conditional_puts(bad: tuple[EvidenceStore, Faults]) -> None:
    store, faults = bad
    faults.plan = only("501", "PUT", times=1)
    assert store.keep(DATA).new
    assert store.read(SHA256) == DATA


@THOROUGH
def test_what_is_there_is_not_put_over(bucket: str, tmp_path: Path) -> None:
    """Another bench put it between the look and the put."""
    store = EvidenceStore(bucket)
    store.keep(DATA)
    (tmp_path / "same").write_bytes(DATA)
    assert store._bucket is not None
    assert not store._bucket.put(f"{SHA256[:2]}/{SHA256}", tmp_path / "same", SHA256, len(DATA))


@THOROUGH
def test_no_bucket_and_no_network(bucket: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(buckets, "PAUSES_S", (0.01, 0.02))
    for store, said in (
        (EvidenceStore("s3://there-is-none/workshop"), "There is no bucket there-is-none"),
        (EvidenceStore(bucket, "http://127.0.0.1:9"), "does not answer"),
    ):
        with pytest.raises(BadRequest, match=said):
            store.keep(DATA)
        with pytest.raises(Unreachable, match=said):
            list(store.all())


@THOROUGH
def test_no_credentials_at_all(bucket: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    buckets._filesystem.cache_clear()
    with pytest.raises(BadRequest, match=r"refuses us \(no credentials\)"):
        EvidenceStore(bucket).keep(DATA)
    buckets._filesystem.cache_clear()


def test_credentials_have_no_place_in_an_address() -> None:
    for url in ("s3://bench:hidden@bucket/workshop", "s3://bench@bucket"):
        with pytest.raises(BadRequest, match="holds credentials") as caught:
            EvidenceStore(url)
        assert "hidden" not in str(caught.value)
    with pytest.raises(BadRequest, match="names no bucket"):
        EvidenceStore("s3://")


@THOROUGH
def test_the_secret_is_never_logged(bucket: str, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG, logger="s3fs"):
        EvidenceStore(bucket).keep(DATA)
    assert "not-a-secret" not in caplog.text


@THOROUGH
def test_a_large_file_passes_through(bucket: str, tmp_path: Path) -> None:
    data = bytes(range(256)) * (12 << 12)  # 12 MiB: more than is held in memory
    (tmp_path / "large").write_bytes(data)
    store = EvidenceStore(bucket)
    kept = store.keep(tmp_path / "large")
    with store.open(kept.sha256) as file:
        assert file.read() == data
    assert store.keep(io.BytesIO(data).read()).new is False


@pytest.fixture
def in_bucket(tmp_path: Path, bucket: str, sqlite_template: Path) -> Path:
    """Give the folder of a workspace whose evidence is in a bucket; the settings name the proxy's endpoint later."""
    folder = tmp_path / "w"
    shutil.copytree(sqlite_template, folder)
    with (folder / "workspace.toml").open("a", encoding="utf-8") as file:
        file.write(f'evidence = "{bucket}"\n')
    return folder


def _invoice(workspace: Workspace, folder: Path, data: bytes) -> None:
    (folder / "invoice.txt").write_bytes(data)
    add_documents(workspace, "L0001", [Paper("invoice", folder / "invoice.txt")], operator="mira")


def test_a_workspace_on_bad_days(
    in_bucket: Path, bucket_server: str, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is half recorded, and `verify` names what is missing or cannot be had."""
    monkeypatch.setattr(buckets, "PAUSES_S", (0.01, 0.02))
    with bad_days(bucket_server) as (endpoint, faults):
        monkeypatch.setenv("LOTPROOF_ENDPOINT", endpoint)
        with Workspace.open(in_bucket) as workspace:
            a_lot(workspace)
            _invoice(workspace, tmp_path, DATA)
            faults.plan = only("500", "PUT")
            with pytest.raises(BadRequest, match="Nothing was recorded"):
                _invoice(workspace, tmp_path, DATA[:-1])
            faults.plan = lambda *_: None
            assert verify(workspace).sound
            assert verify(workspace).head.entry == 2
            faults.plan = lambda method, path, _: "500" if method == "GET" and SHA256 in path else None
            report = verify(workspace)
            assert [(fault.code, fault.subject) for fault in report.faults] == [("file-unreadable", SHA256)]
            faults.plan = only("403", "GET", "HEAD")
            with pytest.raises(Unreachable, match="refuses us"):
                verify(workspace)
    monkeypatch.delenv("LOTPROOF_ENDPOINT")
    with Workspace.open(in_bucket) as workspace:
        plainly(bucket_server, "PUT", f"/{name}/workshop/stray", b"half")
        plainly(bucket_server, "DELETE", f"/{name}/{NAME}")
        found = {(fault.code, fault.subject) for fault in verify(workspace).faults}
        assert found == {("file-missing", SHA256), ("file-orphaned", "stray")}
        assert tidy(workspace, operator="mira").removed == ("stray",)


@THOROUGH
def test_the_settings_may_say_where_the_store_answers(
    in_bucket: Path, bucket_server: str, lotproof: Lotproof, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AWS_ENDPOINT_URL_S3")
    with (in_bucket / "workspace.toml").open("a", encoding="utf-8") as file:
        file.write(f'endpoint = "{bucket_server}"\n')
    assert lotproof("verify", "--workspace", in_bucket).code == 0
    monkeypatch.setenv("LOTPROOF_ENDPOINT", "http://127.0.0.1:9")
    monkeypatch.setattr(buckets, "PAUSES_S", (0.01, 0.02))
    ran = lotproof("verify", "--workspace", in_bucket)
    assert ran.code == 2
    assert "does not answer" in ran.err
