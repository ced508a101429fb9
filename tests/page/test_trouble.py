"""What goes wrong in the middle of a run, as a window shows it, and what a board's place is not found from."""

import sqlite3
from functools import partial
from shutil import copy

import pytest
from demo_plans import plan_of
from page_files import demo_zip
from page_in_browser import PHONE, connected, serving, tab_of, until

import pastewright.page.machine as machine_routes
from pastewright.board.model import Side
from pastewright.link.actions import Done
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.problems import one_error
from pastewright.profile.examples import DEMO, example_text

SIM = "sim:reprap?scale=0.002"


@pytest.fixture(scope="module")
def day(tmp_path_factory, day_folder):
    folder = day_folder(tmp_path_factory.mktemp("trouble"), DEMO)
    copy(demo_zip(tmp_path_factory.mktemp("files")), folder / "greenhouse-logger.zip")
    with serving(folder, journal=folder / "runs.db") as one:
        yield one


@pytest.fixture
def fresh(browser, day):
    """A tab of a server whose port is closed again afterwards."""
    with tab_of(browser, day) as tab:
        yield tab
    context = day.opened.context
    until(lambda: not told(day)["busy"])
    if told(day)["connected"]:
        context.room.begin("the test's end", context.room.disconnect)
        until(lambda: not told(day)["connected"])


def told(day) -> dict:
    return day.opened.context.live.last("machine")


def has_moved(day, stood) -> bool:
    return told(day)["place"]["X"] != stood


def test_a_full_disk_ends_a_run_with_the_tip_up_and_nothing_is_forgotten(fresh, day, monkeypatch):
    enter = Journal.enter
    laid: list[Done] = []

    def filling(self, run, actions, *, now_s):
        laid.extend(one for one in actions if isinstance(one, Done))
        if len(laid) > 5:
            raise sqlite3.OperationalError("database or disk is full")
        enter(self, run, actions, now_s=now_s)

    monkeypatch.setattr(Journal, "enter", filling)
    connected(fresh, day.base, SIM)
    fresh.goto(f"{day.base}/#run")
    fresh.get_by_label("Barrel").select_option("A7")
    fresh.get_by_role("button", name="Run one board").click()
    fresh.get_by_text("the journal cannot be written: database or disk is full").first.wait_for()
    until(lambda: not told(day)["busy"])
    fresh.get_by_text("■ stopped").wait_for()
    # Where the tip is now is asked anew: steps and ways begin there, and not where the run began.
    height_mm = plan_of(Side.BOTTOM).profile.travel_z_mm
    assert told(day)["place"]["Z"] == pytest.approx(height_mm)
    assert told(day)["place"]["X"] > 50
    monkeypatch.undo()
    journal = Journal(day.folder / "runs.db")
    counts = journal.counts(journal.runs()[0].board)
    journal.close()
    # The last of the disk took five: what came after is in doubt, and the rest was not begun.
    assert counts[DepositState.DONE] <= 5
    fresh.goto(f"{day.base}/#machine")
    fresh.goto(f"{day.base}/#run")
    fresh.get_by_text("In doubt on run").or_(fresh.get_by_text("was not finished")).first.wait_for()
    journal = Journal(day.folder / "runs.db")
    row = journal.runs()[0]
    counts = journal.counts(row.board)
    journal.close()
    total = plan_of(Side.BOTTOM).record.totals.deposits
    assert counts[DepositState.DONE] + counts[DepositState.TO_BE_CHECKED] >= 6
    assert sum(counts.values()) == total


def test_a_picture_that_does_not_come_is_told_and_finds_nothing(fresh, day, monkeypatch):
    def blind(_number, *, settle_frames):
        assert settle_frames >= 0
        raise one_error("camera 0 gives no picture", "Close what else uses it.")

    monkeypatch.setattr(machine_routes, "camera_frame", blind)
    connected(fresh, day.base, "sim:reprap?scale=0")
    fresh.get_by_role("button", name="… with the camera").click()
    fresh.get_by_text("Bring the camera's cross-hair onto the middle of F1.").wait_for()
    status, _, body = day.ask("GET", "/machine/camera/0.jpg")
    assert (status, "gives no picture" in body.decode()) == (422, True)
    fresh.get_by_role("button", name="Leave", exact=False).first.click()
    until(lambda: not told(day)["busy"])
    fresh.get_by_text("left without confirming").first.wait_for()
    assert not (day.folder / "placement.json").exists()


def test_marks_that_do_not_fit_the_board_are_refused(fresh, day):
    connected(fresh, day.base, "sim:reprap?scale=0")
    fresh.get_by_role("button", name="Find its fiducials with the tip").click()
    marks = len(plan_of(Side.TOP).record.board.fiducials)
    for number in range(1, marks + 1):
        fresh.get_by_text(f"Bring the tip onto the middle of F{number}.").wait_for()
        if number == 2:  # a via, 1 mm beside the mark
            stood = told(day)["place"]["X"]
            fresh.evaluate(
                """async () => {
                  const server = await import('/front/server.js');
                  await server.post('/machine/step', { axis: 'X', by: 1 });
                }"""
            )
            until(partial(has_moved, day, stood))
        fresh.get_by_role("button", name="Here", exact=True).click()
    until(lambda: not told(day)["busy"])
    fresh.get_by_text("mm off").or_(fresh.get_by_text("limit")).first.wait_for()
    assert not (day.folder / "placement.json").exists()


def test_a_contact_that_never_answers_leaves_the_height_as_it_was(fresh, day):
    connected(fresh, day.base, "sim:reprap?scale=0&ground=-50")
    fresh.get_by_role("button", name="Feel its height").click()
    fresh.get_by_text("does the contact answer when you touch it").wait_for()
    fresh.get_by_role("button", name="Yes", exact=True).click()
    fresh.get_by_text("was not touched down to").first.wait_for()
    fresh.get_by_text("The tip was lifted.").first.wait_for()
    until(lambda: not told(day)["busy"])
    assert not (day.folder / "placement.json").exists()
    bed = plan_of(Side.BOTTOM).profile
    assert told(day)["place"]["Z"] >= bed.travel_z_mm - 1e-6
    assert (day.folder / "bench.toml").read_text("utf-8") == example_text(DEMO)


def test_a_thumb_stops_a_run(browser, fresh, day):
    connected(fresh, day.base, "sim:reprap?scale=0.3")
    fresh.goto(f"{day.base}/#run")
    fresh.get_by_role("button", name="Run one board").click()
    with tab_of(browser, day, size=PHONE) as phone:
        phone.goto(f"{day.base}/#run")
        stop = phone.get_by_role("button", name="Stop")
        stop.wait_for()
        box = stop.bounding_box()
        assert box is not None
        assert box["x"] >= 0 and box["x"] + box["width"] <= PHONE["width"]
        assert box["y"] >= 0 and box["y"] + box["height"] <= PHONE["height"]  # without scrolling
        assert min(box["width"], box["height"]) >= 44  # WCAG 2.2, 2.5.5: what a finger meets [CSS px]
        # Stopped before anything was sent, nothing moves, the tip neither.
        until(lambda: (day.opened.context.live.last("run") or {}).get("phase") in ("preparing", "laying"))
        stop.tap()
        phone.get_by_text("■ stopped").wait_for()
    until(lambda: not told(day)["busy"])
    journal = Journal(day.folder / "runs.db")
    row = journal.runs()[0]
    journal.close()
    assert row.phase == "stopped" and "the page" in row.why
    assert told(day)["place"]["Z"] >= plan_of(Side.BOTTOM).profile.travel_z_mm - 1e-6
