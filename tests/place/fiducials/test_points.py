"""Found points and probed heights, typed or in files: what they mean, and what is wrong with them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.place.fiducials.points import (
    board_places,
    pairs_of,
    parse_points,
    read_points,
    typed_point,
    typed_probe,
)
from pastewright.problems import InputError


def refusal(text):
    with pytest.raises(InputError) as caught:
        parse_points(text, "found.csv")
    return str(caught.value)


def test_typed_points_name_a_place_or_give_it():
    point = typed_point("F1=103.12,53.48")
    assert (point.name, point.found_mm, point.board_mm) == ("F1", (103.12, 53.48), None)
    point = typed_point("3.0,-4.5=103.12,53.48")
    assert (point.found_mm, point.board_mm) == ((103.12, 53.48), (3.0, -4.5))
    assert typed_probe("1,2,-3.5") == (1.0, 2.0, -3.5)


@pytest.mark.parametrize("word", ["F1", "F1=", "=1,2", "F1=1", "F1=1,2,3", "F1=a,b", ""])
def test_typed_words_that_are_no_point_are_refused(word):
    with pytest.raises(InputError, match="WHAT=X,Y"):
        typed_point(word)


@pytest.mark.parametrize("word", ["1,2", "a,b,c", "1,2,3,4", ""])
def test_typed_words_that_are_no_height_are_refused(word):
    with pytest.raises(InputError, match="X,Y,Z"):
        typed_probe(word)


def test_a_table_holds_points_and_heights():
    found = parse_points(
        "# measured on Tuesday\nname, x, y\nF1, 103.12, 53.48\nF2; 150.1; 53.2; 47.0; 3.5\n\n101.0, 51.0, 1.62\n",
        "found.csv",
    )
    assert [(p.name, p.found_mm, p.board_mm, p.line) for p in found.points] == [
        ("F1", (103.12, 53.48), None, 3),
        ("F2", (150.1, 53.2), (47.0, 3.5), 4),
    ]
    assert found.probes == ((101.0, 51.0, 1.62),)


def test_a_toml_file_holds_points_and_heights():
    text = '[[point]]\nname = "F1"\nfound_mm = [103.12, 53]\n'
    text += "[[point]]\nboard_mm = [3, 4]\nfound_mm = [1, 2]\n[[probe]]\nat_mm = [1, 2, 3.5]\n"
    found = parse_points(text, "found.toml")
    assert found.points[0].found_mm == (103.12, 53.0) and found.points[0].line == 1
    assert found.points[1].board_mm == (3.0, 4.0)
    assert found.probes == ((1.0, 2.0, 3.5),)


def test_what_controllers_answer_is_read():
    # CNC controllers answer a probe with [PRB:x,y,z:1]; printer controllers a single probe with Bed X: Y: Z:.
    log = "ok\n[PRB:101.000,51.500,1.620:1]\nok\n[PRB:149.000,51.500,1.655:1]\n"
    assert parse_points(log, "log").probes == ((101.0, 51.5, 1.62), (149.0, 51.5, 1.655))
    log = "Bed X: 101.00 Y: 51.50 Z: 1.62\nok\nBed X: 149.00 Y: 51.50 Z: 1.66\n"
    assert parse_points(log, "log").probes == ((101.0, 51.5, 1.62), (149.0, 51.5, 1.66))
    nine = "101.000000 51.500000 1.620000 0.000000 0.000000 0.000000 0.000000 0.000000 0.000000\n"
    assert parse_points(nine, "log").probes == ((101.0, 51.5, 1.62),)


def test_a_probe_that_found_nothing_is_refused():
    assert "found.csv:2: this probe found nothing" in refusal("[PRB:1,2,3:1]\n[PRB:0.000,0.000,0.000:0]\n")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no point in this file"),
        ("# only a remark\n", "no point in this file"),
        ("F1, 1\n", "found.csv:1: 'F1 1' is neither"),
        ("F1, 1, 2\nF2, one, two\n", "found.csv:2"),
        ('[[point]]\nname = "F1"\n', "found.csv:1: found_mm must be"),
        ("[[point]]\nfound_mm = [1, 2]\n", "needs a name or board_mm"),
        ('[[point]]\nname = "F1"\nfound_mm = [1, 2]\nseen = 3\n', "seen is not known"),
        ("[[probe]]\nat_mm = [1, 2]\n", "found.csv:1: a probed height"),
        ("[[probe]]\nat_mm = [1, 2, true]\n", "a probed height"),
        ("[[thing]]\nx = 1\n", "thing is not known"),
        ("[[probe]\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_with_a_file_is_named_with_its_line(text, says):
    assert says in refusal(text)


def test_every_wrong_line_is_told():
    assert refusal("F1, 1, 2\nx\ny\n").count("is neither") == 2


@given(st.text(max_size=200))
def test_no_text_makes_it_stumble(text):
    try:
        parse_points(text, "any")
    except InputError as error:
        assert error.problems


def test_odd_files_are_refused(tmp_path):
    for name, data in [("a", b"\xff\xfe\x00"), ("b", b"")]:
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError):
            read_points(tmp_path / name)
    with pytest.raises(InputError, match="folder"):
        read_points(tmp_path)
    with pytest.raises(InputError, match="cannot be read"):
        read_points(tmp_path / "missing")


def test_names_are_those_of_fiducials_corners_and_pads(small):
    places = board_places(small)
    assert places["F2"] == (27.0, 4.0)
    assert places["UR"] == (30.0, 20.0) and places["LL"] == (0.0, 0.0)
    assert places["R2-1"] == pytest.approx((11.2, 6.0))
    points = [typed_point("f1=1,2"), typed_point("UL=3,4"), typed_point("r2-1=5,6")]
    assert [pair.from_mm for pair in pairs_of(points, places)] == [
        (3.0, 3.0),
        (0.0, 20.0),
        pytest.approx((11.2, 6.0)),
    ]


def test_a_name_that_is_not_there_is_refused_with_those_that_are(small):
    with pytest.raises(InputError) as caught:
        pairs_of([typed_point("F7=1,2"), typed_point("R22=1,2")], board_places(small))
    words = str(caught.value)
    assert "F7 is no fiducial" in words and "R22 is no" in words and "Fiducials: F1, F2, F3" in words


def test_a_point_given_twice_is_refused(small):
    with pytest.raises(InputError, match="F1 is given 2 times"):
        pairs_of([typed_point("F1=1,2"), typed_point("F1=3,4")], board_places(small))
