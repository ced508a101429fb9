"""The plan screen: plan, look, wish, compare, ask what if, and play back; all with the demo board on the demo bench."""

import json
import zipfile

import pytest
from demo_plans import plan_of
from msgspec import structs
from page_files import demo_zip
from page_in_browser import tab_of
from playwright.sync_api import expect

from pastewright.board.model import Side
from pastewright.board.read import source_sha256
from pastewright.job.read import read_job
from pastewright.page.plan_view import plan_view_text
from pastewright.page.plan_work import files_changed
from pastewright.records.plan import PadRecord, read_plan

LONG_MS = 300_000  # planning on a loaded machine; nothing here is about time


@pytest.fixture
def plan_tab(browser, planned):
    with tab_of(browser, planned) as one:
        one.goto(f"{planned.base}/#plan")
        one.get_by_text("read back and is verified").wait_for(timeout=LONG_MS)
        yield one


def test_the_plan_lies_in_the_folder_as_the_command_writes_it(planned):
    folder = planned.folder / "paste-plan-top"
    assert {path.name for path in folder.iterdir()} >= {
        "plan.json",
        "pads.csv",
        "report.html",
        "program.gcode",
    }
    assert read_plan(folder / "plan.json").verdict.ok


def test_every_pad_and_deposit_of_the_record_is_in_the_view(planned):
    record = read_plan(planned.folder / "paste-plan-top" / "plan.json")
    view = json.loads(plan_view_text(record, stale=[]))
    ids = {deposit.id for pad in record.pads for deposit in pad.deposits}
    assert sorted(view["deposits"]["id"]) == sorted(ids)
    assert sorted(view["deposits"]["rank"]) == list(range(len(ids)))
    assert [pad["id"] for pad in view["pads"]] == [pad.id for pad in record.pads]
    assert sum(pad["planned"] for pad in view["pads"]) == pytest.approx(record.totals.paste_ul, rel=1e-6)


def test_a_look_that_comes_later_leaves_the_pad_that_was_chosen_and_what_was_typed(plan_tab):
    plan_tab.get_by_role("button", name="J1-A4", exact=True).click()
    expect(plan_tab.locator(".card h2")).to_have_text("J1-A4")
    plan_tab.get_by_text("Wish something else").click()
    plan_tab.get_by_label("What is wished").select_option("volume_ul")
    plan_tab.get_by_label("How much").fill("0.0987")
    plan_tab.evaluate("document.querySelector('main .split').look()")
    expect(plan_tab.locator(".card h2")).to_have_text("J1-A4")
    expect(plan_tab.get_by_label("How much")).to_have_value("0.0987")
    expect(plan_tab.get_by_role("button", name="J1-A4", exact=True)).to_have_attribute("aria-pressed", "true")


def test_the_card_of_a_batch_holds_every_strip_of_it(planned):
    """By hand from the demo bench: the strip runs from X 60, Y 45 for 30 mm, the board's corner lies at 60, 60; seven more
    rows lie 5 mm apart towards Y 10.
    """
    record = read_plan(planned.folder / "paste-plan-top" / "plan.json")
    run = plan_of(Side.TOP).profile.run
    assert (run.card_rows, run.card_pitch_mm) == (8, -5.0)
    card = json.loads(plan_view_text(record, stale=[], run=run))["beside"]["card"]
    assert card["rows"] == 8
    xs, ys = card["corners"][::2], card["corners"][1::2]
    assert min(xs) <= 0
    assert max(xs) >= 30_000
    assert min(ys) <= -50_000 <= -15_000 <= max(ys) <= 0
    assert json.loads(plan_view_text(record, stale=[]))["beside"]["card"] is None


def test_of_a_tray_every_board_is_seen_where_the_first_one_has_it():
    """The second board lies half a turn round beside the first: (x, y) there is (130 - x, 70 - y) here, by hand."""
    record = plan_of(Side.BOTTOM).record
    (first,) = record.placement.boards
    (x_mm, y_mm) = first.shift_mm
    assert first.matrix == ((1.0, 0.0), (0.0, 1.0))
    second = structs.replace(
        first, name="B", matrix=((-1.0, 0.0), (0.0, -1.0)), shift_mm=(x_mm + 130.0, y_mm + 70.0)
    )
    most = max(one.id for pad in record.pads for one in pad.deposits) + 1

    def on(name: str, pad: PadRecord, add: int) -> PadRecord:
        deposits = tuple(structs.replace(one, id=one.id + add) for one in pad.deposits)
        return structs.replace(pad, id=f"{name}/{pad.id}", board=name, deposits=deposits)

    tray = structs.replace(
        record,
        placement=structs.replace(record.placement, boards=(structs.replace(first, name="A"), second)),
        pads=(*(on("A", pad, 0) for pad in record.pads), *(on("B", pad, most) for pad in record.pads)),
    )
    view = json.loads(plan_view_text(tray, stale=[]))
    count = len(record.pads)
    assert len(view["pads"]) == 2 * count
    laid = view["deposits"]
    half = len(laid["id"]) // 2
    assert [each["land"] for each in view["pads"][:count]] == [pad.id for pad in record.pads]
    assert {each["land"] for each in view["pads"][count:]} == {""}
    assert [each["own"] for each in view["pads"][count:]] == [pad.id for pad in record.pads]
    for here, there in ((laid["x"], 130_000), (laid["y"], 70_000)):
        assert max(abs(a + b - there) for a, b in zip(here[:half], here[half:], strict=True)) <= 1
    (other,) = view["others"]
    wide, high = record.board.size_mm
    assert other["edge"][:2] == [130_000, 70_000]
    assert other["edge"][4:6] == [round(130_000 - 1000 * wide), round(70_000 - 1000 * high)]
    assert len(other["lands"]) == sum(bool(pad.deposits and pad.land_mm) for pad in record.pads)


def test_pads_are_found_by_words_and_by_dose(plan_tab, planned):
    rows = plan_tab.locator(".pads tbody tr")
    find = plan_tab.get_by_label("Find by part, net, reason, or dose in µL")
    find.fill("R1")
    expect(rows.first).to_contain_text("R1")
    find.fill(">1")
    for words in rows.all_inner_texts():
        assert float(words.split("\t")[1]) > 1
    record = read_plan(planned.folder / "paste-plan-top" / "plan.json")
    dose_ul = next(pad.target_ul for pad in record.pads if pad.id == "R1-1")
    alike = sum(round(pad.target_ul, 3) == round(dose_ul, 3) for pad in record.pads)
    for typed in (f"{dose_ul:.3f}", f"= {dose_ul:.3f} µL", f"{dose_ul:.3f}-{dose_ul:.3f}".replace(".", ",")):
        find.fill(typed)
        expect(rows).to_have_count(alike)
    expect(rows.first).to_contain_text("±")
    find.fill("nothing is called so")
    expect(rows).to_have_count(0)


def test_a_click_on_the_board_chooses_the_pad_there(plan_tab):
    plan_tab.get_by_label("Find by part, net, reason, or dose in µL").fill("U1-1")
    plan_tab.get_by_role("button", name="U1-1", exact=True).click()
    expect(plan_tab.locator(".card h2")).to_have_text("U1-1")
    # The chosen pad is in the middle now; another place chooses another pad or none.
    box = plan_tab.locator("board-view canvas").bounding_box()
    plan_tab.mouse.click(box["x"] + box["width"] / 2 - 300, box["y"] + box["height"] / 2 + 200)
    expect(plan_tab.locator(".card h2", has_text="U1-1")).to_have_count(0)
    plan_tab.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect(plan_tab.locator(".card h2")).to_have_text("U1-1")


def test_a_wish_is_shown_written_planned_and_compared(plan_tab, planned):
    job = planned.folder / "job.toml"
    assert not job.exists()
    plan_tab.get_by_label("Find by part, net, reason, or dose in µL").fill("C1-1")
    plan_tab.get_by_role("button", name="C1-1", exact=True).click()
    plan_tab.get_by_text("Wish something else").click()
    plan_tab.get_by_label("What is wished").select_option("laid as a bead")
    plan_tab.get_by_label("For whom").select_option("part")
    plan_tab.get_by_role("button", name="Show what would change").click()
    expect(plan_tab.locator(".lines .plus", has_text='as = "bead"')).to_have_count(1)
    expect(plan_tab.locator(".lines .plus", has_text="pin =")).to_have_count(0)
    plan_tab.get_by_label("For whom").select_option("pad")
    plan_tab.get_by_label("What is wished").select_option("volume_ul")
    plan_tab.get_by_label("How much").fill("0.2")
    plan_tab.get_by_role("button", name="Show what would change").click()
    expect(plan_tab.locator(".lines .plus", has_text="volume_ul = 0.2")).to_have_count(1)
    assert not job.exists()
    plan_tab.get_by_role("button", name="Write them and plan anew").click()
    expect(plan_tab.get_by_label("Changed by the last planning")).to_be_visible(timeout=LONG_MS)
    assert [rule.volume_ul for rule in read_job(job).rules] == [0.2]
    plan_tab.get_by_label("Find by part, net, reason, or dose in µL").fill("")
    plan_tab.get_by_label("Changed by the last planning").check()
    expect(plan_tab.locator(".pads tbody tr").first).to_contain_text("C1-1")
    plan_tab.get_by_role("button", name="C1-1", exact=True).click()
    expect(plan_tab.locator(".card")).to_contain_text("before")
    record = read_plan(planned.folder / "paste-plan-top" / "plan.json")
    assert next(pad.target_ul for pad in record.pads if pad.id == "C1-1") == pytest.approx(0.2)


def test_what_if_writes_nothing(plan_tab, planned):
    before = {path: path.read_bytes() for path in planned.folder.rglob("*") if path.is_file()}
    plan_tab.get_by_text("What if", exact=True).click()
    plan_tab.get_by_label("dose: foil mm").fill("0.15")
    plan_tab.get_by_role("button", name="Plan it so").click()
    expect(plan_tab.get_by_text("What if: dose.foil_mm 0.15")).to_be_visible(timeout=LONG_MS)
    paste = plan_tab.locator("tr", has_text="paste, µL").locator("td").all_inner_texts()
    assert float(paste[1]) > 1.05 * float(paste[0])
    plan_tab.get_by_role("button", name="Back to the plan that stands").click()
    assert before == {path: path.read_bytes() for path in planned.folder.rglob("*") if path.is_file()}


def test_the_program_is_played_back(plan_tab):
    plan_tab.get_by_role("button", name="Play the program").click()
    slider = plan_tab.get_by_label("Time in the program")
    slider.wait_for(timeout=LONG_MS)
    plan_tab.get_by_role("button", name="Play", exact=False).first.click()
    plan_tab.wait_for_timeout(300)
    plan_tab.get_by_role("button", name="Pause").click()
    assert float(slider.input_value()) > 1000
    clock = plan_tab.locator(".clock").inner_text()
    assert "kPa" in clock
    assert "line" in clock


def test_planning_can_be_given_up(plan_tab, planned):
    record = (planned.folder / "paste-plan-top" / "plan.json").read_bytes()
    plan_tab.get_by_role("button", name="Plan anew").click()
    plan_tab.get_by_role("button", name="Give up").click()
    expect(plan_tab.locator(".task")).to_have_count(0)
    states = [task["state"] for task in planned.opened.context.live.last("tasks")]
    assert "given up" in states
    assert (planned.folder / "paste-plan-top" / "plan.json").read_bytes() == record


def test_a_plan_of_other_files_is_told_from_one_of_these(tmp_path):
    packed, record = demo_zip(tmp_path), plan_of(Side.BOTTOM).record
    same = structs.replace(record, board=structs.replace(record.board, inputs_sha256=source_sha256(packed)))
    assert not files_changed(packed, same)
    with zipfile.ZipFile(packed, "a") as archive:
        archive.writestr("greenhouse-logger-notes.txt", "a later export")
    assert files_changed(packed, same)
    assert not files_changed(tmp_path, same)  # a folder holds the job and the plan, too
