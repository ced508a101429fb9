"""Whatever is sent and whatever goes wrong, the pretend controller stays whole and time goes on."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.virtual import Faults, Manners, VirtualController

LINES = st.sampled_from(
    [
        b"G1 X10 Y5 F6000\n",
        b"G0 Z-3\n",
        b"G4 P0.1\n",
        b"G28\n",
        b"G91\n",
        b"G92 X0 A0\n",
        b"G93\nG1 X1 F30\nG94\n",
        b"G20\n",
        b"G1 A3 F100\n",
        b"M0\n",
        b"M108\n",
        b"M112\n",
        b"M400\n",
        b"M410\n",
        b"M155 S1\n",
        b"$X\n",
        b"$H\n",
        b"$$\n",
        b"?",
        b"!",
        b"~",
        b"\x18",
        b"N1 M110 N-5*10\n",
        b"G1 X" + b"9" * 500 + b"\n",
    ]
)
PROTOCOLS = st.sampled_from(["reprap", "cnc"])
SCALES = st.sampled_from([0.0, 0.01, 1.0])


@settings(max_examples=150)
@given(
    protocol=PROTOCOLS,
    scale=SCALES,
    seed=st.integers(0, 10**6),
    gap=st.none() | st.floats(2, 200),
    baud=st.sampled_from([0, 115_200]),
    boot_s=st.sampled_from([0.0, 0.3]),
    sent=st.lists(st.tuples(LINES | st.binary(max_size=40), st.floats(0, 3)), max_size=40),
)
def test_it_never_breaks_and_never_goes_back_in_time(protocol, scale, seed, gap, baud, boot_s, sent):
    controller = VirtualController(
        protocol,
        scale=scale,
        seed=seed,
        faults=Faults(mean_gap_bytes=gap),
        manners=Manners(baud=baud, boot_s=boot_s),
    )
    now_s, looks = 0.0, 0
    for data, later_s in sent:
        controller.feed(data, now_s)
        controller.take(now_s)
        state = controller.state
        assert 0 <= state.waiting_bytes <= 128
        assert 0 <= state.queued_moves <= 16
        end_s = now_s + later_s
        while (next_s := controller.next_s(now_s)) is not None and next_s < end_s and looks < 3000:
            assert next_s >= now_s
            now_s = next_s
            controller.take(now_s)
            looks += 1
        now_s = end_s
    controller.take(now_s + 100.0)
    done = controller.executed
    times = [one.time_s for one in done]
    assert times == sorted(times)
    assert all(after.machine_s >= before.machine_s for before, after in pairwise(done))
    assert all(0 < one.share <= 1 for one in done)


@settings(max_examples=100)
@given(
    protocol=PROTOCOLS,
    sent=st.lists(LINES, max_size=20),
    cuts=st.lists(st.integers(0, 400), max_size=20),
    scale=SCALES,
)
def test_where_the_bytes_are_cut_changes_nothing(protocol, sent, cuts, scale):
    data = b"".join(sent)

    def told(pieces):
        controller = VirtualController(protocol, scale=scale)
        answer = controller.take(0.0)
        for piece in pieces:
            controller.feed(piece, 1.0)
            answer += controller.take(1.0)
        return answer, controller.executed, controller.state

    edges = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    assert told([data]) == told([data[a:b] for a, b in pairwise(edges)])


@settings(max_examples=50)
@given(protocol=PROTOCOLS, sent=st.lists(LINES, max_size=12), moments=st.lists(st.floats(1, 60), max_size=12))
def test_looking_more_often_changes_nothing(protocol, sent, moments):
    def told(looks):
        controller = VirtualController(protocol, scale=1.0, manners=Manners(busy_s=0))
        controller.feed(b"".join(sent), 0.5)
        answer = b"".join(controller.take(look) for look in sorted(looks)) + controller.take(100.0)
        return answer, controller.executed

    assert told(moments) == told([])


@pytest.mark.parametrize(
    ("words", "told"), [({"protocol": "laser"}, "reprap, cnc"), ({"scale": -1.0}, "scale")]
)
def test_a_controller_that_cannot_be_is_refused(words, told):
    with pytest.raises(ValueError, match=told):
        VirtualController(**({"protocol": "cnc"} | words))
