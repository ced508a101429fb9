"""A witness row's photo from a window: it answers a batch's question, and judges a row that was laid by itself."""

import pytest
from demo_plans import plan_of
from page_in_browser import connected, serving, tab_of, until
from rendered_rows import record_in_batch, row_jpeg

from pastewright.board.model import Side
from pastewright.link.journal import Journal
from pastewright.link.taught import TaughtKind, taught
from pastewright.profile.examples import DEMO
from pastewright.profile.read import parse_profile
from pastewright.records.sheet import read_sheet_record

AS_SHARP = 0.03
"""A rendered row is measured so well, as in tests/tune/photo/test_row.py."""


@pytest.fixture(scope="module")
def day(tmp_path_factory, day_folder):
    folder = day_folder(tmp_path_factory.mktemp("row"), DEMO)
    with serving(folder, journal=folder / "runs.db") as one:
        yield one


def rows_taught(day):
    journal = Journal(day.folder / "runs.db")
    try:
        return [row.record for row in taught(journal, TaughtKind.ROW)]
    finally:
        journal.close()


def judged(day):
    """How often a row was judged to the end."""
    tasks = day.opened.context.live.last("tasks")
    return sum(one["kind"] == "row" and one["state"] == "done" for one in tasks)


def test_a_photo_of_the_row_answers_the_question_of_a_batch(browser, day, tmp_path):
    laid_mm = row_jpeg(tmp_path / "row.jpg", record_in_batch(plan_of(Side.BOTTOM)))
    with tab_of(browser, day) as tab:
        connected(tab, day.base, "sim:reprap?scale=0.001")
        tab.goto(f"{day.base}/#run")
        tab.get_by_label("Barrel").select_option("A7")
        tab.get_by_label("Boards").fill("1")
        tab.get_by_role("button", name="Begin the batch").click()
        tab.get_by_role("button", name="Lay it", exact=True).click()
        tab.get_by_role("button", name="Redo the last one").wait_for()
        # A further board keeps the batch open: its question offers the row of the last one.
        tab.get_by_role("button", name="One more").click()
        tab.get_by_label("Serial or name of the board").fill("GH-002")
        tab.get_by_role("button", name="Answer").click()
        tab.get_by_role("button", name="Witness row measured").click()
        tab.get_by_text("take a photo of it, or type its diameters").wait_for()
        # What is typed never is a path, whatever lies there.
        tab.get_by_label("Witness row of board 1").fill(str(tmp_path / "row.jpg"))
        tab.get_by_role("button", name="Answer").click()
        tab.get_by_text("1 diameters were given").first.wait_for()
        tab.get_by_label("Take or choose a photo of it").set_input_files(tmp_path / "row.jpg")
        until(
            lambda: (
                rows_taught(day)
                or (day.opened.context.live.last("machine")["ask"] or {}).get("kind") == "confirm"
            )
        )
        if not rows_taught(day):
            tab.get_by_role("button", name="No", exact=True).click()
            until(lambda: rows_taught(day))
        (row,) = rows_taught(day)
        assert row["given"] == "row.jpg"
        measured = {index: diameter for index, diameter, *_ in row["dots"]}
        assert len(measured) >= 10
        assert all(
            diameter == pytest.approx(laid_mm[index], rel=AS_SHARP) for index, diameter in measured.items()
        )
        tab.get_by_role("button", name="Skip it").click()
        tab.get_by_role("button", name="End the batch").click()
        until(lambda: not day.opened.context.live.last("machine")["busy"])


def test_a_photo_judges_a_row_from_a_window_and_from_a_phone(browser, tmp_path, day_folder):
    folder = tmp_path / "row"
    folder.mkdir()
    with serving(day_folder(folder, DEMO), journal=folder / "runs.db") as day, tab_of(browser, day) as tab:
        tab.goto(f"{day.base}/#inspect")
        tab.get_by_text("Witness row", exact=True).click()
        tab.get_by_role("button", name="Make a row").click()
        tab.get_by_text("The row is in the folder").wait_for()
        record = read_sheet_record(folder / "witness-row" / "sheet.json")
        row_jpeg(tmp_path / "thin.jpg", record, share=0.85)
        tab.get_by_label("Take or choose a photo of it").set_input_files(tmp_path / "thin.jpg")
        tab.get_by_text("dots were measured in the photo").wait_for()
        until(lambda: judged(day) == 1)
        # The same from a phone, with no batch that asks.
        words, take = day.opened.context.photos["row"]
        assert words == "the witness row"
        take(folder / "witness-row" / "photos" / "thin.jpg")
        until(lambda: judged(day) == 2)
        # What it says is learned once, in words; the board is planned anew for the corrected bench.
        before = parse_profile((folder / "bench.toml").read_text("utf-8"), "bench.toml")
        tab.get_by_role("button", name="Correct the bench by it").click()
        tab.get_by_text("Written: bench.toml").wait_for()
        after = parse_profile((folder / "bench.toml").read_text("utf-8"), "bench.toml")
        assert len(after.history) == len(before.history) + 1
        assert list((folder / "bottom-corrected").glob("program.*"))
        own = {"Origin": day.base, "X-Window": "another"}
        status, _, said = day.ask("POST", "/inspect/row/correct", headers=own, body=b"{}")
        assert (status, b"no row was judged since" in said) == (422, True)
