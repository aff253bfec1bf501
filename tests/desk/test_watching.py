"""A watched folder: each photo once, whole, in the order in which they were finished; and the sitting made of them."""

import io
import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from threading import Timer

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from sqlalchemy import select
from staged import Stage, chip, found, picture
from stock import a_lot

from tracker.cli.interrupt import Stop, stopping
from tracker.desk import photograph as photographing
from tracker.desk import sitting, watch
from tracker.desk.verify import verify
from tracker.desk.watch import PATIENCE_S, POLL_S, SETTLE_S, Arrived, Ends, PassedOver, Watch, arrivals
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry


def photo_bytes(seed: int, kind: str = "JPEG") -> bytes:
    noise = np.random.default_rng(seed).integers(0, 256, (40, 60, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, kind)
    return out.getvalue()


class Clock:
    """Time that passes only when somebody sleeps; things happen at set times."""

    def __init__(self) -> None:
        self.now = 0.0
        self.plan: list[tuple[float, object]] = []

    def at(self, when: float, do) -> None:
        self.plan.append((when, do))

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        due = [one for one in self.plan if one[0] <= self.now]
        self.plan = [one for one in self.plan if one[0] > self.now]
        for _, do in due:
            do()


@pytest.fixture
def clock() -> Clock:
    return Clock()


def watched(clock: Clock, seen: Watch, ends: Ends, stopped=lambda: False) -> list[Arrived | PassedOver]:
    return list(arrivals(seen, ends, stopped, clock=clock, sleep=clock.sleep))


def names(found) -> list[str]:
    return [one.path.name for one in found if isinstance(one, Arrived)]


def put(folder: Path, name: str, data: bytes, second: int) -> None:
    """Write a file as of a second, so that a test's files differ in time however fast they are written."""
    path = folder / name
    path.write_bytes(data)
    os.utime(path, (1_900_000_000 + second,) * 2)


def test_only_what_comes_after_the_start_is_taken_and_byte_for_byte(tmp_path, clock):
    put(tmp_path, "before.jpg", photo_bytes(1), 0)
    seen = Watch(tmp_path)
    assert seen.before == 1
    data = photo_bytes(2)
    clock.at(2, lambda: put(tmp_path, "after.jpg", data, 2))
    (one,) = watched(clock, seen, Ends(photos=1))
    assert (one.path, one.data) == (tmp_path / "after.jpg", data)
    assert 2 + SETTLE_S <= clock.now <= 2 + SETTLE_S + 3 * POLL_S


def test_a_photo_is_taken_when_it_has_stopped_growing(tmp_path, clock):
    data = photo_bytes(3)
    for second, share in ((1, 0.2), (1.5, 0.5), (2.25, 0.9), (3, 1.0)):
        clock.at(
            second,
            lambda share=share, second=second: put(tmp_path, "a.jpg", data[: int(share * len(data))], int(second)),
        )
    (one,) = watched(clock, Watch(tmp_path), Ends(photos=1))
    assert one.data == data
    assert clock.now >= 3 + SETTLE_S


def test_a_transfer_that_pauses_is_waited_for(tmp_path, clock):
    """Half a photo that has not changed for ten seconds still does not open; the rest comes later."""
    data = photo_bytes(4)
    clock.at(1, lambda: put(tmp_path, "a.jpg", data[: len(data) // 2], 1))
    clock.at(12, lambda: put(tmp_path, "a.jpg", data, 12))
    (one,) = watched(clock, Watch(tmp_path), Ends(photos=1))
    assert one.data == data


def test_photos_come_in_the_order_in_which_they_were_finished(tmp_path, clock):
    clock.at(1, lambda: put(tmp_path, "slow.jpg", photo_bytes(5)[:500], 1))
    clock.at(2, lambda: put(tmp_path, "z.jpg", photo_bytes(6), 2))
    clock.at(4, lambda: put(tmp_path, "slow.jpg", photo_bytes(5), 4))
    clock.at(6, lambda: put(tmp_path, "b.jpg", photo_bytes(7), 6))
    assert names(watched(clock, Watch(tmp_path), Ends(photos=3))) == ["z.jpg", "slow.jpg", "b.jpg"]


UNFINISHED = [".a.jpg", "~a.jpg", "a.jpg~", "a.part.jpg", "a.jpg.part", "a.jpg.tmp", "a.tmp.png", "a.jpg.crdownload"]
OTHERS = ["notes.txt", "a.cr2", "a", "film.mp4"]


def test_unfinished_and_other_files_are_left_alone(tmp_path, clock):
    for name in [*UNFINISHED, *OTHERS]:
        clock.at(1, lambda name=name: put(tmp_path, name, photo_bytes(8), 1))
    clock.at(1, lambda: (tmp_path / "folder.jpg").mkdir())
    clock.at(1, lambda: os.mkfifo(tmp_path / "pipe.jpg"))
    clock.at(2, lambda: put(tmp_path, "Good.JPG", photo_bytes(9), 2))
    seen = Watch(tmp_path)
    assert names(watched(clock, seen, Ends(seconds=9))) == ["Good.JPG"]
    assert seen.unfinished() == []


def test_a_file_renamed_when_finished_is_taken(tmp_path, clock):
    clock.at(1, lambda: put(tmp_path, "a.jpg.part", photo_bytes(8), 1))
    clock.at(3, lambda: (tmp_path / "a.jpg.part").rename(tmp_path / "a.jpg"))
    assert names(watched(clock, Watch(tmp_path), Ends(photos=1))) == ["a.jpg"]


def test_the_same_picture_is_taken_once(tmp_path, clock):
    data = photo_bytes(10)
    clock.at(1, lambda: put(tmp_path, "a.jpg", data, 1))
    clock.at(4, lambda: put(tmp_path, "a.jpg", data, 400))  # the sync sets the time of the photo
    clock.at(7, lambda: put(tmp_path, "a (1).jpg", data, 7))
    found_ = watched(clock, Watch(tmp_path), Ends(seconds=10))
    assert names(found_) == ["a.jpg"]
    assert [one.reason for one in found_[1:]] == ["a (1).jpg is the same picture as a.jpg."]


def test_another_picture_under_a_known_name_is_another_photo(tmp_path, clock):
    put(tmp_path, "a.jpg", photo_bytes(11), 0)
    seen = Watch(tmp_path)
    clock.at(1, lambda: put(tmp_path, "a.jpg", photo_bytes(12), 1))
    clock.at(5, lambda: put(tmp_path, "a.jpg", photo_bytes(13), 5))
    assert [one.data for one in watched(clock, seen, Ends(photos=2))] == [photo_bytes(12), photo_bytes(13)]


def test_what_never_opens_is_given_up_and_said(tmp_path, clock):
    clock.at(1, lambda: put(tmp_path, "a.jpg", photo_bytes(14)[:600], 1))
    (one,) = watched(clock, Watch(tmp_path), Ends(photos=1))
    assert isinstance(one, PassedOver)
    assert one.unusable
    assert "damaged or cut short" in one.reason
    assert clock.now >= 1 + PATIENCE_S


def test_what_is_unfinished_at_the_end_is_named(tmp_path, clock):
    clock.at(1, lambda: put(tmp_path, "a.jpg", photo_bytes(14)[:600], 1))
    clock.at(1, lambda: put(tmp_path, "empty.jpg", b"", 1))
    clock.at(9.9, lambda: put(tmp_path, "late.jpg", photo_bytes(15), 9))
    seen = Watch(tmp_path)
    assert names(watched(clock, seen, Ends(seconds=10))) == ["late.jpg"]  # it was there in time, and whole
    assert [one.path.name for one in seen.unfinished()] == ["a.jpg", "empty.jpg"]
    assert all(one.reason.startswith(f"{one.path.name} was left out: ") for one in seen.unfinished())


def test_what_comes_after_the_time_is_not_taken(tmp_path, clock):
    clock.at(9, lambda: put(tmp_path, "a.jpg", photo_bytes(16)[:600], 9))
    clock.at(10.3, lambda: put(tmp_path, "b.jpg", photo_bytes(17), 11))
    assert watched(clock, Watch(tmp_path), Ends(seconds=10)) == []
    assert clock.now < 10 + 4 * SETTLE_S


def test_a_folder_that_is_away_for_a_while_is_waited_for(tmp_path, clock):
    folder, away = tmp_path / "share", tmp_path / "away"
    folder.mkdir()
    clock.at(2, lambda: folder.rename(away))
    clock.at(8, lambda: away.rename(folder))
    clock.at(9, lambda: put(folder, "a.jpg", photo_bytes(18), 9))
    said = watched(clock, Watch(folder), Ends(photos=1))
    assert [one.reason.removeprefix(f"{folder} ")[:20] for one in said[:2]] == [
        "cannot be read just ",
        "can be read again.",
    ]
    assert names(said) == ["a.jpg"]


def test_a_watch_that_is_stopped_takes_nothing_more(tmp_path, clock):
    asked = []
    clock.at(1, lambda: [put(tmp_path, name, photo_bytes(k), k) for k, name in enumerate(("a.jpg", "b.jpg"))])
    seen = Watch(tmp_path)
    came = []
    for one in arrivals(seen, Ends(), lambda: bool(asked), clock=clock, sleep=clock.sleep):
        came.append(one)
        asked.append(True)
    assert len(came) == 1
    assert len(seen.unfinished()) == 1


@settings(max_examples=40, deadline=None, derandomize=True, database=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.floats(0, 30), st.sampled_from([0.1, 0.5, 0.99, 1.0]), st.booleans()),
        max_size=12,
    )
)
def test_however_files_are_written_each_is_taken_once_and_whole(writes) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, clock = Path(name), Clock()
        for step, (file, when, share, by_rename) in enumerate(sorted(writes, key=lambda one: one[1])):
            data = photo_bytes(100 + file)

            def write(file=file, data=data, share=share, by_rename=by_rename, step=step) -> None:
                put(folder, f"{file}.part" if by_rename else f"{file}.jpg", data[: int(share * len(data))], step)
                if by_rename:
                    (folder / f"{file}.part").replace(folder / f"{file}.jpg")

            clock.at(when, write)
        for file in range(4):
            clock.at(31, lambda file=file: put(folder, f"{file}.jpg", photo_bytes(100 + file), 1000))
        taken = watched(clock, Watch(folder), Ends(seconds=40))
        assert sorted((one.path.name, one.data) for one in taken if isinstance(one, Arrived)) == [
            (f"{file}.jpg", photo_bytes(100 + file)) for file in range(4)
        ]


@pytest.mark.parametrize(("make", "what"), [(None, "There is no folder"), (b"x", "is a file")])
def test_a_folder_that_is_none_is_refused(tmp_path, lotproof, make, what):
    folder = tmp_path / "dcim"
    if make is not None:
        folder.write_bytes(make)
    with pytest.raises(BadRequest, match=what):
        Watch(folder)
    ran = lotproof("inspect", "--watch", folder)
    assert ran.code == 2
    assert what in ran.err


# --- the verb ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    monkeypatch.setattr(sitting, "look", one.look)
    monkeypatch.setattr(watch, "SETTLE_S", 0.05)
    monkeypatch.setattr(watch, "PATIENCE_S", 0.4)
    monkeypatch.setattr(watch, "POLL_S", 0.02)
    return one


@pytest.fixture
def later(monkeypatch):
    """Do things so many seconds after the watch has begun, however long the program takes to get there."""
    timers: list[Timer] = []
    begin = Watch.__init__

    def begun(self, folder):
        begin(self, folder)
        for timer in timers:
            timer.start()

    monkeypatch.setattr(Watch, "__init__", begun)
    yield lambda seconds, do: timers.append(Timer(seconds, do))
    for timer in timers:
        timer.cancel()
        timer.join()


def test_the_lot_grows_with_each_photo_and_is_printed_once_as_json(stage, tmp_path, lotproof, later):
    aside, folder = tmp_path / "aside", tmp_path / "in"
    aside.mkdir()
    folder.mkdir()
    first = stage.put(picture(aside, "first.png", shade=10), chip("CV6522AP", "8914"))
    second = stage.put(picture(aside, "second.png", shade=20), chip("CV6522AP", "8914"))
    later(0.2, lambda: first.rename(folder / "first.png"))
    later(0.4, lambda: (folder / "bad.jpg").write_bytes(b"\xff\xd8\xff\xe0 no photo"))
    later(0.6, lambda: second.rename(folder / "second.png"))
    ran = lotproof("inspect", "--watch", folder, "--until", 3, "--json", "--overlay", tmp_path / "out")
    assert ran.code == 2, ran.err  # one of the three could not be used
    by_name = {Path(photo["path"]).name: photo for photo in ran.json["photos"]}
    assert set(by_name) == {"first.png", "second.png", "bad.jpg"}
    assert "damaged" in by_name["bad.jpg"]["error"]
    assert [len(group["pieces"]) for group in ran.json["groups"]] == [2]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["first-annotated.jpg", "second-annotated.jpg"]
    assert "first.png: 1 chip" in ran.err


def test_named_photos_come_first_and_what_changes_later_is_shown_again(stage, tmp_path, lotproof, later, monkeypatch):
    folder = tmp_path / "in"
    folder.mkdir()
    codes = ["8914", "9002"]
    named = stage.put(picture(tmp_path, "named.png", shade=10), chip("CV6522AP", "9002"))
    came = stage.put(
        picture(tmp_path, "came.png", shade=20), *[chip("CV6522AP", codes[0], at=(20, 20 + 60 * n)) for n in range(3)]
    )
    later(0.2, lambda: came.rename(folder / "came.png"))
    ran = lotproof("inspect", named, "--watch", folder, "--until", 1)
    assert ran.code == 0, ran.err
    before, again = ran.out.split("Beside the photos that came later:")
    assert before.index("named.png") < before.index("came.png")
    assert "most siblings have 8914" not in before.split("came.png")[0]
    assert "most siblings have 8914" in again
    assert "came.png" not in again


def test_nothing_came(stage, tmp_path, lotproof):
    ran = lotproof("inspect", "--watch", tmp_path, "--for", 0.3, "--json")
    assert (ran.code, ran.json["photos"]) == (0, [])
    assert "No photo came." in ran.err


@pytest.mark.parametrize(
    "words",
    [
        ["inspect"],
        ["inspect", "--until", "3"],
        ["inspect", "--for", "3"],
        ["inspect", "--watch", ".", "--for", "0"],
        ["inspect", "--watch", ".", "--for", "nan"],
        ["inspect", "--watch", ".", "--until", "0"],
        ["inspect", "--keep", "here"],
        ["photograph", "L0001"],
    ],
)
def test_requests_that_make_no_sense_are_refused(tmp_path, monkeypatch, lotproof, words):
    monkeypatch.chdir(tmp_path)
    ran = lotproof(*words)
    assert ran.code == 2
    assert ran.err.startswith("lotproof: ")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_watch_as_done(tmp_path, number):
    command = [sys.executable, "-m", "tracker.cli.main", "inspect", "--watch", str(tmp_path), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert process.stderr.readline().startswith("Watching ")
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert '"schema": "lotproof.inspection/1"' in out
    assert "Traceback" not in err


def test_a_photo_in_hand_is_broken_off_and_what_was_done_stays(stage, tmp_path, lotproof, later, monkeypatch):
    folder = tmp_path / "in"
    folder.mkdir()
    one = stage.put(picture(tmp_path, "one.png", shade=10), chip("CV6522AP", "8914"))
    two = stage.put(picture(tmp_path, "two.png", shade=20), chip("CV6522AP", "8914"))

    def look(photos, **more):
        if photos and photos[0].path.endswith("two.png"):
            os.kill(os.getpid(), signal.SIGTERM)
            raise AssertionError("not broken off")
        return stage.look(photos, **more)

    monkeypatch.setattr(sitting, "look", look)
    later(0.2, lambda: one.rename(folder / "one.png"))
    later(0.4, lambda: two.rename(folder / "two.png"))
    ran = lotproof("inspect", "--watch", folder, "--json")
    assert ran.code == 0
    assert [Path(photo["path"]).name for photo in ran.json["photos"]] == ["one.png"]
    assert "two.png was being looked at and is left out." in ran.err


def test_a_stop_is_heard_between_things_and_breaks_off_only_what_may_be():
    before = signal.getsignal(signal.SIGTERM)
    with stopping() as stop:
        os.kill(os.getpid(), signal.SIGTERM)  # no exception: what is being written down is not torn
        assert stop.asked()
        with pytest.raises(KeyboardInterrupt), stop.interruptible():
            pytest.fail("begun although asked to stop")
    assert signal.getsignal(signal.SIGTERM) == before
    fresh = Stop()
    with pytest.raises(KeyboardInterrupt), fresh.interruptible():
        fresh.heard(signal.SIGINT, None)
    fresh.heard(signal.SIGINT, None)


def test_sanding_is_seen_beside_later_photos_of_an_exemplar(stage, tmp_path, lotproof):
    """Exemplars are looked at once, before the first photo."""
    good = stage.put(picture(tmp_path, "good.png", shade=30), chip("CV6522AP"))
    own = stage.put(
        picture(tmp_path, "own.png", shade=40), chip("CV6522AP", observations=[found("surface-sanded", "surface")])
    )
    folder = tmp_path / "in"
    folder.mkdir()
    ran = lotproof("inspect", own, "--exemplar", good, "--watch", folder, "--for", 0.2, "--json")
    assert ran.code == 0
    assert [Path(photo["path"]).name for photo in ran.json["exemplars"]] == ["good.png"]
    assert stage.asked == [([], [str(good)]), ([str(own)], [])]


# --- photograph -------------------------------------------------------------------------------------------------------


@pytest.fixture
def workshop(tmp_path, sqlite_template, stage, monkeypatch) -> Path:
    monkeypatch.setattr(photographing, "look", stage.look)
    folder = tmp_path / "w"
    with Workspace.open(folder, create=True) as opened:
        a_lot(opened)
    return folder


def test_each_photo_that_comes_is_kept_in_an_act_of_its_own(stage, tmp_path, lotproof, later, workshop):
    folder = tmp_path / "in"
    folder.mkdir()
    one = stage.put(picture(tmp_path, "one.png", shade=10), chip("CV6522AP", "8914"))
    two = stage.put(picture(tmp_path, "two.png", shade=20), chip("CV6522AP", "8914"))
    data = one.read_bytes()
    later(0.2, lambda: one.rename(folder / "one.png"))
    later(0.6, lambda: two.rename(folder / "two.png"))
    ran = lotproof("photograph", "l1", "--watch", folder, "--until", 2, "--workspace", workshop, "--json")
    assert ran.code == 0, ran.err
    assert ran.json["schema"] == "lotproof.photograph/1"
    assert [photo["name"] for photo in ran.json["photos"]] == ["one.png", "two.png"]
    assert sorted({piece["piece"] for piece in ran.json["pieces"]}) == ["L0001-01", "L0001-02"]
    with Workspace.open(workshop) as opened:
        assert opened.store.read(ran.json["photos"][0]["sha256"]) == data
        with opened.read() as session:
            acts = session.scalars(select(JournalEntry.act).order_by(JournalEntry.id)).all()
        assert acts.count("photograph") == 2
        assert verify(opened).faults == ()


def test_a_photo_that_cannot_be_one_of_the_lot_s_does_not_end_the_watch(stage, tmp_path, lotproof, later, workshop):
    folder = tmp_path / "in"
    folder.mkdir()
    strange = stage.put(picture(tmp_path, "strange.png", shade=10), chip("CV6522AP", label="L0009-01"))
    good = stage.put(picture(tmp_path, "good.png", shade=20), chip("CV6522AP", "8914"))
    later(0.2, lambda: strange.rename(folder / "strange.png"))
    later(0.6, lambda: good.rename(folder / "good.png"))
    ran = lotproof("photograph", "L0001", "--watch", folder, "--until", 2, "--workspace", workshop)
    assert ran.code == 2
    assert "lotproof: strange.png: None of the chips in view can be a piece of L0001" in ran.err
    assert "L0001-01 (by reading order, good.png no. 1)" in ran.out


def test_a_lot_that_is_not_there_is_refused_before_anything_comes(tmp_path, lotproof, workshop):
    ran = lotproof("photograph", "L0077", "--watch", tmp_path, "--workspace", workshop)
    assert ran.code == 2
    assert "L0077" in ran.err
    assert "Watching" not in ran.err
    ran = lotproof("photograph", "L0001", "--watch", tmp_path, "--piece", "L0001-01", "--workspace", workshop)
    assert ran.code == 2
    assert "Leave it out with --watch" in ran.err
