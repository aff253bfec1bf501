"""Power cut at any point: what was told is there afterwards, on disks that lose names and on those that lose contents.

`fault_points.lose_power` undoes what was not synced; what SQLite wrote stands by its own promise.
"""

import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from fault_cases import BY_NAME, Case, build, carry_out, everything, mended, state
from fault_points import Kill, Ran, broken, can_break, lose_power, strikes

from tracker.desk import keys
from tracker.desk.whole_file import put_whole
from tracker.evidence import EvidenceStore
from tracker.signing import SigningKey

pytestmark = can_break
DATA = b"kept for good " * 100
Work = Callable[[Path], None]


@pytest.fixture(scope="module")
def shop(sqlite_template: Path, small_bag: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the shop that every case gets a copy of."""
    return build(tmp_path_factory.mktemp("shop") / "s", sqlite_template, small_bag)


def _keep(folder: Path) -> None:
    print(EvidenceStore(str(folder / "new" / "evidence")).keep(DATA).sha256, flush=True)


def _put(folder: Path) -> None:
    put_whole(folder / "dossier.html", DATA)
    print("put", flush=True)


def _key(folder: Path) -> None:
    key = SigningKey.new()
    keys._keep(folder / "config" / "keys", key)
    print(key.name, flush=True)


def _evidence_there(folder: Path, told: str) -> None:
    store = EvidenceStore(str(folder / "new" / "evidence"))
    for sha256 in store.all():
        assert store.read(sha256) == DATA
    assert not told or store.has(told)


def _whole(folder: Path, told: str) -> None:
    found = (folder / "dossier.html").read_bytes()
    assert found in ((DATA,) if told else (DATA, b"the earlier one"))


def _key_there(folder: Path, told: str) -> None:
    for path in (folder / "config" / "keys").glob("*.pem"):
        assert keys._read(path).name == path.stem
    assert not told or (folder / "config" / "keys" / f"{told}.pem").exists()


@pytest.mark.parametrize("names", [True, False], ids=["names lost", "contents lost"])
@pytest.mark.parametrize(
    ("work", "check"), [(_keep, _evidence_there), (_put, _whole), (_key, _key_there)], ids=["evidence", "file", "key"]
)
def test_a_file_is_whole_and_there_once_told(
    tmp_path: Path, work: Work, check: Callable[[Path, str], None], names: bool
) -> None:
    points = _cut(work, tmp_path, None, names).points
    for kill in [*strikes(points), None]:
        ran = _cut(work, tmp_path, kill, names)
        told = ran.out.strip()
        assert bool(told) == (kill is None)
        check(tmp_path / "disk", told)
        # A second one after the cut, on what the first left.
        again = broken(partial(work, tmp_path / "disk"), tmp_path / "disk", spare=tmp_path / "spare")
        lose_power(again, names=names)
        check(tmp_path / "disk", again.out.strip())


def _cut(work: Work, tmp_path: Path, kill: Kill | None, names: bool) -> Ran:
    for name in ("disk", "spare"):
        shutil.rmtree(tmp_path / name, ignore_errors=True)
        (tmp_path / name).mkdir()
    (tmp_path / "disk" / "dossier.html").write_bytes(b"the earlier one")
    ran = broken(partial(work, tmp_path / "disk"), tmp_path / "disk", kill, spare=tmp_path / "spare")
    lose_power(ran, names=names)
    return ran


def test_a_file_found_there_is_made_safe_by_whoever_relies_on_it(tmp_path: Path) -> None:
    """One bench is killed before the name is synced; another keeps the same bytes; then the power goes."""
    (tmp_path / "disk").mkdir()
    (tmp_path / "spare").mkdir()
    work = partial(_keep, tmp_path / "disk")
    points = broken(work, tmp_path / "disk").points
    shutil.rmtree(tmp_path / "disk" / "new")
    renamed = next(number for number, point in enumerate(points, start=1) if point.kind == "rename")
    first = broken(work, tmp_path / "disk", Kill(renamed, after=True), spare=tmp_path / "spare")
    second = broken(work, tmp_path / "disk", spare=tmp_path / "spare")
    both = Ran(0, "", "", (), (*first.done, *second.done), tmp_path / "spare")
    lose_power(both)
    _evidence_there(tmp_path / "disk", second.out.strip())


@pytest.mark.parametrize("names", [True, False], ids=["names lost", "contents lost"])
@pytest.mark.parametrize(
    "case",
    [
        BY_NAME[name]
        for name in (
            "begin",
            "document",
            "bench live",
            "export a bag",
            "export a file",
            "dossier",
            "hand in",
            "work off",
        )
    ],
    ids=str,
)
@pytest.mark.sweep
def test_what_was_told_is_there(case: Case, shop: Path, tmp_path: Path, names: bool) -> None:
    everything()
    whole = _cut_short(case, shop, tmp_path, None, names)
    assert whole.code == 0, whole.err
    commits = [number for number, point in enumerate(whole.points, start=1) if point.kind == "commit"]
    for kill in [*(Kill(number, after=True) for number in commits), None]:
        ran = _cut_short(case, shop, tmp_path, kill, names)
        place = tmp_path / "c" / ("none" if case.empty else "w")
        if not (place / "records.sqlite").exists():
            assert not ran.out.strip()
            continue
        acts, wrong = _said(place, case)
        if ran.out.strip() and case.act:
            assert case.act in acts
        assert wrong <= {"file-orphaned"}, (kill, wrong)
        for name in case.made if ran.out.strip() else ():
            assert (tmp_path / "c" / name).exists()
        if wrong:
            assert mended(place).report.sound


def _said(place: Path, case: Case) -> tuple[list[str], set[str]]:
    try:
        found = state(place)
    except Exception:
        if not case.empty:
            raise
        return [], set()  # not set up to the end
    base = {"receive": 2, "document": 1, "photograph": 1, "bench": 1}.get(case.act, 0)
    acts = list(found.acts)
    for _ in range(0 if case.empty else base):
        acts.remove(case.act)
    return acts, found.codes


def _cut_short(case: Case, shop: Path, tmp_path: Path, kill: Kill | None, names: bool) -> Ran:
    for name in ("c", "spare"):
        shutil.rmtree(tmp_path / name, ignore_errors=True)
    (tmp_path / "spare").mkdir()
    shutil.copytree(shop, tmp_path / "c")
    case.prepare(tmp_path / "c")
    ran = carry_out(case, tmp_path / "c", kill, spare=tmp_path / "spare")
    lose_power(ran, names=names)
    return ran
