"""One server and one browser for all tests of the page; each test gets a tab of its own."""

from collections.abc import Iterator

import pytest
from page_files import demo_zip, write_bench
from page_in_browser import CHROMIUM, Served, serving, tab_of
from playwright.sync_api import Browser, sync_playwright

LONG_MS = 60_000  # planning on a loaded machine


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
