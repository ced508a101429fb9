"""SVG drawings: areas against rsvg-convert's picture, units, layers, beads, and what is refused.

rsvg-convert (Debian package `librsvg2-bin`, 2.54 here) draws with cairo, whose grey values at edges are areas; the area
of a drawing is the sum of its darkness. Every judged drawing lies within its page, and no two of its shapes overlap
but where the drawing says so.
"""

import shutil
import subprocess

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib import image
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.drawn.sketch_artwork import artwork_of_sketch
from pastewright.board.drawn.svg import svg_drawing
from pastewright.board.drawn.things import Sketch
from pastewright.board.model import Board, LayerRole, PadKind, Side
from pastewright.board.read import board_of_files
from pastewright.board.source.files import SourceFile
from pastewright.problems import InputError

RSVG = shutil.which("rsvg-convert")
needs_rsvg = pytest.mark.skipif(
    RSVG is None, reason="rsvg-convert is not installed (apt-get install librsvg2-bin)"
)
NS = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
INKSCAPE = 'xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape"'


def svg(body: str, size: str = 'width="20mm" height="20mm" viewBox="0 0 20 20"') -> bytes:
    return f"<svg {NS} {INKSCAPE} {size}>{body}</svg>".encode()


def source(data: bytes) -> SourceFile:
    return SourceFile(name="drawing.svg", data=data)


def drawn(body: str, *, units: str = "", **more: str) -> Sketch:
    return svg_drawing(source(svg(body, **more)), units=units)


def board(
    body: str, *, side: Side = Side.TOP, roles: dict[str, LayerRole] | None = None, **more: str
) -> Board:
    ask = Ask(side=side, name="logger", roles=roles or {}, units=more.pop("units", ""))
    return board_of_files([source(svg(body, **more))], ask)


def area_mm2(drawing: Sketch) -> float:
    return float(shapely.union_all([thing.area for thing in drawing.things]).area)


def refused(data: bytes) -> str:
    with pytest.raises(InputError) as caught:
        artwork_of_sketch(svg_drawing(source(data)), Ask(side=Side.TOP, name="logger"))
    return str(caught.value)


# ---- against an independent renderer

DRAWINGS = {
    "rectangles, plain and rounded": '<rect x="1" y="1" width="4" height="3"/>'
    '<rect x="7" y="1" width="4" height="3" rx="0.8"/><rect x="13" y="1" width="4" height="3" rx="1" ry="0.5"/>'
    '<rect x="1" y="7" width="4" height="3" ry="9"/>',
    "circles and ellipses": '<circle cx="4" cy="4" r="2.5"/><ellipse cx="12" cy="6" rx="4" ry="1.5"/>'
    '<ellipse cx="10" cy="14" rx="2" ry="4" transform="rotate(30 10 14)"/>',
    "polygons and polylines": '<polygon points="1,1 6,2 3,6"/><polyline points="8 1 14 1 14 5 9 6"/>'
    '<polygon points="2,10 10,10 4,16 6,8 8,16"/>',
    "even-odd and non-zero": '<path fill-rule="evenodd" d="M1 1h8v8h-8z M3 3h4v4h-4z"/>'
    '<path d="M11 1h8v8h-8z M13 3h4v4h-4z"/><path d="M1 11h8v8h-8z M3 13v4h4v-4z"/>'
    '<path fill-rule="evenodd" d="M15 11 l3 8 -7.5 -5 h9 l-7.5 5z"/>',
    "curves of all kinds": '<path d="M2 2 c 2 -2 4 4 6 0 s 4 4 6 0 v4 q -3 4 -6 0 t -6 0 z"/>'
    '<path d="M3 14 a3 2 30 1 1 4 3 z"/><path d="M12 13a2,2 0 0110,0z" transform="scale(0.6 0.9) translate(8 4)"/>',
    "arcs with flags run together": '<path d="M10 10 a4 4 0 10 4 4 h-4z"/>',
    "relative and absolute letters": '<path d="M1 1 L5 1 l0 4 H1 z m 8 0 h4 v4 h-4 z l 0 8 4 0 Z"/>',
    "nested transforms": '<g transform="translate(10 10) rotate(20)"><g transform="scale(1.5 0.7) skewX(15)">'
    '<rect x="-2" y="-2" width="4" height="4"/><g transform="matrix(0 1 -1 0 0 6)"><circle r="1.2"/></g></g></g>',
    "use, symbol and view box": '<defs><symbol id="s" viewBox="0 0 10 10"><circle cx="5" cy="5" r="4"/></symbol>'
    '<g id="g"><rect width="2" height="1"/></g></defs><use href="#s" x="1" y="1" width="6" height="6"/>'
    '<use xlink:href="#s" x="9" y="1" width="4" height="8"/><use href="#g" transform="translate(2 12) rotate(40)"/>'
    '<use href="#g" x="10" y="14"/>',
    "an inner viewport": '<svg x="4" y="4" width="8" height="4" viewBox="0 0 20 20" preserveAspectRatio="xMaxYMid">'
    '<rect x="2" y="2" width="16" height="16"/></svg>',
    "fill and stroke together": '<rect x="2" y="2" width="4" height="3" stroke="black" stroke-width="0.6"/>'
    '<path d="M9 2 h5 v5" fill="none"/><polygon points="10,10 16,11 12,16" stroke="black" stroke-width="0.5"'
    ' stroke-linejoin="round"/>',
    "style sheets and style attributes": "<style>/* pads */ .off{display:none} #big{fill:#000} rect.b, circle"
    "{fill:none} circle#c{fill:red}</style>"
    '<rect class="off" x="1" y="1" width="9" height="9"/><rect class="b" x="1" y="1" width="9" height="9"/>'
    '<circle cx="5" cy="5" r="3"/><circle id="c" cx="14" cy="5" r="3" fill="none"/>'
    '<rect id="big" x="2" y="12" width="3" height="3" fill="none"/>'
    '<rect class="b" x="8" y="12" width="3" height="3" style="fill:black"/>',
    "hidden things": '<g visibility="hidden"><rect x="1" y="1" width="3" height="3"/>'
    '<rect visibility="visible" x="6" y="1" width="3" height="3"/></g><g display="none"><circle r="5" cx="9" cy="9"/></g>'
    '<rect x="12" y="1" width="3" height="3" fill-opacity="0"/><rect x="1" y="9" width="3" height="3" opacity="0"/>',
    "a clip path": '<clipPath id="k"><circle cx="8" cy="8" r="4"/><rect x="8" y="8" width="9" height="2"/></clipPath>'
    '<g clip-path="url(#k)"><rect x="2" y="2" width="16" height="12"/></g>',
    "lengths with units": '<rect x="1mm" y="10%" width="0.2cm" height="0.1in"/><circle cx="50%" cy="50%" r="2pt"/>',
}  # fmt: skip


def darkness_mm2(data: bytes, tmp_path, *, size_mm: float = 20.0, pixels: int = 2000) -> float:
    assert RSVG is not None
    (tmp_path / "in.svg").write_bytes(data)
    words = [RSVG, "-w", str(pixels), "-h", str(pixels), "-b", "white", "-o", "out.png", "in.svg"]
    subprocess.run(words, cwd=tmp_path, check=True, timeout=60, capture_output=True)
    picture = image.imread(tmp_path / "out.png")
    return float((1.0 - picture[:, :, 1]).sum()) * (size_mm / pixels) ** 2


@needs_rsvg
@pytest.mark.judge
@pytest.mark.parametrize("name", list(DRAWINGS))
def test_the_filled_area_is_that_of_an_independent_renderer(name, tmp_path):
    # Red counts as black in the green channel.
    body = DRAWINGS[name].replace('<path d="M9 2 h5 v5" fill="none"/>', "")
    size = 'width="20mm" height="20mm" viewBox="0 0 20 20"'
    if name == "lengths with units":
        size = 'width="20mm" height="20mm" viewBox="0 0 75.5905512 75.5905512"'  # a user unit is a pixel
    found = area_mm2(drawn(body, size=size))
    assert found > 1
    assert found == approx(darkness_mm2(svg(body, size), tmp_path), rel=2e-3)


@needs_rsvg
@pytest.mark.judge
def test_the_judge_sees_a_missing_corner(tmp_path):
    square = '<rect x="2" y="2" width="9" height="9"/>'
    cut = '<path d="M2 2 h9 v8 l-1 1 h-8 z"/>'
    assert area_mm2(drawn(square)) != approx(darkness_mm2(svg(cut), tmp_path), rel=2e-3)


@needs_rsvg
@pytest.mark.judge
def test_a_bead_covers_what_the_renderer_draws_with_round_ends(tmp_path):
    line = '<path d="M3 3 L12 5 Q 17 8 12 12" fill="none" stroke="black" stroke-width="1.2"'
    line += ' stroke-linecap="round" stroke-linejoin="round"/>'
    drawing = drawn(line)
    assert len(drawing.things) == 1
    assert drawing.things[0].is_line
    assert drawing.things[0].area.area == approx(darkness_mm2(svg(line), tmp_path), rel=4e-3)


@needs_rsvg
@pytest.mark.judge
@settings(max_examples=12)
@given(
    turn=st.floats(-180, 180),
    stretch=st.tuples(st.floats(0.3, 1.5), st.floats(0.3, 1.5)),
    skew=st.floats(-40, 40),
    radius=st.floats(0, 2),
)
def test_any_transform_of_a_rounded_rectangle_keeps_the_renderers_area(
    tmp_path_factory, turn, stretch, skew, radius
):
    body = (
        f'<g transform="translate(10 10) rotate({turn:.4f}) scale({stretch[0]:.4f},{stretch[1]:.4f})'
        f' skewY({skew:.4f})"><rect x="-2" y="-1.5" width="4" height="3" rx="{radius:.4f}"/></g>'
    )
    area = darkness_mm2(svg(body), tmp_path_factory.mktemp("judge"), pixels=1000)
    assert area_mm2(drawn(body)) == approx(area, rel=3e-3)


# ---- units and places


@pytest.mark.parametrize(
    ("size", "units", "side_mm"),
    [
        ('width="20mm" height="20mm" viewBox="0 0 20 20"', "", 2.0),
        ('width="2cm" height="2cm" viewBox="0 0 40 40"', "", 1.0),
        ('width="1in" height="1in" viewBox="0 0 1000 1000"', "", 0.0508),
        ('width="20mm" height="40mm" viewBox="0 0 20 20"', "", 2.0),
        ('width="72pt" height="72pt" viewBox="0 0 25.4 25.4"', "", 2.0),
        ('width="20mm" viewBox="0 0 20 20"', "", 2.0),
        ('width="40mm" height="20mm"', "", 2 * 25.4 / 96),
        ('width="960" height="960" viewBox="0 0 20 20"', "", 25.4),
        ('viewBox="0 0 20 20"', "mm", 2.0),
        ('width="100%" height="100%" viewBox="0 0 20 20"', "mil", 0.0508),
        ('width="20mm" height="20mm" viewBox="0 0 20 20"', "in", 50.8),
    ],
)
def test_width_height_and_view_box_give_the_unit(size, units, side_mm):
    drawing = drawn('<rect x="3" y="4" width="2" height="2"/>', size=size, units=units)
    assert area_mm2(drawing) == approx(side_mm**2, rel=1e-9)


@pytest.mark.parametrize(
    "size", ["", 'viewBox="0 0 20 20"', 'width="100%" height="100%"', 'width="0" height="0"']
)
def test_a_drawing_without_a_size_is_asked_about(size):
    words = refused(svg('<rect width="2" height="2"/>', size))
    assert "size" in words or "zero" in words


def test_pixels_are_told():
    drawing = drawn('<rect width="2" height="2"/>', size='width="96" height="96"')
    assert any(
        "pixels" in problem.what and "25.40 × 25.40 mm" in problem.what for problem in drawing.problems
    )


def test_y_runs_up_from_the_lower_edge_of_the_page():
    drawing = drawn('<rect x="3" y="4" width="2" height="1"/>')
    assert drawing.things[0].area.bounds == approx((3, 15, 5, 16))


def test_shapes_know_their_line():
    drawing = svg_drawing(source(svg('\n<g>\n<rect width="1" height="1"/></g>')))
    assert drawing.things[0].source.line == 3


# ---- pads, beads, layers


def test_a_stroked_open_line_is_a_bead_with_its_width():
    found = board('<polyline points="2,2 8,2 8,6" fill="none" stroke="#333" stroke-width="0.6"/>')
    (pad,) = found.pads
    assert pad.path_width_mm == approx(0.6)
    assert [found.to_file_mm(*point) for point in pad.path_mm] == [
        approx((2, 18)), approx((8, 18)), approx((8, 14))]  # fmt: skip


def test_a_scaled_stroke_is_as_wide_as_it_looks():
    body = '<g transform="scale(2)"><line x1="1" y1="1" x2="5" y2="1" stroke="red" stroke-width="0.25"/></g>'
    assert board(body).pads[0].path_width_mm == approx(0.5)
    body = body.replace("<line ", '<line vector-effect="non-scaling-stroke" ')
    assert board(body).pads[0].path_width_mm == approx(0.25)


def test_a_line_without_length_and_with_round_ends_is_a_dot():
    found = board('<path d="M5 5 h0" stroke="black" stroke-width="0.8" stroke-linecap="round"/>')
    assert not found.pads[0].path_mm
    assert found.pads[0].land.area == approx(np.pi * 0.16, rel=1e-3)


def test_shapes_that_touch_are_one_pad():
    found = board('<rect x="2" y="2" width="2" height="1"/><circle cx="4" cy="2.5" r="0.5"/>')
    assert len(found.pads) == 1
    assert found.pads[0].land.area == approx(2 + np.pi * 0.125, rel=1e-3)


LAYERS = (
    '<g inkscape:groupmode="layer" inkscape:label="Board outline"><rect width="20" height="20" fill="none"'
    ' stroke="black" stroke-width="0.1"/></g>'
    '<g inkscape:label="Top paste"><rect x="2" y="2" width="2" height="1"/></g>'
    '<g inkscape:label="Bottom paste"><rect x="12" y="2" width="3" height="1"/></g>'
    '<g inkscape:label="fiducials"><circle cx="10" cy="10" r="0.5"/></g>'
    '<g inkscape:label="notes"><rect x="6" y="12" width="5" height="5"/></g>'
)


def test_layers_are_taken_by_their_names():
    top = board(LAYERS)
    assert [pad.land.area for pad in top.pads if pad.apertures] == [approx(2)]
    assert top.size_mm == approx((20, 20))
    assert [mark.diameter_mm for mark in top.fiducials] == [approx(1, rel=1e-3)]
    bottom = board(LAYERS, side=Side.BOTTOM)
    (pad,) = [pad for pad in bottom.pads if pad.apertures]
    assert pad.land.centroid.x == approx(20 - 13.5)  # mirrored: seen from below


def test_a_layer_can_be_chosen():
    found = board(LAYERS, roles={"notes": LayerRole.TOP_PASTE, "Top paste": LayerRole.OTHER})
    assert sorted(round(pad.land.area, 3) for pad in found.pads if pad.apertures) == [25.0]
    with pytest.raises(InputError, match="there is no layer 'nots'"):
        board(LAYERS, roles={"nots": LayerRole.TOP_PASTE})


def test_the_bottom_of_a_drawing_without_sides_is_not_guessed():
    with pytest.raises(InputError, match="names no side"):
        board('<rect width="2" height="1"/>', side=Side.BOTTOM)


def test_text_and_images_are_noted():
    drawing = drawn(
        '<text x="1" y="1">U1</text><image href="http://x.example/a.png"/><rect width="1" height="1"/>'
    )
    whats = [problem.what for problem in drawing.problems]
    assert any("1 text" in what for what in whats)
    assert any("1 image" in what for what in whats)


def test_holes_make_through_hole_pads():
    found = board(
        '<g id="top_paste"><circle cx="5" cy="5" r="1"/></g><g id="plated_holes"><circle cx="5" cy="5" r="0.5"/></g>'
    )
    assert found.pads[0].kind is PadKind.THROUGH_HOLE
    hole = found.pads[0].hole
    assert hole is not None and hole.diameter_mm == approx(1.0, rel=1e-3)


def test_names_and_volumes_stand_in_data_attributes():
    found = board(
        '<g data-ref="U1"><rect data-pin="3" data-net="GND" data-volume-ul="0.25" x="1" width="1" height="1"/></g>'
    )
    (pad,) = found.pads
    assert (pad.id, pad.net, pad.volume_ul) == ("U1-3", "GND", 0.25)


# ---- what is refused

BOMB = (
    b'<!DOCTYPE svg [<!ENTITY a "' + b"x" * 100 + b'">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(9))
    + b"]>" + svg("<text>&j;</text>")
)  # fmt: skip


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (BOMB, "declares entities"),
        (b'<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]>' + svg("<text>&a;</text>"), "entities"),
        (svg('<g id="a"><use href="#a"/></g>'), "uses itself"),
        (svg('<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>'), "uses itself"),
        (svg('<use href="#nowhere"/>'), "not in the file"),
        (svg('<path d="M1 1 L 3 x 4"/>'), "path data"),
        (svg('<path d="M1 1 L 3"/>'), "to its end"),
        (svg('<path d="L 3 3 4 4z"/>'), "path data"),
        (svg('<rect width="3em" height="2"/>'), "no length"),
        (svg('<rect width="3" height="2" transform="rotate(a)"/>'), "list of numbers"),
        (svg('<rect width="3" height="2" transform="turn(3)"/>'), "cannot be read"),
        (svg('<polygon points="1,1 2,2 3"/>'), "odd count"),
        (svg("<rect")[:60], "well-formed"),
        (svg("<text>nothing but text</text>"), "is paste"),
        (svg('<rect width="5000" height="5000"/>'), "at most 1000 mm"),
        (svg("<g>" * 300 + "</g>" * 300), "nested deeper"),
        (b"<html><svg/></html>", "not <svg>"),
    ],
)
def test_a_drawing_that_would_be_wrong_is_refused_with_its_reason(data, words):
    assert words in refused(data)


def test_a_laughing_tower_of_uses_is_refused():
    tower = "".join(f'<g id="u{n + 1}">' + f'<use href="#u{n}"/>' * 10 + "</g>" for n in range(8))
    assert "once uses are followed" in refused(svg('<g id="u0"><rect width="1" height="1"/></g>' + tower))


def test_nothing_is_fetched(monkeypatch):
    import socket
    import urllib.request

    def forbidden(*_words, **_more):
        raise AssertionError("the reader reached out")

    monkeypatch.setattr(socket, "socket", forbidden)
    monkeypatch.setattr(urllib.request, "urlopen", forbidden)
    body = (
        '<style>@import url("http://x.example/a.css");</style><use href="http://x.example/a.svg#b"/>'
        '<image href="file:///etc/passwd"/><rect width="1" height="1" fill="url(http://x.example/#p)"/>'
    )
    data = (
        b'<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">'
    )
    assert svg_drawing(source(data + svg(body))).things


def test_twenty_thousand_shapes_are_read_in_seconds():
    import time

    body = "".join(
        f'<rect x="{(n % 200) * 0.9}" y="{n // 200 * 0.9}" width="0.5" height="0.3" rx="0.1"/>'
        for n in range(20_000)
    )
    begin = time.process_time()
    found = board(body, size='width="200mm" height="200mm" viewBox="0 0 200 200"')
    assert len(found.pads) == 20_000
    assert time.process_time() - begin < 12  # 3 s alone on a machine of two cores
