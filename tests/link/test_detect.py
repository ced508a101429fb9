"""Which protocol speaks: greetings, answers, and everything that is neither."""

import pytest
from peers import TinyCnc, TinyPrinter

from pastewright.link.detect import Deaf, Detector, Found, NotFound, Protocol

STEP_S = 0.02


def finding(peer=None, *, says=b"", at_s=0.5, noise=b""):
    """Run a detector against a peer, or against something that says `says` once, or `noise` for ever."""
    detector = Detector(0.0)
    asked = bytearray()
    now_s, said = 0.0, False
    while detector.found is None:
        now_s += STEP_S
        assert now_s < 60, "it never ends"
        data = noise
        if peer is not None:
            data += peer.take(now_s)
        if says and not said and now_s >= at_s:
            data, said = data + says, True
        detector.received(data, now_s)
        detector.tick(now_s)
        if out := detector.to_send():
            asked += out
            if peer is not None:
                peer.feed(out, now_s)
    return detector.found, bytes(asked)


def test_a_quiet_printer_is_known_by_its_name():
    found, _ = finding(TinyPrinter())
    assert found == Found(Protocol.REPRAP, "FIRMWARE_NAME:Tiny 1.0 (for tests) PROTOCOL_VERSION:1.0")


def test_a_quiet_cnc_controller_is_known_by_its_status_and_never_sees_a_line_end():
    peer = TinyCnc()
    peer.feed(b"G1 X2", 0.0)  # half a line that a killed host left behind
    found, asked = finding(peer)
    assert isinstance(found, Found)
    assert found.protocol is Protocol.CNC
    assert b"\n" not in asked
    assert peer.executed == []


@pytest.mark.parametrize(
    ("says", "protocol"),
    [
        (b"\r\nGrbl 1.1h ['$' for help]\r\n", Protocol.CNC),
        (b"\r\nPretend 1 ['$' for help]\r\n", Protocol.CNC),
        (b"\r\nGrblHAL 1.1f ['$' or '$HELP' for help]\r\n", Protocol.CNC),
        (b"start\necho:Marlin 2.1.2\necho: Last Updated\n", Protocol.REPRAP),
    ],
)
def test_a_greeting_is_enough_and_nothing_is_asked(says, protocol):
    found, asked = finding(says=says)
    assert isinstance(found, Found)
    assert found.protocol is protocol
    assert asked == b""


def test_a_start_alone_is_followed_by_questions():
    peer = TinyPrinter()
    peer.reset()
    found, asked = finding(peer)
    assert isinstance(found, Found)
    assert found.protocol is Protocol.REPRAP
    assert b"M115" in asked


def test_who_has_just_started_is_asked_at_once_and_who_may_hold_half_a_line_is_given_time():
    def asked(said: bytes) -> bytes:
        detector = Detector(0.0)
        detector.received(said, 0.1)
        now_s = 0.1
        while not detector.to_send():
            now_s += 0.05
            detector.tick(now_s)
        detector.tick(now_s + 0.05)
        return detector.to_send()

    assert asked(b"start\n") == b"\nM115\n"
    assert asked(b"T:21\n") == b""


def test_silence_is_silence():
    assert finding()[0] == NotFound(Deaf.SILENT, "")


def test_bytes_that_are_no_text_mean_the_wrong_speed():
    found, _ = finding(says=bytes(range(128, 256)) * 2)
    assert isinstance(found, NotFound)
    assert found.why is Deaf.GARBAGE


def test_noise_without_end_comes_to_an_end():
    found, _ = finding(noise=b"\x9f\xfe\x80")
    assert isinstance(found, NotFound)
    assert found.why is Deaf.GARBAGE


@pytest.mark.parametrize(
    "says", [b"$GPGGA,1,2,3\r\n", b"login: ", b"AT\r\nOK\r\n", b"ok\n", b"hello <Idle>\n"]
)
def test_what_talks_but_does_not_understand_is_a_stranger(says):
    found, _ = finding(says=says)
    assert isinstance(found, NotFound)
    assert found.why is Deaf.STRANGER
    assert found.heard
