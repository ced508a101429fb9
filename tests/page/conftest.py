"""One server and one browser for all tests of the page; each test gets a tab of its own."""

from collections.abc import Callable, Iterator
from pathlib import Path
from time import time

import pytest
from demo_plans import plan_of
from page_files import demo_zip, write_bench
from page_in_browser import CHROMIUM, Served, serving, tab_of
from playwright.sync_api import Browser, sync_playwright

import pastewright as pw
from pastewright.board.model import Side
from pastewright.link.barrels import BarrelEvent, enter, new_barrel
from pastewright.link.journal import Journal
from pastewright.profile.examples import example_text

LONG_MS = 300_000  # planning on a loaded machine; nothing here is about time


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def served(tmp_path_factory) -> Iterator[Served]:
    """A server of an empty folder."""
    with serving(tmp_path_factory.mktemp("desk")) as one:
        yield one


@pytest.fixture
def tab(browser, served):
    with tab_of(browser, served) as one:
        yield one


@pytest.fixture(scope="session")
def logger(browser, served, tmp_path_factory) -> Served:
    """The server once the demo board was dropped on it by a browser, and a bench lies there."""
    write_bench(served.folder)
    with tab_of(browser, served) as one:
        one.goto(f"{served.base}/#board")
        packed = demo_zip(tmp_path_factory.mktemp("files"))
        one.get_by_label("Choose a zip or files").set_input_files(packed)
        one.get_by_text("50.0 × 40.0 mm").wait_for()
    return served


@pytest.fixture(scope="session")
def planned(browser, logger):
    """The server once a browser has planned the top side."""
    with tab_of(browser, logger) as one:
        one.goto(f"{logger.base}/#plan")
        one.get_by_role("button", name="Plan", exact=True).click(timeout=LONG_MS)
        one.get_by_text("read back and is verified").wait_for(timeout=LONG_MS)
    return logger


@pytest.fixture(scope="session")
def day_folder() -> Callable[[Path, str], Path]:
    """What puts a bench, a plan of the bottom side and a barrel into a folder."""

    def folder_of(folder: Path, bench: str) -> Path:
        """A folder with a bench, a plan of the bottom side, and a barrel."""
        (folder / "bench.toml").write_text(example_text(bench), encoding="utf-8")
        pw.write_plan(plan_of(Side.BOTTOM, bench), folder / "bottom")
        journal = Journal(folder / "runs.db")
        barrel = new_barrel(journal, "A7", paste="p", lot="L", fill_ul=2500.0, note="", now_s=time())
        enter(journal, barrel, BarrelEvent.OPENED, now_s=time())
        journal.close()
        return folder

    return folder_of
