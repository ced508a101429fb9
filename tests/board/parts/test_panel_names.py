"""Names in panels of copies, names that were cut, and pins in the middle of a net."""

import numpy as np
import pytest
from shapely import box

from pastewright.board.artwork import PartPlace
from pastewright.board.ask import Ask
from pastewright.board.model import Board, Side
from pastewright.board.parts.ipc356 import read_ipc356
from pastewright.board.parts.part_fit import name_by_parts
from pastewright.board.parts.pin_fit import name_lands
from pastewright.board.read import board_of_files
from pastewright.board.shapes.islands import shape_array
from pastewright.board.source.files import SourceFile

PARTS = [(2.0 + 3.1 * (n % 4), 2.0 + 4.3 * (n // 4) + 0.37 * n) for n in range(12)]
"""Middles of twelve parts of two pads, 1.6 mm apart."""
STEP_MM = (25.0, 30.0)
COPIES = [(STEP_MM[0] * i, STEP_MM[1] * j) for j in range(2) for i in range(3)]


def lands_of(shift: tuple[float, float]) -> list[tuple[float, float]]:
    return [(x + dx + shift[0], y + shift[1]) for x, y in PARTS for dx in (-0.8, 0.8)]


def record(net: str, ref: str, pin: str, x_mm: float, y_mm: float, *, middle: bool = False) -> str:
    """One record of an IPC-D-356 netlist, in 0.001 mm, in the columns of the published description."""
    place = f"A01X{round(x_mm * 1000):+07d}Y{round(y_mm * 1000):+07d}"
    return f"327{net:<14.14}   {ref:<6.6}-{pin:<4.4}{'M' if middle else ' '}      {place}X0500Y0500R000S1"


def netlist(*records: str) -> bytes:
    return "\n".join(["P  UNITS CUST 1", *records, "999", ""]).encode()


def test_a_pin_in_the_middle_of_a_net_is_a_pin():
    found = read_ipc356(netlist(record("GND", "R1", "1", 1, 1, middle=True)), "n.ipc").points
    named = name_lands(found, shape_array([box(0.5, 0.5, 1.5, 1.5)]), file="n.ipc")
    assert [(point.ref, point.pin) for point in named.points if point] == [("R1", "1")]


def test_a_netlist_of_one_board_names_every_copy_of_the_panel():
    points = read_ipc356(
        netlist(
            *(
                record(f"N{n}", f"R{n // 2}", str(n % 2 + 1), x, y)
                for n, (x, y) in enumerate(lands_of((0, 0)))
            )
        ),
        "n.ipc",
    ).points
    places = [place for copy in COPIES for place in lands_of(copy)]
    lands = shape_array([box(x - 0.3, y - 0.3, x + 0.3, y + 0.3) for x, y in places])
    named = name_lands(points, lands, file="n.ipc")
    one = [(f"R{n // 2}", str(n % 2 + 1)) for n in range(2 * len(PARTS))]
    assert [(point.ref, point.pin) if point else None for point in named.points] == one * len(COPIES)
    assert any("names 6 copies" in problem.what for problem in named.problems)


@pytest.mark.parametrize("whole", [False, True])
def test_the_places_of_a_panel_of_copies_fit_without_a_turn(whole):
    # The middle of all copies of a part is the panel's middle plus a part's place; least squares over such middles
    # of parts that some copies lack (a rail's fiducials, a test part) once came out turned.
    places = [place for copy in COPIES for place in lands_of(copy)]
    lands = shape_array([box(x - 0.3, y - 0.3, x + 0.3, y + 0.3) for x, y in places])
    refs = [f"R{n // 2}" for _ in COPIES for n in range(2 * len(PARTS))]
    pins = [str(n % 2 + 1) for _ in COPIES for n in range(2 * len(PARTS))]
    listed = [
        PartPlace(ref=f"R{n}", x_mm=x + dx, y_mm=y + dy, rotation_deg=0, side=Side.TOP, line=n + 2)
        for dx, dy in (COPIES if whole else COPIES[:1])
        for n, (x, y) in enumerate(PARTS)
    ]
    found = name_by_parts(listed, lands, refs, file="p.csv", pins=pins)
    assert found.fit is not None and found.fit.words == ""
    assert found.fit.rms_mm < 1e-6 and not found.problems
    assert found.check is not None and found.check.met == found.check.of == len(listed)


def test_a_pin_of_several_lands_does_not_make_a_panel():
    shapes = shape_array([box(x, 0, x + 0.5, 0.5) for x in range(6)])
    refs, pins = ["U1"] * 4 + ["R1"] * 2, ["1", "2", "3", "3", "1", "2"]
    listed = [
        PartPlace(ref=ref, x_mm=x, y_mm=0.25, rotation_deg=0, side=None, line=n)
        for n, (ref, x) in enumerate([("U1", 1.75), ("R1", 4.75)])
    ]
    found = name_by_parts(listed, shapes, refs, file="p.csv", pins=pins)
    assert found.fit is not None and np.allclose(found.fit.shift, 0, atol=1e-9)


def named_board(net_in_copper: str, net_in_list: str) -> Board:
    head = "%FSLAX46Y46*%\n%MOMM*%\n%ADD11R,1X0.5*%\nD11*\n"
    flash = "X1000000Y1000000D03*\n"
    film = f"{head}{flash}X4000000Y1000000D03*\nM02*\n"
    copper = f"{head}%TO.P,U1,1*%\n%TO.N,{net_in_copper}*%\n{flash}%TD*%\nX4000000Y1000000D03*\nM02*\n"
    names = netlist(record(net_in_list, "U1", "1", 1, 1), record("GND", "U1", "2", 4, 1)).decode()
    files = {"b.gtp": film, "b.gts": film, "b.gtl": copper, "b.ipc": names}
    return board_of_files(
        [SourceFile(name=name, data=text.encode()) for name, text in files.items()], Ask(side=Side.TOP)
    )


@pytest.mark.parametrize(
    ("listed", "conflict"),
    [
        ("SOIL_MOISTURE_SUPPLY_3V3"[:14], False),
        ("SOIL_MOISTURE_SUPPLY_3V3"[-14:], False),
        ("SOIL_SUPPLY", True),
    ],
)
def test_a_net_cut_at_either_end_is_no_conflict(listed, conflict):
    board = named_board("SOIL_MOISTURE_SUPPLY_3V3", listed)
    assert any("named differently" in problem.what for problem in board.problems) is conflict
