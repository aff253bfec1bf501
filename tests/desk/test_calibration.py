"""`calibration` and `show --sum`: what they say of a workshop's settled pieces, on the screen and as JSON."""

import shutil
from dataclasses import replace
from math import log10
from pathlib import Path

import pytest
from asked import asked
from conftest import Lotproof
from growing import Growth, grow
from scipy import stats
from settled_workshop import decided, put, ran, settle_all
from sklearn.metrics import brier_score_loss, roc_auc_score
from stock import a_lot
from workshop_simulation import World

from tracker.desk import calibration_kept
from tracker.desk.assess import looked_for, of_bench, of_photos
from tracker.desk.calibration import LEAST_PIECES, calibration, indicators_moved, refresh
from tracker.desk.calibration_plot import WIDTH, strips
from tracker.desk.decide import declare_exemplar, settle
from tracker.desk.learned import learned
from tracker.desk.on_record import on_record
from tracker.desk.pieces import find_piece
from tracker.desk.truths import SellerRecords
from tracker.desk.workspace import Workspace
from tracker.errors import ExitCode
from tracker.judgement.learning import FOLDS, Experience
from tracker.judgement.prior import before_looking
from tracker.judgement.suspicion import combine
from tracker.judgement.weights import declared
from tracker.records.models import Lot, Piece


@pytest.fixture(scope="module")
def lived_in(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give the folder of a workshop of 40 lots with 80 settled pieces; nobody may write into it."""
    folder = tmp_path_factory.mktemp("lived") / "w"
    lots = World(41).lots(40)
    with Workspace.open(folder, create=True) as opened:
        labels = put(opened, lots)
        settle_all(opened, [piece for lot in lots for piece in lot.pieces[:3]][:80], labels)
    return folder


def test_scores_are_those_of_scikit_learn_over_what_was_judged(lived_in: Path, lotproof: Lotproof) -> None:
    found = lotproof("calibration", "--workspace", lived_in, "--json").json
    assert found["schema"] == "lotproof.calibration/1"
    y = [one["not_genuine"] for one in found["judged"]]
    p = [one["suspicion"] for one in found["judged"]]
    scores = found["scores"]
    assert (scores["pieces"], len(y)) == (80, 80)
    assert scores["brier"] == pytest.approx(brier_score_loss(y, p))
    assert scores["area"]["value"] == pytest.approx(roc_auc_score(y, p))
    assert scores["area"]["lower"] < scores["area"]["value"] <= scores["area"]["upper"] <= 1
    assert sum(one["pieces"] for one in found["reliability"]) == 80
    for one in found["reliability"]:
        # Clopper-Pearson, by scipy.
        exact = stats.binomtest(one["not_genuine"], one["pieces"]).proportion_ci(0.95, method="exact")
        assert (one["lower_95"], one["upper_95"]) == pytest.approx((exact.low, exact.high), abs=1e-6)
        assert one["lower"] <= one["said"] <= one["upper"]


def test_each_is_judged_without_any_truth_of_its_lot(lived_in: Path, tmp_path: Path) -> None:
    """Settled the other way round, its suspicion stays what it was; so does that of its siblings."""
    shutil.copytree(lived_in, tmp_path / "w")
    with Workspace.open(tmp_path / "w") as opened:
        before = {one.piece: one for one in calibration(opened).judged}
        lot = "L0003"
        mine = [label for label in before if label.startswith(lot)]
        assert len(mine) > 1
        for label in mine:
            settle(opened, label, "genuine" if before[label].not_genuine else "not-genuine", "turned", operator="mira")
        declare_exemplar_if_good(opened, mine)
        after = {one.piece: one for one in calibration(opened).judged}
    for label in mine:
        assert after[label].not_genuine is not before[label].not_genuine
        assert after[label].suspicion == pytest.approx(before[label].suspicion, rel=1e-9)


def test_each_is_judged_as_if_all_other_lots_were_counted_anew(lived_in: Path) -> None:
    """Nothing taken from sums, nothing kept: for every lot all lessons of the others are counted again."""
    with Workspace.open(lived_in) as opened:
        judged = {one.piece: one.suspicion for one in calibration(opened).judged}
        with opened.read() as session:
            known, lots = learned(session), {lot.id: lot for lot in session.query(Lot)}
            labels = dict(session.query(Piece.id, Piece.label).all())
            facts = on_record(session, [truth.piece for truth in known.truths])
    lessons = known.experience.lessons
    for truth in known.truths:
        others = Experience(tuple(one for one in lessons if one.lot != truth.lot)).weights
        elsewhere = Experience(tuple(one for one in lessons if one.lot % FOLDS != truth.lot % FOLDS)).together
        of_others = SellerRecords(tuple(one for one in known.truths if one.lot != truth.lot)).of(truth.seller)
        mine = facts[truth.piece]
        items = [*of_photos(mine, others), *of_bench(mine.runs, others)]
        prior = before_looking(lots[truth.lot].source_kind, *of_others).db
        expected = combine(prior, items, silences=looked_for(mine, others), together=elsewhere)
        assert judged[labels[truth.piece]] == pytest.approx(expected.probability, rel=1e-12, abs=1e-12)
    assert len(judged) == 80


def test_what_was_worked_out_is_kept_until_the_journal_goes_on(
    workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOTPROOF_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(calibration_kept, "WORTH_IT", 1)
    grow(workspace, Growth(lots=3, pieces=10, settled=0.5, seed=3))
    first = calibration(workspace)
    assert len(first.judged) > 5
    with asked(workspace) as questions:
        assert calibration(workspace) == first
    assert questions.number <= 6
    assert calibration(workspace, with_pieces=False) == replace(first, judged=())
    refresh(workspace, older_s=0.0)
    settle(workspace, first.judged[0].piece, "not-genuine", "opened", operator="mira")
    before = calibration(workspace, earlier=True)
    assert (before.judged, before.behind) == (first.judged, 1)
    refresh(workspace, older_s=3600.0)
    assert calibration(workspace, earlier=True).behind == 1
    refresh(workspace, older_s=0.0)
    later = calibration(workspace, earlier=True)
    assert later.behind == 0
    assert calibration(workspace, with_pieces=False) == replace(later, judged=())
    assert later.judged != first.judged
    (path,) = (tmp_path / "cache" / "known").glob("*.calibration.json")
    path.write_bytes(path.read_bytes()[:-3])
    assert calibration(workspace, earlier=True) == later
    (path,) = (tmp_path / "cache" / "known").glob("*.calibration-said.json")
    path.write_bytes(path.read_bytes()[:-3])
    assert calibration(workspace, earlier=True, with_pieces=False) == later


def test_it_takes_no_more_questions_for_more_pieces(tmp_path: Path) -> None:
    counts = []
    for name, size in (
        ("few", Growth(lots=3, pieces=4, settled=1.0)),
        ("many", Growth(lots=12, pieces=20, settled=1.0)),
    ):
        with Workspace.open(tmp_path / name, create=True) as grown:
            grow(grown, size)
            with asked(grown) as questions:
                found = calibration(grown)
            counts.append((questions.number, len(found.judged) > 100))
    assert counts[0][0] == counts[1][0]
    assert [many for _, many in counts] == [False, True]


def declare_exemplar_if_good(workspace: Workspace, labels: list[str]) -> None:
    for one in calibration(workspace).judged:
        if one.piece in labels and not one.not_genuine:
            declare_exemplar(workspace, one.piece, "settled", operator="mira")


def test_the_screen_says_it_in_words(lived_in: Path, lotproof: Lotproof) -> None:
    out = lotproof("calibration", "--workspace", lived_in).out
    assert out.startswith("80 settled pieces of ")
    for word in ("Brier score", "reliability", "resolution", "uncertainty", "log loss", "discrimination", "by chance"):
        assert word.replace("by chance", "chance alone") in out
    assert "Mind: Pieces of one lot are not independent" in out
    assert f"Weights: {declared().version}, 80 settled pieces up to entry" in out


@pytest.mark.parametrize("name", ["plot.png", "plot.svg"])
def test_the_plot(lived_in: Path, lotproof: Lotproof, tmp_path: Path, name: str) -> None:
    target = tmp_path / name
    ran_ = lotproof("calibration", "--workspace", lived_in, "--plot", target)
    assert (ran_.code, ran_.err) == (ExitCode.DONE, f"Wrote {target}.\n")
    first = target.read_bytes()
    assert first.startswith(b"\x89PNG" if name.endswith("png") else b"<?xml")
    lotproof("calibration", "--workspace", lived_in, "--plot", target, "--json")
    assert target.read_bytes() == first
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize(
    "words", [("--plot", "p.gif"), ("--plot", "nowhere/p.png"), ("--plot", "p.png", "--indicators")]
)
def test_a_plot_that_cannot_be(lived_in: Path, lotproof: Lotproof, words: tuple[str, ...]) -> None:
    answered = lotproof("calibration", "--workspace", lived_in, *words)
    assert (answered.code, answered.out) == (ExitCode.BAD_REQUEST, "")


def test_indicators_say_what_moved_them(lived_in: Path, lotproof: Lotproof) -> None:
    found = lotproof("calibration", "--indicators", "--workspace", lived_in, "--json").json
    assert found["schema"] == "lotproof.calibration.indicators/1"
    moved = [abs(one["moved_db"]) for one in found["indicators"]]
    assert moved == sorted(moved, reverse=True)
    assert moved[0] > 3
    top = found["indicators"][0]
    assert top["declared_db"] == pytest.approx(declared().weight_db(top["code"]))
    assert top["now_db"] == pytest.approx(top["declared_db"] + top["moved_db"])
    assert top["seen_not_genuine"] <= top["of_not_genuine"]
    # By hand, from the counts that are shown.
    worth, seen = found["declared_pieces"], declared().indicator(top["code"])
    bad = (worth * seen.not_genuine.present / seen.not_genuine.total + top["seen_not_genuine"]) / (
        worth + top["of_not_genuine"]
    )
    good = (worth * seen.genuine.present / seen.genuine.total + top["seen_genuine"]) / (worth + top["of_genuine"])
    assert top["now_db"] == pytest.approx(10 * log10(bad / good))
    screen = lotproof("calibration", "--indicators", "--workspace", lived_in).out
    assert screen.splitlines()[1].startswith(top["title"])
    assert "Several signs on one piece together count" in screen


def test_too_few_settled_pieces(workspace: Workspace, lotproof: Lotproof) -> None:
    lots = World(42).lots(4)
    labels = put(workspace, lots)
    assert calibration(workspace).said == f"No settled piece yet: nothing can be said; from about {LEAST_PIECES} on."
    none = lotproof("calibration", "--workspace", workspace.folder)
    assert none.out.splitlines()[0] == "No settled piece yet: nothing can be said; from about 30 on."
    assert lotproof("calibration", "--workspace", workspace.folder, "--json").json["scores"] is None
    assert (
        "all weights are the declared ones"
        in lotproof("calibration", "--indicators", "--workspace", workspace.folder).out
    )
    settle_all(workspace, [lot.pieces[0] for lot in lots], labels)
    few = lotproof("calibration", "--workspace", workspace.folder).out
    assert few.startswith("4 settled pieces: nothing can be said yet; from about 30 on.\n")
    assert "Brier" not in few
    document = lotproof("calibration", "--workspace", workspace.folder, "--json").json
    assert (document["enough"], document["scores"]["pieces"], document["scores"]["area"]) == (False, 4, None)
    assert indicators_moved(workspace).together.pieces == 4
    plotted = workspace.folder / "p.png"
    assert lotproof("calibration", "--workspace", workspace.folder, "--plot", plotted).code == ExitCode.DONE


def test_what_was_never_looked_at_is_left_out(workspace: Workspace) -> None:
    a_lot(workspace)
    settle(workspace, "L0001-01", "genuine", "opened", operator="mira")
    found = calibration(workspace)
    assert (found.judged, found.left_out, found.scores) == ((), 1, None)
    assert found.notes[0] == "1 settled piece left out: nothing of it was ever looked at."
    settle(workspace, "L0001-01", "genuine", "wrong one", withdraw=True, operator="mira")
    assert calibration(workspace).left_out == 0


def test_bench_truths_are_judged_without_the_bench(workspace: Workspace) -> None:
    (lot,) = World(43).lots(1)
    labels = put(workspace, [lot])
    label = labels[lot.pieces[0].number]
    with workspace.act("mira", "bench", label) as act:
        piece = find_piece(act.session, label)
        ran(act, piece, "current", "fail")
        decided(act, piece, "rejected")
    (by_bench,) = calibration(workspace).judged
    assert (by_bench.by_bench, by_bench.not_genuine) == (True, True)
    assert any("rests on the bench" in note for note in calibration(workspace).notes)
    settle(workspace, label, "not-genuine", "a laboratory", operator="mira")
    (outside,) = calibration(workspace).judged
    assert outside.suspicion > by_bench.suspicion  # now the failed test counts


def test_the_sum_of_a_piece(lived_in: Path, lotproof: Lotproof) -> None:
    shown = lotproof("show", "L0003-01", "--sum", "--workspace", lived_in, "--json").json
    assert shown["schema"] == "lotproof.sum/1"
    assert sum(line["weight_db"] for line in shown["sum"]) == pytest.approx(shown["total_db"])
    whole = lotproof("show", "L0003-01", "--workspace", lived_in, "--json").json
    assert (whole["sum"], whole["in_vain"], whole["weights"]) == (shown["sum"], shown["in_vain"], shown["weights"])
    found = [line for line in shown["sum"] if line["kind"] == "finding" and line["family"] != "settled"]
    assert all(line["basis"]["settled"] for line in found)
    assert {one["code"] for one in shown["in_vain"]}.isdisjoint(line["code"] for line in found)
    screen = lotproof("show", "L0003-01", "--sum", "--workspace", lived_in).out
    assert "settled here" in screen
    assert "Looked for and not found" in screen
    assert "Declared ones stand for 20 pieces of either kind" in screen
    for wrong in ("L0003", "no-such"):
        assert lotproof("show", wrong, "--sum", "--workspace", lived_in).code == ExitCode.BAD_REQUEST


def test_what_people_typed_is_shown_as_typed(workspace: Workspace, lotproof: Lotproof) -> None:
    typed = "[red]=1+1[/] <script>alert(1)</script>"
    a_lot(workspace)
    settle(workspace, "L0001-01", "not-genuine", typed, operator="mira")
    assert typed in lotproof("show", "L0001-01", "--sum", "--workspace", workspace.folder).out
    document = lotproof("show", "L0001-01", "--sum", "--workspace", workspace.folder, "--json").json
    assert any(typed in line["text"] for line in document["sum"])


def test_a_strip_of_the_diagram(lived_in: Path) -> None:
    with Workspace.open(lived_in) as opened:
        found = calibration(opened)
    drawn = strips(found.reliability)
    assert all(len(strip) == WIDTH for strip in drawn)
    for one, strip in zip(found.reliability, drawn, strict=True):
        mark = "+" if "+" in strip else "|"
        assert strip.index(mark) == round(one.bin.said * (WIDTH - 1))
