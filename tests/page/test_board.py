"""The board screen: files in, what they were taken for, and what is drawn of them."""

import json
import zipfile
from time import sleep

import pytest
from page_files import NAME, demo_zip
from page_in_browser import serving, tab_of
from playwright.sync_api import expect

from pastewright.page.desk import WorkFolder
from pastewright.page.uploads import plain_name


def dropped(served, name, body, *, word="0123456789abcdef"):
    """Drop one file as the page does, and read it; the tasks' last state."""
    own = {"Origin": served.base}
    status, _, answer = served.ask("POST", f"/board/drop?drop={word}&name={name}", headers=own, body=body)
    if status != 200:
        return json.loads(answer)["problems"]
    status, _, answer = served.ask(
        "POST", "/board/take", headers=own, body=json.dumps({"drop": word}).encode()
    )
    if status != 200:
        return json.loads(answer)["problems"]
    status, _, answer = served.ask("POST", "/board/read", headers=own, body=b"{}")
    number = json.loads(answer)["task"]
    while True:
        task = next(t for t in served.opened.context.live.last("tasks") if t["id"] == number)
        if task["state"] in ("done", "failed", "given up"):
            return task["problems"]
        sleep(0.02)


def test_a_dropped_zip_is_a_board_to_look_at(tab, logger):
    tab.goto(f"{logger.base}/#board")
    expect(tab.locator(".panel h1")).to_have_text(NAME)
    expect(tab.locator(".panel")).to_contain_text("50.0 × 40.0 mm, top side")
    tab.get_by_label("Find a pad, part or net").fill("U1-1")
    tab.keyboard.press("Enter")
    expect(tab.locator(".panel section h2")).to_have_text("U1-1")
    canvas = tab.locator("board-view canvas")
    before = canvas.screenshot()
    tab.get_by_label("Paste openings").uncheck()
    tab.wait_for_timeout(100)
    assert canvas.screenshot() != before


def test_the_picture_moves_by_wheel_and_keys(tab, logger):
    tab.goto(f"{logger.base}/#board")
    expect(tab.locator(".panel h1")).to_have_text(NAME)
    look = "(v) => [v.x, v.y, v.scale]"
    view = tab.locator("board-view")
    x, y, scale = view.evaluate(look)
    tab.locator("board-view canvas").hover()
    tab.mouse.wheel(0, -300)
    tab.wait_for_timeout(50)
    assert view.evaluate(look)[2] > 1.3 * scale
    tab.locator("board-view canvas").focus()
    tab.keyboard.press("0")
    assert view.evaluate(look) == [x, y, scale]
    tab.keyboard.press("+")
    tab.keyboard.press("ArrowRight")
    tab.keyboard.press("ArrowUp")
    moved = view.evaluate(look)
    assert moved[0] > x
    assert moved[1] > y


def test_a_role_can_be_changed_and_is_told_as_the_command_says_it(tab, logger):
    tab.goto(f"{logger.base}/#board")
    tab.get_by_text("and what each is").click()
    legend = f"{NAME}-top-legend.gbr"
    tab.get_by_label(f"Role of {legend}").select_option("other")
    expect(tab.locator("details code")).to_have_text(f"--layer '{legend}=other'")
    tab.get_by_label(f"Role of {legend}").select_option("")
    expect(tab.locator("details code")).to_have_count(0)


@pytest.fixture(scope="module")
def other(tmp_path_factory):
    """A server whose folder may be filled with what is wrong."""
    with serving(tmp_path_factory.mktemp("uploads")) as one:
        yield one


def test_a_bad_file_is_told_and_ends_nothing(other, tmp_path):
    swelling = tmp_path / "swelling.zip"
    with zipfile.ZipFile(swelling, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("top.gtp", b"0" * 300_000_000)
    climbing = tmp_path / "climbing.zip"
    with zipfile.ZipFile(climbing, "w") as archive:
        archive.writestr("../../top.gtp", b"G04 x*\nM02*\n")
    cases = {
        "empty.zip": b"",
        "half.zip": demo_zip(tmp_path / "demo").read_bytes()[:5000],
        "picture.zip": b"\x89PNG\r\n\x1a\n" + b"\0" * 2000,
        "swelling.zip": swelling.read_bytes(),
        "climbing.zip": climbing.read_bytes(),
    }
    for number, (name, body) in enumerate(cases.items()):
        problems = dropped(other, name, body, word=f"{number:016x}")
        assert problems, name
        assert not any("mistake of pastewright" in each["what"] for each in problems), (name, problems)
    assert other.ask("GET", "/shell")[0] == 200


def test_what_is_worked_on_stands_among_what_may_be_chosen(tmp_path):
    """A single drawing is no set of films by itself: it is chosen once somebody has dropped it, and said to be."""
    demo_zip(tmp_path / "files").rename(tmp_path / "board.zip")
    drawing = tmp_path / "paste.svg"
    drawing.write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    desk = WorkFolder(tmp_path)
    assert [each["name"] for each in desk.shown()["sources"]] == ["board.zip"]
    desk.use_source(drawing)
    told = desk.shown()
    assert {each["id"]: each["name"] for each in told["sources"]}[told["source"]] == "paste.svg"


def test_an_empty_folder_is_told_what_it_lacks(browser, tmp_path):
    with serving(tmp_path) as one, tab_of(browser, one) as tab:
        tab.goto(f"{one.base}/#plan")
        tab.get_by_role("link", name="make one under Bench").wait_for()
        expect(tab.get_by_role("button", name="Plan", exact=True)).to_be_disabled()
        tab.get_by_role("link", name="drop them under Board").click()
        tab.get_by_text("Drop a zip or a folder of fabrication files here.").wait_for()


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"),
        ("..\\..\\boot.ini", "boot.ini"),
        ("a/b/top.gtp", "top.gtp"),
        (".hidden", "hidden"),
        ("a\x00b\nc.zip", "a_b_c.zip"),
        ("x" * 500 + ".zip", "x" * 96 + ".zip"),
        ("Wächter-Ü.zip", "Wächter-Ü.zip"),
    ],
)
def test_a_name_leads_nowhere(name, plain):
    assert plain_name(name) == plain


@pytest.mark.parametrize("name", ["", "..", "/", "...", "%2e%2e"])
def test_no_name_is_no_path(other, name):
    problems = dropped(other, name, b"x", word="feedfeedfeedfeed")
    if problems[0]["what"] == "this file has no name":
        return
    # A name that is odd but harmless lies in the folder itself.
    assert all(path.parent == other.folder for path in other.folder.iterdir())


def test_a_drop_that_was_never_whole_leaves_nothing(tmp_path):
    with serving(tmp_path) as one:
        own = {"Origin": one.base}
        assert (
            one.ask("POST", "/board/drop?drop=00000000aaaaaaaa&name=a.gbr", headers=own, body=b"G04*")[0]
            == 200
        )
        assert one.ask("POST", "/board/drop?drop=../x&name=a.gbr", headers=own, body=b"G04*")[0] == 422
        assert list(tmp_path.iterdir())
    assert not list(tmp_path.iterdir())
