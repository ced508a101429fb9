"""Renew the pictures of the page in docs/img, from the demo in a real browser: each screen, both widths, both schemes.

python scripts/page_pictures.py
"""

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from page_files import demo_zip, write_bench  # noqa: E402
from page_in_browser import CHROMIUM, DESKTOP, PHONE, Served, serving, tab_of  # noqa: E402

from pastewright.page.screens import SCREENS  # noqa: E402

IMAGES = ROOT / "docs" / "img"
LONG_MS = 120_000
COLOURS = 128
"""Of a picture's palette: flat colours and letters need few, and the files stay small."""


def prepared(tab: Page, served: Served, packed: Path) -> None:
    """Drop the demo board and plan it."""
    tab.set_default_timeout(LONG_MS)
    tab.goto(f"{served.base}/#board")
    tab.get_by_label("Choose a zip or files").set_input_files(packed)
    tab.get_by_text("50.0 × 40.0 mm").wait_for()
    tab.goto(f"{served.base}/#plan")
    tab.get_by_role("button", name="Plan", exact=True).click()
    tab.get_by_text("read back and is verified").wait_for()


def shown(tab: Page, served: Served, screen: str) -> None:
    """Open a screen as a person would look at it."""
    tab.goto(f"{served.base}/#{screen}")
    tab.locator(f"screen-{screen} h1").first.wait_for()
    if screen == "board":
        tab.get_by_text("50.0 × 40.0 mm").wait_for()
    if screen == "plan":
        tab.get_by_text("read back and is verified").wait_for()
        tab.get_by_label("Find by part, net, reason, or dose in µL").fill("U1-1")
        tab.get_by_role("button", name="U1-1", exact=True).click()
    if screen == "bench":
        tab.get_by_label("Find a key").fill("tip")
    tab.mouse.move(0, 0)
    tab.wait_for_timeout(900)


def kept(picture: bytes, file: Path) -> None:
    """Write a picture with a palette: a third of its size, and no difference to see."""
    from io import BytesIO

    from PIL import Image

    Image.open(BytesIO(picture)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
        file, optimize=True
    )


def main() -> None:
    """Make all pictures."""
    with TemporaryDirectory() as name, sync_playwright() as play:
        folder = Path(name) / "greenhouse"
        folder.mkdir()
        write_bench(folder)
        packed = demo_zip(Path(name) / "files")
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        with serving(folder) as served:
            with tab_of(browser, served) as tab:
                prepared(tab, served, packed)
            for width, size in (("desktop", DESKTOP), ("phone", PHONE)):
                for scheme in ("light", "dark"):
                    with tab_of(browser, served, size=size, scheme=scheme) as tab:
                        tab.set_default_timeout(LONG_MS)
                        for screen in SCREENS:
                            shown(tab, served, screen.name)
                            kept(tab.screenshot(), IMAGES / f"page-{screen.name}-{width}-{scheme}.png")
        browser.close()


if __name__ == "__main__":
    main()
