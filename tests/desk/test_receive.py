"""Receiving: what is given labels, what is said again, what is refused and then changes nothing."""

from collections.abc import Mapping
from pathlib import Path

import pytest
from sqlalchemy import func, select
from stock import TODAY, a_lot, arrival

from tracker.desk.arrival import Arrival, FieldProblems, Paper, check_arrival, paper
from tracker.desk.delivery_csv import COLUMNS, read_delivery
from tracker.desk.receive import add_documents, receive
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Document, JournalEntry, Lot, Piece, Seller

GOOD = {"seller": "Quayside Surplus", "part": "CV6522AP", "quantity": "3"}


def count(workspace: Workspace) -> tuple[int, ...]:
    with workspace.read() as session:
        tables = (Seller, Lot, Piece, Document, JournalEntry)
        return tuple(session.scalar(select(func.count()).select_from(table)) or 0 for table in tables)


def test_labels(workspace: Workspace) -> None:
    first, second = a_lot(workspace), a_lot(workspace, quantity=1, received=1)
    assert (first.lot, first.pieces) == ("L0001", ("L0001-01", "L0001-02", "L0001-03"))
    assert (second.lot, second.pieces) == ("L0002", ("L0002-01",))
    assert count(workspace) == (1, 2, 4, 0, 2)


def test_labels_stay_in_order_past_their_width(workspace: Workspace) -> None:
    answer = a_lot(workspace, quantity=101, received=101)
    assert (answer.pieces[0], answer.pieces[98], answer.pieces[100]) == ("L0001-01", "L0001-99", "L0001-101")


def test_same_order_again_adds_nothing(workspace: Workspace) -> None:
    first = a_lot(workspace, order="Q-77")
    before = count(workspace)
    again = a_lot(workspace, order="Q-77", seller="QUAYSIDE surplus")
    assert (again.lot, again.pieces, again.already) == (first.lot, first.pieces, True)
    assert count(workspace) == before


def test_same_order_with_other_goods_is_refused(workspace: Workspace) -> None:
    a_lot(workspace, order="Q-77")
    before = count(workspace)
    with pytest.raises(BadRequest, match=r"received before as L0001: 3 of CV6522AP.*This says 3 of CV74HC245N"):
        a_lot(workspace, order="Q-77", part="CV74HC245N")
    assert count(workspace) == before
    assert a_lot(workspace, order="Q-77", part="CV74HC245N", line=2).lot == "L0002"
    # Without its line, a further run of either part of the order still finds its lot.
    assert a_lot(workspace, order="Q-77", part="CV74HC245N").lot == "L0002"
    assert a_lot(workspace, order="Q-77", seller="Brightwell Brokerage").already is False


def test_without_an_order_reference_every_lot_is_new(workspace: Workspace) -> None:
    assert [a_lot(workspace).lot, a_lot(workspace).lot] == ["L0001", "L0002"]


def test_near_names_are_noted(workspace: Workspace) -> None:
    a_lot(workspace)
    assert "there is also 'Quayside Surplus'" in a_lot(workspace, seller="Quayside Surpluss").notes[0]
    assert a_lot(workspace, seller="Fennimore Components").notes == ()


def test_documents_are_kept(workspace: Workspace, tmp_path: Path) -> None:
    invoice = tmp_path / "invoice \x1b[31m.pdf"
    invoice.write_bytes(b"%PDF invented")
    kept = a_lot(workspace, documents=(Paper("invoice", invoice),)).documents[0]
    assert (kept.kind, kept.name) == ("invoice", "invoice ?[31m.pdf")
    assert workspace.store.read(kept.sha256) == b"%PDF invented"
    letter = tmp_path / "letter.txt"
    letter.write_text("dear", encoding="utf-8")
    later = add_documents(workspace, "l1", [Paper("letter", letter)], operator="jonas")
    assert [one.kind for one in later.documents] == ["invoice", "letter"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"quantity": "0"}, "quantity ordered is '0'"),
        ({"quantity": "-3"}, "quantity ordered is '-3'"),
        ({"quantity": "1e9"}, "quantity ordered is '1e9'"),
        ({"quantity": "1000000000"}, "from 1 to 10000"),
        ({"quantity": "NaN"}, "quantity ordered is 'NaN'"),
        ({"quantity": "٣"}, "quantity ordered is"),
        ({"received": "2.5"}, "quantity received is '2.5'"),
        ({"arrived": "2026-02-30"}, "2026-02-30, and there is no such day"),
        ({"arrived": "02/03/2026"}, "YYYY-MM-DD"),
        ({"arrived": "2031-04-03"}, "and today is 2031-04-02"),
        ({"arrived": "0202-04-03"}, "before any chip was sold"),
        ({"claim_by": "soon"}, "claim deadline is 'soon'"),
        ({"price": "12,50", "currency": "EUR"}, "price is '12,50'"),
        ({"price": "NaN", "currency": "EUR"}, "price is 'NaN'"),
        ({"price": "-1", "currency": "EUR"}, "price is '-1'"),
        ({"price": "12.50"}, "price without a currency"),
        ({"price": "12.50", "currency": "EURO"}, "currency is 'EURO'"),
        ({"source": "friend"}, "authorised, broker, marketplace"),
        ({"condition": "fine"}, "new, old-stock, pulled"),
        ({"part": "\x1b[2J"}, "do not print"),
        ({"seller": "x" * 201}, "longer than 200"),
        ({"seller": "   "}, "seller is missing"),
    ],
)
def test_bad_fields(changes: Mapping[str, str], said: str) -> None:
    with pytest.raises(FieldProblems, match=said.replace("(", r"\(")):
        check_arrival({**GOOD, **changes}, today=TODAY)


def test_words_people_use() -> None:
    given = {**GOOD, "source": "Authorised Distributor", "condition": "old stock", "price": "48.50", "currency": "eur"}
    found = check_arrival(given, today=TODAY)
    assert found == Arrival(
        **{**GOOD, "quantity": 3},
        received=3,
        arrived=TODAY,
        source="authorised",
        condition="old-stock",
        price="48.50",
        currency="EUR",
    )


def test_bad_papers(tmp_path: Path) -> None:
    (tmp_path / "empty.pdf").touch()
    for path, said in (
        (tmp_path, "is a folder"),
        (tmp_path / "no.pdf", "There is no file"),
        (tmp_path / "empty.pdf", "is empty"),
    ):
        with pytest.raises(FieldProblems, match=said):
            check_arrival(GOOD, [Paper("invoice", path)], today=TODAY)
    for text in ("invoice.pdf", "invoice=", "poem=a.txt"):
        with pytest.raises(BadRequest, match=r"KIND=PATH|must be one of"):
            paper(text)


def test_whole_delivery(workspace: Workspace, tmp_path: Path) -> None:
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "b9.txt").write_text("invoice", encoding="utf-8")
    delivery = tmp_path / "delivery.csv"
    delivery.write_text(
        "\ufeffSeller,Source,Order,Part,Quantity,Arrived,Claim by,Invoice\r\n"
        "Brightwell Brokerage,broker,B-9,HDS62256LP-10,2,2031-04-01,2031-05-01,papers/b9.txt\r\n"
        '"Brightwell Brokerage",broker,B-9,CV74HC245N,1,2031-04-01,,\r\n'
        ",,,,,,,\r\n"
        "Fennimore Components,authorised,F-1,CV6522AP,1,2031-04-02,,\r\n",
        encoding="utf-8",
    )
    answers = receive(workspace, read_delivery(delivery, today=TODAY), operator="mira")
    assert [(one.lot, one.line, len(one.pieces), one.already) for one in answers] == [
        ("L0001", 1, 2, False),
        ("L0002", 2, 1, False),
        ("L0003", 1, 1, False),
    ]
    before = count(workspace)
    assert before == (2, 3, 4, 1, 1)
    again = receive(workspace, read_delivery(delivery, today=TODAY), operator="mira")
    assert [(one.lot, one.already) for one in again] == [("L0001", True), ("L0002", True), ("L0003", True)]
    assert count(workspace) == before


def test_semicolons_of_a_spreadsheet(tmp_path: Path) -> None:
    delivery = tmp_path / "d.csv"
    delivery.write_text("seller;part;quantity\nQuayside Surplus;CV6522AP;3\n", encoding="utf-8")
    assert [one.quantity for one in read_delivery(delivery, today=TODAY)] == [3]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("\n \n", "is empty"),
        ("seller,part,quantity\n", "no rows"),
        ("seller,part\nA,B\n", "column 'quantity' is missing"),
        ("seller,part,quantity,colour\nA,B,1,red\n", "column 'colour' is not known"),
        ("seller,part,quantity,part\nA,B,1,C\n", "column 'part' is there twice"),
        ("seller,part,quantity\nA,B,1,9\n", "is no table"),
        ("seller,part,quantity\nA,B,1\nA,C,-3\n", "row 3, quantity: The quantity ordered is '-3'"),
        ("seller,part,quantity\n\nA,B,1\n,C,1\n", "row 4, seller: The seller is missing"),
        ("seller,part,quantity,arrived\nA,B,1,2026-02-30\n", "row 2, arrived: .*no such day"),
        ("seller,part,quantity,invoice\nA,B,1,nowhere.pdf\n", "row 2, invoice: There is no file"),
        ('seller,part,quantity\nA,"B,1\n', "is no table|missing"),
        ("seller,part,quantity\nA,B\0,1\n", "not a text file"),
    ],
)
def test_bad_deliveries(tmp_path: Path, text: str, said: str) -> None:
    delivery = tmp_path / "delivery.csv"
    delivery.write_text(text, encoding="utf-8")
    with pytest.raises(BadRequest, match=said):
        read_delivery(delivery, today=TODAY)


def test_every_fault_of_a_delivery_is_named(tmp_path: Path) -> None:
    delivery = tmp_path / "delivery.csv"
    delivery.write_text("seller,part,quantity,arrived\nA,B,0,2026-02-30\n,C,x,\n", encoding="utf-8")
    with pytest.raises(BadRequest, match="has 4 faults") as raised:
        read_delivery(delivery, today=TODAY)
    for place in ("row 2, quantity", "row 2, arrived", "row 3, seller", "row 3, quantity"):
        assert place in raised.value.what


def test_latin_text_is_refused_with_advice(tmp_path: Path) -> None:
    delivery = tmp_path / "delivery.csv"
    delivery.write_bytes("seller,part,quantity\nMüller,B,1\n".encode("latin-1"))
    with pytest.raises(BadRequest, match="not UTF-8"):
        read_delivery(delivery, today=TODAY)


def test_one_bad_row_adds_no_other(workspace: Workspace) -> None:
    a_lot(workspace, order="Q-1")
    before = count(workspace)
    rows = [arrival(part="CV74HC245N", row=2), arrival(order="Q-1", part="HDS62256LP-10", row=3)]
    with pytest.raises(BadRequest, match="Row 3, order: "):
        receive(workspace, rows, operator="mira")
    assert count(workspace) == before


def test_a_line_twice_in_one_delivery_is_refused(workspace: Workspace) -> None:
    with pytest.raises(BadRequest, match="twice"):
        receive(workspace, [arrival(order="Q-1", line=1, row=2), arrival(order="Q-1", line=1, row=3)], operator="mira")
    assert count(workspace) == (0, 0, 0, 0, 0)


def test_help_names_every_column() -> None:
    from tracker.cli.lots import CSV_HELP

    words = set(CSV_HELP.replace(",", " ").replace(":", " ").replace(".", " ").split())
    assert set(COLUMNS) <= words
