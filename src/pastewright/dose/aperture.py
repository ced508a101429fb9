"""Stencil apertures: area ratio, volume, and how much of it a good print delivers. Numbers in, numbers out."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Below this area ratio a print releases poorly: IPC-7525, as quoted by G. Smith, SMT007 Magazine, 2019.
LEAST_AREA_RATIO = 0.66


def wall_area_mm2(perimeter_mm: ArrayLike, foil_mm: float) -> Floats:
    """Area of the aperture's walls [mm²] = perimeter × foil; inner rings count as perimeter too."""
    return np.asarray(perimeter_mm, dtype=float) * foil_mm


def area_ratio(area_mm2: ArrayLike, perimeter_mm: ArrayLike, foil_mm: float) -> Floats:
    """Opening area over wall area [-], for an aperture of any shape.

    Round: d/(4T); square: a/(4T); rectangle: LW/(2T(L+W)), T being the foil (IPC-7525).
    """
    return np.asarray(area_mm2, dtype=float) / wall_area_mm2(perimeter_mm, foil_mm)


def aperture_volume_ul(area_mm2: ArrayLike, foil_mm: float) -> Floats:
    """Volume of the opening [µL] = area × foil."""
    return np.asarray(area_mm2, dtype=float) * foil_mm


def transfer_efficiency(ratio: ArrayLike, transfer: Sequence[tuple[float, float]]) -> Floats:
    """Share of the opening's volume that a print leaves on the board [-], at an area ratio [-].

    `transfer` is pairs (area ratio, efficiency) rising in area ratio; linear between them, flat outside.
    """
    ratios, efficiencies = zip(*transfer, strict=True)
    return np.asarray(np.interp(np.asarray(ratio, dtype=float), ratios, efficiencies))


def printed_volume_ul(
    area_mm2: ArrayLike, perimeter_mm: ArrayLike, *, foil_mm: float, transfer: Sequence[tuple[float, float]]
) -> Floats:
    """Printing paste that a print delivers through each aperture [µL] = area × foil × TE(area ratio)."""
    ratio = area_ratio(area_mm2, perimeter_mm, foil_mm)
    return aperture_volume_ul(area_mm2, foil_mm) * transfer_efficiency(ratio, transfer)
