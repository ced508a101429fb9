"""How far what is not ground reaches from each dot's middle: (light, view, centres) → radii to begin with.

On a coloured ground the ground's own colour, learnt from the photo between the dots, tells more than brightness: paste
that lies in its own shade is as dark as the mask and yet not of its colour, and the ground stays what it is in the
dots' shadows. On white and on grey grounds shade has no colour, and nothing is said here.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import MIDDLE, sampled
from pastewright.photo.view import PhotoView, visible_rays
from pastewright.tune.photo.edge import outlines
from pastewright.tune.photo.rays import PhotoGround, features, fit_ground, ground_scale, ray_places

Floats = NDArray[np.float64]

RAYS, STEPS, ROUNDS = 48, 72, 2
GROUND_FROM, GROUND_TO = 0.43, 0.58  # pitch: beyond the largest dots, short of the neighbours
REACH = 0.5  # pitch: no dot is wider than a pitch
CORE = 0.5  # of the first guess of the radius: surely paste
STRANGE = (
    12.0  # squared distance from the ground's colour, in squares of its spread: 0.7 % of a normal ground
)
SHARE = 0.035  # of the squared distance of the dots' middles: blur's foot lies below it (measured on photos rendered
# for development: 0.02 leaves the radii 3 % too wide, 0.06 as much too narrow)
HUE = 6.0  # times STRANGE: the dots' middles are this far off whatever shade may do
MOST_SHADE, MOST_GLARE = (
    0.75,
    0.15,
)  # how much light shade may take, and gloss add, in the ground's own colour
STEADY = (0.01, 0.004, 0.004)  # spread of lightness and colours that is always granted to the ground


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outset:
    """Where dots begin: centres and radii [mm]; `by_colour` tells whether the ground's colour said so."""

    centres: Floats
    radii: Floats
    by_colour: bool


def ground_around(
    light: NDArray[np.uint16], view: PhotoView, centres: Floats, pitch_mm: float
) -> PhotoGround:
    """Return the ground between the dots, a plane of light around each."""
    angles = np.asarray(np.arange(RAYS // 2) * (4 * np.pi / RAYS), dtype=np.float64)
    ring = np.linspace(GROUND_FROM, GROUND_TO, 8, dtype=np.float64) * pitch_mm
    radii: Floats = np.tile(ring, (len(centres), 1))
    places = ray_places(centres, angles, radii)
    values, inside = sampled(light, view, places)
    return fit_ground(values, places, centres, inside)


def outset(
    light: NDArray[np.uint16], view: PhotoView, centres: Floats, near: Floats, camera: Floats, pitch_mm: float
) -> Outset:
    """Return centres and radii to begin with; `near` (dots) is what brightness alone made of the radii [mm]."""
    angles = np.asarray(np.arange(RAYS) * (2 * np.pi / RAYS), dtype=np.float64)
    radii = np.tile(np.linspace(0, GROUND_TO * pitch_mm, STEPS), (len(centres), 1))
    step = radii[:, 1:2]
    begun = Outset(centres=centres, radii=near, by_colour=False)
    for _ in range(ROUNDS):
        ground = ground_around(light, view, centres, pitch_mm)
        places = ray_places(centres, angles, radii)
        values, inside = sampled(light, view, places)
        seen = features(values, places, centres, ground)
        beyond = np.broadcast_to((radii > GROUND_FROM * pitch_mm)[:, None, :], seen.shape[:3])
        strange = _strangeness(seen, beyond, _shade(ground))
        core = np.broadcast_to((radii < CORE * near[:, None])[:, None, :], strange.shape)
        paste = float(np.median(strange[core]))
        if paste < HUE * STRANGE:
            return begun
        level = max(STRANGE, SHARE * paste)
        vote = np.cumsum(np.clip(strange / level - 1, -1, 1) * np.sqrt(radii)[:, None, :], axis=2)
        vote = np.where((radii < REACH * pitch_mm)[:, None, :], vote, -np.inf)
        reach = np.take_along_axis(radii, np.argmax(vote, axis=2), axis=1) + step / 2
        found = outlines(reach, angles, visible_rays(centres, camera, angles) & inside.all(axis=2))
        centres, near = centres + found.offset, np.maximum(found.radius, 0.03 * pitch_mm)
    return Outset(centres=centres, radii=near, by_colour=True)


def _shade(ground: PhotoGround) -> Floats:
    """Return the change of the features when all light goes, in the usual ground's colour (3)."""
    dark = np.array([0.0, MIDDLE / 65535, MIDDLE / 65535])
    return np.asarray(np.median((dark - ground.value) / ground_scale(ground), axis=0))


def _strangeness(seen: Floats, beyond: NDArray[np.bool_], shade: Floats) -> Floats:
    """Return the squared distance from the ground's colour, whatever shade or gloss do to its brightness."""
    sample = seen[beyond]
    spread = 1.4826 * np.median(np.abs(sample), axis=0) + 1e-4
    tame = np.clip(sample, -3 * spread, 3 * spread)
    covariance = tame.T @ tame / len(tame) + np.diag(np.square(STEADY))
    whiten = np.linalg.cholesky(np.linalg.inv(covariance))
    scaled, way = seen @ whiten, shade @ whiten
    share = np.clip((scaled @ way) / float(way @ way), -MOST_GLARE, MOST_SHADE)
    return np.asarray(((scaled - share[..., None] * way) ** 2).sum(axis=-1))
