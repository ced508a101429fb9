"""The board is found though gloss fades across its mask, legend joins its lands, and its parts repeat."""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import Point, box

from pastewright.inspect.stands_out import stands_out, without_lines
from pastewright.inspect.which_way import likelier
from pastewright.photo.view import PhotoView

GREEN, GREY, BLACK = np.array([40, 110, 70]), np.array([190, 190, 190]), np.array([15, 15, 15])
SCALE = 20.0  # px/mm
WIDE, HIGH = 480, 360


def drawn(shapes, light=1.0, ground=GREEN):
    """Draw shapes ((shape in pixels, colour), …) over a ground, `light` times as light (rows, columns) or everywhere."""
    picture = np.empty((HIGH, WIDE, 3), float)
    picture[:] = ground
    picture *= np.broadcast_to(light, (HIGH, WIDE))[..., None]
    for (left, top, right, bottom), colour in shapes:
        picture[top:bottom, left:right] = colour
    return np.clip(picture + np.random.default_rng(1).normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


def lands(places, half=8):
    return [((x - half, y - half, x + half, y + half), GREY) for x, y in places]


PLACES = [(x, y) for x in range(60, 460, 80) for y in range(60, 340, 80)]


def test_mask_that_fades_across_the_picture_stays_ground():
    """From a third of its light at one side to nearly three times as much at the other."""
    fading = np.linspace(0.35, 1.0, WIDE)[None, :]
    seen = stands_out(drawn(lands(PLACES), light=fading))[0]
    at_lands = [seen.map[y, x] for x, y in PLACES]
    between = [seen.map[y, x + 40] for x, y in PLACES if x + 40 < WIDE]
    assert min(at_lands) > 0.9
    assert max(between) < 0.1


def test_the_mask_of_a_board_on_a_table_is_a_ground_though_the_table_is_all_that_is_usual():
    """Gloss fades over the board to a quarter, and copper below its mask makes steps, so that no colour of it is usual."""
    fading = np.linspace(0.25, 1.0, WIDE)[None, :]
    board = drawn(lands(PLACES), light=fading)
    board[HIGH // 2 :, WIDE // 3 :] = np.clip(board[HIGH // 2 :, WIDE // 3 :] * 1.15, 0, 255)
    picture = np.full((2 * HIGH, 2 * WIDE, 3), 150, np.uint8)
    picture[HIGH // 2 : 3 * HIGH // 2, WIDE // 2 : 3 * WIDE // 2] = board
    places = [(x + WIDE // 2, y + HIGH // 2) for x, y in PLACES]
    maps = stands_out(picture)

    def told(seen):
        at_lands = [seen.map[y, x] for x, y in places]
        return min(at_lands) > 0.9 and np.mean([seen.map[y + 40, x] for x, y in places]) < 0.1

    assert not told(maps[0])  # the table
    assert any(told(seen) for seen in maps)


def test_lands_that_legend_joins_are_cut_apart():
    lines = [((60, y - 2, 380, y + 2), GREY) for y in range(60, 340, 80)]
    lines += [((x - 2, 60, x + 2, 300), GREY) for x in range(60, 460, 80)]
    seen = stands_out(drawn(lands(PLACES) + lines))[0]
    assert len(seen.centres) < 3
    found = [cut.centres for cut in without_lines(seen)]
    apart = next(centres for centres in found if len(centres) >= len(PLACES))
    for place in PLACES:
        assert np.hypot(*(apart - place).T).min() < 2


def view(to_px) -> PhotoView:
    """The view with this homography from the board's millimetres to pixels."""
    radius = np.hypot(WIDE, HIGH) / 2
    to_ideal = np.array([[1, 0, -(WIDE - 1) / 2], [0, 1, -(HIGH - 1) / 2], [0, 0, radius]]) / radius
    return PhotoView(homography=to_ideal @ to_px, k1=0.0, width_px=WIDE, height_px=HIGH)


STRAIGHT = np.array([[SCALE, 0, 0], [0, -SCALE, HIGH], [0, 0, 1.0]])


@pytest.mark.parametrize("told_by", ["hole", "land", "nothing"])
def test_of_two_ways_the_one_is_told_by_what_only_it_foresees(told_by):
    """A board of 24 x 18 mm whose twenty lands look the same after half a turn."""
    middles = [(x / SCALE, (HIGH - y) / SCALE) for x, y in PLACES[:]]
    middles = [(x, y) for x, y in middles] + [(24 - x, 18 - y) for x, y in middles]
    figures = [Point(*at).buffer(0.4, cap_style="square") for at in dict.fromkeys(middles)]
    extra = {"hole": (5.0, 5.6), "land": (5.0, 5.6), "nothing": None}[told_by]
    holes = [Point(*extra).buffer(0.35)] if told_by == "hole" and extra else []
    if told_by == "land" and extra:
        figures.append(Point(*extra).buffer(0.4))
    picture = SimpleNamespace(edge=box(0, 0, 24, 18), figures=figures, holes=holes)
    shapes = lands([(round(x * SCALE), round(HIGH - y * SCALE)) for x, y in dict.fromkeys(middles)])
    if extra:
        x, y = round(extra[0] * SCALE), round(HIGH - extra[1] * SCALE)
        shapes.append(((x - 7, y - 7, x + 7, y + 7), BLACK if told_by == "hole" else GREY))
    seen = stands_out(drawn(shapes))[0]
    ways = [(view(one), False) for one in (STRAIGHT, STRAIGHT @ [[-1.0, 0, 24], [0, -1, 18], [0, 0, 1]])]
    told = likelier(seen, picture, *ways)  # type: ignore[arg-type]
    back = likelier(seen, picture, *reversed(ways))  # type: ignore[arg-type]
    assert told == pytest.approx(-back)
    assert told == 0 if told_by == "nothing" else told > 5


def test_a_mirrored_way_is_a_way_too():
    figures = [Point(x, y).buffer(0.4) for x, y in ((4, 4), (8, 9), (12, 9), (16, 9), (20, 14))]
    picture = SimpleNamespace(edge=box(0, 0, 24, 18), figures=figures, holes=[])
    seen = stands_out(drawn(lands([(80, 280), (160, 180), (240, 180), (320, 180), (400, 80)])))[0]
    # The board turned over shows its y the other way round; this view lays the middle row on itself.
    over = view(np.array([[SCALE, 0, 0], [0, -SCALE, 0], [0, 0, 1.0]]))
    assert likelier(seen, picture, (view(STRAIGHT), False), (over, True)) > 5  # type: ignore[arg-type]
