"""The RepRap sender: each exchange fed whole, one byte at a time, and with more behind it."""

from functools import reduce
from operator import xor

import pytest

from pastewright.link.events import Event, Failed, Passed, Ready, Repeated, Said, Trouble
from pastewright.link.reprap import LINE_TRIES, SILENCE_S, RepRapSender, numbered, position_of

PLACE = b"X:1.00 Y:2.00 Z:12.00 E:0.40 Count X:80 Y:160 Z:4800\n"


def feed_whole(sender: RepRapSender, data: bytes, now_s: float = 0.0) -> list[Event]:
    return sender.received(data, now_s)


def feed_bytes(sender: RepRapSender, data: bytes, now_s: float = 0.0) -> list[Event]:
    return [event for at in range(len(data)) for event in sender.received(data[at : at + 1], now_s)]


@pytest.fixture(params=[feed_whole, feed_bytes], ids=["whole", "byte by byte"])
def feed(request):
    return request.param


def ready_sender(**options) -> RepRapSender:
    sender = RepRapSender(**options)
    sender.start(0.0)
    assert sender.to_send(0.0) == b"\nN0 M110 N0*125\n"
    sender.received(b"ok\n", 0.0)
    assert sender.to_send(0.0) == numbered("M115", 1)
    sender.received(b"FIRMWARE_NAME:Tiny 1.0\nok\n", 0.0)
    assert sender.to_send(0.0) == numbered("M400", 2)
    sender.received(b"ok\n", 0.0)
    assert sender.to_send(0.0) == numbered("M114", 3)
    assert sender.received(PLACE + b"ok\n", 0.0) == [Ready("FIRMWARE_NAME:Tiny 1.0")]
    return sender


def test_a_numbered_line_carries_the_exclusive_or_of_its_bytes():
    # The wiki's own example of a checksummed line: N3 T0*57 and N4 G92 E0*67 (reprap.org, "G-code", Checksum).
    assert numbered("T0", 3) == b"N3 T0*57\n"
    assert numbered("G92 E0", 4) == b"N4 G92 E0*67\n"
    body = b"N12 G1 X1.5"
    assert numbered("G1 X1.5", 12) == body + b"*%d\n" % reduce(xor, body)


def test_a_position_report_is_read_without_its_step_counts():
    assert position_of("X:1.50 Y:-2.00 Z:12.00 E:0.40 Count X:80 Y:160 Z:4800") == {
        "X": 1.5,
        "Y": -2.0,
        "Z": 12.0,
        "E": 0.4,
    }
    assert position_of("T:21.0 /0.0 B:20.0") == {}


def test_one_line_goes_out_for_every_ok(feed):
    sender = ready_sender()
    sender.push(["G21", "G90"])
    assert sender.to_send(0.0) == numbered("G21", 4)
    assert sender.to_send(0.0) == b""
    assert feed(sender, b"ok\n") == []
    assert sender.to_send(0.0) == numbered("G90", 5)
    assert sender.taken == 5


def test_an_answer_with_more_behind_it_is_taken_up_to_its_end(feed):
    sender = ready_sender()
    sender.push(["G21", "G90"])
    sender.to_send(0.0)
    feed(sender, b"ok\no")
    assert sender.to_send(0.0) == numbered("G90", 5)
    feed(sender, b"k\n")
    assert sender.taken == 6


def test_chatter_neither_acknowledges_nor_disturbs(feed):
    sender = ready_sender()
    sender.push(["G21", "G90"])
    sender.to_send(0.0)
    events = feed(
        sender, b"echo:busy: processing\n T:21.3 /0.0 B:20.9 /0.0 @:0\n//a remark\necho:something\nwait\n"
    )
    assert events == [Said("//a remark"), Said("echo:something")]
    assert sender.to_send(0.0) == b""


@pytest.mark.parametrize(
    "words",
    [b"Resend: 4\n", b"Resend:4\n", b"rs 4\n", b"rs N4\n", b"resend 4\n"],
    ids=lambda words: words.decode(),
)
def test_a_line_asked_for_again_goes_out_again_with_its_number(feed, words):
    sender = ready_sender()
    sender.push(["G21", "G90"])
    first = sender.to_send(0.0)
    assert feed(sender, b"Error:checksum mismatch, Last Line: 3\n" + words + b"ok\n")[-1] == Repeated(4)
    assert sender.to_send(0.0) == first == numbered("G21", 4)
    feed(sender, b"ok\n")
    assert sender.to_send(0.0) == numbered("G90", 5)


def test_a_resend_without_an_ok_behind_it_is_answered_after_a_moment():
    sender = ready_sender()
    sender.push(["G21"])
    sender.to_send(0.0)
    sender.received(b"Resend: 4\n", 1.0)
    assert sender.to_send(1.0) == b""
    assert sender.next_s is not None
    assert sender.tick(sender.next_s) == [Repeated(4)]
    assert sender.to_send(1.2) == numbered("G21", 4)


def test_a_lost_ok_costs_time_and_no_line_twice():
    sender = ready_sender()
    sender.push(["G21", "G90"])
    sender.to_send(0.0)
    assert sender.next_s == SILENCE_S
    sender.tick(SILENCE_S)
    assert sender.to_send(SILENCE_S) == b"\n" + numbered("G21", 4)
    # It had been taken: the controller says that it waits for 5.
    sender.received(b"Error:Line Number is not Last Line Number+1, Last Line: 4\nResend: 5\nok\n", 6.0)
    assert sender.to_send(6.0) == numbered("G90", 5)


def test_a_controller_that_says_nothing_is_given_up():
    sender = ready_sender()
    sender.push(["G21"])
    now_s = 0.0
    events: list[Event] = []
    sent = bytearray(sender.to_send(0.0))
    while sender.next_s is not None:
        now_s = sender.next_s
        events += sender.tick(now_s)
        sent += sender.to_send(now_s)
    assert [type(event) for event in events] == [Failed]
    assert isinstance(events[0], Failed) and events[0].trouble is Trouble.SILENT
    assert sent.count(numbered("G21", 4)) == LINE_TRIES
    assert now_s == LINE_TRIES * SILENCE_S


def test_busy_keeps_the_patience_up():
    sender = ready_sender()
    sender.push(["G28"])
    sender.to_send(0.0)
    for second in range(1, 60):
        assert sender.received(b"echo:busy: processing\n", float(second)) == []
        assert sender.tick(float(second)) == []
    assert sender.to_send(60.0) == b""


def test_a_barrier_passes_with_the_position_and_not_before(feed):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.barrier(7)
    sender.push(["G1 X2"])
    sender.to_send(0.0)
    feed(sender, b"ok\n")
    assert sender.to_send(0.0) == numbered("M400", 5)
    feed(sender, b"ok\n")
    assert sender.to_send(0.0) == numbered("M114", 6)
    assert feed(sender, b"ok\n") == []  # a doubled ok of M400: without the position it proves nothing
    assert sender.to_send(0.0) == b""
    assert feed(sender, PLACE + b"ok\n") == [Passed(7, {"X": 1.0, "Y": 2.0, "Z": 12.0, "E": 0.4})]
    assert sender.to_send(0.0) == numbered("G1 X2", 7)


def test_a_lost_position_is_asked_for_anew():
    sender = ready_sender()
    sender.barrier(7)
    sender.to_send(0.0)
    sender.received(b"ok\n", 0.0)
    assert sender.to_send(0.0) == numbered("M114", 5)
    sender.received(b"ok\n", 0.0)  # the position got lost on the way
    sender.tick(SILENCE_S)
    assert sender.to_send(SILENCE_S) == b"\n" + numbered("M114", 5)
    sender.received(b"Resend: 6\nok\n", SILENCE_S)
    assert sender.to_send(SILENCE_S) == numbered("M114", 6)
    event = sender.received(PLACE + b"ok\n", SILENCE_S)[0]
    assert isinstance(event, Passed) and event.token == 7


@pytest.mark.parametrize("words", [b"start\n", b"start\necho: External Reset\n"])
def test_a_reset_in_the_middle_ends_the_sender(feed, words):
    sender = ready_sender()
    sender.push(["G21"])
    sender.to_send(0.0)
    (event,) = feed(sender, words)
    assert isinstance(event, Failed)
    assert event.trouble is Trouble.RESET
    assert sender.to_send(0.0) == b""


def test_a_controller_that_counts_from_one_again_was_reset_although_nobody_heard_it():
    sender = ready_sender()
    sender.push(["G21"])
    sender.to_send(0.0)
    assert sender.received(b"Resend: 1\nok\n", 0.0) == [
        Repeated(4)
    ]  # it may have been garbled: ask once more
    assert sender.to_send(0.0) == numbered("G21", 4)
    (event,) = sender.received(b"Resend: 1\nok\n", 0.0)
    assert isinstance(event, Failed) and event.trouble is Trouble.RESET


def test_a_resend_of_a_line_never_sent_is_taken_for_noise():
    sender = ready_sender()
    sender.push(["G21"])
    sender.to_send(0.0)
    sender.received(b"Resend: 400\nok\n", 0.0)
    assert sender.to_send(0.0) == numbered("G21", 4)


def test_advanced_oks_open_the_window_and_name_the_line():
    sender = ready_sender()
    sender.push([f"G1 X{k}" for k in range(6)])
    assert sender.to_send(0.0) == numbered("G1 X0", 4)
    sender.received(b"ok N4 P15 B3\n", 0.0)
    sent = sender.to_send(0.0)
    assert sent == numbered("G1 X1", 5) + numbered("G1 X2", 6)  # two lines of 96 bytes at most fit into 120
    sender.received(b"ok N6 P13 B3\n", 0.0)  # the ok of line 5 got lost: this one speaks for both
    assert sender.to_send(0.0) == numbered("G1 X3", 7) + numbered("G1 X4", 8)


@pytest.mark.parametrize(
    ("words", "trouble"),
    [
        (b'echo:Unknown command: "G5"\n', Trouble.REFUSED),
        (b"echo: cold extrusion prevented\n", Trouble.REFUSED),
        (b"Error:Printer halted. kill() called!\n", Trouble.ALARM),
    ],
)
def test_what_the_controller_refuses_is_no_chatter(words, trouble):
    sender = ready_sender()
    sender.push(["G21"])
    sender.to_send(0.0)
    (event,) = sender.received(words, 0.0)
    assert isinstance(event, Failed) and event.trouble is trouble


@pytest.mark.parametrize("words", [b'"4"', b'"M302 P1"', b'"?"'])
def test_the_tail_of_a_broken_checksum_and_leave_not_needed_are_chatter(words):
    sender = ready_sender()
    sender.push(["G21"])
    sender.to_send(0.0)
    (event,) = sender.received(b"echo:Unknown command: " + words + b"\n", 0.0)
    assert isinstance(event, Said)


def test_lines_not_yet_sent_can_be_dropped():
    sender = ready_sender()
    sender.push(["G21", "G90", "G1 X1"])
    sender.to_send(0.0)
    assert sender.unsent == 2
    assert sender.drop_unsent() == 2
    sender.received(b"ok\n", 0.0)
    assert sender.to_send(0.0) == b""


def test_a_line_that_no_controller_could_hold_is_our_own_mistake():
    with pytest.raises(ValueError, match="too long"):
        ready_sender().push(["G1 X" + "1" * 100])


def test_a_greeting_that_follows_half_an_answer_is_heard_at_once():
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    assert sender.received(b"echo:busy: proc", 2.0) == []
    (failed,) = sender.received(b"start\n", 4.0)
    assert isinstance(failed, Failed)
    assert failed.trouble is Trouble.RESET
    assert failed.since_s == 2.0  # it was in the midst of its work when it said the half


@pytest.mark.parametrize("text", [b"echo:please restart\n", b"echo:SD autostart\n", b"echo:press to start\n"])
def test_words_for_people_are_no_greeting(text):
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    assert not any(isinstance(event, Failed) for event in sender.received(text, 1.0))


def test_a_reset_that_nobody_heard_may_have_been_at_any_time_since_the_last_sign_of_work():
    sender = ready_sender()
    sender.push(["G1 X1"])
    sender.to_send(0.0)
    sender.received(b"ok\n", 0.1)
    sender.barrier(1)
    sender.to_send(0.1)
    sender.received(b"echo:busy: processing\n", 2.0)
    asked = b"Error:Line Number is not Last Line Number+1, Last Line: 0\nResend: 1\nok\n"
    events = sender.tick(7.0)
    for now_s in (7.1, 7.2, 7.3):
        sender.to_send(now_s)
        events += sender.received(asked, now_s)
    failed = next(event for event in events if isinstance(event, Failed))
    assert (failed.trouble, failed.since_s) == (Trouble.RESET, 2.0)
