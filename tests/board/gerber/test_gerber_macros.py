"""Aperture macros against closed forms: every primitive, exposure, rotation, expressions."""

from math import asin, cos, pi, sin, sqrt, tan

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.gerber.read import dark_area, read_gerber
from pastewright.problems import InputError

MM = "%FSLAX34Y34*%\n%MOMM*%\n"


def flash(macro, parameters="", head=MM):
    """The single flash of a macro; `macro` is its text after the name."""
    tail = f",{parameters}" if parameters else ""
    text = f"{head}%AMPAD (1)*{macro}*%\n%ADD10PAD (1){tail}*%D10*X0Y0D03*M02*"
    (found,) = read_gerber(text.encode(), "macro.gbr").objects
    return found


def refusal(macro, parameters=""):
    with pytest.raises(InputError) as refused:
        flash(macro, parameters)
    return str(refused.value)


def test_circle():
    shape = flash("1,1,2,3,1").shape
    assert shape.area == approx(pi)
    assert (shape.centroid.x, shape.centroid.y) == approx((3, 1))


def test_a_centred_circle_alone_is_a_disc_that_draws_round_strokes():
    assert flash("1,1,2,0,0").width_mm == 2
    text = f"{MM}%AMDOT*1,1,$1,0,0*%%ADD10DOT,1*%D10*X0Y0D02*X50000D01*M02*"
    assert dark_area(read_gerber(text.encode(), "dot.gbr")).area == approx(5 + pi / 4)


@pytest.mark.parametrize("code", [2, 20])
def test_vector_line(code):
    shape = flash(f"{code},1,0.5,0,0,3,4,0").shape
    assert shape.area == approx(2.5)
    assert shape.bounds == approx((-0.2, -0.15, 3.2, 4.15))


def test_centre_line_and_lower_left_line():
    assert flash("21,1,4,1,2,3,0").shape.bounds == approx((0, 2.5, 4, 3.5))
    assert flash("22,1,4,1,2,3,0").shape.bounds == approx((2, 3, 6, 4))


def test_outline():
    shape = flash("4,1,4,0,0,3,0,3,2,0,2,0,0,0").shape
    assert shape.area == approx(6)
    assert shape.bounds == approx((0, 0, 3, 2))


def test_a_comment_may_say_anything():
    assert flash("0 5 mm, 1.2 (old)*0*0rounded*21,1,2,1,0,0,0").shape.area == approx(2)


def test_an_outline_over_many_lines_with_spaces():
    assert flash("4, 1, 3,\n 0, 0,\n 3, 0,\n 3, 2,\n 0, 0,\n 0").shape.area == approx(3)


def test_polygon():
    shape = flash("5,1,8,1,2,4,0").shape
    assert shape.area == approx(8 / 2 * 4 * sin(2 * pi / 8))
    assert (shape.centroid.x, shape.centroid.y) == approx((1, 2))
    assert shape.bounds[2] == approx(3)


def test_thermal():
    # A ring of radii 3 and 2 less a cross of bars 0.8 wide. One bar takes from a disc of radius r a strip of
    # w·√(r²-w²/4)·… : 2·(x·√(r²-x²) + r²·asin(x/r)) with x = w/2; both bars share their w × w middle, in the inner disc.
    def strip(radius):
        half = 0.4
        return 2 * (half * sqrt(radius**2 - half**2) + radius**2 * asin(half / radius))

    expected = pi * (9 - 4) - 2 * (strip(3) - strip(2))
    shape = flash("7,0,0,6,4,0.8,0").shape
    assert shape.area == approx(expected, rel=1e-3)
    assert len(shape.geoms) == 4


def test_a_thermal_without_gap_is_a_ring_and_with_a_turn_keeps_its_area():
    assert flash("7,0,0,6,4,0,0").shape.area == approx(5 * pi)
    assert flash("7,0,0,6,4,0.8,33").shape.area == approx(flash("7,0,0,6,4,0.8,0").shape.area)


def test_moire_rings_and_crosshair():
    rings = pi * (16 - 3.5**2 + 9 - 2.5**2)  # two rings 0.5 wide, 0.5 apart, from a diameter of 8
    assert flash("6,0,0,8,0.5,0.5,2,0,0,0").shape.area == approx(rings)
    cross = flash("6,0,0,8,0.5,0.5,0,0.2,10,45").shape
    assert cross.area == approx(2 * 10 * 0.2 - 0.2**2)
    assert cross.bounds[2] == approx(5.1 / sqrt(2))
    # As many rings as find room: 8, 4 and, at diameter 0, none; the last is a full disc when its hole closes.
    assert flash("6,0,0,8,1,1,9,0,0,0").shape.area == approx(pi * (16 - 9 + 4 - 1))
    assert flash("6,0,0,2,1,1,9,0,0,0").shape.area == approx(pi)


def test_exposure_off_cuts_only_what_is_there_already():
    assert flash("21,1,4,4,0,0,0*21,0,2,2,0,0,0*21,1,1,1,0,0,0").shape.area == approx(16 - 4 + 1)
    assert flash("21,0,2,2,0,0,0*21,1,4,4,0,0,0").shape.area == approx(16)


def test_exposure_off_does_not_reach_beyond_the_macro():
    text = f"{MM}%AMH*21,1,4,4,0,0,0*1,0,2,0,0*%%ADD10H*%%ADD11R,8X8*%D11*X0Y0D03*D10*X0Y0D03*M02*"
    assert dark_area(read_gerber(text.encode(), "hole.gbr")).area == approx(64)


@pytest.mark.parametrize(
    ("primitive", "place"),
    [
        ("1,1,1,2,0,90", (0, 2)),
        ("20,1,1,1.5,0,2.5,0,90", (0, 2)),
        ("21,1,1,1,2,0,90", (0, 2)),
        ("22,1,1,1,1.5,-0.5,90", (0, 2)),
        ("4,1,4,1,-1,3,-1,3,1,1,1,1,-1,90", (0, 2)),
        ("5,1,4,2,0,1,90", (0, 2)),
        ("6,2,0,1,1,0,1,0,0,90", (0, 2)),
        ("7,2,0,1,0.5,0.1,90", (0, 2)),
        ("21,1,1,1,2,0,30", (2 * cos(pi / 6), 1)),
    ],
)
def test_every_primitive_turns_about_the_macros_origin_in_degrees(primitive, place):
    shape = flash(primitive).shape
    assert (shape.centroid.x, shape.centroid.y) == approx(place, abs=1e-9)


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("1+2x3", 7),
        ("(1+2)x3", 9),
        ("1+2X3", 7),
        ("8/2/2", 2),
        ("8-2-2", 4),
        ("8-(2-2)", 8),
        ("-$1+5", 3),
        ("5--$1", 7),
        ("5+-$1", 3),
        ("+$1", 2),
        ("-(0-$1)x2", 4),
        ("2x-$1+6", 2),
        ("$1x$2/4", 1.5),
        ("$9+1", 1),
        (".5+1.", 1.5),
        ("((($2)))", 3),
        ("$1-$2x-1", 5),
    ],
)
def test_expressions(expression, value):
    # The value is the width of a rectangle of height 1.
    assert flash(f"21,1,{expression},1,0,0,0", "2X3").shape.area == approx(value)


@given(
    st.recursive(
        st.integers(0, 9).map(str),
        lambda part: st.one_of(
            st.tuples(part, st.sampled_from("+-*"), part).map("".join),
            part.map(lambda text: f"({text})"),
            part.map(lambda text: f"-{text}" if text[0] not in "-" else text),
        ),
        max_leaves=8,
    )
)
def test_expressions_have_the_value_that_python_gives_them(text):
    value = eval(text, {}, {})
    if not -900 < value < 900:
        return
    shape = flash(f"1,1,1,{text.replace('*', 'x')},0").shape
    assert shape.centroid.x == approx(value, abs=1e-6)


def test_variables_are_set_in_order_and_start_at_zero():
    # A rounded square as design programs write it: side $1, corner radius $2.
    corners = "".join(f"*1,1,2x$2,{x}$3,{y}$3" for x in ("", "-") for y in ("", "-"))
    macro = "0 rounded, side $1*$4=$1-2x$2*$3=$1/2-$2*21,1,$1,$4,0,0,0*21,1,$4,$1,0,0,0" + corners
    assert flash(macro, "6X1").shape.area == approx(36 - (4 - pi), rel=1e-4)
    assert flash("21,1,1+$7,1,0,0,0*$7=5*21,1,1+$7,1,0,0,0").shape.area == approx(6)


def test_a_macro_scales_with_the_unit():
    inch = "%FSLAX24Y24*%\n%MOIN*%\n"
    assert flash("21,1,$1,0.1,0,0,0", "0.2", head=inch).shape.area == approx(0.02 * 25.4**2)
    assert flash("1,1,0.1,0,0", head=inch).shape.area == approx(pi * 1.27**2)


def test_the_octagon_of_an_old_program():
    # 1.08239 = 1/cos(22.5°): the octagon's flats are $1 apart.
    shape = flash("5,1,8,0,0,1.08239X$1,22.5", "2").shape
    assert shape.area == approx(8 * tan(pi / 8), rel=1e-4)
    assert shape.bounds == approx((-1, -1, 1, 1), rel=1e-4)


def test_an_outline_that_crosses_itself_is_repaired_with_a_warning():
    text = f"{MM}%AMX*4,1,4,0,0,2,2,2,0,0,2,0,0,0*%\n%ADD10X*%D10*X0Y0D03*M02*"
    layer = read_gerber(text.encode(), "crossed.gbr")
    assert layer.objects[0].shape.area == approx(2)
    assert layer.problems[0].line == 4 and "crosses itself" in layer.problems[0].what


def test_an_outline_with_a_cut_in_keeps_its_hole_without_a_word():
    # A square ring whose outline runs in to the hole and back along one line.
    corners = "0,0,6,0,6,6,0,6,0,3,2,3,2,4,4,4,4,2,2,2,2,3,0,3,0,0"
    text = f"{MM}%AMX*4,1,12,{corners},0*%\n%ADD10X*%D10*X0Y0D03*M02*"
    layer = read_gerber(text.encode(), "ring.gbr")
    assert layer.objects[0].shape.area == approx(32)
    assert layer.problems == ()


@pytest.mark.parametrize(
    ("macro", "word"),
    [
        ("9,1,2", "primitive 9"),
        ("1,1,2", "modifiers"),
        ("1,1,2,0,0,0,0", "modifiers"),
        ("1,3,2,0,0", "exposure"),
        ("1,1,-2,0,0", "negative"),
        ("21,1,1/$1,1,0,0,0", "divides by zero"),
        ("21,1,(1,1,0,0,0", "not closed"),
        ("21,1,1),1,0,0,0", "has no '('"),
        ("21,1,1+,1,0,0,0", "missing"),
        ("21,1,1 2(3),1,0,0,0", "missing"),
        ("21,1,a,1,0,0,0", "not an expression"),
        ("21,1,,1,0,0,0", "missing"),
        ("$1x2", "$n=expression"),
        ("4,1,4,0,0,1,0", "needs 13 modifiers"),
        ("4,1,0,0,0,0", "corners"),
        ("5,1,2,0,0,1,0", "corners"),
        ("5,1,1000000000,0,0,1,0", "corners"),
        ("6,0,0,8,0.0001,0.0001,999999999,0,0,0", "rings"),
        ("7,0,0,4,6,0.1,0", "not larger"),
        ("1,1,99999999x99999999,0,0", "no size"),
        ("1,1,9999999,0,0", "the unit is probably wrong"),
        ("1.5,1,2,0,0", "not a primitive"),
    ],
)
def test_a_bad_macro_is_refused_with_its_reason(macro, word):
    text = refusal(macro)
    assert "macro.gbr:" in text and word in text


def test_a_deeply_nested_expression_is_no_trouble():
    depth = 20_000
    assert flash(f"21,1,{'(' * depth}2{')' * depth},1,0,0,0").shape.area == approx(2)


def test_a_bad_macro_is_told_once_not_at_each_use():
    text = f"{MM}%AMX*9,1*%%ADD10X*%%ADD11X*%D10*X0Y0D03*D11*X0Y0D03*M02*"
    with pytest.raises(InputError) as refused:
        read_gerber(text.encode(), "macro.gbr")
    assert len(refused.value.problems) == 1


def test_shapes_of_macros_are_valid():
    shape = flash("21,1,2,2,0,0,0*21,0,2,1,0,0.5,0*21,1,1,1,0.5,0.5,0").shape
    assert shape.is_valid
    assert shape.area == approx(3)
    assert isinstance(shape, shapely.Polygon | shapely.MultiPolygon)
