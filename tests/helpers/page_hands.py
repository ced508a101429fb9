"""Two ways to use the page without a mouse: by keys alone, and by touch alone."""

from pathlib import Path

from page_in_browser import PATIENCE_MS
from playwright.sync_api import Locator, expect
from playwright.sync_api import Page as Tab

MOST_STEPS = 90
"""Presses of Tab after which a thing is out of reach: no screen has that many."""
FOCUSED = """() => {
  const here = document.activeElement;
  if (!here || here === document.body) return null;
  const shown = here.classList.contains('hidden-input') ? here.closest('label') : here;
  const style = getComputedStyle(shown);
  const box = shown.getBoundingClientRect();
  const label = here.labels && here.labels[0];
  const over = label ? (label.querySelector('span') || label).textContent : here.textContent;
  const across = box.right > 0 && box.left < innerWidth;
  return {
    name: (here.getAttribute('aria-label') || over).trim(), tag: here.tagName,
    ring: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2,
    seen: box.width > 0 && box.height > 0 && box.bottom > 0 && box.top < innerHeight && across,
  };
}"""


def hand_over_files(tab: Tab) -> None:
    """Have the browser hand its windows for files over from now on. Asked for only when a key is pressed, it may hear so
    after the key: the window then opens for nobody."""
    tab.on("filechooser", lambda _: None)


class ByKeys:
    """A person without a mouse. Whatever has the focus must be seen, and bear a ring."""

    def __init__(self, tab: Tab) -> None:
        self.tab = tab
        hand_over_files(tab)

    def to(self, name: str, tag: str = "", *, key: str = "Tab") -> None:
        """Press Tab (or Shift+Tab) until a thing of this name has the focus; it may come late, as answers do."""
        expect(self._found(name, tag)).to_be_enabled()
        passed: list[str] = []
        for _ in range(MOST_STEPS):
            self.tab.keyboard.press(key)
            here = self.tab.evaluate(FOCUSED)
            if here is None:  # the end of the page: the browser's own keys come next, then its beginning
                continue
            assert here["ring"] and here["seen"], f"the focus is not seen: {here}"
            passed.append(here["name"])
            if here["name"].startswith(name) and here["tag"].startswith(tag):
                return
        raise AssertionError(f"Tab does not lead to {name!r}: {passed}")

    def _found(self, name: str, tag: str) -> Locator:
        if tag == "SUMMARY":
            return self.tab.locator("summary", has_text=name).first
        if tag in ("INPUT", "SELECT"):
            return self.tab.get_by_label(name).first
        return self.tab.get_by_role("link" if tag == "A" else "button", name=name).first

    def open(self, words: str) -> None:
        """Go to a screen: backwards, since the rail stands before what a screen shows."""
        self.to(words, "A", key="Shift+Tab")
        self.tab.keyboard.press("Enter")
        self.tab.locator(".rail a[aria-current]", has_text=words).wait_for()
        self.tab.locator("main h1").first.wait_for()

    def press(self, name: str) -> None:
        """Press a button."""
        self.to(name, "BUTTON")
        self.tab.keyboard.press("Enter")

    def unfold(self, name: str) -> None:
        """Open what is folded."""
        self.to(name, "SUMMARY")
        self.tab.keyboard.press("Enter")

    def type(self, name: str, words: str) -> None:
        """Type into a field, in the place of what stands there."""
        self.to(name, "INPUT")
        self.tab.keyboard.press("Control+a")
        self.tab.keyboard.type(words)

    def tick(self, name: str) -> None:
        """Tick a box."""
        self.to(name, "INPUT")
        self.tab.keyboard.press("Space")

    def choose(self, name: str, option: str) -> None:
        """Choose one of several things: by the first, then the arrow."""
        expect(self.tab.get_by_label(name).locator("option", has_text=option)).not_to_have_count(0)
        self.to(name, "SELECT")
        self.tab.keyboard.press("Home")
        chosen = "() => document.activeElement.selectedOptions[0].textContent"
        for _ in range(MOST_STEPS):
            if self.tab.evaluate(chosen) == option:
                return
            self.tab.keyboard.press("ArrowDown")
        raise AssertionError(f"{option!r} is not offered")

    def look_at(self, name: str, *, after: str) -> None:
        """Choose one of a long list, which is one stop of the Tab key: by the arrow, from the one before it."""
        self.to(after, "BUTTON")
        self.tab.keyboard.press("ArrowDown")
        here = self.tab.evaluate(FOCUSED)
        assert (here["name"], here["ring"], here["seen"]) == (name, True, True)
        self.tab.keyboard.press("Enter")

    def send(self, name: str, file: Path) -> None:
        """Choose a file in the browser's own window."""
        self.to(name, "INPUT")
        with self.tab.expect_file_chooser(timeout=PATIENCE_MS) as chooser:
            self.tab.keyboard.press("Enter")
        chooser.value.set_files(file)


class ByTouch:
    """A person with a finger: taps alone, but for the letters of a field."""

    def __init__(self, tab: Tab) -> None:
        self.tab = tab
        hand_over_files(tab)

    def open(self, words: str) -> None:
        """Go to a screen."""
        self.tab.locator(".rail a", has_text=words).tap()
        self.tab.locator(".rail a[aria-current]", has_text=words).wait_for()
        self.tab.locator("main h1").first.wait_for()

    def press(self, name: str) -> None:
        """Press a button."""
        self.tab.get_by_role("button", name=name, exact=True).tap()

    def unfold(self, name: str) -> None:
        """Open what is folded."""
        self.tab.locator("summary", has_text=name).tap()

    def type(self, name: str, words: str) -> None:
        """Type into a field, in the place of what stands there."""
        field = self.tab.get_by_label(name)
        field.tap()
        field.fill(words)
        field.blur()

    def tick(self, name: str) -> None:
        """Tick a box."""
        self.tab.locator("label.check", has_text=name).tap()

    def choose(self, name: str, option: str) -> None:
        """Choose one of several things: the list is the browser's own."""
        self.tab.get_by_label(name).select_option(label=option)

    def look_at(self, name: str, *, after: str) -> None:
        """Choose one of a long list."""
        assert self.tab.get_by_role("button", name=after, exact=True).is_visible()
        self.press(name)

    def send(self, name: str, file: Path) -> None:
        """Choose a file in the browser's own window."""
        with self.tab.expect_file_chooser(timeout=PATIENCE_MS) as chooser:
            self.tab.locator("label.button", has_text=name).tap()
        chooser.value.set_files(file)
