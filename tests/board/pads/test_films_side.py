"""Layers to Board: kinds, names, holes, places. Each case is drawn as tiny Gerber texts."""

from collections.abc import Sequence
from math import cos, pi, radians, sin

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.artwork import Artwork, Drill, DrillFile, Judging, Layer, NetPoint
from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import Board, LayerRole, Pad, PadKind, PasteOrigin, Side
from pastewright.board.pads.board import board_of
from pastewright.board.pads.films import COPPER, MASK, PASTE
from pastewright.problems import InputError, Severity

APERTURES = (
    "%ADD10C,0.1*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\n%ADD13R,4X4*%\n%ADD14R,4.2X4.2*%\n%ADD15C,0.6*%\n"
    "%ADD17C,1*%\n%ADD18C,2*%\n%ADD19R,0.5X0.5*%\n%ADD20C,1.7*%\n%ADD21C,1.8*%\n%ADD22C,1.1*%\n%ADD23R,3.8X3.8*%\n"
)
HEAD = f"%FSLAX46Y46*%\n%MOMM*%\n{APERTURES}G01*\n%LPD*%\n"
PADS = [(5.0, 5.0), (8.0, 5.0), (5.0, 9.0), (8.0, 9.0)]


def xy(x_mm: float, y_mm: float) -> str:
    return f"X{round(x_mm * 1e6)}Y{round(y_mm * 1e6)}"


def flash(code: int, *places: tuple[float, float]) -> str:
    return f"D{code}*\n" + "".join(f"{xy(x, y)}D03*\n" for x, y in places)


def stroke(code: int, *points: tuple[float, float]) -> str:
    return f"D{code}*\n{xy(*points[0])}D02*\n" + "".join(f"{xy(*point)}D01*\n" for point in points[1:])


def polygon(points: Sequence[tuple[float, float]]) -> str:
    return (
        f"G36*\n{xy(*points[0])}D02*\n"
        + "".join(f"{xy(*p)}D01*\n" for p in [*points[1:], points[0]])
        + "G37*\n"
    )


def with_function(function: str, shape: str, *places: tuple[float, float]) -> str:
    return f"%TA.AperFunction,{function}*%\n%ADD50{shape}*%\n%TD*%\n" + flash(50, *places)


def pin(ref: str, name: str, body: str, net: str = "") -> str:
    return f"%TO.P,{ref},{name}*%\n" + (f"%TO.N,{net}*%\n" if net else "") + body + "%TD*%\n"


def layer(body: str, file: str) -> Layer:
    return read_gerber((HEAD + body + "M02*\n").encode(), file)


def drill_file(*holes: tuple[float, float, float], plated: bool | None = True) -> DrillFile:
    drills = tuple(Drill(x_mm=x, y_mm=y, diameter_mm=d, line=n + 1) for n, (x, y, d) in enumerate(holes))
    return DrillFile(file="holes.drl", drills=drills, plated=plated, attributes={})


FILES = ("paste.gbr", "copper.gbr", "mask.gbr", "edge.gbr")
EDGE = stroke(10, (0, 0), (20, 0), (20, 15), (0, 15), (0, 0))


def board(
    *,
    paste: str | None = None,
    copper: str | None = None,
    mask: str | None = None,
    outline: str | None = EDGE,
    holes: Sequence[tuple[float, float, float]] = (),
    plated: bool | None = True,
    side: Side = Side.TOP,
    points: Sequence[NetPoint] = (),
) -> Board:
    sided = PASTE[side], COPPER[side], MASK[side]
    texts = zip((*sided, LayerRole.OUTLINE), (paste, copper, mask, outline), FILES, strict=True)
    artwork = Artwork(
        what="Gerber files",
        judging=Judging.BY_COPPER,
        layers={role: layer(text, file) for role, text, file in texts if text is not None},
        drillings=(drill_file(*holes, plated=plated),) if holes else (),
        points=tuple(points),
        points_file="nets.d356",
    )
    return board_of(artwork, side=side, name="logger")


def kinds(made: Board) -> list[PadKind]:
    return [pad.kind for pad in made.pads]


def only(made: Board, kind: PadKind) -> Pad:
    (found,) = (pad for pad in made.pads if pad.kind is kind)
    return found


def net_point(x: float, y: float, ref: str, name: str, **more: object) -> NetPoint:
    values: dict[str, object] = {
        "net": f"N-{ref}-{name}",
        "ref": ref,
        "pin": name,
        "x_mm": x,
        "y_mm": y,
        "side": Side.TOP,
        "via": False,
        "through": False,
        "midpoint": False,
        "hole_mm": None,
        "plated": None,
        "width_mm": 1.0,
        "height_mm": 0.5,
        "rotation_deg": 0.0,
        "mask": None,
        "line": 1,
    }
    return NetPoint(**{**values, **more})  # type: ignore[arg-type]


def test_a_plain_board_has_its_pads_in_board_coordinates():
    shifted = stroke(10, (2, 3), (20, 3), (20, 15), (2, 15), (2, 3))
    made = board(paste=flash(11, *PADS), copper=flash(11, *PADS), mask=flash(12, *PADS), outline=shifted)
    assert made.size_mm == approx((18, 12)) and made.file_origin_mm == approx((2, 3))
    centres = [(pad.land.centroid.x, pad.land.centroid.y) for pad in made.pads]
    assert centres == [approx((x - 2, y - 3)) for x, y in PADS]
    assert [made.to_file_mm(*centre) for centre in centres] == [approx(place) for place in PADS]
    assert made.paste_origin is PasteOrigin.PASTE_LAYER and not made.problems
    assert [pad.id for pad in made.pads] == ["P0001", "P0002", "P0003", "P0004"]
    assert made.pads[0].source.file == "copper.gbr" and made.pads[0].apertures[0].source.file == "paste.gbr"


def test_the_bottom_side_is_mirrored_to_as_seen_and_leads_back_to_the_files():
    # An L of three pads: mirrored, the short arm points the other way.
    places = [(2.0, 2.0), (6.0, 2.0), (2.0, 9.0)]
    made = board(
        paste=flash(11, *places),
        copper=flash(11, *places),
        mask=flash(12, *places),
        side=Side.BOTTOM,
        holes=[(1, 2, 0.3)],
    )
    assert made.mirrored
    centres = [(pad.land.centroid.x, pad.land.centroid.y) for pad in made.pads]
    assert centres == [approx((18, 2)), approx((14, 2)), approx((18, 9))]
    assert [made.to_file_mm(*centre) for centre in centres] == [approx(place) for place in places]
    assert (made.holes[0].x_mm, made.holes[0].y_mm) == approx((19, 2))
    assert made.outline is not None and made.outline.bounds == approx((0, 0, 20, 15))


@pytest.mark.parametrize("panes", [2, 3, 4])
def test_window_panes_over_one_land_are_one_thermal_pad(panes: int):
    pitch = 3.6 / panes
    grid = [
        (14 + (i - (panes - 1) / 2) * pitch, 7 + (j - (panes - 1) / 2) * pitch)
        for i in range(panes)
        for j in range(panes)
    ]
    made = board(
        paste=flash(19, *grid) + flash(11, *PADS),
        copper=flash(13, (14, 7)) + flash(11, *PADS),
        mask=flash(14, (14, 7)) + flash(12, *PADS),
    )
    thermal = only(made, PadKind.THERMAL)
    assert len(thermal.apertures) == panes**2
    assert thermal.aperture_area_mm2 == approx(panes**2 * 0.25)
    assert f"{panes**2} window panes" in thermal.kind_reason


def test_a_large_land_among_small_pads_is_thermal_even_with_one_opening():
    around = [(14 + dx, 7 + dy) for dx in (-3, 3) for dy in (-1.5, 0, 1.5)]
    made = board(
        paste=flash(23, (14, 7)) + flash(11, *around),
        copper=flash(13, (14, 7)) + flash(11, *around),
        mask=flash(14, (14, 7)) + flash(12, *around),
    )
    assert only(made, PadKind.THERMAL).land.area == approx(16)
    assert "times the median" in only(made, PadKind.THERMAL).kind_reason


@pytest.mark.parametrize("ref", ["", "BT1"])
def test_the_two_large_lands_of_a_battery_holder_are_not_thermal_whatever_stands_around(ref: str):
    small = [(2.5, 4.4), (2.5, 5.1), (6.0, 4.6), (6.0, 5.3), (10.0, 7.0), (10.0, 8.2), (9.0, 4.0)]
    large = [(5.0, 8.0), (15.0, 8.0)]
    copper = "".join(pin(ref, str(n), flash(13, at)) if ref else flash(13, at) for n, at in enumerate(large))
    made = board(
        paste=flash(13, *large) + flash(19, *small),
        copper=copper + flash(19, *small),
        mask=flash(14, *large) + flash(19, *small),
    )
    assert len(made.pads) == 9 and set(kinds(made)) == {PadKind.SURFACE}


def test_the_tabs_of_a_named_connector_are_not_thermal_but_the_land_of_a_named_regulator_is():
    pins = [(5.0 + 0.8 * n, 4.0) for n in range(4)]
    places = [(2.5, 8.0), (9.5, 8.0)]

    def drawn(lands: list[tuple[float, float]]) -> Board:
        copper = "".join(pin("J1", str(n), flash(19, at)) for n, at in enumerate(pins))
        copper += "".join(pin("J1", f"T{n}", flash(13, at)) for n, at in enumerate(lands))
        mask = flash(19, *pins) + flash(14, *lands)
        return board(paste=flash(19, *pins) + flash(13, *lands), copper=copper, mask=mask)

    assert set(kinds(drawn(places))) == {PadKind.SURFACE}
    assert kinds(drawn(places[:1])).count(PadKind.THERMAL) == 1


def test_the_heatsink_attribute_makes_a_pad_thermal():
    copper = with_function("HeatsinkPad", "R,1X0.5", PADS[0]) + flash(11, *PADS[1:])
    made = board(paste=flash(11, *PADS), copper=copper, mask=flash(12, *PADS))
    assert kinds(made).count(PadKind.THERMAL) == 1
    assert only(made, PadKind.THERMAL).kind_reason == "aperture function HeatsinkPad"


def test_a_round_pad_around_a_plated_hole_is_through_hole_and_is_listed_without_paste():
    made = board(
        paste=flash(11, *PADS),
        copper=flash(11, *PADS) + flash(20, (15, 7)),
        mask=flash(12, *PADS) + flash(21, (15, 7)),
        holes=[(15, 7, 1.0)],
    )
    pad = only(made, PadKind.THROUGH_HOLE)
    assert pad.apertures == () and pad.hole is not None and pad.hole.diameter_mm == 1.0
    assert pad.hole in made.holes


def test_a_through_hole_pad_with_paste_over_it_keeps_its_opening():
    made = board(
        paste=flash(20, (15, 7)), copper=flash(20, (15, 7)), mask=flash(21, (15, 7)), holes=[(15, 7, 1.0)]
    )
    assert only(made, PadKind.THROUGH_HOLE).aperture_area_mm2 == approx(pi / 4 * 1.7**2, rel=2e-3)


def test_an_unplated_hole_makes_no_through_hole_pad():
    made = board(
        paste=flash(11, *PADS),
        copper=flash(11, *PADS) + flash(20, (15, 7)),
        mask=flash(12, *PADS) + flash(21, (15, 7)),
        holes=[(15, 7, 1.0)],
        plated=False,
    )
    assert PadKind.THROUGH_HOLE not in kinds(made) and made.holes[0].plated is False


def test_plated_and_other_holes_of_one_file_are_told_apart():
    places = [(15.0, 4.0), (15.0, 10.0)]
    drills = tuple(
        Drill(x_mm=x, y_mm=y, diameter_mm=1.0, line=1, plated=plated)
        for (x, y), plated in zip(places, (True, False), strict=True)
    )
    artwork = Artwork(
        what="Gerber files",
        judging=Judging.BY_COPPER,
        layers={
            LayerRole.TOP_COPPER: layer(flash(20, *places), "copper.gbr"),
            LayerRole.TOP_MASK: layer(flash(21, *places), "mask.gbr"),
        },
        drillings=(DrillFile(file="holes.drl", drills=drills, plated=None, attributes={}),),
    )
    made = board_of(artwork, side=Side.TOP, name="logger")
    assert [hole.plated for hole in made.holes] == [True, False]
    assert [pad.kind for pad in made.pads] == [PadKind.THROUGH_HOLE, PadKind.SURFACE]


def test_vias_in_a_thermal_land_do_not_make_it_a_through_hole_pad():
    vias = [(9.0, 6.0), (11.0, 8.0), (10.0, 7.0)]
    panes = [(9.2, 6.2), (9.2, 7.8), (10.8, 6.2), (10.8, 7.8)]
    made = board(
        paste=flash(19, *panes),
        copper=flash(15, *vias) + flash(13, (10, 7)),
        mask=flash(14, (10, 7)),
        holes=[(x, y, 0.3) for x, y in vias],
    )
    assert kinds(made) == [PadKind.THERMAL] and made.pads[0].land.area == approx(16)


def test_a_via_in_a_small_pad_leaves_it_a_surface_pad():
    made = board(
        paste=flash(11, *PADS), copper=flash(11, *PADS), mask=flash(12, *PADS), holes=[(*PADS[0], 0.25)]
    )
    assert set(kinds(made)) == {PadKind.SURFACE}


def test_a_tented_via_is_no_pad_and_neither_is_one_with_an_open_mask():
    vias = [(12.0, 3.0), (14.0, 3.0)]
    made = board(
        paste=flash(11, *PADS),
        copper=flash(11, *PADS) + flash(15, *vias),
        mask=flash(12, *PADS) + flash(17, vias[1]),
        holes=[(x, y, 0.3) for x, y in vias],
    )
    assert len(made.pads) == 4 and len(made.holes) == 2


def test_a_half_hole_at_the_edge_is_a_surface_pad():
    made = board(
        paste=flash(11, *PADS),
        copper=flash(11, *PADS) + flash(20, (20, 7)),
        mask=flash(12, *PADS) + flash(21, (20, 7)),
        holes=[(20, 7, 1.0)],
    )
    assert made.pads[-1].kind is PadKind.SURFACE and "castellated" in made.pads[-1].kind_reason


def test_round_copper_with_a_wide_opening_and_no_paste_is_a_fiducial():
    made = board(
        paste=flash(11, *PADS),
        copper=flash(11, *PADS) + flash(17, (15, 3)),
        mask=flash(12, *PADS) + flash(18, (15, 3)),
    )
    (fiducial,) = made.fiducials
    assert (fiducial.x_mm, fiducial.y_mm) == approx((15, 3))
    assert fiducial.diameter_mm == approx(1.0, rel=2e-3) and "2.0 times" in fiducial.reason
    assert only(made, PadKind.FIDUCIAL).apertures == ()


def test_round_copper_with_a_usual_opening_and_no_paste_is_a_test_point():
    made = board(
        paste=flash(11, *PADS),
        copper=flash(11, *PADS) + flash(17, (15, 3)),
        mask=flash(12, *PADS) + flash(22, (15, 3)),
    )
    assert not made.fiducials and only(made, PadKind.TEST_POINT).apertures == ()


def test_a_round_pad_that_gets_paste_is_kept_with_a_note_when_it_looks_like_a_fiducial():
    made = board(paste=flash(17, (15, 3)), copper=flash(17, (15, 3)), mask=flash(18, (15, 3)))
    assert kinds(made) == [PadKind.SURFACE] and made.pads[0].apertures
    assert any("look like fiducials" in p.what and p.severity is Severity.NOTE for p in made.problems)


def test_paste_over_a_pad_that_says_it_is_a_fiducial_is_left_out():
    made = board(
        paste=flash(17, (15, 3)) + flash(11, *PADS),
        copper=with_function("FiducialPad,Local", "C,1", (15, 3)) + flash(11, *PADS),
        mask=flash(18, (15, 3)) + flash(12, *PADS),
    )
    assert only(made, PadKind.FIDUCIAL).apertures == () and len(made.fiducials) == 1
    assert any("over a fiducial" in each.reason for each in made.left_out)


def test_test_pads_are_told_by_attribute_and_by_name():
    copper = (
        with_function("TestPad", "R,1X0.5", PADS[0])
        + pin("TP3", "1", flash(11, PADS[1]))
        + flash(11, *PADS[2:])
    )
    made = board(paste=flash(11, *PADS[2:]), copper=copper, mask=flash(12, *PADS))
    assert kinds(made).count(PadKind.TEST_POINT) == 2
    assert {pad.kind_reason for pad in made.pads if pad.kind is PadKind.TEST_POINT} == {
        "aperture function TestPad",
        "named TP3",
    }


def test_names_come_from_the_copper_beneath_the_paste():
    copper = pin("U1", "1", flash(11, PADS[0]), "VCC") + pin("R2", "2", flash(11, PADS[1]), "GND")
    made = board(paste=flash(11, *PADS[:2]), copper=copper, mask=flash(12, *PADS[:2]))
    assert [(pad.id, pad.ref, pad.pin, pad.net) for pad in made.pads] == [
        ("U1-1", "U1", "1", "VCC"),
        ("R2-2", "R2", "2", "GND"),
    ]


def test_copies_in_a_panel_get_suffixes_that_follow_the_copy():
    copper = "".join(
        pin("U1", str(n + 1), flash(11, (x, y)))
        for dx in (0, 8)
        for n, (x, y) in enumerate([(3 + dx, 5), (3 + dx, 9)])
    )
    places = [(3, 5), (3, 9), (11, 5), (11, 9)]
    made = board(paste=flash(11, *places), copper=copper, mask=flash(12, *places))
    assert [pad.id for pad in made.pads] == ["U1-1", "U1-2", "U1-1#2", "U1-2#2"]
    assert any("share a name" in problem.what for problem in made.problems)


def test_ids_are_unique_even_if_a_part_is_named_like_a_number():
    copper = pin("P0002", "1", flash(11, PADS[0])) + flash(11, *PADS[1:])
    made = board(paste=flash(11, *PADS), copper=copper, mask=flash(12, *PADS))
    assert len({pad.id for pad in made.pads}) == 4


def test_a_netlist_names_pads_by_place():
    points = [net_point(x, y, "U1", str(n)) for n, (x, y) in enumerate(PADS, 1)]
    made = board(paste=flash(11, *PADS), copper=flash(11, *PADS), mask=flash(12, *PADS), points=points)
    assert [pad.id for pad in made.pads] == ["U1-1", "U1-2", "U1-3", "U1-4"]
    assert [pad.net for pad in made.pads] == ["N-U1-1", "N-U1-2", "N-U1-3", "N-U1-4"]


def test_a_netlist_counted_from_another_origin_is_shifted_to_meet_the_pads():
    places = [(2.0 + 1.3 * n, 3.0 + (n * n % 7) * 1.5) for n in range(12)]
    points = [net_point(x - 100.02, y + 55.5, "U1", str(n)) for n, (x, y) in enumerate(places)]
    made = board(paste=flash(19, *places), copper=flash(19, *places), mask=flash(19, *places), points=points)
    assert [pad.pin for pad in made.pads] == [str(n) for n in range(12)]
    assert any("another origin" in p.what and "100.020, -55.500" in p.what for p in made.problems)


def test_a_netlist_of_another_board_names_nothing_and_warns():
    points = [net_point(100 + 7.7 * n, 31 * n % 17, "U1", str(n)) for n in range(12)]
    made = board(paste=flash(11, *PADS), copper=flash(11, *PADS), mask=flash(12, *PADS), points=points)
    assert not any(pad.ref for pad in made.pads)
    assert any("netlist" in p.what and p.severity is Severity.WARNING for p in made.problems)


def test_a_netlist_that_calls_a_pad_a_surface_pad_beats_its_hole():
    copper, mask = flash(20, (15, 7)), flash(21, (15, 7))
    made = board(
        paste=flash(20, (15, 7)),
        copper=copper,
        mask=mask,
        holes=[(15, 7, 1.0)],
        points=[net_point(15, 7, "J1", "1")],
    )
    assert kinds(made) == [PadKind.SURFACE]


def test_without_a_paste_layer_paste_goes_on_exposed_copper_but_not_on_fiducials_test_points_and_holes():
    copper = flash(11, *PADS) + flash(17, (15, 3)) + flash(20, (15, 7)) + pin("TP1", "1", flash(17, (15, 12)))
    mask = flash(12, *PADS) + flash(18, (15, 3)) + flash(21, (15, 7)) + flash(22, (15, 12))
    made = board(copper=copper, mask=mask, holes=[(15, 7, 1.0)])
    assert made.paste_origin is PasteOrigin.EXPOSED_COPPER
    assert {pad.kind for pad in made.pads if not pad.apertures} == {
        PadKind.FIDUCIAL,
        PadKind.THROUGH_HOLE,
        PadKind.TEST_POINT,
    }
    assert sum(pad.aperture_area_mm2 for pad in made.pads) == approx(2.0)
    assert any("no top paste layer" in problem.what for problem in made.problems)


def test_an_empty_paste_layer_means_no_paste_and_says_so():
    made = board(paste="", copper=flash(11, *PADS), mask=flash(12, *PADS))
    assert made.paste_origin is PasteOrigin.PASTE_LAYER
    assert not any(pad.apertures for pad in made.pads)
    assert any("empty" in p.what and p.severity is Severity.NOTE for p in made.problems)


def test_missing_layers_are_named_and_do_not_stop_the_work():
    made = board(paste=flash(11, *PADS), outline=None)
    assert len(made.pads) == 4 and made.outline is None
    said = " ".join(problem.what for problem in made.problems)
    assert "copper layer" not in said  # one sentence says it all
    assert "neither copper nor mask" in said and "no board outline" in said
    assert made.size_mm == approx((4.0, 4.5)) and made.file_origin_mm == approx((4.5, 4.75))


def test_without_copper_a_row_in_one_long_opening_stays_a_row_and_panes_stay_panes():
    row = [(5.0 + 0.8 * n, 12.0) for n in range(5)]
    panes = [(13.0 + i, 7.0 + j) for i in (0, 1) for j in (0, 1)]
    long_opening = polygon([(4, 11.5), (9, 11.5), (9, 12.5), (4, 12.5)])
    square = polygon([(12, 6), (15, 6), (15, 9), (12, 9)])
    made = board(paste=flash(19, *row, *panes), mask=long_opening + square)
    assert sorted(len(pad.apertures) for pad in made.pads) == [1] * 5 + [4]


def test_without_paste_and_drill_layers_it_is_said_that_through_hole_pads_get_paste():
    made = board(copper=flash(20, (15, 7)), mask=flash(21, (15, 7)))
    assert kinds(made) == [PadKind.SURFACE]
    assert any("through-hole pads cannot be told" in p.what for p in made.problems)


def test_nothing_but_an_outline_is_an_error_with_a_way_out():
    with pytest.raises(InputError) as caught:
        board()
    assert "no paste, copper or mask" in caught.value.problems[0].what and caught.value.problems[0].mend


def test_no_exposed_copper_and_no_paste_layer_is_an_error():
    with pytest.raises(InputError) as caught:
        board(copper=flash(11, *PADS), mask=flash(12, (15, 12)))
    assert "nothing to paste" in caught.value.problems[0].what


def test_pads_outside_the_outline_are_warned_of():
    far = [(x + 100, y) for x, y in PADS]
    made = board(
        paste=flash(11, *PADS, far[0]), copper=flash(11, *PADS, far[0]), mask=flash(12, *PADS, far[0])
    )
    assert any("1 piece(s) of exposed copper lie outside" in p.what and p.line for p in made.problems)
    assert len(made.pads) == len(PADS) and [each.reason for each in made.left_out] == [
        "outside the board: frame, legend or text (1 object)"
    ]


def test_one_opening_over_two_pads_is_shared_between_them_and_warned_of():
    pair = [(10.0, 7.0), (10.6, 7.0)]
    made = board(paste=flash(11, (10.3, 7)), copper=flash(19, *pair), mask=flash(19, *pair))
    assert [pad.aperture_area_mm2 for pad in made.pads] == approx([0.25, 0.25])
    assert any("run over several pads" in p.what and p.severity is Severity.WARNING for p in made.problems)


def test_an_opening_belongs_to_the_pad_it_covers_most():
    pair = [(10.0, 7.0), (10.6, 7.0)]
    for x, owner in ((10.05, 0), (10.55, 1)):
        made = board(paste=flash(11, (x, 7)), copper=flash(19, *pair), mask=flash(19, *pair))
        (pad,) = (pad for pad in made.pads if pad.apertures)
        assert (pad.land.centroid.x, pad.land.centroid.y) == approx(pair[owner])


def test_the_outline_in_every_layer_changes_nothing():
    plain = board(paste=flash(11, *PADS), copper=flash(11, *PADS), mask=flash(12, *PADS))
    drawn = board(paste=flash(11, *PADS) + EDGE, copper=flash(11, *PADS) + EDGE, mask=flash(12, *PADS) + EDGE)
    assert [pad.land.wkt for pad in drawn.pads] == [pad.land.wkt for pad in plain.pads]
    assert [each.reason.split(":")[0] for each in drawn.left_out] == ["board outline"]


Move = tuple[float, float, float]


def moved_board(move: Move, side: Side = Side.TOP) -> Board:
    """A board of regions, holes and an outline, turned and moved in its files."""
    angle, dx, dy = radians(move[0]), move[1], move[2]

    def at(x: float, y: float) -> tuple[float, float]:
        return (dx + x * cos(angle) - y * sin(angle), dy + x * sin(angle) + y * cos(angle))

    def rectangle(x: float, y: float, half_x: float, half_y: float) -> str:
        corners = [
            (x - half_x, y - half_y),
            (x + half_x, y - half_y),
            (x + half_x, y + half_y),
            (x - half_x, y + half_y),
        ]
        return polygon([at(*corner) for corner in corners])

    panes = [(10 + i, 7 + j) for i in (-1, 1) for j in (-1, 1)]
    paste = "".join(rectangle(x, y, 0.5, 0.25) for x, y in PADS) + "".join(
        rectangle(x, y, 0.8, 0.8) for x, y in panes
    )
    copper = (
        "".join(rectangle(x, y, 0.5, 0.25) for x, y in PADS)
        + rectangle(10, 7, 2, 2)
        + flash(20, at(17, 7))
        + flash(17, at(17, 2))
    )
    mask = (
        "".join(rectangle(x, y, 0.6, 0.35) for x, y in PADS)
        + rectangle(10, 7, 2.1, 2.1)
        + flash(21, at(17, 7))
        + flash(18, at(17, 2))
    )
    edge = stroke(10, *[at(*p) for p in [(0, 0), (20, 0), (20, 15), (0, 15), (0, 0)]])
    return board(paste=paste, copper=copper, mask=mask, outline=edge, holes=[(*at(17, 7), 1.0)], side=side)


@settings(deadline=None, max_examples=25)
@given(angle=st.floats(0, 360), x_mm=st.floats(-300, 300), y_mm=st.floats(-300, 300))
def test_turning_and_moving_the_files_turns_the_board_and_changes_nothing_else(
    angle: float, x_mm: float, y_mm: float
):
    plain, moved = moved_board((0, 0, 0)), moved_board((angle, x_mm, y_mm))
    assert kinds(moved) == kinds(plain)
    assert [len(pad.apertures) for pad in moved.pads] == [len(pad.apertures) for pad in plain.pads]
    assert [pad.aperture_area_mm2 for pad in moved.pads] == [
        approx(pad.aperture_area_mm2, rel=1e-4) for pad in plain.pads
    ]
    assert moved.outline is not None and moved.outline.bounds[:2] == approx((0, 0), abs=1e-6)
    turn = radians(angle)
    for before, after in zip(plain.pads, moved.pads, strict=True):
        x, y = before.land.centroid.x, before.land.centroid.y
        expected = (x_mm + x * cos(turn) - y * sin(turn), y_mm + x * sin(turn) + y * cos(turn))
        assert moved.to_file_mm(after.land.centroid.x, after.land.centroid.y) == approx(expected, abs=2e-5)


@settings(deadline=None, max_examples=15)
@given(angle=st.floats(0, 360), x_mm=st.floats(-300, 300))
def test_the_bottom_is_the_mirror_image_of_the_top_for_the_same_layers(angle: float, x_mm: float):
    top, bottom = moved_board((angle, x_mm, 0)), moved_board((angle, x_mm, 0), Side.BOTTOM)
    assert bottom.size_mm == approx(top.size_mm) and kinds(bottom) == kinds(top)
    width_mm = top.size_mm[0]
    for above, below in zip(top.pads, bottom.pads, strict=True):
        mirrored = shapely.transform(above.land, lambda c: c * [-1.0, 1.0] + [width_mm, 0.0])
        assert mirrored.symmetric_difference(below.land).area < 1e-6
    assert [(h.x_mm, h.y_mm) for h in bottom.holes] == [
        approx((width_mm - h.x_mm, h.y_mm), abs=1e-6) for h in top.holes
    ]


@settings(deadline=None, max_examples=25)
@given(columns=st.integers(1, 5), rows=st.integers(1, 5), gap=st.floats(0.05, 0.4))
def test_however_many_panes_there_are_they_belong_to_one_pad(columns: int, rows: int, gap: float):
    width, height = (3.8 - (columns - 1) * gap) / columns, (3.8 - (rows - 1) * gap) / rows
    paste = ""
    for i in range(columns):
        for j in range(rows):
            x, y = 8.1 + i * (width + gap), 5.1 + j * (height + gap)
            paste += polygon([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
    made = board(paste=paste, copper=flash(13, (10, 7)), mask=flash(14, (10, 7)))
    assert len(made.pads) == 1 and len(made.pads[0].apertures) == columns * rows
    assert made.pads[0].aperture_area_mm2 == approx(columns * width * rows * height, rel=1e-4)
    assert (made.pads[0].kind is PadKind.THERMAL) == (columns * rows > 1)
