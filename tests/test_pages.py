"""Pages name places in the tree; a place that was moved must not stay in them."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "CONTRIBUTING.md", *sorted((ROOT / "docs" / "contributing").glob("*.md"))]


def missing(page: Path) -> list[str]:
    """The places that a page names, by link or in code marks, which are not there."""
    text = page.read_text(encoding="utf-8")
    named = [(ROOT, place) for place in re.findall(r"`((?:src|tests|docs|scripts|bench)/[\w/.-]*\w)", text)]
    named += [
        (ROOT / "src" / "pastewright", place)
        for place in re.findall(r"`((?!src|tests|docs|scripts|bench)\w+/[\w/]+\.\w+)`", text)
    ]
    named += [(page.parent, place) for place in re.findall(r"\]\(([^)#:]+)\)", text)]
    assert named, "this page names nothing"
    return [place for base, place in named if not (base / place).exists()]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_what_a_page_names_is_there(page: Path):
    assert missing(page) == []


def test_a_place_that_is_gone_is_noticed(tmp_path: Path):
    page = tmp_path / "page.md"
    page.write_text(
        "See `src/pastewright/nowhere.py`, `board/gone.py` and [this](other.md).", encoding="utf-8"
    )
    assert missing(page) == ["src/pastewright/nowhere.py", "board/gone.py", "other.md"]
