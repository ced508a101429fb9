"""The small-CNC sender: each exchange fed whole, one byte at a time, and with more behind it."""

import pytest
from peers import TinyCnc

from pastewright.link.cnc import IDLE_S, RX_BYTES, SILENCE_S, CncSender
from pastewright.link.events import Event, Failed, Passed, Ready, Standing, Trouble

GREETING = b"\r\nGrbl 1.1h ['$' for help]\r\n"
PARSER = b"[GC:G1 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]\r\n"


def status(state: str, x: float = 0.0) -> bytes:
    return (
        f"<{state}|MPos:{x:.3f},0.000,12.000,0.500|Bf:15,128|FS:0,0|WCO:0.000,0.000,0.000,0.500>\r\n".encode()
    )


def feed_whole(sender: CncSender, data: bytes, now_s: float = 0.0) -> list[Event]:
    return sender.received(data, now_s)


def feed_bytes(sender: CncSender, data: bytes, now_s: float = 0.0) -> list[Event]:
    return [event for at in range(len(data)) for event in sender.received(data[at : at + 1], now_s)]


@pytest.fixture(params=[feed_whole, feed_bytes], ids=["whole", "byte by byte"])
def feed(request):
    return request.param


def ready_sender(**options) -> CncSender:
    sender = CncSender(**options)
    sender.start(0.0)
    assert sender.to_send(0.0) == b"?"
    sender.received(status("Idle"), 0.0)
    assert sender.to_send(0.0) == b"\x18"
    sender.received(GREETING, 0.0)
    assert sender.to_send(0.0) == b"?"
    sender.received(status("Idle"), 0.0)
    assert sender.to_send(0.0) == b"$G\n"
    assert sender.received(PARSER + b"ok\r\n", 0.0) == [Ready("Grbl 1.1h")]
    return sender


def troubles(events: list[Event]) -> list[Trouble]:
    return [event.trouble for event in events if isinstance(event, Failed)]


def test_lines_go_out_until_the_receive_buffer_is_full(feed):
    sender = ready_sender()
    lines = [f"G1 X{k:03d}.000 Y000.000 F3000" for k in range(10)]
    sender.push(lines)
    sent = sender.to_send(0.0)
    assert len(sent) <= RX_BYTES
    assert (
        sent == "".join(line + "\n" for line in lines[:4]).encode()
    )  # 26 bytes each, 4 make 104, 5 would be 130
    assert sender.to_send(0.0) == b""
    feed(sender, b"ok\r\n")
    assert sender.to_send(0.0) == (lines[4] + "\n").encode()


def test_the_buffer_of_the_controller_never_overruns():
    peer = TinyCnc()
    sender = CncSender()
    sender.start(0.0)
    sent_lines = [f"G1 X{k % 7}{'0' * (k % 11)} F{100 + k}" for k in range(400)]
    pushed = False
    for step in range(5000):
        now_s = step * 0.001
        peer.feed(sender.to_send(now_s), now_s)
        answer = peer.take(now_s) if step % 3 else b""  # the controller is slower than the host
        for event in sender.received(answer, now_s):
            if isinstance(event, Ready):
                pushed = True
                sender.push(sent_lines)
        sender.tick(now_s)
    assert pushed
    assert peer.executed == [line.replace(" ", "") for line in sent_lines]
    assert not peer.overrun
    assert 64 < peer.most_buffered <= RX_BYTES


def test_a_barrier_passes_when_the_parser_has_spoken_and_the_axes_stand(feed):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.barrier(5)
    sender.push(["G1 X2"])
    assert sender.to_send(0.0) == b"G1 X1\nG4 P0\n$G\n"
    assert feed(sender, b"ok\r\nok\r\n" + PARSER + b"ok\r\n") == []
    assert sender.to_send(0.0) == b"?"
    assert [type(event) for event in feed(sender, status("Run", 0.5))] == [Standing]
    passed, _ = feed(sender, status("Idle", 1.0))
    assert passed == Passed(5, {"X": 1.0, "Y": 0.0, "Z": 12.0, "A": 0.0})  # the offset is taken off
    assert sender.to_send(0.0) == b"G1 X2\n"


def test_an_answer_too_many_before_a_barrier_is_a_miscount(feed):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.barrier(5)
    sender.to_send(0.0)
    assert troubles(feed(sender, b"ok\r\nok\r\nok\r\n")) == [Trouble.MISCOUNT]


def test_an_answer_too_few_before_a_barrier_is_a_miscount(feed):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.barrier(5)
    sender.to_send(0.0)
    assert troubles(feed(sender, b"ok\r\n" + PARSER)) == [Trouble.MISCOUNT]


def test_an_answer_to_nothing_is_a_miscount(feed):
    assert troubles(feed(ready_sender(), b"ok\r\n")) == [Trouble.MISCOUNT]


def test_standing_idle_with_lines_unanswered_is_a_miscount():
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    events: list[Event] = []
    now_s = 0.0
    while not troubles(events):
        assert sender.next_s is not None
        now_s = sender.next_s
        events += sender.tick(now_s)
        if b"?" in sender.to_send(now_s):
            events += sender.received(status("Idle"), now_s)
    assert troubles(events) == [Trouble.MISCOUNT]
    assert IDLE_S < now_s < IDLE_S + 2


def test_standing_idle_over_a_long_dwell_is_no_miscount():
    sender = ready_sender()
    sender.push(["G4 P8"])
    sender.to_send(0.0)
    now_s = 0.0
    while now_s < 8:
        assert sender.next_s is not None
        now_s = sender.next_s
        assert troubles(sender.tick(now_s)) == []
        if b"?" in sender.to_send(now_s):
            assert troubles(sender.received(status("Idle"), now_s)) == []
    assert sender.received(b"ok\r\n", now_s) == []


def test_an_error_names_the_line_and_what_it_means(feed):
    sender = ready_sender()
    sender.push(["G1 X1", "G1 XX"])
    sender.to_send(0.0)
    (event,) = feed(sender, b"ok\r\nerror:2\r\n")
    assert event.trouble is Trouble.REFUSED
    assert "'G1 XX'" in event.what
    assert "number is not well formed" in event.what


@pytest.mark.parametrize(
    ("words", "trouble"),
    [
        (b"ALARM:1\r\n", Trouble.ALARM),
        (GREETING, Trouble.RESET),
        (status("Alarm"), Trouble.ALARM),
        (status("Hold:0"), Trouble.HELD),
        (status("Door:0"), Trouble.HELD),
    ],
)
def test_trouble_by_its_name(feed, words, trouble):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    assert troubles(feed(sender, words)) == [trouble]


def test_a_garbled_state_word_is_no_trouble(feed):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    assert troubles(feed(sender, status("Idme"))) == []


def test_hold_goes_before_everything_that_waits():
    sender = ready_sender()
    sender.push(["G1 X1"])
    assert sender.hold(0.0)
    assert sender.to_send(0.0) == b"!"  # and the line stays back
    assert troubles(sender.received(status("Hold:0"), 0.0)) == []
    sender.go_on(1.0)
    assert sender.to_send(1.0) == b"~G1 X1\n"


def test_breaking_off_holds_then_resets_once_it_stands(feed):
    sender = ready_sender()
    sender.push([f"G1 X{k}" for k in range(40)])
    sender.to_send(0.0)
    sender.break_off(1.0)
    assert sender.to_send(1.0) == b"!?"
    feed(sender, status("Hold:1"), 1.0)
    assert b"\x18" not in sender.to_send(1.0)
    feed(sender, status("Hold:0"), 1.1)
    assert sender.to_send(1.1) == b"\x18"
    feed(sender, GREETING, 1.2)
    sender.to_send(1.2)
    feed(sender, status("Idle"), 1.2)
    assert sender.to_send(1.2) == b"$G\n"
    assert Ready("Grbl 1.1h") in feed(sender, PARSER + b"ok\r\n", 1.2)
    assert sender.unsent == 0


def test_a_silent_controller_is_given_up():
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    events: list[Event] = []
    while sender.next_s is not None:
        now_s = sender.next_s
        events += sender.tick(now_s)
        sender.to_send(now_s)
    assert troubles(events) == [Trouble.SILENT]
    assert SILENCE_S < now_s < SILENCE_S + 1


def test_a_locked_controller_is_accepted_only_where_homing_comes_first():
    sender = CncSender()
    sender.start(0.0)
    assert troubles(sender.received(status("Alarm"), 0.0)) == [Trouble.ALARM]
    sender = CncSender(locked_is_fine=True)
    sender.start(0.0)
    assert troubles(sender.received(status("Alarm"), 0.0)) == []
    assert sender.to_send(0.0).endswith(b"\x18")


def test_the_handshake_waits_while_moves_of_an_earlier_host_run_out():
    sender = CncSender()
    sender.start(0.0)
    sender.to_send(0.0)
    sender.received(status("Run"), 0.1)
    assert b"\x18" not in sender.to_send(0.1)
    sender.received(b"ok\r\nok\r\n" + status("Idle"), 0.2)
    assert sender.to_send(0.2) == b"\x18"


def test_exact_stop_is_told_as_the_exact_path_that_these_controllers_know():
    sender = ready_sender()
    sender.push(["G61.1", "G61"])
    assert sender.to_send(0.0) == b"G61\nG61\n"


def offset_status(z_mm: float) -> bytes:
    return f"<Idle|MPos:0.000,0.000,12.000,0.000|FS:0,0|WCO:0.000,0.000,{z_mm:.3f},0.000>\r\n".encode()


def test_a_place_set_with_g92_is_refused_as_the_reset_forgets_it():
    sender = CncSender()
    sender.start(0.0)
    sender.received(offset_status(-40.0), 0.0)
    assert sender.to_send(0.0).endswith(b"\x18")
    (event,) = troubles_of(sender.received(GREETING + offset_status(0.0), 0.1))
    assert "Z was set with G92" in event.what
    assert b"$G" not in sender.to_send(0.1)


def troubles_of(events: list[Event]) -> list[Failed]:
    return [event for event in events if isinstance(event, Failed)]


def test_the_handshake_waits_for_a_report_with_the_offset():
    sender = CncSender()
    sender.start(0.0)
    for k in range(8):
        sender.received(b"<Idle|MPos:0.000,0.000,12.000,0.000|FS:0,0>\r\n", 0.05 * k)
        assert b"\x18" not in sender.to_send(0.05 * k)
    sender.received(offset_status(-40.0), 0.5)
    assert sender.to_send(0.5).endswith(b"\x18")
