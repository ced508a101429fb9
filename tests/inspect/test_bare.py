"""Bare lands and domes of one lightness and hue, drawn by a formula of their own: told by shading and by their outlines."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from shapely.geometry import Point, box

from pastewright.inspect.bare import bare_rows
from pastewright.inspect.dome import dome_look, ring_and_sector
from pastewright.inspect.fit import FittedRow
from pastewright.inspect.flat import FlatBoard

SCALE = 34.0  # px/mm
WIDE, LAND = 0.62, (0.5, 0.62)  # mm: the paste reaches beyond its land to both sides
PLACES = tuple((x, y) for y in (1.0, 2.2, 3.4) for x in (1.0, 2.2, 3.4, 4.6))
MASK, PASTE, HUE = -2.0, -0.4, (0.1, -0.1)  # ln of light; hues of paste and land alike
SUN = np.array([0.55, 0.2, 0.81])
ROWS, COLUMNS = 150, 190


def places() -> np.ndarray:
    lines, columns = np.mgrid[0:ROWS, 0:COLUMNS]
    return np.stack([columns, lines], axis=-1) / SCALE


def shaded(off: np.ndarray, half_mm: float) -> np.ndarray:
    """ln of light on a ball's cap a third as high as it is wide, under the sun and the sky alike."""
    high = 2 * half_mm / 3
    ball = (half_mm**2 + high**2) / (2 * high)
    up = np.sqrt(np.maximum(ball**2 - (off**2).sum(axis=-1), 1e-6))
    lit = np.maximum((np.concatenate([off, up[..., None]], axis=-1) / ball) @ SUN, 0)
    return PASTE + np.log(0.35 + 0.65 * lit)


def mirrored(off: np.ndarray, tip: float) -> np.ndarray:
    """ln of light on a flat land that mirrors something which grows lighter to one side: as light as domes are."""
    return PASTE + tip * off[..., 0] - 0.35 + 0.4 * off[..., 1]


def drawn(stands: dict[int, tuple[float, tuple[float, float]]], tips: float = 0.8) -> FlatBoard:
    """Draw lands, with domes on those of `stands` (width over the planned one, shift [mm])."""
    at = places()
    light = np.full((ROWS, COLUMNS), MASK)
    hue = np.zeros((ROWS, COLUMNS, 2))
    land = np.zeros((ROWS, COLUMNS), bool)
    nearest = np.argmin([np.hypot(*(at - place).transpose(2, 0, 1)) for place in PLACES], axis=0)
    for number, place in enumerate(PLACES):
        off = at - place
        own = (np.abs(off[..., 0]) < LAND[0] / 2) & (np.abs(off[..., 1]) < LAND[1] / 2)
        land |= own
        light, hue = np.where(own, mirrored(off, tips), light), np.where(own[..., None], HUE, hue)
        if number in stands:
            width, shift = stands[number]
            dome = np.hypot(*(off - shift).transpose(2, 0, 1)) < width * WIDE / 2
            light = np.where(dome, shaded(off - shift, width * WIDE / 2), light)
            hue = np.where(dome[..., None], HUE, hue)
    random = np.random.default_rng(5)
    light = np.log(gaussian_filter(np.exp(light), 1.0)) + gaussian_filter(
        random.normal(0, 0.08, light.shape), 0.7
    )
    colour = np.concatenate([light[..., None], gaussian_filter(hue, (1, 1, 0))], axis=-1).astype(np.float32)
    colour[..., 1:] += random.normal(0, 0.02, (ROWS, COLUMNS, 2))
    everywhere = np.ones((ROWS, COLUMNS), bool)
    return FlatBoard(
        low_mm=np.zeros(2),
        scale=SCALE,
        rgb=np.zeros((ROWS, COLUMNS, 3), np.uint8),
        colour=colour,
        on_mask=colour - np.array([MASK, 0, 0], np.float32),
        inside=everywhere,
        full=~everywhere,
        land=land,
        mask=~land,
        nearest=nearest.astype(np.int64),
        away_mm=np.zeros((ROWS, COLUMNS), np.float32),
        rows=tuple(range(len(PLACES))),
        blur_px=1.0,
    )


def told(stands, asked, fits=None, tips=0.8, searched=()):
    """What is told of the rows asked for, where each is fitted as planned, or as `fits` says."""
    board = drawn(stands, tips)
    at = places()
    rho = np.array([np.hypot(*(at - place).transpose(2, 0, 1)) for place in PLACES]) / (WIDE / 2)
    colours, cells = [], []
    for number, (width, shift) in stands.items():
        if width == 1.0 and shift == (0.0, 0.0):
            on = rho[number] < 0.9
            theta = np.arctan2(*(at - PLACES[number])[on].T[::-1])
            colours.append(board.colour[on])
            cells.append(ring_and_sector(rho[number][on], theta))
    rows = tuple(
        SimpleNamespace(
            at_mm=place,
            paste=Point(place).buffer(WIDE / 2),
            land=box(*(np.array(place) - np.array(LAND) / 2), *(np.array(place) + np.array(LAND) / 2)),
            deposit=SimpleNamespace(width_mm=WIDE, points_mm=(place,)),
        )
        for place in PLACES
    )
    usual = FittedRow(shift_mm=(0.0, 0.0), width=1.0, mean=1.0, width_sd=0.05)
    fitted = SimpleNamespace(
        rows={number: (fits or {}).get(number, usual) for number in range(len(PLACES))},
        dome=dome_look(np.concatenate(colours), np.concatenate(cells)),
        ground=SimpleNamespace(land_known=False),
    )
    found = bare_rows(board, fitted, SimpleNamespace(rows=rows), asked, searched)  # type: ignore[arg-type]
    return [found[number] for number in asked]


def all_but(*left_out: int) -> dict[int, tuple[float, tuple[float, float]]]:
    return {number: (1.0, (0.0, 0.0)) for number in range(len(PLACES)) if number not in left_out}


@pytest.mark.parametrize("tips", [0.0, 0.8, -1.5])
def test_a_bare_land_as_light_as_paste_is_told_by_its_flatness_and_outline(tips):
    bare, *others = told(all_but(5), (5, 0, 3, 6, 11), tips=tips)
    assert bare.usual_ln > 20
    assert bare.any_ln > 0
    assert max(one.usual_ln for one in others) < -20


def test_a_dome_aside_or_small_is_no_bare_land():
    """Neither looks as planned: the one is found where it was fitted, the other by the search."""
    stands = all_but(5) | {5: (1.0, (0.12, -0.08)), 6: (0.72, (0.0, 0.0))}
    fits = {5: FittedRow(shift_mm=(0.11, -0.08), width=1.0, mean=0.8, width_sd=0.05)}
    aside, small = told(stands, (5, 6), fits)
    assert aside.usual_ln < -20
    assert small.any_ln < -15
    assert small.width == pytest.approx(0.72, abs=0.08)


def test_a_small_dome_on_a_land_as_light_as_paste_is_told_from_one_as_wide_as_the_others():
    small, usual, wide = told(all_but(5) | {5: (0.72, (0.05, 0.0))}, (5, 6, 2), searched=(5, 6, 2))
    assert small.small_ln > 15
    assert small.shift_mm == pytest.approx((0.05, 0.0), abs=0.04)
    assert max(usual.small_ln, wide.small_ln) < -40


def test_a_land_beside_which_a_neighbour_s_paste_lies_is_bare_at_its_own_place():
    """The fit slid onto what another deposit left 0.4 mm aside; where this one should stand, nothing does."""
    fits = {5: FittedRow(shift_mm=(0.4, 0.0), width=0.8, mean=0.7, width_sd=0.1)}
    (bare,) = told(all_but(5), (5,), fits)
    assert bare.usual_ln > 20


def test_paste_that_is_shaded_as_no_other_is_no_bare_land(monkeypatch):
    """A dull disc on a wide land, as a lamp's ring leaves one: neither the usual dome nor the land beside it.

    Nothing tells it from the land by hue.
    """
    here = sys.modules[__name__]
    plain = drawn

    def with_disc(stands, tips):
        board = plain(stands, tips)
        off = places() - PLACES[5]
        disc = np.hypot(*off.transpose(2, 0, 1)) < WIDE / 2
        dull = PASTE - 0.75 + 0.2 * off[..., 0] + np.random.default_rng(7).normal(0, 0.04, disc.shape)
        board.colour[disc, 0] = dull[disc]
        return board

    monkeypatch.setattr(here, "LAND", (0.95, 0.95))
    monkeypatch.setattr(here, "drawn", with_disc)
    dull, bare, paste = told(all_but(5, 6), (5, 6, 0))
    assert dull.other_ln < -20
    assert bare.usual_ln > 20
    assert bare.other_ln > 0
    assert paste.usual_ln < -20
