"""The small-CNC protocol as worked dialogues: what is sent, and what must be answered."""

import pytest

from pastewright.virtual import Manners, VirtualController

GREETING = [
    "",
    "Pretend 1 ['$' for help]",
    "[MSG:'$H'|'$X' to unlock]",
]
UNLOCKED = ["[MSG:Caution: Unlocked]", "ok"]
ZERO = "0.000,0.000,0.000,0.000"

# Error numbers: the public table of the protocol's reference firmware, version 1.1.
DIALOGUES = {
    "locked until told": [
        (b"G21\n", ["error:9"]),
        (b"?", [f"<Alarm|MPos:{ZERO}|Bf:15,128|FS:0,0|WCO:{ZERO}>"]),
        (b"$X\n", UNLOCKED),
        (b"G21\n", ["ok"]),
        (b"?", [f"<Idle|MPos:{ZERO}|Bf:15,128|FS:0,0>"]),
    ],
    "homing unlocks too": [(b"$H\n", ["ok"]), (b"G21\n", ["ok"])],
    "one answer for every line, also an empty one": [
        (b"$X\n", UNLOCKED),
        (b"G21 G90 G94\n\n(only a note)\n; another\n", ["ok"] * 4),
        (b"G1 X1 F600\r\n", ["ok", "ok"]),  # each of the two ends a line
    ],
    "every kind of error": [
        (b"$X\n", UNLOCKED),
        (b"1G1\n", ["error:1"]),
        (b"G1 X\n", ["error:2"]),
        (b"$hello\n", ["error:3"]),
        (b"G5\n", ["error:20"]),
        (b"M62\n", ["error:20"]),
        (b"G1 G0 X1\n", ["error:21"]),
        (b"G1 X1\n", ["error:22"]),  # no feed yet
        (b"G92 G1 X1 F60\n", ["error:24"]),
        (b"G0 X1 X2\n", ["error:25"]),
        (b"G92\n", ["error:26"]),
        (b"G4\n", ["error:28"]),
        (b"G0 X" + b"1" * 80 + b"\n", ["error:11"]),
        (b"?", [f"<Idle|MPos:{ZERO}|Bf:15,128|FS:0,0|WCO:{ZERO}>"]),  # nothing has moved
    ],
    "notes and spaces do not count against the length of a line": [
        (b"$X\n", UNLOCKED),
        (b"G0 X1 (" + b"note " * 30 + b")\n", ["ok"]),
        (b"G0" + b" " * 90 + b"X2\n", ["ok"]),
    ],
    "positions and the offset": [
        (b"$X\n", UNLOCKED),
        (b"?", [f"<Idle|MPos:{ZERO}|Bf:15,128|FS:0,0|WCO:{ZERO}>"]),
        (b"G0 X1 Y-2 Z3 A4\n", ["ok"]),
        (b"G92 A0\n", ["ok"]),
        (
            b"?",
            ["<Idle|MPos:1.000,-2.000,3.000,4.000|Bf:15,128|FS:0,0|WCO:0.000,0.000,0.000,4.000>"],
        ),
        (b"G92.1\n", ["ok"]),
        (b"?", [f"<Idle|MPos:1.000,-2.000,3.000,4.000|Bf:15,128|FS:0,0|WCO:{ZERO}>"]),
    ],
    "inverse time needs F in every line": [
        (b"$X\n", UNLOCKED),
        (b"G93 G1 X1 F60\n", ["ok"]),
        (b"X2\n", ["error:22"]),
        (b"X2 F60\n", ["ok"]),
        (b"G94 X3\n", ["error:22"]),  # F of one mode means nothing in the other
        (b"G94 X3 F60\n", ["ok"]),
    ],
    "modes": [
        (b"$X\n", UNLOCKED),
        (b"$G\n", ["[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]", "ok"]),
        (b"G20 G91 G1 F10\n", ["ok"]),
        (b"$G\n", ["[GC:G1 G54 G17 G20 G91 G94 M5 M9 T0 F254 S0]", "ok"]),
        (b"M2\n", ["ok"]),
        (b"$G\n", ["[GC:G1 G54 G17 G20 G90 G94 M5 M9 T0 F254 S0]", "ok"]),
    ],
    "a move and the end of the program in one line": [
        (b"$X\n", UNLOCKED),
        (b"G91 G0 X2 M2\nG0 X1\n", ["ok", "ok"]),
        (b"?", [f"<Idle|MPos:1.000,0.000,0.000,0.000|Bf:15,128|FS:0,0|WCO:{ZERO}>"]),
    ],
    "a real-time byte in the middle of a line takes no part in it": [
        (b"$X\n", UNLOCKED),
        (b"G0 X?1\n", [f"<Idle|MPos:{ZERO}|Bf:15,128|FS:0,0|WCO:{ZERO}>", "ok"]),
        (b"?", ["<Idle|MPos:1.000,0.000,0.000,0.000|Bf:15,128|FS:0,0>"]),
    ],
    "a hold keeps lines waiting": [
        (b"$X\n", UNLOCKED),
        (b"!G0 X1\n", []),
        (b"?", [f"<Hold:0|MPos:{ZERO}|Bf:15,122|FS:0,0|WCO:{ZERO}>"]),
        (b"~", ["ok"]),
    ],
    "a pause in the program is a hold": [
        (b"$X\n", UNLOCKED),
        (b"M0\nG0 X1\n", []),
        (b"~", ["ok", "ok"]),
    ],
    "a reset at rest keeps the position and throws the half line away": [
        (b"$X\n", UNLOCKED),
        (b"G0 X1\nG91 G0 X5", ["ok"]),
        (b"\x18", ["", GREETING[1]]),
        (b"\nG0 X2\n", ["ok", "ok"]),  # positions again, so it goes to 2
        (b"?", [f"<Idle|MPos:2.000,0.000,0.000,0.000|Bf:15,128|FS:0,0|WCO:{ZERO}>"]),
    ],
    "a setting": [
        (b"$X\n", UNLOCKED),
        (b"$22=0\n", ["ok"]),
        (b"$999=0\n", ["error:3"]),
    ],
}


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "one byte at a time"])
@pytest.mark.parametrize("dialogue", DIALOGUES.values(), ids=DIALOGUES.keys())
def test_a_worked_dialogue_is_answered_word_for_word(talk, dialogue, whole):
    controller = VirtualController("cnc")
    assert talk(controller, b"") == GREETING
    for sent, answered in dialogue:
        assert talk(controller, sent, whole=whole) == answered


@pytest.fixture
def unlocked(talk):
    controller = VirtualController("cnc", scale=1.0)
    talk(controller, b"$X\n")
    return controller


def report(talk, controller, now_s):
    """Return a status report by its fields, the state under ""."""
    line = next(line for line in talk(controller, b"?", now_s=now_s) if line.startswith("<"))
    state, *fields = line[1:-1].split("|")
    return {"": state} | dict(field.split(":", 1) for field in fields)


def test_settings_are_listed_as_number_and_value(talk, unlocked):
    *settings, last = talk(unlocked, b"$$\n")
    assert last == "ok"
    assert "$22=1" in settings
    assert all(line[0] == "$" and line[1:].split("=")[0].isdecimal() for line in settings)


def test_the_planner_takes_fifteen_moves_and_then_lines_wait_in_the_buffer(talk, unlocked):
    talk(unlocked, b"F60\n")
    answers = talk(unlocked, b"".join(b"G1 X%d\n" % (at % 2 + 1) for at in range(18)))
    assert answers == ["ok"] * 15
    # The 16th line is at work and waits; two lines of 6 bytes are in the buffer.
    assert report(talk, unlocked, 0.0)["Bf"] == "0,116"
    # 1 mm at 1 mm/s with ramps of 1 ms (1000 mm/s²): D/v + v/a = 1.001 s.
    assert unlocked.next_s(0.0) == pytest.approx(1.001)
    assert talk(unlocked, b"", now_s=1.002) == ["ok"]


def test_bytes_beyond_128_are_lost_and_real_time_bytes_are_not(talk, unlocked):
    talk(unlocked, b"G4 P10\n")
    unlocked.feed(b"G0 X1\n" * 25 + b"?", 0.0)  # 150 bytes
    state = unlocked.state
    assert (state.waiting_bytes, state.lost_bytes) == (128, 22)
    assert talk(unlocked, b"")[0].startswith("<Run|")
    answers = talk(unlocked, b"\n", now_s=10.1)
    # 128 bytes are 21 lines and "G0"; the dwell has its ok, and the newline ends what is left.
    assert answers == ["ok"] * 23
    assert sum(done.text == "G0 X1" for done in unlocked.executed) == 21


def test_bytes_counted_by_the_host_never_overrun(talk, unlocked):
    lines = [b"G1 X%d.%03d F6000\n" % (at % 50, at) for at in range(200)]
    sent: list[int] = []
    now_s, at, done = 0.0, 0, 0
    while done < len(lines):
        while at < len(lines) and sum(sent) + len(lines[at]) <= 128:
            unlocked.feed(lines[at], now_s)
            sent.append(len(lines[at]))
            at += 1
        now_s = unlocked.next_s(now_s)
        oks = unlocked.take(now_s).count(b"ok\r\n")
        done += oks
        del sent[:oks]
    assert unlocked.state.lost_bytes == 0
    assert [done.text.encode() + b"\n" for done in unlocked.executed] == lines[: unlocked.executed_count]
    unlocked.take(now_s + 60)
    assert unlocked.executed_count == 200


def test_a_dwell_is_in_seconds_and_a_dwell_of_nothing_is_a_barrier(talk, unlocked):
    assert talk(unlocked, b"G4 P1.5\n") == []
    assert talk(unlocked, b"", now_s=1.49) == []
    assert talk(unlocked, b"", now_s=1.51) == ["ok"]
    assert talk(unlocked, b"G1 X1 F60\nG4 P0\n", now_s=2.0) == ["ok"]
    assert unlocked.next_s(2.0) == pytest.approx(3.001)
    assert talk(unlocked, b"", now_s=3.002) == ["ok"]
    assert unlocked.state.axes_mm[0] == pytest.approx(1.0)


def test_a_hold_stops_in_the_middle_and_goes_on_from_there(talk, unlocked):
    talk(unlocked, b"G1 X100 F600\nG4 P0\n")
    # 10 mm/s with ramps of 10 ms: at 5.005 s the way is 10 · (5.005 − 0.005) = 50 mm.
    talk(unlocked, b"!", now_s=5.005)
    held = report(talk, unlocked, 20.0)
    assert (held[""], held["MPos"]) == ("Hold:0", "50.000,0.000,0.000,0.000")
    assert unlocked.next_s(20.0) is None
    talk(unlocked, b"~", now_s=25.005)
    assert report(talk, unlocked, 25.006)[""] == "Run"
    assert report(talk, unlocked, 27.005)["MPos"] == "70.000,0.000,0.000,0.000"
    # 10.01 s of motion and 20 s of hold.
    assert unlocked.next_s(28.0) == pytest.approx(30.01)
    assert talk(unlocked, b"", now_s=30.02) == ["ok"]
    assert unlocked.state.axes_mm[0] == pytest.approx(100.0)


def test_a_reset_in_motion_is_an_alarm_and_after_a_hold_it_is_not(talk, unlocked):
    talk(unlocked, b"G1 X100 F600\n")
    answers = talk(unlocked, b"\x18", now_s=5.005)
    assert answers == ["ALARM:3", *GREETING]
    assert talk(unlocked, b"G0 X0\n", now_s=6.0) == ["error:9"]
    assert unlocked.state.axes_mm[0] == pytest.approx(50.0)
    talk(unlocked, b"$X\nG1 X0 F600\n", now_s=7.0)
    talk(unlocked, b"!", now_s=8.005)
    assert talk(unlocked, b"\x18", now_s=9.0) == GREETING[:2]
    assert report(talk, unlocked, 9.0)["MPos"] == "40.000,0.000,0.000,0.000"
    assert [round(done.share, 3) for done in unlocked.executed if done.share < 1] == [0.5, 0.2]


def test_a_limit_switch_locks_until_reset_and_unlock(talk, unlocked):
    talk(unlocked, b"G1 X100 F600\n")
    unlocked.hit_limit(5.0)
    assert talk(unlocked, b"$X\n", now_s=5.0) == ["ALARM:1", "[MSG:Reset to continue]"]
    assert talk(unlocked, b"\x18", now_s=6.0) == GREETING
    assert talk(unlocked, b"$X\n", now_s=6.0) == UNLOCKED


def test_homing_goes_to_where_the_axes_truly_are_zero(talk, quiet, unlocked):
    talk(unlocked, b"G1 X10 Y20 Z4 F6000\n")
    now_s, _ = quiet(unlocked, 30.0)
    unlocked.reset(now_s)
    talk(unlocked, b"$X\nG0 X5\n", now_s=now_s)  # the controller believes 5, truly 15
    assert talk(unlocked, b"", now_s=now_s + 1) == []
    assert unlocked.state.axes_mm == pytest.approx((15.0, 20.0, 4.0))
    unlocked.feed(b"$H\n", now_s + 1)
    assert report(talk, unlocked, now_s + 1.1)[""] == "Home"
    # 20 mm/s, one axis after the other: (15 + 20 + 4) / 20 = 1.95 s.
    assert unlocked.next_s(now_s + 1.1) == pytest.approx(now_s + 2.95)
    assert talk(unlocked, b"", now_s=now_s + 3) == ["ok"]
    assert unlocked.state.axes_mm == pytest.approx((0.0, 0.0, 0.0))
    assert unlocked.state.reported["X"] == 0.0


def test_a_smaller_machine_reports_its_own_numbers(talk):
    controller = VirtualController("cnc", manners=Manners(planner_moves=7, receive_bytes=64))
    talk(controller, b"")
    assert report(talk, controller, 0.0)["Bf"] == "7,64"
