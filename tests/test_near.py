"""What is near, against scipy's tree: for few places, where it is not asked, and for many, where it is."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pastewright import near
from pastewright.near import FEW, NearPlaces


@pytest.fixture(params=["few", "many"])
def few_or_many(request, monkeypatch):
    if request.param == "many":
        monkeypatch.setattr(near, "FEW", 0)
        monkeypatch.setattr(near, "FEW_PAIRS", -1)
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


def test_what_is_equally_far_comes_in_the_order_of_its_numbers():
    corners = [(1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)]
    assert NearPlaces(corners).some((0.0, 0.0), 4)[1].tolist() == [[0, 1, 2, 3]]
    assert NearPlaces(corners).nearest((0.0, 0.0))[1].tolist() == [0]


def test_only_where_there_is_much_to_do_a_tree_is_made(monkeypatch):
    few, many = NearPlaces(np.zeros((FEW, 2))), NearPlaces(np.zeros((FEW + 1, 2)))
    few.nearest((0.0, 0.0))
    many.nearest((0.0, 0.0), within=1.0)
    many.within((0.0, 0.0), 1.0)
    assert few._tree is many._tree is None
    many.nearest((0.0, 0.0))
    assert isinstance(many._tree, cKDTree)
    monkeypatch.setattr(near, "FEW_PAIRS", FEW - 1)
    few.within((0.0, 0.0), 1.0)
    assert isinstance(few._tree, cKDTree)
