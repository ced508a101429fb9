"""The tune screen, from an empty folder to a bench that has learned: the photo is rendered from a bench that differs."""

import tomllib

import numpy as np
import pytest
from page_files import write_bench
from page_in_browser import serving, tab_of
from PIL import Image
from playwright.sync_api import expect
from rendered_photos import make_sheet
from tuning_trials import demo_bench, photo_of
from virtual_bench import lay, wrong_truth

from pastewright.scripting import write_sheet
from pastewright.tune.record.dots_csv import dots_csv, read_dots_csv
from pastewright.tune.record.measurements import DotReading, DotState, Measurements
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


def test_a_wrong_dot_is_dragged_away(browser, tmp_path):
    sheet = make_sheet()
    folder = tmp_path / "tuning-sheet"
    folder.mkdir()
    write_bench(tmp_path)
    write_sheet(sheet, folder / "sheet.json")
    read = tuple(
        DotReading(
            index=dot.index,
            state=DotState.MEASURED,
            x_mm=dot.x_mm,
            y_mm=dot.y_mm,
            area_mm2=0.5,
            diameter_mm=0.8,
            sigma_mm=0.01,
            aspect=1.0,
            photos=1,
        )
        for dot in sheet.dots
    )
    table = folder / "dots.csv"
    table.write_text(dots_csv(sheet, Measurements(sheet=sheet.name, readings=read, photos=())))
    with serving(tmp_path) as served, tab_of(browser, served) as tab:
        tab.goto(f"{served.base}/#tune")
        tab.get_by_text(f"{len(sheet.dots)} of {len(sheet.dots)} dots measured").wait_for()
        wrong = sheet.dots[40]  # in the midst: it can be dragged away to any side
        box = tab.locator("board-view canvas").bounding_box()
        assert box is not None
        x, y = tab.locator("board-view").evaluate(
            "(v, [x, y]) => [(x * 1000 - v.x) * v.scale + v.width / 2, v.height / 2 - (y * 1000 - v.y) * v.scale]",
            [wrong.x_mm, wrong.y_mm],
        )
        for far, left in ((4, len(sheet.dots)), (120, len(sheet.dots) - 1)):
            tab.mouse.move(box["x"] + x, box["y"] + y)
            tab.mouse.down()
            tab.mouse.move(box["x"] + x, box["y"] + y + far, steps=3)
            tab.mouse.up()
            expect(tab.get_by_text(f"{left} of {len(sheet.dots)} dots measured")).to_be_visible()
        (out,) = (one for one in read_dots_csv(table).readings if one.state is not DotState.MEASURED)
        assert (out.index, out.why) == (wrong.index, "left out by hand")
        # The same by keys: the dot's number, then its button.
        other = sheet.dots[5]
        tab.get_by_label("Find a dot by its number").fill(str(other.index))
        tab.get_by_label("Find a dot by its number").press("Tab")
        tab.get_by_role("button", name="Leave it out").press("Enter")
        expect(tab.get_by_text(f"{len(sheet.dots) - 2} of {len(sheet.dots)} dots measured")).to_be_visible()


def test_a_photo_that_is_none_is_told(browser, tmp_path_factory):
    folder = tmp_path_factory.mktemp("no-photo")
    with serving(folder) as served:
        own = {"Origin": served.base}
        for name in ("photo.exe", "photo", "../x.svg", "photo.jpg.html"):
            path = f"/tune/photo?drop=0123456789abcdef&name={name}"
            assert served.ask("POST", path, headers=own, body=b"x")[0] == 422
        assert not list(folder.iterdir())
