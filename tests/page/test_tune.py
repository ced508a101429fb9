"""The tune screen, from an empty folder to a bench that has learned: the photo is rendered from a bench that differs."""

import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from held_works import HeldWorks
from page_files import write_bench
from page_in_browser import serving, tab_of
from PIL import Image
from playwright.sync_api import expect
from rendered_photos import make_sheet
from tuning_trials import demo_bench, photo_of
from virtual_bench import lay, wrong_truth

from pastewright.page.context import PageContext
from pastewright.page.desk import WorkFolder
from pastewright.page.listed import thing_id
from pastewright.page.live import Live
from pastewright.page.steering import Steering
from pastewright.page.tune import TuneRoom
from pastewright.page.tune_work import fit_of
from pastewright.problems import InputError
from pastewright.scripting import write_sheet
from pastewright.tune.record.dots_csv import dots_csv, read_dots_csv
from pastewright.tune.record.measurements import DotReading, DotState, Measurements
from pastewright.tune.sheet.design import designed
from pastewright.work.tuning import FitAsked

LONG_MS = 400_000
PLAN = Path(__file__).parents[1] / "data" / "inspection" / "leaf-plan.json"


@pytest.mark.campaign
def test_a_sheet_is_designed_photographed_and_learned_from(browser, tmp_path_factory, tmp_path):
    folder = tmp_path_factory.mktemp("tune")
    write_bench(folder)
    with serving(folder) as served, tab_of(browser, served) as tab:
        tab.set_default_timeout(LONG_MS)
        tab.goto(f"{served.base}/#tune")
        tab.get_by_role("button", name="Design a sheet").click()
        tab.get_by_text("3 Photograph").wait_for()
        expect(tab.get_by_text("first, block to weigh")).to_be_visible()
        assert (folder / "tuning-sheet" / "weigh.gcode").is_file()
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


def read_sheet_into(folder, **changed):
    """A sheet whose dots were all measured, in a folder of its own."""
    sheet = replace(make_sheet(), **changed)
    folder.mkdir()
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
    (folder / "dots.csv").write_text(
        dots_csv(sheet, Measurements(sheet=sheet.name, readings=read, photos=()))
    )
    return sheet


@pytest.fixture
def room(tmp_path):
    """The room of a folder with a bench and one sheet that was read."""
    write_bench(tmp_path)
    read_sheet_into(tmp_path / "tuning-sheet")
    live = Live()
    desk = WorkFolder(tmp_path)
    context = PageContext(desk=desk, live=live, works=HeldWorks(live), steering=Steering(lambda _: None))
    desk.changed = context.show_desk
    return TuneRoom(context), context


def test_a_further_sheet_leaves_the_one_that_was_laid_and_is_offered_at_once(room, tmp_path):
    tuning, context = room
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    tuning.design("second", "")
    _, folder, name, seed, for_plan = context.works.given
    assert (folder, name, seed, for_plan) == (tmp_path / "tuning-sheet-2", "second", 2, None)
    read_sheet_into(folder, name="second")  # what the worker does
    context.works.then(b"{}")
    told = context.live.last("desk")
    assert [each["name"] for each in told["sheets"]] == ["tuning-sheet", "tuning-sheet-2"]
    assert told["sheet"] == thing_id(folder)
    assert (
        before.items() <= {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}.items()
    )
    tuning.choose(thing_id(tmp_path / "tuning-sheet"))
    assert tuning.folder == tmp_path / "tuning-sheet"
    with pytest.raises(InputError, match="another sheet is worked on"):
        tuning.without(thing_id(folder), 3)


def test_a_sheet_is_made_for_a_board_that_is_planned(room, tmp_path):
    tuning, context = room
    (tmp_path / "top").mkdir()
    shutil.copy(PLAN, tmp_path / "top" / "plan.json")
    (plan,) = context.desk.plans()
    tuning.design("for the board", plan.id)
    *_, for_plan = context.works.given
    assert for_plan == tmp_path / "top" / "plan.json"
    with pytest.raises(InputError):
        tuning.design("for another", "../elsewhere")


def test_what_is_known_of_the_sheets_goes_into_their_fit(room, tmp_path):
    tuning, context = room
    read_sheet_into(tmp_path / "tuning-sheet-2", name="second")
    tuning.choose(thing_id(tmp_path / "tuning-sheet"))
    other = thing_id(tmp_path / "tuning-sheet-2")
    tuning.begin_fit({"others": [other], "block_mg": 812.5, "stiffness_n_mm": 140, "lot": "2451"})
    _, folders, asked = context.works.given
    assert [folder.name for folder in folders] == ["tuning-sheet", "tuning-sheet-2"]
    assert (asked.block_mg, asked.stiffness_n_mm, asked.lot, asked.temperature_c) == (
        812.5,
        140.0,
        "2451",
        None,
    )
    for wrong in ({"others": ["../x"]}, {"block_mg": 0}, {"stiffness_n_mm": 1e9}, {"temperature_c": "warm"}):
        with pytest.raises(InputError):
            tuning.begin_fit(wrong)


def test_a_fit_of_what_was_changed_since_cannot_be_accepted(room, tmp_path):
    tuning, context = room
    bench = (tmp_path / "bench.toml").read_bytes()
    for waiting in (True, False):
        tuning.begin_fit({})
        if waiting:
            context.works.then(b"{}")
        tuning.without(thing_id(tuning.folder), 3 if waiting else 4)
        if not waiting:
            context.works.then(b"{}")  # it was under way
        with pytest.raises(InputError, match="nothing was fitted"):
            tuning.accept()
    assert (tmp_path / "bench.toml").read_bytes() == bench


def test_a_sheet_of_another_tip_is_not_fitted_into_this_bench(tmp_path):
    bench, folder = write_bench(tmp_path), tmp_path / "tuning-sheet"
    read_sheet_into(folder, process={"tip_key": "bore 0.84 mm"})
    with pytest.raises(InputError, match=r"laid with another tip \(bore 0.84 mm\)"):
        fit_of(bench, [folder], FitAsked(dated="2026-01-02"), lambda *_: None)


def test_a_wrong_dot_is_dragged_away(browser, tmp_path):
    folder = tmp_path / "tuning-sheet"
    write_bench(tmp_path)
    sheet, table = read_sheet_into(folder), folder / "dots.csv"
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
