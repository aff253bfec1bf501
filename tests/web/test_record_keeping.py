"""Record keeping in a real browser: logging a lot by the keyboard alone, scripts off, and every page for everybody.

The first page is tested here as well, without a browser. Success criteria are those of WCAG 2.2 AA as axe-core tests
them.
"""

import re
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from stock import TODAY, a_lot
from web_pages import DESKTOP, PHONE, Pages, serving, too_wide, unfit_for, visiting
from web_workshop import prepared, workshop  # noqa: F401

from tracker.desk.showing import LotShown, show
from tracker.desk.workspace import Workspace

BAD = "seller,part,quantity,arrived\nQuayside Surplus,CV6522AP,many,2031-02-30\nFennimore,CV6530,2,2026-01-02\n"
MORE_PAGES = (
    "/receive/delivery",
    "/receive/bag",
    "/receive/logged?lots=L0001,L0002",
    "/decide",
    "/decide?piece=L0001-02",
    "/settle?piece=L0002-01",
    "/exemplar?piece=L0002-01",
    "/fit?piece=L0001-01",
    "/fit?piece=L0001-02",
    "/unfit?piece=L0001-01",
    "/find?what=CV6522",
    "/find?what=nothing",
    "/recall?seller=nobody",
    "/next?what=l1",
    "/labels/L0001-02",
    "/lots/L0001/papers",
    "/sellers/Fenwright%20Components",
)


def test_a_lot_is_logged_by_the_keyboard_alone(browser: Any, tmp_path: Path) -> None:
    with (
        serving(tmp_path / "w") as address,
        visiting(browser, address, viewport=DESKTOP, java_script_enabled=False) as page,
    ):
        page.goto("/receive")
        keys = page.keyboard
        _tab_to(page, "seller")
        for text in ("Quayside Surplus", "CV6522AP", "3"):
            keys.type(text)
            keys.press("Tab")
        _tab_to(page, "source")
        keys.press("ArrowLeft")  # from 'unknown', the last, to 'donor'
        _tab_to(page, "remark")
        keys.type("from the blue box")
        keys.press("Tab")  # the papers' heading
        keys.press("Enter")
        _tab_to(page, None, "Log the lot")
        keys.press("Enter")
        page.wait_for_url("**/lots/L0001")
        assert "L0001 is logged: 3 pieces" in page.locator("[role=status]").first.inner_text()
    with Workspace.open(tmp_path / "w") as workspace:
        found = show(workspace, "L0001")
        assert isinstance(found, LotShown)
        assert (found.summary.source, found.remark, len(found.pieces)) == ("donor", "from the blue box", 3)


def _tab_to(page: Any, name: str | None, text: str = "") -> None:
    """Press Tab until a field of this name, or a button of this text, has the focus."""
    for _ in range(60):
        where = page.locator(":focus")
        if where.count():
            if name is not None and where.get_attribute("name") == name:
                return
            if name is None and where.inner_text().strip() == text:
                return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab does not reach {name or text}")


@pytest.mark.thorough
@pytest.mark.parametrize(("size", "theme"), [(DESKTOP, "light"), (PHONE, "dark")], ids=["desktop-light", "phone-dark"])
def test_these_pages_can_be_used_by_everybody(
    browser: Any,
    workshop: Path,  # noqa: F811
    tmp_path: Path,
    size: dict[str, int],
    theme: str,
) -> None:
    faults: list[str] = []
    (tmp_path / "delivery.csv").write_text(BAD)

    def look(page: Any, name: str) -> None:
        faults.extend(f"{name}: {fault}" for fault in unfit_for(page))
        if wide := too_wide(page):
            faults.append(f"{name}: {wide} px too wide")

    with serving(workshop) as address, visiting(browser, address, viewport=size, color_scheme=theme) as page:
        for path in MORE_PAGES:
            page.goto(path)
            look(page, path)
        page.goto("/receive/delivery")
        page.set_input_files("#f-table", tmp_path / "delivery.csv")
        page.get_by_role("button", name="Look it over").click()
        assert "2 faults in 1 row of 2" in page.locator("[role=alert]").inner_text()
        look(page, "a delivery with faults")
        page.goto("/log")
        page.get_by_role("button", name="Verify now").click()
        assert page.get_by_role("heading", level=1).inner_text() == "Everything is as it was recorded"
        look(page, "verified")
        _sent_wrongly(page)
        look(page, "a lot with faults")
    assert not faults, "\n".join(faults)


def _sent_wrongly(page: Any) -> None:
    page.goto("/receive")
    for name, text in (("seller", "A"), ("part", "B"), ("quantity", "0"), ("price", "1")):
        page.fill(f"#f-{name}", text)
    page.get_by_role("button", name="Log the lot").click()
    assert "There is a price without a currency." in page.locator("main [role=alert]").first.inner_text()


def test_the_first_page_says_what_the_day_brings(workshop: Path) -> None:  # noqa: F811
    pages = Pages(workshop, today=TODAY)
    a_lot(pages.app.state.workspace, order="N-1", claim_by=TODAY + timedelta(days=9))
    text = " ".join(re.sub(r"<[^>]+>", " ", pages.text("/")).split())
    assert re.search(r"today 2031-04-02 L0002 KM4417 .*9 days left 2031-04-11 L0003", text)
    assert 'href="/lots/L0003/photograph"' in pages.text("/")
    assert re.search(r'href="/bench/\w+/L0003-0[123]"', pages.text("/"))


def test_the_first_page_of_an_empty_workshop(tmp_path: Path) -> None:
    text = Pages(tmp_path / "w").text("/")
    assert "Nothing is logged yet." in text
    assert "No piece is open." in text
    assert str(date.today().year) not in text.partition("<main")[2]
