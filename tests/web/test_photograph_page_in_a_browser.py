"""A lot photographed with a real browser, on a phone and on a desktop, with scripts and without; nothing is staged."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from stock import a_lot
from web_pages import DESKTOP, PHONE, serving, unfit_for, visiting

from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace

pytestmark = pytest.mark.thorough

SAMPLES = Path(__file__).parents[2] / "sample_images"
PATIENCE_MS = 120_000
"""Networks are loaded first, on a machine that may have one core."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give a workspace with three lots as large as those of the sample pictures."""
    folder = tmp_path_factory.mktemp("browser") / "shop"
    shutil.copytree(sqlite_template, folder)
    with Workspace.open(folder) as workspace:
        for number in range(3):
            a_lot(workspace, order=f"Q-{number}", quantity=8, received=8)
    return folder


@pytest.fixture(scope="module")
def address(shop: Path) -> Iterator[str]:
    with serving(shop) as at:
        yield at


def test_with_scripts_each_photo_goes_by_itself_and_its_result_appears(
    address: str,
    shop: Path,
    browser: Any,
) -> None:
    with visiting(browser, address, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.goto("/lots/L0001/photograph")
        assert page.locator("[data-send]").count() == 0
        page.get_by_label("Take photos").wait_for()
        page.set_input_files("#f-camera", SAMPLES / "marketplace_lot.jpg")
        # It is named as safe before anything is known of what it shows.
        page.locator(".sent li", has_text="marketplace_lot.jpg: safe here.").wait_for()
        assert unfit_for(page) == []
        # What the page said of photos still wanted was true when it was made, and what comes next is offered.
        assert page.get_by_text("No piece has a photo of its top yet").is_hidden()
        assert page.get_by_role("link", name="See the pieces of L0001").get_attribute("href") == "/lots/L0001"
        page.locator(".sent article .at.done").wait_for(timeout=PATIENCE_MS)
        assert unfit_for(page) == []
        assert page.locator(".sent .seen li").count() == 8
        assert page.locator('.sent .seen a[href="/pieces/L0001-03"]').count() == 1
        assert "CV6522AP" in page.locator(".sent .seen").inner_text()
        assert "W0001 Photo of L0001: done: L0001-01" in page.locator("[data-said]").inner_text()
        # The page is as wide as the phone.
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    with Workspace.open(shop) as workspace:
        assert verify(workspace).sound


def test_without_scripts_a_form_is_posted_and_the_page_asks_again_until_it_is_done(
    address: str,
    browser: Any,
) -> None:
    with visiting(browser, address, viewport=DESKTOP, java_script_enabled=False) as page:
        page.goto("/lots/L0002/photograph")
        page.get_by_text("Say which pieces are in view").click()
        page.get_by_label("Pieces in view").fill("L0002-01..08")
        page.set_input_files("#f-gallery", [SAMPLES / "marketplace_lot.jpg", SAMPLES / "truth.csv"])
        page.get_by_role("button", name="Send the photos").click()
        page.wait_for_url(re.compile(r"/work/W\d{4}$"))
        assert "Not taken: 'truth.csv' is not a picture." in page.locator("main").inner_text()
        page.locator("article > p .at.done").wait_for(timeout=PATIENCE_MS)
        assert page.locator(".seen li").count() == 8
        page.get_by_role("link", name="L0002-08", exact=True).wait_for()


def test_what_would_help_is_said_at_once_and_what_cannot_be_used_is_refused(
    address: str,
    tmp_path: Path,
    browser: Any,
) -> None:
    Image.new("RGB", (1600, 1200), (255, 255, 255)).save(tmp_path / "lamp.png")
    (tmp_path / "cut.jpg").write_bytes((SAMPLES / "marketplace_lot.jpg").read_bytes()[:100_000])
    with visiting(browser, address, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.goto("/lots/L0003/photograph")
        page.set_input_files("#f-gallery", [tmp_path / "lamp.png", tmp_path / "cut.jpg"])
        page.locator(".sent .retake", has_text="move the lamp to the side").wait_for()
        refused = page.locator(".sent li", has_text="cut.jpg: not taken.")
        refused.wait_for()
        assert "'cut.jpg' is damaged or cut short" in refused.inner_text()
        assert page.locator(".sent > li").count() == 2
        assert unfit_for(page) == []


def test_what_is_dropped_on_the_page_or_pasted_is_sent(
    address: str,
    browser: Any,
) -> None:
    act = """([kind, name]) => {
        const files = new DataTransfer();
        files.items.add(new File(["no picture"], name));
        const how = { bubbles: true, cancelable: true };
        document.body.dispatchEvent(kind === "drop"
            ? new DragEvent("drop", { ...how, dataTransfer: files })
            : new ClipboardEvent("paste", { ...how, clipboardData: files }));
    }"""
    with visiting(browser, address) as page:
        page.goto("/lots/L0003/photograph")
        page.get_by_text("Photos can also be dropped here or pasted.").wait_for()
        for kind, name in (("drop", "dropped.jpg"), ("paste", "pasted.jpg")):
            page.evaluate(act, [kind, name])
            page.locator(".sent li", has_text=f"'{name}' is not a picture.").wait_for()


def test_a_lost_connection_keeps_the_photo_to_be_sent_again(
    address: str,
    browser: Any,
) -> None:
    with visiting(browser, address, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.goto("/lots/L0003/photograph")
        page.context.set_offline(True)
        page.set_input_files("#f-gallery", SAMPLES / "authorised_lot.jpg")
        page.locator(".sent li", has_text="The connection was lost.").wait_for()
        page.context.set_offline(False)
        page.get_by_role("button", name="Send it again").click()
        page.locator(".sent li", has_text="authorised_lot.jpg: safe here.").wait_for()
        page.goto("/work")
        page.locator("form[action$='/cancel'] button").first.click()
        page.wait_for_url(re.compile(r"/work/W\d{4}$"))
        page.locator("article .at.cancelled, article .at.done").first.wait_for(timeout=PATIENCE_MS)
        assert unfit_for(page) == []


def test_the_list_follows_what_happens_while_it_is_looked_at(
    address: str,
    browser: Any,
) -> None:
    with visiting(browser, address) as page:
        page.goto("/work")
        before = page.locator("tr[data-task]").count()
        with visiting(browser, address) as other:
            other.goto("/lots/L0003/photograph")
            other.set_input_files("#f-gallery", SAMPLES / "authorised_lot.jpg")
            other.locator(".sent article").wait_for()
        page.locator("tr[data-task]").nth(before).wait_for()
        newest = page.locator("tr[data-task]").first
        assert newest.get_attribute("data-task") == f"W{before + 1:04d}"
        newest.locator(".at.done, .at.failed").wait_for(timeout=PATIENCE_MS)
