"""Part numbers: taken apart, compared, found."""

import pytest

from tracker.knowledge.makers import find_maker, named_in
from tracker.knowledge.parts import compare_part, find_part, parse


@pytest.mark.parametrize(
    ("text", "prefix", "base", "suffix", "speed"),
    [
        ("SN74LS245N", "SN", "74LS245", "N", None),
        ("74HCT04", "", "74HCT04", "", None),
        ("HM62256ALP-10", "HM", "62256", "ALP", "10"),
        ("MC68HC000FN8", "MC", "68HC000", "FN8", "8"),
        ("MC68000L10", "MC", "68000", "L10", "10"),
        ("AY-3-8910", "AY", "3-8910", "", None),
        ("MCS 6502", "MCS", "6502", "", None),
        ("CV6522AP-2", "CV", "6522", "AP", "2"),
        ("at28c16-20pc", "AT", "28C16", "", "20PC"),
    ],
)
def test_taken_apart(text, prefix, base, suffix, speed):
    part = parse(text)
    assert part is not None
    assert (part.prefix, part.base, part.suffix, part.speed) == (prefix, base, suffix, speed)


def test_package_and_makers():
    part = parse("SN74LS245N")
    assert part.package == "plastic DIP"
    assert part.family == "LS"
    assert "Texas Instruments" in part.makers
    assert parse("SN74LS245DW").package == "SOIC, wide"  # order codes of data sheet SDLS025B
    assert parse("D8087").package == "ceramic DIP"
    assert parse("CV6522AP").makers == ("Corvane",)


@pytest.mark.parametrize("text", ["", "JAPAN", "Q", "A" * 40, "--", "©"])
def test_no_part_number(text):
    assert parse(text) is None


@pytest.mark.parametrize(
    ("claimed", "read", "kind"),
    [
        ("SN74LS245N", "sn74ls245n", "same"),
        ("HM62256ALP-10", "HM62256ALP-IO", "same"),  # 0/O and 1/I share a glyph
        ("AT28C16-20PC", "AT28C16 20PC", "same"),
        ("74LS245", "SN74LS245N", "same"),  # the claim names neither maker nor package
        ("SN74LS245N", "SN74LS244N", "other-part"),
        ("SN74LS245N", "SN74HC245N", "other-part"),
        ("HM62256ALP-10", "HM62256ALP-12", "other-grade"),
        ("CV6522AP-2", "CV6522AP-4", "other-grade"),
        ("MC68000L10", "MC68000L8", "other-grade"),
        ("MCS6502A", "MCS6502", "other-grade"),
        ("MCS6502", "MCS6502A", "same"),  # the claim asks for no more than 1 MHz
        ("SN74LS245N", "SN74LS245DW", "other-package"),
        ("MC6821P", "HD6821P", "other-maker"),
        ("CV6522AP", "HDS6522AP", "other-maker"),
        ("CV6522AP-2", "CV6522AP", "unsure"),  # no grade was read
        ("SN74LS245N", "5N74L5245N", "unsure"),  # only glyphs that are easily misread
        ("SN74LS245N", "SN74LS2?5N", "unsure"),
        ("SN74LS245N", "", "unsure"),
        ("SN74LS245N", "JAPAN", "other-part"),
    ],
)
def test_claim_and_reading(claimed, read, kind):
    answer = compare_part(claimed, read)
    assert answer.kind == kind, answer.detail
    assert answer.detail.endswith(".")


@pytest.mark.parametrize(
    ("lines", "part"),
    [
        (["MALAYSIA 8712", "SN74LS138N"], "SN74LS138N"),
        (["JAPAN 8734", "HM6264LP-15", "00U21993"], "HM6264LP-15"),
        (["MOS", "MCS 6522", "2783"], "MCS 6522"),
        (["8433DM", "AM2910DC"], "AM2910DC"),
        (["HDS62256LP-10", "9217", "KOREA"], "HDS62256LP-10"),
        (["CRT 5027", "8404"], "CRT 5027"),
        (["??74HC02N", "8841"], "??74HC02N"),
        (["JAPAN", "MADE IN"], None),
        ([], None),
    ],
)
def test_which_line_is_the_part_number(lines, part):
    assert find_part(lines) == part


def test_makers_by_name():
    assert find_maker("ti").name == "Texas Instruments"
    assert find_maker("Motorola Semiconductor Inc.").name == "Motorola"
    assert find_maker("Corvane").invented
    assert find_maker("") is None
    assert find_maker("Nobody & Sons") is None
    assert [m.name for m in named_in(("HALDEN", "SEMI", "8842"))] == ["Halden Semi"]
