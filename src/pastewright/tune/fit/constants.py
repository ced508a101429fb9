"""What a sheet can tell: the constants of the plunger model, their priors, and the profile they come from and go to.

A `Vector` of the fit holds each constant as the fit sees it: the natural logarithm where it is above zero by its
nature, itself where it is not.
"""

from collections.abc import Mapping
from dataclasses import replace
from enum import StrEnum
from math import exp, log, sqrt

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.profile.model import Profile
from pastewright.profile.tuned import paste_key

Floats = NDArray[np.float64]

Z95 = 1.959964  # two-sided 95 % of the normal distribution


class Group(StrEnum):
    """What a constant belongs to, and so when it may be carried over."""

    MACHINE = "machine"
    BARREL = "barrel"
    FLOW = "flow"
    STRUCTURE = "structure"
    SHAPE = "shape"
    SHEET = "sheet"


class Constant(Struct, frozen=True, kw_only=True):
    """One constant: `sd` is the prior's standard deviation as the fit sees the constant (0.1: about 10 %).

    `low`, `high` bound it, relative to the prior's centre where `logarithmic`. `usual` is the centre of the constants
    that are of the sheet alone.
    """

    name: str
    words: str
    unit: str
    group: Group
    sd: float
    low: float
    high: float
    logarithmic: bool = True
    usual: float = 0.0


# Standard deviations of the priors on a bench that was never tuned (from memory, as are the starting points
# themselves): frames, bubbles and consistencies are guesses within a factor of three or so; the index and the shape of
# a dot within some tenths; the gain follows from a screw's lead and a barrel's bore.
CONSTANTS: tuple[Constant, ...] = (
    Constant(
        name="frame_stiffness_n_mm",
        words="stiffness of frame, screw and mount",
        unit="N/mm",
        group=Group.MACHINE,
        sd=1.0,
        low=1 / 30,
        high=30.0,
    ),
    Constant(
        name="backlash_mm",
        words="backlash",
        unit="mm",
        group=Group.MACHINE,
        sd=0.3,
        low=0.1,
        high=10.0,
    ),
    Constant(
        name="gain",
        words="gain, real over commanded sweep",
        unit="",
        group=Group.MACHINE,
        sd=0.03,
        low=0.7,
        high=1.4,
    ),
    Constant(
        # From a barrel that was bled to one that was filled in a hurry (0.5 to 30 µL, from memory).
        name="bubble_ul",
        words="trapped air",
        unit="µL",
        group=Group.BARREL,
        sd=1.5,
        low=0.02,
        high=100.0,
    ),
    Constant(
        # ISO 7886-1 allows a mean of 10 N to keep a syringe's seal gliding (from memory), which nine of ten seals may be
        # below (own choice): 10/1.645.
        name="seal_friction_n",
        words="friction of the seal",
        unit="N",
        group=Group.BARREL,
        sd=6.0,
        low=0.0,
        high=40.0,
        logarithmic=False,
    ),
    Constant(
        name="consistency_kpa_sn",
        words="consistency K",
        unit="kPa·sⁿ",
        group=Group.FLOW,
        sd=0.6,
        low=0.05,
        high=20.0,
    ),
    Constant(
        # Solder pastes are told at 0.3 to 0.6 (from memory), 0.4 being usual: the far end is two standard deviations off.
        name="flow_index",
        words="flow index n",
        unit="",
        group=Group.FLOW,
        sd=0.2,
        low=0.4,
        high=2.2,
    ),
    Constant(
        name="yield_stress_kpa",
        words="yield stress",
        unit="kPa",
        group=Group.FLOW,
        sd=0.4,
        low=0.1,
        high=6.0,
    ),
    Constant(
        # Solder pastes are made to thin as they are sheared; of what they gain standing viscometers tell some tenths
        # (from memory).
        name="standing",
        words="gain of consistency when standing long",
        unit="",
        group=Group.STRUCTURE,
        sd=0.2,
        low=-0.1,
        high=1.5,
        logarithmic=False,
    ),
    Constant(
        # Structure comes back in seconds to minutes (from memory).
        name="building_s",
        words="time in which structure comes back",
        unit="s",
        group=Group.STRUCTURE,
        sd=0.8,
        low=0.05,
        high=20.0,
        usual=30.0,
    ),
    Constant(
        # … and is gone after strains of ten to a thousand (from memory).
        name="breaking_strain",
        words="strain that breaks structure down",
        unit="",
        group=Group.STRUCTURE,
        sd=1.0,
        low=0.02,
        high=50.0,
        usual=100.0,
    ),
    Constant(
        name="dot_shape_ratio",
        words="shape ratio of a dot, height over diameter",
        unit="",
        group=Group.SHAPE,
        sd=0.15,
        low=0.4,
        high=2.2,
    ),
    Constant(
        name="smallest_dot_bores",
        words="smallest dot that stays on the board, in bores",
        unit="",
        group=Group.SHAPE,
        sd=0.15,
        low=0.4,
        high=2.0,
    ),
    Constant(
        name="thinning",
        words="loss of consistency through the sheet",
        unit="",
        group=Group.SHEET,
        sd=0.05,
        low=-0.8,
        high=0.8,
        logarithmic=False,
    ),
    Constant(
        name="start",
        words="pressure before the strip, of the yield pressure",
        unit="",
        group=Group.SHEET,
        sd=0.3,
        low=-1.0,
        high=4.0,
        logarithmic=False,
        usual=0.5,
    ),
    Constant(
        # What all diameters of the sheet's photos are too wide by. The spread is what the photos say of themselves
        # (`tune.record.measurements.PhotoFacts`), nothing here; beyond three tenths a photo is refused.
        name="photo_width",
        words="share by which all dots look too wide in the photo",
        unit="",
        group=Group.SHEET,
        sd=0.02,
        low=-0.3,
        high=0.3,
        logarithmic=False,
    ),
)
NAMES = tuple(constant.name for constant in CONSTANTS)
AT = {name: index for index, name in enumerate(NAMES)}

# What sheets and boards share, and what is one sheet's own, by their places in the table.
SHARED = tuple(at for at, constant in enumerate(CONSTANTS) if constant.group is not Group.SHEET)
OWN = tuple(at for at, constant in enumerate(CONSTANTS) if constant.group is Group.SHEET)

# What is stated of barrels that nobody has tried: air of 0.5 to 30 µL, from one that was bled to one that was filled in a
# hurry (from memory), and seals that take 0 to 10 N to glide (ISO 7886-1's mean for a syringe, from memory). Anywhere
# between is as likely, air on a scale of factors: mean and standard deviation of an even distribution.
STATED_AIR_UL = (0.5, 30.0)
STATED_SEAL_N = (0.0, 10.0)
STATED: dict[str, tuple[float, float]] = {
    "bubble_ul": (
        sqrt(STATED_AIR_UL[0] * STATED_AIR_UL[1]),
        log(STATED_AIR_UL[1] / STATED_AIR_UL[0]) / sqrt(12),
    ),
    "seal_friction_n": (sum(STATED_SEAL_N) / 2, (STATED_SEAL_N[1] - STATED_SEAL_N[0]) / sqrt(12)),
}

# What no stroke of the plunger feels.
UNFELT = frozenset(
    at
    for at, constant in enumerate(CONSTANTS)
    if constant.group is Group.SHAPE or constant.name == "photo_width"
)

# A bubble of none has no logarithm; less than this is none.
LEAST_BUBBLE_UL = 0.05
LEAST_BACKLASH_MM = 1e-3

Constants = Mapping[str, float]


def constant_named(name: str) -> Constant:
    """Return a constant of the table."""
    return CONSTANTS[AT[name]]


def constants_of(profile: Profile) -> dict[str, float]:
    """Return the constants as a profile has them; those of the sheet alone at their usual values."""
    return {
        "frame_stiffness_n_mm": profile.plunger.frame_stiffness_n_mm,
        "backlash_mm": max(profile.plunger.backlash_mm, LEAST_BACKLASH_MM),
        "gain": profile.tuning.gain,
        "bubble_ul": max(profile.tuning.bubble_ul, LEAST_BUBBLE_UL),
        "seal_friction_n": profile.tuning.seal_friction_n,
        "consistency_kpa_sn": profile.paste.consistency_kpa_sn,
        "flow_index": profile.paste.flow_index,
        "yield_stress_kpa": profile.paste.yield_stress_kpa,
        "standing": profile.tuning.standing,
        "building_s": profile.tuning.building_s,
        "breaking_strain": profile.tuning.breaking_strain,
        "dot_shape_ratio": profile.tuning.dot_shape_ratio,
        "smallest_dot_bores": profile.tuning.smallest_dot_bores,
        **{CONSTANTS[at].name: CONSTANTS[at].usual for at in OWN},
    }


def stated_priors(profile: Profile) -> dict[str, tuple[float, float]]:
    """Return (middle, standard deviation as the fit sees it) of what `STATED` tells of a barrel that no trial of this paste
    has told of: the profile's own number is a starting point then, and no better known than others.
    """
    paste = paste_key(profile.paste)
    trials = [record for record in profile.history if record.use and record.paste == paste]
    return {
        name: prior
        for name, prior in STATED.items()
        if all(getattr(record, name) is None for record in trials)
    }


def with_constants(profile: Profile, constants: Constants) -> Profile:
    """Return the profile with these constants in place of its own; those that are not named stay."""
    own = {**constants_of(profile), **constants}
    return replace(
        profile,
        plunger=replace(
            profile.plunger,
            frame_stiffness_n_mm=own["frame_stiffness_n_mm"],
            backlash_mm=own["backlash_mm"],
        ),
        paste=replace(
            profile.paste,
            yield_stress_kpa=own["yield_stress_kpa"],
            consistency_kpa_sn=own["consistency_kpa_sn"],
            flow_index=own["flow_index"],
        ),
        tuning=replace(
            profile.tuning,
            gain=own["gain"],
            bubble_ul=own["bubble_ul"],
            seal_friction_n=own["seal_friction_n"],
            standing=own["standing"],
            building_s=own["building_s"],
            breaking_strain=own["breaking_strain"],
            dot_shape_ratio=own["dot_shape_ratio"],
            smallest_dot_bores=own["smallest_dot_bores"],
        ),
    )


def as_seen(constants: Constants) -> Floats:
    """Return the constants as the fit sees them, in the order of the table."""
    return np.array([log(constants[c.name]) if c.logarithmic else constants[c.name] for c in CONSTANTS])


def as_they_are(seen: Floats) -> dict[str, float]:
    """Return the constants of a vector of the fit."""
    return {
        c.name: exp(float(x)) if c.logarithmic else float(x) for c, x in zip(CONSTANTS, seen, strict=True)
    }


def lasting_seen(seen: Floats) -> Floats:
    """Return what a board feels of vectors of the fit (any × constants): the consistency is that of the middle of the
    sheet's time, where what thinning took from it is as much as it will take from a board of like length; what is the
    sheet's own is as usual.
    """
    lasting = seen.copy()
    lasting[..., AT["consistency_kpa_sn"]] -= seen[..., AT["thinning"]] / 2
    for at in OWN:
        lasting[..., at] = CONSTANTS[at].usual
    return lasting
