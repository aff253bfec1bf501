"""Copies that leave something out: it is said, and nothing of it survives anywhere in the files."""

import re
import shutil
from datetime import UTC, datetime

import pytest
from dossier_pages import every_byte, page, paper, squeezed
from handed_over import MACHINE, OWNER, PRICE, whole_story
from hypothesis import given, settings
from hypothesis import strategies as st
from staged import Stage, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.correct import correct
from tracker.desk.decide import decide, settle
from tracker.desk.dossier import write_dossier
from tracker.desk.fitting import fit
from tracker.desk.photograph import photograph
from tracker.desk.workspace import Workspace
from tracker.dossier.redaction import GONE, Redaction, Secrets

NOW = datetime(2031, 4, 5, 12, 30, tzinfo=UTC)
OPERATORS = ("mira", "jonas")


@pytest.fixture
def workspace(sqlite_template, tmp_path):
    """One database is enough here: what is read from it is the same on both."""
    shutil.copytree(sqlite_template, tmp_path / "workspace")
    with Workspace.open(tmp_path / "workspace") as opened:
        yield opened


@pytest.fixture
def full(workspace, tmp_path, monkeypatch):
    """A lot that went all the way, whose remarks give away what a copy may leave out."""
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    whole_story(workspace, tmp_path, stage)
    reason = f"Mira measured again; we paid {PRICE} EUR or € 31,20 for it, 4 EUR a piece; see {OWNER}"
    decide(workspace, ["L0002-03"], "quarantine", reason=reason, operator="jonas")
    settle(workspace, "L0002-02", "not-genuine", f"jonas wrote to the maker, 31.2 in all; {OWNER}", operator="mira")
    lines = ("CV6522AP", "paid 31.20", f"Mira, {OWNER}")
    correct(workspace, "L0002-02", lines, remark=f"jonas paid 31,20; {OWNER}", operator="jonas")
    fit(workspace, "L0001-02", "Counter", "U1", owner="job 9", operator="mira")
    listing = picture(tmp_path, "listing-31.20-by-mira.png", shade=150)
    photograph(workspace, "L0002", [listing], role="listing", operator="mira", today=TODAY)


def _everything(workspace, tmp_path, what, without):
    """Return (all there is in both files, what the page says)."""
    written = write_dossier(workspace, what, tmp_path / "out", now=NOW, without=without)
    html, pdf = written.files
    said = page(html).said
    # Pictures are left aside: base64 and packed pixels hold any short word by chance.
    plain = re.sub(r"data:[a-z/+]+;base64,[A-Za-z0-9+/=]*", "", html.read_text(encoding="utf-8"))
    return plain + paper(pdf) + every_byte(pdf).decode("latin-1"), said, paper(pdf)


def _forms(word):
    """A word as it may stand in a file: as text, as UTF-16 in a PDF string, without its spaces."""
    return {word, squeezed(word), word.encode("utf-16-be").decode("latin-1")}


@pytest.mark.parametrize("what", ["L0002", "L0002-01", "L0002-02", "L0002-03"])
def test_operators_survive_nowhere(full, workspace, tmp_path, what):
    everything, said, printed = _everything(workspace, tmp_path, what, Redaction(operators=True))
    for name in OPERATORS:
        for form in _forms(name):
            assert not re.search(rf"(?<![a-z]){re.escape(form)}(?![a-z])", everything, re.IGNORECASE), (name, form)
    assert "Left out of this copy: operators' names." in said
    assert squeezed("Left out of this copy: operators' names.") in printed
    assert "who" not in said.split("Journal")[1].split("act")[0]


@pytest.mark.parametrize("what", ["L0002", "L0002-02", "L0002-03"])
def test_prices_survive_nowhere(full, workspace, tmp_path, what):
    everything, said, printed = _everything(workspace, tmp_path, what, Redaction(prices=True))
    words = ["31.20", "31,20", "4 EUR", "€ 31"] + (["31.2 in all"] if what != "L0002-03" else [])
    for word in words:
        assert not any(form in everything for form in _forms(word)), word
    whole = " and" if what == "L0002" else ""
    assert "Left out of this copy: prices" in said
    assert squeezed("Left out of this copy: prices") in printed
    if whole:
        assert "the seller's listing pictures" in said
        assert "listing" in said  # its hash stays among the files
    assert f"price of the lot {GONE}" in said


@pytest.mark.parametrize("what", ["L0002", "L0002-01", "L0002-02", "L0002-03"])
def test_owners_survive_nowhere(full, workspace, tmp_path, what):
    everything, said, _ = _everything(workspace, tmp_path, what, Redaction(owners=True))
    assert not any(form in everything for form in _forms(OWNER))
    assert "Left out of this copy: references to machines' owners." in said
    if what in ("L0002", "L0002-01"):
        assert MACHINE in said


def test_everything_at_once_and_nothing_more(full, workspace, tmp_path, lotproof):
    words = ["--without-prices", "--without-operators", "--without-owners"]
    ran = lotproof("dossier", "L0002", "--to", tmp_path / "x.html", *words, "--workspace", workspace.folder, "--json")
    assert ran.json["left_out"] == ["prices", "operators' names", "references to machines' owners"]
    said = page(tmp_path / "x.html").said
    for kept in ("Quayside Surplus", "Q-7", "draws too much", "+17.8 db", "12.1 mA", MACHINE):
        assert kept in said, kept
    told = lotproof("dossier", "L0002", "--to", tmp_path / "x.pdf", *words, "--workspace", workspace.folder)
    assert "Left out of it: prices, operators' names, references to machines' owners." in told.out


def test_nothing_is_left_out_unasked(full, workspace, tmp_path, lotproof):
    _, said, printed = _everything(workspace, tmp_path, "L0002", Redaction())
    assert "Left out" not in said
    assert GONE not in said
    for word in (*OPERATORS, PRICE, OWNER):
        assert word in said
        assert squeezed(word) in printed


def test_a_whole_price_goes_from_remarks_and_readings_of_its_size_stay(workspace, tmp_path):
    a_lot(workspace, price="38", currency="EUR", remark="38 for all, 38,- or 38.00; CV6538AP")
    _, said, _ = _everything(workspace, tmp_path, "L0001", Redaction(prices=True))
    assert f"remark {GONE} for all, {GONE} or {GONE}; CV6538AP" in said


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("It was 12 EUR then", f"It was {GONE} then"),
        ("EUR 1.200,50 in all", f"{GONE}in all"),
        ("$5 and £ 7", f"{GONE}and {GONE}"),
        ("12 mA at 5 V, 3 pieces", "12 mA at 5 V, 3 pieces"),
        ("Mira Tan and mira  tan, not Miranda", f"{GONE} and {GONE}, not Miranda"),
    ],
)
def test_sums_of_money_and_names_in_a_sentence(text, left):
    secrets = Secrets(names=("Mira Tan",), amounts=("9.90",), currency="EUR", hide_money=True)
    assert " ".join(secrets.out_of_words(text).split()) == " ".join(left.split()) or secrets.out_of_words(text) == left


@settings(max_examples=200)
@given(
    name=st.text(st.characters(categories=("L", "N", "P")), min_size=2, max_size=12),
    before=st.text(max_size=20),
    after=st.text(max_size=20),
)
def test_any_name_that_stands_alone_goes(name, before, after):
    text = f"{before} {name} {after}"
    assert f" {name} ".casefold() not in Secrets(names=(name,)).out_of(text).casefold() or name.casefold() in GONE
