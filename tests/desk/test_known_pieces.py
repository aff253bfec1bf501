"""What is known of pieces is carried forward from entry to entry, and kept for other processes: always as read anew."""

import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from growing import Growth, grow
from sqlalchemy import select

from tracker.desk import known_kept
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.correct import correct
from tracker.desk.decide import decide, settle
from tracker.desk.known_pieces import known_pieces
from tracker.desk.known_table import KnownPieces
from tracker.desk.learned import Learned, learned
from tracker.desk.remembered import Remembered
from tracker.desk.truths import truths
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.journal import head
from tracker.judgement.counts import OUTCOMES
from tracker.judgement.learning import Experience
from tracker.judgement.lesson import Lesson
from tracker.judgement.lesson_table import LessonTable
from tracker.judgement.outcomes import Outcomes, codes
from tracker.records.models import Piece, Settlement

SIZE = Growth(lots=3, pieces=7, looks=2.2, runs=1.2, decided=0.7, settled=0.3, rematched=0.3, seed=11)


@pytest.fixture
def shop(workspace: Workspace) -> Workspace:
    grow(workspace, SIZE)
    return workspace


class BreakingOffError(Exception):
    """Ends an act that is to leave nothing."""


def anew(workspace: Workspace) -> KnownPieces:
    """Return what is known, read from the records alone."""
    with workspace.read() as session:
        session.info.clear()
        return known_pieces(session, None)


def now(workspace: Workspace) -> Learned:
    with workspace.read() as session:
        return learned(session)


def acts(workspace: Workspace, rng: random.Random) -> list[Callable[[], object]]:
    """Return one act of each kind that may change what is known, on pieces drawn by chance."""
    with workspace.read() as session:
        labels = rng.sample(session.scalars(select(Piece.label)).all(), 6)
    one, two, three, four, five, six = labels
    return [
        lambda: settle(workspace, one, rng.choice(("genuine", "not-genuine")), "The maker said so.", operator="mira"),
        lambda: decide(workspace, [two, three], rng.choice(("accept", "reject")), "As measured.", operator="mira"),
        lambda: run_current(
            workspace,
            four,
            CurrentRequest(currents=(rng.choice(("1 mA", "90 mA")),), clock="1 MHz", u="0.1 mA"),
            operator="mira",
        ),
        lambda: correct(workspace, five, ["CV6522AP", f"9{rng.randint(0, 9)}12 K1"], operator="mira"),
        lambda: settle(workspace, six, "genuine", "Opened here.", operator="mira"),
        lambda: settle(workspace, six, "genuine", "It was another one.", withdraw=True, operator="mira"),
    ]


def test_carried_forward_it_is_what_the_records_say(
    shop: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(known_kept, "WORTH_IT", 1)
    changed = 0
    before = anew(shop)
    for act in acts(shop, random.Random(5)):
        try:
            act()
        except BadRequest:
            continue  # a piece whose truth is known already, or one without a photo
        in_one_process = now(shop)
        with monkeypatch.context() as patch, Workspace.open(shop.folder) as another:
            patch.setenv("LOTPROOF_CACHE", str(tmp_path))
            through_the_folder = now(another)
        whole = anew(shop)
        for found in (in_one_process, through_the_folder):
            assert found.pieces.head == whole.head
            assert list(found.pieces.pieces.items()) == list(whole.pieces.items())
        changed += whole.pieces != before.pieces
        before = whole
    assert changed >= 3
    assert len(list((tmp_path / "known").glob("*.bin"))) == 1
    with shop.read() as session:
        assert now(shop).truths == truths(session)


def test_an_act_sees_its_own_rows_and_leaves_nothing_behind(shop: Workspace) -> None:
    before = now(shop)
    piece = next(number for number, one in before.pieces.pieces.items() if not one.truth.by_bench)
    with shop.read() as session:
        label = session.get_one(Piece, piece).label
    truth = "genuine" if before.pieces.pieces[piece].truth.not_genuine else "not-genuine"

    said = []

    def break_off() -> None:
        with shop.act("mira", "settle", label) as act:
            act.add(Settlement(piece_id=piece, genuine=truth == "genuine", grounds="-", withdrawn=False))
            said.append(learned(act.session).pieces.pieces[piece].truth)
            raise BreakingOffError

    with pytest.raises(BreakingOffError):
        break_off()
    assert said[0].not_genuine == (truth != "genuine")
    assert now(shop).pieces == before.pieces
    settle(shop, label, truth, "The maker said so.", operator="mira")
    assert now(shop).pieces.pieces[piece].truth.not_genuine == (truth != "genuine")


def test_a_copy_that_is_damaged_or_of_another_journal_is_not_used(
    shop: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(known_kept, "WORTH_IT", 1)
    monkeypatch.setenv("LOTPROOF_CACHE", str(tmp_path))
    whole = now(shop).pieces.pieces
    (path,) = (tmp_path / "known").iterdir()
    sound = path.read_bytes()
    with shop.read() as session:
        loaded = known_kept.load(session)
        assert loaded is not None
        assert (loaded.pieces, loaded.head) == (whole, head(session))
        said = sound.partition(b"\n")[0]
        for data in (
            sound[:-1],
            sound[:-1] + bytes([sound[-1] ^ 1]),
            sound.replace(b'"made_by": "1 ', b'"made_by": "0 '),
            sound.replace(loaded.head.hash.encode(), b"0" * 64),
            sound.replace(said, said.replace(b'"pieces": ', b'"pieces": 1')),
            b"",
            b"[]\n",
            b"{}\n" + sound,
        ):
            path.write_bytes(data)
            assert known_kept.load(session) is None, data[:80]
    shop._remembered = Remembered()
    assert now(shop).pieces.pieces == whole
    assert path.read_bytes() == sound  # it was written anew


def test_tallies_of_bytes_are_those_of_words() -> None:
    rng = random.Random(3)
    said = [{code: rng.choice(OUTCOMES) for code in codes() if rng.random() < 0.5} for _ in range(80)]
    before = {lot: lot / 3 - 2 for lot in range(12)}
    lessons = [Lesson(n, n // 7, rng.random() < 0.4, one, before[n // 7]) for n, one in enumerate(said)]
    shown = [Outcomes.of({**one, "no-such": "clear"}) for one in said]
    assert [dict(one) for one in shown] == said
    assert [len(one) for one in shown] == [len(one) for one in said]
    columns = [np.array([getattr(one, name) for one in lessons]) for name in ("piece", "lot", "not_genuine")]
    marks = np.array([list(one.marks) for one in shown], np.uint8)
    words, table = Experience(tuple(lessons)), Experience(LessonTable(*columns, marks, before))
    assert list(table.lessons) == lessons
    tallies = {key: {lot: list(tally) for lot, tally in of.items()} for key, of in table._tallies.items()}
    assert tallies == words._tallies
    assert table.version == words.version
    assert table.weights == words.weights
    for lot in range(13):
        assert table.without_lot(lot) == words.without_lot(lot)
    for piece in range(81):
        assert table.without_piece(piece) == words.without_piece(piece)
