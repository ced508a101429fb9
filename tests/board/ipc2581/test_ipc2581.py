"""IPC-2581: primitives by closed forms, units of each dictionary, the demo board both ways, and refusals."""

from math import pi, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.ipc2581.read import read_ipc2581
from pastewright.board.model import Board, PadKind, PasteOrigin, Side
from pastewright.board.pads.board import board_of
from pastewright.board.source.files import SourceFile
from pastewright.demo.formats.ipc2581 import ipc2581_text
from pastewright.problems import InputError

SQUARE = (
    '<Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="30" y="0"/><PolyStepSegment x="30" y="20"/>'
    '<PolyStepSegment x="0" y="20"/><PolyStepSegment x="0" y="0"/></Polygon></Profile>'
)


def file_of(
    sets: str,
    *,
    standard: str = "",
    units: str = "MILLIMETER",
    dictionary: str = "MILLIMETER",
    step: str = "",
) -> bytes:
    return (
        f'<IPC-2581 revision="B" xmlns="http://webstds.ipc.org/2581"><Content>'
        f'<DictionaryStandard units="{dictionary}">{standard}</DictionaryStandard></Content>'
        f'<Ecad><CadHeader units="{units}"/><CadData>'
        '<Layer name="P" layerFunction="SOLDERPASTE" side="TOP"/><Layer name="C" layerFunction="CONDUCTOR" side="TOP"/>'
        '<Layer name="PB" layerFunction="PASTEMASK" side="BOTTOM"/><Layer name="D" layerFunction="DRILL" side="ALL"/>'
        f'<Step name="logger">{SQUARE}{step}{sets}</Step></CadData></Ecad></IPC-2581>'
    ).encode()


def paste(pads: str) -> str:
    return f'<LayerFeature layerRef="P"><Set>{pads}</Set></LayerFeature>'


def board(data: bytes, side: Side = Side.TOP) -> Board:
    ask = Ask(side=side, name="logger")
    return board_of(read_ipc2581(SourceFile(name="logger.xml", data=data), ask), side=ask.side, name=ask.name)


def refused(data: bytes) -> str:
    with pytest.raises(InputError) as caught:
        board(data)
    return str(caught.value)


AT = '<Location x="10" y="10"/>'
CONTOUR = (
    '<Contour><Polygon><PolyBegin x="-2" y="-1"/><PolyStepSegment x="2" y="-1"/>'
    '<PolyStepCurve x="2" y="1" centerX="2" centerY="0" clockwise="false"/><PolyStepSegment x="-2" y="1"/>'
    '<PolyStepSegment x="-2" y="-1"/></Polygon>{}</Contour>'
)
CUT = (
    '<Cutout><PolyBegin x="-1" y="-0.5"/><PolyStepSegment x="0" y="-0.5"/><PolyStepSegment x="0" y="0.5"/>'
    '<PolyStepSegment x="-1" y="0.5"/><PolyStepSegment x="-1" y="-0.5"/></Cutout>'
)


@pytest.mark.parametrize(
    ("primitive", "area"),
    [
        ('<Circle diameter="2"/>', pi),
        ('<RectCenter width="3" height="2"/>', 6),
        ('<RectCorner lowerLeftX="-1" lowerLeftY="-1" upperRightX="2" upperRightY="1"/>', 6),
        ('<RectRound width="3" height="2" radius="0.5"/>', 6 - (4 - pi) * 0.25),
        ('<RectRound width="3" height="2" radius="0.5" upperLeft="true"/>', 6 - (4 - pi) * 0.25 / 4),
        ('<RectCham width="3" height="2" chamfer="0.5"/>', 6 - 4 * 0.125),
        ('<RectCham width="3" height="2" chamfer="0.5" lowerRight="true" lowerLeft="true"/>', 6 - 2 * 0.125),
        ('<Oval width="3" height="1"/>', 2 + pi / 4),
        ('<Ellipse width="3" height="2"/>', pi * 1.5),
        ('<Triangle base="2" height="3"/>', 3),
        ('<Diamond width="2" height="3"/>', 3),
        ('<Hexagon length="2"/>', 1.5 * sqrt(3)),
        ('<Octagon length="2"/>', 2 * sqrt(2)),
        (CONTOUR.format(""), 8 + pi / 2),
        (CONTOUR.format(CUT), 8 + pi / 2 - 1),
    ],
)
def test_primitives_have_their_area(primitive, area):
    pads = f"<Pad>{AT}{primitive}</Pad>"
    assert sum(pad.aperture_area_mm2 for pad in board(file_of(paste(pads))).pads) == approx(area, rel=2e-3)


def test_each_dictionary_has_a_unit_of_its_own():
    entry = '<EntryStandard id="S"><Circle diameter="0.1"/></EntryStandard>'
    pads = f'<Pad>{AT}<StandardPrimitiveRef id="S"/></Pad>'
    found = board(file_of(paste(pads), standard=entry, dictionary="INCH"))
    assert found.pads[0].aperture_area_mm2 == approx(pi * 1.27**2, rel=1e-3)
    assert found.pads[0].land.centroid.x == approx(10)


def test_a_board_in_microns_has_its_size():
    pads = '<Pad><Location x="10000" y="10000"/><Circle diameter="1000"/></Pad>'
    data = file_of(paste(pads), units="MICRON")
    for number in (b'"30"', b'"20"'):
        data = data.replace(number, number[:-1] + b'000"')
    found = board(data)
    assert found.size_mm == approx((30, 20))
    assert found.pads[0].aperture_area_mm2 == approx(pi / 4, rel=1e-3)


@settings(max_examples=30)
@given(
    turn=st.floats(0, 360),
    mirror=st.booleans(),
    width=st.floats(0.3, 4),
    height=st.floats(0.3, 4),
    place=st.tuples(st.floats(5, 25), st.floats(5, 15)),
)
def test_xform_and_location_put_any_rectangle_in_its_place(turn, mirror, width, height, place):
    pads = (
        f'<Pad><Xform rotation="{turn:.6f}" mirror="{str(mirror).lower()}"/>'
        f'<Location x="{place[0]:.6f}" y="{place[1]:.6f}"/>'
        f'<RectCenter width="{width:.6f}" height="{height:.6f}"/></Pad>'
    )
    (pad,) = board(file_of(paste(pads))).pads
    assert pad.aperture_area_mm2 == approx(width * height, rel=1e-4)
    assert (pad.land.centroid.x, pad.land.centroid.y) == approx(place, abs=1e-4)


def test_pins_nets_holes_and_kinds_are_those_of_the_file():
    copper = (
        '<LayerFeature layerRef="C"><Set net="GND"><Pad><Location x="10" y="10"/><Circle diameter="2"/>'
        '<PinRef componentRef="J1" pin="2"/></Pad></Set>'
        '<Set><Pad><Location x="20" y="10"/><RectCenter width="1" height="1"/>'
        '<PinRef componentRef="R1" pin="1"/></Pad></Set>'
        "</LayerFeature>"
        '<LayerFeature layerRef="D"><Set><Hole name="h" diameter="1" platingStatus="PLATED" x="10" y="10"/></Set>'
        "</LayerFeature>"
    )
    step = '<LogicalNet name="PROBE"><PinRef componentRef="R1" pin="1"/></LogicalNet>'
    pads = '<Pad><Location x="20" y="10"/><RectCenter width="0.9" height="0.9"/></Pad>'
    pads += f'<Pad>{AT}<Circle diameter="1.9"/></Pad>'
    found = {pad.id: pad for pad in board(file_of(copper + paste(pads), step=step)).pads}
    assert found["J1-2"].kind is PadKind.THROUGH_HOLE
    assert found["J1-2"].net == "GND"
    assert found["R1-1"].net == "PROBE"
    assert found["R1-1"].aperture_area_mm2 == approx(0.81)


def test_pads_may_come_from_padstack_definitions():
    step = (
        '<PadStackDef name="ps"><PadstackPadDef layerRef="P" padUse="REGULAR"><Location x="0" y="0"/>'
        '<RectCenter width="2" height="1"/></PadstackPadDef></PadStackDef>'
    )
    pads = f'<Pad padstackDefRef="ps"><Xform rotation="90"/>{AT}</Pad>'
    (pad,) = board(file_of(paste(pads), step=step)).pads
    x0, y0, x1, y1 = pad.land.bounds
    assert (x1 - x0, y1 - y0) == approx((1, 2))


def test_overlapping_pads_of_the_paste_layer_count_once():
    pad = '<Pad><Location x="{}" y="10"/><RectCenter width="2" height="1"/></Pad>'
    pads = pad.format(10) + pad.format(11)
    found = board(file_of(paste(pads)))
    assert sum(pad.aperture_area_mm2 for pad in found.pads) == approx(3)


def test_without_a_paste_layer_exposed_copper_is_pasted():
    copper = f'<LayerFeature layerRef="C"><Set><Pad>{AT}<RectCenter width="2" height="1"/></Pad></Set></LayerFeature>'
    data = file_of(copper).replace(b'<Layer name="P" layerFunction="SOLDERPASTE" side="TOP"/>', b"")
    found = board(data)
    assert found.paste_origin is PasteOrigin.EXPOSED_COPPER
    assert sum(pad.aperture_area_mm2 for pad in found.pads) == approx(2)


def test_both_revisions_of_the_demo_board_are_the_same():
    boards = [board(ipc2581_text(revision).encode()) for revision in "BC"]
    assert [pad.id for pad in boards[0].pads] == [pad.id for pad in boards[1].pads]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"<IPC-2581/>", "no step"),
        (b"<svg/>", "root element"),
        (file_of(paste("<Pad/>"), units="FURLONG"), "units are 'FURLONG'"),
        (
            file_of(paste(f'<Pad>{AT}<StandardPrimitiveRef id="nix"/></Pad>')),
            "'nix' is not in the dictionaries",
        ),
        (file_of(paste('<Pad><Location x="a" y="1"/><Circle diameter="1"/></Pad>')), "x is 'a'"),
        (file_of(paste(f"<Pad>{AT}<Circle/></Pad>")), "has no diameter"),
        (b'<!DOCTYPE x [<!ENTITY a "b">]>' + file_of(""), "entities"),
        (file_of(paste(f'<Pad>{AT}<Circle diameter="1"/></Pad>'))[:-40], "well-formed"),
    ],
)
def test_a_file_that_would_be_wrong_is_refused(data, words):
    assert words in refused(data)


def test_memory_and_time_grow_with_the_pads_alone():
    import time

    pads = "".join(
        f'<Pad><Location x="{n % 150 / 5}" y="{n // 150 / 8}"/><RectCenter width="0.1" height="0.05"/></Pad>'
        for n in range(20_000)
    )
    begin = time.process_time()
    assert len(board(file_of(paste(pads))).pads) == 20_000
    assert time.process_time() - begin < 15  # 4 s alone on a machine of two cores
