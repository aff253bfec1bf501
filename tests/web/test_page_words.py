"""Where the desk's advice names a command, a page names the page, the tick or the field that does it."""

from pathlib import Path

import pytest
from stock import TODAY, a_lot
from web_pages import Pages

from tracker.web.page_words import paged


@pytest.fixture
def pages(tmp_path: Path) -> Pages:
    made = Pages(tmp_path / "workspace", today=TODAY)
    a_lot(made.app.state.workspace)
    return made


@pytest.mark.parametrize(
    ("path", "named"),
    [
        ("/lots/L0999", "The page ‘Lots’ shows those there are."),
        ("/lots/nonsense", "the page ‘Lots’ shows them."),
        ("/pieces/nonsense", "the page of its lot shows them."),
        ("/machines/M0999", "The page ‘Machines’ shows those there are."),
        ("/sellers/Nobody", "The page ‘Sellers’ shows those there are."),
        ("/recall?seller=Nobody", "The page ‘Sellers’ shows those there are."),
        ("/bench/compare?run=B0998&run=B0999", "The page of its piece or machine lists its runs."),
        ("/due/L0001/statement", "Decide first, on the page of the lot."),
        ("/bench/L0001-01", "‘Photograph’ on the page of L0001."),
        ("/pieces/L0001-01/next", "‘Photograph’ on the page of L0001."),
        ("/next?what=L0001", "‘Photograph’ on the page of L0001."),
    ],
)
def test_advice_is_possible_on_the_page(pages: Pages, path: str, named: str) -> None:
    text = pages.get(path).text
    assert named in text
    assert "lotproof list" not in text
    assert "lotproof photograph" not in text
    assert "lotproof decide" not in text


def test_programs_get_the_words_of_the_command_line(pages: Pages) -> None:
    answer = pages.get("/api/lots/L0999", headers={"accept": "application/json"})
    assert answer.json()["advice"] == "`lotproof list lots` shows those there are."


def test_other_sentences_stay_as_they_are() -> None:
    assert paged("Its pieces are L0001-01 to L0001-04.") == "Its pieces are L0001-01 to L0001-04."
