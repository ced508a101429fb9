"""The page with a plan of some 20 000 deposits: how soon the first picture is there, and how smoothly it moves.

Measured in the browser: from the moment the plan's data have arrived to the first whole picture, and frames a second
while it is moved about by drags, over the whole board and near.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "helpers"))

from aims import Aims
from boards import write_field
from page_in_browser import CHROMIUM, serving, tab_of
from playwright.sync_api import sync_playwright

from pastewright.profile.edit import with_values
from pastewright.profile.examples import example_text
from pastewright.profile.keys import Value

DEPOSITS = 20_000
PADS_PER_DEPOSIT = 10 / 7
AIM_FIRST_S = 1.0
AIM_FRAMES = 50.0
BENCH = "bench-reprap-e"
PAN_MS = 3000

# Frames between the first and the last of a pan that goes round; the longest gap is told too.
PAN = """async (view, ms) => {
  const times = [];
  const begun = performance.now();
  await new Promise((done) => {
    const step = (at) => {
      times.push(at);
      const turn = (at - begun) / 700;
      view.pan(14 * Math.cos(turn), 9 * Math.sin(turn));
      if (at - begun < ms) requestAnimationFrame(step);
      else done();
    };
    requestAnimationFrame(step);
  });
  const gaps = times.slice(1).map((t, n) => t - times[n]);
  return { frames: (1000 * gaps.length) / (times.at(-1) - times[0]), longest: Math.max(...gaps) };
}"""

FIRST = """async (screen) => {
  const plan = await (await fetch("/plan/view")).json();
  const view = screen.view;
  const begun = performance.now();
  screen.plan = plan;
  screen.draw();
  await new Promise((done) => {
    const wait = () => (view.done ? done() : requestAnimationFrame(wait));
    requestAnimationFrame(() => requestAnimationFrame(wait));
  });
  return { ms: performance.now() - begun, deposits: plan.deposits.id.length };
}"""


def measured(folder: Path, aims: Aims) -> None:
    """Plan the board, open it, and print what was measured."""
    # The bed and barrel of a made-up big machine: this measures the browser, not the gantry.
    big: dict[str, Value | None] = {
        "machine.x_max_mm": 5000.0,
        "machine.y_max_mm": 5000.0,
        "barrel.size": "5 mL",
        "barrel.fill_ml": 5.0,
        "plunger.stroke_mm": 60.0,
    }
    (folder / "bench.toml").write_text(with_values(example_text(BENCH), big), encoding="utf-8")
    (folder / "field").mkdir()
    write_field(folder / "field", round(DEPOSITS * PADS_PER_DEPOSIT))
    with sync_playwright() as play, serving(folder) as served:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        with tab_of(browser, served) as tab:
            tab.set_default_timeout(600_000)
            tab.goto(f"{served.base}/#plan")
            begun = time.perf_counter()
            tab.get_by_role("button", name="Plan", exact=True).click()
            tab.locator(".pads tbody tr, .message.wrong").first.wait_for()
            if tab.locator(".message.wrong").count():
                raise RuntimeError(tab.locator(".message.wrong").inner_text())
            print(f"planned and shown after {time.perf_counter() - begun:.1f} s")
            first = tab.locator("screen-plan").evaluate(FIRST)
            print(
                f"{first['deposits']} deposits: first picture {first['ms']:.0f} ms after the data are there"
            )
            aims.under("first picture", first["ms"] / 1000, AIM_FIRST_S, "s")
            view = tab.locator("board-view")
            for words, near in (("all of it", 1), ("four times as near", 4), ("twenty times as near", 20)):
                view.evaluate("(v, near) => { v.fit(); v.zoom(near); }", near)
                tab.wait_for_timeout(1500)
                pan = view.evaluate(PAN, PAN_MS)
                print(f"{words}: {pan['frames']:.1f} frames a second, longest gap {pan['longest']:.0f} ms")
                aims.over(f"frames, {words}", pan["frames"], AIM_FRAMES, "frames a second")
        browser.close()


if __name__ == "__main__":
    goals = Aims()
    with tempfile.TemporaryDirectory() as name:
        measured(Path(name), goals)
    goals.tell()
