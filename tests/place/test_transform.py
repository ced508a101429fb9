"""Transforms: parts to matrix and back, composition, and what cannot be told apart."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.place.surface import Mesh, Surface, flat, followed
from pastewright.place.transform import (
    Affine,
    affine,
    corners_mm,
    nearest_quarter,
    turned_into_place,
)

settings.register_profile("place", deadline=None, max_examples=60)
settings.load_profile("place")

places = st.floats(-500, 500)
parts: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
    {
        "turn_deg": st.floats(-179.9, 180),
        "mirrored": st.booleans(),
        "scale_x": st.floats(0.5, 2),
        "scale_y": st.floats(0.5, 2),
        "skew_deg": st.floats(-30, 30),
        "shift_mm": st.tuples(places, places),
    }
)
maps = parts.map(lambda p: affine(**p))
points = st.lists(st.tuples(places, places), min_size=1, max_size=8).map(np.array)


@given(parts)
def test_parts_come_back_from_their_matrix(given_parts):
    found = affine(**given_parts)
    assert abs((found.turn_deg - given_parts["turn_deg"] + 180) % 360 - 180) < 1e-9
    assert found.mirrored is given_parts["mirrored"]
    assert found.shift_mm == given_parts["shift_mm"]
    for name in ("scale_x", "scale_y", "skew_deg"):
        assert getattr(found, name) == pytest.approx(given_parts[name], abs=1e-9), name


@given(maps, points)
def test_there_and_back_is_identity(where, at):
    assert where.inverse().apply(where.apply(at)) == pytest.approx(at, abs=1e-9)


@given(maps, maps, points)
def test_composed_maps_act_one_after_the_other(first, second, at):
    assert first.then(second).apply(at) == pytest.approx(second.apply(first.apply(at)), abs=1e-9)


def test_a_hand_worked_map():
    # Turned by 90°: (3, 0) goes to (0, 3); then shifted by (10, 20).
    assert affine(turn_deg=90, shift_mm=(10, 20)).point((3, 0)) == (10, 23)
    # Mirrored in x first, then turned: (3, 1) → (−3, 1) → (−1, −3).
    assert affine(turn_deg=90, mirrored=True).point((3, 1)) == (-1, -3)
    # The y axis leans by 30° towards −x: (0, 2) → 2·(−1/2, √3/2).
    assert affine(skew_deg=30).point((0, 2)) == pytest.approx((-1, math.sqrt(3)))


def test_quarter_turns_are_exact():
    whole = Affine()
    for _ in range(4):
        whole = whole.then(affine(turn_deg=90))
    assert whole == Affine()


def test_a_map_without_a_way_back_is_refused():
    with pytest.raises(ValueError, match="line"):
        Affine(xx=1, xy=2, yx=2, yy=4).inverse()


@pytest.mark.parametrize("turn", [0, 90, 180, 270, 30])
def test_a_turned_board_sits_with_its_box_in_the_corner(turn):
    where = turned_into_place((50, 40), turn_deg=turn, at_mm=(100, 200))
    assert corners_mm((50, 40), where).min(axis=0) == pytest.approx([100, 200])


def test_the_nearest_quarter():
    assert [nearest_quarter(t) for t in (-1, 44, 46, 179, -179, -91)] == [0, 0, 90, 180, 180, 270]


# Surfaces.

BOWL = Mesh(
    x_mm=(0.0, 25.0, 50.0), y_mm=(0.0, 20.0, 40.0), dz_mm=((0.0, 0.1, 0.0), (0.1, 0.2, 0.1), (0.0, 0.1, 0.0))
)


def test_a_mesh_is_bilinear_within_and_held_at_its_edge():
    surface = Surface(z_mm=10.0, slope_x=0.01, at_mm=(0.0, 0.0), mesh=BOWL)
    at = np.array([[25.0, 20.0], [12.5, 10.0], [0.0, 0.0], [70.0, 20.0]])
    # By hand: plane + node; plane + mean of four nodes; corner; plane + the edge's 0.1.
    assert surface.heights_mm(at) == pytest.approx([10.45, 10.225, 10.0, 10.8])


@given(st.floats(-20, 60), st.floats(0, 30), st.floats(-20, 60), st.floats(0, 30))
def test_highest_and_lowest_are_those_of_any_point_in_the_box(x, wide, y, high):
    surface = Surface(z_mm=1.0, slope_x=0.003, slope_y=-0.004, mesh=BOWL)
    box = (x, y, x + wide, y + high)
    grid = np.stack(np.meshgrid(np.linspace(x, x + wide, 23), np.linspace(y, y + high, 23)), axis=-1)
    z = surface.heights_mm(grid)
    assert surface.highest_mm(box) >= z.max() - 1e-12
    assert surface.lowest_mm(box) <= z.min() + 1e-12
    assert surface.highest_mm(box) <= z.max() + 0.02 * max(wide, high) / 5


def test_a_bead_over_a_bow_is_cut_until_it_follows():
    surface = Surface(z_mm=0.0, mesh=BOWL)
    path = followed(((0.0, 20.0), (50.0, 20.0)), surface)
    assert len(path) > 2
    line = np.array(path)
    shares = np.linspace(0, 1, 400)
    straight = np.interp(shares * 50, line[:, 0], surface.heights_mm(line))
    true = surface.heights_mm(np.stack([shares * 50, np.full(400, 20.0)], axis=1))
    assert np.abs(straight - true).max() < 0.006


def test_nothing_is_cut_on_a_plane():
    path = ((0.0, 0.0), (30.0, 10.0))
    assert followed(path, Surface(z_mm=0.0, slope_x=0.01, slope_y=0.02)) == path
    assert followed(path, flat(3.0)) == path


def test_a_mesh_that_is_no_mesh_is_refused():
    with pytest.raises(ValueError, match="rising"):
        Mesh(x_mm=(0.0, 0.0), y_mm=(0.0, 1.0), dz_mm=((0.0, 0.0), (0.0, 0.0)))
