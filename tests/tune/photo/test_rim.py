"""The common picture's rim, on discs whose edge is known, and the middle that is known beforehand."""

import math

import cv2
import numpy as np
import pytest

from pastewright.photo.light import COARSE_COLOUR, MIDDLE
from pastewright.tune.photo.aside import NEVER_SURER, UNTOLD, middle_of_bases
from pastewright.tune.photo.common import HALF, grid
from pastewright.tune.photo.hue import REACH, by_hue
from pastewright.tune.photo.rim import UNEVEN, Rim, RimDoubt, RimLook, common_rim, polar

SIGMA = 0.06
FINE = 8  # the disc is drawn this much finer than the common picture, then averaged


def _fine_grid() -> tuple[np.ndarray, np.ndarray]:
    axis = (np.arange(len(grid()) * FINE) + 0.5) / FINE
    axis = (axis - 0.5) / (len(grid()) - 1) * 2 * HALF - HALF
    return np.meshgrid(axis, axis)


def _seen(light: np.ndarray) -> np.ndarray:
    """The light as a camera shows it: blurred, in pixels, in three channels."""
    spread = float(np.hypot(SIGMA, UNEVEN)) / (2 * HALF / (len(grid()) - 1)) * FINE
    light = cv2.GaussianBlur(light, (0, 0), spread)
    small = light.reshape(len(grid()), FINE, len(grid()), FINE).mean(axis=(1, 3))
    return np.stack([small, 0.3 * small, -0.2 * small], axis=-1)


def _disc(
    radius: float, aside: tuple[float, float], *, lit: float, shaded: float, shadow: float, far: float = 0.25
) -> np.ndarray:
    """A disc lighter on its left than on its right, where a shadow of `shadow` reaches out by `far`; ground is 0."""
    x, y = _fine_grid()
    away = np.hypot(x - aside[0], y - aside[1])
    light = np.where(away < radius, (lit + shaded) / 2 - (lit - shaded) / 2 * (x - aside[0]) / radius, 0.0)
    cast = (away >= radius) & (np.hypot(x - aside[0] - far, y - aside[1]) < radius)
    light[cast] = shadow
    return _seen(light)


def _look(picture: np.ndarray, middle: tuple[float, float] = (0.0, 0.0), burnt: float = 0.0) -> RimLook:
    return RimLook(
        picture=picture,
        half=HALF,
        blur=SIGMA,
        colour_blur=0.0,
        middle=np.array(middle),
        middle_sd=0.015,
        darker=bool(picture[len(picture) // 2, len(picture) // 2, 0] < 0),
        to_camera=0.0,
        burnt=np.full((33, 33, 2), burnt),
        ground=np.array([0.4, 0.5, 0.5]),
        fine_colour=True,
    )


def _most(rim: Rim) -> RimDoubt:
    return max(rim.errors, key=lambda why: rim.errors[why])


@pytest.mark.parametrize("radius", [0.9, 1.0])
@pytest.mark.parametrize("soft", [0.09, 0.13, 0.16])
def test_where_light_tells_nothing_colour_may_be_softer_than_cameras_keep_it(radius, soft):
    """Compression leaves colour so soft; taken for as sharp as cameras keep it, the disc looks up to 15 % too wide."""
    x, y = _fine_grid()
    disc = np.where(np.hypot(x, y) < radius, 0.35, 0.0)
    colour = cv2.GaussianBlur(disc, (0, 0), soft / (2 * HALF / (len(grid()) - 1)) * FINE)
    colour = colour.reshape(len(grid()), FINE, len(grid()), FINE).mean(axis=(1, 3))
    rim = common_rim(_look(np.stack([0.01 * colour, colour, 0.5 * colour], axis=-1)))
    assert rim.seen == pytest.approx(radius, rel=0.025)


@pytest.mark.parametrize("radius", [0.9, 1.0, 1.12])
@pytest.mark.parametrize("aside", [(0.0, 0.0), (0.08, -0.05)])
def test_the_rim_of_a_shaded_disc_is_found(radius, aside):
    rim = common_rim(_look(_disc(radius, aside, lit=1.4, shaded=0.5, shadow=0.0), aside))
    assert rim.seen == pytest.approx(radius, abs=0.012)
    # A disc in light that no camera bent neither blazes nor loses its foot in shade, as caps do.
    assert rim.value == pytest.approx(radius, abs=0.016)
    assert rim.centre == pytest.approx(aside, abs=0.02)
    assert rim.shared_sd < 0.024
    assert _most(rim) is RimDoubt.GROUND


def test_paste_lighter_here_and_darker_there_and_a_shadow_beside_it_do_not_move_the_rim_far():
    """Half of the rays meet the shadow's edge or a weak step; the other half tells the circle."""
    rim = common_rim(_look(_disc(1.0, (0.0, 0.0), lit=1.5, shaded=-0.6, shadow=-0.3)))
    assert rim.value == pytest.approx(1.0, abs=0.03)


def test_a_shadow_as_dark_as_the_paste_does_not_draw_the_rim_to_itself():
    """On white under one low lamp: the lit flank is as light as the ground, the shadow as dark as the shaded flank."""
    picture = _disc(1.0, (0.0, 0.0), lit=-0.15, shaded=-0.8, shadow=-0.65, far=0.5)
    assert common_rim(_look(picture)).value == pytest.approx(1.0, abs=0.02)


def test_a_shadow_round_half_of_the_dot_shows_in_how_far_out_the_rays_see_the_edge():
    clean = common_rim(_look(_disc(1.0, (0.0, 0.0), lit=-0.3, shaded=-0.8, shadow=0.0)))
    assert clean.uneven < 0.02
    assert clean.least == pytest.approx(1.0, abs=0.02)
    x, y = _fine_grid()
    wide = np.where(x > -0.3, 1.18, 1.0)  # a shadow as dark as paste, on most of the rays
    shaded = common_rim(_look(_seen(np.where(np.hypot(x, y) < wide, -0.7, 0.0))))
    assert shaded.uneven > 0.06
    assert shaded.shared_sd > clean.shared_sd + 0.005
    assert _most(shaded) in (RimDoubt.SHADOW, RimDoubt.WAYS)
    assert shaded.least == pytest.approx(1.0, abs=0.03)
    assert shaded.value < shaded.circle


def test_a_cap_that_hides_its_far_edge_and_is_mirrored_before_the_near_one_is_measured_across():
    x, y = _fine_grid()
    picture = _seen(np.where(np.hypot(x / 1.1, y) < 1.0, -0.7, 0.0))
    assert common_rim(_look(picture)).value == pytest.approx(1.0, abs=0.02)


def test_a_rim_that_looks_like_its_ground_on_some_rays_is_doubted():
    """Beyond x = 0.3 paste is as light as the ground: rays within 66.7° of x, 37 of 100, show no edge there."""
    x, y = _fine_grid()
    disc = np.hypot(x, y) < 1.0
    whole, light, dark = (
        common_rim(_look(_seen(np.where(part, ink, 0.0))))
        for part, ink in ((disc, 0.8), (disc & (x < 0.3), 0.8), (disc & (x < 0.3), -0.8))
    )
    assert whole.hidden == 0.0
    assert light.hidden == pytest.approx(math.acos(0.3 / 0.76) / math.pi, abs=0.05)
    assert dark.hidden == pytest.approx(light.hidden, abs=0.03)
    assert light.blaze is not None
    assert light.errors[RimDoubt.HIDDEN] == pytest.approx(light.hidden * max(light.blaze.foot, 0.02))
    assert dark.blaze is None
    assert dark.errors[RimDoubt.HIDDEN] > 0.01


def test_burnt_paste_is_taken_for_narrower_than_it_looks_and_is_in_doubt():
    picture = _disc(1.0, (0.0, 0.0), lit=1.0, shaded=1.0, shadow=0.0)
    clear, burnt = common_rim(_look(picture)), common_rim(_look(picture, burnt=0.6))
    assert burnt.burnt == pytest.approx(0.6)
    assert burnt.value < burnt.seen - 0.02
    assert clear.value > burnt.value + 0.03
    assert burnt.shared_sd > clear.shared_sd + 0.004
    assert _most(burnt) is RimDoubt.BURNT


def test_paste_that_is_darker_than_its_ground_does_not_blaze():
    rim = common_rim(_look(_disc(1.0, (0.0, 0.0), lit=-0.3, shaded=-0.8, shadow=0.0)))
    assert rim.blaze is None
    assert rim.value == rim.seen


def _sheet(random: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    places = np.stack(np.meshgrid(np.arange(9), np.arange(8)), axis=-1).reshape(-1, 2) * 3.0
    return places, random.uniform(0.3, 1.1, len(places))


def test_the_middle_of_few_dots_is_drawn_towards_where_they_are_found_and_says_how_sure_it_is():
    random = np.random.default_rng(11)
    commanded = np.array([(2.5 * k, 1.2 * (k % 2)) for k in range(12)])
    radii = np.array(
        [0.17, 0.17, 0.24, 0.17, 0.35, 0.35, 0.24, 0.24, 0.35, 0.17, 0.35, 0.35]
    )  # mm, as a row's
    off, sd, free = [], [], []
    for _ in range(300):
        true = random.normal(0, 0.07, 2)
        found = commanded - radii[:, None] * true + random.normal(0, 0.015, commanded.shape)
        middle = middle_of_bases(found, radii, commanded, np.ones(12, bool))
        off.append(middle.place - true)
        sd.append(middle.sd)
        free.append(true)
    # Not worse than to say nothing of it, nor surer than it is: 600 errors in their standard deviations.
    assert np.sqrt(np.mean(np.square(off))) < np.sqrt(np.mean(np.square(free)))
    assert 0.8 < np.sqrt(np.mean(np.square(np.array(off) / np.array(sd)[:, None]))) < 1.15


def test_the_middle_of_bases_is_told_by_dots_of_many_sizes():
    """What light draws aside grows with the radius; a view that is a little off, and a few dragged dots, do not."""
    random = np.random.default_rng(4)
    commanded, radii = _sheet(random)
    offset = np.array([0.13, -0.21])
    centred = commanded - commanded.mean(axis=0)
    view = 0.1 + 0.004 * centred + 0.0004 * centred * centred[:, :1]
    found = commanded + view + radii[:, None] * offset + random.normal(0, 0.015, commanded.shape)
    found[:5] += [0.8, 0.5]
    middle = middle_of_bases(found, radii, commanded, np.ones(len(radii), bool))
    assert middle.place == pytest.approx(-offset, abs=3 * middle.sd)
    assert NEVER_SURER < middle.sd < 0.02


def test_dots_of_one_size_and_few_dots_tell_no_middle():
    random = np.random.default_rng(4)
    commanded, radii = _sheet(random)
    found = commanded + random.normal(0, 0.015, commanded.shape)
    alike = middle_of_bases(found, np.full(len(radii), 0.6), commanded, np.ones(len(radii), bool))
    few = middle_of_bases(found, radii, commanded, np.arange(len(radii)) < 7)
    assert few.sd == UNTOLD and np.all(few.place == 0)
    assert alike.sd == UNTOLD


def _hued(radius: float, shadow_to: float) -> tuple[np.ndarray, np.ndarray]:
    """Features of a grey disc with a dark half on a green ground, where a shadow reaches from the dark half."""
    x, y = _fine_grid()
    ground = np.where((x > 0) & (np.hypot(x, y) < shadow_to), 0.3, 1.0)[..., None] * np.array(
        [0.08, 0.3, 0.1]
    )
    paste = np.where(x > 0, 0.15, 0.6)[..., None] * np.ones(3)
    light = np.where((np.hypot(x, y) < radius)[..., None], paste, ground)
    level = light @ [0.299, 0.587, 0.114]
    opponent = np.stack(
        [level, (light[..., 0] - level) / 2 + MIDDLE / 65535, (light[..., 2] - level) / 2 + MIDDLE / 65535],
        -1,
    )
    usual = opponent[0, 0]
    scale = usual[0] ** np.array([1.0, COARSE_COLOUR, COARSE_COLOUR]) * [1.0, 0.5, 0.5]
    seen = [_seen((opponent[..., k] - usual[k]) / scale[k])[..., 0] for k in range(3)]
    return np.stack(seen, axis=-1), usual


@pytest.mark.parametrize("shadow_to", [0.0, 1.3])
def test_hue_tells_the_paste_s_edge_in_shadow_as_in_light(shadow_to):
    picture, usual = _hued(1.0, shadow_to)
    reach = np.linspace(*REACH, 81)
    rays = polar(picture, HALF, np.zeros(2), reach)
    assert by_hue(rays, reach, usual, fine=True) == pytest.approx(1.0, abs=0.015)


def test_a_grey_ground_tells_nothing_by_hue():
    picture = _disc(1.0, (0.0, 0.0), lit=1.0, shaded=0.6, shadow=-0.3)
    assert common_rim(_look(picture)).by_hue is None
