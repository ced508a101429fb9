"""All dots of a photo laid over one another: they are lit alike, so they look alike but for their size.

Scaled to one radius, the dots of a photo show the same light, shade and shadow at the same places. Their median, the
common picture, has hardly any noise or grain; each dot is then matched to it, moved, scaled and with a gain, by least
squares that let go of dirt. That tells the dots' sizes against each other far better than any dot's own edge; where
the paste ends on the common picture is `rim`'s task. Small dots are matched to the picture blurred as they are.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.photo.light import sampled
from pastewright.photo.view import PhotoView
from pastewright.tune.photo.outset import ground_around
from pastewright.tune.photo.polar import polar, ray_ways
from pastewright.tune.photo.rays import PhotoGround, features

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

HALF = 1.6  # radii from the picture's middle to its sides
SIDE = 65  # pixels of the picture: a twentieth of a radius each, about a photo's pixel on a usual dot
MOST_CHANGE = 1.7  # times the radius that a dot began with: a fifth or five times the volume
LEAST_RADIUS = 0.02  # pitch: where nothing was found, something may yet be looked for
COARSE_SIDE = 33  # all rounds but the last: half as fine in each direction
CORE = 0.6  # radii: what lies farther in tells how high a dot is and how it is lit, and not how wide it is
MATCHED = 1.4  # radii: what lies farther out may be the next dot
INNER = 0.8  # radii within which a dot must show something to be one
ROUNDS = 4
LETS_GO = 2.5  # times the usual residual, beyond which a sample's pull stops growing (Huber's estimator)
BLUR_STEP = 0.02  # radii; dots whose blur differs by less share one picture
LEAST_GAIN = 0.2  # of the picture's light: below, moves mean nothing
GRAIN = 0.12  # radii: what is finer is noise, a powder's grains, or the ground's; it is no other shape
VEILS_OF_LIGHT = 3
# Share of lightness in what paste differs by, from where on colour is left out: on 24 photos rendered for development on
# which colour or its lack did harm, 0.98 and more on white, tin and black, 0.97 and less on copper.
GREY_STEP = 0.98
MOST_MOVE = 0.15  # radii a round
BURNT = 250  # code: sharpening and JPEG leave what is full white a few codes below 255
LEAST_LIKE = 0.35  # of the common picture's strength: dots that may teach it
PLAINEST = (
    0.9  # quantile of the dots' strengths that is surely paste: a sheet with nine tenths missing is refused
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Common:
    """The common picture and how each dot matches it.

    `picture` (SIDE, SIDE, 3) holds features over −HALF…HALF radii; `blur` its σ [radii]. Per dot: `centres`, `radii`
    [mm] in the picture's unit; `gain` of its light; `left`, what is not explained, as a share; `strength`, what the
    dot's inner part showed where it was first looked for, over the common picture's; `shifts` (dots, rays), by how
    much of a radius its edge lies farther out than the picture's on each ray; `beyond` (dots, rays), how far the light
    just outside goes towards paste, where ground is 0 and paste 1; `levels`, how light its ground is, and `contrast`, the
    gain of its light over that, whatever a reflection may do. `ground` (3) is the usual ground's opponent light.
    """

    picture: Floats
    blur: float
    centres: Floats
    radii: Floats
    gain: Floats
    left: Floats
    strength: Floats
    shifts: Floats
    beyond: Floats
    ground: Floats
    levels: Floats
    contrast: Floats


def grid(side: int = SIDE) -> Floats:
    """Places of the common picture's pixels [radii], (side, side, 2)."""
    axis = np.linspace(-HALF, HALF, side)
    x, y = np.meshgrid(axis, axis)
    return np.stack([x, y], axis=-1)


def laid_over(
    light: NDArray[np.uint16],
    view: PhotoView,
    centres: Floats,
    radii: Floats,
    pitch_mm: float,
    blur_px: float,
    *,
    by_light: bool = False,
) -> Common:
    """Lay the dots over one another, beginning with `centres` and `radii` [mm]; `by_light` leaves colour out."""
    first, radii = centres, np.maximum(radii, LEAST_RADIUS * pitch_mm)
    begun = radii
    ground = ground_around(light, view, first, pitch_mm)
    scale = view.px_per_mm(centres)
    seen = _seen(light, view, first, ground, centres, radii, COARSE_SIDE, by_light=by_light)
    able = _plain(seen)
    strength = _strength(seen, *_median_picture(seen, blur_px / scale / radii, able)[::2])
    if by_light or grey_step(seen[able]):
        by_light, seen[..., 1:] = True, 0.0
    channels = 1 if by_light else seen.shape[-1]
    alike = able & (strength > LEAST_LIKE)
    able = alike if alike.any() else able
    for turn in range(ROUNDS):
        if turn > 0:
            side = COARSE_SIDE if turn < ROUNDS - 1 else SIDE
            seen = _seen(light, view, first, ground, centres, radii, side, by_light=by_light)
        blur = blur_px / scale / radii
        picture, picture_blur, noise = _median_picture(seen, blur, able)
        extra = np.sqrt(np.maximum(blur**2 - picture_blur**2, 0))
        weighed = _Weighed(seen=seen[..., :channels], picture=picture[..., :channels], noise=noise[:channels])
        match = _matched(weighed, extra, last=turn == ROUNDS - 1)
        moves = np.clip(match.moves, -MOST_MOVE, MOST_MOVE)
        teachers = able & (blur <= np.median(blur[able]))
        moves -= np.median(moves[teachers], axis=0)
        centres = centres + radii[:, None] * moves[:, :2]
        radii = np.maximum(radii * (1 + moves[:, 2]), LEAST_RADIUS * pitch_mm)
    # A dot that shrank or grew this much followed something else: a speck on it, the glare around it.
    lost = (radii < begun / MOST_CHANGE) | (radii > begun * MOST_CHANGE)
    shifts, beyond = _along_rays(weighed, match, extra)
    # In shadow the ratio of paste to ground stays the same; under a reflection, which adds light, the difference.
    level = ground.value[:, 0]
    brighter = np.maximum(level / max(float(np.median(level)), 1e-4), 1.0)
    return Common(
        picture=picture,
        blur=picture_blur,
        centres=centres,
        radii=radii,
        gain=match.gain * brighter,
        left=np.where(lost, 1.0, match.left),
        strength=strength * brighter,
        shifts=shifts,
        beyond=beyond,
        ground=np.median(ground.value, axis=0),
        levels=level,
        contrast=match.gain,
    )


def darker_paste(picture: Floats) -> bool:
    """Tell whether paste is darker than the ground on a common picture."""
    return bool(np.median(picture[np.linalg.norm(grid(), axis=-1) < INNER, 0]) < 0)


def burnt_picture(pixels: NDArray[np.uint8], view: PhotoView, centres: Floats, radii: Floats) -> Floats:
    """Return the shares of dots that are full in some colour, and in all, at every second place of the common grid; nothing
    is full where there are no dots.
    """
    if not len(centres):
        return np.zeros((*grid()[::2, ::2].shape[:2], 2))
    px = np.round(view.to_px(centres[:, None, None, :] + radii[:, None, None, None] * grid()[None, ::2, ::2]))
    x = np.clip(px[..., 0], 0, pixels.shape[1] - 1).astype(np.int64)
    y = np.clip(px[..., 1], 0, pixels.shape[0] - 1).astype(np.int64)
    full = pixels[y, x] >= BURNT
    return np.stack([full.any(axis=-1).mean(axis=0), full.all(axis=-1).mean(axis=0)], axis=-1)


def _seen(
    light: NDArray[np.uint16],
    view: PhotoView,
    first: Floats,
    ground: PhotoGround,
    centres: Floats,
    radii: Floats,
    side: int,
    *,
    by_light: bool,
) -> Floats:
    """Return each dot's features on the common grid (dots, side, side, 3), those of colour nil where it is left out."""
    places = centres[:, None, None, :] + radii[:, None, None, None] * grid(side)[None]
    values, _ = sampled(light, view, places)
    seen = features(values, places, first, ground)
    if by_light:
        seen[..., 1:] = 0.0
    return seen


def _median_picture(seen: Floats, blur: Floats, able: Flags) -> tuple[Floats, float, Floats]:
    """Return the median of the wider half of the dots, its blur, and the noise of each channel."""
    teachers = able & (blur <= np.median(blur[able]))
    picture = np.median(seen[teachers], axis=0)
    near = np.linalg.norm(grid(len(picture)), axis=-1) < MATCHED
    # The mean counts what JPEG does to the colour of whole blocks, which a median would not see (normal scatter: √(π/2)).
    noise = 1.2533 * np.mean(np.abs(seen[teachers][:, near] - picture[near]), axis=(0, 1)) + 1e-3
    return picture, float(np.median(blur[teachers])), noise


def _plain(seen: Floats) -> Flags:
    """Tell which dots plainly differ from the ground: nothing may lie at the others' places."""
    inner = np.linalg.norm(grid(seen.shape[1]), axis=-1) < INNER
    power = np.linalg.norm(np.median(seen[:, inner], axis=1), axis=1)
    return np.asarray(power > LEAST_LIKE * np.quantile(power, PLAINEST))


def grey_step(seen: Floats) -> bool:
    """Tell whether paste differs from its ground in lightness, and in colour hardly.

    JPEG keeps colour by blocks of 16 pixels, as wide as small dots are, and what it leaves of a faint colour hangs on where
    blocks lie: such colour would draw dots aside and tell wrong sizes. `seen` (dots, side, side, 3).
    """
    inner = np.linalg.norm(grid(seen.shape[1]), axis=-1) < INNER
    power = np.mean(np.median(seen[:, inner], axis=0) ** 2, axis=0)
    return bool(power[0] > GREY_STEP * power.sum())


def _strength(seen: Floats, picture: Floats, noise: Floats) -> Floats:
    """Return how strongly the inner part of each dot differs from the ground, over the picture's."""
    inner = np.linalg.norm(grid(len(picture)), axis=-1) < INNER
    power = (np.median(seen[:, inner], axis=1) / noise) ** 2
    usual = (np.median(picture[inner], axis=0) / noise) ** 2
    return np.asarray(np.sqrt(power.sum(axis=1) / max(float(usual.sum()), 1e-12)))


def _blurred(picture: Floats, extra: float) -> Floats:
    sigma = extra / (2 * HALF / (len(picture) - 1))
    if sigma <= 0:
        return picture
    # A picture of one channel comes back without it.
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), dtype=np.float64).reshape(picture.shape)


def _slopes(picture: Floats) -> tuple[Floats, Floats]:
    """Return the picture's change a radius along x and along y."""
    along_y, along_x = np.gradient(picture, 2 * HALF / (len(picture) - 1), axis=(0, 1))
    return np.asarray(along_x), np.asarray(along_y)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Match:
    """Dots matched to the picture: moves (dots, 3: x, y, growth, in radii), gains, veils (dots, kinds of them), shares that
    are not explained.
    """

    moves: Floats
    gain: Floats
    veils: Floats
    left: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Weighed:
    """What is compared: the dots (dots, side, side, channels), the picture, and the noise of each channel. On grey grounds
    lightness is the only one.
    """

    seen: Floats
    picture: Floats
    noise: Floats


def _veils(places: Floats, channels: int) -> Floats:
    """Return what a reflection in the ground adds near a dot: even light, its slopes, even colour (…, channels, veils)."""
    veils = np.zeros((*places.shape[:-1], channels, VEILS_OF_LIGHT + channels - 1))
    veils[..., 0, 0] = 1.0
    veils[..., 0, 1:3] = places
    for colour in range(1, channels):
        veils[..., colour, VEILS_OF_LIGHT + colour - 1] = 1.0
    return veils


def _matched(weighed: _Weighed, extra: Floats, *, last: bool) -> _Match:
    """Match each dot, by least squares; what is not explained is told in the last round only, in which place and size are
    those of the rim.

    A dot moved by c and grown by e shows T(x − c − e·x) ≈ T − c·∇T − e·x·∇T.
    """
    seen, picture, noise = weighed.seen, weighed.picture, weighed.noise
    places = grid(len(picture))
    near = np.linalg.norm(places, axis=-1) < MATCHED
    count = len(seen)
    rim = np.repeat(np.linalg.norm(places[near], axis=-1) > CORE, len(noise))
    veil = _veils(places[near], len(noise))
    kinds = veil.shape[-1]
    moves, gain, left, veils = np.zeros((count, 3)), np.ones(count), np.ones(count), np.zeros((count, kinds))
    classes = np.round(extra / BLUR_STEP).astype(int)
    for kind in sorted(set(classes.tolist())):
        blurred = _blurred(picture, kind * BLUR_STEP)
        along_x, along_y = _slopes(blurred)
        growth = places[..., :1] * along_x + places[..., 1:] * along_y
        shown = np.stack([blurred, -along_x, -along_y, -growth], axis=-1)[near]
        basis = (np.concatenate([shown, veil], axis=-1) / noise[:, None]).reshape(-1, 4 + kinds)
        alike = np.flatnonzero(classes == kind)
        values = (seen[alike][:, near] / noise).reshape(len(alike), -1)
        solved, rest = _let_go(basis, values)
        sized = _let_go(basis[rim], values[:, rim])[0] if last else solved
        gain[alike], veils[alike] = solved[:, 0], solved[:, 4:]
        moves[alike] = sized[:, 1:4] / np.maximum(sized[:, :1], LEAST_GAIN)
        if last:
            own = values - solved[:, 4:] @ basis[:, 4:].T
            power = (_coarse_power(one, near, len(noise)) for one in (rest, own))
            left[alike] = np.sqrt(next(power) / np.maximum(next(power), 1e-12))
    return _Match(moves=moves, gain=gain, veils=veils, left=left)


def _coarse_power(values: Floats, near: Flags, channels: int) -> Floats:
    """Return the mean square of what is broader than grain and noise, a dot; `values` (dots, samples) are all channels where
    `near` holds.
    """
    side = len(near)
    sigma = GRAIN / (2 * HALF / (side - 1))
    # What a blur along one axis makes of each place: two products of matrices blur a picture.
    spread = cv2.GaussianBlur(np.eye(side), (1, 2 * round(4 * sigma) + 1), sigma)
    found = np.empty(len(values))
    picture = np.zeros((channels, side, side))
    for dot, own in enumerate(values):
        picture[:, near] = own.reshape(-1, channels).T
        found[dot] = np.mean((spread @ picture @ spread.T)[:, near] ** 2)
    return found


def _let_go(basis: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return the robust solutions (dots, unknowns) for `values` (dots, samples), and what is left of each sample, cut where
    its pull stops growing."""
    unknowns = basis.shape[1]
    tame = 1e-6 * float(np.mean(basis**2)) * len(basis) * np.eye(unknowns)
    # The first turn weighs all alike, so that all have one matrix; it is symmetric, so that half of it is worked out.
    solved = np.linalg.solve(basis.T @ basis + tame, (values @ basis).T).T
    weight = _pulls(values - solved @ basis.T)
    row, column = np.triu_indices(unknowns)
    normal = np.empty((len(values), unknowns, unknowns))
    normal[:, row, column] = normal[:, column, row] = weight @ (basis[:, row] * basis[:, column])
    solved = np.linalg.solve(normal + tame, ((weight * values) @ basis)[..., None])[..., 0]
    rest = values - solved @ basis.T
    return np.asarray(solved), np.asarray(_pulls(rest) * rest)


def _pulls(rest: Floats) -> Floats:
    """Return how much each sample counts by what is left of it (dots, samples): 1, and less where its pull has grown."""
    # In units of noise: where colours of most samples agree to the last code, the median says nothing.
    usual = np.maximum(1.4826 * np.median(np.abs(rest), axis=1), 1.0)
    return np.asarray(1 / np.maximum(1, np.abs(rest) / (LETS_GO * usual[:, None])))


def _along_rays(weighed: _Weighed, match: _Match, extra: Floats) -> tuple[Floats, Floats]:
    """Return by how much each dot's edge lies farther out on each ray, and what is strange beyond it."""
    seen, picture, noise = weighed.seen, weighed.picture, weighed.noise
    radii = np.linspace(0.75, 1.35, 25)
    outside = radii > 1.12
    middle = np.zeros(2)
    shifts, beyond = [], []
    classes = np.round(extra / BLUR_STEP).astype(int)
    rays_of = {
        kind: polar(_blurred(picture, kind * BLUR_STEP), HALF, middle, radii)
        for kind in set(classes.tolist())
    }
    inner = np.linalg.norm(grid(), axis=-1) < INNER
    veil = _veils(radii[None, :, None] * ray_ways()[:, None, :], len(noise))
    # Paste half lighter and half darker than its ground differs from it as well: its squares tell, not its mean.
    paste = picture[inner] / noise
    power_of_paste = max(float(np.mean((paste**2).sum(axis=1))), 1e-9)
    ways_of_paste = np.linalg.cholesky(
        paste.T @ paste / len(paste) + 1e-9 * power_of_paste * np.eye(len(noise))
    )
    own = polar(np.moveaxis(seen, 0, 2).reshape(*seen.shape[1:3], -1), HALF, middle, radii)
    own = np.moveaxis(own.reshape(*own.shape[:2], len(seen), -1), 2, 0)
    for dot, kind in enumerate(classes.tolist()):
        usual = rays_of[kind] * max(float(match.gain[dot]), LEAST_GAIN)
        rest = (own[dot] - usual - veil @ match.veils[dot]) / noise
        slope = np.gradient(usual, radii, axis=1) / noise
        smooth = sum(np.roll(rest, turn, axis=0) for turn in range(-1, 2)) / 3
        power = (slope**2).sum(axis=(1, 2))
        shifts.append(-(smooth * slope).sum(axis=(1, 2)) / (power + 0.05 * np.median(power) + 1e-9))
        strange = np.median(rest[:, outside], axis=1)
        strange = sum(np.roll(strange, turn, axis=0) for turn in range(-1, 2)) / 3
        beyond.append(np.linalg.norm(strange @ ways_of_paste, axis=1) / power_of_paste)
    return np.clip(np.array(shifts), -0.3, 0.3), np.array(beyond)
