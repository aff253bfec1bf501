"""Part numbers split into what their pieces say. The conventions are the makers'; the demo's parts are invented."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.knowledge.facts import table
from tracker.knowledge.part_split import grammars, split
from tracker.knowledge.parts import folded

COMMERCIAL, INDUSTRIAL, MILITARY = "0 to 70 C", "-40 to 85 C", "-55 to 125 C"


@pytest.mark.parametrize(
    ("text", "prefix", "base", "grade", "package", "temperature"),
    [
        # Order codes of data sheet SDLS025B: SN74LS245N plastic DIP, 0 to 70 C; SN54LS245J ceramic, -55 to 125 C.
        ("SN74LS245N", "SN", "74LS245", None, "plastic DIP", COMMERCIAL),
        ("SN54LS245J", "SN", "54LS245", None, "ceramic DIP", MILITARY),
        # CMOS logic: -40 to 85 C (data sheet MM74HC04).
        ("MM74HC04N", "MM", "74HC04", None, "plastic DIP", INDUSTRIAL),
        # Data sheet DS21822G: I is -40 to 85 C, P is PDIP, SN is SOIC; without a letter in older parts 0 to 70 C.
        ("25LC256-I/P", None, "25LC256", None, "plastic DIP", INDUSTRIAL),
        ("24LC256 I/SN", None, "24LC256", None, "SOIC", INDUSTRIAL),
        # From memory, as the data say.
        ("MC68000L10", "MC", "68000", "10", "ceramic DIP", COMMERCIAL),
        ("MC68B09P", "MC", "6809", "B", "plastic DIP", COMMERCIAL),
        ("MC68B09EP", "MC", "6809E", "B", "plastic DIP", COMMERCIAL),
        ("HD63B03RP", "HD", "6303R", "B", "plastic DIP", "-20 to 75 C"),
        ("MC14001BAL", "MC", "14001B", None, "ceramic DIP", MILITARY),
        ("CD4013BE", "CD", "4013", "B", "plastic DIP", MILITARY),
        ("D8085AH-2", "D", "8085", "2", "ceramic DIP", COMMERCIAL),
        ("TP8088", "TP", "8088", None, "plastic DIP", INDUSTRIAL),
        ("UPD780C-1", "UPD", "780", "1", "plastic DIP", None),
        ("AM27C256-155DC", "AM", "27C256", "155", "ceramic DIP", COMMERCIAL),
        ("at28c16 20pc", "AT", "28C16", "20", "plastic DIP", COMMERCIAL),
        ("Z0840004PSC", "Z", "08400", "04", "plastic DIP", COMMERCIAL),
        ("R65C02P2", "R", "65C02", "2", "plastic DIP", COMMERCIAL),
        ("R6502AP", "R", "6502", "A", "plastic DIP", COMMERCIAL),
        ("MCS 6502", "MCS", "6502", None, "ceramic DIP", COMMERCIAL),
        ("W65C02S6TPG-14", "W", "65C02S", "14", "plastic DIP", None),
        ("LM158H", "LM", "158", None, "metal can", MILITARY),
        ("SE555N", "SE", "555", None, "plastic DIP", MILITARY),
        ("TMS4116-15NL", "TMS", "4116", "15", "plastic DIP", COMMERCIAL),
        ("M27C256B-12F1", "M", "27C256", "12", "ceramic DIP", COMMERCIAL),
        ("HM6264ALP-15", "HM", "6264", "15", "plastic DIP", None),
        # Invented.
        ("CV6522AP-2", "CV", "6522", "2", "plastic DIP", COMMERCIAL),
        ("CV6522FI", "CV", "6522", None, "PLCC", INDUSTRIAL),
        ("HDS62256LFP-10", "HDS", "62256", "10", "SOIC", COMMERCIAL),
        # No grammar is known: only what nearly all makers agree on.
        ("XK4471P-12", "XK", "4471", "12", "plastic DIP", None),
        ("XK4471F", "XK", "4471", None, None, None),
        ("8471R5", None, "8471", None, None, None),
    ],
)
def test_what_the_pieces_say(text, prefix, base, grade, package, temperature):
    found = split(text)
    assert found is not None
    assert (found.prefix, found.base, found.grade, found.package, found.temperature) == (
        prefix,
        base,
        grade,
        package,
        temperature,
    )


@pytest.mark.parametrize("text", ["", "JAPAN", "Q", "A" * 40, "--", "©", "8??2"])
def test_what_is_no_part_number_is_not_split(text):
    assert split(text) is None


@given(st.text(max_size=40))
@settings(max_examples=300, deadline=None)
def test_no_text_breaks_it(text):
    found = split(text)
    assert found is None or (found.base and found.source)


@given(
    st.sampled_from(["CV6522", "HDS62256", "SN74LS245", "MC68000", "XK4471", "R65C02", "Z84C00", "AM27C256", "D8085"]),
    st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", max_size=4),
    st.text("-0123456789PNC", max_size=4),
)
@settings(max_examples=400, deadline=None)
def test_every_piece_is_a_piece_of_the_number(stem, suffix, grade):
    text = f"{stem}{suffix}{grade}"
    found = split(text)
    if found is None:
        return
    assert folded(text).startswith(folded(found.prefix or ""))
    for piece in (found.base, found.grade or ""):
        letters = iter(folded(text))
        assert all(one in letters for one in folded(piece)), (text, found)


@pytest.mark.parametrize("grammar", grammars(), ids=lambda g: g.name)
def test_a_grammar_is_whole(grammar):
    groups = set(grammar.pattern.groupindex)
    assert "base" in groups
    assert "package" in groups or grammar.of_prefix_packages
    assert not grammar.packages or "package" in groups
    assert not grammar.temperatures or "temperature" in groups
    assert {*grammar.of_prefix_packages, *grammar.of_prefix_temperatures} <= set(grammar.prefixes)
    for ranges in (*grammar.temperatures.values(), grammar.temperature, *grammar.of_prefix_temperatures.values()):
        assert ranges is None or re.fullmatch(r"-?\d+ to \d+ C", ranges)


def test_grammars_come_from_data_with_sources():
    assert len(grammars()) == len(table("part_grammar.toml")["grammar"]) + len(table("invented.toml")["grammar"])
    assert all(g.source for g in grammars())
