"""How common it is nearby that mask looks like paste, on made-up evidence whose answer is known."""

from dataclasses import replace

import numpy as np
import pytest
from flat_mask import flat_mask
from shapely.geometry import Point

from pastewright.inspect.elsewhere import TOO_COMMON, looks_elsewhere, too_common

SCALE = 20.0  # px/mm
DOTS = {0: Point(2.0, 3.0).buffer(0.3), 1: Point(2.9, 3.0).buffer(0.3), 2: Point(8.0, 3.0).buffer(0.3)}


def board():
    """10 by 6 mm of mask with three dots planned, and places of its pixels [mm]."""
    lines, columns = np.mgrid[0:120, 0:200]
    at = np.stack([columns, lines], axis=-1) / SCALE
    away = np.min(
        [np.hypot(*(at - [dot.centroid.x, dot.centroid.y]).transpose(2, 0, 1)) for dot in DOTS.values()],
        axis=0,
    )
    flat = replace(
        flat_mask(np.zeros((120, 200, 3)), SCALE), away_mm=np.maximum(away - 0.3, 0).astype(np.float32)
    )
    return flat, at


def common_with(like) -> np.ndarray:
    flat, at = board()
    return looks_elsewhere(flat, np.where(like(at[..., 0], at[..., 1]), 2.0, -2.0).astype(np.float32))


def test_mask_that_mirrors_a_lamp_makes_it_common_there_and_nowhere_else():
    common = common_with(lambda x, y: x < 5)
    assert common[60, 30] == pytest.approx(1.0, abs=0.05)
    assert common[60, 170] == pytest.approx(0.0, abs=0.05)


def test_a_bridge_does_not_make_itself_common():
    bridge = common_with(lambda x, y: (np.abs(y - 3) < 0.1) & (x > 2) & (x < 2.9))
    assert bridge.max() < 0.1
    # Nor does one 1 mm long, with a smear of 0.4 by 0.5 mm beside it.
    long = common_with(
        lambda x, y: (
            ((np.abs(y - 3) < 0.1) & (x > 2) & (x < 3.6)) | ((np.abs(x - 2) < 0.2) & (y > 3.2) & (y < 3.7))
        )
    )
    assert long.max() < TOO_COMMON


def test_pairs_among_glare_are_not_told_and_others_are():
    flat, _ = board()
    joined = {0: {1, 2}, 1: {0}, 2: {0}}
    assert too_common(flat, common_with(lambda x, y: x < 4), joined, DOTS) == {0: {1}, 1: {0}, 2: set()}
    assert too_common(flat, common_with(lambda x, y: x < 0), joined, DOTS) == {0: set(), 1: set(), 2: set()}
