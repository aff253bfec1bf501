"""The verbs of records as a person or a script meets them: answers, exit codes, one JSON document."""

import csv
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import Lotproof

from tracker.errors import ExitCode

RECEIVE = (
    "receive",
    "--seller",
    "Quayside Surplus",
    "--source",
    "marketplace",
    "--part",
    "CV6522AP",
    "--quantity",
    "3",
)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Name a workspace, not there yet, for all commands of the test."""
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(tmp_path / "w"))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "mira")
    return tmp_path / "w"


def tree(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_lot_from_arrival_to_machine(place: Path, lotproof: Lotproof, tmp_path: Path) -> None:
    invoice = tmp_path / "invoice.txt"
    invoice.write_text("three chips", encoding="utf-8")
    received = lotproof(*RECEIVE, "--order", "Q-1", "--document", f"invoice={invoice}", "--json")
    assert received.code == ExitCode.DONE
    assert received.json["schema"] == "lotproof.received/1"
    assert received.json["lot"] == "L0001"
    assert received.json["pieces"] == ["L0001-01", "L0001-02", "L0001-03"]
    assert lotproof("decide", "L0001-01", "accept", "--reason", "looks right").out == "L0001-01  accepted (was open)\n"
    fitted = lotproof("fit", "l1-1", "--into", "Laboratory counter Tellmark 220", "--at", "U3", "--json")
    assert (fitted.json["machine"], fitted.json["new_machine"]) == ("M0001", True)
    recalled = lotproof("recall", "--lot", "L0001", "--json").json
    assert [(one["machine"], one["position"], one["piece"]) for one in recalled["fittings"]] == [
        ("M0001", "U3", "L0001-01")
    ]
    assert "L0001-01" in lotproof("recall", "--lot", "L0001").out
    assert lotproof("unfit", "L0001-01").code == ExitCode.DONE
    verified = lotproof("verify", "--json")
    assert (verified.code, verified.json["sound"], verified.json["reached"]) == (ExitCode.DONE, True, "rows")
    assert [entry["act"] for entry in lotproof("log", "--json").json["entries"]] == [
        "receive",
        "decide",
        "fit",
        "unfit",
    ]
    assert [entry["act"] for entry in lotproof("log", "m1", "--json").json["entries"]] == ["fit", "unfit"]
    assert lotproof("tidy", "--json").json["removed"] == []


@pytest.mark.parametrize("what", ["lots", "pieces", "sellers", "machines", "runs"])
def test_lists_as_the_contract_spells_them(place: Path, lotproof: Lotproof, what: str) -> None:
    lotproof(*RECEIVE)
    lotproof("fit", "L0001-01", "--into", "Laboratory counter Tellmark 220", "--at", "U3")
    document = lotproof("list", what, "--json").json
    assert document["schema"] == f"lotproof.{what}/1"
    assert len(document[what]) == {"lots": 1, "pieces": 3, "sellers": 1, "machines": 1, "runs": 0}[what]
    if what != "runs":
        first = document[what][0]
        assert next(iter(first.values())) in lotproof("list", what).out


@pytest.mark.parametrize("label", ["L0001", "L0001-01", "M0001"])
def test_show(place: Path, lotproof: Lotproof, label: str) -> None:
    lotproof(*RECEIVE)
    lotproof("fit", "L0001-01", "--into", "Laboratory counter Tellmark 220", "--at", "[red]U3[/]")
    kind = {"L0001": "lot", "L0001-01": "piece", "M0001": "machine"}[label]
    document = lotproof("show", label, "--json").json
    assert (document["schema"], document[kind]) == (f"lotproof.{kind}/1", label)
    screen = lotproof("show", label)
    assert screen.out.startswith(label)
    assert "[red]U3[/]" in screen.out


def test_list_as_csv(place: Path, lotproof: Lotproof, tmp_path: Path) -> None:
    lotproof(*RECEIVE, "--remark", 'a "quoted", remark')
    lotproof(*RECEIVE, "--maker", "Corvane, Ltd")
    target = tmp_path / "lots.csv"
    target.write_text("old", encoding="utf-8")
    assert lotproof("list", "lots", "--csv", target).code == ExitCode.DONE
    with target.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["lot"], row["maker"], row["received"]) for row in rows] == [
        ("L0001", "", "3"),
        ("L0002", "Corvane, Ltd", "3"),
    ]
    for bad in (tmp_path / "no" / "x.csv", tmp_path):
        assert lotproof("list", "lots", "--csv", bad).code == ExitCode.BAD_REQUEST
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["lots.csv"]


@pytest.mark.parametrize(
    "filters",
    [
        ("pieces", "--disposition", "bad"),
        ("pieces", "--lot", "L9999"),
        ("pieces", "--seller", "nobody"),
        ("pieces", "--machine", "M0009"),
        ("lots", "--source", "ebay"),
        ("runs", "--verdict", "perhaps"),
        ("pieces", "--min-suspicion", "30"),
    ],
)
def test_a_filter_that_nothing_can_meet_is_refused(filters: tuple[str, ...], place: Path, lotproof: Lotproof) -> None:
    lotproof(*RECEIVE)
    refused = lotproof("list", *filters)
    assert (refused.code, refused.out) == (ExitCode.BAD_REQUEST, "")
    assert lotproof("list", "pieces", "--disposition", "Open", "--lot", "l1").code == ExitCode.DONE
    assert lotproof("list", "pieces", "--min-suspicion", "30 %").out == "No pieces.\n"


@pytest.mark.parametrize("test", ["current", "clock", "soak", "signature", "curve", "in-circuit", "power"])
def test_runs_of_every_test_can_be_listed(test: str, place: Path, lotproof: Lotproof) -> None:
    lotproof(*RECEIVE)
    assert lotproof("list", "runs", "--test", test).out == "No runs.\n"


def test_same_order_again(place: Path, lotproof: Lotproof) -> None:
    lotproof(*RECEIVE, "--order", "Q-1")
    before = tree(place / "evidence"), lotproof("verify", "--json").json["head"]
    again = lotproof(*RECEIVE, "--order", "Q-1")
    assert again.code == ExitCode.DONE
    assert "is here already as L0001" in again.out
    assert "Nothing was added" in again.out
    document = lotproof(*RECEIVE, "--order", "Q-1", "--json").json
    assert (document["already_received"], document["lot"]) == (True, "L0001")
    assert (tree(place / "evidence"), lotproof("verify", "--json").json["head"]) == before


@pytest.mark.parametrize(
    "words",
    [
        ("receive",),
        ("receive", "--json"),
        ("receive", "--seller", "A", "--part", "B", "--quantity", "0"),
        ("receive", "--seller", "A", "--part", "B", "--quantity", "-3"),
        ("receive", "--seller", "A", "--part", "B", "--quantity", "1e9"),
        ("receive", "--seller", "A", "--part", "B", "--quantity", "1", "--arrived", "2026-02-30"),
        ("receive", "--seller", "A", "--part", "B", "--quantity", "1", "--document", "invoice=/nowhere/x.pdf"),
        ("receive", "--seller", "A", "--from", "x.csv"),
        ("receive", "--from", "/nowhere/x.csv"),
        ("receive", "--from", "/"),
        ("receive", "--seller", "A\udc80", "--part", "B", "--quantity", "1"),
        ("decide", "L0001-01", "accept", "--reason", "x"),
        ("show", "L0001"),
        ("list", "lots"),
        ("verify",),
        ("tidy",),
        ("due",),
        ("log",),
        ("recall", "--lot", "L0001"),
        ("document", "L0001", "invoice=/nowhere/x.pdf"),
    ],
)
def test_wrong_requests_change_nothing(place: Path, lotproof: Lotproof, words: tuple[str, ...]) -> None:
    answer = lotproof(*words)
    assert answer.code == ExitCode.BAD_REQUEST
    assert answer.out == ""
    assert answer.err.startswith("lotproof: ")
    assert "Traceback" not in answer.err
    assert not place.exists()


@pytest.mark.parametrize(
    "words",
    [
        ("show", "L0099"),
        ("decide", "L0001-01", "keep", "--reason", "x"),
        ("decide", "accept", "--reason", "x"),
        ("fit", "L0001-01", "--into", "M0099", "--at", "U1"),
        ("unfit", "L0001-01"),
        ("settle", "L0001-01", "perhaps", "--grounds", "x"),
        ("exemplar", "L0001-09", "--grounds", "x"),
        ("recall",),
        ("list", "pieces", "--sort", "beauty"),
        ("list", "runs", "--since", "2026-02-30"),
        ("verify", "--against", "abc"),
    ],
)
def test_wrong_words_in_a_workspace_change_nothing(place: Path, lotproof: Lotproof, words: tuple[str, ...]) -> None:
    lotproof(*RECEIVE)
    before = lotproof("verify", "--json").json["head"]
    answer = lotproof(*words)
    assert (answer.code, answer.out) == (ExitCode.BAD_REQUEST, "")
    assert answer.err.startswith("lotproof: ")
    assert lotproof("verify", "--json").json["head"] == before


def test_verify_says_no(place: Path, lotproof: Lotproof) -> None:
    lotproof(*RECEIVE)
    (place / "evidence").mkdir()
    (place / "evidence" / "unfinished-1").touch()
    answer = lotproof("verify")
    assert answer.code == ExitCode.NO
    assert "unfinished-1" in answer.out
    assert lotproof("verify", "--json").json["fault_count"] == 1
    assert "removed unfinished-1" in lotproof("tidy").out
    assert lotproof("verify").code == ExitCode.DONE


def test_damaged_workspace(place: Path, lotproof: Lotproof) -> None:
    lotproof(*RECEIVE)
    records = place / "records.sqlite"
    records.write_bytes(bytes(byte ^ 0xFF for byte in records.read_bytes()))
    for words in (RECEIVE, ("list", "lots"), ("verify",)):
        answer = lotproof(*words)
        assert (answer.code, answer.out) == (ExitCode.DAMAGED, "")
        assert "backup" in answer.err


def test_delivery(place: Path, lotproof: Lotproof, tmp_path: Path) -> None:
    delivery = tmp_path / "delivery.csv"
    delivery.write_text("seller,part,quantity\nQuayside Surplus,CV6522AP,2\nHalden,HDS62256LP-10,x\n", encoding="utf-8")
    refused = lotproof("receive", "--from", delivery)
    assert refused.code == ExitCode.BAD_REQUEST
    assert "row 3, quantity" in refused.err
    assert not place.exists()
    delivery.write_text("seller,part,quantity\nQuayside Surplus,CV6522AP,2\nHalden,HDS62256LP-10,1\n", encoding="utf-8")
    document = lotproof("receive", "--from", delivery, "--json").json
    assert [(lot["lot"], len(lot["pieces"])) for lot in document["lots"]] == [("L0001", 2), ("L0002", 1)]


def test_questions_in_a_terminal(place: Path) -> None:
    """Run bare in a real terminal: a wrong answer is asked again, Enter takes what stands in brackets."""
    answers = ["Quayside Surplus", "friend", "marketplace", "", "CV6522AP", "", "", "", "-3", "2", "", "", "", "", ""]
    answers += ["", "y"]
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "tracker.cli.main", "receive"],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        os.close(theirs)
        os.write(ours, "".join(f"{answer}\n" for answer in answers).encode())
        assert process.stdout is not None
        said = process.stdout.read()
    os.close(ours)
    assert process.returncode == 0, said
    assert "The source kind is 'friend'" in said
    assert "The quantity ordered is '-3'" in said
    assert "L0001  2 pieces of CV6522AP: L0001-01 to L0001-02" in said


def test_verbs_start_without_heavy_libraries() -> None:
    """Help must start at once: none of these may be loaded for it."""
    code = "import sys, json, tracker.cli.main; print(json.dumps(sorted(sys.modules)))"
    loaded = set(json.loads(subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout))
    assert not loaded & {"sqlalchemy", "pandas", "numpy", "cv2", "alembic", "scipy", "pydantic", "tracker.desk"}
