"""The RepRap host protocol as worked dialogues: what is sent, and what must be answered."""

import pytest

from pastewright.virtual import Manners, VirtualController

GREETING = ["start", "echo:pastewright virtual controller, RepRap host protocol, no machine attached"]
TEMPERATURE = "T:21.4 /0.0 B:21.2 /0.0 @:0 B@:0"

# Each step: bytes sent, lines answered. Checksums marked (wiki) are the worked example of the public description,
# reprap.org wiki, "G-code", section "Checking": N3 T0*57, N4 G92 E0*67, N5 G28*22, N6 G1 F1500.0*82,
# N7 G1 X2.0 Y2.0 F3000.0*85, N8 G1 X3.0 Y3.0*33. The others are exclusive-or sums done by hand.
DIALOGUES = {
    "numbered lines, wiki": [
        (b"M110 N2\n", ["ok"]),
        (b"N3 T0*57\n", ["ok"]),
        (b"N4 G92 E0*67\n", ["ok"]),
        (b"N5 G28*22\n", ["ok"]),
        (b"N6 G1 F1500.0*82\n", ["ok"]),
        (b"N7 G1 X2.0 Y2.0 F3000.0*85\n", ["ok"]),
        (b"N8 G1 X3.0 Y3.0*33\n", ["ok"]),
    ],
    "a wrong checksum is asked for again and then taken": [
        (b"M110 N2\n", ["ok"]),
        (b"N3 T0*58\n", ["Error:checksum mismatch, Last Line: 2", "Resend: 3", "ok"]),
        (b"N3 T0*57\n", ["ok"]),
    ],
    "a line too far is not taken": [
        (b"M110 N2\n", ["ok"]),
        (
            b"N4 G92 E0*67\n",
            ["Error:Line Number is not Last Line Number+1, Last Line: 2", "Resend: 3", "ok"],
        ),
    ],
    "a line sent twice is taken once": [
        (b"M110 N2\n", ["ok"]),
        (b"N3 T0*57\n", ["ok"]),
        (b"N3 T0*57\n", ["Error:Line Number is not Last Line Number+1, Last Line: 3", "Resend: 4", "ok"]),
    ],
    "half a numbered line is not taken": [
        (b"M110 N2\n", ["ok"]),
        (b"N3 T0\n", ["Error:No Checksum with line number, Last Line: 2", "Resend: 3", "ok"]),
        (b"T0*57\n", ["Error:No Line Number with checksum, Last Line: 2", "Resend: 3", "ok"]),
        (b"N3 T0*\n", ["Error:checksum mismatch, Last Line: 2", "Resend: 3", "ok"]),
    ],
    "numbers start where M110 says, with a number of its own or without": [
        (b"N0 M110 N0*125\n", ["ok"]),
        (b"N7 M110 N2*120\n", ["ok"]),
        (b"N3 T0*57\n", ["ok"]),
    ],
    "empty lines and notes get no answer": [
        (b"\n\r\n  \n; only a note\n", []),
        (b"G21 ; millimetres\n", ["ok"]),
    ],
    "a word that is not known is complained about and acknowledged": [
        (b"G61.1\n", ['echo:Unknown command: "G61.1"', "ok"]),
        (b"hello\n", ['echo:Unknown command: "hello"', "ok"]),
    ],
    "where it is": [
        (b"G1 X1.5 Y-2 Z3 E0.25 F600\n", ["ok"]),
        (b"M114\n", ["X:1.50 Y:-2.00 Z:3.00 E:0.25 Count X:120 Y:-160 Z:240", "ok"]),
        (b"G92 X10 E0\n", ["ok"]),
        (b"M114\n", ["X:10.00 Y:-2.00 Z:3.00 E:0.00 Count X:120 Y:-160 Z:240", "ok"]),
    ],
    "temperature is answered behind ok": [(b"M105\n", [f"ok {TEMPERATURE}"])],
    "barriers, waits and homing": [
        (b"M400\n", ["ok"]),
        (b"G4 P250\n", ["ok"]),
        (b"G4 S1\n", ["ok"]),
        (b"G28 X\n", ["ok"]),
        (b"M18\n", ["ok"]),
    ],
    "a line too long for its checksum is refused, a long note is not": [
        (
            b"N1 G1 X1" + b"0" * 5000 + b"*57\n",
            ["Error:No Checksum with line number, Last Line: 0", "Resend: 1", "ok"],
        ),
        (b"G90 ;" + b" note" * 1000 + b"\n", ["ok"]),
        (
            b"N" + b"1" * 9000 + b"\n",
            ["Error:Line Number is not Last Line Number+1, Last Line: 0", "Resend: 1", "ok"],
        ),
    ],
    "several lines at once": [(b"G90\nM83\nM302 P1\n", ["ok", "ok", "ok"])],
    "text is sent back": [(b"M118 pads done: 4\n", ["pads done: 4", "ok"])],
    "an emergency ends everything": [
        (b"G1 X5 F600\n", ["ok"]),
        (b"M112\n", ["Error:Printer halted. kill() called!"]),
        (b"G1 X6\nM114\n", []),
    ],
    "an emergency with number and checksum": [(b"N1 M112*35\n", ["Error:Printer halted. kill() called!"])],
}


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "one byte at a time"])
@pytest.mark.parametrize("dialogue", DIALOGUES.values(), ids=DIALOGUES.keys())
def test_a_worked_dialogue_is_answered_word_for_word(talk, dialogue, whole):
    controller = VirtualController("reprap")
    assert talk(controller, b"") == GREETING
    for sent, answered in dialogue:
        assert talk(controller, sent, whole=whole) == answered


def test_an_answer_never_depends_on_where_the_bytes_are_cut(talk):
    said = b"".join(sent for sent, _ in DIALOGUES["where it is"])
    wanted = talk(VirtualController("reprap"), said)
    for cut in range(len(said)):
        controller = VirtualController("reprap")
        assert talk(controller, said[:cut]) + talk(controller, said[cut:]) == wanted


def test_advanced_ok_tells_the_line_and_the_free_places(talk, checked):
    controller = VirtualController("reprap", scale=1.0, manners=Manners(advanced_ok=True))
    talk(controller, b"M110 N0\n")
    answers = talk(controller, checked("N1 G1 X100 F600") + checked("N2 G1 X0"))
    # 16 places, one kept free in the ring: one move leaves 14, two leave 13. The queue of 4 is empty.
    assert answers == ["ok N1 P14 B4", "ok N2 P13 B4"]


def test_sixteen_moves_are_acknowledged_at_once_and_the_next_waits_for_room(talk):
    controller = VirtualController("reprap", scale=1.0)
    talk(controller, b"")
    answers = []
    for at in range(20):
        answers += talk(controller, f"G1 X{at % 2 + 1} F60\n".encode())
    assert answers == ["ok"] * 16
    # 1 mm at 1 mm/s with ramps of 1 ms (1000 mm/s²): D/v + v/a = 1.001 s.
    assert controller.next_s(0.0) == pytest.approx(1.001)
    assert talk(controller, b"", now_s=1.0) == []
    assert talk(controller, b"", now_s=1.0011) == ["ok"]


def test_what_the_receive_buffer_cannot_hold_is_lost(talk):
    controller = VirtualController("reprap", scale=1.0, manners=Manners(busy_s=0))
    talk(controller, b"")
    talk(controller, b"G4 S10\n")  # at work: one of 4 places in the queue
    talk(controller, b"G91\n" * 3)  # fills the others
    controller.feed(b"M118 a\n" * 20, 0.0)  # 140 bytes for 128: the last 12 are lost
    state = controller.state
    assert (state.waiting_bytes, state.lost_bytes) == (128, 12)
    answers = talk(controller, b"\n", now_s=11.0)
    assert answers.count("a") == 18  # 128 = 18 whole lines of 7 and "M1", which is no command
    assert 'echo:Unknown command: "M1"' not in answers  # M1 is: it waits for the person
    assert controller.state.paused


def test_a_refused_line_takes_the_receive_buffer_with_it(talk, checked):
    controller = VirtualController("reprap", scale=1.0, manners=Manners(busy_s=0))
    talk(controller, b"M110 N0\n")
    controller.feed(checked("N1 G4 S1") + checked("N2 G90") + checked("N3 G90") + checked("N4 G90"), 0.0)
    controller.feed(b"N5 G90*0\n" + checked("N6 G90") + checked("N7 G90"), 0.0)  # waits in the receive buffer
    answers = talk(controller, b"", now_s=2.0)
    assert answers.count("Resend: 5") == 1
    assert not any("Last Line: 5" in answer for answer in answers)
    assert controller.state.last_line == 4  # 6 and 7 were thrown away unread, and are asked for by the host
    assert controller.state.waiting_bytes == 0


def test_it_says_that_it_is_busy_every_two_seconds(talk, quiet):
    controller = VirtualController("reprap", scale=1.0)
    talk(controller, b"")
    controller.feed(b"G4 S7\n", 0.0)
    times = []
    now_s = 0.0
    while (next_s := controller.next_s(now_s)) is not None:
        now_s = next_s
        if controller.take(now_s) == b"echo:busy: processing\n":
            times.append(now_s)
    assert times == pytest.approx([2.0, 4.0, 6.0])
    assert now_s == pytest.approx(7.0)


def test_temperature_comes_unasked(talk):
    controller = VirtualController("reprap", manners=Manners(chatter_lines=3))
    talk(controller, b"")
    assert talk(controller, b"G90\n" * 3) == ["ok", "ok", "ok", f" {TEMPERATURE}"]
    timed = VirtualController("reprap", scale=0.5)
    talk(timed, b"")
    assert talk(timed, b"M155 S2\n") == ["ok"]
    assert timed.next_s(0.0) == pytest.approx(1.0)  # 2 s of the machine, at half the time
    assert talk(timed, b"", now_s=3.5) == [f" {TEMPERATURE}"] * 3


def test_an_emergency_passes_every_buffer_and_stops_in_the_middle_of_a_move(talk):
    controller = VirtualController("reprap", scale=1.0)
    talk(controller, b"")
    talk(controller, b"G1 X100 F600\nG1 X0\nG4 S100\nG90\nG90\n")
    answers = talk(controller, b"M112\n", now_s=5.005)
    assert answers[-1] == "Error:Printer halted. kill() called!"
    state = controller.state
    # 10 mm/s with ramps of 10 ms: at t the way is v·(t − ramp/2) = 10 · 5.000.
    assert state.axes_mm[0] == pytest.approx(50.0)
    assert (state.activity, state.alarm, state.queued_moves) == ("Halted", "emergency stop", 0)
    assert controller.executed[-1].share == pytest.approx(0.5)
    assert controller.dropped[:2] == ("G1 X0", "G4 S100")
    assert talk(controller, b"G1 X7\n", now_s=60.0) == []
    controller.reset(61.0)
    assert talk(controller, b"", now_s=61.0) == GREETING
    assert controller.state.axes_mm[0] == pytest.approx(50.0)  # truly still there,
    assert controller.state.reported["X"] == 0.0  # though the controller has forgotten


def test_a_quick_stop_drops_the_moves_and_forgets_those_of_the_next_second(talk):
    controller = VirtualController("reprap", scale=1.0)
    talk(controller, b"")
    talk(controller, b"G1 X100 F600\nG1 X0\nM400\n")
    assert talk(controller, b"M410\n", now_s=5.005) == ["echo:busy: processing"] * 2 + ["ok", "ok"]
    assert talk(controller, b"G91\nG1 X1\nM114\n", now_s=5.1)[2].startswith("X:51.00 ")  # it believes so,
    assert controller.state.axes_mm[0] == pytest.approx(50.0)  # and has forgotten the move
    talk(controller, b"M410\n", now_s=5.2)
    assert talk(controller, b"M114\n", now_s=5.2)[0].startswith("X:50.00 ")
    talk(controller, b"G1 X1\nM400\n", now_s=6.3)
    talk(controller, b"", now_s=7.0)
    assert controller.state.axes_mm[0] == pytest.approx(51.0)


def test_without_an_emergency_parser_the_word_waits_its_turn(talk):
    controller = VirtualController("reprap", scale=1.0, manners=Manners(emergency_parser=False, busy_s=0))
    talk(controller, b"")
    talk(controller, b"G4 S10\nG90\nG90\nG90\nM112\n")
    assert controller.state.alarm == ""
    assert talk(controller, b"", now_s=10.5)[-1] == "Error:Printer halted. kill() called!"


def test_a_wait_for_the_person_ends_by_m108(talk):
    controller = VirtualController("reprap")
    talk(controller, b"")
    assert talk(controller, b"M0\nG90\n") == []
    assert controller.state.paused
    assert talk(controller, b"M108\n") == ["ok", "ok", "ok"]


def test_a_cold_guard_keeps_the_plunger_still_until_it_is_told(talk):
    controller = VirtualController("reprap", manners=Manners(cold_guard=True))
    talk(controller, b"")
    assert talk(controller, b"G1 E1 F60\n") == ["echo: cold extrusion prevented", "ok"]
    assert controller.state.plunger == 0.0
    assert talk(controller, b"M302 P1\nG1 E1\n") == ["ok", "ok"]
    assert controller.state.plunger == 1.0


def test_while_it_starts_up_nothing_is_heard(talk):
    controller = VirtualController("reprap", manners=Manners(boot_s=0.5))
    assert talk(controller, b"M114\n", now_s=0.1) == []
    assert controller.next_s(0.1) == 0.5
    assert talk(controller, b"", now_s=0.5) == GREETING
    assert controller.state.lost_bytes == 5
