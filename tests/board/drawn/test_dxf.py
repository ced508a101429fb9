"""DXF drawings: places against ezdxf's own boxes, areas by closed forms, units, layers, blocks, and refusals."""

import io
from math import pi

import ezdxf
import numpy as np
import pytest
from ezdxf import bbox
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.drawn.dxf import dxf_drawing
from pastewright.board.drawn.sketch_artwork import artwork_of_sketch
from pastewright.board.model import Board, Side
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.demo.formats.dxf import dxf_bytes
from pastewright.problems import InputError


def text_of(document, *, units: int | None = None) -> bytes:
    if units is not None:
        document.header["$INSUNITS"] = units
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def new(units: int = 4):
    document = ezdxf.new("R2000")
    document.header["$INSUNITS"] = units
    return document, document.modelspace()


def board(document, *, units: str = "", side: Side = Side.TOP) -> Board:
    source = SourceFile(name="logger.dxf", data=text_of(document))
    return board_of_files([source], Ask(side=side, name="logger", units=units))


def refused(data: bytes, **more: str) -> str:
    with pytest.raises(InputError) as caught:
        artwork_of_sketch(
            dxf_drawing(SourceFile(name="logger.dxf", data=data), **more), Ask(side=Side.TOP, name="logger")
        )
    return str(caught.value)


def areas(found: Board) -> list[float]:
    return sorted(pad.land.area for pad in found.pads)


def test_closed_polylines_circles_hatches_and_solids_are_pads():
    document, space = new()
    space.add_lwpolyline([(0, 0), (2, 0), (2, 1), (0, 1)], close=True)
    space.add_circle((5, 5), 0.5)
    hatch = space.add_hatch()
    hatch.paths.add_polyline_path([(10, 0), (14, 0), (14, 4), (10, 4)], is_closed=True)
    hatch.paths.add_polyline_path([(11, 1), (13, 1), (13, 3), (11, 3)], is_closed=True)
    space.add_solid([(20, 0), (21, 0), (20, 3), (21, 3)])
    space.add_polyline2d([(30, 0), (33, 0), (33, 2)], close=True)
    space.add_ellipse((40, 0), major_axis=(2, 0), ratio=0.5)
    # By hand: 2·1, π/4, 16 − 4, 1·3, 3·2/2, π·2·1.
    assert areas(board(document)) == approx(sorted([2, pi / 4, 12, 3, 3, 2 * pi]), rel=2e-3)


def test_bulges_are_arcs_of_true_area():
    document, space = new()
    # A slot: two half circles of radius 1 (bulge tan(180°/4) = 1) and a 4 × 2 rectangle between.
    space.add_lwpolyline([(0, 0, 0), (4, 0, 1), (4, 2, 0), (0, 2, 1)], format="xyb", close=True)
    assert areas(board(document)) == approx([8 + pi], rel=1e-3)


def test_loose_lines_and_arcs_that_close_are_a_pad():
    document, space = new()
    space.add_line((0, 0), (4, 0))
    space.add_arc((4, 1), 1, -90, 90)
    space.add_line((4, 2), (0, 2))
    space.add_line((0.001, 2), (0, 0))
    space.add_line((9, 9), (12, 12))
    found = board(document)
    assert areas(found) == approx([8 + pi / 2], rel=2e-3)
    assert any("1 open line(s) without a width" in problem.what for problem in found.problems)


def test_an_open_polyline_with_a_width_is_a_bead():
    document, space = new()
    space.add_lwpolyline([(0, 0), (5, 0), (5, 3)], dxfattribs={"const_width": 0.6})
    (pad,) = board(document).pads
    assert pad.path_width_mm == approx(0.6)
    assert len(pad.path_mm) == 3


def test_a_wide_closed_polyline_without_a_middle_is_a_disc():
    document, space = new()
    # How CAD programs draw a filled disc of 2 mm: a ring of radius 0.5 and width 1.
    space.add_lwpolyline([(-0.5, 0, 1, 1, 1), (0.5, 0, 1, 1, 1)], format="xyseb", close=True)
    (pad,) = board(document).pads
    assert not pad.path_mm
    assert pad.land.area == approx(pi, rel=5e-3)


@pytest.mark.parametrize(
    ("code", "units", "side_mm"),
    [
        (4, "", 1.0),
        (1, "", 25.4),
        (9, "", 0.0254),
        (5, "", 10.0),
        (13, "", 0.001),
        (0, "mil", 0.0254),
        (4, "in", 25.4),
    ],
)
def test_units_come_from_the_file_or_the_person(code, units, side_mm):
    document, space = new(code)
    space.add_lwpolyline([(0, 0), (20, 0), (20, 20), (0, 20)], close=True)
    found = board(document, units=units)
    assert found.size_mm == approx((20 * side_mm, 20 * side_mm), rel=1e-6)
    assert any("the option is taken" in problem.what for problem in found.problems) == (units == "in")


@pytest.mark.parametrize("code", [0, 3, 14, None])
def test_a_drawing_without_a_unit_is_not_guessed(code):
    document, space = new()
    space.add_circle((0, 0), 1)
    data = text_of(document, units=code if code is not None else 4)
    if code is None:
        data = data.replace(b"$INSUNITS", b"$OTHERVAR")
    assert "which unit" in refused(data)


def test_blocks_are_put_in_place_turned_scaled_and_nested():
    document, space = new()
    inner = document.blocks.new("inner")
    inner.add_lwpolyline([(0, 0), (2, 0), (2, 1), (0, 1)], close=True)
    outer = document.blocks.new("outer")
    outer.add_blockref("inner", (1, 0))
    space.add_blockref(
        "outer", (10, 10), dxfattribs={"rotation": 90, "xscale": 2, "yscale": 2, "layer": "top_paste"}
    )
    space.add_blockref("inner", (30, 0), dxfattribs={"layer": "notes"})
    (pad,) = board(document).pads
    assert pad.land.area == approx(8)
    x, y = pad.land.bounds[2] - pad.land.bounds[0], pad.land.bounds[3] - pad.land.bounds[1]
    assert (x, y) == approx((2, 4))


def test_layers_that_are_off_or_frozen_are_left_out():
    document, space = new()
    document.layers.add("old").off()
    document.layers.add("older").freeze()
    for layer in ("old", "older", "0"):
        space.add_circle((0, 0), 1, dxfattribs={"layer": layer})
    found = board(document)
    assert len(found.pads) == 1
    assert any("off or frozen" in problem.what for problem in found.problems)


def test_mirrored_extrusions_lie_where_they_are_seen():
    document, space = new()
    space.add_circle((5, 3), 1, dxfattribs={"extrusion": (0, 0, -1)})
    space.add_lwpolyline([(10, 0), (12, 0), (12, 1)], close=True, dxfattribs={"extrusion": (0, 0, -1)})
    boxes = bbox.extents(space)
    found = board(document)
    assert found.size_mm == approx((boxes.size.x, boxes.size.y), abs=2e-3)
    assert found.file_origin_mm == approx((boxes.extmin.x, boxes.extmin.y), abs=2e-3)


def test_the_demo_drawings_places_are_those_of_the_librarys_own_boxes():
    document = ezdxf.read(io.StringIO(dxf_bytes().decode()))
    cache = bbox.Cache()
    wanted = []
    for entity in document.modelspace().query('*[layer=="TOP_PASTE"]'):
        box = bbox.extents([entity], cache=cache, fast=False)
        wanted.append((box.center.x, box.center.y, box.size.x, box.size.y))
    drawing = dxf_drawing(SourceFile(name="logger.dxf", data=dxf_bytes()))
    found = [thing.area.bounds for thing in drawing.things if thing.layer == "TOP_PASTE"]
    boxes = np.array([((x0 + x1) / 2, (y0 + y1) / 2, x1 - x0, y1 - y0) for x0, y0, x1, y1 in found])
    assert len(boxes) == len(wanted) == 151
    assert np.array(sorted(map(tuple, boxes.round(2)))) == approx(
        np.array(sorted(map(tuple, np.round(wanted, 2)))), abs=0.011
    )


@settings(max_examples=25)
@given(
    points=st.lists(st.tuples(st.floats(-40, 40), st.floats(-40, 40)), min_size=3, max_size=7, unique=True),
    turn=st.floats(0, 360),
    place=st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
    stretch=st.sampled_from([(1, 1), (2, 2), (-1, 1), (0.5, 1.5)]),
)
def test_any_block_lies_in_the_librarys_own_box(points, turn, place, stretch):
    document, space = new()
    block = document.blocks.new("pad")
    block.add_lwpolyline(points, close=True)
    insert = space.add_blockref(
        "pad", place, dxfattribs={"rotation": turn, "xscale": stretch[0], "yscale": stretch[1]}
    )
    box = bbox.extents([insert])
    drawing = dxf_drawing(SourceFile(name="logger.dxf", data=text_of(document)))
    if not drawing.things:
        return  # corners so nearly in a line that no area is left
    bounds = drawing.things[0].area.bounds
    slack = 0.02 + 0.001 * max(box.size.x, box.size.y)
    assert bounds[0] >= box.extmin.x - slack
    assert bounds[2] <= box.extmax.x + slack
    assert bounds[1] >= box.extmin.y - slack
    assert bounds[3] <= box.extmax.y + slack


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"AutoCAD Binary DXF\r\n\x1a\x00", "binary DXF"),
        (b"0\nSECTION\n2\n", "cannot be read"),
        (b"\x00\x01\x02", "cannot be read"),
    ],
)
def test_a_damaged_drawing_is_refused(data, words):
    assert words in refused(data) or "which unit" in refused(data)


def test_a_block_that_holds_itself_is_refused():
    document, space = new()
    block = document.blocks.new("pad")
    block.add_circle((0, 0), 1)
    block.add_blockref("pad", (1, 1))
    space.add_blockref("pad", (0, 0))
    assert "holds itself" in refused(text_of(document))


def test_text_is_left_out_with_a_note():
    document, space = new()
    space.add_text("U1")
    space.add_circle((0, 0), 1)
    assert any("TEXT left out" in problem.what for problem in board(document).problems)
