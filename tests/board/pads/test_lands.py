"""Lands: copper within mask openings, each case drawn as tiny Gerber texts."""

from math import pi

import pytest
import shapely
from pytest import approx

from pastewright.board.artwork import Drill, Layer
from pastewright.board.gerber.read import read_gerber
from pastewright.board.pads.lands import Lands, find_lands

APERTURES = (
    "%ADD10C,0.2*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\n%ADD13R,4X4*%\n%ADD14R,4.2X4.2*%\n%ADD15C,0.6*%\n"
    "%ADD16R,6X1*%\n%ADD17C,1*%\n%ADD18C,2*%\n%ADD19R,0.3X1*%\n"
)
HEAD = f"%FSLAX46Y46*%\n%MOMM*%\n{APERTURES}G01*\n%LPD*%\n"


def xy(x_mm: float, y_mm: float) -> str:
    return f"X{round(x_mm * 1e6)}Y{round(y_mm * 1e6)}"


def flash(code: int, *places: tuple[float, float]) -> str:
    return f"D{code}*\n" + "".join(f"{xy(x, y)}D03*\n" for x, y in places)


def stroke(code: int, *points: tuple[float, float]) -> str:
    return f"D{code}*\n{xy(*points[0])}D02*\n" + "".join(f"{xy(*point)}D01*\n" for point in points[1:])


def region(x0: float, y0: float, x1: float, y1: float) -> str:
    corners = [(x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    return f"G36*\n{xy(x0, y0)}D02*\n" + "".join(f"{xy(*corner)}D01*\n" for corner in corners) + "G37*\n"


def layer(body: str, file: str = "layer.gbr") -> Layer:
    return read_gerber((HEAD + body + "M02*\n").encode(), file)


def lands(copper: str | None, mask: str | None, drills: list[Drill] | None = None) -> Lands:
    return find_lands(
        None if copper is None else layer(copper, "copper.gbr"),
        None if mask is None else layer(mask, "mask.gbr"),
        drills or [],
    )


def areas(found: Lands) -> list[float]:
    return sorted(round(land.shape.area, 6) for land in found.lands)


def hole(x: float, y: float, diameter_mm: float) -> Drill:
    return Drill(x_mm=x, y_mm=y, diameter_mm=diameter_mm, line=1)


def test_a_land_is_the_copper_when_the_mask_opens_wider():
    found = lands(flash(11, (0, 0)), flash(12, (0, 0)))
    assert areas(found) == [0.5]


def test_a_land_is_the_opening_when_the_mask_opens_narrower():
    found = lands(flash(12, (0, 0)), flash(11, (0, 0)))
    assert areas(found) == [0.5]


def test_copper_under_the_mask_is_no_land():
    found = lands(flash(11, (0, 0), (5, 0)), flash(12, (0, 0)))
    assert areas(found) == [0.5]


def test_a_trace_that_leaves_a_pad_does_not_make_its_land_larger():
    found = lands(stroke(10, (0, 0), (5, 0)) + flash(11, (0, 0)), flash(12, (0, 0)))
    assert areas(found) == [0.5]


def test_a_pour_that_floods_a_pad_does_not_make_its_land_larger():
    found = lands(region(-20, -20, 20, 20) + flash(11, (0, 0)), flash(12, (0, 0)))
    assert areas(found) == [0.5]


def test_pads_of_one_gang_opening_stay_separate_even_if_a_trace_joins_them():
    pins = [(n * 0.5 - 1.0, 0.0) for n in range(5)]
    found = lands(stroke(10, (-2, 0), (2, 0)) + flash(19, *pins), flash(16, (0, 0)))
    assert areas(found) == [0.3] * 5


def test_a_pad_that_only_the_mask_defines_is_the_opening_over_the_pour():
    found = lands(region(-20, -20, 20, 20), flash(11, (0, 0), (3, 0)))
    assert areas(found) == [0.5, 0.5]
    assert all(land.poured for land in found.lands)


def test_a_rounded_pad_drawn_as_a_region_is_a_pad_of_its_own():
    found = lands(region(-0.5, -0.25, 0.5, 0.25) + stroke(10, (0, 0), (5, 0)), flash(12, (0, 0)))
    assert areas(found) == [0.5] and not found.lands[0].poured


def test_a_pad_painted_with_strokes_is_one_land():
    rows = "".join(stroke(10, (-0.3, y / 10), (0.3, y / 10)) for y in range(-2, 3))
    found = lands(rows, flash(12, (0, 0)))
    assert len(found.lands) == 1
    # Five strokes 0.1 mm apart and 0.2 mm wide: 0.6 mm x 0.6 mm and round ends.
    assert found.lands[0].shape.area == approx(0.6 * 0.6 + 0.1, abs=0.03)


def test_overlapping_flashes_of_one_pad_make_one_land():
    found = lands(flash(11, (0, 0), (0.4, 0)), flash(13, (0, 0)))
    assert areas(found) == [approx(0.7)]


def test_overlapping_pads_of_different_pins_stay_two_lands():
    body = "%TO.P,U1,1*%\n" + flash(11, (0, 0)) + "%TO.P,U1,2*%\n" + flash(11, (0.9, 0))
    found = lands(body, flash(13, (0, 0)))
    assert areas(found) == [0.5, 0.5]
    assert {(land.ref, land.pin) for land in found.lands} == {("U1", "1"), ("U1", "2")}


def test_vias_in_a_thermal_land_leave_it_whole_and_reaching_out_do_not_enlarge_it():
    vias = [(-1.0, -1.0), (1.0, 1.0), (0.0, 0.0), (2.0, 0.0)]  # the last one stands half outside
    found = lands(flash(15, *vias) + flash(13, (0, 0)), flash(14, (0, 0)), [hole(x, y, 0.3) for x, y in vias])
    assert areas(found) == [16.0]


def test_an_opening_over_a_pour_with_vias_is_the_pour_and_not_the_vias():
    vias = [(-1.0, -1.0), (1.0, 1.0), (0.0, 0.0)]
    found = lands(
        region(-9, -9, 9, 9) + flash(15, *vias), flash(13, (0, 0)), [hole(x, y, 0.3) for x, y in vias]
    )
    assert areas(found) == [16.0] and found.lands[0].poured


def test_a_lone_via_with_an_open_mask_is_known_as_a_via():
    found = lands(flash(15, (0, 0)), flash(17, (0, 0)), [hole(0, 0, 0.3)])
    assert [land.via for land in found.lands] == [True]


def test_the_via_pad_attribute_is_believed_without_drills():
    found = lands("%TA.AperFunction,ViaPad*%\n%ADD30C,0.6*%\n%TD*%\n" + flash(30, (0, 0)), flash(17, (0, 0)))
    assert [land.via for land in found.lands] == [True]


def test_a_pad_with_a_leads_hole_is_no_via():
    found = lands(flash(17, (0, 0)), flash(18, (0, 0)), [hole(0, 0, 0.6)])
    assert [land.via for land in found.lands] == [False]


def test_copper_that_is_cleared_later_is_not_exposed():
    body = flash(11, (0, 0)) + "%LPC*%\n" + region(0, -1, 1, 1) + "%LPD*%\n"
    assert areas(lands(body, flash(12, (0, 0)))) == [0.25]


def test_copper_drawn_after_the_clearing_is_exposed():
    body = region(-9, -9, 9, 9) + "%LPC*%\n" + flash(13, (0, 0)) + "%LPD*%\n" + flash(11, (0, 0))
    found = lands(body, flash(14, (0, 0)))
    assert areas(found) == [0.5] and not found.lands[0].poured


def test_a_clear_object_in_the_mask_keeps_the_copper_covered():
    body = flash(12, (0, 0)) + "%LPC*%\n" + region(0, -1, 1, 1) + "%LPD*%\n"
    assert areas(lands(flash(11, (0, 0)), body)) == [0.25]


def test_without_a_mask_copper_flashes_are_exposed_and_traces_and_pours_are_not():
    found = lands(stroke(10, (0, 0), (5, 0)) + flash(11, (0, 0)) + region(5, 5, 9, 9), None)
    assert areas(found) == [0.5] and not found.has_mask


def test_without_copper_the_mask_openings_are_the_lands():
    found = lands(None, flash(12, (0, 0)) + flash(17, (5, 5)))
    assert areas(found) == [approx(pi / 4, rel=2e-3), approx(0.84)]


def test_a_neighbours_opening_that_shaves_a_pad_adds_no_sliver():
    # The second opening starts at x = 0.56 and shows the last 0.04 mm of the first pad.
    found = lands(flash(12, (0, 0)) + flash(19, (1.2, 0)), flash(11, (0, 0), (1.06, 0)))
    assert areas(found) == [approx(0.15), approx(0.5)]


def test_a_line_drawn_into_copper_and_mask_is_no_land():
    line = stroke(10, (0, 0), (60, 0), (60, 40), (0, 40), (0, 0))
    assert areas(lands(line + flash(11, (5, 5)), line + flash(12, (5, 5)))) == [0.5]


def test_a_pour_under_many_openings_gives_each_its_own_land():
    # A heavy pour: a comb of 300 teeth, as one region with over 1000 corners.
    corners = [(0.0, -5.0), (400.0, -5.0)]
    for n in range(300, 0, -1):
        corners += [(n + 0.4, 5.0), (n - 0.4, 5.0), (n - 0.4, -1.0), (n - 0.6, -1.0)]
    body = (
        f"G36*\n{xy(*corners[0])}D02*\n"
        + "".join(f"{xy(*c)}D01*\n" for c in [*corners[1:], corners[0]])
        + "G37*\n"
    )
    places = [(float(n), 0.0) for n in range(10, 290, 4)]
    found = lands(body, flash(19, *places))
    assert len(found.lands) == len(places)
    assert sum(areas(found)) == approx(0.3 * len(places), rel=1e-9)
    assert sorted(land.opening for land in found.lands if land.opening is not None) == list(
        range(len(places))
    )


@pytest.mark.parametrize("x_mm,y_mm", [(0.0, 0.0), (100.0, -250.0), (-3.3, 7.77)])
def test_moving_both_layers_moves_the_lands_and_changes_nothing_else(x_mm: float, y_mm: float):
    def drawn(dx: float, dy: float) -> Lands:
        copper = (
            region(dx - 9, dy - 9, dx + 9, dy + 9)
            + flash(11, (dx, dy), (dx + 2, dy))
            + flash(17, (dx, dy + 3))
        )
        mask = flash(12, (dx, dy), (dx + 2, dy)) + flash(18, (dx, dy + 3)) + flash(11, (dx - 3, dy))
        return lands(copper, mask)

    here, there = drawn(0, 0), drawn(x_mm, y_mm)
    assert areas(there) == approx(areas(here), abs=1e-5)
    box = shapely.union_all([land.shape for land in here.lands]).bounds
    moved = shapely.union_all([land.shape for land in there.lands]).bounds
    assert moved == approx((box[0] + x_mm, box[1] + y_mm, box[2] + x_mm, box[3] + y_mm), abs=1e-5)
