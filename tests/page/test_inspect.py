"""Photos of a pasted board in a real browser: what was seen, wiped, touched up; capability, rows and notes."""

import json
import shutil
from pathlib import Path
from time import time

import cv2
import pytest
from demo_plans import plan_of
from drawn_boards import board_photo
from page_in_browser import PHONE, serving, tab_of
from pasted_photo import JOINED, MIDDLE_MM, MISSING, pasted_png
from playwright.sync_api import expect

import pastewright as pw
from pastewright.board.model import Side
from pastewright.link.barrels import BarrelEvent, barrels, enter, new_barrel
from pastewright.link.job import read_job
from pastewright.link.journal import Journal
from pastewright.place.surface import flat
from pastewright.place.transform import Placement, Placements, PlaceStep, affine
from pastewright.place.tray.document import PlacementFile, placement_record
from pastewright.profile.examples import DEMO, example_text
from pastewright.records.inspection import read_inspection
from pastewright.records.kinds import DepositVerdict, ProgramKind
from pastewright.records.plan import read_plan
from pastewright.records.reading import record_text


@pytest.fixture(scope="module")
def looked(browser, tmp_path_factory):
    """A server of a planned folder, once a browser has given it a photo."""
    folder = tmp_path_factory.mktemp("looked")
    (folder / "bench.toml").write_text(example_text(DEMO), encoding="utf-8")
    plan = plan_of(Side.TOP)
    pw.write_plan(plan, folder / "top")
    journal = Journal(folder / "runs.db")
    barrel = new_barrel(journal, "A7", paste="p", lot="L", fill_ul=2500.0, note="", now_s=time())
    enter(journal, barrel, BarrelEvent.OPENED, now_s=time())
    program = next(folder.glob("top/program.*")).read_text("utf-8")
    job = read_job(program, plan.record, file="program", plan_file="plan.json")
    journal.begin_board(job, name="program", text=program, plan=plan.record, number=1, now_s=time())
    journal.close()
    photo = folder.parent / "pasted.png"
    photo.write_bytes(pasted_png(plan.record))
    with serving(folder, journal=folder / "runs.db") as one:
        with tab_of(browser, one) as tab:
            tab.goto(f"{one.base}/#inspect")
            tab.get_by_label("Take or choose photos").set_input_files(photo)
            tab.get_by_text("What was seen").wait_for()
        yield one


@pytest.fixture
def tab(browser, looked):
    with tab_of(browser, looked) as one:
        one.goto(f"{looked.base}/#inspect")
        one.get_by_text("What was seen").wait_for()
        yield one


def inspection(looked):
    return read_inspection(looked.folder / "top" / "inspection" / "inspection.json")


def test_findings_stand_beside_the_plan_the_worst_first(tab, looked):
    verdicts = {one.pad: one.verdict for one in inspection(looked).deposits}
    assert verdicts[MISSING] is DepositVerdict.MISSING
    assert verdicts[JOINED[0]] is DepositVerdict.BRIDGED
    rows = tab.locator(".findings li")
    expect(rows.first).to_contain_text("bridged")
    missing = rows.filter(has_text=MISSING)
    expect(missing).to_contain_text("missing")
    for picture in missing.locator("img").all():
        picture.scroll_into_view_if_needed()
        tab.wait_for_function("(one) => one.complete && one.naturalWidth > 100", arg=picture.element_handle())
    assert missing.locator("img").count() == 2
    missing.get_by_role("button").click()
    expect(missing).to_have_class("chosen")
    unseen = sum(one.verdict is DepositVerdict.NOT_SEEN for one in inspection(looked).deposits)
    expect(tab.get_by_role("button", name=f"{unseen} not seen")).to_be_visible()


def test_what_is_wiped_is_ticked_for_all_windows_and_the_touch_up_can_be_sent(browser, tab, looked):
    with tab_of(browser, looked, size=PHONE) as other:
        other.goto(f"{looked.base}/#inspect")
        tab.get_by_role("button", name="Plan a touch-up").click()
        tab.get_by_text("1 deposit on 1 pad").wait_for()
        tab.locator("label.check", has_text="R2").get_by_role("checkbox").check()
        expect(other.locator("label.check", has_text="R2").get_by_role("checkbox")).to_be_checked()
    tab.get_by_role("button", name="Plan a touch-up").click()
    tab.get_by_text("3 deposits on 3 pads").wait_for()
    tab.get_by_text("verified read back").wait_for()
    made = read_plan(looked.folder / "top" / "inspection" / "touch-up" / "plan.json")
    assert made.kind is ProgramKind.TOUCH_UP
    laid = {pad.id for pad in made.pads if pad.deposits}
    assert laid == {MISSING, *JOINED}
    tab.get_by_role("link", name="Send it, under Run").click()
    offered = tab.get_by_label("What to send").locator("option")
    expect(offered.filter(has_text="top/inspection/touch-up: touch-up")).to_have_count(1)
    expect(offered.filter(has_text="top: board")).to_have_count(1)


def test_a_touch_up_of_a_board_that_was_moved_goes_where_it_lies_now(tab, looked):
    """It lies 3 mm to the right of where it was laid, and 1 mm further back."""
    expect(tab.get_by_text("If it was moved, find it under Machine first.")).to_be_visible()
    plan, board = read_plan(looked.folder / "top" / "plan.json"), plan_of(Side.TOP).board
    (laid,) = plan.placement.boards
    there_mm = (laid.shift_mm[0] + 3.0, laid.shift_mm[1] + 1.0)
    step = PlaceStep(what="found anew", affine=affine(shift_mm=there_mm))
    surface = flat(plan_of(Side.TOP).profile.bed.board_z_mm)
    placed = Placements(boards=(Placement(name="", steps=(step,), surface=surface),))
    found = PlacementFile(placements=placed, board=board.name, side="top", inputs_sha256=board.inputs_sha256)
    file = looked.folder / "placement.json"
    file.write_text(record_text(placement_record(found)), encoding="utf-8")
    try:
        with tab.expect_response("**/start/look"):  # looks at the folder anew
            tab.goto(f"{looked.base}/#start")
        tab.goto(f"{looked.base}/#inspect")
        tab.get_by_label("It was moved since it was laid").check()
        tab.get_by_role("button", name="Plan a touch-up").click()
        tab.get_by_text("verified read back").wait_for()
        made = read_plan(looked.folder / "top" / "inspection" / "touch-up" / "plan.json")
        (there,) = made.placement.boards
        assert there.shift_mm == pytest.approx(there_mm, abs=1e-6)
    finally:
        file.unlink()


def test_a_board_of_the_journal_has_its_own_inspection(browser, looked, tab):
    board = tab.get_by_label("Which board")
    board.fill("7")
    board.press("Tab")
    expect(tab.get_by_text("What was seen")).to_be_hidden()
    tab.get_by_label("Take or choose photos").set_input_files(looked.folder.parent / "pasted.png")
    tab.get_by_text("The journal knows no board '7'").wait_for()
    board.fill("")
    board.press("Tab")
    tab.get_by_text("What was seen").wait_for()


def test_what_is_no_photo_is_told(tab, looked, tmp_path):
    wrong = tmp_path / "words.png"
    wrong.write_text("no picture at all")
    other = tmp_path / "board.gif"
    other.write_bytes(b"GIF89a")
    before = inspection(looked)
    tab.get_by_label("Take or choose photos").set_input_files(wrong)
    expect(tab.locator(".message.wrong")).to_contain_text("words.png")
    tab.get_by_label("Take or choose photos").set_input_files(other)
    expect(tab.locator(".message.wrong")).to_contain_text("is no photo")
    assert inspection(looked) == before
    headers = {"Origin": looked.base}
    status, _, body = looked.ask("GET", "/inspect/crop/999.jpg")
    assert (status, "no such picture" in body.decode()) == (422, True)
    body = json.dumps({"board": "../../etc"}).encode()
    assert looked.ask("POST", "/inspect/choose", headers=headers, body=body)[0] == 422


def test_frames_go_by_their_list_and_the_bare_board_is_kept(tab, looked, tmp_path):
    """The list says where the camera looked: the middle of the drawn photo, by the bench's corner of the board."""
    plan = read_plan(looked.folder / "top" / "plan.json")
    x_mm, y_mm = plan.placement.boards[0].shift_mm
    frame, names, wrong = tmp_path / "frame-1.png", tmp_path / "frames.csv", tmp_path / "wrong.csv"
    frame.write_bytes((looked.folder.parent / "pasted.png").read_bytes())
    names.write_text(f"file,x_mm,y_mm\nframe-1.png,{x_mm + MIDDLE_MM[0]},{y_mm + MIDDLE_MM[1]}\n")
    wrong.write_text("file,x_mm,y_mm\n../../../bench.toml,1,1\n")
    before = inspection(looked)
    photos = tab.get_by_label("Take or choose photos")
    photos.set_input_files([wrong, frame])
    expect(tab.locator(".message.wrong")).to_contain_text("which was not sent with it")
    assert inspection(looked) == before
    bare = tmp_path / "bare.png"
    every = frozenset(one.id for pad in plan.pads for one in pad.deposits)
    drawn = board_photo(plan, middle_mm=MIDDLE_MM, left_out=every)
    assert cv2.imwrite(str(bare), cv2.cvtColor(drawn.pixels, cv2.COLOR_RGB2BGR))
    tab.get_by_text("Before pasting, and by the head's camera").click()
    tab.get_by_label("Photos of the bare board").set_input_files(bare)
    tab.get_by_text("Kept: this board and the next ones").wait_for()
    kept = looked.folder / "top" / "bare-board"
    assert [one.name for one in kept.iterdir()] == ["bare.png"]
    photos.set_input_files([names, frame])
    tab.get_by_text("frame-1.png (").wait_for()
    found = inspection(looked)
    assert {one.pad: one.verdict for one in found.deposits} == {
        one.pad: one.verdict for one in before.deposits
    }
    assert Path(found.before) == kept / "bare.png"
    shutil.rmtree(kept)


def test_a_photo_of_a_phone_is_looked_at_by_itself(tab, looked):
    photo = looked.folder / "photos" / "of-a-phone.jpg"
    photo.parent.mkdir(exist_ok=True)
    photo.write_bytes(b"\xff\xd8 and no more")
    words, take = looked.opened.context.photos["board"]
    assert words == "the pasted board"
    before = inspection(looked)
    take(photo)
    tab.wait_for_function(
        """async () => {
          const server = await import('/front/server.js');
          const tasks = server.last('tasks') || [];
          const failed = tasks.filter((each) => each.kind === 'inspect' && each.state === 'failed');
          return JSON.stringify(failed).includes('of-a-phone');
        }"""
    )
    assert inspection(looked) == before


def test_boards_together_a_row_and_notes(tab, looked):
    tab.get_by_text("The process, over all boards").click()
    tab.get_by_role("button", name="Put them together").click()
    tab.get_by_text("1 board, ").wait_for()
    told = json.loads((looked.folder / "top" / "capability" / "capability.json").read_text("utf-8"))
    assert told["deposits"] == len(inspection(looked).deposits)
    tab.get_by_text("Witness row", exact=True).click()
    tab.get_by_role("button", name="Make a row").click()
    tab.get_by_text("The row is in the folder").wait_for()
    sheet = json.loads((looked.folder / "witness-row" / "sheet.json").read_text("utf-8"))
    tab.get_by_label("Diameters in mm, in the order of laying").first.fill("0.3 0.3")
    tab.get_by_role("button", name="Judge it").click()
    expect(tab.locator(".message.wrong")).to_contain_text(str(len(sheet["dots"])))
    tab.get_by_role("button", name="Put away").click()
    tab.get_by_text("Notes after reflow").click()
    tab.get_by_label("Part, or one pin of it").fill("U1-4")
    tab.get_by_label("What is wrong with the joint").select_option("starved")
    tab.get_by_label("Board (empty: the last one laid)").fill("1")
    tab.get_by_role("button", name="Keep the note").click()
    tab.get_by_text("1: U1-4 starved").wait_for()
    journal = Journal(looked.folder / "runs.db")
    assert [one.name for one in barrels(journal)] == ["A7"]
    journal.close()
