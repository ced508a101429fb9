"""What is near, against scipy's tree: for few places, and for many, where a grid is laid over them."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pastewright import near
from pastewright.near import NearPlaces


@pytest.fixture(params=["few", "many"])
def few_or_many(request, monkeypatch):
    if request.param == "many":
        monkeypatch.setattr(near, "FEW", 0)
    else:
        monkeypatch.setattr(near, "AT_A_TIME", 200)  # so that there is more than one part


def places(count, seed, dimensions=2):
    return np.random.default_rng(seed).random((count, dimensions)) * 10


@pytest.mark.parametrize("dimensions", [2, 3])
@pytest.mark.parametrize("slower_axis", [False, True])
@pytest.mark.usefixtures("few_or_many")
def test_the_nearest_are_those_of_the_tree_to_the_last_bit(dimensions, slower_axis):
    held, asked = places(60, 1, dimensions), places(50, 2, dimensions)
    norm = np.inf if slower_axis else 2
    ours = NearPlaces(held, slower_axis=slower_axis)
    for count, within in ((1, np.inf), (1, 0.4), (7, np.inf), (7, 1.5), (60, np.inf), (65, np.inf)):
        far, which = cKDTree(held).query(asked, k=range(1, count + 1), p=norm, distance_upper_bound=within)
        away, found = ours.some(asked, count, within=within)
        assert np.array_equal(away, far)
        assert np.array_equal(found, which)
    far, which = cKDTree(held).query(asked, p=norm, distance_upper_bound=0.4)
    away, found = ours.nearest(asked, within=0.4)
    assert np.array_equal(away, far)
    assert np.array_equal(found, which)
    assert np.isinf(away).any()
    assert np.isfinite(away).any()


@pytest.mark.usefixtures("few_or_many")
def test_all_within_a_reach_are_those_of_the_tree():
    held, asked = places(80, 3), places(40, 4)
    reaches = np.random.default_rng(5).random(40) * 3
    told = cKDTree(held).query_ball_point(asked, reaches, return_sorted=True)
    assert [one.tolist() for one in NearPlaces(held).within(asked, reaches)] == [list(one) for one in told]
    assert set(NearPlaces(held).pairs(1.0)) == cKDTree(held).query_pairs(1.0)


@pytest.mark.usefixtures("few_or_many")
def test_a_reach_is_within_and_a_limit_is_not():
    # As the tree has it: `within` of the nearest is a limit that is not met, a reach is.
    held = [(0.0, 0.0), (3.0, 4.0)]
    assert NearPlaces(held).nearest((3.0, 0.0), within=3.0)[1].tolist() == [2]
    assert NearPlaces(held).within((3.0, 0.0), 3.0)[0].tolist() == [0]
    assert NearPlaces(held).within((3.0, 0.0), 4.0)[0].tolist() == [0, 1]


@pytest.mark.usefixtures("few_or_many")
def test_what_is_equally_far_comes_in_the_order_of_its_numbers():
    corners = [(1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)]
    assert NearPlaces(corners).some((0.0, 0.0), 4)[1].tolist() == [[0, 1, 2, 3]]
    assert NearPlaces(corners).nearest((0.0, 0.0))[1].tolist() == [0]
    # On a square of 11 by 11 the four beside the middle, then those across; within a square all eight are as far.
    square = [(float(x), float(y)) for y in range(11) for x in range(11)]
    assert NearPlaces(square).some((5.0, 5.0), 9)[1].tolist() == [[60, 49, 59, 61, 71, 48, 50, 70, 72]]
    beside = NearPlaces(square, slower_axis=True).some((5.0, 5.0), 9)[1]
    assert beside.tolist() == [[60, 48, 49, 50, 59, 61, 70, 71, 72]]


@pytest.mark.parametrize("slower_axis", [False, True])
def test_crowds_lines_and_what_is_asked_from_afar(monkeypatch, slower_axis):
    monkeypatch.setattr(near, "FEW", 0)
    rng = np.random.default_rng(6)
    crowd = np.vstack([rng.random((300, 2)), rng.random((20, 2)) * 1000])
    line = np.column_stack([rng.random(200) * 50, np.full(200, 3.0)])
    same = np.zeros((5, 2))
    for held in (crowd, line, same):
        asked = np.vstack([held[::7], rng.random((10, 2)) * 3000 - 1000])
        far, _ = cKDTree(held).query(asked, k=range(1, 13), p=np.inf if slower_axis else 2)
        away, found = NearPlaces(held, slower_axis=slower_axis).some(asked, 12)
        assert np.array_equal(away, far)
        told = found < len(held)
        ways = np.abs(held[found[told]] - np.repeat(asked, told.sum(axis=1), axis=0))
        assert np.allclose(ways.max(axis=1) if slower_axis else np.hypot(*ways.T), away[told])
        assert all(
            len({*row}) == len(row) for row in map(list, (r[t] for r, t in zip(found, told, strict=True)))
        )
