"""Electronic signatures: codes against published bytes, the rule case by case, and dumps in Intel HEX."""

import csv
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from staged import Stage, chip, picture
from stock import TODAY, a_lot

from tracker.bench import dumps, signature
from tracker.bench.signature import Marked
from tracker.desk import photograph as photographing
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_signature import SignatureRequest, identify, run_signature
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.weights import declared
from tracker.knowledge import facts, makers, signatures
from tracker.records.models import BenchRun

REFERENCE = Path(__file__).parents[1] / "reference"
HALDEN = Marked(("Halden Semi",), "HDS27C256-15", "stated", invented=True)


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a file of published values."""
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def judged(text: str, marked: Marked = HALDEN) -> tuple[str, str]:
    """Return the verdict on one reading and its reasons in one text."""
    found = signature.evaluate([dumps.by_hand(text)], marked)
    return found.verdict, " ".join(found.reasons)


# --- codes ------------------------------------------------------------------------------------------------------------


def test_bytes_as_published_are_their_makers() -> None:
    published = rows("jep106_bytes.csv")
    assert sum(row["flag"] == "SEEN" for row in published) >= 10
    for row in published:
        assert signature.identify(bytes.fromhex(row["byte"])).maker == row["name"]


def test_the_first_bank_is_whole_and_of_odd_parity() -> None:
    codes = [code for code in signatures.maker_codes().values() if not code.exception]
    assert {code.byte & 0x7F for code in codes} == set(range(1, 0x7F))  # JEP106: 126 codes in a bank
    assert all(code.byte.bit_count() % 2 == 1 and code.bank == 1 for code in codes)
    assert len({code.name for code in codes}) == 126
    assert all(len(code.source.split()) > 1 for code in codes)


def test_every_maker_named_with_a_code_is_one_we_know() -> None:
    known = {maker.name for maker in makers.every_maker()}
    for invented in (False, True):
        for code in signatures.maker_codes(invented=invented).values():
            assert set(code.makers) <= known
        names = {code.name for code in signatures.maker_codes(invented=invented).values()}
        for relation in signatures.relations(invented=invented):
            assert relation.maker in known
            assert relation.code_name in names


def test_every_device_code_stands_behind_a_known_maker_code() -> None:
    for device in signatures.devices(invented=True):
        bank = len(device.maker_code)
        assert (bank, device.maker_code[-1]) in signatures.maker_codes(invented=True)
        assert device.is_of(device.part)


@pytest.mark.parametrize("row", rows("signature_pairs.csv"), ids=lambda row: row["bytes"])
def test_published_pairs_of_codes(row: dict[str, str]) -> None:
    data = bytes.fromhex(row["bytes"])
    assert signature.identify(data).maker == row["maker"]
    code = signatures.maker_codes()[(1, data[0])]
    result = signature.evaluate([data], Marked(code.makers or (code.name,), row["part"], "stated"))
    assert (result.verdict, result.relation) == ("pass", None)
    assert any(one.part in row["part"] for one in result.known)
    assert signatures.carrier(row["part"]) is not None


@given(st.integers(1, 0x7E), st.integers(1, 12))
def test_continuation_bytes_are_counted_and_no_code_behind_them_is_taken_for_the_first_bank_s(
    code7: int, continuations: int
) -> None:
    byte = signatures.odd_parity(code7)
    found = signature.identify(bytes([0x7F] * continuations + [byte, 0x8C]))
    assert (found.bank, found.maker_code, found.device_code) == (continuations + 1, f"{byte:02X}", "8C")
    assert found.maker is None
    assert f"bank {continuations + 1} of the register; those are not listed here" in found.doubt
    first = signature.identify(bytes([byte, 0x8C]))
    assert first.bank == 1
    if first.maker is not None:
        assert f"not {first.maker}'s" in found.doubt
        named = Marked((first.maker,), None, "stated")  # and agrees with nobody
        assert signature.evaluate([bytes([0x7F] * continuations + [byte])], named).verdict == "undecided"


@pytest.mark.parametrize("raw", ["20 00 B8 00", "00 20 00 B8"])
def test_words_of_a_16_bit_part_either_way_round(raw: str) -> None:
    found = signature.identify(bytes.fromhex(raw))
    assert (found.raw, found.maker_code, found.device_code) == (raw, "20", "B8")


def test_a_byte_of_even_parity_is_an_exception_only_where_declared() -> None:
    atmel = signature.identify(bytes([0x1E, 0x95]))
    assert (atmel.maker, atmel.parity_odd, atmel.doubt) == ("Atmel", False, "")
    assert signature.identify(bytes([0x9E])).maker == "Exel"  # the same seven bits with the register's parity
    assert "even parity" in signature.identify(bytes([0x88])).doubt


@given(st.integers(1, 0x7E))
def test_any_single_wrong_bit_is_seen_in_the_parity(code7: int) -> None:
    byte = signatures.odd_parity(code7)
    assert byte & 0x7F == code7
    for bit in range(8):
        wrong = byte ^ (1 << bit)
        found = signature.identify(bytes([wrong, 0x8C]))
        assert found.parity_odd is False
        assert found.maker in (None, "Atmel")  # its declared 1E is one bit from others
        assert bool(found.doubt) == (wrong != 0x1E)


def test_a_name_that_only_begins_alike_is_not_that_maker() -> None:
    # 6C is Micronas in the register, 2C Micron.
    micronas = signature.evaluate([bytes([0xEC])], Marked(("Micron",), None, "stated"))
    assert (micronas.identity.maker, micronas.verdict) == ("Micronas (ITT Intermetall)", "undecided")


@pytest.mark.parametrize(
    ("part", "has"),
    [
        ("AM27C256-150DC", True),
        ("M27C1001-10F1", True),
        ("TMS27C010A", True),
        ("W25Q64FV", True),
        ("ATMEGA328P-PU", True),
        ("D27128A", True),
        ("D2716", False),  # these have none: from memory
        ("TMS2732A", False),
        ("AM25LS2521", False),
        ("SN74LS27N", False),
        ("HM62256", False),
    ],
)
def test_which_parts_have_a_signature(part: str, has: bool) -> None:
    assert (signatures.carrier(part) is not None) == has


# --- the rule ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "verdict", "says"),
    [
        ("7F 5B 8C", "pass", "that of HDS27C256-15"),
        ("7F 5B", "pass", "No device code was read"),
        ("7F 5B 0D", "fail", "is that of 27C512"),
        ("7F 5B 99", "undecided", "not one of those known for HDS27C256-15 (8C)"),
        ("7F 2A 8C", "pass", "second source"),
        ("89 8C", "fail", "No relation between the two is declared"),
        ("FF FF", "undecided", "Every byte is FF"),
        ("00 00 00", "undecided", "Every byte is 00"),
        ("FF", "undecided", "Every byte is FF"),
        ("7F", "undecided", "no code after the continuation"),
        ("7F 7F", "undecided", "no code after the continuation"),
        ("7F 5A 8C", "undecided", "One bit away from it is 5B"),
        ("88 8C", "undecided", "even parity"),
        ("80 8C", "undecided", "no maker's code"),
        ("7F 89 8C", "undecided", "a maker of bank 2 of the register; those are not listed here"),
        ("7F 89 8C", "undecided", "It is not Intel's"),
        ("7F 7F 7F 5B 8C", "undecided", "a maker of bank 4 of the register"),
        ("7F 00 7F 00 89 00 8C 00", "undecided", "a maker of bank 3 of the register"),  # words of a 16-bit part
        ("7F 88 8C", "undecided", "even parity"),
        ("89 8C 7F", "undecided", "continuation bytes after the code"),
        ("89 7F", "undecided", "continuation bytes after the code"),
        ("7F 5B 8C 7F", "pass", "that of HDS27C256-15"),
    ],
)
def test_the_rule_case_by_case(raw: str, verdict: str, says: str) -> None:
    found, reasons = judged(raw)
    assert found == verdict
    assert says in reasons


def test_random_content_is_seldom_taken_for_a_signature() -> None:
    verdicts = [judged(f"{byte:02X} 3C")[0] for byte in range(256)]
    # Parity alone would let half of all first bytes accuse; what is left is the price of reading a code at all.
    assert verdicts.count("fail") / 256 < 0.3
    assert verdicts.count("pass") == 0
    assert "hardly a signature" in judged("5B 3C")[1]  # of the steel works in the register


def test_every_maker_of_such_parts_is_in_the_register() -> None:
    names = {code.name for code in signatures.maker_codes().values()}
    listed = facts.table("signatures.toml")["parts_by"]["names"]
    assert set(listed) <= names
    assert len(listed) == len(set(listed))


def test_a_fail_names_both_makers_and_what_else_it_could_be() -> None:
    _, reasons = judged("89 8C")
    assert "The code is Intel's; the marking is Halden Semi's" in reasons
    assert "identifier mode" in reasons


def test_a_relation_holds_one_way_only() -> None:
    corvane = Marked(("Corvane",), "CV27C256", "stated", invented=True)
    assert judged("7F 2A 8C", corvane)[0] == "pass"
    assert judged("7F 5B 8C", corvane)[0] == "fail"  # declared for Halden's marking on Corvane's die alone


def test_codes_of_the_demo_count_for_the_demo_alone() -> None:
    plain = Marked(("Halden Semi",), "HDS27C256", "stated")
    assert judged("7F 5B 8C", plain)[0] == "undecided"


def test_no_maker_of_the_marking_decides_nothing() -> None:
    verdict, reasons = judged("89 8C", Marked((), None, "claimed"))
    assert (verdict, "state it" in reasons) == ("undecided", True)


def test_repeated_readings_must_agree() -> None:
    same, other = bytes.fromhex("7F5B8C"), bytes.fromhex("7F5B8D")
    assert signature.evaluate([same, same], HALDEN).readings == 2
    assert signature.evaluate([same, same], HALDEN).verdict == "pass"
    differ = signature.evaluate([same, other], HALDEN)
    assert differ.verdict == "undecided"
    assert "7F 5B 8C, then 7F 5B 8D" in differ.reasons[0]


def test_a_size_shared_by_versions_and_a_code_from_memory_accuse_nobody() -> None:
    maker = signatures.maker_codes()[(1, 0x20)].makers
    low_voltage = signature.evaluate([bytes.fromhex("203D")], Marked(maker, "M27V512", "stated"))
    assert (low_voltage.verdict, "share a code" in low_voltage.reasons[1]) == ("undecided", True)
    from_memory = signature.evaluate([bytes.fromhex("208D")], Marked(maker, "M27C512", "stated"))
    assert (from_memory.verdict, "from memory" in from_memory.reasons[1]) == ("undecided", True)
    by_a_text = signature.evaluate([bytes.fromhex("20B8")], Marked(maker, "M27C512", "stated"))
    assert by_a_text.verdict == "fail"


# --- bytes ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["1E 95", "1e95", "0x1E,0x95", "1Eh 95h", "$1E $95", " 1E:95 ", "1E;95"])
def test_bytes_as_people_write_them(text: str) -> None:
    assert dumps.by_hand(text) == b"\x1e\x95"


@pytest.mark.parametrize("text", ["", "1", "1E 9", "1E 9G", "30 -1", "1E95F", "00 " * 65])
def test_what_is_no_byte_is_refused(text: str) -> None:
    with pytest.raises(BadRequest):
        dumps.by_hand(text)


# Records as in the specification's manner, from memory; their checksums prove themselves.
INTEL_HEX = (
    ":10010000214601360121470136007EFE09D2190140\n"
    ":100110002146017E17C20001FF5F16002148011928\n"
    ":10012000194E79234623965778239EDA3F01B2CAA7\n"
    ":100130003F0156702B5E712B722B732146013421C7\n"
    ":00000001FF\n"
)


def hex_file(folder: Path, text: str, name: str = "dump.hex") -> Path:
    path = folder / name
    path.write_text(text, encoding="ascii")
    return path


def record(kind: int, address: int, body: bytes) -> str:
    """Return one Intel HEX record, made here from its definition."""
    whole = bytes([len(body)]) + address.to_bytes(2) + bytes([kind]) + body
    return f":{whole.hex().upper()}{-sum(whole) % 256:02X}\n"


def test_intel_hex_of_known_records(tmp_path: Path) -> None:
    dump = dumps.open_dump(hex_file(tmp_path, INTEL_HEX))
    assert sorted(dump.cells) == list(range(0x100, 0x140))
    assert dump.part(0x100, 4) == bytes.fromhex("21460136")
    assert dump.part(0x13E, 8) == bytes.fromhex("3421")  # as far as they are there
    assert dumps.open_dump(hex_file(tmp_path, INTEL_HEX, "dump.txt")).cells == dump.cells  # by its first character


@given(st.binary(min_size=1, max_size=64), st.integers(0, 0xFFFF_FF00))
def test_intel_hex_round_trip_at_any_address(tmp_path_factory: pytest.TempPathFactory, data: bytes, at: int) -> None:
    text = ""
    for i, byte in enumerate(data):
        high, low = divmod(at + i, 0x10000)
        text += record(4, 0, high.to_bytes(2)) + record(0, low, bytes([byte]))
    dump = dumps.open_dump(hex_file(tmp_path_factory.mktemp("hex"), text + record(1, 0, b"")))
    assert dump.part(at, len(data)) == data


def test_segment_addresses_are_sixteenfold(tmp_path: Path) -> None:
    text = record(2, 0, bytes.fromhex("1000")) + record(3, 0, bytes(4)) + record(0, 0x10, b"\x1e\x95")
    text += record(1, 0, b"")
    assert sorted(dumps.open_dump(hex_file(tmp_path, text)).cells) == [0x10010, 0x10011]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (INTEL_HEX.replace("40\n", "41\n", 1), "line 1: the checksum"),
        (INTEL_HEX.replace(":00000001FF\n", ""), "no end record"),
        (INTEL_HEX + ":00000001FF\n", "line 6: there is something after the end"),
        (":00000001FF\n", "no data"),
        ("1E 95\n", "line 1 is no record"),
        (record(9, 0, b"\x00") + record(1, 0, b""), "no record type 09"),
        (record(0, 0, b"\x01") + record(0, 0, b"\x02") + record(1, 0, b""), "already given another byte"),
        (record(4, 0, b"\x01") + record(1, 0, b""), "address record has 2 bytes"),
        (":0300000001FC\n", "says 3 bytes and has 1"),
    ],
)
def test_broken_intel_hex_is_named_by_its_line(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        dumps.open_dump(hex_file(tmp_path, text))


def test_a_raw_file_and_its_offset(tmp_path: Path) -> None:
    raw = tmp_path / "dump.bin"
    raw.write_bytes(bytes(512) + bytes.fromhex("7F5B8C") + bytes(61))
    with pytest.raises(BadRequest, match="576 bytes, as many as a chip's content"):
        identify((), raw, None)
    (found,) = identify((), raw, "0x200")
    assert (found.bank, found.maker_code) == (2, "5B")
    with pytest.raises(BadRequest, match="no byte at address 0x240"):
        identify((), raw, "0x240")
    with pytest.raises(BadRequest, match="not an address"):
        identify((), raw, "two")
    raw.write_bytes(b"")
    with pytest.raises(BadRequest, match="is empty"):
        identify((), raw, None)


# --- as recorded ------------------------------------------------------------------------------------------------------


def test_a_signature_run_is_kept_with_its_weight(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace, part="HDS27C256-15")
    dump = tmp_path / "id.bin"
    dump.write_bytes(bytes.fromhex("7F5B0D"))
    request = SignatureRequest(file=dump, typed=Typed(instrument="programmer with 28-pin socket"))
    failed = run_signature(workspace, "L1-1", request, operator="mira")
    assert (failed.test, failed.verdict) == ("signature", "fail")
    assert failed.weight_db == declared().weight_db("bench-signature-fail") > 5
    assert failed.table is not None
    assert workspace.store.read(failed.table) == bytes.fromhex("7F5B0D")
    passed = run_signature(workspace, "L1-2", SignatureRequest(readings=("7F 5B 8C", "7F 5B 8C")))
    assert passed.weight_db == declared().weight_db("bench-signature-pass") < 0
    assert passed.result.marked.makers == ("Halden Semi",)
    assert any("A9" in caution.text for caution in passed.protocol.cautions)


def test_the_claimed_and_the_stated_maker(workspace: Workspace) -> None:
    a_lot(workspace, part="27C256", maker="Corvane")
    claimed = run_signature(workspace, "L1-1", SignatureRequest(readings=("7F 5B 8C",)))
    assert (claimed.verdict, claimed.result.marked.makers) == ("fail", ("Corvane",))
    stated = run_signature(workspace, "L1-1", SignatureRequest(readings=("7F 5B 8C",), maker="halden"))
    assert (stated.verdict, stated.result.marked.source) == ("pass", "stated by the operator")


def test_the_marking_as_read_goes_before_the_claim(
    workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    a_lot(workspace, part="CV27C256", quantity=1, received=1)
    path = stage.put(picture(tmp_path, "one.png"), chip("HALDEN", "HDS27C256-15", "8914"))
    photographing.photograph(workspace, "L1", [path], operator="mira", today=TODAY)
    found = run_signature(workspace, "L1-1", SignatureRequest(readings=("7F 5B 8C",)))
    assert (found.verdict, found.result.marked.makers) == ("pass", ("Halden Semi",))
    assert found.result.marked.source == "the marking as read from its photo"
    assert found.notes == ("The claim stands for Corvane, the marking for Halden Semi.",)


def test_a_part_without_a_signature_is_noted(workspace: Workspace) -> None:
    a_lot(workspace)
    found = run_signature(workspace, "L1-1", SignatureRequest(readings=("FF FF",)))
    assert found.notes == ("CV6522AP is not known to have an electronic signature.",)
    assert found.weight_db == 0


@pytest.mark.parametrize(
    ("request_", "match"),
    [
        (SignatureRequest(), "no reading"),
        (SignatureRequest(readings=("1E",), file=Path("x.bin")), "do not go together"),
        (SignatureRequest(readings=("1E",), offset="0"), "--offset goes with --from"),
        (SignatureRequest(file=Path("there_is_none.bin")), "There is no file"),
        (SignatureRequest(readings=("1E",), maker=" "), "maker"),
    ],
)
def test_wrong_requests_change_nothing(workspace: Workspace, request_: SignatureRequest, match: str) -> None:
    a_lot(workspace)
    with pytest.raises(BadRequest, match=match):
        run_signature(workspace, "L1-1", request_)
    with workspace.read() as session:
        assert session.scalars(select(BenchRun)).all() == []


def test_another_makers_code_does_not_accuse_a_part_without_a_signature() -> None:
    gate = Marked(("Halden Semi",), "HDS74HC32", "stated", invented=True, carries=False)
    result = signature.evaluate([bytes([0x1E, 0x95])], gate)
    assert result.verdict == "undecided"
    assert result.reasons[1] == signature.NO_CARRIER
    assert signature.evaluate([bytes([0x1E, 0x95])], replace(gate, carries=True)).verdict == "fail"
