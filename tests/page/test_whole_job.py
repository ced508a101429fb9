"""The whole demo job in a browser, from an empty folder to a board inspected and touched up; a server that is killed."""

import signal
import subprocess

import pytest
from at_a_terminal import Person
from page_files import demo_zip
from page_hands import ByKeys, ByTouch
from page_in_browser import DESKTOP, PATIENCE_MS, PHONE, connected, serving, tab_of, until
from page_process import COMMAND, Killable
from pasted_photo import MISSING, pasted_png
from playwright.sync_api import expect
from pretend_machine import Real

from pastewright.link.barrels import barrels
from pastewright.link.batch import batches, places
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.profile.examples import DEMO
from pastewright.records.inspection import read_inspection
from pastewright.records.kinds import DepositVerdict
from pastewright.records.plan import read_plan
from pastewright.work.exits import WRONG_INPUT


def sent(tab, base, what, press):
    """Send a program from the Run screen and see it to its end."""
    tab.goto(f"{base}/#run")
    tab.get_by_label("What to send").select_option(label=what)
    tab.get_by_label("Barrel").select_option("A7")
    tab.get_by_role("button", name=press).click()


@pytest.mark.parametrize(
    ("size", "way"), [(DESKTOP, ByKeys), (PHONE, ByTouch)], ids=["keys alone", "phone, by touch"]
)
def test_from_an_empty_folder_to_an_inspected_board(browser, tmp_path, size, way):
    folder = tmp_path / "day"
    folder.mkdir()
    with serving(folder, journal=folder / "runs.db") as day, tab_of(browser, day, size=size) as tab:
        hand = way(tab)
        hand.open("Bench")
        hand.choose("Example", DEMO)
        hand.press("Begin with it")
        tab.get_by_text("The bench can be used.").wait_for()
        hand.open("Board")
        hand.send("Choose a zip or files", demo_zip(tmp_path / "files"))
        tab.get_by_text("50.0 × 40.0 mm").wait_for()
        hand.open("Plan")
        hand.press("Plan")
        tab.get_by_text("read back and is verified").wait_for()
        hand.look_at("J1-A4", after="J1-A1")
        expect(tab.locator(".card h2")).to_have_text("J1-A4")
        hand.open("Records")
        hand.type("Name, as on its label", "A7")
        hand.press("Enter it")
        tab.locator("summary", has_text="A7: 2500 of 2500").wait_for()
        hand.unfold("A7: 2500 of 2500")
        hand.press("Open it")
        tab.locator("summary", has_text="A7: 2500 of 2500 µL left, opened").wait_for()

        hand.open("Machine")
        hand.type("Or another, that is not in the list", "sim:reprap?scale=0.002")
        hand.press("Connect")
        tab.get_by_text("● connected").wait_for()
        hand.open("Run")
        hand.choose("What to send", "paste-plan-top: board")
        hand.choose("Barrel", "A7")
        hand.press("Run one board")
        tab.get_by_text("✓ finished").wait_for()

        plan = read_plan(folder / "paste-plan-top" / "plan.json")
        photo = tmp_path / "photo.png"
        photo.write_bytes(pasted_png(plan))
        hand.open("Inspect")
        expect(tab.locator("#board-names option")).to_have_count(1)
        hand.type("Which board", "1")
        hand.send("Take or choose photos", photo)
        tab.get_by_text("What was seen").wait_for()
        tab.locator(".findings li", has_text=MISSING).wait_for()
        hand.tick("R2")
        tab.get_by_text("not ticked as wiped").wait_for(state="hidden")
        hand.press("Plan a touch-up")
        tab.get_by_text("3 deposits on 3 pads").wait_for()
        hand.open("Run")
        hand.choose("What to send", "paste-plan-top/inspection-1/touch-up: touch-up")
        hand.press("Lay the touch-up")
        tab.get_by_text("✓ finished – 3 of 3 deposits").wait_for()
        hand.open("Records")
        expect(tab.locator("tbody tr")).to_have_count(2)

        kept_so(folder, plan)


def kept_so(folder, plan):
    """What the inspection and the journal say of the job: what was missing, both runs to their end, the barrel's account."""
    found = read_inspection(folder / "paste-plan-top" / "inspection-1" / "inspection.json")
    assert found.journal_board is not None
    assert [one.pad for one in found.deposits if one.verdict is DepositVerdict.MISSING] == [MISSING]
    journal = Journal(folder / "runs.db")
    touched, laid = journal.runs()
    assert (laid.kind, touched.kind) == ("board", "touch-up")
    assert (laid.phase, touched.phase) == ("finished", "finished")
    assert laid.counts[DepositState.DONE] == plan.totals.deposits
    assert touched.counts[DepositState.DONE] == 3
    (barrel,) = barrels(journal)
    assert barrel.used_ul == pytest.approx(laid.used_ul + touched.used_ul)
    journal.close()


def test_a_server_killed_in_the_middle_of_a_run_lifts_the_tip_and_a_new_one_lays_the_rest(
    browser, tmp_path_factory, day_folder
):
    folder = day_folder(tmp_path_factory.mktemp("killed"), DEMO)
    plan = read_plan(folder / "bottom" / "plan.json")
    with Real("reprap", scale=0.05) as real:
        context = browser.new_context(viewport=DESKTOP)
        tab = context.new_page()
        tab.set_default_timeout(PATIENCE_MS)
        first = Killable(folder)
        second = None
        try:
            tab.goto(first.address)
            tab.wait_for_selector(".rail a")
            connected(tab, first.base, real.server.url)
            _believed(tab)
            sent(tab, first.base, "bottom: board", "Run one board")
            _ticked(tab)
            # Two hundredths of a board that takes some minutes: far from its beginning and its end.
            until(lambda: (_states(folder) or {}).get(DepositState.DONE, 0) >= 3)
            first.end(signal.SIGKILL)
            tab.get_by_text("The server does not answer").wait_for()
            # What was sent already is carried out; its last line lifts the tip.
            until(lambda: real.controller.state.axes_mm[2] >= 20.0)
            second = Killable(folder)
            tab.goto(second.address)
            tab.wait_for_selector(".rail a")
            connected(tab, second.base, real.server.url)
            _believed(tab)
            tab.goto(f"{second.base}/#run")
            doubts = tab.get_by_role("heading", name="In doubt on run 1")
            doubts.or_(tab.get_by_role("heading", name="Run 1 was not finished")).wait_for()
            for _ in range(_states(folder)[DepositState.TO_BE_CHECKED]):
                before = tab.get_by_role("button", name="It is there").count()
                tab.get_by_role("button", name="It is there").first.click()
                expect(tab.get_by_role("button", name="It is there")).to_have_count(before - 1)
            tab.get_by_role("button", name="Go on with it").click()
            _ticked(tab)
            tab.get_by_text("✓ finished").wait_for()
            assert _states(folder)[DepositState.DONE] == plan.totals.deposits
            second.end(signal.SIGINT)
        finally:
            context.close()
            for one in (first, second):
                if one is not None:
                    one.done_with()


def test_a_command_that_finds_the_port_held_says_by_whom_and_sends_by_the_page(
    tmp_path_factory, day_folder, monkeypatch
):
    folder = day_folder(tmp_path_factory.mktemp("held"), DEMO)
    monkeypatch.setenv("XDG_STATE_HOME", str(folder / "state"))
    program = next((folder / "bottom").glob("program.*"))
    with Real("reprap", scale=0.002) as real:
        page = Killable(folder)
        try:
            given = ["--profile", str(folder / "bench.toml"), "--port", real.server.url]
            words = ["run", str(program), *given]
            client = page.client(real.server.url)
            client.post("/machine/do", {"what": "connect", "port": real.server.url})
            client.heard("machine", lambda machine: machine["connected"] and not machine["busy"])
            (note,) = (folder / "state" / "pastewright" / "pages").iterdir()
            assert note.stat().st_mode & 0o077 == 0
            client.post("/machine/do", {"what": "believe"})
            ask = client.heard("machine", lambda machine: machine["ask"])["ask"]
            client.post("/machine/answer", {"id": ask["id"], "value": True})
            client.heard("machine", lambda machine: machine["known"] and not machine["busy"])
            client.post("/wheel", {"leave": True})
            with_nobody = subprocess.run(
                [*COMMAND, *words], check=False, stdin=subprocess.DEVNULL, capture_output=True, text=True
            )
            assert with_nobody.returncode == WRONG_INPUT
            assert f"the page of {folder}" in with_nobody.stderr
            with Person(*words, "--barrel", "A7") as person:
                person.sees("Send it by the page's server? (y/n)")
                person.types("y")
                person.sees("Handed over")
                ask = client.heard("machine", lambda machine: machine["ask"])["ask"]
                client.post(
                    "/machine/answer", {"id": ask["id"], "value": [one["name"] for one in ask["checks"]]}
                )
                person.sees("finished")
                assert person.process.wait(60) == 0
            states = _states(folder)
            assert states is not None
            assert states[DepositState.DONE] == read_plan(folder / "bottom" / "plan.json").totals.deposits
            _batch_is_handed_over(folder, client, ["batch", str(program), *given])
            page.end(signal.SIGINT)
            assert not list((folder / "state" / "pastewright" / "pages").iterdir())
        finally:
            page.done_with()


def _batch_is_handed_over(folder, client, words):
    """A batch of two is begun at a terminal and answered in a window; one board is laid, one skipped. Then one more that
    is refused at once: the command tells why, and ends.
    """
    client.post("/wheel", {"leave": True})  # who answers steers
    with Person(*words, "--barrel", "A7", "--boards", "2", "--serials", "GH-{:03d}") as person:
        person.sees("Send it by the page's server? (y/n)")
        person.types("y")
        person.sees("Handed over")
        answered = 0
        keys = {"Board 1 of 2": "enter", "Board 2 of 2": "s", "All boards": "enter"}
        while keys:
            ask = client.heard(
                "machine",
                lambda machine, after=answered: machine["ask"] and machine["ask"]["id"] > after,
            )["ask"]
            answered = ask["id"]
            value = (
                [one["name"] for one in ask["checks"]]
                if ask["kind"] == "checks"
                else keys.pop(next(key for key in keys if key in ask["words"]))
            )
            client.post("/machine/answer", {"id": answered, "value": value})
        person.sees("finished")
        assert person.process.wait(60) == 0
    journal = Journal(folder / "runs.db")
    (row,) = batches(journal)
    states = [(one.serial, str(one.state)) for one in places(journal, row.id)]
    journal.close()
    assert row.ended_at is not None
    assert states == [("GH-001", "laid"), ("GH-002", "skipped")]
    client.post("/wheel", {"leave": True})
    with Person(*words, "--barrel", "nobody's") as person:
        person.sees("Send it by the page's server? (y/n)")
        person.types("y")
        person.sees("nobody's")
        assert person.process.wait(60) != 0


def _believed(tab):
    believe = tab.get_by_role("button", name="It stands where it says")
    believe.or_(tab.get_by_text("✓ Its place is known.")).wait_for()
    if believe.count():
        believe.click()
        tab.get_by_role("button", name="Yes").click()
        tab.get_by_text("✓ Its place is known.").wait_for()


def _ticked(tab):
    go = tab.get_by_role("button", name="All of it is so: go on")
    go.wait_for()
    for box in tab.locator(".ask input[type=checkbox]").all():
        box.check()
    go.click()


def _states(folder):
    """What became of the deposits of the first board, as the journal has them now."""
    journal = Journal(folder / "runs.db")
    try:
        runs = journal.runs()
        return journal.counts(runs[-1].board) if runs else None
    finally:
        journal.close()
