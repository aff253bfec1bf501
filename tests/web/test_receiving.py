"""Logging what arrived: a lot, a delivery, a bag; wrong, hostile and sent twice."""

import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from web_pages import Pages

from tracker.desk.listing import list_rows
from tracker.desk.showing import LotShown, show
from tracker.desk.workspace import Workspace

LOT = {"seller": "Quayside Surplus", "part": "CV6522AP", "quantity": "3", "source": "marketplace", "order": "Q-7"}
HOSTILE = '"><script>alert(1)</script>{{ 7*7 }}'


@pytest.fixture
def pages(tmp_path: Path) -> Pages:
    return Pages(tmp_path / "w")


def lots(pages: Pages) -> int:
    return list_rows(opened(pages), "lots").found


def opened(pages: Pages) -> Workspace:
    workspace: Workspace = pages.app.state.workspace
    return workspace


def shown(pages: Pages, label: str) -> LotShown:
    found = show(opened(pages), label)
    assert isinstance(found, LotShown)
    return found


def hidden(text: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', text)
    assert found is not None, f"no field {name}"
    return found[1]


def upload(name: str, data: bytes) -> tuple[str, bytes]:
    return (name, data)


def test_a_lot_is_logged_and_the_answer_leads_to_it(pages: Pages) -> None:
    page = pages.text("/receive")
    assert date.today().isoformat() in page
    papers = [
        ("document-invoice", upload("Rechnung 7.pdf", b"%PDF-1.4 x")),
        ("document-listing", upload("C:\\shop\\listing.png", b"png")),
    ]
    once = hidden(page, "once")
    answer = pages.post("/receive", {**LOT, "once": once, "price": "31.20", "currency": "EUR"}, files=papers)
    assert (answer.status_code, answer.headers["location"]) == (303, "/lots/L0001")
    lot = shown(pages, "L0001")
    assert [(one.kind, one.name) for one in lot.documents] == [
        ("invoice", "Rechnung 7.pdf"), ("listing", "listing.png"),
    ]  # fmt: skip
    assert (lot.summary.received, lot.summary.price, lot.summary.source) == (3, "31.20", "marketplace")
    assert "L0001 is logged: 3 pieces of CV6522AP" in pages.text("/receive")
    assert 'value="Quayside Surplus"' in pages.text("/receive"), "the seller is offered the next time"


def test_a_form_sent_twice_logs_once(pages: Pages) -> None:
    form = {**LOT, "order": "", "once": hidden(pages.text("/receive"), "once")}
    first, second = pages.post("/receive", form), pages.post("/receive", form)
    assert first.headers["location"] == second.headers["location"] == "/lots/L0001"
    assert lots(pages) == 1
    third = pages.post("/receive", {**form, "once": hidden(pages.text("/receive"), "once")})
    assert third.headers["location"] == "/lots/L0002"


def test_who_goes_back_and_changes_the_form_logs_another_lot(pages: Pages) -> None:
    form = {**LOT, "order": "", "once": hidden(pages.text("/receive"), "once")}
    assert pages.post("/receive", form).headers["location"] == "/lots/L0001"
    assert pages.post("/receive", {**form, "part": "CV6530"}).headers["location"] == "/lots/L0002"


def test_what_is_said_in_any_alphabet_fits_into_the_cookie(pages: Pages) -> None:
    """A browser keeps 4096 bytes of a cookie (RFC 6265, section 6.1); one that is longer is lost with the session."""
    for order in ("", "Ж-1", "Ж-1"):
        answer = pages.post("/receive", {**LOT, "seller": "Ж" * 200, "part": "Ж" * 100, "order": order})
        assert answer.status_code == 303
        assert len(answer.headers["set-cookie"]) < 4096
    assert "Ж" in pages.text("/receive")


def test_the_same_order_again_says_that_it_is_here(pages: Pages) -> None:
    pages.post("/receive", LOT)
    pages.text("/receive")
    again = pages.post("/receive", LOT)
    assert again.headers["location"] == "/lots/L0001"
    assert "is here already as L0001" in pages.text("/receive")
    other = pages.post("/receive", {**LOT, "part": "CV6530"})
    assert other.status_code == 422
    assert "was received before as L0001" in other.text
    assert lots(pages) == 1


def test_what_is_wrong_is_said_at_its_field_and_nothing_is_lost(pages: Pages) -> None:
    form = {**LOT, "quantity": "many", "price": "5", "remark": "from the blue box", "condition": "pulled"}
    answer = pages.post("/receive", form, files=[("document-letter", upload("letter.txt", b"dear all"))])
    assert answer.status_code == 422
    text = answer.text
    assert text.index("The quantity ordered is") < text.index('<form class="sheet"')
    assert re.search(r'id="f-quantity"[^>]*value="many"[^>]*aria-invalid="true"[^>]*aria-describedby="w-quantity', text)
    assert "There is a price without a currency" in text
    assert "from the blue box" in text
    assert re.search(r'value="pulled" checked', text)
    assert "letter.txt (letter, 8 bytes)" in text
    assert lots(pages) == 0
    mended = {**form, "quantity": "3", "currency": "EUR", "held": hidden(text, "held"), "once": hidden(text, "once")}
    assert pages.post("/receive", mended).headers["location"] == "/lots/L0001"
    assert [one.name for one in shown(pages, "L0001").documents] == ["letter.txt"]


@pytest.mark.parametrize("name", ["seller", "part", "quantity"])
def test_what_must_be_there(pages: Pages, name: str) -> None:
    answer = pages.post("/receive", {key: text for key, text in LOT.items() if key != name})
    assert answer.status_code == 422
    assert "is missing." in answer.text


def test_hostile_words_come_out_harmless(pages: Pages) -> None:
    form = {**LOT, "seller": HOSTILE, "remark": HOSTILE, "quantity": "0"}
    for text in (pages.post("/receive", form).text, pages.post("/receive", {**form, "quantity": "1"}) and ""):
        assert "<script>alert" not in text
    text = pages.text("/receive")
    assert "<script>alert" not in text
    assert "&lt;script&gt;" in text
    assert "49" not in re.findall(r"alert\(1\).{0,40}", text)[0]


def test_a_file_with_a_path_for_a_name_goes_nowhere(pages: Pages, tmp_path: Path) -> None:
    files = [("document-other", upload("../../evil\u202e.txt", b"x"))]
    pages.post("/receive", LOT, files=files)
    assert [one.name for one in shown(pages, "L0001").documents] == ["evil?.txt"]
    assert not list(tmp_path.glob("evil*"))


def test_an_empty_file_is_named_by_its_own_name(pages: Pages) -> None:
    answer = pages.post("/receive", LOT, files=[("document-invoice", upload("nothing.pdf", b""))])
    assert answer.status_code == 422
    assert "The file nothing.pdf is empty." in answer.text


def test_files_held_under_a_guessed_word_are_nobodys(pages: Pages) -> None:
    assert pages.post("/receive", {**LOT, "held": "../../etc"}).status_code == 303
    assert shown(pages, "L0001").documents == ()


DELIVERY = "seller,part,quantity,order,invoice\nQuayside Surplus,CV6522AP,3,Q-7,inv.pdf\nFennimore,CV6530,2,F-1,\n"


def look_over(pages: Pages, text: str, **papers: bytes) -> Any:
    files = [("table", ("delivery.csv", text.encode()))]
    files += [("papers", (name.replace("_", "."), data)) for name, data in papers.items()]
    return pages.post("/receive/delivery", files=files)


def test_a_delivery_is_looked_over_and_then_logged_whole(pages: Pages) -> None:
    place = look_over(pages, DELIVERY, inv_pdf=b"%PDF").headers["location"]
    text = pages.text(place)
    assert "2 lots, every row can be logged" in text
    assert "Fennimore" in text
    assert lots(pages) == 0, "looking over logs nothing"
    done = pages.post(place)
    assert (done.status_code, done.headers["location"]) == (303, "/receive/logged?lots=L0001,L0002")
    assert [one.name for one in shown(pages, "L0001").documents] == ["inv.pdf"]
    text = pages.text(done.headers["location"])
    assert "2 lots logged." in text
    assert "/lots/L0002/photograph" in text
    assert pages.post(place).headers["location"] == done.headers["location"], "sent twice, logged once"
    assert lots(pages) == 2


def test_the_same_delivery_again_adds_nothing(pages: Pages) -> None:
    for _ in range(2):
        place = look_over(pages, DELIVERY, inv_pdf=b"%PDF").headers["location"]
        done = pages.post(place).headers["location"]
    assert "Were here already: L0001, L0002." in pages.text(done)
    assert lots(pages) == 2


def test_every_fault_is_listed_by_row_and_none_is_logged(pages: Pages) -> None:
    bad = "seller;part;quantity;arrived\nA;B;x;2031-02-30\n;;\nC;D;4;\n".replace(";;\n", ";;;\n")
    place = look_over(pages, bad).headers["location"]
    text = pages.text(place)
    assert "Row 2, quantity: The quantity ordered is &#39;x&#39;" in text
    assert "Row 2, arrived:" in text
    assert "2 faults in 1 row of 2" in text
    assert pages.post(place).status_code == 422
    assert lots(pages) == 0


def test_a_table_cannot_fetch_files_of_this_computer(pages: Pages, tmp_path: Path) -> None:
    (tmp_path / "secret.txt").write_text("secret")
    text = f"seller,part,quantity,invoice\nA,B,1,{tmp_path}/secret.txt\n"
    place = look_over(pages, text).headers["location"]
    assert "The paper &#39;secret.txt&#39; was not sent along." in pages.text(place)
    assert pages.post(place).status_code == 422


@pytest.mark.parametrize(
    ("text", "said"),
    [("", "is empty"), ("a,b\n1,2\n", "is not known"), ("seller,part,quantity\n", "no rows"), ("\0\1", "not a text")],
)
def test_a_table_that_is_none(pages: Pages, text: str, said: str) -> None:
    answer = look_over(pages, text)
    assert answer.status_code == 422
    assert said in answer.text
    assert "lotproof-held" not in answer.text, "no path of this computer is shown"


def test_a_table_that_is_held_no_longer(pages: Pages) -> None:
    assert pages.get("/receive/delivery/nothing").status_code == 404
    assert pages.post("/receive/delivery/nothing").status_code == 404


def test_a_bag_is_taken_in_once(pages: Pages, sound: Path, tmp_path: Path) -> None:
    import shutil

    bag = Path(shutil.make_archive(str(tmp_path / "bag"), "zip", sound.parent, sound.name)).read_bytes()
    form = {"once": hidden(pages.text("/receive/bag"), "once"), "order": "H-2"}
    files = [("bag", upload("their lot.zip", bag))]
    first = pages.post("/receive/bag", form, files=files)
    assert "Hollin Bench" in pages.text("/receive/bag")
    second = pages.post("/receive/bag", form, files=files)
    assert first.headers["location"] == second.headers["location"] == "/lots/L0001"
    assert shown(pages, "L0001").summary.order == "H-2"
    refused = pages.post("/receive/bag", {}, files=files)
    assert refused.status_code == 422
    assert "This bag was taken in before, as L0001" in refused.text
    assert "the tick below" in refused.text
    again = pages.post("/receive/bag", {"held": hidden(refused.text, "held"), "again": "yes"})
    assert again.headers["location"] == "/lots/L0002", "the bag need not be sent twice"


def test_what_is_no_bag_is_refused_by_its_own_name(pages: Pages) -> None:
    for name, data in (("no.zip", b"no bag"), ("half.zip", b"PK\3\4....")):
        answer = pages.post("/receive/bag", files=[("bag", upload(name, data))])
        assert answer.status_code == 422
        assert "Held from your last try" not in answer.text  # the wrong file: another must be chosen
        assert "lotproof-held" not in answer.text
    assert pages.post("/receive/bag").status_code == 422
    assert lots(pages) == 0


def test_without_the_token_nothing_is_logged(pages: Pages) -> None:
    pages.text("/receive")
    for path in ("/receive", "/receive/delivery", "/receive/bag"):
        assert pages.client.post(path, data=LOT).status_code == 403
    assert lots(pages) == 0


def test_held_files_go_with_the_application(pages: Pages) -> None:
    with pages.client:
        pages.post("/receive", {**LOT, "quantity": "0"}, files=[("document-letter", upload("a.txt", b"x"))])
        folder = Path(pages.app.state.held._folder.name)
        assert list(folder.iterdir())
    assert not folder.exists()
