"""Paste dragged out of a deposit, on made-up evidence whose answer is known."""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import LineString, Point, box

from pastewright.inspect.dragged import dragged
from pastewright.inspect.fit import FittedRow
from pastewright.inspect.flat import FlatBoard

SCALE = 40.0  # px/mm
WIDE = 0.6  # mm
PLACES = ((1.0, 1.5), (2.1, 1.5), (3.5, 1.5))


def rows(places=PLACES):
    """Three dots in a row, the first two 0.5 mm apart at their rims."""
    return tuple(
        SimpleNamespace(
            shared=False,
            paste=box(x - WIDE / 2, y - WIDE / 2, x + WIDE / 2, y + WIDE / 2),
            deposit=SimpleNamespace(width_mm=WIDE, points_mm=((x, y),)),
        )
        for x, y in places
    )


def flat(shown_from_mm: float = 0.0) -> FlatBoard:
    shape = (120, 180)
    none, far = np.zeros(shape, bool), np.zeros(shape, np.int64)
    return FlatBoard(
        low_mm=np.zeros(2),
        scale=SCALE,
        rgb=np.zeros((*shape, 3), np.uint8),
        colour=np.zeros((*shape, 3), np.float32),
        on_mask=np.zeros((*shape, 3), np.float32),
        inside=~none & (np.arange(shape[1]) >= shown_from_mm * SCALE),
        full=none,
        land=none,
        mask=none,
        nearest=far,
        away_mm=np.zeros(shape, np.float32),
        rows=(0, 1, 2),
    )


def told(*pasted, widths=(1.0, 1.0, 1.0), printed=0.0, places=PLACES, shown_from_mm=0.0, fitted=(0, 1, 2)):
    """What is said to be dragged where paste covers these shapes [mm] besides the dots; legend looks alike by so much."""
    board = flat(shown_from_mm)
    lines, columns = np.mgrid[0:120, 0:180]
    at = np.stack([columns, lines], axis=-1) / SCALE
    paste = np.zeros(board.land.shape, bool)
    for (x, y), width in zip(places, widths, strict=True):
        paste |= np.hypot(at[..., 0] - x, at[..., 1] - y) < width * WIDE / 2
    for shape in pasted:
        near = [Point(*place).within(shape) for place in at.reshape(-1, 2)]
        paste |= np.array(near).reshape(paste.shape)
    said = np.where(paste, 1.2, -1.2).astype(np.float32)
    fits = {
        number: FittedRow(shift_mm=(0.0, 0.0), width=width, mean=3.0, width_sd=0.02)
        for number, width in enumerate(widths)
        if number in fitted
    }
    looks = (said, (said - printed).astype(np.float32))
    return dragged(board, looks, SimpleNamespace(rows=fits), SimpleNamespace(rows=rows(places)))  # type: ignore[arg-type]


def smear(*points, wide=0.75 * WIDE):
    return LineString(points).buffer(wide / 2)


def test_what_is_dragged_out_is_told_with_how_far_it_reaches():
    found = told(smear(PLACES[2], (3.9, 1.5)))
    assert list(found) == [2]
    # By hand: the middle of its round end lies 0.4 mm out, its tip at 0.4 + 0.225, the rim at 0.3 mm, blurred to 0.3375.
    assert found[2].reach_mm == pytest.approx(0.625 - 0.3375, abs=0.06)
    assert 0.06 < found[2].area_mm2 < 0.12


def test_without_anything_dragged_nothing_is_told():
    assert told() == {}


def test_a_deposit_that_is_wider_on_all_sides_is_no_tongue():
    assert told(widths=(1.0, 1.26, 1.0)) == {}
    # Nor is one whose fit stopped short of its rim.
    assert told(Point(*PLACES[2]).buffer(0.42)) == {}


def test_what_begins_beside_the_rim_is_something_else():
    assert told(smear((4.15, 1.5), (4.3, 1.5))) == {}


@pytest.mark.parametrize("fitted", [(1, 2), (0, 1, 2)])
def test_a_deposit_that_the_picture_cuts_off_is_no_tongue_of_its_neighbour(fitted):
    # Two dots of one pad touch; of the first the picture shows a third.
    places = ((1.5, 1.5), *PLACES[1:])
    assert told(places=places, shown_from_mm=1.6, fitted=fitted) == {}
    # What is dragged to the other side is told all the same.
    found = told(smear(PLACES[1], (2.5, 1.5)), places=places, shown_from_mm=1.6, fitted=fitted)
    assert list(found) == [1]


def test_a_thin_line_from_a_deposit_is_legend_or_a_hair():
    assert told(smear(PLACES[2], (4.3, 1.5), wide=0.12)) == {}


def test_what_reaches_the_next_deposit_is_told_of_the_one_it_came_from():
    # The end is round: it meets the second dot with its tip alone.
    assert list(told(smear(PLACES[0], (1.58, 1.5)))) == [0]


def test_what_may_be_legend_is_told_only_where_there_is_much_of_it():
    short, long = smear(PLACES[2], (3.9, 1.5)), smear(PLACES[2], (4.2, 1.5))
    assert list(told(short, printed=1.0)) == []
    assert list(told(long, printed=1.0)) == [2]
    assert not any(one.sure for one in told(long, printed=1.6).values())


def test_what_leads_on_far_beyond_a_deposit_may_be_glare_or_legend():
    """As a stroke that runs by: what a tip drags along ends within 1.3 mm."""
    by = LineString([(0.1, 0.9), (3.9, 0.9), (3.9, 2.9)]).buffer(0.1)
    alone, with_stroke = told(smear(PLACES[2], (3.9, 1.5))), told(smear(PLACES[2], (3.9, 1.5)), by)
    assert (alone[2].sure, with_stroke[2].sure) == (True, False)


def test_what_looks_much_like_paste_and_like_legend_too_is_not_told_to_be_none():
    long = smear(PLACES[2], (4.3, 1.5))
    found = told(long, printed=1.8)
    assert list(found) == [2]
    assert not found[2].sure
    assert told(smear(PLACES[2], (3.8, 1.5)), printed=1.8) == {}
