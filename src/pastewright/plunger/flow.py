"""Pressure to flow in the tip: steady laminar flow of a Herschel–Bulkley paste through a straight round bore.

    τ = τ_y + K·γ̇ⁿ where it shears; a plug of radius f·R in the middle, f = τ_y/τ_w, moves as one

Turns a `TipFlow` and a pressure into a flow, and back. Entry losses, wall slip and tapers are not modelled:
tuning on trial dots absorbs them in K. What the barrel behind does with the pressure is in `storage`.

Units: kPa, mm, s and µL = mm³ agree without factors, since kPa·mm/mm is a stress in kPa.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.materials.model import Paste, Tip
from pastewright.plunger.roots import bracketed_roots

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TipFlow:
    """A bore and the paste in it: R [mm], L [mm], τ_y [kPa], K [kPa·sⁿ], n [-]."""

    radius_mm: float
    length_mm: float
    yield_kpa: float
    consistency_kpa_sn: float
    flow_index: float

    def __post_init__(self) -> None:
        if min(self.radius_mm, self.length_mm, self.consistency_kpa_sn, self.flow_index) <= 0:
            raise ValueError(f"no such flow: {self}; all but the yield stress must be above zero")
        if self.yield_kpa < 0:
            raise ValueError(f"no such flow: {self}; the yield stress cannot be below zero")


def tip_flow(tip: Tip, paste: Paste) -> TipFlow:
    """Return the flow of `paste` in `tip`."""
    return TipFlow(
        radius_mm=tip.radius_mm,
        length_mm=tip.length_mm,
        yield_kpa=paste.yield_stress_kpa,
        consistency_kpa_sn=paste.consistency_kpa_sn,
        flow_index=paste.flow_index,
    )


def yield_pressure_kpa(tip: TipFlow) -> float:
    """Pressure below which nothing flows [kPa], P_y = 2·L·τ_y/R (force balance of the whole plug)."""
    return 2 * tip.length_mm * tip.yield_kpa / tip.radius_mm


def wall_stress_kpa(pressure_kpa: ArrayLike, tip: TipFlow) -> Floats:
    """Shear stress at the wall [kPa], τ_w = P·R/(2L)."""
    return np.asarray(pressure_kpa, dtype=float) * (tip.radius_mm / (2 * tip.length_mm))


def flow_ul_s(pressure_kpa: ArrayLike, tip: TipFlow) -> Floats:
    """Flow [µL/s] at a pressure drop along the tip [kPa]; zero at or below the yield pressure.

    Q = πR³·n·(τ_w/K)^(1/n)·(1−f)^((n+1)/n)·[ (1−f)²/(3n+1) + 2f(1−f)/(2n+1) + f²/(n+1) ]

    (Chhabra and Richardson, Non-Newtonian Flow in the Process Industries, chapter 3), written here in
    x = τ_w − τ_y so that one power suffices and τ_y = 0 (power law) and n = 1 (Buckingham–Reiner) need no
    case of their own. Never negative: suction draws air, which this model does not hold.
    """
    n = tip.flow_index
    excess = np.maximum(wall_stress_kpa(pressure_kpa, tip) - tip.yield_kpa, 0.0)
    # The tiny term keeps 0/0 away where both stresses vanish; beside any real stress it is nothing.
    wall = excess + (tip.yield_kpa + 1e-30)
    shape = (
        excess * excess / (3 * n + 1)
        + excess * (2 * tip.yield_kpa / (2 * n + 1))
        + tip.yield_kpa * tip.yield_kpa / (n + 1)
    )
    scale = pi * tip.radius_mm**3 * n * tip.consistency_kpa_sn ** (-1 / n)
    flow: Floats = scale * excess ** ((n + 1) / n) * shape / (wall * wall * wall)
    return flow


def flow_slope_ul_s_kpa(pressure_kpa: ArrayLike, tip: TipFlow) -> Floats:
    """How flow grows with pressure, dQ/dP [µL/s/kPa]; zero at or below the yield pressure.

    From Q·τ_w³ = πR³·∫τ²·γ̇(τ)dτ (Weissenberg, Rabinowitsch, Mooney): dQ/dτ_w = (πR³·γ̇_w − 3Q)/τ_w.
    """
    wall = np.maximum(wall_stress_kpa(pressure_kpa, tip), 1e-30)
    shear = wall_shear_rate_s(pressure_kpa, tip)
    slope = (pi * tip.radius_mm**3 * shear - 3 * flow_ul_s(pressure_kpa, tip)) / wall
    return np.maximum(slope, 0.0) * (tip.radius_mm / (2 * tip.length_mm))


def wall_shear_rate_s(pressure_kpa: ArrayLike, tip: TipFlow) -> Floats:
    """True shear rate at the wall [1/s], γ̇_w = ((τ_w − τ_y)/K)^(1/n)."""
    excess = np.maximum(wall_stress_kpa(pressure_kpa, tip) - tip.yield_kpa, 0.0)
    shear: Floats = (excess / tip.consistency_kpa_sn) ** (1 / tip.flow_index)
    return shear


def apparent_shear_rate_s(flow: float, radius_mm: float) -> float:
    """Shear rate at the wall were the fluid Newtonian [1/s], 4Q/(πR³); times (3n+1)/(4n) for a power law."""
    return 4 * flow / (pi * radius_mm**3)


def driving_pressure_kpa(flow: ArrayLike, tip: TipFlow) -> Floats:
    """Pressure [kPa] that drives a flow [µL/s] through the tip; the yield pressure for no flow.

    The inverse of `flow_ul_s`, by bracketing: the power law without yield stress is a lower bound, and
    twice the yield stress above it an upper one (4/3 for a Bingham fluid at high flow, 3/2 as n grows).
    """
    wanted = np.atleast_1d(np.asarray(flow, dtype=float))
    n, k = tip.flow_index, tip.consistency_kpa_sn
    moving = np.maximum(wanted, 0.0)
    bare = k * (moving * (3 * n + 1) / (pi * n * tip.radius_mm**3)) ** n
    per_stress = 2 * tip.length_mm / tip.radius_mm
    low = np.maximum(bare, tip.yield_kpa) * per_stress
    high = (bare + 2 * tip.yield_kpa) * per_stress * (1 + 1e-12)
    found = bracketed_roots(
        lambda pressure: flow_ul_s(pressure, tip) - moving, low, high, tolerance=moving * 1e-13
    )
    result: Floats = np.where(moving > 0, found, yield_pressure_kpa(tip))
    return result.reshape(np.shape(flow))


@lru_cache(maxsize=256)
def steady_pressure_kpa(flow: float, tip: TipFlow) -> float:
    """Pressure [kPa] of one steady flow [µL/s], P_ss; remembered, since cycles ask for the same few."""
    return float(driving_pressure_kpa(flow, tip))
