"""The tune screen, from an empty folder to a bench that has learned: the photo is rendered from a bench that differs."""

import tomllib

import numpy as np
import pytest
from page_files import write_bench
from page_in_browser import serving, tab_of
from PIL import Image
from playwright.sync_api import expect
from tuning_trials import demo_bench, photo_of
from virtual_bench import lay, wrong_truth

from pastewright.tune.record.dots_csv import read_dots_csv
from pastewright.tune.record.measurements import DotState
from pastewright.tune.sheet.design import designed

LONG_MS = 400_000


@pytest.mark.campaign
def test_a_sheet_is_designed_photographed_and_learned_from(browser, tmp_path_factory, tmp_path):
    folder = tmp_path_factory.mktemp("tune")
    write_bench(folder)
    with serving(folder) as served, tab_of(browser, served) as tab:
        tab.set_default_timeout(LONG_MS)
        tab.goto(f"{served.base}/#tune")
        tab.get_by_role("button", name="Design a sheet").click()
        tab.get_by_text("3 Photograph").wait_for()
        profile = demo_bench()
        made = designed(profile, name="first", seed=1)
        truth = wrong_truth(profile, np.random.default_rng(31))
        laid = lay(made.motions, truth, np.random.default_rng(4))
        Image.fromarray(photo_of(made.sheet, laid, truth, 31).pixels).save(tmp_path / "photo.jpg", quality=90)
        tab.get_by_label("Take or choose photos").set_input_files(tmp_path / "photo.jpg")
        tab.get_by_text("4 Measured").wait_for()
        before = read_dots_csv(folder / "tuning-sheet" / "dots.csv")
        assert len(before.measured) > 0.9 * len(made.sheet.dots)
        # A dot in the middle is dragged out of the count.
        dot = next(
            d for d, r in zip(made.sheet.dots, before.readings, strict=True) if r.state is DotState.MEASURED
        )
        place = tab.locator("board-view").evaluate(
            "(v, [x, y]) => [(x * 1000 - v.x) * v.scale + v.width / 2, v.height / 2 - (y * 1000 - v.y) * v.scale]",
            [dot.x_mm, dot.y_mm],
        )
        tab.locator("board-view canvas").click(position={"x": place[0], "y": place[1]})
        expect(tab.get_by_text(f"Dot {dot.index},")).to_be_visible()
        tab.get_by_role("button", name="Leave it out").click()
        expect(
            tab.get_by_text(f"{len(before.measured) - 1} of {len(made.sheet.dots)} dots measured")
        ).to_be_visible()
        tab.get_by_role("button", name="Fit the constants").click()
        tab.get_by_text("Two thirds of the dots").wait_for()
        tab.get_by_role("button", name="Accept into the bench").click()
        expect(tab.get_by_text("Accepted into the bench")).to_be_visible()
        tab.goto(f"{served.base}/#bench")
        expect(tab.get_by_text("What tuning taught")).to_be_visible()
    bench = tomllib.loads((folder / "bench.toml").read_text("utf-8"))
    assert bench["tuning"]["history"][0]["sheet"] == "first"


def test_a_photo_that_is_none_is_told(browser, tmp_path_factory):
    folder = tmp_path_factory.mktemp("no-photo")
    with serving(folder) as served:
        own = {"Origin": served.base}
        for name in ("photo.exe", "photo", "../x.svg", "photo.jpg.html"):
            path = f"/tune/photo?drop=0123456789abcdef&name={name}"
            assert served.ask("POST", path, headers=own, body=b"x")[0] == 422
        assert not list(folder.iterdir())
