"""How domes are searched and shadows are learnt, on made-up pixels whose answer is known."""

import numpy as np
import pytest

from pastewright.inspect.halo import halo_cells, halo_look
from pastewright.inspect.search import RINGS, SECTORS, from_line, searched

CELLS = RINGS * SECTORS
FLAT_LOOK = (np.zeros((CELLS, 3)), np.ones((CELLS, 3)), np.zeros(CELLS))


def disc(shift: tuple[float, float], width: float):
    """Pixels of a plain disc of paste (colour 0) on ground (colour 3), 25 a millimetre."""
    x, y = np.meshgrid(np.arange(-1, 1, 0.04), np.arange(-1, 1, 0.04))
    places = np.stack([x.ravel(), y.ravel()], axis=-1)
    paste = np.hypot(*(places - shift).T) < width / 2
    colour = np.where(paste, 0.0, 3.0)[:, None] * np.ones(3)
    # Under a normal density of spread 1 paste's own colour is worth 4.5 more than the ground's, channel by channel.
    other = np.where(paste, -13.5, 0.0) - 2.757
    n = len(places)
    return places, colour.astype(np.float32), other, np.full(n, -99.0), np.ones(n), np.full(n, -99.0)


def test_a_disc_is_found_where_and_as_wide_as_it_is():
    shifts = np.array([[a, b] for a in (-0.2, 0.0, 0.2) for b in (-0.2, 0.0, 0.2)])
    widths = np.array([0.8, 1.0, 1.2])
    line = np.zeros((1, 2))
    weighed, plain, within = searched(disc((0.2, -0.2), 1.0), line, 0.5, shifts, widths, FLAT_LOOK)
    m, k = np.unravel_index(int(np.argmax(weighed)), weighed.shape)
    assert shifts[m].tolist() == [0.2, -0.2]
    assert widths[k] == 1.0
    assert np.array_equal(weighed, plain)  # all weights are 1
    # By hand: the disc's area at 625 pixels a square millimetre.
    assert within[m, k] == pytest.approx(np.pi / 4 * 625, rel=0.03)
    assert plain[m, k] / within[m, k] == pytest.approx(13.5, rel=0.02)


def test_distance_from_a_bead_s_line_is_that_to_its_nearest_point():
    line = np.array([[0.0, 0.0], [2.0, 0.0]])
    assert from_line(1.0, 0.5, line) == pytest.approx((0.5, 0.0, 0.5))
    assert from_line(3.0, 0.0, line) == pytest.approx((1.0, 1.0, 0.0))


def test_a_shadow_on_one_side_is_learnt_there_and_nowhere_else():
    random = np.random.default_rng(4)
    shown = []
    for _ in range(6):
        theta = random.uniform(0, 2 * np.pi, 3000)
        beyond = random.uniform(0, 0.3, 3000)
        cell = halo_cells(beyond, theta, 0.2, np.zeros(3000, bool))
        dark = (theta < np.pi / 6) & (beyond < 0.12)  # one sector, less than 0.6 heights out
        colour = np.where(dark, -1.0, 0.0)[:, None] * np.array([1.0, 0, 0]) + random.normal(
            0, 0.02, (3000, 3)
        )
        shown.append((colour.astype(np.float32), cell))
    look = halo_look(shown)
    at = halo_cells(np.array([0.05, 0.05, 0.2]), np.array([0.2, 3.0, 0.2]), 0.2, np.zeros(3, bool))
    shaded, lit = np.array([[-1.0, 0, 0]] * 3, np.float32), np.zeros((3, 3), np.float32)
    assert (look.log_density(shaded, at) > look.log_density(lit, at)).tolist() == [True, False, False]


def test_beyond_three_heights_and_where_nothing_was_shown_a_halo_says_nothing():
    look = halo_look([(np.zeros((100, 3), np.float32), np.zeros(100, np.int64))] * 2)
    assert look.log_density(np.zeros((2, 3), np.float32), np.array([-1, 0])).max() < -40
