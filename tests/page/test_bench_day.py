"""The machine, a run, a batch and the records in a real browser, on a pretend machine whose own books are looked at."""

import json
from shutil import copy
from time import monotonic, sleep

import pytest
from demo_plans import plan_of
from page_files import demo_zip
from page_in_browser import PHONE, connected, serving, tab_of, until
from playwright.sync_api import expect
from pretend_machine import Real

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.link.barrels import barrels
from pastewright.link.batch import batches, places
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.place.tray.document import read_placement
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile

CNC = "bench-ngc-rotary-a"


@pytest.fixture(scope="module")
def day(tmp_path_factory, day_folder):
    folder = day_folder(tmp_path_factory.mktemp("day"), DEMO)
    with serving(folder, journal=folder / "runs.db") as one:
        yield one


def machine_of(served) -> dict:
    return served.opened.context.live.last("machine")


def disconnect(tab, served):
    tab.goto(f"{served.base}/#machine")
    tab.get_by_role("button", name="Disconnect").click()
    tab.get_by_role("button", name="Connect", exact=True).wait_for()


@pytest.fixture
def bench_tab(browser, day):
    with tab_of(browser, day) as one:
        yield one
        # Whatever a failed test has left running is ended here, and does not take the next one with it.
        if machine_of(day)["busy"]:
            day.opened.context.stop("the test's end")
        until(lambda: not machine_of(day)["busy"])
        if machine_of(day)["connected"]:
            day.opened.context.room.begin("the test's end", day.opened.context.room.disconnect)
            until(lambda: not machine_of(day)["connected"])


def test_steps_by_buttons_and_keys_and_a_place_by_name(bench_tab, day):
    connected(bench_tab, day.base, "sim:reprap?scale=0")
    tab = bench_tab
    tab.get_by_role("button", name="10 mm").click()
    tab.get_by_role("button", name="Z plus").click()
    until(lambda: machine_of(day)["place"]["Z"] == 10.0)
    tab.keyboard.press("PageUp")
    until(lambda: machine_of(day)["place"]["Z"] == 20.0)
    tab.get_by_label("Place").fill("100,80")
    tab.get_by_role("button", name="Go there").click()
    until(lambda: machine_of(day)["place"]["X"] == 100.0 and not machine_of(day)["busy"])
    up_mm = machine_of(day)["place"]["Z"]
    # Beside the field of the jog keys the same keys scroll: nothing moves.
    tab.locator("h1").click()
    for key in ("ArrowLeft", "PageDown", "b"):
        tab.keyboard.press(key)
    keys = tab.get_by_role("group", name="By keys")
    keys.focus()
    tab.keyboard.press("ArrowLeft")
    until(lambda: machine_of(day)["place"]["X"] == 90.0)
    assert (machine_of(day)["place"]["Y"], machine_of(day)["place"]["Z"]) == (80.0, up_mm)
    assert machine_of(day)["plunger"] == 0.0


def test_a_held_key_moves_until_it_is_let_go_and_a_lost_window_ends_it(browser, bench_tab, day):
    with Real() as real:
        connected(bench_tab, day.base, real.server.url)
        tab = bench_tab
        if not machine_of(day)["known"]:
            tab.get_by_role("button", name="It stands where it says").click()
            tab.get_by_role("button", name="Yes").click()
            until(lambda: machine_of(day)["known"] and not machine_of(day)["busy"])
        tab.get_by_role("group", name="By keys").focus()
        tab.keyboard.down("PageUp")
        until(lambda: real.controller.state.axes_mm[2] > 0.5)
        tab.keyboard.up("PageUp")
        highest = machine_of(day)["reach"]["Z"][1]
        stood = at_rest(real)
        assert 0.5 < stood < highest - 1.0
        tab.keyboard.down("PageUp")
        until(lambda: real.controller.state.axes_mm[2] > stood + 0.3)
        tab.evaluate("window.stop(); location.replace('about:blank')")
        assert stood < at_rest(real) < highest - 1.0
        tab.goto(f"{day.base}/#machine")
        disconnect(tab, day)


def at_rest(real) -> float:
    """Where Z stands once it has not moved for a while: a key that is not let go would take it to the end of its way."""
    z_mm = real.controller.state.axes_mm[2]
    for _ in range(400):
        sleep(0.3)
        before, z_mm = z_mm, real.controller.state.axes_mm[2]
        if z_mm == before:
            return z_mm
    raise AssertionError("it never came to rest")


def ticked(tab):
    for box in tab.locator(".ask input[type=checkbox]").all():
        box.check()
    tab.get_by_role("button", name="All of it is so: go on").click()


def test_a_run_is_watched_by_two_windows_and_found_in_the_records(browser, bench_tab, day):
    connected(bench_tab, day.base, "sim:reprap?scale=0.002")
    tab = bench_tab
    tab.goto(f"{day.base}/#run")
    tab.get_by_label("Barrel").select_option("A7")
    with tab_of(browser, day, size=PHONE) as phone:
        phone.goto(f"{day.base}/#run")
        tab.get_by_role("button", name="Run one board").click()
        phone.get_by_text("✓ finished").wait_for()
    tab.get_by_text("✓ finished").wait_for()
    tab.goto(f"{day.base}/#records")
    expect(tab.locator("tbody tr").first).to_contain_text("finished")
    journal = Journal(day.folder / "runs.db")
    row = journal.runs()[0]
    assert row.phase == "finished"
    assert row.counts[DepositState.DONE] == len(plan_of(Side.BOTTOM).layout.deposits)
    (barrel,) = barrels(journal)
    assert barrel.used_ul == pytest.approx(row.used_ul)
    journal.close()


def test_stop_ends_a_run_within_a_tenth_of_a_second_and_the_rest_is_laid_after_a_click(
    browser, tmp_path_factory, day_folder
):
    folder = day_folder(tmp_path_factory.mktemp("cnc"), CNC)
    with (
        Real("cnc") as real,
        serving(folder, journal=folder / "runs.db") as day,
        tab_of(browser, day) as tab,
    ):
        connected(tab, day.base, real.server.url)
        if not machine_of(day)["known"]:
            tab.get_by_role("button", name="It stands where it says").click()
            tab.get_by_role("button", name="Yes").click()
            until(lambda: machine_of(day)["known"] and not machine_of(day)["busy"])
        tab.goto(f"{day.base}/#run")
        tab.get_by_label("Barrel").select_option("A7")
        real.server.keep_wire = True
        tab.get_by_role("button", name="Run one board").click()
        tab.get_by_role("button", name="All of it is so: go on").wait_for()
        ticked(tab)
        until(lambda: (day.opened.context.live.last("run") or {}).get("phase") == "preparing")
        until(lambda: len(real.controller.executed) > 8)
        tab.get_by_role("button", name="Stop").wait_for()
        real.server.wire.clear()
        pressed_s = monotonic()
        tab.keyboard.press("Escape")
        until(lambda: any(b"!" in data for _, data in real.server.wire))
        reached_s = next(at for at, data in real.server.wire if b"!" in data) - pressed_s
        print(f"stop reached the controller after {1000 * reached_s:.0f} ms")
        tab.get_by_text("■ stopped").wait_for()
        journal = Journal(folder / "runs.db")
        row = journal.runs()[0]
        journal.close()
        assert row.phase == "stopped" and "the page" in row.why
        notes = machine_of(day)["notes"]  # they send nobody to a terminal
        assert any("not started" in note for note in notes)
        assert not any("pastewright resume" in note or str(folder) in note for note in notes)
        assert real.controller.state.axes_mm[2] >= plan_of(Side.BOTTOM, CNC).profile.travel_z_mm - 1e-6
        for _ in range(row.counts[DepositState.TO_BE_CHECKED]):
            tab.get_by_role("button", name="Lay it").first.click()
        tab.get_by_role("button", name="Go on with it").click()
        tab.get_by_role("button", name="All of it is so: go on").wait_for()
        ticked(tab)
        until(lambda: (day.opened.context.live.last("run") or {}).get("phase") in ("preparing", "laying"))
        journal = Journal(folder / "runs.db")
        assert journal.runs()[0].board == row.board
        journal.close()
        tab.keyboard.press("Escape")
        tab.get_by_text("■ stopped").wait_for()


def test_a_batch_takes_one_key_a_board_and_outlives_its_window(browser, bench_tab, day):
    connected(bench_tab, day.base, "sim:reprap?scale=0.001")
    tab = bench_tab
    tab.goto(f"{day.base}/#run")
    tab.get_by_label("Barrel").select_option("A7")
    tab.get_by_label("Boards").fill("3")
    tab.get_by_role("button", name="Begin the batch").click()
    tab.get_by_text("Board 1 of 3").wait_for()
    tab.get_by_role("button", name="Lay it", exact=True).wait_for()  # a key before the question would be lost
    tab.locator("h1").click()
    tab.keyboard.press("Enter")
    tab.get_by_text("Board 2 of 3").wait_for()
    tab.goto("about:blank")  # the window is closed; another one goes on
    with tab_of(browser, day) as other:
        other.goto(f"{day.base}/#run")
        other.get_by_text("Board 2 of 3").wait_for()
        other.get_by_role("button", name="Take the wheel").click()
        other.get_by_role("button", name="Lay it", exact=True).click()
        other.get_by_text("Board 3 of 3").wait_for()
        other.get_by_role("button", name="Skip it").click()
        other.get_by_role("button", name="End the batch").click()
        until(lambda: not machine_of(day)["busy"])
        other.get_by_role("button", name="This window steers").click()
    journal = Journal(day.folder / "runs.db")
    (row,) = batches(journal)
    assert row.ended_at is not None
    assert [(one.serial, str(one.state)) for one in places(journal, row.id)] == [
        ("GH-001", "laid"),
        ("GH-002", "laid"),
        ("GH-003", "skipped"),
    ]
    journal.close()
    status, _, body = day.ask("GET", "/records/export/json")
    assert status == 200 and [each["serial"] for each in json.loads(body)] == ["GH-001", "GH-002", "GH-003"]


def test_another_window_may_stop_and_not_steer(browser, bench_tab, day):
    connected(bench_tab, day.base, "sim:reprap?scale=0")
    with tab_of(browser, day) as other:
        other.goto(f"{day.base}/#machine")
        other.get_by_role("button", name="Z plus").click()
        other.get_by_text("another window steers").first.wait_for()
        assert machine_of(day)["place"]["Z"] == 0.0


def test_fiducials_are_found_one_by_one_and_plans_go_by_them(bench_tab, day, tmp_path):
    copy(demo_zip(tmp_path), day.folder / "greenhouse-logger.zip")
    connected(bench_tab, day.base, "sim:reprap?scale=0")
    tab = bench_tab
    day.opened.context.show_desk()
    tab.get_by_role("button", name="Find its fiducials with the tip").click()
    board = read_board(day.folder / "greenhouse-logger.zip", Ask(side=Side.TOP))
    for number in range(1, len(board.fiducials) + 1):
        tab.get_by_text(f"Bring the tip onto the middle of F{number}.").wait_for()
        tab.get_by_role("button", name="Here", exact=True).click()
    tab.get_by_text("its plan goes by this place now").wait_for()
    until(lambda: not machine_of(day)["busy"])
    placement = read_placement(day.folder / "placement.json").placements.boards[0]
    # Each was confirmed where the machine expected it: where the bench has the board's corner.
    bed = parse_profile(example_text(DEMO), DEMO).bed
    assert placement.affine.point((0.0, 0.0)) == pytest.approx((bed.board_x_mm, bed.board_y_mm), abs=0.01)
    assert day.opened.context.desk.placed
    assert day.opened.context.live.last("desk")["placement"]
    for camera, words in ((99, "there is no camera 99"), (9, "gives no picture")):
        status, _, body = day.ask("GET", f"/machine/camera/{camera}.jpg")
        assert (status, words in body.decode()) == (422, True)
