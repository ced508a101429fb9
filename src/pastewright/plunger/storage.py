"""Pressure to stored volume: what the frame, the paste and trapped air swallow before anything leaves the tip.

    S(P) = A²·P/k + V_paste·P/K + V_bubble·P/(P0 + P)          C(P) = dS/dP

Turns a `Store` and a gauge pressure into µL, and back.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.profile.strength import N_PER_KPA_MM2

Floats = NDArray[np.float64]

# Standard atmosphere (ISO 2533:1975), the pressure at which a bubble's volume is stated.
ATMOSPHERE_KPA = 101.325


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """The springs behind the tip: A [mm²], k [N/mm], V_paste [µL], K [kPa], V_bubble [µL at atmosphere]."""

    area_mm2: float
    stiffness_n_mm: float
    paste_ul: float
    bulk_modulus_kpa: float
    bubble_ul: float

    def __post_init__(self) -> None:
        if min(self.area_mm2, self.stiffness_n_mm, self.bulk_modulus_kpa) <= 0:
            raise ValueError(f"no such barrel: {self}; area, stiffness and modulus must be above zero")
        if min(self.paste_ul, self.bubble_ul) < 0:
            raise ValueError(f"no such barrel: {self}; volumes cannot be below zero")

    @property
    def linear_ul_kpa(self) -> float:
        """Compliance of frame and paste [µL/kPa], A²/k + V_paste/K, the same at every pressure."""
        frame = self.area_mm2**2 * N_PER_KPA_MM2 / self.stiffness_n_mm
        return frame + self.paste_ul / self.bulk_modulus_kpa


def stored_ul(pressure_kpa: ArrayLike, store: Store) -> Floats:
    """Volume stored at a gauge pressure [µL]; the bubble after Boyle.

    Below atmosphere the bubble's term goes on as a straight line, so that S rises everywhere; planned cycles
    never go there.
    """
    p = np.asarray(pressure_kpa, dtype=float)
    air = store.bubble_ul * p / (ATMOSPHERE_KPA + np.maximum(p, 0.0))
    result: Floats = store.linear_ul_kpa * p + air
    return result


def compliance_ul_kpa(pressure_kpa: ArrayLike, store: Store) -> Floats:
    """Stored volume per pressure [µL/kPa], C = A²/k + V_paste/K + V_bubble·P0/(P0+P)²."""
    absolute = ATMOSPHERE_KPA + np.maximum(np.asarray(pressure_kpa, dtype=float), 0.0)
    result: Floats = store.linear_ul_kpa + (store.bubble_ul * ATMOSPHERE_KPA) / (absolute * absolute)
    return result


def pressure_of_stored_kpa(volume_ul: ArrayLike, store: Store) -> Floats:
    """Gauge pressure [kPa] at which `volume_ul` is stored: the inverse of `stored_ul`.

    c·P² + (c·P0 + V_b − S)·P − S·P0 = 0 with c the linear compliance; a straight line below atmosphere.
    """
    s = np.asarray(volume_ul, dtype=float)
    c = store.linear_ul_kpa
    if store.bubble_ul == 0:
        straight: Floats = s / c
        return straight
    middle = (c * ATMOSPHERE_KPA + store.bubble_ul) - s
    root = np.sqrt(middle * middle + (4 * c * ATMOSPHERE_KPA) * np.maximum(s, 0.0))
    below = np.minimum(s, 0.0) / (c + store.bubble_ul / ATMOSPHERE_KPA)
    # With S < 0 the root equals the middle term, and only the straight line is left.
    result: Floats = (root - middle) / (2 * c) + below
    return result
