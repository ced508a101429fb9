"""Renew the pictures of the page in docs/img, from the demo in a real browser: each screen, both widths, both schemes.

The demo board is planned, laid by a pretend machine, and inspected by a drawn photo with two faults; then a second board
is begun and paused half way, which is what the pictures of Run show.

python scripts/page_pictures.py
"""

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from time import time

from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from page_files import demo_zip, write_bench  # noqa: E402
from page_in_browser import CHROMIUM, DESKTOP, PHONE, Served, serving, tab_of  # noqa: E402
from pasted_photo import MISSING, pasted_png  # noqa: E402

from pastewright.cli.by_page import PageClient  # noqa: E402
from pastewright.link.barrels import BarrelEvent, enter, new_barrel  # noqa: E402
from pastewright.link.journal import Journal  # noqa: E402
from pastewright.page.listed import thing_id  # noqa: E402
from pastewright.page.screens import SCREENS  # noqa: E402
from pastewright.records.plan import read_plan  # noqa: E402
from pastewright.work.holder import HeldPort  # noqa: E402

IMAGES = ROOT / "docs" / "img"
LONG_MS = 120_000
PORT = "sim:reprap?scale=0.05"
HALF_WAY = 60
"""Deposits of the second board before it is paused."""
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


def laid(tab: Page, served: Served, client: PageClient, photo: Path) -> None:
    """Design a sheet, lay the board on a pretend machine, and look at a photo of it."""
    journal = Journal(served.folder / "runs.db")
    barrel = new_barrel(journal, "A7", paste="SAC305 T4", lot="2451", fill_ul=2500.0, note="", now_s=time())
    enter(journal, barrel, BarrelEvent.OPENED, now_s=time())
    journal.close()
    tab.goto(f"{served.base}/#tune")
    tab.get_by_role("button", name="Design a sheet").click()
    tab.get_by_role("heading", name="2 Lay").wait_for()
    client.post("/machine/do", {"what": "connect", "port": PORT})
    client.heard("machine", lambda told: told["connected"] and not told["busy"])
    client.post("/run/begin", {"program": program(served), "barrel": "A7"})
    client.heard("run", lambda told: told["phase"] == "finished")
    photo.write_bytes(pasted_png(read_plan(served.folder / "paste-plan-top" / "plan.json")))
    tab.goto(f"{served.base}/#inspect")
    tab.get_by_label("Which board").fill("1")
    tab.get_by_label("Which board").press("Tab")
    tab.get_by_label("Take or choose photos").set_input_files(photo)
    tab.get_by_text("What was seen").wait_for()
    client.post("/wheel", {"leave": True})


def paused_half_way(served: Served, client: PageClient) -> None:
    """Begin a second board, and pause it."""
    client.post("/run/begin", {"program": program(served), "barrel": "A7"})
    client.heard("run", lambda told: told["phase"] == "laying" and told["done"] > HALF_WAY)
    client.post("/run/wish", {"wish": "pause"})
    client.heard("run", lambda told: told["phase"] == "paused")


def program(served: Served) -> str:
    """The board's program, by the name that the page gives it."""
    return thing_id(next((served.folder / "paste-plan-top").glob("program.*")).resolve())


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
    if screen == "tune":
        tab.get_by_role("heading", name="2 Lay").wait_for()
    if screen == "inspect":
        tab.get_by_role("button", name=MISSING).click()
    if screen == "run":
        tab.get_by_text("paused").first.wait_for()
    if screen == "bench":
        tab.get_by_label("Find a key").fill("tip")
    tab.evaluate("scrollTo(0, 0)")
    tab.mouse.move(0, 0)
    tab.wait_for_timeout(900)


def kept(picture: bytes, file: Path) -> None:
    """Write a picture with a palette: a third of its size, and no difference to see."""
    from io import BytesIO

    from PIL import Image

    Image.open(BytesIO(picture)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
        file, optimize=True
    )


def photographed(browser: Browser, served: Served, screens: list[str]) -> None:
    """Make the pictures of some screens."""
    for width, size in (("desktop", DESKTOP), ("phone", PHONE)):
        for scheme in ("light", "dark"):
            with tab_of(browser, served, size=size, scheme=scheme) as tab:
                tab.set_default_timeout(LONG_MS)
                for screen in screens:
                    shown(tab, served, screen)
                    kept(tab.screenshot(), IMAGES / f"page-{screen}-{width}-{scheme}.png")


def main() -> None:
    """Make all pictures."""
    with TemporaryDirectory() as name, sync_playwright() as play:
        folder = Path(name) / "greenhouse"
        folder.mkdir()
        write_bench(folder)
        packed = demo_zip(Path(name) / "files")
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        with serving(folder, journal=folder / "runs.db") as served:
            client = PageClient(HeldPort(port="", address=served.opened.address, folder=folder, process=0))
            with tab_of(browser, served) as tab:
                prepared(tab, served, packed)
                laid(tab, served, client, Path(name) / "board.png")
            photographed(browser, served, [screen.name for screen in SCREENS if screen.name != "run"])
            paused_half_way(served, client)
            photographed(browser, served, ["run"])
            client.post("/stop", {})
        browser.close()


if __name__ == "__main__":
    main()
