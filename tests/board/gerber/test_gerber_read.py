"""The Gerber reader against closed forms, one quirk of real files per test."""

from math import cos, pi, sin, sqrt

import numpy as np
import pytest
import shapely
from pytest import approx

from pastewright.board.artwork import DrawnKind
from pastewright.board.gerber.read import dark_area, read_gerber
from pastewright.problems import Severity

MM = "%FSLAX34Y34*%\n%MOMM*%\n"


def layer(body, head=MM, tail="\nM02*\n", encoding="utf-8"):
    return read_gerber((head + body + tail).encode(encoding), "board-F_Paste.gtp")


def area_mm2(body, **kinds):
    return dark_area(layer(body, **kinds)).area


def one(body, **kinds):
    (found,) = layer(body, **kinds).objects
    return found


def centre(shape):
    return shape.centroid.x, shape.centroid.y


# Standard apertures.


def test_a_disc_has_the_area_of_a_circle_and_its_diameter_as_width():
    flash = one("%ADD10C,1.5*%D10*X20000Y-10000D03*")
    assert flash.shape.area == approx(pi * 0.75**2, rel=1e-9)
    assert centre(flash.shape) == approx((2, -1))
    assert flash.width_mm == approx(1.5)
    assert flash.kind is DrawnKind.FLASH and flash.dark and flash.path_mm == ()


@pytest.mark.parametrize("diameter", [0.05, 0.1, 0.3, 0.5, 1.0, 3.0, 10.0, 80.0])
def test_a_disc_of_any_size_keeps_its_area_and_strays_two_micrometres_at_most(diameter):
    shape = one(f"%ADD10C,{diameter}*%D10*X0Y0D03*").shape
    assert shape.area == approx(pi * diameter**2 / 4, rel=1e-9)
    reach = [sqrt(x * x + y * y) for x, y in shape.exterior.coords]
    assert max(reach) - diameter / 2 < 0.002 + 1e-9
    assert diameter / 2 - shapely.Point(0, 0).distance(shape.exterior) < 0.002
    assert len(shape.exterior.coords) - 1 <= 24 or diameter > 0.5


def test_rectangle_obround_and_polygon_have_their_areas():
    assert area_mm2("%ADD10R,3X1.2*%D10*X0Y0D03*") == approx(3.6)
    assert area_mm2("%ADD10O,4X1.5*%D10*X0Y0D03*") == approx(2.5 * 1.5 + pi * 0.75**2)
    assert area_mm2("%ADD10O,1X1*%D10*X0Y0D03*") == approx(pi / 4)
    assert area_mm2("%ADD10P,2X6*%D10*X0Y0D03*") == approx(6 * sqrt(3) / 4)


def test_a_polygon_is_turned_counterclockwise_from_a_corner_on_the_x_axis():
    corners = one("%ADD10P,2X3X20.0*%D10*X0Y0D03*").shape.exterior.coords
    angle = 20 * pi / 180
    assert min(abs(complex(x, y) - complex(cos(angle), sin(angle))) for x, y in corners) < 1e-9


def test_round_and_old_rectangular_holes_are_cut_out():
    assert area_mm2("%ADD10C,3X1*%D10*X0Y0D03*") == approx(pi * (9 - 1) / 4)
    assert area_mm2("%ADD10C,3X1X0.5*%D10*X0Y0D03*") == approx(pi * 9 / 4 - 0.5)
    assert area_mm2("%ADD10R,3X2X1*%D10*X0Y0D03*") == approx(6 - pi / 4)
    assert area_mm2("%ADD10R,3X2X1X0.5*%D10*X0Y0D03*") == approx(6 - 0.5)
    assert area_mm2("%ADD10O,4X2X1*%D10*X0Y0D03*") == approx(4 + pi - pi / 4)
    assert area_mm2("%ADD10P,2X4X45X0.5*%D10*X0Y0D03*") == approx(2 - pi / 16)


def test_a_size_may_begin_with_a_point_and_a_sign():
    assert area_mm2("%ADD10R,.5X+2.*%D10*X0Y0D03*") == approx(1)


# Strokes.


def test_a_round_stroke_is_a_rectangle_with_two_half_discs():
    stroke = one("%ADD10C,1*%D10*X0Y0D02*X30000Y40000D01*")
    assert stroke.shape.area == approx(5 + pi / 4)
    assert stroke.kind is DrawnKind.STROKE
    assert np.array(stroke.path_mm) == approx(np.array([(0, 0), (3, 4)]))
    assert stroke.width_mm == approx(1)


def test_a_rectangle_sweeps_the_hull_of_its_two_ends():
    assert area_mm2("%ADD10R,1X2*%D10*X0Y0D02*X50000D01*") == approx(2 + 5 * 2)
    # Along (3, 4) the 1 × 2 rectangle sweeps |3|·2 + |4|·1 beside its own area.
    assert area_mm2("%ADD10R,1X2*%D10*X0Y0D02*X30000Y40000D01*") == approx(2 + 6 + 4)


def test_a_hexagon_sweeps_the_hull_of_its_two_ends():
    assert area_mm2("%ADD10P,2X6*%D10*X0Y0D02*X50000D01*") == approx(6 * sqrt(3) / 4 + 5 * sqrt(3))


def test_a_notched_macro_sweeps_its_exact_area():
    # A U of 3 × 3 with a notch 1 × 2, moved 0.5 sideways, then 2 up.
    notched = "%AMU*21,1,3,3,0,0,0*21,0,1,2,0,0.5,0*%%ADD10U*%D10*X0Y0D02*"
    assert area_mm2(notched + "X5000D01*") == approx(3.5 * 3 - 0.5 * 2)
    assert area_mm2(notched + "Y20000D01*") == approx(3 * 5 - 1 * 2)


def test_a_holed_aperture_sweeps_its_hole_shut():
    # A 2 × 2 square with a 1 × 1 hole: moved by 0.4 a hole of 0.6 × 1 is left, moved by 3 both ends keep none.
    holed = "%ADD10R,2X2X1X1*%D10*X0Y0D02*"
    assert area_mm2(holed + "X4000D01*") == approx(2.4 * 2 - 0.6)
    assert area_mm2(holed + "X30000D01*") == approx(5 * 2)


def test_a_stroke_without_length_is_a_dot():
    dot = one("%ADD10C,1*%D10*X10000Y0D02*D01*")
    assert dot.shape.area == approx(pi / 4) and dot.kind is DrawnKind.STROKE
    assert area_mm2("%ADD10R,1X2*%D10*X0Y0D02*X0Y0D01*") == approx(2)


def test_a_stroke_without_width_keeps_its_path_and_has_no_area():
    outline = layer("%ADD10C,0*%D10*X0Y0D02*X50000D01*Y40000D01*")
    assert [stroke.path_mm for stroke in outline.objects] == [((0, 0), (5, 0)), ((5, 0), (5, 4))]
    assert all(stroke.shape.is_empty and stroke.width_mm == 0 for stroke in outline.objects)
    assert dark_area(outline).is_empty


def test_an_aperture_without_area_flashes_nothing():
    assert one("%ADD10C,0*%D10*X0Y0D03*").shape.is_empty
    assert one("%ADD10R,0X1*%D10*X0Y0D03*").shape.is_empty


def test_a_line_shaped_aperture_sweeps_a_parallelogram():
    assert area_mm2("%ADD10R,0X2*%D10*X0Y0D02*X30000Y10000D01*") == approx(6)


# Arcs.


def test_a_quarter_ring_in_multi_quadrant_mode():
    stroke = one("%ADD10C,1*%G75*D10*X20000Y0D02*G03X0Y20000I-20000J0D01*")
    assert stroke.shape.area == approx(pi * (2.5**2 - 1.5**2) / 4 + pi / 4, rel=1e-4)
    assert stroke.path_mm[0] == approx((2, 0)) and stroke.path_mm[-1] == approx((0, 2))
    assert all(x * x + y * y == approx(4) for x, y in stroke.path_mm)


def test_clockwise_and_counterclockwise_are_told_apart():
    clockwise = one("%ADD10C,1*%G75*D10*X20000Y0D02*G02X0Y20000I-20000J0D01*")
    assert clockwise.shape.area == approx(3 * pi * (2.5**2 - 1.5**2) / 4 + pi / 4, rel=1e-4)


def test_equal_ends_are_a_full_circle_in_multi_quadrant_mode_and_nothing_in_single():
    ring = "%ADD10C,1*%{}*D10*X0Y0D02*G03X0Y0I20000J0D01*"
    assert area_mm2(ring.format("G75")) == approx(pi * (2.5**2 - 1.5**2))
    assert area_mm2(ring.format("G74")) == approx(pi / 4)


def test_single_quadrant_offsets_have_no_sign():
    for quarter in ("G03X0Y20000I20000J0", "G03X0Y20000I-20000J0"):
        stroke = one(f"%ADD10C,1*%G74*D10*X20000Y0D02*{quarter}D01*")
        assert stroke.shape.area == approx(pi * (2.5**2 - 1.5**2) / 4 + pi / 4, rel=1e-4)


def test_an_arc_tighter_than_the_pen_covers_its_centre():
    # A disc of radius 2 swept once around a circle of radius 1 is a disc of radius 3.
    swept = area_mm2("%ADD10C,4*%G75*D10*X10000Y0D02*G03X10000Y0I-10000J0D01*")
    assert swept == approx(pi * 9, rel=2e-3)


def test_a_rectangle_along_a_full_circle_reaches_as_far_as_the_sum_of_disc_and_square():
    swept = one("%ADD10R,1X1*%G75*D10*X50000Y0D02*G03X50000Y0I-50000J0D01*").shape
    around = shapely.Polygon(swept.exterior)
    # Steiner's formula for a disc of radius r and a convex shape: area = π·r² + perimeter·r + area of the shape.
    assert around.area == approx(pi * 25 + 4 * 5 + 1, rel=1e-3)
    assert len(swept.interiors) == 1


def test_an_arc_without_g74_or_g75_takes_the_mode_that_fits_and_says_so():
    found = layer("%ADD10C,1*%D10*X20000Y0D02*G03X0Y20000I-20000J0D01*")
    assert found.objects[0].shape.area == approx(pi * (2.5**2 - 1.5**2) / 4 + pi / 4, rel=1e-4)
    assert ["G74" in problem.what for problem in found.problems] == [True]
    single = layer("%ADD10C,1*%D10*X20000Y0D02*G03X0Y20000I20000J0D01*")
    assert single.objects[0].shape.area == approx(pi * (2.5**2 - 1.5**2) / 4 + pi / 4, rel=1e-4)


def test_arc_mode_without_offsets_is_a_straight_line_and_a_warning():
    found = layer("%ADD10C,1*%G75*D10*G02*X0Y0D02*X50000D01*")
    assert dark_area(found).area == approx(5 + pi / 4)
    assert found.problems[0].severity is Severity.WARNING


# Regions.


def test_a_region_is_one_object_with_the_line_of_its_begin():
    region = one("G36*\nX0Y0D02*\nX20000D01*\nY10000D01*\nX0D01*\nY0D01*\nG37*")
    assert region.shape.area == approx(2)
    assert region.kind is DrawnKind.REGION and region.line == 3


def test_a_region_with_arcs_has_the_exact_area_of_a_stadium():
    body = "G75*G36*X0Y0D02*G01X30000D01*G03Y20000I0J10000D01*G01X0D01*G03Y0I0J-10000D01*G37*"
    assert area_mm2(body) == approx(6 + pi, rel=1e-9)


def test_a_region_may_be_one_full_circle():
    assert area_mm2("G75*G36*X0Y0D02*G02X0Y0I10000J0D01*G37*") == approx(pi, rel=1e-9)


def test_contours_of_a_region_are_joined():
    apart = "X50000Y0D02*X60000D01*Y10000D01*X50000D01*Y0D01*"
    over = "X10000Y0D02*X30000D01*Y10000D01*X10000D01*Y0D01*"
    first = "G36*X0Y0D02*X20000D01*Y10000D01*X0D01*Y0D01*"
    assert area_mm2(first + apart + "G37*") == approx(3)
    assert area_mm2(first + over + "G37*") == approx(3)
    assert len(layer(first + apart + "G37*").objects) == 1


def test_a_cut_in_makes_a_hole_without_a_word():
    ring = (
        "G36*X0Y0D02*X60000D01*Y60000D01*X0D01*Y30000D01*"
        "X20000D01*Y40000D01*X40000D01*Y20000D01*X20000D01*Y30000D01*X0D01*Y0D01*G37*"
    )
    found = layer(ring)
    assert dark_area(found).area == approx(36 - 4)
    assert found.problems == ()


def test_a_region_that_crosses_itself_is_repaired_with_a_warning():
    found = layer("G36*\nX0Y0D02*\nX20000Y20000D01*\nX20000Y0D01*\nX0Y20000D01*\nX0Y0D01*\nG37*")
    assert found.objects[0].shape.is_valid
    assert dark_area(found).area == approx(2)  # two triangles of base 2 and height 1
    assert [(problem.severity, problem.line) for problem in found.problems] == [(Severity.WARNING, 3)]


def test_an_open_contour_is_closed_with_a_warning():
    found = layer("G36*X0Y0D02*X20000D01*Y10000D01*X0D01*G37*")
    assert dark_area(found).area == approx(2)
    assert "closes it" in found.problems[0].what


def test_contours_without_area_are_passed_over():
    assert layer("G36*X0Y0D02*X20000D01*X0D01*G37*").objects[0].shape.is_empty
    assert layer("G36*X0Y0D02*D01*D01*D01*D01*G37*").objects[0].shape.is_empty
    assert layer("G36*G37*").objects == ()


# Polarity.


def test_clear_takes_away_only_what_came_before():
    body = "%ADD10R,4X4*%%ADD11R,2X2*%%ADD12R,1X1*%D10*X0Y0D03*%LPC*%D11*X0Y0D03*%LPD*%D12*X0Y0D03*"
    assert area_mm2(body) == approx(16 - 4 + 1)
    assert [item.dark for item in layer(body).objects] == [True, False, True]


def test_clear_before_anything_dark_does_nothing():
    assert area_mm2("%ADD10R,1X1*%%LPC*%D10*X0Y0D03*%LPD*%D10*X5000Y0D03*") == approx(1)


def test_many_changes_of_polarity_stay_right():
    # Squares of 10, 9, … 1, dark and clear in turn: 100 - 81 + 64 - …
    body = "".join(f"%ADD{10 + n}R,{n}X{n}*%" for n in range(1, 11))
    for n in range(10, 0, -1):
        body += f"%LP{'D' if n % 2 == 0 else 'C'}*%D{10 + n}*X0Y0D03*"
    assert area_mm2(body) == approx(sum((-1) ** n * n * n for n in range(1, 11)))


# Numbers and units.


@pytest.mark.parametrize(
    ("head", "word"),
    [
        ("%FSLAX23Y23*%%MOIN*%", "X1250Y500"),
        ("%FSLAX24Y24*%%MOIN*%", "X012500Y005000"),
        ("%FSLAX26Y26*%%MOIN*%", "X1250000Y+500000"),
        ("%FSTAX24Y24*%%MOIN*%", "X0125Y005"),
        ("%FSTAX23Y23*%%MOIN*%", "X01250Y00500"),
        ("%FSLAX33Y33*%%MOMM*%", "X31750Y12700"),
        ("%FSLAX46Y46*%%MOMM*%", "X31750000Y12700000"),
        ("%MOIN*%%FSLAN2X24Y24*%", "X12500Y5000"),
        ("%FSLAX24Y24*MOIN*%", "X12500Y5000"),
        ("%FSAX24Y24*%G70*", "X12500Y5000"),
        ("%FSLAX24Y24D2M2*%%MOIN*%", "X12500Y5000"),
        ("%FSLAX24Y26*%%MOIN*%", "X12500Y500000"),
        ("%MOIN*%%FSLAX2.4Y2.4*%", "X12500Y5000"),
        ("%FSLAX24Y24*%%MOIN*%", "X1.25Y.5"),
        ("%FSLAX24Y24*%G71*", "X317500Y127000"),
    ],
)
def test_every_number_format_leads_to_the_same_place(head, word):
    size = "1" if "G71" in head or "MOMM" in head else "0.0393700787"
    flash = one(f"%ADD10C,{size}*%D10*{word}D03*", head=head)
    assert centre(flash.shape) == approx((31.75, 12.7))
    assert flash.width_mm == approx(1)


def test_the_unit_may_come_after_the_apertures():
    assert one("%ADD10C,0.1*%%MOIN*%D10*X0Y0D03*", head="%FSLAX24Y24*%").width_mm == approx(2.54)
    assert one("G04 G71 is not used*%ADD10C,0.1*%G70*D10*X0Y0D03*", head="%FSLAX24Y24*%").width_mm == approx(
        2.54
    )


def test_incremental_coordinates_add_up():
    found = layer(
        "%ADD10C,1*%D10*X10000Y10000D03*X10000D03*G90*X10000Y50000D03*", head="%FSLIX34Y34*%%MOMM*%"
    )
    assert [centre(flash.shape) for flash in found.objects] == [
        approx((1, 1)),
        approx((2, 1)),
        approx((1, 5)),
    ]
    found = layer("%ADD10C,1*%G91*D10*X10000Y10000D03*X10000D03*")
    assert centre(found.objects[1].shape) == approx((2, 1))


def test_signs_and_missing_coordinates():
    found = layer("%ADD10C,1*%D10*X-10000Y+20000D03*Y-5000D03*X0D03*D03*")
    places = [centre(flash.shape) for flash in found.objects]
    assert places == [approx(place, abs=1e-9) for place in ((-1, 2), (-1, -0.5), (0, -0.5), (0, -0.5))]


# Statements as old and new programs write them.


def test_modal_operations_and_short_codes():
    body = "%ADD010C,1*%G54D10*X0Y0D2*X20000D1*Y20000*X50000Y50000D3*X60000*D02*G55X70000Y0D03*"
    assert [item.kind.value for item in layer(body).objects] == [
        "stroke",
        "stroke",
        "flash",
        "flash",
        "flash",
    ]


def test_spaces_line_ends_lone_stars_and_sequence_numbers_are_passed_over():
    body = "%ADD10C,1*%\r\n*\r\nN10D10*\rN20 X10000 Y0\r\nD03*\r\n**"
    assert centre(one(body).shape) == approx((1, 0))


def test_several_commands_may_share_their_percent_signs():
    body = "%ADD10C,1*\nADD11R,2X1*\nLPD*%D11*X0Y0D03*"
    assert area_mm2(body) == approx(2)


def test_latin_1_text_and_names_with_spaces_and_parentheses():
    body = "G04 Lötpaste für 3 µm*%INPâte (haut)*%%AMRund (1)*1,1,$1,0,0*%%ADD10Rund (1),2*%D10*X0Y0D03*"
    assert area_mm2(body, encoding="latin-1") == approx(pi)
    assert area_mm2(body, encoding="utf-8") == approx(pi)


def test_g00_draws_as_a_line_and_comments_may_hold_percent_signs():
    assert area_mm2("G04 100% copper*%ADD10C,1*%D10*G00X0Y0D02*X50000D01*") == approx(5 + pi / 4)


def test_a_comment_without_its_star_ends_at_the_next_command():
    found = layer("G04 made by hand\n%ADD10C,1*%D10*X0Y0D03*")
    assert len(found.objects) == 1
    assert found.problems[0].line == 3 and found.problems[0].severity is Severity.WARNING


def test_a_comment_that_swallows_a_statement_is_noticed():
    found = layer("%ADD10C,1*%%ADD11C,2*%D10*X0Y0D03*\nG04 a star is missing\nD11*\nX50000D03*")
    assert any("comment" in problem.what and problem.line == 4 for problem in found.problems)


def test_a_macro_may_have_a_name_of_one_letter_and_even_that_of_a_standard_aperture():
    assert area_mm2("%AMD*21,1,$1,1,0,0,0*%%ADD10D,3*%D10*X0Y0D03*") == approx(3)
    found = layer("%AMR*21,1,$1,1,0,0,0*%%ADD10R,3*%D10*X0Y0D03*")
    assert dark_area(found).area == approx(3) and "like a standard" in found.problems[0].what


def test_an_empty_layer_is_a_layer():
    found = layer("G04 nothing here*")
    assert found.objects == () and found.problems[0].severity is Severity.NOTE
    assert dark_area(found).is_empty


def test_a_file_without_m02_is_read_with_a_warning():
    found = layer("%ADD10C,1*%D10*X0Y0D03*", tail="")
    assert len(found.objects) == 1
    assert "M02" in found.problems[0].what and found.problems[0].severity is Severity.WARNING


@pytest.mark.parametrize("tail", ["M00*", "M02*\x1a", "M30*", "M02", "M02*\n\n", "X0Y0D02M02*"])
def test_the_end_of_a_file_has_many_forms(tail):
    found = layer("%ADD10C,1*%D10*X0Y0D03*M01*X20000D03*", tail=tail)
    assert len(found.objects) == 2
    assert not any(problem.severity is Severity.WARNING for problem in found.problems)


def test_what_follows_the_end_is_not_drawn_but_told():
    found = layer("%ADD10C,1*%D10*X0Y0D03*M02*\nX20000D03*")
    assert len(found.objects) == 1
    assert [(p.line, p.severity) for p in found.problems] == [(4, Severity.WARNING)]


# Step-and-repeat, aperture blocks, placed apertures.


@pytest.mark.parametrize("closing", ["%SR*%", "", "%SRX1Y1I0J0*%", "%SRX1Y1*%"])
def test_step_and_repeat_is_closed_in_every_way(closing):
    found = layer("%ADD10C,1*%%SRX3Y2I2.0J3.0*%D10*\nX0Y0D03*" + closing)
    places = sorted(tuple(round(value, 6) for value in centre(item.shape)) for item in found.objects)
    assert places == [(0, 0), (0, 3), (2, 0), (2, 3), (4, 0), (4, 3)]
    assert {item.line for item in found.objects} == {4}


def test_a_new_step_and_repeat_closes_the_one_before():
    body = "%ADD10C,1*%%SRX3Y1I2.0J0*%D10*X0Y0D03*%SRX1Y2I0J3*%X200000D03*"
    assert len(layer(body).objects) == 5


def test_steps_are_in_the_files_unit_and_paths_move_along():
    found = layer("%ADD10C,0.01*%%SRX2Y1I1.0J0*%D10*X0Y0D02*X10000D01*%SR*%", head="%FSLAX24Y24*%%MOIN*%")
    paths = np.array([stroke.path_mm for stroke in found.objects])
    assert paths == approx(np.array([[(0, 0), (25.4, 0)], [(25.4, 0), (50.8, 0)]]))


def test_a_block_draws_its_objects_at_each_flash():
    body = "%ADD10C,1*%%ABD12*%D10*X0Y0D03*\nX20000Y0D03*%AB*%D12*X100000Y0D03*\nX100000Y100000D03*"
    found = layer(body)
    places = [centre(item.shape) for item in found.objects]
    assert places == [approx(place) for place in ((10, 0), (12, 0), (10, 10), (12, 10))]
    assert [item.line for item in found.objects] == [3, 4, 3, 4]


def test_a_block_is_mirrored_turned_and_scaled_about_its_origin():
    body = "%ADD10R,1X0.5*%%ABD12*%D10*X20000Y10000D03*X20000Y10000D02*X30000D01*%AB*%D12*"
    body += "%LMX*%%LR90*%%LS2*%X100000Y100000D03*"
    flash, stroke = layer(body).objects
    # (2, 1) mirrored in x is (-2, 1), turned by 90° (-1, -2), doubled (-2, -4).
    assert centre(flash.shape) == approx((8, 6))
    assert flash.shape.bounds == approx((7.5, 5, 8.5, 7))
    assert np.array(stroke.path_mm) == approx(np.array([(8, 6), (8, 4)]))
    assert stroke.width_mm == approx(1)


def test_a_clear_block_turns_dark_to_clear_and_clear_to_dark():
    body = "%ADD10R,4X4*%%ADD11R,2X2*%%ABD12*%D10*X0Y0D03*%LPC*%D11*X0Y0D03*%LPD*%%AB*%"
    body += "%ADD13R,10X10*%D13*X0Y0D03*%LPC*%D12*X0Y0D03*"
    assert area_mm2(body) == approx(100 - 16 + 4)


def test_blocks_stand_within_blocks_and_repeats_within_blocks():
    nested = "%ADD10C,1*%%ABD12*%%ABD11*%D10*X0Y0D03*X20000D03*%AB*%D11*X0Y0D03*Y30000D03*%AB*%"
    assert area_mm2(nested + "D12*X0Y0D03*X100000D03*") == approx(8 * pi / 4)
    repeated = "%ADD10C,1*%%ABD12*%%SRX2Y2I2J2*%D10*X0Y0D03*%SR*%%AB*%%SRX3Y1I10J0*%D12*X0Y0D03*%SR*%"
    assert area_mm2(repeated) == approx(12 * pi / 4)


def test_placed_apertures_keep_their_place_and_turn_about_it():
    flash = one("%ADD10R,4X1*%%LR45*%D10*X100000Y0D03*")
    assert flash.shape.area == approx(4)  # one library gives 3.1 times that
    assert centre(flash.shape) == approx((10, 0))
    assert flash.shape.bounds[2] - flash.shape.bounds[0] == approx(5 / sqrt(2))
    assert area_mm2("%ADD10C,1*%%LS0.5*%D10*X0Y0D03*") == approx(pi / 16)
    assert area_mm2("%ADD10C,1*%%LS2*%D10*X0Y0D02*X50000D01*") == approx(10 + pi)
    assert area_mm2("%ADD10R,2X1*%%LR90*%D10*X0Y0D02*X50000D01*") == approx(2 + 5 * 2)


def test_mirroring_comes_before_turning():
    triangle = "%AMTRI*4,1,3,0,0,3,0,0,1,0,0,0*%%ADD10TRI*%{}D10*X0Y0D03*"
    assert one(triangle.format("%LMX*%")).shape.bounds == approx((-3, 0, 0, 1))
    assert one(triangle.format("%LMY*%")).shape.bounds == approx((0, -1, 3, 0))
    assert one(triangle.format("%LR90*%%LMX*%")).shape.bounds == approx((-1, -3, 0, 0))
    assert one(triangle.format("%LMXY*%%LMN*%")).shape.bounds == approx((0, 0, 3, 1))


# The old commands for a whole image.


def test_old_image_commands_move_the_image_and_are_told():
    body = "%ADD10R,2X1*%D10*X30000Y10000D03*"
    assert one("%OFA10.0B-5*%" + body).shape.bounds == approx((12, -4.5, 14, -3.5))
    assert one("%MIA1B0*%" + body).shape.bounds == approx((-4, 0.5, -2, 1.5))
    assert one("%SFA2B1*%" + body).shape.bounds == approx((5, 0.5, 7, 1.5))
    assert one("%IR90*%" + body).shape.bounds == approx((-1.5, 2, -0.5, 4))
    assert one("%ASAYBX*%" + body).shape.bounds == approx((0.5, 2, 1.5, 4))
    for command in ("OFA10.0B-5", "MIA1B0", "SFA2B1", "IR90", "ASAYBX"):
        problems = layer(f"%{command}*%{body}").problems
        assert [problem.severity for problem in problems] == [Severity.WARNING]
    assert layer("%OFA0B0*%%MIA0B0*%%SFA1B1*%%IR0*%%ASAXBY*%%IPPOS*%" + body).problems == ()


def test_a_mirrored_image_turns_its_arcs_around():
    body = "G75*G36*X0Y0D02*G01X30000D01*G03Y20000I0J10000D01*G01X0D01*Y0D01*G37*"
    plain, mirrored = one(body).shape, one("%MIA1B0*%" + body).shape
    assert mirrored.symmetric_difference(shapely.affinity.scale(plain, -1, 1, origin=(0, 0))).area < 1e-9


def test_a_negative_image_is_dark_around_what_is_drawn():
    found = layer("%IPNEG*%%ADD10R,1X1*%D10*X0Y0D03*X90000Y90000D03*")
    assert dark_area(found).area == approx(100 - 2)
    assert found.problems[0].severity is Severity.WARNING and found.problems[0].line == 3


# Attributes.


def test_attributes_of_file_aperture_and_object_are_kept_without_their_points():
    found = layer(
        "%TF.FileFunction,Paste,Top*%%TFMaker,a b*%%TA.AperFunction,SMDPad,CuDef*%%ADD10C,1*%%TD*%%ADD11C,1*%"
        "D10*%TO.P,U1,3,VDD\\u002CA*%%TO.N,VDD*%X0Y0D03*X20000D03*%TD.N*%X40000D03*D11*X60000D03*%TD*%X80000D03*"
    )
    assert found.attributes == {"FileFunction": ("Paste", "Top"), "Maker": ("a b",)}
    pad, pin = {"AperFunction": ("SMDPad", "CuDef")}, {"P": ("U1", "3", "VDD,A")}
    expected = [pad | pin | {"N": ("VDD",)}, pad | pin | {"N": ("VDD",)}, pad | pin, pin, {}]
    assert [dict(item.attributes) for item in found.objects] == expected
    assert found.objects[0].attributes is found.objects[1].attributes


def test_attributes_in_comments_count():
    found = layer(
        "G04 #@! TF.FileFunction,Paste,Bot*\nG04 #@! TO.C,R12*\n%ADD10C,1*%D10*X0Y0D03*\nG04 #@! TD*\nX20000D03*"
    )
    assert found.attributes == {"FileFunction": ("Paste", "Bot")}
    assert [dict(item.attributes) for item in found.objects] == [{"C": ("R12",)}, {}]


def test_regions_take_the_aperture_attributes_in_force():
    body = "%TA.AperFunction,Conductor*%%TO.N,GND*%G36*X0Y0D02*X20000D01*Y10000D01*X0Y0D01*G37*"
    assert dict(one(body).attributes) == {"AperFunction": ("Conductor",), "N": ("GND",)}


def test_objects_of_blocks_and_repeats_inherit_attributes():
    block = "%ADD10C,1*%%TA.AperFunction,Other,Logo*%%ABD12*%%TD*%%TO.C,R1*%D10*X0Y0D03*%TD*%X20000D03*%AB*%"
    found = layer(block + "%TO.C,R2*%%TO.N,GND*%D12*X0Y0D03*")
    common = {"AperFunction": ("Other", "Logo"), "N": ("GND",)}
    assert [dict(item.attributes) for item in found.objects] == [
        common | {"C": ("R1",)},
        common | {"C": ("R2",)},
    ]
    repeat = layer("%ADD10C,1*%%TO.C,R1*%%SRX2Y1I5J0*%D10*X0Y0D03*%SR*%").objects
    assert [dict(item.attributes) for item in repeat] == [{"C": ("R1",)}] * 2
    assert repeat[0].attributes is repeat[1].attributes
