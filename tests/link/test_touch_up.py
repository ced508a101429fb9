"""A touch-up on its way to the machine: sent through a real port, kept in the journal, broken off and gone on with.

It is never laid twice, and lays only what was missing.
"""

import hashlib
import signal
import time
from itertools import pairwise

import pytest
from at_a_terminal import Person
from inspections_by_hand import MISSING, inspected
from msgspec import structs
from run_setting import SETTING
from server import Server
from test_endings import HASTE
from tiny_board import SIZE_MM, TOP_MM, write_tiny_board

import pastewright as pw
from pastewright.cli.app import app
from pastewright.link import detect
from pastewright.link.job import read_job
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.link.weave import Shift, woven
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.records.inspection import inspection_text
from pastewright.records.plan import read_plan
from pastewright.virtual import Manners, VirtualController
from pastewright.work.running.board_found import with_zones

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}
ASSUMED = "place,board,side,clear,air,strip"
MISSED = (0, 2)
"""Which of the board's pads are missing, in the order of `TOP_MM`."""


class Shop:
    """A bench with a virtual machine, the tiny board's plan, and a journal."""

    def __init__(self, protocol, folder):
        self.folder = folder
        self.controller = VirtualController(protocol, scale=0.005, manners=Manners(chatter_lines=0))
        self.server = Server(self.controller, pty=True)
        self.bench = folder / "bench.toml"
        self.bench.write_text(example_text(BENCHES[protocol]), "utf-8")
        write_tiny_board(folder / "board")
        made = pw.make_plan(pw.read_board(folder / "board", side="top"), pw.read_profile(self.bench))
        pw.write_plan(made, folder / "top")
        self.plan = read_plan(folder / "top" / "plan.json")
        self.pads = [
            next(
                pad.id
                for pad in self.plan.pads
                if pad.deposits and abs(pad.x_mm - x) + abs(pad.y_mm - y) < 0.01
            )
            for x, y in TOP_MM
        ]

    def inspection(self, missed=MISSED, **more):
        """An inspection in which these pads are missing; returns its file."""
        file, plan = self.folder / "inspection.json", self.folder / "top" / "plan.json"
        found = structs.replace(
            inspected(self.plan, {self.pads[k]: (MISSING, 0.0, False) for k in missed}),
            plan_file=str(plan),
            plan_sha256=hashlib.sha256(plan.read_bytes()).hexdigest(),
            program_sha256=self.plan.program_sha256,
            **more,
        )
        file.write_text(inspection_text(found), "utf-8")
        return file

    def moving(self, *words, assume=ASSUMED):
        """The words of a command that moves, with all that was looked at named."""
        common = ["-p", self.bench, "--journal", self.folder / "journal.db", "--port", self.server.url]
        return [*map(str, (*words, *common)), "--assume", assume]

    def says(self, capsys, *words):
        """A command in this process; returns its exit code and what it said, on one line."""
        capsys.readouterr()
        code = app([*map(str, words)], standalone_mode=False)
        return code, " ".join(capsys.readouterr().out.split())

    def touched(self, file, *more):
        common = ["-p", self.bench, "--journal", self.folder / "journal.db", "--out", self.folder / "touch"]
        return app([*map(str, ("touch-up", file, *common, *more))], standalone_mode=False)

    def laid_on(self, since=0):
        """The pads on which paste was pressed with the tip down, in order, each time that the tip came down there."""
        (left, near_mm), low = self.plan.placement.boards[0].shift_mm, self.plan.placement.travel_z_mm - 1
        found, last = [], None
        with self.server.lock:
            rows = self.controller.executed_since(since)
        for before, row in pairwise(rows):
            x, y, z = row.axes_mm
            if z > low:
                last = None
            here = (x - left, y - near_mm)
            on_board = all(-2 < one < size + 2 for one, size in zip(here, SIZE_MM, strict=True))
            if on_board and z < low and row.plunger > before.plunger + 1e-6:
                near = min(range(4), key=lambda k: abs(TOP_MM[k][0] - here[0]) + abs(TOP_MM[k][1] - here[1]))
                if near != last:
                    found.append(near)
                last = near
        return found


@pytest.fixture(autouse=True)
def _hasty(monkeypatch):
    """Pretend controllers neither boot nor dawdle."""
    for name, seconds in {"GREETING_S": 0.1, "QUIET_S": 0.05, "STATUS_S": 0.1, "ANSWER_S": 0.3}.items():
        monkeypatch.setattr(detect, name, seconds)


@pytest.fixture
def shop(tmp_path, request):
    shop = Shop(request.param, tmp_path)
    with shop.server:
        yield shop


@pytest.mark.parametrize("shop", ["reprap", pytest.param("cnc", marks=pytest.mark.campaign)], indirect=True)
def test_a_touch_up_is_laid_kept_and_never_laid_again(shop, capsys):
    assert shop.says(capsys, *shop.moving("run", shop.folder / "top"))[0] == 0
    assert sorted(set(shop.laid_on())) == [0, 1, 2, 3]
    since = shop.controller.executed_count
    assert shop.touched(shop.inspection(serial="GH-007", journal_board=1)) == 0
    # A strip lies where the touch-up lays its own, and somebody must look at that.
    with pytest.raises(InputError, match="settling strip's place free again, and the tip clean"):
        shop.says(capsys, *shop.moving("run", shop.folder / "touch", assume="place,board,side,clear,air"))
    assert shop.says(capsys, *shop.moving("run", shop.folder / "touch"))[0] == 0
    assert sorted(shop.laid_on(since)) == list(MISSED)
    journal = Journal(shop.folder / "journal.db")
    touched, laid = journal.runs()
    journal.close()
    assert (touched.kind, touched.phase, touched.counts[DepositState.DONE]) == ("touch-up", "finished", 2)
    report = ("--journal", shop.folder / "journal.db")
    assert "board GH-007, number 1 in the journal" in shop.says(capsys, "report", touched.id, *report)[1]
    assert f"touched up by run {touched.id}" in shop.says(capsys, "report", laid.id, *report)[1]

    since = shop.controller.executed_count
    with pytest.raises(InputError, match=rf"was laid already, or begun \(run {touched.id}\)"):
        shop.says(capsys, *shop.moving("run", shop.folder / "touch"))
    # Planned anew from the same inspection it would still lay on what stands there now.
    assert shop.touched(shop.folder / "inspection.json", "--wiped") == 0
    with pytest.raises(InputError, match="inspect the board anew"):
        shop.says(capsys, *shop.moving("run", shop.folder / "touch"))
    assert shop.controller.executed_count == since
    # The board is looked at again, and something is missing still.
    assert shop.touched(shop.inspection((1,), serial="GH-007", journal_board=1)) == 0
    assert shop.says(capsys, *shop.moving("run", shop.folder / "touch"))[0] == 0
    assert shop.laid_on(since) == [1]


@pytest.mark.parametrize("shop", ["reprap"], indirect=True)
def test_a_board_that_was_found_for_its_run_is_touched_up_there(shop, capsys):
    """As batches find boards: the journal knows the place, and what stood on this side besides; plan.json knows neither."""
    shop.bench.write_text(f'{shop.bench.read_text("utf-8")}\n[run]\nfind = "points"\n', "utf-8")
    with pytest.raises(InputError, match="nobody knows where this one lay"):
        shop.touched(shop.inspection())
    profile = pw.read_profile(shop.bench)
    text = (shop.folder / "top" / "program.gcode").read_text("utf-8")
    text, found = woven(
        text,
        shop.plan,
        read_job(text, shop.plan),
        strip=Shift(y_mm=-2.0),
        board=Shift(x_mm=0.8, y_mm=-0.5),
        witness=None,
        board_at_mm=(60.0, 60.0),
        speed_xy_mm_s=profile.machine.speed_xy_mm_s,
    )
    found = with_zones(
        found, [{"x_from_mm": 14.0, "x_to_mm": 17.0, "y_from_mm": 4.0, "y_to_mm": 9.0, "height_mm": 1.0}]
    )
    journal = Journal(shop.folder / "journal.db")
    board = journal.begin_board(read_job(text, found), name="p", text=text, plan=found, number=1, now_s=0.0)
    journal.begin_run(board, SETTING, process=1, now_s=1.0)
    journal.close()
    assert shop.touched(shop.inspection(journal_board=board)) == 0
    assert "where it was found when it was laid" in " ".join(capsys.readouterr().out.split())
    there = read_plan(shop.folder / "touch" / "plan.json").placement
    assert there.boards == found.placement.boards
    assert there.zones == found.placement.zones != ()
    assert there.strips == shop.plan.placement.strips
    # It was taken out to be photographed, perhaps.
    with pytest.raises(InputError, match="Has the board not been moved since"):
        shop.says(capsys, *shop.moving("run", shop.folder / "touch"))
    # What is found anew needs no such question, and goes where it was found.
    placement = shop.folder / "placement.json"
    corner = ("--at", "LL=61.5,60.5", "--at", "UR=91.5,80.5")
    words = ("register", shop.folder / "board", "--side", "top", "-p", shop.bench, *corner, "-o", placement)
    assert shop.says(capsys, *words)[0] == 0
    assert shop.touched(shop.inspection(), "--placement", placement) == 0
    assert shop.says(capsys, *shop.moving("run", shop.folder / "touch"))[0] == 0
    told = read_plan(shop.folder / "touch" / "plan.json")
    assert told.placement.boards[0].shift_mm == pytest.approx((61.5, 60.5), abs=1e-6)
    assert told.touched is not None and told.touched.placed_anew


KEPT = pytest.param("reprap", signal.SIGKILL, id="kill")
MORE = [
    pytest.param(protocol, end, id=f"{protocol}-{end.name}", marks=pytest.mark.campaign)
    for protocol in BENCHES
    for end in (signal.SIGKILL, signal.SIGINT, signal.SIGTERM)
    if (protocol, end) != ("reprap", signal.SIGKILL)
]


@pytest.mark.parametrize(("shop", "end"), [KEPT, *MORE], indirect=["shop"])
def test_a_touch_up_that_is_broken_off_is_gone_on_with(shop, end, capsys):
    assert shop.touched(shop.inspection()) == 0
    with Person(*shop.moving("run", shop.folder / "touch"), before=f"{HASTE}\n{SLOWLY}") as person:
        until_begun(shop, person)
        person.process.send_signal(end)
        person.process.wait(30)
    lifted(shop)
    # The person looks at the board: is what was begun there?
    journal = Journal(shop.folder / "journal.db")
    begun = [
        row.pads[0]
        for row in journal.deposits(1)
        if row.state in (DepositState.STARTED, DepositState.TO_BE_CHECKED)
    ]
    journal.close()
    answer = "there" if begun and shop.pads.index(begun[0]) in shop.laid_on() else "lay"
    again = shop.moving("resume", "--in-doubt", answer, assume="place,unmoved,strip,clear")
    assert shop.says(capsys, *again)[0] == 0
    journal = Journal(shop.folder / "journal.db")
    states = [row.state for row in journal.deposits(journal.runs()[0].board)]
    assert {run.kind for run in journal.runs()} == {"touch-up"}
    journal.close()
    assert states == [DepositState.DONE] * 2
    assert sorted(shop.laid_on()) == list(MISSED)
    with pytest.raises(InputError, match="was laid already"):
        shop.says(capsys, *shop.moving("run", shop.folder / "touch"))


SLOWLY = """
from pastewright.link import journal as j
import time
entered = j.Journal.enter
def slowly(self, run, actions, **more):
    entered(self, run, actions, **more)
    if any(type(one).__name__ == "Done" for one in actions):
        time.sleep(0.5)
j.Journal.enter = slowly
"""
"""A host that dawdles when a deposit is done, so that it is hit between the two."""


def until_begun(shop, person):
    """Wait until a deposit is done."""
    end_s = time.monotonic() + 30
    while True:
        assert time.monotonic() < end_s and person.process.poll() is None, person.seen
        if (shop.folder / "journal.db").exists():
            journal = Journal(shop.folder / "journal.db")
            rows = journal.rows("SELECT count(*) FROM deposits WHERE state = 'done'")
            journal.close()
            if rows[0][0]:
                return
        time.sleep(0.02)


def lifted(shop):
    """Wait until the tip is up: lifted by the host, or by the end of what it had sent."""
    end_s = time.monotonic() + 20
    while True:
        with shop.server.lock:
            z_mm = shop.controller.state.axes_mm[2]
        if z_mm >= shop.plan.placement.travel_z_mm - 1e-6:
            return
        assert time.monotonic() < end_s, z_mm
        time.sleep(0.02)
