"""IPC-D-356 records to points with names, sides and sizes."""

import math
import warnings
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.model import Side
from pastewright.board.parts.ipc356 import Netlist, read_ipc356
from pastewright.problems import InputError, Severity

#          1  4             18 21    27   32 33    39 42      50      58   63   68  73
RECORDS = (
    "C  Made up for a soil-moisture logger\n"
    "P  JOB   soil\n"
    "P  UNITS CUST 0\n"
    "P  NNAME1 /sensor/PROBE_EXCITATION\n"
    "317GND              VIA        MD0157PA00X+014149Y-002982X0315Y0000R000S3\n"
    "327NNAME1           U1    -4          A01X+020728Y+004134X0394Y0236R090S2\n"
    "327N/C              U1    -5          A02X+020728Y+004530X0394Y0236R000S1\n"
    "317VBAT             J2    -1    D0394PA00X+010000Y+010000X0669Y0669R000S0\n"
    "367N/C              H1    -     D1260UA00X+001000Y+001000X1260Y0000R000S0\n"
    "378GND              L01 X0100 X0Y0 X100Y100\n"
    "999\n"
)


def read(text: str) -> Netlist:
    return read_ipc356(text.encode("latin-1"), "soil.d356")


def test_every_column_of_a_record_is_read() -> None:
    points = read(RECORDS).points
    via, pin, bottom, through, tooling = points
    # 0.0001 inch = 0.00254 mm; worked by hand.
    assert (via.net, via.ref, via.pin, via.via, via.midpoint, via.through) == (
        "GND",
        "",
        "",
        True,
        True,
        True,
    )
    assert (via.x_mm, via.y_mm, via.hole_mm) == approx((35.93846, -7.57428, 0.39878))
    assert (via.plated, via.side, via.mask, via.line) == (True, None, 3, 5)
    assert (via.width_mm, via.height_mm) == approx((0.8001, 0.0))
    assert (pin.net, pin.ref, pin.pin, pin.side) == ("/sensor/PROBE_EXCITATION", "U1", "4", Side.TOP)
    assert (pin.width_mm, pin.height_mm, pin.rotation_deg) == approx((1.00076, 0.59944, 90.0))
    assert (pin.hole_mm, pin.plated, pin.through, pin.midpoint) == (None, None, False, False)
    assert (bottom.net, bottom.side) == ("", Side.BOTTOM)
    assert (through.ref, through.pin, through.plated, through.through) == ("J2", "1", True, True)
    assert (tooling.plated, tooling.hole_mm) == (False, approx(3.2004))


@pytest.mark.parametrize(
    ("units", "scale"),
    [("CUST 0", 0.00254), ("CUST", 0.00254), ("CUST 1", 0.001), ("SI", 0.001), ("CUST 2", 0.00254)],
)
def test_units(units: str, scale: float) -> None:
    point = read(RECORDS.replace("CUST 0", units)).points[1]
    assert (point.x_mm, point.y_mm) == approx((20728 * scale, 4134 * scale))


def test_radians_become_degrees() -> None:
    text = RECORDS.replace("CUST 0", "CUST 2").replace("R090", "R001")
    assert read(text).points[1].rotation_deg == approx(math.degrees(1))


@pytest.mark.parametrize("alias", ["P  NNAME1 {}", "C  NNAME1 {}"])
def test_long_names_are_put_in_for_their_aliases(alias: str) -> None:
    text = RECORDS.replace("P  NNAME1 /sensor/PROBE_EXCITATION", alias.format("/a/very/long/name"))
    assert read(text).points[1].net == "/a/very/long/name"


def test_a_net_named_like_the_prefix_of_an_alias_keeps_its_name() -> None:
    assert read(RECORDS.replace("327NNAME1 ", "327NNAME12")).points[1].net == "NNAME12"


def test_names_that_overflow_their_columns_still_give_a_place() -> None:
    line = "327NNAME1           U1    -4LONGPIN          A01X+020728Y+004134X0394Y0236R090S2"
    text = "\n".join(line if old.startswith("327NNAME1") else old for old in RECORDS.splitlines())
    assert read(text).points[1].x_mm == approx(20728 * 0.00254)


def test_a_bad_record_costs_itself_and_is_told() -> None:
    found = read(RECORDS.replace("A02X+020728Y+004530", "A02X+02?728Y+004530"))
    assert len(found) == 4
    (problem,) = found.problems
    assert (problem.line, problem.severity) == (7, Severity.WARNING)


def test_a_missing_end_is_told() -> None:
    (problem,) = read(RECORDS.replace("999\n", "")).problems
    assert "no end record" in problem.what
    assert not read(RECORDS).problems


@pytest.mark.parametrize(
    ("text", "say"),
    [
        ("", "is empty"),
        ("\x00\xff", "holds no record"),
        ("P  UNITS CUST 0\n999\n", "holds no record"),
        (RECORDS.replace("P  UNITS CUST 0\n", ""), "states no units"),
        (RECORDS.replace("CUST 0", "CUST 9"), "unknown units"),
        (RECORDS.replace("999", "P  UNITS CUST 1\n999"), "two different units"),
        ("P  UNITS CUST 0\n327GND      X+02\n", "cannot be read"),
    ],
)
def test_bad_netlists_get_a_message(text: str, say: str) -> None:
    with pytest.raises(InputError) as caught:
        read(text)
    assert say in str(caught.value)
    assert all(p.mend and p.file == "soil.d356" for p in caught.value.problems)


@pytest.mark.judge
def test_gerbonara_reads_the_same_points(tmp_path: Path) -> None:
    judge = pytest.importorskip("gerbonara.ipc356")
    path = tmp_path / "soil.d356"
    path.write_text(RECORDS.replace("378GND              L01 X0100 X0Y0 X100Y100\n", ""))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = judge.Netlist.open(path).test_records
    ours = read(RECORDS).points
    assert len(theirs) == len(ours)
    for a, b in zip(ours, theirs, strict=True):
        assert (a.x_mm, a.y_mm, a.hole_mm or 0.0) == approx(
            (b.x * 25.4, b.y * 25.4, (b.hole_dia or 0) * 25.4)
        )
        assert (a.net, a.ref, a.midpoint) == (b.net_name or "", b.ref_des or "", b.is_middle)


SAMPLE = RECORDS.encode()


@settings(deadline=None, max_examples=300)
@given(
    changes=st.lists(st.tuples(st.integers(0, len(SAMPLE) - 1), st.integers(0, 255)), max_size=8),
    cut=st.integers(0, len(SAMPLE)),
)
def test_a_mutated_netlist_gives_points_or_an_input_error(changes: list[tuple[int, int]], cut: int) -> None:
    data = bytearray(SAMPLE)
    for at, value in changes:
        data[at] = value
    try:
        found = read_ipc356(bytes(data[:cut]), "f")
    except InputError as error:
        assert error.problems
    else:
        assert all(math.isfinite(p.x_mm) for p in found)


@settings(deadline=None, max_examples=200)
@given(data=st.binary(max_size=200), lines=st.lists(st.sampled_from(RECORDS.splitlines()), max_size=8))
def test_any_bytes_and_lines_give_points_or_an_input_error(data: bytes, lines: list[str]) -> None:
    try:
        read_ipc356("\n".join(lines).encode() + data, "f")
    except InputError as error:
        assert error.problems
