"""The commands: run, resume, runs, report, ports; through real ports, as a person uses them."""

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time

import pytest
from peers import TinyCnc, TinyPrinter
from programs import written
from server import Server

from pastewright.cli.app import app
from pastewright.link import detect
from pastewright.link.cnc import CncSender
from pastewright.link.conduct import Halt, Wish
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.work.running.live import wishes

ASSUMED = "place,board,side,clear,air,strip,unmoved"
BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}

# The programs of these tests travel at Z 12: a board at 10 and 2 of clearance.
HEIGHTS = {
    "reprap": [("board_z_mm = 20.0", "board_z_mm = 10.0")],
    "cnc": [
        ("board_z_mm = -62.3", "board_z_mm = 10"),
        ("clearance_mm = 4", "clearance_mm = 2"),
        ("z_max_mm = 0", "z_max_mm = 50"),
    ],
}


@pytest.fixture(autouse=True)
def _hasty(monkeypatch):
    """Pretend controllers neither boot nor dawdle."""
    monkeypatch.setattr(detect, "GREETING_S", 0.1)
    monkeypatch.setattr(detect, "QUIET_S", 0.05)
    monkeypatch.setattr(detect, "STATUS_S", 0.1)
    monkeypatch.setattr(detect, "ANSWER_S", 0.3)


@pytest.fixture
def folder(tmp_path):
    def make(protocol="reprap", deposits=6):
        text, plan = written(protocol, deposits)
        (tmp_path / "program.gcode").write_text(text, "utf-8")
        (tmp_path / "plan.json").write_text(json.dumps(plan), "utf-8")
        bench = example_text(BENCHES[protocol])
        for old, new in HEIGHTS[protocol]:
            assert old in bench
            bench = bench.replace(old, new)
        (tmp_path / "bench.toml").write_text(bench, "utf-8")
        return tmp_path

    return make


def words_of(folder, command, *more):
    head = {
        "run": [
            "run",
            str(folder / "program.gcode"),
            "--plan",
            str(folder / "plan.json"),
            "--even-if-unverified",
        ],
        "resume": ["resume"],
    }.get(command, [command])
    if command in ("run", "resume"):
        head += ["--profile", str(folder / "bench.toml"), "--yes", "--assume", ASSUMED]
    return [*head, "--journal", str(folder / "journal.db"), *more]


def command(folder, name, *more):
    return app(words_of(folder, name, *more), standalone_mode=False)


def states(folder):
    journal = Journal(folder / "journal.db")
    try:
        return [row.state for row in journal.deposits(journal.runs()[0].board)]
    finally:
        journal.close()


@pytest.mark.parametrize("protocol", ["reprap", "cnc"])
def test_a_program_runs_through_a_pseudo_terminal(folder, protocol, capsys):
    place = folder(protocol)
    peer = TinyPrinter() if protocol == "reprap" else TinyCnc()
    with Server(peer, pty=True) as server:
        assert (
            command(place, "run", "--port", server.url, "--lot", "L7", "--opened", "2h", "--note", "first")
            == 0
        )
    assert states(place) == [DepositState.DONE] * 6
    wanted = [line.split(";")[0].strip() for line in (place / "program.gcode").read_text().splitlines()]
    executed = [line.replace(" ", "") for line in peer.executed if line != "G4P0"]
    assert executed == [line.replace(" ", "") for line in wanted if line and line != "M400"]
    assert "6 of 6 deposits" in capsys.readouterr().out
    assert command(place, "runs") == 0
    assert "L7" in capsys.readouterr().out
    assert command(place, "report", "1") == 0
    told = capsys.readouterr().out
    assert "first" in told
    assert "6 done" in told
    picture = (place / "run-1.svg").read_text(encoding="utf-8")
    assert ">6 laid<" in picture
    assert ">0 not started<" in picture


def test_only_and_from_choose_deposits(folder):
    place = folder()
    peer = TinyPrinter()
    with Server(peer, pty=True) as server:
        command(place, "run", "--port", server.url, "--only", "R1*", "--only", "U2-1")
    assert states(place) == [
        DepositState.DONE,
        DepositState.DONE,
        DepositState.DONE,
        *[DepositState.NOT_STARTED] * 3,
    ]
    begun = [line for line in peer.executed if line.startswith(("G1 X2", "G1 X3")) and "F3000" in line]
    assert len(begun) == 3
    with Server(TinyPrinter(), pty=True) as server:
        command(place, "run", "--port", server.url, "--from", "R3-1")
    assert states(place) == [DepositState.NOT_STARTED] * 4 + [DepositState.DONE] * 2


def test_dry_keeps_the_plunger_still_and_is_remembered(folder):
    place = folder()
    peer = TinyPrinter()
    with Server(peer, pty=True) as server:
        command(place, "run", "--port", server.url, "--dry")
    assert peer.place["E"] == 0.0
    journal = Journal(place / "journal.db")
    (row,) = journal.runs()
    assert row.dry
    assert row.used_ul == 0.0
    assert journal.ran_in_air(journal.job(row.program))
    journal.close()


def test_resume_lays_what_was_not_started_and_only_that(folder, capsys, monkeypatch):
    monkeypatch.setitem(CncSender.__init__.__kwdefaults__, "silence_s", 0.5)
    place = folder("cnc", 9)

    class Unplugged(TinyCnc):
        """Falls silent after some lines, as when the cable is pulled."""

        def line(self, text):
            if len(self.executed) < 40 or self.mended:
                super().line(text)

        mended = False

    peer = Unplugged()
    with Server(peer, pty=True) as server:
        assert command(place, "run", "--port", server.url) == 1
        assert "in doubt" in capsys.readouterr().out
        before = states(place)
        assert before.count(DepositState.TO_BE_CHECKED) == 1
        done, doubt = before.count(DepositState.DONE), before.index(DepositState.TO_BE_CHECKED)
        assert 0 < done == doubt
        peer.mended = True
        assert command(place, "resume", "--port", server.url, "--in-doubt", "leave") == 1
        after = states(place)
        assert [state for at, state in enumerate(after) if at != doubt] == [DepositState.DONE] * 8
        assert after[doubt] is DepositState.TO_BE_CHECKED
        assert "U2-1" in (place / "run-1.svg").read_text() or "in doubt" in (place / "run-1.svg").read_text()
        assert command(place, "resume", "--port", server.url, "--in-doubt", "lay") == 0
        assert states(place) == [DepositState.DONE] * 9
        with pytest.raises(InputError, match="every board in the journal is finished"):
            command(place, "resume", "--port", server.url)


def test_a_run_without_anybody_to_ask_says_what_it_would_have_asked(folder, monkeypatch):
    place = folder()
    monkeypatch.setattr(sys, "stdin", open(os.devnull))  # noqa: PTH123, SIM115
    there = TinyPrinter()
    with Server(there, pty=True) as server:
        words = words_of(place, "run", "--port", server.url)
        words[words.index(ASSUMED)] = "board"
        with pytest.raises(InputError, match="nobody to ask") as caught:
            app(words, standalone_mode=False)
        assert "--assume place,side,clear,air" in str(caught.value)
        # --yes is given, and answers none of them; each says what to look at.
        for asked in ("Look at the machine", "quarter", "Look along the way of the tip", "in the air"):
            assert asked in str(caught.value)
        with pytest.raises(InputError, match="no check has this name"):
            app([word if word != "board" else "bord" for word in words], standalone_mode=False)
        assert not any("X" in line for line in there.executed)
    sys.stdin.close()


def test_an_empty_barrel_is_asked_about(folder, capsys, monkeypatch):
    place = folder()
    monkeypatch.setattr(sys, "stdin", open(os.devnull))  # noqa: PTH123, SIM115
    words = [
        word
        for word in words_of(place, "run", "--port", "sim:reprap", "--fill-ul", "5", "--opened", "2d")
        if word != "--yes"
    ]
    with pytest.raises(InputError) as caught:
        app(words, standalone_mode=False)
    sys.stdin.close()
    assert "refill it first" in str(caught.value)
    assert "longer than its floor life" in str(caught.value)


@pytest.mark.parametrize(
    ("protocol", "peer", "words"),
    [
        ("reprap", TinyCnc, "speaks cnc"),
        ("cnc", TinyPrinter, "speaks reprap"),
    ],
)
def test_the_wrong_controller_is_refused_before_anything_is_sent(folder, protocol, peer, words):
    there = peer()
    with Server(there, pty=True) as server, pytest.raises(InputError, match=words):
        command(folder(protocol), "run", "--port", server.url)
    assert there.executed == []


class Says:
    """Something that says the same whatever it hears."""

    executed: tuple[str, ...] = ()

    def __init__(self, words: bytes) -> None:
        self.words, self.told = words, False

    def feed(self, data, now_s):
        self.told = False

    def take(self, now_s):
        if self.told:
            return b""
        self.told = True
        return self.words

    def next_s(self, now_s):
        return None


@pytest.mark.parametrize(
    ("says", "words"),
    [
        (b"", "nothing answers here"),
        (b"\xff\x80\xfe\x9c" * 20, "speed is wrong"),
        (b"login: \r\n", "understands neither"),
    ],
)
def test_what_is_no_controller_gets_its_own_message(folder, says, words):
    with Server(Says(says), pty=True) as server, pytest.raises(InputError, match=words):
        command(folder(), "run", "--port", server.url)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--from", "R99-1"), "no deposit lies on such a pad"),
        (("--only", "Q*"), "no deposit lies there"),
        (("--opened", "yesterday"), "is no time"),
        (("--port", "/dev/ttyNOTHERE9"), "no such port"),
    ],
)
def test_odd_words_are_refused(folder, more, words):
    with pytest.raises(InputError, match=words):
        command(folder(), "run", "--port", "sim:reprap", *more)


@pytest.mark.parametrize("content", ["", "{", "[]", '{"pads": 1}', "\0" * 100, "[" * 100_000])
def test_odd_plans_are_refused(folder, content):
    place = folder()
    (place / "plan.json").write_text(content, "utf-8")
    with pytest.raises(InputError):
        command(place, "run", "--port", "sim:reprap")


def test_a_program_without_a_verdict_is_refused(folder):
    place = folder()
    words = [
        word for word in words_of(place, "run", "--port", "sim:reprap") if word != "--even-if-unverified"
    ]
    with pytest.raises(InputError):
        app(words, standalone_mode=False)


def test_a_file_takes_the_place_of_a_port(folder, tmp_path, capsys):
    place = folder()
    assert command(place, "run", "--port", f"file:{tmp_path / 'card.gcode'}") == 0
    lines = (tmp_path / "card.gcode").read_text().splitlines()
    peer = TinyPrinter()
    for line in lines:
        peer.line(line)
    assert peer.place["X"] == 5.0
    assert states(place) == [DepositState.TO_BE_CHECKED] * 6
    assert command(place, "resume", "--in-doubt", "there") == 0
    assert states(place) == [DepositState.DONE] * 6


def test_ports_lists_the_simulated_ones(capsys):
    assert app(["ports"], standalone_mode=False) == 0
    told = capsys.readouterr().out
    assert "sim:reprap" in told
    assert "sim:cnc" in told


def started_process(place, *more):
    code = "from pastewright.cli.app import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *words_of(place, "run", *more)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        text=True,
    )


def wait_for(condition, seconds=60):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.01)


def stopped_by_ctrl_c(place, server, peer):
    """Start a run, press Ctrl-C in the middle of it; returns what it printed and when the key was pressed."""
    process = started_process(place, "--port", server.url)
    try:
        wait_for(lambda: len(peer.executed) > 100 or process.poll() is not None)
        asked_s = time.monotonic()
        process.send_signal(signal.SIGINT)
    finally:
        out, _ = process.communicate(timeout=20)
    assert process.returncode == 1, out
    assert "Ctrl-C" in out
    assert states(place).count(DepositState.STARTED) == 0
    return asked_s


def test_ctrl_c_stops_and_lifts_the_tip(folder):
    place, peer = folder("reprap", 200), TinyPrinter()
    with Server(peer, line_s=0.002) as server:
        stopped_by_ctrl_c(place, server, peer)
    assert peer.place["Z"] == 12.0


def test_a_stop_overtakes_the_lines_that_wait(folder):
    """The hold byte goes out at once, not behind the program; bench/link.py measures how many ms that takes."""
    place, peer = folder("cnc", 400), TinyCnc()
    with Server(peer, pty=True) as server:
        server.keep_wire = True
        asked_s = stopped_by_ctrl_c(place, server, peer)
    stopped_s = min(at for at, data in server.wire if b"!" in data)
    between = b"".join(data for at, data in server.wire if asked_s <= at < stopped_s)
    assert len(between) < 2000  # of some 40 kB that were still to come
    assert peer.place["Z"] + peer.work["Z"] == 12.0


def test_keys_pause_resume_and_stop_at_a_terminal(folder):
    place, peer = folder("reprap", 300), TinyPrinter()
    here, there = pty.openpty()
    code = "from pastewright.cli.app import main; main()"
    with Server(peer, line_s=0.002) as server:
        process = subprocess.Popen(
            [sys.executable, "-c", code, *words_of(place, "run", "--port", server.url)],
            stdin=there,
            stdout=there,
            stderr=there,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "120"},
        )
        shown = bytearray()

        def drained():
            while select.select([here], [], [], 0)[0]:
                shown.extend(os.read(here, 65536))
            return bytes(shown)

        try:
            wait_for(lambda: drained() and len(peer.executed) > 100)
            os.write(here, b"p")
            wait_for(lambda: b"r resumes, s stops" in drained())
            at_pause = len(peer.executed)
            assert peer.place["Z"] == 12.0
            time.sleep(0.2)
            assert len(peer.executed) == at_pause
            os.write(here, b"r")
            wait_for(lambda: drained() and len(peer.executed) > at_pause + 50)
            os.write(here, b"s")
            wait_for(lambda: drained() and process.poll() is not None)
        finally:
            process.kill()
            process.wait()
            told = drained().decode("utf-8", "replace")
            os.close(here)
            os.close(there)
    assert process.returncode == 1, told
    assert "min left" in told or "s left" in told
    assert " pads, " in told
    assert states(place).count(DepositState.STARTED) == 0
    assert peer.place["Z"] == 12.0


def test_the_first_ctrl_c_stops_and_the_second_drops_everything():
    before = signal.getsignal(signal.SIGINT)
    with wishes() as ask:
        assert ask() == []
        os.kill(os.getpid(), signal.SIGINT)
        assert ask() == [Halt("Ctrl-C")]
        os.kill(os.getpid(), signal.SIGINT)
        assert ask() == [Wish.EMERGENCY]
        assert ask() == []
    assert signal.getsignal(signal.SIGINT) is before
