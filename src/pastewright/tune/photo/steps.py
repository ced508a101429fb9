"""Where light steps from ground to paste: rays across an outline → how well each place explains what is seen.

Paste can be lighter than the ground on one side of a dot and darker on the other, with a shadow beside it. So nothing
is taken for known but this: at the edge, lightness and colour change within the photo's blur; on either side they
change slowly. Along a ray, s being the distance beyond the expected outline over its radius, each channel is

    paste   p0 + p1·t + p2·t²   for t = s − δ below zero
    ground  g0 + g1·t           above zero,            both blurred by a Gaussian of σ.

The five numbers follow by linear least squares for every δ of a row of trial edges, with priors on the slopes; what
is left over is compared between trials. Lightness and colour share δ; colour has a blur of its own.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

# Places of the samples and of the trial edges, in radii. Half a radius either way holds paste of one shade and ground
# that is not yet the next dot; a trial edge needs a few samples of each.
SAMPLES: Floats = np.linspace(-0.5, 0.5, 61, dtype=np.float64)
TRIALS: Floats = np.linspace(-0.28, 0.28, 57, dtype=np.float64)
# Priors of p1, p2, g1, in units of the step a radius: paste's shade turns by most of itself over a cap, the ground's
# little (measured on photos rendered for development).
SLOPES_SD = (0.8, 2.0, 0.4)
FREE_NUMBERS = 5
PASTE_SIDE = (-0.40, -0.12)  # radii from the expected outline: surely paste, …
GROUND_SIDE = (0.12, 0.40)  # … surely ground
FLAT = 0.003  # of the step: what is left over even where everything fits; keeps likelihoods finite


def usual_step(rays: Floats) -> Floats:
    """Return the rms over the rays of each channel's change from paste to ground; `rays` (rays, samples, channels)."""
    sides = [
        np.median(rays[:, (low < SAMPLES) & (high > SAMPLES)], axis=1)
        for low, high in (PASTE_SIDE, GROUND_SIDE)
    ]
    return np.asarray(np.sqrt(np.mean((sides[0] - sides[1]) ** 2, axis=0)))


def squares_left(rays: Floats, blurs: Floats) -> Floats:
    """Return the sums of squares left at each trial edge (rays, channels, trials).

    `rays` (rays, samples, channels) hold the light at SAMPLES; `blurs` (channels) is σ over radius.
    """
    step = usual_step(rays)
    noise = 0.02 * step[0] + 1e-4  # only tells how stiff the slopes' priors are
    left = np.empty((len(rays), rays.shape[2], len(TRIALS)))
    for channel, sigma in enumerate(blurs):
        ways = explained_by_trials(float(sigma), float(noise / max(abs(step[channel]), noise)))
        seen = rays[..., channel]
        explained = seen @ ways.transpose(1, 0, 2).reshape(len(SAMPLES), -1)
        explained = (explained.reshape(len(rays), len(TRIALS), -1) ** 2).sum(axis=-1)
        left[:, channel] = (seen**2).sum(axis=-1)[:, None] - explained
    return np.maximum(left, 0.0)


def explained_by_trials(sigma: float, hardness: float) -> Floats:
    """Return an orthonormal basis of what each trial edge can explain (trials, samples, 5).

    `hardness` is noise over step: the priors of the slopes come in as further rows of the least squares.
    """
    t = SAMPLES[None, :] - TRIALS[:, None]
    z = t / sigma
    within, bell = ndtr(-z), np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    basis = np.stack(
        [
            within,
            1 - within,
            t * within - sigma * bell,
            (t * t + sigma**2) * within - sigma * t * bell,
            t * (1 - within) + sigma * bell,
        ],
        axis=-1,
    )
    prior = np.zeros((3, FREE_NUMBERS))
    prior[[0, 1, 2], [2, 3, 4]] = hardness / np.array(SLOPES_SD)
    rows = np.concatenate([basis, np.broadcast_to(prior, (len(TRIALS), 3, FREE_NUMBERS))], axis=1)
    return np.asarray(np.linalg.qr(rows)[0][:, : len(SAMPLES)])


def likelihood(left: Floats, rays: Floats, blur: float) -> Floats:
    """Return the logarithm of the likelihood of each trial edge (rays, trials), less each ray's best.

    Noise is what the best trials leave on most rays. Blur makes neighbouring samples alike: 2·√π·σ of the ray's length
    is one measurement.
    """
    freedom = len(SAMPLES) - FREE_NUMBERS
    noise = np.sqrt(np.median(left.min(axis=2) / freedom, axis=0))
    noise = noise + FLAT * float(np.linalg.norm(usual_step(rays)))
    alike = max(2 * np.sqrt(np.pi) * blur / float(SAMPLES[1] - SAMPLES[0]), 1.0)
    log = -0.5 * (left / (noise[None, :, None] ** 2 * alike)).sum(axis=1)
    return np.asarray(log - log.max(axis=1, keepdims=True))
