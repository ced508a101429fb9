"""Which pastes are joined, on made-up pictures of grey dots in pairs on white mask, whose answer is known."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from flat_mask import flat_mask
from scipy.ndimage import gaussian_filter
from shapely.geometry import Point, box

from pastewright.inspect.bridges import Bridges, joined_rows
from pastewright.inspect.spill import PasteBeside

SCALE = 30.0  # px/mm
EVERY_MM = 2.8  # from pair to pair
ROOM_MM, RADIUS_MM, GAP_MM = 1.0, 0.3, 0.4
GREY = 0.6  # the paste's light over the mask's
NOISE = 0.02  # of the light
SPREAD = np.array([0.1, 0.06, 0.06])
LEFT = ROOM_MM + RADIUS_MM
RIGHT = LEFT + GAP_MM + 2 * RADIUS_MM


def told(strips: dict[int, float], pairs: int = 9, evidence: float = -0.6, wide_mm: float = 0.14) -> Bridges:
    """What is said of so many pairs, a strip of the light named leading across the gap of some of them."""
    size = (round(2 * ROOM_MM * SCALE), round(pairs * EVERY_MM * SCALE))
    y, x = np.mgrid[: size[0], : size[1]] / SCALE
    light = np.ones(size)
    neck = np.full(size, -3.0, np.float32)
    shapes = {}
    for pair in range(pairs):
        start = pair * EVERY_MM
        across = (np.abs(y - ROOM_MM) < wide_mm / 2) & (x > start + LEFT) & (x < start + RIGHT)
        if pair in strips:
            light[across] = strips[pair]
            neck[across] = evidence
        for number, at in enumerate((start + LEFT, start + RIGHT)):
            light[np.hypot(x - at, y - ROOM_MM) < RADIUS_MM] = GREY
            shapes[2 * pair + number] = Point(at, ROOM_MM).buffer(RADIUS_MM)
    light = gaussian_filter(light, 1.0) * (1 + np.random.default_rng(5).normal(0, NOISE, size))
    colour = np.stack([np.log(light), np.zeros(size), np.zeros(size)], axis=-1)
    rows: list[Any] = [
        SimpleNamespace(
            pad=SimpleNamespace(id=f"P{number}", net=""),
            deposit=SimpleNamespace(id=number, width_mm=2 * RADIUS_MM),
            paste=shape,
            land=box(*shape.buffer(-0.1).bounds),
        )
        for number, shape in shapes.items()
    ]
    picture: Any = SimpleNamespace(rows=rows, lands=[row.land for row in rows])
    beside = PasteBeside(neck=neck, no_print=neck, anywhere=neck, anywhere_no_print=neck, mask_spread=SPREAD)
    return joined_rows(flat_mask(colour, SCALE), beside, shapes, picture, sure=list(shapes))


def test_a_faint_neck_is_told_that_no_other_gap_shows():
    # Three quarters of the mask's light: half-way to the paste's, and less than a plain neck by its colour.
    found = told({4: 0.75})
    assert found.joined == {8: {9}, 9: {8}}
    assert not found.doubted


def test_what_every_gap_shows_is_no_bridge():
    assert told(dict.fromkeys(range(9), 0.88)) == Bridges(joined={}, doubted={})


def test_where_every_gap_shows_much_of_paste_none_is_told_and_none_is_good():
    found = told(dict.fromkeys(range(9), 0.75))
    assert not found.joined
    assert len(found.doubted) == 18


def test_one_that_shows_little_of_paste_is_doubted():
    found = told({4: 0.89}, wide_mm=0.2, evidence=-1.0)
    assert not found.joined
    assert found.doubted == {8: {9}, 9: {8}}


@pytest.mark.parametrize(("evidence", "kind"), [(-0.4, "joined"), (-0.6, "doubted")])
def test_a_neck_that_shows_much_of_paste_is_seen_though_other_gaps_differ_as_much(evidence, kind):
    found = told({4: 0.65} | dict.fromkeys((0, 2, 6, 7), 0.1), evidence=evidence)
    assert getattr(found, kind).get(8) == {9}


def test_what_plainly_is_neither_mask_nor_paste_is_no_bridge():
    # Printed black: much darker than paste.
    assert told({4: 0.1}, evidence=-3.0) == Bridges(joined={}, doubted={})


def test_with_too_few_gaps_to_compare_a_faint_neck_is_doubted():
    found = told({1: 0.75}, pairs=3)
    assert not found.joined
    assert found.doubted == {2: {3}, 3: {2}}


@pytest.mark.parametrize(("wide_mm", "kind"), [(0.16, "joined"), (1.6, "doubted")])
def test_a_gap_that_looks_like_paste_has_mask_on_both_sides_of_a_bridge(wide_mm, kind):
    found = told({4: 0.75}, evidence=1.5, wide_mm=wide_mm)
    assert {k: v for k, v in (("joined", found.joined), ("doubted", found.doubted)) if v} == {
        kind: {8: {9}, 9: {8}}
    }
