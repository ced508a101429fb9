"""A board that was found a little aside at one end is settled into its photo; one that was found well is left alone."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from shapely.geometry import box

from pastewright.inspect.find import FoundBoard
from pastewright.inspect.settled import settled
from pastewright.photo.view import PhotoView

SCALE, WIDE_MM, HIGH_MM = 30.0, 24.0, 18.0
WIDE, HIGH = round(WIDE_MM * SCALE), round(HIGH_MM * SCALE)
PITCH_MM = 0.65
PASTE, MASK = 150.0, 205.0  # codes: a white mask, and paste as grey as its shade
# Two rows of like lands, and pairs elsewhere.
LANDS = [(x, y, 0.4, 1.3) for y in (4.0, 9.0) for x in 3.0 + PITCH_MM * np.arange(8)]
LANDS += [(x + dx, y, 0.55, 0.6) for x in (5.0, 9.5, 14.0, 18.5) for y in (13.0, 15.5) for dx in (0.0, 1.0)]
LANDS += [(x, y, 0.6, 0.55) for x in (13.0, 17.0, 21.0) for y in (4.0, 5.0, 8.5, 9.5)]


def pixels() -> np.ndarray:
    """The lands' paste on a mask in whose light one side fades, each with its soft shade to the left."""
    y, x = np.mgrid[0:HIGH, 0:WIDE] / SCALE
    light = np.full((HIGH, WIDE), MASK) * np.linspace(0.75, 1.0, WIDE)
    on = np.zeros((HIGH, WIDE))
    for left, low, wide, high in LANDS:
        on += (np.abs(x - left) < wide / 2) & (np.abs(y - low) < high / 2)
    shade = gaussian_filter(np.roll(on, -3, axis=1), 4.0)
    light = np.where(on > 0, PASTE * np.linspace(0.75, 1.0, WIDE), light * (1 - 0.25 * shade))
    light = gaussian_filter(light, 1.0) + np.random.default_rng(2).normal(0, 2, light.shape)
    return np.repeat(np.clip(light, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def view(off: np.ndarray) -> PhotoView:
    """A view from straight above, of a board moved so [3×3, mm to mm]."""
    radius = np.hypot(WIDE, HIGH) / 2
    to_px = np.diag([SCALE, SCALE, 1.0])
    to_ideal = np.array([[1, 0, -(WIDE - 1) / 2], [0, 1, -(HIGH - 1) / 2], [0, 0, radius]]) / radius
    return PhotoView(homography=to_ideal @ to_px @ off, k1=0.0, width_px=WIDE, height_px=HIGH)


def off_mm(off: np.ndarray) -> tuple[FoundBoard, FoundBoard, float]:
    """The board as found with such an error, as settled, and how far aside it then sees any land [mm]."""
    figures = tuple(box(x - w / 2, y - h / 2, x + w / 2, y + h / 2) for x, y, w, h in LANDS)
    rows = tuple(SimpleNamespace(paste=one) for one in figures)
    picture = SimpleNamespace(
        edge=box(0, 0, WIDE_MM, HIGH_MM), lands=figures, holes=(), rows=rows, figures=figures
    )
    found = FoundBoard(
        photo=SimpleNamespace(pixels=pixels()),  # type: ignore[arg-type]
        view=view(off),
        residual_mm=0.05,
        figures=20,
        share=0.8,
    )
    after = settled(found, picture)  # type: ignore[arg-type]
    places = np.array([(x, y) for x, y, _, _ in LANDS])
    true = view(np.eye(3)).to_px(places)
    return found, after, float(np.linalg.norm(after.view.to_px(places) - true, axis=1).max()) / SCALE


def stretched(by: float) -> np.ndarray:
    """Right at x = 22 mm, and the more aside the farther left: by 0.2 mm and more in the rows."""
    return np.array([[1 + by, 0, -22 * by], [0, 1, 0], [0, 0, 1.0]])


@pytest.mark.parametrize("by", [-0.018, 0.018])
def test_a_row_of_like_lands_that_lies_half_way_to_the_next_is_brought_home(by):
    """0.34 mm aside at a pitch of 0.65: each land lies as near to its neighbour's place as to its own."""
    _, _, left = off_mm(stretched(by))
    assert left < 0.06


def test_a_board_that_was_found_well_is_left_as_it_was():
    found, after, _ = off_mm(np.eye(3))
    assert after is found
