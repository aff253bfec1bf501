"""Killed at any point where it writes: what was told is there, nothing is half there, and it can be done again.

Every use-case that writes is killed before and after each of its points (`fault_points`). What is asked afterwards:

- the act is recorded whole or not at all, and it is there if it was told;
- `verify` names nothing but files of no entry, `tidy` takes them away, then it names nothing;
- files for the user are whole or not there;
- done again it works, and is recorded once.
"""

import hashlib
import itertools
import re
import shutil
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path

import bagit
import pytest
from fault_cases import BY_NAME, CASES, Case, build, carry_out, count, mended, state
from fault_points import Kill, can_break, one_of_each_kind, strikes

from tracker.desk.spool import SPOOL
from tracker.desk.task_rows import WORK

pytestmark = can_break
ORPHANS = {"file-orphaned"}
AGAIN = re.compile(r"was taken in before, as L0003|They are being looked at already")
"""What is said to whoever does again what was recorded, and did not hear of it."""
QUICK = ("begin", "export a file", "tidy")
"""Between them they pass every kind of point; the others are swept by `make thorough`."""


@pytest.fixture(scope="module")
def shop(sqlite_template: Path, small_bag: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the shop that every case gets a copy of."""
    return build(tmp_path_factory.mktemp("shop") / "s", sqlite_template, small_bag)


@pytest.mark.parametrize("case", [BY_NAME[name] for name in QUICK], ids=str)
def test_killed_at_a_point_of_each_kind(case: Case, shop: Path, tmp_path: Path) -> None:
    with_points = _prepared(case, shop, tmp_path / "whole")
    whole = carry_out(case, with_points)
    assert whole.code == 0, whole.err
    _broken_at(case, shop, tmp_path, one_of_each_kind(whole.points))


@pytest.mark.sweep
@pytest.mark.parametrize("case", CASES, ids=str)
def test_killed_at_every_point(case: Case, shop: Path, tmp_path: Path) -> None:
    whole = carry_out(case, _prepared(case, shop, tmp_path / "whole"))
    assert whole.code == 0, whole.err
    assert whole.points
    _broken_at(case, shop, tmp_path, strikes(whole.points))


def test_killed_at_the_commit_on_postgresql(
    sqlite_template: Path, small_bag: Path, tmp_path: Path, postgres_database: str
) -> None:
    """Before the commit nothing is there but files of no entry; after it everything is."""
    shop = build(tmp_path / "s", sqlite_template, small_bag, postgres_database)
    for name in ("document", "receive a bag"):
        case, place = BY_NAME[name], shop / "w"
        before = state(place).acts
        assert carry_out(case, shop, Kill(1, of="commit")).killed
        assert state(place).codes <= ORPHANS
        assert [one for one in mended(place).acts if one != "tidy"] == [one for one in before if one != "tidy"]
        assert carry_out(case, shop, Kill(1, after=True, of="commit")).killed
        assert (state(place).acts[-1], state(place).report.sound) == (case.act, True)


def test_the_points_are_those_that_are_known(shop: Path, tmp_path: Path) -> None:
    """A file kept as evidence, the commit, and what the bench remembers: the order is what everything rests on."""
    ran = carry_out(BY_NAME["document"], _prepared(BY_NAME["document"], shop, tmp_path / "c"))
    told = [f"{point.kind} {point.name.partition('/')[0]}" for point in ran.points]
    assert told.index("rename w") < told.index("commit records") < told.index("rename keys")
    assert [point.kind for point in ran.points][:3] == ["open", "fsync", "mkdir"]


def _prepared(case: Case, shop: Path, to: Path) -> Path:
    shutil.copytree(shop, to)
    case.prepare(to)
    return to


def _broken_at(case: Case, shop: Path, tmp_path: Path, kills: Iterable[Kill]) -> None:
    ready = _prepared(case, shop, tmp_path / "ready")
    seen: set[str] = set()
    for kill in kills:
        shutil.copytree(ready, tmp_path / "c")
        ran = carry_out(case, tmp_path / "c", kill)
        assert ran.killed, (kill, ran.err)
        # The same bytes on the disk were judged already, unless more was told by then.
        looks = f"{bool(ran.out)} {_fingerprint(tmp_path / 'c')}"
        if looks not in seen:
            seen.add(looks)
            try:
                _check(case, tmp_path / "c", told=bool(ran.out.strip()))
            except AssertionError as error:
                raise AssertionError(f"{case}: {kill} ({ran.points[-1]})") from error
        shutil.rmtree(tmp_path / "c")
    assert len(seen) > 1


def _fingerprint(folder: Path) -> str:
    """Return a digest of everything that lies there; the names of files that are new differ by chance."""
    said = hashlib.sha256()
    for path in sorted(folder.rglob("*"), key=lambda one: (one.parent, one.stat().st_size, one.name)):
        if not path.is_file() or path.name.endswith("-shm") or "unfinished-" in str(path.relative_to(folder)):
            continue  # what is unfinished has its own name, and is no more than there
        said.update(f"{path.parent}{len(path.name)}".encode() + hashlib.sha256(path.read_bytes()).digest())
    unfinished = sum("unfinished-" in path.name for path in folder.rglob("*"))
    return f"{said.hexdigest()} {unfinished}"


def _check(case: Case, shop: Path, *, told: bool) -> None:
    place = shop / ("none" if case.empty else "w")
    if case.empty and not (place / "records.sqlite").exists():
        assert not told
        before = 0
    else:
        before = _as_recorded(case, place, told)
    for name in case.made:
        _whole_or_not_there(shop / name)
    if before and not case.known_again:
        return
    if any((shop / name).exists() for name in case.made) and not case.known_again:
        shutil.rmtree(shop / "desk" / "out", ignore_errors=True)
    again = carry_out(case, shop)
    assert again.code == 0 or (case.known_again and AGAIN.search(again.err)), again.err
    after = mended(place)
    times = count(after.acts, case.act) if case.act else 0
    # What tidy removed belonged to no entry; killed before it said so, nothing is left for it to say.
    expected = {_recorded(case, place)} | ({0} if case.act == "tidy" else set())
    assert after.report.sound, after.report.faults
    assert times in expected, after.acts
    for name in case.made:
        assert (shop / name).exists()
        _whole_or_not_there(shop / name)
    assert _left(shop) == [], case


def _as_recorded(case: Case, place: Path, told: bool) -> int:
    """Check what the records say after the kill, and return how often the act is in them."""
    try:
        found = state(place)
    except Exception:
        if not case.empty:
            raise
        assert not told  # the records are not set up yet
        return 0
    assert found.codes <= ORPHANS, found.report.faults
    base = 0 if case.empty else _base(case)
    times = count(found.acts, case.act) - base if case.act else 0
    assert times in (0, 1)
    if told and case.act:
        assert times == 1
    if found.codes:
        assert mended(place).report.sound
    return times


_BASES: dict[str, int] = {}


def _base(case: Case) -> int:
    return {"receive": 2, "document": 1, "photograph": 1, "bench": 1, "decide": 1, "fit": 1}.get(case.act, 0)


def _recorded(case: Case, place: Path) -> int:
    return (0 if case.empty else _base(case)) + 1 if case.act else 0


def _whole_or_not_there(path: Path) -> None:
    if not path.exists():
        return
    if path.is_dir() and (path / "bagit.txt").exists():
        assert bagit.Bag(str(path)).validate()
    elif path.is_dir():
        assert all(one.read_text().endswith("\n") for one in path.iterdir())
    elif path.suffix == ".zip":
        assert zipfile.ZipFile(path).testzip() is None
    else:
        ending = {".html": b"</html>", ".json": b"}", ".png": b"IEND\xaeB`\x82"}[path.suffix]
        assert path.read_bytes().rstrip().endswith(ending)


def _left(shop: Path) -> list[str]:
    """Return what was left in the workspace that no command would take away."""
    places: Iterator[Path] = itertools.chain((shop / "w").iterdir(), (shop / "w" / "evidence").iterdir())
    known = ("records.sqlite", "workspace.toml", "evidence", WORK, SPOOL)
    return [path.name for path in places if not path.name.startswith(known) and len(path.name) != 2]
