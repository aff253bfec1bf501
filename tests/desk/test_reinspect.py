"""Photos on record looked at again: who is which piece stays, nothing is done twice, what breaks is set aside.

What is 'seen' is handed to the desk, except where a test says otherwise; all of it is invented.
"""

import csv
import json
import os
import shutil
import time
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import breaking_workers
import pytest
from sqlalchemy import func, select
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot

from tracker import __version__
from tracker.desk import photograph as photographing
from tracker.desk import reinspect as desk
from tracker.desk import reinspect_limit, reinspect_look, reinspect_write, swabs
from tracker.desk.correct import correct
from tracker.desk.decide import declare_exemplar
from tracker.desk.facts import kept_document
from tracker.desk.photograph import photograph
from tracker.desk.reinspect import dry_run, reinspect
from tracker.desk.reinspect_hands import LocalHands, cluster_hands
from tracker.desk.reinspect_look import look_at
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Inspection, JournalEntry, Photo, Piece

METHOD = {"lotproof": __version__, "vision": "staged"}
SANDED = found("surface-sanded", "surface")


class Here:
    """Hands that look in this process; `before` is told each job first."""

    workers = 2

    def __init__(self, before=None):
        self.jobs = []
        self._before = before

    def submit(self, job):
        self.jobs.append(job)
        future = Future()
        future.set_result(look_at(job))
        if self._before:
            self._before(job)
        return future

    def outcome(self, future):
        return future.result()

    def renew(self):
        raise AssertionError("nobody was lost")


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    for module in (photographing, swabs, reinspect_look):
        monkeypatch.setattr(module, "look", one.look)
    return one


@pytest.fixture
def newer(monkeypatch):
    """Return a function that makes the program another version of itself."""

    def become(version):
        method = {**METHOD, "vision": version}
        monkeypatch.setattr(desk, "program_method", lambda: method)

    become("staged")
    return become


@pytest.fixture
def shop(tmp_path, sqlite_template):
    """Give a workspace on SQLite alone: what these tests show has nothing to do with the database."""
    folder = tmp_path / "workspace"
    shutil.copytree(sqlite_template, folder)
    with Workspace.open(folder, create=True) as opened:
        yield opened


def column(*texts):
    """Chips one below the other, each reading a part and a date."""
    return [chip(text, "8914", at=(20, 20 + 80 * n)) for n, text in enumerate(texts)]


def reads(workspace):
    """What each piece reads by its newest inspection of a top, by label."""
    with workspace.read() as session:
        query = select(Piece.label, Inspection.marking).join(Inspection.piece).join(Inspection.photo)
        rows = session.execute(query.where(Photo.role.in_(("top", "before-swab"))).order_by(Inspection.id))
        return dict(tuple(row) for row in rows)


def count(workspace, model, **where):
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(model).filter_by(**where))


def three(workspace, stage, folder, name="lot.png", *, shade=90, **how):
    path = stage.put(picture(folder, name, shade=shade), *column("CV6522AP", "CV6523AP", "CV6524AP"))
    photograph(workspace, "L0001", [path], operator="mira", today=TODAY, **how)
    return path


def again(workspace, hands=None, **how):
    return reinspect(workspace, hands or Here(), operator="mira", today=TODAY, pictures=False, **how)


def test_what_was_just_photographed_is_left_alone(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    hands = Here()
    document = again(shop, hands)
    assert (document.photos, document.already, document.to_do, hands.jobs) == (1, 1, 0, [])
    assert count(shop, JournalEntry, act="reinspect") == 0


def test_a_new_reader_that_counts_otherwise_moves_nobody(workspace, stage, newer, tmp_path):
    a_lot(workspace)
    path = three(workspace, stage, tmp_path)
    newer("next")
    one, two, last = column("CV6522AP", "CV6599AP", "CV6524AP")
    stranger = chip("CV6522AP", at=(200, 20))
    moved = replace(last, outline=tuple((x + 3, y - 2) for x, y in last.outline))
    stage.put(path, moved, stranger, replace(two, observations=(SANDED,)), one)
    document = again(workspace)
    assert (document.done, document.pieces, document.set_aside) == (1, 3, ())
    assert reads(workspace) == {
        "L0001-01": "CV6522AP / 8914",
        "L0001-02": "CV6599AP / 8914",
        "L0001-03": "CV6524AP / 8914",
    }
    assert [(m.piece, m.read, m.reads) for m in document.moved] == [
        ("L0001-02", "CV6523AP / 8914", "CV6599AP / 8914"),
    ]
    assert document.moved[0].moved_db > 3
    assert "surface-sanded" in document.moved[0].found
    assert count(workspace, Inspection) == 6  # the earlier ones stay
    with workspace.read() as session:
        numbers = {one.piece.label: kept_document(one).index for one in session.scalars(select(Inspection))}
    assert numbers == {"L0001-01": 0, "L0001-02": 1, "L0001-03": 2}  # as the records know them
    assert verify(workspace).faults == ()
    assert again(workspace).to_do == 0
    assert dry_run(workspace, today=TODAY).photos == 1


def test_a_chip_that_is_seen_no_more_keeps_what_was_recorded(shop, stage, newer, tmp_path):
    a_lot(shop)
    path = three(shop, stage, tmp_path)
    newer("next")
    stage.put(path, *column("CV6522AP", "CV6523AP"))
    document = again(shop)
    assert document.pieces == 2
    (said,) = document.notes
    assert "L0001-03" in said
    assert "stays" in said
    assert reads(shop)["L0001-03"] == "CV6524AP / 8914"
    assert again(shop).to_do == 0  # the journal says that it was looked for


def test_a_photo_in_which_nothing_is_found_any_more_is_not_looked_at_again_and_again(shop, stage, newer, tmp_path):
    a_lot(shop)
    path = three(shop, stage, tmp_path)
    newer("next")
    stage.put(path)
    assert (again(shop).done, count(shop, Inspection)) == (1, 3)
    assert again(shop).to_do == 0


def test_a_corrected_reading_holds_wherever_the_chip_is_counted(shop, stage, newer, tmp_path):
    a_lot(shop)
    path = three(shop, stage, tmp_path)
    correct(shop, "L0001-02", ["CV6523BP", "8914"], operator="mira", today=TODAY)
    newer("next")
    stage.put(path, *reversed(column("CV6522AP", "CV6523AP", "CV6524AP")))
    document = again(shop)
    assert reads(shop)["L0001-02"] == "CV6523BP / 8914"
    with shop.read() as session:
        newest = session.scalars(select(Inspection).order_by(Inspection.id)).all()[-3:]
        kept = {one.piece.label: kept_document(one).piece for one in newest}
    assert [line.text for line in kept["L0001-02"].as_read] == ["CV6523AP", "8914"]
    assert document.notes == ()


def test_a_later_photo_of_the_same_pieces_is_the_one_that_counts(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    three(shop, stage, tmp_path, "later.png", shade=91, piece=["L0001-01..03"])
    newer("next")
    hands = Here()
    document = again(shop, hands)
    assert (document.to_do, document.superseded) == (1, 1)
    (one,) = hands.jobs[0].photos
    assert (one.photo.name, [photo.name for photo in one.siblings]) == ("later.png", ["lot.png"])


def test_a_photo_before_a_swab_goes_on_telling_what_a_piece_reads(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    before = stage.put(picture(tmp_path, "before.png", shade=70), *column("CV6522BP"))
    photograph(shop, "L0001", [before], role="before-swab", piece=["L0001-01"], operator="mira", today=TODAY)
    newer("next")
    assert again(shop).done == 2
    assert reads(shop)["L0001-01"] == "CV6522BP / 8914"
    assert again(shop).to_do == 0


def test_what_the_second_photo_of_a_piece_says_outlives_a_kill_between_the_two(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    before = stage.put(picture(tmp_path, "before.png", shade=70), *column("CV6522BP"))
    photograph(shop, "L0001", [before], role="before-swab", piece=["L0001-01"], operator="mira", today=TODAY)
    newer("next")
    del stage.scenes[next(key for key, chips in stage.scenes.items() if len(chips) == 1)]
    again(shop)
    assert reads(shop)["L0001-01"] == "CV6522BP / 8914"


def test_a_new_exemplar_is_a_reason_to_look_again(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    declare_exemplar(shop, "L0001-01", grounds="from the maker", operator="mira")
    hands = Here()
    assert again(shop, hands).to_do == 1
    assert [one.piece for one in hands.jobs[0].exemplars] == ["L0001-01"]
    assert again(shop).to_do == 0


def test_what_others_say_meanwhile_is_heeded(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    newer("next")
    said = []

    def meanwhile(job):
        if not said:
            said.append(correct(shop, "L0001-02", ["CV6523BP", "8914"], operator="jo", today=TODAY))

    hands = Here(meanwhile)
    document = again(shop, hands)
    assert (len(hands.jobs), document.done, document.set_aside) == (2, 1, ())
    assert reads(shop)["L0001-02"] == "CV6523BP / 8914"


def test_a_lot_that_others_keep_working_on_is_set_aside(shop, stage, newer, tmp_path):
    a_lot(shop)
    three(shop, stage, tmp_path)
    newer("next")
    texts = iter("ABCDEF")

    def meanwhile(job):
        correct(shop, "L0001-02", [f"CV6523{next(texts)}P"], operator="jo", today=TODAY)

    (aside,) = again(shop, Here(meanwhile)).set_aside
    assert (aside.lot, aside.photo) == ("L0001", "lot.png")
    assert "others work on its lot" in aside.reason


def test_a_worker_with_another_program_is_refused(shop, stage, newer, tmp_path, monkeypatch):
    a_lot(shop)
    three(shop, stage, tmp_path)
    newer("next")
    there = {**reinspect_look.program(), "lotproof": "9.9"}
    monkeypatch.setattr(reinspect_look, "program", lambda: there)
    with pytest.raises(BadRequest, match=r"another program than this one: lotproof is 9\.9 there"):
        again(shop)
    assert count(shop, JournalEntry, act="reinspect") == 0


def test_a_missing_file_and_a_fault_are_set_aside_with_a_sentence(shop, stage, newer, tmp_path):
    a_lot(shop)
    path = three(shop, stage, tmp_path)
    newer("next")
    stage.put(path, replace(column("CV6522AP")[0], outline="nonsense"))
    (aside,) = again(shop).set_aside
    assert "a fault in Lotproof itself" in aside.reason
    with shop.read() as session:
        shop.store.remove(session.scalars(select(Photo.sha256)).one())
    (aside,) = again(shop).set_aside
    assert "is missing" in aside.reason
    assert count(shop, JournalEntry, act="reinspect") == 0


def an_archive(shop, stage, folder, lots=4):
    for number in range(lots):
        a_lot(shop, received=1, quantity=1)
        name = breaking_workers.BREAKS if number == 1 else f"photo{number}.png"
        path = stage.put(picture(folder, name, shade=100 + number), *column("CV6522AP"))
        photograph(shop, f"L{number + 1:04d}", [path], operator="mira", today=TODAY)


@pytest.mark.parametrize("moment", ["in the act", "after it"])
def test_killed_at_any_point_only_what_is_missing_is_done(tmp_path, sqlite_template, stage, newer, monkeypatch, moment):
    folder = tmp_path / "w"
    shutil.copytree(sqlite_template, folder)
    with Workspace.open(folder, create=True) as shop:
        an_archive(shop, stage, tmp_path)
    newer("next")
    child = os.fork()
    if not child:
        written = []
        whole = reinspect_write.write if moment == "after it" else reinspect_write.write_inspections
        module, name = (desk, "write") if moment == "after it" else (reinspect_write, "write_inspections")

        def write(*given):
            answer = whole(*given)
            written.append(answer)
            if len(written) == 2:
                os._exit(9)
            return answer

        monkeypatch.setattr(module, name, write)
        try:
            with Workspace.open(folder) as opened:
                again(opened)
        finally:
            os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    with Workspace.open(folder) as shop:
        done = 2 if moment == "after it" else 1
        assert count(shop, JournalEntry, act="reinspect") == done
        document = again(shop)
        assert (document.already, document.done) == (done, 4 - done)
        assert count(shop, Inspection) == 8
        with shop.read() as session:
            bodies = session.scalars(select(JournalEntry.body).where(JournalEntry.act == "reinspect"))
            assert len({json.loads(body)["sha256"] for body in bodies}) == 4
        assert verify(shop).faults == ()


def test_a_photo_that_breaks_workers_is_set_aside_and_the_rest_goes_on(shop, stage, newer, tmp_path):
    an_archive(shop, stage, tmp_path)
    newer("next")
    hands = LocalHands(2, breaking_workers.look, breaking_workers.ready, "fork")
    try:
        document = again(shop, hands)
    finally:
        hands.close()
    (aside,) = document.set_aside
    assert (aside.lot, aside.photo) == ("L0002", breaking_workers.BREAKS)
    assert "a worker ended each time" in aside.reason
    assert document.done == 3


def test_a_photo_that_takes_for_ever_is_named_and_the_rest_goes_on(shop, stage, newer, tmp_path, monkeypatch):
    an_archive(shop, stage, tmp_path, lots=3)
    newer("next")
    monkeypatch.setattr(reinspect_limit, "LONGEST_S", 0.6)
    prompt = stage.look

    def look(photos, **more):
        if photos[0].path == breaking_workers.BREAKS:
            time.sleep(60)
        return prompt(photos, **more)

    monkeypatch.setattr(reinspect_look, "look", look)
    hands = LocalHands(2, look_at, breaking_workers.ready, "fork")
    try:
        document = again(shop, hands)
    finally:
        hands.close()
    (aside,) = document.set_aside
    assert (aside.lot, aside.photo, document.aside) == ("L0002", breaking_workers.BREAKS, 1)
    assert "took longer than 1 s" in aside.reason
    assert document.done == 2


def test_what_is_set_aside_is_counted_and_named_up_to_a_bound(shop, stage, newer, tmp_path, monkeypatch):
    an_archive(shop, stage, tmp_path)
    newer("next")
    monkeypatch.setattr(desk, "MOST_SAID", 3)
    monkeypatch.setattr(reinspect_look, "look", lambda *_, **__: 1 / 0)
    document = again(shop)
    assert (document.done, document.aside, len(document.set_aside)) == (0, 4, 3)


def test_no_more_jobs_are_handed_over_than_there_is_room_for(shop, stage, newer, tmp_path):
    an_archive(shop, stage, tmp_path, lots=8)
    newer("next")
    handed, most = [], []

    class Slow(Here):
        def outcome(self, future):
            most.append(len(handed))
            handed.pop()
            return future.result()

    assert again(shop, Slow(handed.append)).done == 8
    assert max(most) <= 4  # two for each of the two


def test_who_has_enough_keeps_what_was_done_and_goes_on_later(shop, stage, newer, tmp_path):
    an_archive(shop, stage, tmp_path, lots=5)
    newer("next")
    hands = Here()
    document = again(shop, hands, wanted=lambda: not hands.jobs)
    assert (document.done, document.stopped) == (4, True)  # what was handed over and is answered is recorded
    rest = again(shop)
    assert (rest.done, rest.stopped) == (1, False)


def test_a_dry_run_says_what_it_would_cost(shop, stage, newer, tmp_path):
    an_archive(shop, stage, tmp_path)
    newer("next")
    document = dry_run(shop, today=TODAY)
    with shop.read() as session:
        size = session.scalar(select(func.sum(Photo.size_bytes)))
    assert (document.to_do, document.cost.looks, document.cost.bytes_read) == (4, 4, size)
    assert document.cost.cpu_s == 8
    assert "sample pictures" in document.cost.source
    again(shop, lot="L0003")
    document = dry_run(shop, today=TODAY)
    assert (document.already, document.to_do) == (1, 3)
    assert "on record" in document.cost.source


def test_a_worker_asks_the_bucket_where_the_workspace_says(
    tmp_path, sqlite_template, stage, newer, bucket, bucket_server, monkeypatch
):
    """The endpoint stands in workspace.toml alone; the environment names a place where nobody answers."""
    folder = tmp_path / "workspace"
    shutil.copytree(sqlite_template, folder)
    with (folder / "workspace.toml").open("a") as settings:
        settings.write(f'evidence = "{bucket}"\nendpoint = "{bucket_server}"\n')
    monkeypatch.setenv("AWS_ENDPOINT_URL_S3", "http://127.0.0.1:9")
    with Workspace.open(folder, create=True) as workspace:
        a_lot(workspace)
        three(workspace, stage, tmp_path)
        newer("newer")
        document = again(workspace)
    assert (document.done, document.set_aside) == (1, ())


def test_really_looked_at_again(shop, monkeypatch):
    """What was recorded of a rendered photo with a wrong reading is read rightly by the real reader."""
    samples = Path(__file__).resolve().parents[2] / "sample_images"
    rows = list(csv.DictReader((samples / "truth.csv").open(encoding="utf-8")))
    (row,) = [one for one in rows if one["file"] == "swab_before.jpg"]
    outline = tuple((float(row[f"x{k}"]), float(row[f"y{k}"])) for k in range(4))
    stage = Stage({}, [])
    a_lot(shop, received=1, quantity=1)
    stage.put(samples / "swab_before.jpg", replace(chip("WRONG"), outline=outline))
    with monkeypatch.context() as patched:
        patched.setattr(photographing, "look", stage.look)
        photograph(shop, "L0001", [samples / "swab_before.jpg"], operator="mira", today=TODAY)
    document = reinspect(shop, Here(), operator="mira", today=TODAY)
    assert (document.done, document.pieces) == (1, 1)
    assert reads(shop)["L0001-01"] == row["lines"]
    with shop.read() as session:
        newest = session.scalars(select(Inspection).order_by(Inspection.id.desc())).first()
        assert shop.store.has(newest.overlay_sha256)


@pytest.mark.parametrize("address", ["", "garbage", "tcp://", "http://127.0.0.1:1", "tls://127.0.0.1:1"])
def test_what_is_no_address_of_a_scheduler_is_refused_at_once(address: str) -> None:
    """No client is begun with it: one that is half made waits for itself."""
    with (
        patch("distributed.Client", side_effect=AssertionError),
        pytest.raises(BadRequest, match=r"not the address of a scheduler|TLS configuration"),
        cluster_hands(address),
    ):
        pass
