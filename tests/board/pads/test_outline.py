"""Outlines: contours of every kind that design programs write, each as a tiny Gerber text."""

from math import cos, hypot, pi, radians, sin

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx
from shapely.geometry import Polygon, box

from pastewright.board.artwork import Layer
from pastewright.board.gerber.read import read_gerber
from pastewright.board.pads.outline import Outline, read_outline
from pastewright.problems import Severity

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.05*%\n%ADD11C,0*%\nG01*\nG75*\nD10*\n"


def xy(x_mm: float, y_mm: float) -> str:
    return f"X{round(x_mm * 1e6)}Y{round(y_mm * 1e6)}"


def contour(points: list[tuple[float, float]], *, close: bool = True) -> str:
    """Strokes along the points, one segment after the other."""
    ends = [*points[1:], *([points[0]] if close else [])]
    return f"{xy(*points[0])}D02*\n" + "".join(f"{xy(*end)}D01*\n" for end in ends)


def rectangle(x0: float, y0: float, x1: float, y1: float) -> str:
    return contour([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def circle(x: float, y: float, radius: float) -> str:
    return f"G75*\n{xy(x + radius, y)}D02*\nG03*\n{xy(x + radius, y)}I{round(-radius * 1e6)}J0D01*\nG01*\n"


def layer(body: str) -> Layer:
    return read_gerber((HEAD + body + "M02*\n").encode(), "edge.gbr")


def outline(body: str, pads: list[Polygon] | None = None) -> Outline:
    return read_outline(layer(body), pads or [])


def warnings(found: Outline) -> list[str]:
    return [problem.what for problem in found.problems if problem.severity is Severity.WARNING]


def test_the_extent_is_that_of_the_centre_lines_not_of_the_stroke_edges():
    found = outline(rectangle(1, 2, 31, 22))
    assert found.area is not None
    assert found.area.bounds == approx((1, 2, 31, 22), abs=1e-9)
    assert found.area.area == approx(600, abs=1e-6)
    assert found.closed and not found.problems


def test_strokes_of_zero_width_close_a_contour_too():
    found = outline("D11*\n" + rectangle(0, 0, 10, 5))
    assert found.area is not None and found.area.area == approx(50)


def test_segments_in_any_order_and_direction_close_to_one_contour():
    corners = [(0.0, 0.0), (8.0, 0.0), (8.0, 6.0), (0.0, 6.0)]
    sides = [
        (corners[0], corners[1]),
        (corners[3], corners[2]),
        (corners[2], corners[1]),
        (corners[3], corners[0]),
    ]
    found = outline("".join(contour([a, b], close=False) for a, b in sides))
    assert found.area is not None and found.area.area == approx(48) and not found.problems


def test_rounded_corners_made_of_arcs_count_with_their_true_area():
    # A 20 x 10 mm board with four quarter circles of 2 mm: 200 - (4 - pi) * 4.
    body = f"""{xy(2, 0)}D02*\n{xy(18, 0)}D01*\nG03*\n{xy(20, 2)}I0J2000000D01*\nG01*\n{xy(20, 8)}D01*\nG03*
{xy(18, 10)}I-2000000J0D01*\nG01*\n{xy(2, 10)}D01*\nG03*\n{xy(0, 8)}I0J-2000000D01*\nG01*\n{xy(0, 2)}D01*
G03*\n{xy(2, 0)}I2000000J0D01*\nG01*\n"""
    found = outline(body)
    assert found.area is not None
    assert found.area.area == approx(200 - (4 - pi) * 4, rel=1e-3)
    assert found.closed and not found.problems


def test_inner_contours_become_holes():
    found = outline(rectangle(0, 0, 40, 30) + circle(10, 10, 3) + rectangle(25, 10, 30, 12))
    assert isinstance(found.area, Polygon)
    assert len(found.area.interiors) == 2
    assert found.area.area == approx(1200 - 9 * pi - 10, rel=1e-3)


def test_an_inner_contour_with_pads_in_it_is_a_board_in_a_frame_and_no_cut_out():
    pads = [box(12, 12, 13, 13), box(15, 15, 16, 16)]
    found = outline(rectangle(0, 0, 40, 30) + rectangle(10, 10, 30, 20) + rectangle(33, 5, 36, 20), pads)
    assert found.area is not None and found.area.area == approx(1200 - 45)
    assert any("boards of a panel" in problem.what for problem in found.problems)


def test_a_region_gives_an_outline_as_strokes_do():
    found = outline("G36*\n" + rectangle(0, 0, 12, 7) + "G37*\n")
    assert found.area is not None and found.area.area == approx(84)


@pytest.mark.parametrize("gap_mm", [0.02, 0.05, 0.099])
def test_a_small_gap_is_closed_with_a_warning_that_says_how_wide_it_was(gap_mm: float):
    found = outline(contour([(0, 0), (30, 0), (30, 20), (0, 20), (0, gap_mm)], close=False))
    assert found.closed and found.area is not None
    assert found.area.area == approx(600, rel=1e-9)
    assert len(warnings(found)) == 1 and f"{gap_mm:.3f} mm" in warnings(found)[0]


def test_a_gap_of_mere_rounding_is_closed_in_silence():
    found = outline(contour([(0, 0), (30, 0), (30, 20), (0, 20), (0, 0.002)], close=False))
    assert found.closed and not found.problems


def test_an_end_that_stops_short_of_the_middle_of_a_line_is_joined_to_it():
    # The right side ends 0.05 mm short of both a bottom and a top edge that run on beyond it.
    body = contour([(0, 0), (35, 0)], close=False) + contour([(0, 0), (0, 20), (35, 20)], close=False)
    found = outline(body + contour([(30, 0.05), (30, 19.95)], close=False))
    assert found.closed and found.area is not None
    assert found.area.area == approx(600, rel=1e-6)


def test_an_open_outline_gives_its_box_and_says_so():
    found = outline(contour([(0, 0), (30, 0), (30, 20), (0, 20), (0, 1)], close=False))
    assert not found.closed and found.area is not None
    assert found.area.equals(box(0, 0, 30, 20))
    assert "outline is open" in warnings(found)[0] and "30.00 x 20.00 mm" in warnings(found)[0]


def test_closed_cut_outs_in_an_open_outline_are_not_taken_for_the_board():
    pads = [box(x, 10, x + 1, 11) for x in range(2, 28, 3)]
    body = contour([(0, 0), (30, 0), (30, 20), (0, 20), (0, 1)], close=False) + circle(25, 5, 1.5)
    found = outline(body, pads)
    assert not found.closed and found.area is not None and found.area.equals(box(0, 0, 30, 20))


def test_several_boards_stay_several_and_are_named_in_a_note():
    pads = [box(2, 2, 3, 3), box(22, 2, 23, 3)]
    found = outline(rectangle(0, 0, 15, 10) + rectangle(20, 0, 35, 10) + rectangle(0, 12, 35, 17), pads)
    assert found.area is not None
    assert len(shapely.get_parts(found.area)) == 3
    assert any("3 separate parts (1 without pads)" in problem.what for problem in found.problems)


def test_a_legend_beside_the_board_does_not_make_it_larger():
    pads = [box(2, 2, 3, 3)]
    found = outline(
        rectangle(0, 0, 30, 20) + rectangle(50, 0, 52, 1) + contour([(40, 0), (45, 5)], close=False), pads
    )
    assert found.area is not None and found.area.bounds == approx((0, 0, 30, 20))
    assert any("left out" in problem.what for problem in found.problems)


def test_score_lines_across_a_panel_leave_it_whole():
    found = outline(rectangle(0, 0, 30, 20) + contour([(15, 0), (15, 20)], close=False), [box(2, 2, 3, 3)])
    assert found.area is not None and found.area.area == approx(600)


def test_a_contour_drawn_twice_is_the_same_contour():
    found = outline(rectangle(0, 0, 30, 20) * 2)
    assert found.area is not None and found.area.area == approx(600) and not found.problems


def test_an_empty_outline_layer_gives_no_outline_and_a_warning():
    found = outline("")
    assert found.area is None and "holds no line" in warnings(found)[0]


def test_flashes_and_clear_objects_are_no_outline():
    found = outline(rectangle(0, 0, 30, 20) + "X50000000Y0D03*\n%LPC*%\n" + rectangle(5, 5, 10, 10))
    assert found.area is not None and found.area.area == approx(600)


@settings(deadline=None, max_examples=40)
@given(
    angle_deg=st.floats(0, 360),
    x_mm=st.floats(-500, 500),
    y_mm=st.floats(-500, 500),
    sides=st.integers(3, 9),
    radius_mm=st.floats(5, 80),
)
def test_turning_and_moving_the_contour_turns_and_moves_the_outline(
    angle_deg: float, x_mm: float, y_mm: float, sides: int, radius_mm: float
):
    turns = [radians(angle_deg) + 2 * pi * n / sides for n in range(sides)]
    points = [(x_mm + radius_mm * cos(a), y_mm + radius_mm * sin(a)) for a in turns]
    found = outline(contour(points) + circle(x_mm, y_mm, radius_mm / 10))
    # Area of a regular polygon: n/2 r^2 sin(2 pi/n), less the round cut-out.
    expected = sides / 2 * radius_mm**2 * sin(2 * pi / sides) - pi * (radius_mm / 10) ** 2
    assert found.area is not None
    assert found.area.area == approx(expected, rel=1e-3)
    corners = shapely.get_coordinates(found.area.envelope)
    assert max(hypot(x - x_mm, y - y_mm) for x, y in points) == approx(radius_mm, abs=1e-5)
    assert corners[:, 0].min() == approx(min(x for x, _ in points), abs=1e-5)
