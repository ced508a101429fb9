"""The run screen as a run is told to it, many times a second: buttons that can be pressed, and never an older word last."""

from threading import Event

import pytest
from page_in_browser import serving, tab_of
from playwright.sync_api import Route, expect

LAYING = {
    "phase": "laying",
    "why": "",
    "done": 1,
    "doubt": [],
    "now": "R1-1",
    "picture": 1,
    "name": "greenhouse-logger",
}
FINISHED = {**LAYING, "phase": "finished", "done": 3, "now": ""}


@pytest.fixture
def told(browser, tmp_path):
    """A window on a server of its own, and what tells that server's windows of a run."""
    with serving(tmp_path) as served, tab_of(browser, served) as tab:
        tab.goto(f"{served.base}/#run")
        tab.get_by_text("Begin a run or a batch.").wait_for()
        yield tab, lambda run: served.opened.context.live.tell("run", run)


def test_an_answer_that_comes_late_does_not_bring_back_what_was(told):
    """The first word of a run makes the window ask for its picture; the run is over before that answer is there."""
    tab, tell = told
    asked, held = Event(), list[Route]()

    def kept_back(route):
        if held:
            route.continue_()
        else:
            held.append(route)
            asked.set()

    tab.route("**/run/picture", kept_back)
    tell(LAYING)
    tab.wait_for_function("() => performance.now() > 0")
    while not asked.is_set():
        tab.wait_for_timeout(10)
    tell(FINISHED)
    expect(tab.get_by_text("✓ finished")).to_be_visible()
    with tab.expect_response("**/run/picture"):
        held[0].continue_()
    tab.wait_for_timeout(100)  # whatever the window would do with it is done by then
    expect(tab.get_by_text("✓ finished")).to_be_visible()
    expect(tab.get_by_text("laying")).to_have_count(0)


def test_the_buttons_of_a_run_outlive_every_word_of_it(told):
    tab, tell = told
    tell(LAYING)
    pause = tab.get_by_role("button", name="Pause before the next")
    pause.wait_for()
    pressed = pause.element_handle()
    pause.focus()
    for done in (2, 3):
        tell({**LAYING, "done": done})
        expect(tab.get_by_text(f"{done} of 0 deposits")).to_be_visible()
    assert pressed.evaluate("(button) => button.isConnected && button === document.activeElement")
    tell({**LAYING, "phase": "paused"})
    expect(tab.get_by_role("button", name="Go on", exact=True)).to_be_focused()
