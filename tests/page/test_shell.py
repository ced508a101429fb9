"""The shell in a real browser."""

from page_in_browser import tab_of
from playwright.sync_api import Browser, expect


def test_a_browser_is_let_in_and_shows_the_folder(tab, served):
    assert tab.url.startswith(f"{served.base}/")
    assert tab.locator("h1").inner_text() == served.folder.name
    expect(tab.locator("#where")).to_contain_text(served.folder.name)


def test_another_window_hears_of_a_change(tab, browser: Browser, served):
    with tab_of(browser, served) as other:
        other.evaluate("import('/front/server.js').then((s) => s.post('/wheel', {}))")
        tab.get_by_role("button", name="Take the wheel").click()
        other.get_by_role("button", name="Take the wheel").wait_for()
        tab.get_by_role("button", name="This window steers").click()
        tab.get_by_role("button", name="This window steers").wait_for(state="hidden")


def test_stop_is_there_while_something_moves_by_hand_and_by_key(tab, served):
    stopped: list[str] = []
    context = served.opened.context
    context.stops.append(stopped.append)
    try:
        assert not tab.get_by_role("button", name="Stop").is_visible()
        context.live.tell("moving", {"words": "run 1"})
        tab.get_by_role("button", name="Stop").click()
        tab.keyboard.press("Escape")
        expect(tab.locator(".message")).to_have_count(2)
        assert len(stopped) == 2
    finally:
        context.stops.remove(stopped.append)
        context.live.tell("moving", {"words": ""})


def test_what_is_typed_while_a_screen_is_told_anew_stays(tab, served):
    """The field is put into new surroundings, with the focus and the caret in it: letters are not lost to nobody."""
    tab.goto(f"{served.base}/#machine")
    field = tab.get_by_label("Or another, that is not in the list")
    field.press_sequentially("sket")
    for _ in range(3):
        tab.keyboard.press("ArrowLeft")
    for letter in "oc":
        tab.evaluate(
            "() => { const screen = document.querySelector('screen-machine'); screen.show(screen.machine, true); }"
        )
        tab.keyboard.type(letter)
    expect(field).to_have_value("socket")
    expect(field).to_be_focused()


def test_a_frame_of_another_site_stays_empty(browser: Browser, served, tmp_path):
    door = tmp_path / "frame.html"
    door.write_text(f'<iframe id="f" src="{served.base}/"></iframe>')
    other = browser.new_page()
    other.goto(door.as_uri())
    for _ in range(200):  # a refused frame ends up on the browser's own page of errors
        if [frame.url for frame in other.frames[1:]] == ["chrome-error://chromewebdata/"]:
            break
        other.wait_for_timeout(50)
    assert [frame.url for frame in other.frames[1:]] == ["chrome-error://chromewebdata/"]
    other.close()
