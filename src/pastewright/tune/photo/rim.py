"""Where the paste ends on the picture of all dots laid over one another: (picture, blur, middle) → a circle.

The circle's middle is known beforehand (`aside`), so that only its radius is asked, and a shadow on one side cannot draw
the circle to itself. All trial circles are tried against the steps of light along rays. A ray counts no less than
−MOST_DOUBT: half of the rays may meet a shadow's edge or none at all, and the rest still tell the circle.

    seen from aside, the cap hides its base's far edge, and gloss mirrors it before the near one:
    what is seen is longer by `stretch` along the way to the camera, and right across it.

It is asked four times: of lightness alone, of lightness and colour together, and, in other ways, where each ray crosses
the line halfway between its own paste and its own ground, and where hue changes (`hue`). How far the answers differ tells
what cannot be known.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from pastewright.tune.photo.beyond import lighter_beyond, within_doubt
from pastewright.tune.photo.blaze import RADII as BLAZE_RADII
from pastewright.tune.photo.blaze import Blaze, blaze_of
from pastewright.tune.photo.colour_edge import colour_edge
from pastewright.tune.photo.halfway import halfway_radius
from pastewright.tune.photo.hue import REACH, by_hue
from pastewright.tune.photo.polar import RAYS, polar, ray_ways
from pastewright.tune.photo.steps import SAMPLES, TRIALS, likelihood, squares_left, usual_step

Floats = NDArray[np.float64]

MOST_DOUBT = 4.0  # of a ray's logarithm of likelihood
UNEVEN = 0.05  # blur that outlines of different dots add when laid over one another, in radii (measured, see scripts)
COLOUR_BLUR_PX = (
    1.0  # more blur of colour where it is kept at half the resolution: a box of two pixels, then a triangle
)
TURNS = 2  # the rays' samples are laid round the circle that the first turn found
RADII: Floats = np.arange(-0.26, 0.2601, 0.008)
FINE: Floats = np.arange(-0.008, 0.0081, 0.001)
ASIDE: Floats = np.array([-1.5, -0.75, 0.0, 0.75, 1.5])  # standard deviations of the middle
STRETCHES: Floats = np.array([0.0, 0.03, 0.06, 0.10, 0.14])  # of the radius
# What a stretch must gain, in logarithms of likelihood a unit: else the unevenness of an upright view is taken for one
# (measured on photos rendered for development).
STRETCH_COSTS = 500.0
BESIDE = (1.15, 1.32)  # radii: ground beside the dot, …
WITHIN = (0.60, 0.88)  # … and paste within it
SHADED = 0.08  # of the step: ground beside a dot that is darker or lighter by this much hardly counts
LEAST_SHADED = 0.2  # quantile of the rays whose ground is taken for clean
GREY = 0.9  # share of lightness in the step, from where on colour is left out
# On white, and on metal that looks white, the halfway line is too wide where shade lies beside dots, and steps are too
# narrow where paste darkens to its foot: their mean is off by less than either, and is taken as long as they are this
# close (measured on photos rendered for development: −0.5 and +0.4 % on paper and white).
CLOSE = 0.02  # of the radius
# On a dark ground of some colour the steps' circle takes in some of the light that paste throws beside it, and the halfway
# line cuts off the shaded foot: photos rendered for development are least off a fifth to a third of the way between.
ON_DARK = 0.25
# Shadows, mirror images and a cap that leans over its far edge all widen a dot on some side, and nothing narrows one. The
# radius within which a fifth of the rays see the edge by themselves is a witness; halfway to it 489 photos rendered for
# development are least off (1.6 % instead of 1.9 % rms on paper, 1.2 instead of 1.7 on tin; elsewhere a little).
LEAST_RAYS, TO_LEAST, ALIKE_RAYS = 0.2, 0.5, 4
MOST_TO_LEAST = 0.08  # of the radius
# What all diameters of a photo are off by together, one standard error, as a share: where paste is the darker, and where
# it is the lighter; and for each unit by which the ways differ or the outline is hidden.
# On 660 photos rendered for development errors are 0.9 to 1.0 times what these say, in sharp and in doubtful ones alike.
# Dots that look unlike one another have less of a common edge: where paste is the darker, medians of photos are off by 1.0 %
# (rms) where a usual dot's picture leaves less than 0.08 of its light unexplained, and by 2.3 % between 0.16 and 0.2; with
# this, errors of 380 photos rendered for development are 0.8 times what these say, 1.1 times on white.
ON_LIGHT, UNLIKE = 0.010, 0.06
APART, NARROW = 0.25, 0.6  # how far the halfway line is from the radius; how much narrower other ways are
SHADOWED, USUALLY_UNEVEN = 0.4, 0.025  # what rays differ by, beyond what they always do
BLANK, FULL = 0.03, 0.012  # of the rim burnt out in all colours, in some
MIDDLE = 0.7  # of what the middle's error may do
AT_WORST = 0.6  # of the middle's error goes into the radius where a shadow hides one side (the same photos)
# The same where paste is the lighter, less what it blazes over its edge (`blaze`): by itself, and for each unit by which
# halfway line and hue differ from the radius. How far paste blazes is guessed where its light is cut off in some colours,
# and where it is as light as the ground no edge is seen at all: either doubt grows with how soft the edge is (the foot),
# and so does, a little, that of any edge. Likeliest numbers of 144 photos rendered for development, by a law with heavy
# tails (Student's, of six degrees of freedom), widened by an eighth: errors are 0.9 times what these say (rms). Uneven
# rays, shares of the light, tilt and what else was tried explain nothing more.
ON_DARK_SD, ON_DARK_APART, SOFT = 0.0145, 0.14, 0.07
SOFT_FULL, SOFT_HIDDEN = 0.3, 1.0
# How much brighter than white paste is that is full in all colours, nothing tells: two photos rendered afterwards, with half
# of the rim and more so, were 9 and 16 % too wide, others −4 to 3 %.
ON_DARK_BLANK = 0.11
LEAST_FOOT = 0.02  # radii: no edge is sharper
# On rays where paste shows less than HIDDEN_STEP of the usual step, the edge is not seen; the share of these, where paste is
# the darker, goes into the error by so much (201 of these photos).
HIDDEN_STEP, HIDDEN = 0.3, 0.045
OF_PASTE, OF_GROUND = (0.66, 0.86), (1.22, 1.42)  # radii of the circle, between which light is compared
WELL_TOLD = 0.03  # radii: a middle known to this or better is taken as it is
# Where lightness is less than this share of the step, colour tells the edge, and compression leaves colour softer than
# cameras keep it: how soft it is, is measured on the picture itself, between plateaus clear of the edge.
LITTLE_LIGHT = 0.3
# Of what that moves the circle by, so much is in doubt: on gold in a lamp it moved by 11 %, and was 5 % off then and before.
SOFTENED = 0.3
# The dozen dots of a witness row: of few, grain and noise leave the rays that a fifth fall short of farther in. Seen from
# aside, a cap's flank stands out over its base's far edge, by about a sixth of tan² of the tilt (caps 0.38 as high as wide),
# of which a circle takes a third. Measured on 93 photos of rows rendered for development: −0.5 % and 0.061 ± 0.016 tan²,
# 1.8 % rms of the photos' medians afterwards.
FEW_NARROW, FEW_ASLANT, FEW_SD = 0.005, 0.057, 0.015


class RimDoubt(StrEnum):
    """Why a rim is not better known."""

    GROUND = "ground"
    WAYS = "ways"
    SHADOW = "shadow"
    BURNT = "burnt"
    MIDDLE = "middle"
    HIDDEN = "hidden"
    WITHIN = "within"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RimLook:
    """What the rim is looked for on.

    `picture` holds features over −`half`…`half` radii (rows, columns, lightness and two colours); `blur` is σ [radii],
    `colour_blur` what colour has more of it; `middle` (2) is where the circle's middle must lie, `middle_sd` its error
    [radii]; `darker` tells whether paste is darker than the ground; `to_camera` is the direction towards the camera
    [rad]; `burnt` (rows, columns, 2) the share of dots that are full there in some colour, and in all; `ground` (3) is
    the ground's opponent light, `fine_colour` whether colour is as fine as lightness; `few` tells whether the picture is of
    the few dots of a row, `tilt` how far the camera looked from aside [rad], `unlike` what is strange of a dot.
    """

    picture: Floats
    half: float
    blur: float
    colour_blur: float
    middle: Floats
    middle_sd: float
    darker: bool
    to_camera: float
    burnt: Floats
    ground: Floats
    fine_colour: bool
    few: bool = False
    tilt: float = 0.0
    unlike: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rim:
    """The paste's edge on the common picture: radius and centre in the picture's unit, by all channels (`radius`), by
    lightness alone (`by_light`), by the halfway line (`halfway`); `light_share` is how much of the step, in squares, is
    lightness; `by_hue` is the radius by hue alone, None on grey grounds; `darker` tells whether paste is darker than the
    ground; `burnt` how much of the paste's rim is full in some colour, `blank` in all; `blur` is σ [radii], `aside` what the
    middle's error does to the radius; `least` and `usual` are the radii within which a fifth and half of the rays see the
    edge by themselves; `hidden` is the share of the rays on which paste looks like the ground beside it (not of rows);
    `beyond` is the share of rays on which it is lighter beyond the circle, `unlike` as in the look (not of rows);
    `blaze` is what paste that is the lighter looks too wide by, None where it is the darker; `few` is None, or, for the few
    dots of a row, what their radius is too narrow by, as a share; `softened` is by how much the circle moved when colour
    was taken for as soft as it is seen, as a share.
    """

    radius: float
    centre: Floats
    by_light: float
    halfway: float
    by_hue: float | None
    light_share: float
    darker: bool
    burnt: float
    blank: float
    blur: float
    aside: float
    least: float
    usual: float
    hidden: float = 0.0
    blaze: Blaze | None = None
    few: float | None = None
    beyond: float = 0.0
    softened: float = 0.0
    unlike: float = 0.0

    @property
    def value(self) -> float:
        """The radius to be taken: as it is seen, less what bright paste blazes over its edge."""
        seen = self.seen * (1 + (self.few or 0.0))
        return seen * (1 - self.blaze.share) if self.blaze else seen

    @property
    def seen(self) -> float:
        """The radius as it is seen: halfway from the circle's to that which a fifth of the rays see."""
        back = float(np.clip(self.least / max(self.circle, 1e-9), 1 - MOST_TO_LEAST, 1 + MOST_TO_LEAST))
        return float(self.circle * back**TO_LEAST)

    @property
    def circle(self) -> float:
        """The radius of the circle: on grey of lightness, on white both ways; else light and colour by their shares, where
        the ground is the darker a quarter of the way to the halfway line.
        """
        if self.light_share > GREY:
            apart = float(np.clip(self.halfway - self.by_light, -CLOSE, CLOSE)) if self.darker else 0.0
            return self.by_light + 0.5 * apart
        stepped = self.radius + 0.5 * self.light_share * (self.by_light - self.radius)
        return stepped if self.darker else stepped + ON_DARK * (self.halfway - stepped)

    @property
    def narrower(self) -> float:
        """How much narrower than the circle the halfway line and, where there is one, hue have the paste: their mean, as
        a share. Shadows and the blaze around bright flanks widen what steps tell; both together are their mark.
        """
        others = [self.halfway] if self.by_hue is None else [self.halfway, self.by_hue]
        return 1 - float(np.mean(others)) / max(self.circle, 1e-9)

    @property
    def uneven(self) -> float:
        """How much farther out half of the rays see the edge than a fifth of them: a shadow as dark as paste does that."""
        return (self.usual - self.least) / max(self.value, 1e-9)

    @property
    def errors(self) -> dict["RimDoubt", float]:
        """What all diameters of the photo may be off by together, by reason: standard errors, as shares."""
        if self.blaze is not None:
            return self._errors_of_the_lighter(self.blaze)
        ground = ON_LIGHT if self.few is None else FEW_SD
        apart = APART * abs(self.halfway / max(self.seen, 1e-9) - 1)
        return {
            RimDoubt.GROUND: float(np.hypot(ground, UNLIKE * self.unlike)),
            RimDoubt.WAYS: float(
                np.linalg.norm([apart, NARROW * max(self.narrower, 0.0), SOFTENED * self.softened])
            ),
            RimDoubt.SHADOW: SHADOWED * max(self.uneven - USUALLY_UNEVEN, 0.0),
            RimDoubt.HIDDEN: HIDDEN * self.hidden,
            RimDoubt.BURNT: float(np.hypot(BLANK * self.blank, FULL * self.burnt)),
            RimDoubt.MIDDLE: MIDDLE * self.aside,
            RimDoubt.WITHIN: within_doubt(self.beyond),
        }

    def _errors_of_the_lighter(self, blaze: Blaze) -> dict["RimDoubt", float]:
        ways = [self.halfway] if self.by_hue is None else [self.halfway, self.by_hue]
        apart = float(np.linalg.norm([one / max(self.value, 1e-9) - 1 for one in ways]))
        soft = max(blaze.foot, LEAST_FOOT)
        return {
            RimDoubt.GROUND: float(np.hypot(ON_DARK_SD, SOFT * soft)),
            RimDoubt.WAYS: float(np.hypot(ON_DARK_APART * apart, SOFTENED * self.softened)),
            RimDoubt.HIDDEN: SOFT_HIDDEN * soft * self.hidden,
            RimDoubt.BURNT: float(np.hypot(ON_DARK_BLANK * self.blank, SOFT_FULL * soft * self.burnt)),
            RimDoubt.MIDDLE: MIDDLE * self.aside,
            RimDoubt.WITHIN: within_doubt(self.beyond),
        }

    @property
    def shared_sd(self) -> float:
        """What all diameters of the photo may be off by together: one standard error, as a share."""
        return float(np.linalg.norm(list(self.errors.values())))


def common_rim(look: RimLook) -> Rim:
    """Return the rim."""
    sigma = float(np.hypot(look.blur, UNEVEN))
    more = float(np.hypot(sigma, look.colour_blur))
    radius, centre, weight = _circle(look, (sigma, more, more))
    by_light, _, _ = _circle(look, (sigma,))
    power = usual_step(polar(look.picture, look.half, centre, radius * (1 + SAMPLES))) ** 2
    share = float(power[0] / max(power.sum(), 1e-12))
    softened = 0.0
    if share < LITTLE_LIGHT and (soft := colour_edge(look.picture, look.half, centre, radius)) is not None:
        hard, more = radius, max(more, soft.sigma)
        radius, centre, weight = _circle(look, (sigma, more, more), begun=soft.radius)
        softened = abs(radius / hard - 1)
    by = (sigma,) if share > GREY else (sigma, more, more)
    edge = polar(look.burnt, look.half, centre, radius * np.linspace(0.75, 0.95, 5)).mean(axis=(0, 1))
    reach = np.linspace(*REACH, 81)
    hued = polar(look.picture, look.half, centre, radius * reach)
    # On grey grounds colour was left out when dots were laid over one another: there is none to tell.
    hue = by_hue(hued, reach, look.ground, fine=look.fine_colour) if hued[..., 1:].any() else None
    rim = Rim(
        radius=radius,
        centre=centre,
        by_light=by_light,
        halfway=halfway_radius(
            look.picture, look.half, (centre, by_light if share > GREY else radius), weight
        ),
        by_hue=None if hue is None else radius * hue,
        light_share=share,
        darker=look.darker,
        burnt=float(edge[0]),
        blank=float(edge[1]),
        blur=look.blur,
        aside=_aside(look, by),
        least=radius,
        usual=radius,
        hidden=0.0 if look.few else _hidden(look, centre, radius),
        unlike=0.0 if look.few else look.unlike,
        beyond=0.0 if look.few else lighter_beyond(look.picture, look.half, centre, radius),
        few=FEW_NARROW - FEW_ASLANT * float(np.tan(look.tilt) ** 2) if look.few else None,
        softened=softened,
    )
    if look.middle_sd > WELL_TOLD and not look.few:  # rays lie as far apart as their middle is unsure
        return replace(rim, least=rim.circle, usual=rim.circle)
    least, usual = _by_rays(look, centre, rim.circle, by)
    rim = replace(rim, least=least, usual=usual)
    return rim if look.darker else replace(rim, blaze=_blaze(look, rim))


def _blaze(look: RimLook, rim: Rim) -> Blaze:
    """Return by how much paste that is lighter than its ground looks too wide."""
    rays = polar(look.picture[..., :1], look.half, rim.centre, rim.circle * BLAZE_RADII)[..., 0]
    others = (rim.by_hue or rim.seen, rim.halfway)
    hue, halfway = (1 - other / max(rim.seen, 1e-9) for other in others)
    return blaze_of(rays, rim.burnt, (hue, halfway))


def _hidden(look: RimLook, centre: Floats, radius: float) -> float:
    """Return the share of the rays on which paste hardly differs from the ground beside it, in light and colour, the way it
    usually does.
    """
    paste, ground = (
        np.median(polar(look.picture, look.half, centre, radius * np.linspace(*ends, 9)), axis=1)
        for ends in (OF_PASTE, OF_GROUND)
    )
    step = paste - ground
    usual = np.median(step, axis=0)
    return float(np.mean(step @ usual < HIDDEN_STEP * float(usual @ usual)))


def _by_rays(look: RimLook, centre: Floats, radius: float, blurs: tuple[float, ...]) -> tuple[float, float]:
    """Return the radii within which a fifth and half of the rays see the edge, each with its neighbours, no circle asked."""
    rays = polar(look.picture[..., : len(blurs)], look.half, centre, radius * (1 + SAMPLES))
    log = likelihood(squares_left(rays, np.array(blurs) / radius), rays, blurs[0] / radius)
    log = np.maximum(log, -2 * MOST_DOUBT)
    near = np.sum([np.roll(log, turn, axis=0) for turn in range(-ALIKE_RAYS, ALIKE_RAYS + 1)], axis=0)
    ends = radius * (1 + TRIALS[np.argmax(near, axis=1)])
    return float(np.quantile(ends, LEAST_RAYS)), float(np.median(ends))


def _aside(look: RimLook, blurs: tuple[float, ...]) -> float:
    """Return what the middle's error does to the radius: one standard error.

    Where the middle is hardly told, as by the few dots of a witness row, circles about middles to all sides are tried:
    where the whole edge shows, their radii hardly differ; a shadow or a mirror image that could be paste makes them differ.
    """
    if look.middle_sd <= WELL_TOLD:
        return AT_WORST * look.middle_sd
    ways = (look.middle_sd * np.array(way) for way in ((1, 0), (-1, 0), (0, 1), (0, -1)))
    radii = [_circle(replace(look, middle=look.middle + way, middle_sd=WELL_TOLD), blurs)[0] for way in ways]
    return float(np.std(radii)) + AT_WORST * WELL_TOLD / 2


def _circle(look: RimLook, blurs: tuple[float, ...], begun: float = 1.0) -> tuple[float, Floats, Floats]:
    """Return radius, centre and the rays' weights; the edge is looked for about the radius `begun`."""
    centre, radius, weight = look.middle, begun, np.ones(RAYS)
    for _ in range(TURNS):
        rays = polar(look.picture[..., : len(blurs)], look.half, centre, radius * (1 + SAMPLES))
        log = likelihood(squares_left(rays, np.array(blurs) / radius), rays, blurs[0] / radius)
        weight = _weights(look, centre, radius)
        shift = _best_shift(look, log, weight, (centre - look.middle) / radius, look.middle_sd / radius)
        centre, radius = centre + radius * shift[1:3], float(radius * (1 + shift[0]))
    return radius, centre, weight


def _weights(look: RimLook, centre: Floats, radius: float) -> Floats:
    """Return how much each ray counts: on grey, shade beside a dot moves the edge that is seen there outward."""
    beside = np.median(polar(look.picture, look.half, centre, radius * np.linspace(*BESIDE, 7)), axis=1)
    within = np.median(polar(look.picture, look.half, centre, radius * np.linspace(*WITHIN, 7)), axis=1)
    power = np.mean((within - beside) ** 2, axis=0)
    if power[0] < GREY * power.sum():
        return np.ones(RAYS)
    shade = np.linalg.norm(beside, axis=1) / np.sqrt(max(float(power.sum()), 1e-12))
    shade = np.median([np.roll(shade, turn) for turn in range(-3, 4)], axis=0)
    more = np.maximum(shade - np.quantile(shade, LEAST_SHADED), 0.0)
    return np.asarray(1 / (1 + (more / SHADED) ** 2))


def _best_shift(look: RimLook, log: Floats, weight: Floats, moved: Floats, spread: float) -> Floats:
    """Return the change of radius and centre, and the stretch, that most rays agree on: a coarse search, then a fine one.

    `moved` (2) is how far the rays' centre is from the middle already, `spread` the middle's error [radii].
    """
    way = np.array([np.cos(look.to_camera), np.sin(look.to_camera)])
    along = (ray_ways() @ way) ** 2

    def best(radii: Floats, aside: Floats, stretches: Floats, around: Floats, each: int) -> Floats:
        axes = np.meshgrid(radii, aside, aside, stretches, indexing="ij")
        grid = np.stack(axes, axis=-1).reshape(-1, 4) + around
        edge = grid[:, :1] + grid[:, 1:3] @ ray_ways()[::each].T + grid[:, 3:] * along[::each]
        prior = 0.5 * ((grid[:, 1:3] + moved) ** 2).sum(axis=1) / spread**2 + STRETCH_COSTS * grid[:, 3]
        return np.asarray(grid[np.argmax(each * _scores(edge, log[::each], weight[::each]) - prior)])

    coarse = best(RADII, ASIDE * spread, STRETCHES, np.zeros(4), 2)
    return best(FINE, np.array([-0.3, 0.0, 0.3]) * spread, np.zeros(1), coarse, 1)


def _scores(edge: Floats, log: Floats, weight: Floats) -> Floats:
    """Return how well each trial edge (n, rays) fits the rays' likelihoods, cut off at the most a ray may say."""
    at = (edge - TRIALS[0]) / (TRIALS[1] - TRIALS[0])
    low = np.clip(np.floor(at).astype(np.int64), 0, len(TRIALS) - 2)
    share = np.clip(at - low, 0, 1)
    ray = np.arange(len(log))[None, :]
    value = log[ray, low] * (1 - share) + log[ray, low + 1] * share
    return np.asarray(np.maximum(value, -MOST_DOUBT) @ weight)
