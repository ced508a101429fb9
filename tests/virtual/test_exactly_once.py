"""What the resend protocol promises: a numbered line is carried out once, whatever happens to the bytes."""

import re

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pastewright.virtual import Direction, Fault, FaultKind, Faults, VirtualController

COMMANDS = tuple(f"G1 X{at % 40} Y{at % 7}.5 E{at / 8:g} F6000" for at in range(60))
BYTES_ONLY = (
    FaultKind.LOSE,
    FaultKind.CORRUPT,
    FaultKind.DUPLICATE,
    FaultKind.DELAY,
    FaultKind.STALL,
    FaultKind.GARBAGE,
    FaultKind.OVERRUN,
)


def numbered(controller):
    """Return (number, text) of the numbered lines carried out, M110 left out."""
    done = [(one.line, one.text) for one in controller.executed if one.line is not None]
    return [(number, text) for number, text in done if not text.startswith("M110")]


WANTED = list(enumerate([*COMMANDS, "M400"], start=1))

ONE_BYTE = (FaultKind.LOSE, FaultKind.CORRUPT, FaultKind.DUPLICATE, FaultKind.GARBAGE, FaultKind.OVERRUN)


@settings(max_examples=150)
@given(seed=st.integers(0, 10**9), gap=st.floats(8, 400), scale=st.sampled_from([0.0, 0.001]))
@example(seed=238, gap=262.0, scale=0.0)  # eleven lost bytes whose exclusive-or is nothing: see below
def test_whatever_happens_to_the_bytes_no_line_is_carried_out_twice(stubborn_host, seed, gap, scale):
    faults = Faults(mean_gap_bytes=gap, kinds=BYTES_ONLY, most=60)
    controller = VirtualController("reprap", scale=scale, faults=faults, seed=seed)
    stubborn_host(controller, COMMANDS)
    numbers = [number for number, _ in numbered(controller)]
    assert numbers == sorted(set(numbers))
    assert set(numbers) <= {number for number, _ in WANTED}


@st.composite
def one_byte_faults(draw):
    """Draw faults of one byte each, never two to a line, and on the way back never two to an answer."""
    script = []
    for direction, least_gap in ((Direction.TO_CONTROLLER, 80), (Direction.TO_HOST, 200)):
        at_byte = 0
        for gap in draw(st.lists(st.integers(least_gap, 300), max_size=12)):
            at_byte += gap
            script.append(
                Fault(
                    kind=draw(st.sampled_from(ONE_BYTE)),
                    direction=direction,
                    at_byte=at_byte,
                    mask=draw(st.integers(1, 255)),
                )
            )
    return Faults(scripted=tuple(script))


@settings(max_examples=200)
@given(faults=one_byte_faults(), seed=st.integers(0, 1000))
def test_one_wrong_byte_a_line_is_always_mended(stubborn_host, faults, seed):
    # A single byte lost, changed or added always changes the exclusive-or (or is a zero, which ends the line).
    controller = VirtualController("reprap", faults=faults, seed=seed)
    stubborn_host(controller, COMMANDS)
    assert numbered(controller) == WANTED


def test_several_wrong_bytes_can_pass_the_checksum(talk, checked):
    """A weakness of the protocol, not of this controller: the exclusive-or of "00" is nothing."""
    controller = VirtualController("reprap")
    talk(controller, b"M110 N0\n")
    damaged = checked("N1 G1 X100 F600").replace(b"X100", b"X1")
    assert talk(controller, damaged) == ["ok"]
    assert controller.state.axes_mm[0] == 1.0


def test_the_machine_ends_where_a_faultless_one_does(stubborn_host):
    plain = VirtualController("reprap")
    stubborn_host(plain, COMMANDS)
    faults = Faults(mean_gap_bytes=60, kinds=(FaultKind.CORRUPT,), most=60)
    faulty = VirtualController("reprap", faults=faults, seed=12)
    stubborn_host(faulty, COMMANDS)
    assert len(faulty.struck) > 50
    assert numbered(faulty) == numbered(plain) == WANTED
    assert (faulty.state.axes_mm, faulty.state.plunger) == (plain.state.axes_mm, plain.state.plunger)


def test_a_host_that_trusts_every_ok_loses_lines(checked, quiet):
    """The check above can fail: a host that takes the ok behind a Resend for an answer skips a line."""
    faults = Faults(
        mean_gap_bytes=200, kinds=(FaultKind.CORRUPT,), directions=(Direction.TO_CONTROLLER,), most=5
    )
    controller = VirtualController("reprap", faults=faults, seed=3)
    controller.feed(b"M110 N0\n", 0.0)
    for number, text in WANTED:
        controller.feed(checked(f"N{number} {text}"), 0.0)
        quiet(controller, 0.0)
    assert numbered(controller) != WANTED


@pytest.mark.parametrize("window", [2, 4, 8])
def test_a_host_that_sends_ahead_is_put_right_by_resend(checked, quiet, window):
    """Several lines under way: what is refused takes those behind it along, and all are asked for again."""
    faults = Faults(
        mean_gap_bytes=300,
        kinds=(FaultKind.LOSE, FaultKind.CORRUPT),
        directions=(Direction.TO_CONTROLLER,),
        most=20,
    )
    controller = VirtualController("reprap", scale=0.01, faults=faults, seed=5)
    now_s, _ = quiet(controller, 0.0)
    texts = ["M110 N0", *COMMANDS, "M400"]
    rounds = 0
    at = 0
    while at < len(texts):
        rounds += 1
        assert rounds < 1000
        batch = range(at, min(at + window, len(texts)))
        controller.feed(b"\n" + b"".join(checked(f"N{number} {texts[number]}") for number in batch), now_s)
        now_s, came = quiet(controller, now_s)
        asked = re.findall(rb"Resend: (\d+)", came)
        at = int(asked[-1]) if asked else batch[-1] + 1
    assert [number for number, _ in numbered(controller)] == [number for number, _ in WANTED]
    assert controller.struck
