"""Every kind of fault shows, in both directions, at the byte it was asked for."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.virtual import Direction, Fault, FaultKind, Faults, VirtualController

IN, OUT = Direction.TO_CONTROLLER, Direction.TO_HOST
GREETING_LENGTH = len(VirtualController("reprap").take(0.0))


def with_fault(kind, direction, at_byte, *, scale=0.0, **more):
    """Return a printer controller with one fault to come, its greeting already taken."""
    if direction is OUT:
        at_byte += GREETING_LENGTH
    fault = Fault(kind=kind, direction=direction, at_byte=at_byte, **more)
    controller = VirtualController("reprap", scale=scale, faults=Faults(scripted=(fault,)))
    assert len(controller.take(0.0)) == GREETING_LENGTH
    return controller


def said(controller, data=b"M118 abcdef\n", *, now_s=0.0):
    controller.feed(data, now_s)
    return controller.take(now_s)


# "M118 abcdef" answers "abcdef" and "ok". Byte 7 is "c" on the way in, byte 2 on the way out.
@pytest.mark.parametrize(
    ("kind", "more", "answer"),
    [
        (FaultKind.LOSE, {"count": 2}, b"abef\nok\n"),
        (FaultKind.CORRUPT, {"mask": 0x20}, b"abCdef\nok\n"),
        (FaultKind.CORRUPT, {"mask": 0x20, "count": 3}, b"abCDEf\nok\n"),
        (FaultKind.DUPLICATE, {"count": 3}, b"abcdecdef\nok\n"),
        (FaultKind.OVERRUN, {"count": 2}, b"abef\nok\n"),
    ],
)
@pytest.mark.parametrize(("direction", "at_byte"), [(IN, 7), (OUT, 2)])
@pytest.mark.parametrize("whole", [True, False])
def test_bytes_are_changed_where_it_was_asked_for(kind, more, answer, direction, at_byte, whole):
    controller = with_fault(kind, direction, at_byte, **more)
    data = b"M118 abcdef\n"
    pieces = [data] if whole else [data[at : at + 1] for at in range(len(data))]
    assert b"".join(said(controller, piece) for piece in pieces) == answer
    assert [fault.kind for fault in controller.struck] == [kind]
    assert said(controller) == b"abcdef\nok\n"  # once only
    assert controller.state.lost_bytes == (2 if kind is FaultKind.OVERRUN and direction is IN else 0)


@pytest.mark.parametrize(("direction", "at_byte"), [(IN, 7), (OUT, 2)])
def test_garbage_gets_in_between(direction, at_byte):
    controller = with_fault(FaultKind.GARBAGE, direction, at_byte, count=5)
    answer = said(controller)
    assert answer.startswith(b"ab")
    assert len(answer) >= len(b"abcdef\nok\n")
    assert answer != b"abcdef\nok\n"
    if direction is OUT:
        assert len(answer) == len(b"abcdef\nok\n") + 5
        assert answer.endswith(b"cdef\nok\n")


@pytest.mark.parametrize(("direction", "at_byte"), [(IN, 7), (OUT, 2)])
def test_late_bytes_come_late_and_in_order(direction, at_byte):
    controller = with_fault(FaultKind.DELAY, direction, at_byte, count=2, seconds=0.5)
    early = said(controller)
    assert early == (b"" if direction is IN else b"ab")
    assert controller.next_s(0.0) == pytest.approx(0.5)
    assert controller.take(0.49) == b""
    assert early + controller.take(0.5) == b"abcdef\nok\n"


def test_a_stalled_controller_reads_nothing_while_its_moves_go_on():
    controller = with_fault(FaultKind.STALL, IN, 12, scale=1.0, seconds=5.0)
    assert said(controller, b"G1 X1 F1200\n") == b"ok\n"
    assert said(controller, b"M118 a\n" * 20, now_s=0.0) == b""
    controller.take(1.0)
    assert controller.state.axes_mm[0] == pytest.approx(1.0)
    assert controller.state.lost_bytes == 12  # 140 bytes for a buffer of 128
    assert controller.next_s(1.0) == pytest.approx(5.0)
    assert controller.take(5.0).count(b"a\nok\n") == 18


def test_a_stalled_answer_comes_after_the_stall():
    controller = with_fault(FaultKind.STALL, OUT, 2, seconds=3.0)
    assert said(controller) == b"ab"
    assert controller.executed_count == 1
    assert controller.take(2.9) == b""
    assert controller.take(3.0) == b"cdef\nok\n"


@pytest.mark.parametrize(("direction", "at_byte"), [(IN, 7), (OUT, 2)])
def test_a_reset_in_the_middle_forgets_everything_and_greets(direction, at_byte):
    controller = with_fault(FaultKind.RESET, direction, at_byte)
    answer = said(controller)
    assert b"start\n" in answer
    assert b"abcdef" not in answer
    if direction is IN:
        # What comes after the reset is read as a line of its own.
        assert answer.endswith(b'echo:Unknown command: "cdef"\nok\n')
    else:
        assert answer.startswith(b"abstart\n")  # the word is never finished


@pytest.mark.parametrize(("direction", "at_byte"), [(IN, 9), (OUT, 4)])
def test_a_reset_loses_the_line_number(checked, direction, at_byte):
    controller = with_fault(FaultKind.RESET, direction, at_byte)
    said(controller, b"M110 N41\n")
    said(controller, checked("N42 G90"))
    assert said(controller, checked("N43 G90")).endswith(b"Resend: 1\nok\n")


@pytest.mark.parametrize(("direction", "at_byte"), [(IN, 12), (OUT, 2)])
def test_a_pulled_cable_ends_the_conversation_but_not_the_move(direction, at_byte):
    controller = with_fault(FaultKind.DISCONNECT, direction, at_byte, scale=1.0)
    said(controller, b"G1 X1 F1200\n")
    said(controller, b"G1 X2\n")
    assert not controller.connected
    assert controller.next_s(0.0) is None
    assert controller.take(10.0) == b""
    assert controller.state.axes_mm[0] == pytest.approx(1.0)
    said(controller, b"G1 X3\n", now_s=10.0)
    controller.reconnect(11.0, reset=False)
    assert said(controller, b"M114\n", now_s=11.0).startswith(b"X:1.00")
    controller.disconnect(12.0)
    controller.reconnect(13.0)
    assert controller.take(13.0).startswith(b"start\n")


def test_real_time_bytes_get_through_a_full_buffer():
    fault = Fault(kind=FaultKind.OVERRUN, direction=IN, at_byte=3, count=4)
    controller = VirtualController("cnc", faults=Faults(scripted=(fault,)))
    controller.feed(b"$X\nG0?X1\n", 0.0)
    controller.take(0.0)
    assert controller.state.lost_bytes == 4  # G0X1 found no room, ? needs none
    controller.feed(b"?", 0.0)
    assert controller.take(0.0).startswith(b"<Idle|MPos:0.000,")


def test_the_same_seed_gives_the_same_faults_and_another_seed_others():
    def told(seed):
        faults = Faults(mean_gap_bytes=20, most=30)
        controller = VirtualController("cnc", faults=faults, seed=seed)
        answer = b""
        for at in range(100):
            controller.feed(b"$X\nG0 X%d\n" % at, at * 1.0)
            answer += controller.take(at + 0.5)
        return answer, controller.struck

    assert told(1) == told(1)
    assert told(1) != told(2)
    assert told(1)[1]


def test_random_faults_come_as_often_as_told_and_of_every_kind():
    drawn = list(Faults(mean_gap_bytes=100, most=5000).along(IN, seed=7))
    # The mean of 5000 exponential gaps strays by 100/√5000 = 1.4; five times that is allowed.
    assert drawn[-1].at_byte / 5000 == pytest.approx(100, abs=7)
    assert {fault.kind for fault in drawn} == set(FaultKind)
    places = [fault.at_byte for fault in drawn]
    assert places == sorted(places)


@given(places=st.lists(st.integers(0, 300), max_size=8), cuts=st.lists(st.integers(0, 400), max_size=20))
def test_how_bytes_are_cut_into_writes_does_not_move_the_faults(places, cuts):
    kinds = (FaultKind.LOSE, FaultKind.CORRUPT, FaultKind.DUPLICATE, FaultKind.GARBAGE)
    script = tuple(
        Fault(kind=kinds[at % 4], direction=IN, at_byte=place, count=1 + at)
        for at, place in enumerate(places)
    )
    data = b"M118 the quick brown fox\n" * 16

    def told(pieces):
        controller = VirtualController("reprap", faults=Faults(scripted=script))
        return b"".join(said(controller, piece) for piece in pieces)

    edges = [0, *sorted(cuts), len(data)]
    assert told([data]) == told([data[a:b] for a, b in pairwise(edges)])


@pytest.mark.parametrize(
    "bad", [{"at_byte": -1}, {"count": 0}, {"seconds": -1.0}, {"mask": 0}, {"mask": 256}]
)
def test_a_fault_that_cannot_be_is_refused(bad):
    with pytest.raises(ValueError, match="no such fault"):
        Fault(**({"kind": FaultKind.LOSE, "direction": IN, "at_byte": 0} | bad))


def test_random_faults_without_a_kind_or_a_gap_are_refused():
    with pytest.raises(ValueError, match="mean gap"):
        Faults(mean_gap_bytes=0.5)
    with pytest.raises(ValueError, match="kind"):
        Faults(mean_gap_bytes=10, kinds=())
