"""What a person who mistyped, or whose meter had nothing to show, is told at the bench; and tables as they come."""

from pathlib import Path

import pytest
from conftest import Lotproof

from tracker.bench.figures import show_in, show_u, show_with_u
from tracker.bench.units import fraction, quantity
from tracker.desk.bench_words import time_text
from tracker.errors import BadRequest

Words = tuple[str | int, ...]


@pytest.fixture
def stocked(lotproof: Lotproof, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a workspace with a lot of three pieces and a machine."""
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(tmp_path / "workspace"))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "jonas")
    words: Words = ("--seller", "Nettle Yard", "--source", "marketplace", "--part", "QX9911", "--quantity", 3)
    assert lotproof("receive", *words).code == 0
    assert lotproof("machine", "Loom controller Tarn 2, serial 9").code == 0
    return tmp_path


@pytest.mark.parametrize(
    "text", ["OL", "0.OL", "O.L", "-OL", "OVLD", "Overload", "9.9E37", "9.90000000E+37 A", "9.91E37"]
)
def test_what_a_meter_shows_beyond_its_range_is_named(text: str) -> None:
    """9.9E37 and 9.91E37 are SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5."""
    with pytest.raises(BadRequest, match="what a meter gives when it has none") as refused:
        quantity(text, "current")
    assert "larger range" in refused.value.advice


@pytest.mark.parametrize("text", ["OLD mA", "9.9E3 A", "1e999 mA", "9.9E36 A"])
def test_other_texts_are_not_taken_for_that(text: str) -> None:
    with pytest.raises(BadRequest) as refused:
        quantity(text, "current")
    assert "a meter gives" not in refused.value.what


def test_a_very_long_text_is_cited_by_its_beginning() -> None:
    with pytest.raises(BadRequest) as refused:
        quantity("9" * 5000 + " mA", "current")
    assert len(refused.value.what) < 150
    assert "…" in refused.value.what


def test_a_share_typed_as_percent_is_shown_as_it_was_meant() -> None:
    with pytest.raises(BadRequest) as refused:
        fraction("10", "the bad fraction")
    assert refused.value.advice == "Write '10 %' or 0.1."
    with pytest.raises(BadRequest, match="between 0 and 100 %"):
        fraction("120 %", "the bad fraction")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("current", "L0001"), "L0001 is a whole lot."),
        (("current", "L0009"), "There is no lot L0009."),
        (("current", "M0009"), "There is no machine 'M0009'."),
        (("soak", "M0009", "--at", "1 min=20 C"), "There is no machine 'M0009'."),
    ],
)
def test_a_label_of_another_kind_is_named_for_what_it_is(
    lotproof: Lotproof, stocked: Path, words: Words, said: str
) -> None:
    more: Words = ("--current", "5 mA") if words[0] == "current" else tuple(f"--at={t} min=2{t} C" for t in range(2, 6))
    ran = lotproof("bench", *words, *more)
    assert ran.code == 2
    assert said in ran.err


@pytest.mark.parametrize(
    ("words", "example"),
    [
        (("power", "M0001", "--rail", "5 V"), "'5 V=1.2 A'"),
        (("clock", "L0001-01", "--at", "2 MHz"), "'2 MHz=pass'"),
        (("current", "L0001-01", "--at", "2 MHz"), "'1 MHz=12.1 mA'"),
        (("soak", "L0001-01", "--at", "2 min"), "'10 min=41.5 C'"),
        (("in-circuit", "L0001-01", "--runs", "--check", "keys"), "'all keys=pass'"),
    ],
)
def test_a_pair_is_shown_as_this_verb_wants_it(lotproof: Lotproof, stocked: Path, words: Words, example: str) -> None:
    assert example in lotproof("bench", *words).err


@pytest.mark.parametrize("k", ["-1", "0", "nan", "inf"])
def test_a_coverage_factor_is_checked_where_no_limit_uses_it(lotproof: Lotproof, stocked: Path, k: str) -> None:
    ran = lotproof("bench", "current", "L0001-01", "--current", "96 mA", "--k", k)
    assert ran.code == 2
    assert "coverage factor" in ran.err
    assert lotproof("list", "runs", "--json").json["runs"] == []


def test_without_a_limit_it_is_said_how_to_state_one(lotproof: Lotproof, stocked: Path) -> None:
    for subject, said in (("L0001-01", "claimed part"), ("M0001", "A machine has no limit of its own")):
        ran = lotproof("bench", "current", subject, "--current", "96 mA")
        assert said in ran.out
        assert "--limit '10 mA' --limit-source" in ran.out
    ran = lotproof("bench", "power", "M0001", "--mains-power", "31 W", "--mains-current", "0.2 A")
    assert "No limit was stated, so there is no verdict" in ran.out
    assert "mains current alone gives no power" in ran.out
    assert "lotproof bench compare B0003 RUN" in ran.out


def test_two_readings_far_apart_are_not_blamed_on_the_supply(lotproof: Lotproof, stocked: Path) -> None:
    """Two readings have one degree of freedom, and so a coverage factor of 13.97 (GUM, table G.2)."""
    words: Words = ("--current", "12.1 mA", "--current", "14.2 mA", "--limit", "30 mA")
    ran = lotproof("bench", "current", "L0001-01", *words)
    assert "UNDECIDED" in ran.out
    assert "read it some more times" in ran.out
    assert "has its supply" not in ran.out


def test_the_conditions_that_are_kept_are_shown(lotproof: Lotproof, stocked: Path) -> None:
    words: Words = ("--supply", "5 V", "--ambient", "73 F", "--instrument", "hand meter", "--jig", "port jig")
    ran = lotproof("bench", "current", "L0001-01", "--current", "96 mA", *words)
    assert "conditions     supply 5 V; ambient 22.78 C; jig port jig; instrument hand meter" in ran.out
    assert "22.78 °C" in lotproof("show", "B0001").out


def test_the_same_verdict_again_is_said_to_count_once(lotproof: Lotproof, stocked: Path) -> None:
    words: Words = ("bench", "current", "L0001-01", "--current", "5 mA", "--limit", "10 mA")
    assert "now (weight" in lotproof(*words).out
    assert "as before: a test counts once, by its newest verdict" in lotproof(*words).out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("power", "M0001", "--mains-power", "31 W", "--limit", "0 W"), "A limit of 0 cannot be met"),
        (
            ("soak", "M0001", *(f"--at={t} min=2{t} C" for t in range(2, 8)), "--limit-temp", "45 K"),
            "goes with --limit.",
        ),
    ],
)
def test_a_limit_that_fails_everything_is_refused(lotproof: Lotproof, stocked: Path, words: Words, said: str) -> None:
    """45 K is -228 C: a rise given as the hottest allowed would fail every part."""
    ran = lotproof("bench", *words)
    assert ran.code == 2
    assert said in ran.err
    assert lotproof("list", "runs", "--json").json["runs"] == []


def test_what_a_plus_minus_means_is_said_where_one_stands(lotproof: Lotproof, stocked: Path) -> None:
    key = "± is one standard uncertainty"
    assert lotproof("bench", "current", "L0001-01", "--current", "5 mA").out.count(key) == 1
    for amperes in ("1.2 A", "0.9 A"):
        assert key in lotproof("bench", "power", "M0001", "--rail", f"5 V={amperes}").out
    compared = lotproof("bench", "compare", "B0002", "B0003")
    assert key in compared.out + compared.err
    assert key not in lotproof("bench", "clock", "L0001-01", "--at", "1 MHz=pass").out


def test_many_reasons_of_one_kind_are_cut_short(lotproof: Lotproof, stocked: Path) -> None:
    heads = "pin,voltage (V),current (uA)\n"
    steps = (-1.0, -0.8, -0.6, -0.4, 0.0, 0.5, 1.0)

    def table(name: str, knee: float) -> Path:
        rows = [f"{pin},{v},{min(0.0, v + knee) * 1000}\n" for pin in range(1, 8) for v in steps]
        (stocked / name).write_text(heads + "".join(rows), encoding="utf-8")
        return stocked / name

    assert lotproof("exemplar", "L0001-01", "--grounds", "From its maker").code == 0
    assert lotproof("bench", "curve", "L0001-01", "--from", table("good.csv", 0.7)).code == 0
    ran = lotproof("bench", "curve", "L0001-02", "--from", table("other.csv", 0.2))
    assert "curve FAIL" in ran.out
    assert ran.out.count("\nbecause") == 4
    assert "and 3 more reasons: lotproof show B0002 --json" in ran.out


def test_cautions_come_before_the_steps_and_after_them_what_to_type(lotproof: Lotproof) -> None:
    for test in ("current", "clock", "soak", "signature", "curve", "in-circuit", "power"):
        told = lotproof("bench", test, "--how").out
        assert told.startswith("mind")
        assert told.index("Local rules and licensed practice") < told.index("step 1")
        assert told.splitlines()[-1].startswith(f"then           lotproof bench {test} ")


def test_a_table_of_another_language_is_read_by_naming_its_columns(lotproof: Lotproof, tmp_path: Path) -> None:
    table = tmp_path / "readings.csv"
    table.write_text("Takt (kHz);Strom (mA)\n1000;12,1\n2000;14,2\n;\n4000;18,3\n4000;18,3\n", encoding="utf-8")
    refused = lotproof("calc", "current", table)
    assert refused.code == 2
    assert "--column 'current=NAME (mA)'" in refused.err
    found = lotproof("calc", "current", table, "--column", "clock=Takt", "--column", "current=Strom", "--json").json
    # By hand: least squares through (1, 12.1), (2, 14.2), (4, 18.3), (4, 18.3) mA over MHz: slope 13.925 / 6.75.
    assert found["slope_a_per_hz"]["value"] == pytest.approx(13.925 / 6.75 * 1e-9, rel=1e-9)
    assert len(found["notes"]) == 2  # the empty row, and the one that is there twice
    plain = tmp_path / "plain.csv"
    plain.write_text("clock_khz,current_ma\n1000,OVLD\n", encoding="utf-8")
    assert "data row 1, current_ma: 'OVLD' is no value" in lotproof("calc", "current", plain).err


def test_pin_curves_take_decimal_commas_between_semicolons(lotproof: Lotproof, tmp_path: Path) -> None:
    sweep = [(volts, 200 * max(0.0, volts - 0.6)) for volts in (0.0, 0.25, 0.5, 0.75, 1.0, 1.25)]
    points = tmp_path / "points.csv"
    points.write_text("pin,voltage (V),current (uA)\n" + "".join(f"1,{v},{i}\n" for v, i in sweep), encoding="utf-8")
    commas = tmp_path / "commas.csv"
    rows = "".join(f"1;{v};{i}\n".replace(".", ",") for v, i in sweep)
    commas.write_text(f"pin;voltage (V);current (uA)\n{rows}", encoding="utf-8")
    found = lotproof("calc", "curve", commas, "--exemplar", points, "--json").json
    assert found["pins"][0]["distance"] == pytest.approx(0.0, abs=1e-9)


def test_a_meter_named_as_instrument_is_called_that(lotproof: Lotproof, stocked: Path) -> None:
    words: Words = ("--current", "96 mA", "--instrument", "TCPIP::127.0.0.1::1::SOCKET")
    ran = lotproof("bench", "current", "L0001-01", *words)
    assert ran.code == 2
    assert "--instrument with a VISA resource do not go together" in ran.err


def test_no_reading_names_every_way(lotproof: Lotproof, stocked: Path) -> None:
    for verb in ("current", "clock", "soak"):
        ran = lotproof("bench", verb, "L0001-01")
        assert "--prompt, which asks for one after the other; --how prints the steps." in ran.err


def test_a_sampling_plan_without_failures_says_so_in_words(lotproof: Lotproof) -> None:
    words: Words = ("--lot", 20, "--bad-fraction", "10 %", "--confidence", "90 %")
    assert "accept only if none fails" in lotproof("calc", "plan", *words).out


def test_digits_follow_the_uncertainty() -> None:
    """The first is the example of JCGM 100:2008, 7.2.6 (from memory): 10.05762 ohm with 27 mohm becomes 10.058."""
    assert show_with_u(10.05762, 0.027, "ohm") == "10.058 ± 0.027 ohm"
    assert show_u(0.8 * 0.02 / 3**0.5, "A") == "9.2 mA"
    assert show_in((4.4121e6, 4.0213e6, 4.8027e6), 4.0213e6, 4.8027e6, "Hz") == ("4.41 MHz", "4.02 MHz", "4.80 MHz")
    assert show_in((19.98, 15.2, 24.9), 15.2, 24.9, "K") == ("20.0 K", "15.2 K", "24.9 K")
    assert show_in((5.0, 5.0), 5.0, 5.0, "V") == ("5 V", "5 V")


@pytest.mark.parametrize(("seconds", "told"), [(90.0, "90 s"), (7200.0, "120 min"), (30000.0, "8.333 h")])
def test_times_are_said_as_people_say_them(seconds: float, told: str) -> None:
    assert time_text(seconds) == told
