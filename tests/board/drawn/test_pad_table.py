"""Tables of pads and centroid files: spellings, separators, units, and what is asked about instead of guessed."""

from math import pi
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.drawn.pad_table import looks_like_pads, read_table
from pastewright.board.model import Board, PadKind, Side
from pastewright.board.pads.board import board_of
from pastewright.board.parts.centroid import read_centroids
from pastewright.board.source.files import SourceFile
from pastewright.board.source.units import unit_name
from pastewright.problems import InputError


def table(text: str | bytes, *, side: Side = Side.TOP, units: str = "", columns: str = "") -> Board:
    data = text.encode() if isinstance(text, str) else text
    ask = Ask(side=side, name="logger", units=units, columns=columns)
    return board_of(read_table(SourceFile(name="pads.csv", data=data), ask), side=ask.side, name=ask.name)


def refused(text: str, **more: Any) -> str:
    with pytest.raises(InputError) as caught:
        table(text, **more)
    return str(caught.value)


def places(board: Board) -> list[tuple[float, float]]:
    found = (board.to_file_mm(*pad.land.centroid.coords[0]) for pad in board.pads)
    return [(round(x, 4), round(y, 4)) for x, y in found]


ONE = [(1.5, 2.25)]


@pytest.mark.parametrize(
    "text",
    [
        "x (mm),y (mm),width,height\n1.5,2.25,0.6,0.4\n",
        "X_mm;Y_mm;W_mm;H_mm\n1,5;2,25;0,6;0,4\n",
        "PosX [mm]\tPosY [mm]\tSize X\tSize Y\n1.5\t2.25\t.6\t.4\n",
        "# units: mm\n# Ref   PosX    PosY   W    H\n  R1   1.5  2.25   0.6 0.4\n",
        '"Mid X","Mid Y","Pad Width","Pad Height"\n"1.5mm","2.25mm","0.6mm","0.4mm"\n',
        "Center-X(mil),Center-Y(mil),Width(mil),Height(mil)\n59.055118,88.582677,23.622047,15.748031\n",
        "x (in),y (in),w (mm),h (mm)\n0.059055118,0.088582677,0.6,0.4\n",
        "\ufeffx (mm),y (mm),width,height\r\n1.5,2.25,0.6,0.4\r\n\r\n",
        "Greenhouse logger\nwritten 2024\n\nx_mm|y_mm|width|height\n----|----|----|----\n1.5|2.25|0.6|0.4\n",
    ],
)
def test_one_pad_in_many_hands(text):
    board = table(text)
    assert places(board) == ONE
    assert board.pads[0].land.area == approx(0.24, rel=1e-6)
    assert looks_like_pads(text.encode())


@pytest.mark.parametrize(
    ("columns", "units", "text", "area"),
    [
        ("x,y,diameter", "mm", "1.5 2.25 0.8\n", pi * 0.16),
        ("-,x,y,width,height", "mm", "R1,1.5,2.25,0.6,0.4\n", 0.24),
        ("x,y,diameter=0.8", "mm", "1.5;2.25\n", pi * 0.16),
        ("x,y,width=0.6,height=0.4,-", "mm", "1.5\t2.25\n", 0.24),
        ("x=First,y=Second,diameter=0.8mm", "mm", "First,Second\n1.5,2.25\n", pi * 0.16),
    ],
)
def test_columns_can_be_named_by_the_person(columns, units, text, area):
    if columns.startswith("x=First"):
        # A header that is not known as one is given by name all the same only when x and y can be found.
        text = "x,y,First,Second\n9,9,1.5,2.25\n"
    board = table(text, columns=columns, units=units)
    assert places(board) == ONE
    assert board.pads[0].land.area == approx(area, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x,y,width,height\n1,2,3,4\n", "which unit"),
        ("1,2,0.5\n3,4,0.5\n", "has no header"),
        ("x,Mid X,y,diameter (mm)\n1,2,3,4\n", "'x' or 'Mid X' could each be x"),
        ("x_mm,y_mm,size\n1,2,3\n", "could be diameter, width or height"),
        ("x_mm,y_mm,width,length\n1,2,3,4\n", "could be width (along x) or height (along y)"),
        ("x_mm,y_mm,diameter,volume\n1,2,3,4\n", "names no unit of volume"),
        ("x_mm,y_mm,name\n1,2,a\n", "how large the paste is"),
        ("x_mm,y_mm,width,height\n1,2,0.5,\n", "height is empty"),
        ("x_mm,y_mm,diameter\n1,2,a lot\n", "diameter is 'a lot'"),
        ("x_mm,y_mm,diameter\n1,2,-3\n", "above 0"),
        ("x_mm,y_mm,diameter,width,height\n1,2,1,2,2\n", "another width"),
        ("x_mm;y_mm;diameter\n1.5;2;0,5\n", "decimal comma and some a decimal point"),
        ("x_mm;y_mm;diameter\n1.234,5;2;0,5\n", "both a comma and a point"),
        ("x_mm,y_mm,diameter,shape\n1,2,1,banana\n", "shape is 'banana'"),
        ("x_mm,y_mm,width,height,shape\n1,2,1,1,rounded\n", "corner radius"),
        ("x_mm,y_mm,diameter,side\n1,2,1,middle\n", "side is 'middle'"),
        ("x_mm,y_mm,x2_mm,diameter\n1,2,3,1\n", "only one of x2 and y2"),
        ("x_mm,y_mm,x2_mm,y2_mm,width\n1,2,1,2,1\n", "ends where it starts"),
        ("x_mm,y_mm,diameter,volume_ul\n1,2,1,-1\n", "above 0 and at most 1000"),
        ("x_mm,y_mm,diameter\n1,2,1\n5000,2,1\n", "at most 1000 mm"),
    ],
)  # fmt: skip
def test_what_can_be_read_two_ways_is_asked_about(text, words):
    assert words in refused(text)


def test_a_question_can_be_answered_as_its_message_says():
    text = "x_mm,y_mm,size\n1,2,0.5\n"
    assert "--columns 'diameter=size'" in refused(text)
    assert table(text, columns="diameter=size").pads[0].land.area == approx(pi / 16, rel=1e-3)


def test_every_wrong_row_is_told_at_once_with_its_line():
    words = refused("x_mm,y_mm,diameter\n1,2,1\n1,b,1\n1,2,c\n")
    assert "pads.csv:3: y is 'b'" in words
    assert "pads.csv:4: diameter is 'c'" in words


def test_a_stated_volume_and_names_are_kept():
    board = table("x_mm,y_mm,diameter,volume_nl,ref,pin,net\n1,2,1,250,U1,3,GND\n")
    (pad,) = board.pads
    assert (pad.id, pad.net, pad.volume_ul) == ("U1-3", "GND", 0.25)


def test_two_point_rows_are_beads_and_may_stand_among_pads():
    board = table("x1,y1,x2,y2,width (mm),height (mm)\n1,2,5,2,0.4,\n8,8,,,1,2\n")
    bead, pad = sorted(board.pads, key=lambda pad: not pad.path_mm)
    assert bead.path_width_mm == approx(0.4)
    assert [board.to_file_mm(*point) for point in bead.path_mm] == [approx((1, 2)), approx((5, 2))]
    assert pad.land.area == approx(2)


def test_rotation_is_counter_clockwise_in_degrees():
    board = table("x_mm,y_mm,width,height,rotation\n0,0,4,1,30\n")
    x, y = max(board.pads[0].land.exterior.coords, key=lambda corner: corner[0] + corner[1])
    middle = board.pads[0].land.centroid
    # By hand: the corner (2, 0.5) turned by 30°: (2·cos30 − 0.5·sin30, 2·sin30 + 0.5·cos30).
    assert (x - middle.x, y - middle.y) == approx((1.48205, 1.43301), abs=1e-4)


def test_sides_are_kept_apart_and_the_bottom_is_mirrored():
    text = "x_mm,y_mm,diameter,side\n1,2,1,TopLayer\n10,2,1,B\n14,2,1,bottom\n"
    assert len(table(text).pads) == 1
    below = table(text, side=Side.BOTTOM)
    assert [round(pad.land.centroid.x, 2) for pad in below.pads] == [4.5, 0.5]


def test_the_bottom_of_a_table_without_sides_is_not_guessed():
    assert "no side column" in refused("x_mm,y_mm,diameter\n1,2,1\n", side=Side.BOTTOM)


def test_rows_that_overlap_are_told():
    board = table("x_mm,y_mm,diameter\n1,2,1\n1,2,1\n5,5,1\n")
    assert any("overlap" in problem.what and problem.line == 3 for problem in board.problems)


def test_a_hole_makes_a_through_hole_pad_and_a_fiducial_gets_no_paste():
    board = table("x_mm,y_mm,diameter,hole,shape\n1,2,2,1,\n5,5,1,,fiducial\n")
    assert [pad.kind for pad in board.pads] == [PadKind.THROUGH_HOLE, PadKind.FIDUCIAL]


@settings(max_examples=60)
@given(
    rows=st.lists(
        st.tuples(
            st.floats(-90, 90), st.floats(-90, 90), st.floats(0.1, 3), st.floats(0.1, 3), st.floats(-180, 180)
        ),
        min_size=1,
        max_size=12,
    ),
    separator=st.sampled_from([",", ";", "\t", "|"]),
    unit=st.sampled_from([("mm", 1.0), ("mil", 0.0254), ("in", 25.4)]),
    comma=st.booleans(),
)
def test_a_table_written_in_any_way_reads_back_the_same(rows, separator, unit, comma):
    name, factor = unit
    if separator == ",":
        comma = False

    def cell(value: float) -> str:
        text = f"{value:.9f}"
        return text.replace(".", ",") if comma else text

    lines = [
        separator.join(f"{word} ({name})" for word in ("x", "y", "width", "height")) + separator + "rotation"
    ]
    lines += [separator.join([*(cell(v / factor) for v in row[:4]), cell(row[4])]) for row in rows]
    board = table("\n".join(lines))
    assert len(board.pads) == len(rows)
    for pad, (x, y, width, height, _turn) in zip(board.pads, rows, strict=True):
        assert board.to_file_mm(*pad.land.centroid.coords[0]) == approx((x, y), abs=1e-6)
        assert pad.land.area == approx(width * height, rel=1e-6)


@pytest.mark.parametrize(
    ("word", "name"), [("Inches", "in"), ("MILS", "mil"), ("(mm)", "mm"), ("µm", "um"), ("miles", "")]
)
def test_units_by_many_names(word, name):
    assert unit_name(word) == name


# ---- centroid files

CENTROIDS = {
    "csv in mm": "Designator,Mid X (mm),Mid Y (mm),Rotation,Layer\nR1,1.5,2.25,90,TopLayer\n",
    "units behind numbers": '"Designator","Layer","Center-X(mil)","Center-Y(mil)","Rotation"\n'
    '"R1","T","59.055118mil","88.582677mil","90.00"\n',
    "blanks and a hash": "### Module positions ###\n## Unit = mm, Angle = deg.\n"
    "# Ref     Val   Package  PosX     PosY     Rot   Side\nR1        10k   R_0402   1.5000   2.2500   90.0  top\n## End\n",
    "semicolons and decimal commas": "Ref;X [mm];Y [mm];Rot;Side\nR1;1,5;2,25;90;top\n",
    "a page of remarks": "Date: 2024-03-01\nRevision A\nUnits used: mm\n\nRefDes,X,Y,Rotation,Side\nR1,1.5,2.25,90,Top\n",
    "three kinds of place": "Designator,Ref X(mm),Ref Y(mm),Mid X(mm),Mid Y(mm),Pad X(mm),Pad Y(mm),TB,Rotation\n"
    "R1,9,9,1.5,2.25,8,8,T,90\n",
}  # fmt: skip


@pytest.mark.parametrize("name", list(CENTROIDS))
def test_centroid_files_of_many_programs_say_the_same(name):
    found = read_centroids(CENTROIDS[name].encode(), "pnp.csv")
    (part,) = found.parts
    assert part.ref == "R1"
    assert (part.x_mm, part.y_mm) == approx((1.5, 2.25), abs=1e-5)
    assert part.rotation_deg == 90
    assert part.side is Side.TOP
    assert not looks_like_pads(CENTROIDS[name].encode())


def test_a_centroid_file_without_a_unit_is_left_to_the_pads():
    found = read_centroids(b"ref,x,y\nR1,1,2\nR2,3,4\n", "pnp.csv")
    assert not found.unit_known and [(p.x_mm, p.y_mm) for p in found.parts] == [(1, 2), (3, 4)]
    assert read_centroids(b"ref,x (mm),y (mm)\nR1,1,2\nR2,3,4\n", "pnp.csv").unit_known
    with pytest.raises(InputError, match="unit"):
        read_centroids(b"ref,x,y\nR1,1mm,2mm\nR2,3,4\n", "pnp.csv")


def test_the_side_may_stand_in_the_files_name():
    assert (
        read_centroids(b"Ref,X (mm),Y (mm)\nR1,1,2\n", "logger-bottom-pos.csv").parts[0].side is Side.BOTTOM
    )
    assert read_centroids(b"Ref,X (mm),Y (mm)\nR1,1,2\n", "bottle.csv").parts[0].side is None


def test_a_row_that_cannot_be_read_only_costs_its_name():
    found = read_centroids(b"Ref,X (mm),Y (mm)\nR1,1,2\nR2,here,there\n", "pnp.csv")
    assert [part.ref for part in found.parts] == ["R1"]
    assert found.problems[0].line == 3


def test_rows_tell_the_reference_where_headings_do_not():
    text = "Name,Component,Side,Centre X (mm),Centre Y (mm)\nR1,CAP ARRAY,Top,1,2\nU2,CAP ARRAY,Top,3,2\n"
    assert [part.ref for part in read_centroids(text.encode(), "pnp.csv").parts] == ["R1", "U2"]
    unclear = "Name,Component (mm),Side,Centre X (mm),Centre Y (mm)\nR1,C1,Top,1,2\nU2,C2,Top,3,2\n"
    with pytest.raises(InputError, match="could each be ref"):
        read_centroids(unclear.encode(), "pnp.csv")


def test_equal_parts_in_a_row_keep_their_own_pads():
    import numpy as np
    from shapely import box

    from pastewright.board.parts.part_fit import name_by_parts
    from pastewright.board.shapes.islands import shape_array

    # Five arrays of eight pads each, 4 mm apart, counted from another origin; about the middle one all is symmetric.
    lands, truth, rows = [], [], []
    for n in range(5):
        rows.append(f"R{n},{4 * n + 100},{7}")
        for k in range(4):
            for y in (-0.8, 0.8):
                x = 4 * n + 0.8 * k - 1.2
                lands.append(box(x - 0.2, y - 0.3, x + 0.2, y + 0.3))
                truth.append(f"R{n}")
    text = "ref,x (mm),y (mm)\n" + "\n".join(rows)
    parts = read_centroids(text.encode(), "pnp.csv").parts
    found = name_by_parts(parts, shape_array(lands), [""] * len(lands), file="pnp.csv")
    assert list(found.refs) == truth
    assert found.fit is not None
    assert np.allclose(found.fit.shift, (-100, -7), atol=1e-6)


@settings(max_examples=20)
@given(
    turn=st.sampled_from([0, 90, 180, 270]),
    shift=st.tuples(st.floats(-200, 200), st.floats(-200, 200)),
    seed=st.integers(0, 10_000),
)
def test_the_fit_finds_any_shift_and_quarter_turn_of_two_pad_parts(turn, shift, seed):
    import numpy as np
    from shapely import box

    from pastewright.board.parts.part_fit import name_by_parts
    from pastewright.board.shapes.islands import shape_array

    rng = np.random.default_rng(seed)
    cells = rng.permutation(100)[:30]
    middles = np.column_stack((cells % 10 * 5.0, cells // 10 * 5.0)) + rng.uniform(-1, 1, (30, 2))
    lands, truth = [], []
    for n, (x, y) in enumerate(middles):
        for dx in (-0.5, 0.5):
            lands.append(box(x + dx - 0.25, y - 0.3, x + dx + 0.25, y + 0.3))
            truth.append(f"R{n}")
    angle = np.deg2rad(turn)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    elsewhere = middles @ matrix.T + shift
    text = "ref,x (mm),y (mm)\n" + "\n".join(f"R{n},{x:.6f},{y:.6f}" for n, (x, y) in enumerate(elsewhere))
    found = name_by_parts(
        read_centroids(text.encode(), "pnp.csv").parts, shape_array(lands), [""] * len(lands), file="pnp.csv"
    )
    assert list(found.refs) == truth


def test_a_fit_that_is_not_unique_names_nothing():
    from shapely import box

    from pastewright.board.parts.part_fit import name_by_parts
    from pastewright.board.shapes.islands import shape_array

    # A plain grid of equal parts, of which the file lists a part: it lies anywhere in it as well.
    lands = [
        box(3 * i + dx - 0.25, 3 * j - 0.3, 3 * i + dx + 0.25, 3 * j + 0.3)
        for i in range(6)
        for j in range(6)
        for dx in (-0.5, 0.5)
    ]
    rows = "\n".join(f"R{i}{j},{3 * i + 50},{3 * j}" for i in range(3) for j in range(3))
    parts = read_centroids(f"ref,x (mm),y (mm)\n{rows}".encode(), "pnp.csv").parts
    found = name_by_parts(parts, shape_array(lands), [""] * len(lands), file="pnp.csv")
    assert set(found.refs) == {""}
    assert "ways" in found.problems[0].what
