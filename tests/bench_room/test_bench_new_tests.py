"""`lotproof bench plan`, `bench signature` and `bench curve`, and their `calc` counterparts, as a user runs them."""

from pathlib import Path

import pytest
from conftest import Lotproof

CURVES = "pin,V,uA\n" + "".join(
    f"{pin},{v / 10},{i}\n"
    for pin in (1, 2)
    for v, i in ((-8, -900), (-7, -400), (-6, -50), (0, 0), (5, 0), (6, 50), (7, 400), (8, 900))
)


@pytest.fixture
def stocked(lotproof: Lotproof, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a workspace with one lot of eight memories."""
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(tmp_path / "workspace"))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "jonas")
    words = ("--seller", "Quayside Surplus", "--source", "marketplace", "--part", "HDS27C256-15", "--quantity", 8)
    assert lotproof("receive", *words).code == 0
    return tmp_path


def test_a_plan_says_tests_pieces_minutes_and_bounds(lotproof: Lotproof, stocked: Path) -> None:
    text = lotproof("bench", "plan", "L1", "--bad-fraction", "25 %", "--confidence", "90 %").out
    assert "6 of 8 pieces find 2 or more bad ones (25 %)" in text
    assert "signature      6 pieces now of 6 wanted" in text
    assert "common practice, no source" in text
    assert "Clopper-Pearson and exact hypergeometric" in text
    found = lotproof("bench", "plan", "L1", "--have", "8 min", "--json").json
    assert found["schema"] == "lotproof.bench.plan/1"
    assert found["plan"]["tests"][0]["now"] == 3
    assert [len(pieces) for _, pieces in found["take"]] == [3]


def test_the_table_needs_no_workspace(lotproof: Lotproof) -> None:
    ran = lotproof("bench", "plan", "--table")
    assert ran.code == 0
    assert "    10 %             22      38      52      65" in ran.out
    assert lotproof("bench", "plan", "--table", "--json").json["rows"][2] == {"percent": "20", "n": [11, 18, 25, 32]}
    assert lotproof("bench", "plan", "--table", "--confidence", "95 %", "--json").json["rows"][0]["n"][0] == 5


def test_a_signature_verdict_and_its_cautions(lotproof: Lotproof, stocked: Path) -> None:
    ran = lotproof("bench", "signature", "L1-1", "--bytes", "89 8C", "--json", "--fail-exit")
    assert (ran.code, ran.json["schema"], ran.json["verdict"]) == (1, "lotproof.bench.signature/1", "fail")
    assert ran.json["suspicion"]["after"] > ran.json["suspicion"]["before"]
    text = lotproof("bench", "signature", "L1-2", "--bytes", "7F 5B 8C").out
    assert "signature PASS" in text
    assert text.index("12 V on A9") < text.index("signature PASS")
    assert "UV" in text
    how = lotproof("bench", "signature", "--how")
    assert (how.code, "known-good" in how.out) == (0, True)


def test_a_signature_from_a_file(lotproof: Lotproof, stocked: Path) -> None:
    dump = stocked / "id.hex"
    dump.write_text(":030000007F5B8C97\n:00000001FF\n", encoding="ascii")
    found = lotproof("bench", "signature", "L1-1", "--from", dump, "--json").json
    assert found["verdict"] == "pass"
    assert found["table"]
    assert lotproof("calc", "signature", "--bytes", "1E 95 0F", "--json").json["readings"][0]["maker"] == "Atmel"
    assert "device code    95 0F" in lotproof("calc", "signature", "--bytes", "1E 95 0F").out


def test_curves_in_text_and_json_and_as_a_plot(lotproof: Lotproof, stocked: Path) -> None:
    known, foreign = stocked / "known.csv", stocked / "foreign.csv"
    known.write_text(CURVES, encoding="utf-8")
    foreign.write_text(
        CURVES.replace("2,0.5,0\n", "2,0.2,0\n").replace("2,0.6,50", "2,0.3,50").replace("2,0.7,400", "2,0.4,400"),
        encoding="utf-8",
    )
    assert lotproof("bench", "curve", "L1-1", "--from", known, "--common", "14").code == 0
    plot = stocked / "curves.svg"
    ran = lotproof(
        "bench", "curve", "L1-2", "--from", foreign, "--exemplar", "L1-1", "--common", "14", "--plot", plot, "--json"
    )
    assert ran.json["schema"] == "lotproof.bench.curve/1"
    assert (ran.json["verdict"], ran.json["result"]["exemplars"]) == ("fail", ["B0001"])
    assert ran.json["reasons"][0].startswith("pin 2 conducts 0.30 V earlier than the exemplar")
    assert [one["stand"] for one in ran.json["result"]["pins"]] == ["alike", "different"]
    assert plot.exists()
    text = lotproof("calc", "curve", foreign, "--exemplar", known).out
    assert "verdict        fail" in text
    assert "█" in text
    assert lotproof("show", "B0001").code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("bench", "plan"),
        ("bench", "plan", "L9"),
        ("bench", "plan", "L1-1"),
        ("bench", "plan", "L1", "--bad-fraction", "10"),
        ("bench", "plan", "L1", "--have", "0"),
        ("bench", "plan", "--table", "--have", "5 min"),
        ("bench", "signature", "L1-1"),
        ("bench", "signature", "L1-1", "--bytes", "no"),
        ("bench", "signature", "L9-1", "--bytes", "89 8C"),
        ("bench", "signature", "L1-1", "--from", "none.bin"),
        ("calc", "signature"),
        ("bench", "curve", "L1-1"),
        ("bench", "curve", "L1-1", "--from", "none.csv"),
        ("bench", "curve", "L1-1", "--from", ".", "--plot", "plot.pdf"),
        ("calc", "curve", "none.csv", "--exemplar", "none.csv"),
    ],
)
def test_wrong_requests_say_so_and_record_nothing(lotproof: Lotproof, stocked: Path, words: tuple[str, ...]) -> None:
    ran = lotproof(*words)
    assert ran.code == 2
    assert ran.err.startswith("lotproof: ")
    assert "Traceback" not in ran.err
    assert lotproof("list", "runs", "--json").json["runs"] == []
