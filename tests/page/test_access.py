"""Every screen by phone and desktop, light and dark, for everybody: sizes, names, contrast, keys."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from page_in_browser import DESKTOP, PHONE, tab_of
from playwright.sync_api import expect

from pastewright.page.screens import SCREENS

SERIOUS = {"serious", "critical"}


@pytest.mark.parametrize(("size", "scheme"), [(DESKTOP, "light"), (PHONE, "dark")], ids=["desktop", "phone"])
def test_axe_finds_nothing_serious_on_any_screen(browser, planned, size, scheme):
    """axe-core, by its own rules (https://github.com/dequelabs/axe-core, MPL-2.0).

    Colours are those of the scheme at any width: each scheme is looked at once. Of the plan's rows, which are all alike,
    those of one part are.
    """
    with tab_of(browser, planned, size=size, scheme=scheme) as tab:
        for screen in SCREENS:
            tab.goto(f"{planned.base}/#{screen.name}")
            tab.locator(f"screen-{screen.name} h1").first.wait_for()
            if screen.name == "plan":
                tab.get_by_label("Find by part, net, reason, or dose in µL").fill("C1")
                tab.get_by_role("button", name="C1-1", exact=True).click()
            tab.evaluate(
                "() => document.querySelectorAll('main details').forEach((each) => { each.open = true; })"
            )
            found = Axe().run(tab).response["violations"]
            serious = [
                (each["id"], [node["target"] for node in each["nodes"]][:4])
                for each in found
                if each["impact"] in SERIOUS
            ]
            assert not serious, (screen.name, serious)


def test_no_screen_is_wider_than_a_phone(browser, planned):
    with tab_of(browser, planned, size=PHONE) as tab:
        for screen in SCREENS:
            tab.goto(f"{planned.base}/#{screen.name}")
            tab.locator(f"screen-{screen.name} h1").first.wait_for()
            wide = tab.evaluate("() => document.scrollingElement.scrollWidth")
            assert wide <= PHONE["width"], screen.name


def test_two_fingers_bring_the_board_nearer(browser, planned):
    with tab_of(browser, planned, size=PHONE) as tab:
        tab.goto(f"{planned.base}/#board")
        tab.get_by_text("50.0 × 40.0 mm").wait_for()
        box = tab.locator("board-view canvas").bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        before = tab.locator("board-view").evaluate("(v) => v.scale")
        touch = tab.context.new_cdp_session(tab)
        for kind, apart in (("touchStart", 40), ("touchMove", 60), ("touchMove", 80), ("touchEnd", 0)):
            points = (
                []
                if kind == "touchEnd"
                else [{"x": x - apart, "y": y, "id": 0}, {"x": x + apart, "y": y, "id": 1}]
            )
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        assert tab.locator("board-view").evaluate("(v) => v.scale") > 1.6 * before


def test_every_screen_is_reached_by_keys_alone(tab, planned):
    reached = []
    for _ in range(3 + len(SCREENS)):
        tab.keyboard.press("Tab")
        here = tab.evaluate(
            "() => document.activeElement.closest('.rail') && document.activeElement.textContent"
        )
        if here:
            reached.append(here)
            outline = tab.evaluate("() => getComputedStyle(document.activeElement).outlineStyle")
            assert outline == "solid"
    assert reached == [screen.words for screen in SCREENS]
    tab.locator(".rail a").first.focus()
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    expect(tab.locator(".rail a[aria-current]")).to_have_text(SCREENS[1].words)
