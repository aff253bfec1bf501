"""Every page in a real browser: both themes, desktop and phone, for everybody, and nothing asked of anywhere else.

Success criteria are those of WCAG 2.2 AA as axe-core tests them; what it cannot test (a sensible order, words that
help) is for eyes. The pictures of the pages go to the folder LOTPROOF_SCREENS, to be looked at.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_pages import DESKTOP, PHONE, serving, too_wide, unfit_for, visiting

from tracker.desk import demo

pytestmark = pytest.mark.thorough

PAGES = (
    "/",
    "/lots",
    "/lots/L0002",
    "/lots/L0002?view=table",
    "/lots/L0002/photograph",
    "/lots/L0002/compare?piece=L0002-01&piece=L0002-03",
    "/pieces/L0002-03",
    "/pieces/L0002-01",
    "/pieces/L0002-01/correct",
    "/receive",
    "/decide?piece=L0002-01&piece=L0002-03",
    "/settle?piece=L0002-03",
    "/exemplar?piece=L0001-02",
    "/fit?piece=L0002-02",
    "/bench/L0002-02",
    "/bench/current/L0002-02",
    "/bench/clock/L0002-02",
    "/bench/soak/L0002-02",
    "/bench/signature/L0002-02",
    "/bench/curve/L0002-02",
    "/bench/in-circuit/L0002-01",
    "/bench/power/M0001",
    "/bench/plan/L0002",
    "/bench/M0001",
    "/bench/history/M0001",
    "/bench/compare?run=B0001&run=B0002",
    "/runs/B0002",
    "/runs/B0005",
    "/machines",
    "/machines/M0001",
    "/sellers",
    "/sellers/Quayside%20Surplus",
    "/recall?lot=L0002",
    "/due",
    "/next",
    "/costs",
    "/calibration",
    "/log",
    "/work",
    "/dossier/L0002",
    "/labels/L0002",
    "/card/L0002",
    "/export/L0002",
    "/phone",
    "/who",
    "/api",
)
SIGHTS = (
    ("desktop", DESKTOP, "light"),
    ("desktop", DESKTOP, "dark"),
    ("phone", PHONE, "light"),
    ("phone", PHONE, "dark"),
)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve the demo's workshop."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("LOTPROOF_DATABASE", "LOTPROOF_EVIDENCE"):
            patch.delenv(name, raising=False)
        story = demo.run(tmp_path_factory.mktemp("demo") / "workshop")
        with serving(story.workspace) as at:
            yield at


@pytest.fixture(scope="module")
def screens(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder that the pictures go to."""
    named = os.environ.get("LOTPROOF_SCREENS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screens")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.mark.parametrize(("name", "size", "theme"), SIGHTS, ids=[f"{name}-{theme}" for name, _, theme in SIGHTS])
def test_every_page_can_be_used_by_everybody(
    browser: Any, address: str, screens: Path, name: str, size: dict[str, int], theme: str
) -> None:
    faults = []
    with visiting(browser, address, viewport=size, color_scheme=theme) as page:
        for path in PAGES:
            answer = page.goto(path)
            if answer is None or answer.status != 200:
                faults.append(f"{path}: {answer.status if answer else 'no answer'}")
                continue
            file = path.strip("/").replace("/", "-").replace("?", "-").replace("&", "-").replace("=", "-") or "today"
            page.screenshot(path=screens / f"{file}.{name}.{theme}.png", full_page=True)
            if wide := too_wide(page):
                faults.append(f"{path}: {wide} px wider than the {name}")
            faults += [f"{path}: {fault}" for fault in unfit_for(page)]
    assert not faults, "\n".join(faults)


def test_every_page_is_reached_by_the_keyboard(browser: Any, address: str) -> None:
    """From the top of each page Tab reaches every link, field and button, and where it is can be seen."""
    faults = []
    with visiting(browser, address) as page:
        for path in PAGES:
            page.goto(path)
            missed = page.evaluate(_UNREACHED)
            seen = []
            for _ in range(12):
                page.keyboard.press("Tab")
                seen.append(page.evaluate(_FOCUS))
            if not all(one["shown"] for one in seen if one["what"] != "BODY"):
                faults.append(
                    f"{path}: {[one['what'] for one in seen if not one['shown']]} cannot be seen to have the focus"
                )
            if missed:
                faults.append(f"{path}: {missed} are out of the keyboard's way")
    assert not faults, "\n".join(faults)


_UNREACHED = """() => [...document.querySelectorAll('[role=button], [tabindex]')]
    .filter((one) => one.tabIndex < 0 && one.id !== 'main' && !one.closest('[hidden]') && !one.matches('.fault'))
    .map((one) => one.outerHTML.slice(0, 120))"""
_FOCUS = """() => {
    const one = document.activeElement;
    if (one === document.body) return {what: 'BODY', shown: true};
    const box = one.getBoundingClientRect();
    const inside = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
    return {what: one.tagName + '.' + one.className, shown: inside && getComputedStyle(one).outlineStyle !== 'none'};
}"""
