"""What a good stencil print would deliver on each pad: printed paste [µL], how it was reckoned, and doubts.

Openings × foil × TE(area ratio), or for a thermal land without window panes a share of the land; nothing where the
paste layer opens nothing. Joints of leads in holes are reckoned in `hole`.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from msgspec import Struct
from shapely.geometry import Polygon

from pastewright.board.model import Board, Pad, PadKind, PasteOrigin
from pastewright.dose.aperture import (
    LEAST_AREA_RATIO,
    aperture_volume_ul,
    area_ratio,
    transfer_efficiency,
)
from pastewright.profile.model import DoseSettings

# A thermal land under one opening that leaves at least this share free was reduced on purpose: layouts cover
# 50 to 80 % of such lands (part vendors' notes, common practice). A fuller opening is dosed by coverage.
REDUCED_OPENING = 0.8


class Printed(Struct, frozen=True, kw_only=True):
    """What a print would deliver on one pad: printed paste [µL], how it was reckoned, and doubts."""

    volume_ul: float
    reason: str
    warnings: tuple[str, ...] = ()


def prints_of(board: Board, settings: DoseSettings) -> list[Printed]:
    """What a print would deliver, pad by pad; the numbers of all apertures are reckoned in one go."""
    shapes = np.array([opening.shape for pad in board.pads for opening in pad.apertures], dtype=object)
    areas_mm2 = shapely.area(shapes)
    ratios = area_ratio(areas_mm2, shapely.length(shapes), settings.foil_mm)
    efficiencies = transfer_efficiency(ratios, settings.transfer)
    volumes_ul = (aperture_volume_ul(areas_mm2, settings.foil_mm) * efficiencies).tolist()
    areas, all_ratios, all_efficiencies = areas_mm2.tolist(), ratios.tolist(), efficiencies.tolist()
    prints: list[Printed] = []
    end = 0
    for pad in board.pads:
        begin, end = end, end + len(pad.apertures)
        why_not = _no_print(pad, board.paste_origin, paste_in_hole=settings.paste_in_hole)
        if why_not is not None:
            prints.append(why_not)
        elif pad.kind is PadKind.THERMAL and _is_full(pad, areas[begin:end], board.paste_origin):
            share = covered(pad.land, pad.land.area, settings.thermal_coverage, settings)
            prints.append(share)
        else:
            prints.append(
                _through_apertures(
                    volumes_ul[begin:end],
                    areas_mm2=areas[begin:end],
                    ratios=all_ratios[begin:end],
                    efficiencies=all_efficiencies[begin:end],
                    foil_mm=settings.foil_mm,
                    origin=board.paste_origin,
                )
            )
    return prints


def _no_print(pad: Pad, origin: PasteOrigin, *, paste_in_hole: bool) -> Printed | None:
    """Return why a pad gets no paste from the paste layer; None when it does."""
    if pad.kind is PadKind.FIDUCIAL:
        return Printed(volume_ul=0.0, reason="no paste: a fiducial must stay bare")
    if pad.kind is PadKind.TEST_POINT:
        return Printed(volume_ul=0.0, reason="no paste: a test point")
    if pad.kind is PadKind.THROUGH_HOLE:
        if not pad.apertures or origin is not PasteOrigin.PASTE_LAYER:
            return Printed(
                volume_ul=0.0, reason=f"no paste: a through-hole pad without an opening in the {origin}"
            )
        # A designer who opens the paste layer over a through-hole asks for paste-in-hole.
        if paste_in_hole:
            return None
        return Printed(
            volume_ul=0.0,
            reason="no paste: a through-hole pad, and paste-in-hole is off",
            warnings=(
                "the paste layer opens over this through-hole pad, but paste-in-hole is off in the profile",
            ),
        )
    if pad.apertures:
        return None
    # Bare copper without an aperture may be a contact, a heat spreader or a shield: never paste it unasked.
    doubt = "a thermal land without any opening in the paste layer; a rule with coverage would paste it"
    return Printed(
        volume_ul=0.0,
        reason=f"no paste: no opening over it in the {origin}",
        warnings=(doubt,) if pad.kind is PadKind.THERMAL else (),
    )


def _is_full(pad: Pad, areas_mm2: Sequence[float], origin: PasteOrigin) -> bool:
    """Tell whether a thermal land has no window panes, so that the coverage of the profile decides."""
    if origin is PasteOrigin.EXPOSED_COPPER:
        return True
    return len(areas_mm2) == 1 and areas_mm2[0] > REDUCED_OPENING * pad.land.area


def _through_apertures(
    volumes_ul: Sequence[float],
    *,
    areas_mm2: Sequence[float],
    ratios: Sequence[float],
    efficiencies: Sequence[float],
    foil_mm: float,
    origin: PasteOrigin,
) -> Printed:
    volume_ul, area_mm2 = sum(volumes_ul), sum(areas_mm2)
    count = len(areas_mm2)
    panes = f" in {count} openings" if count > 1 else ""
    mean = volume_ul / (area_mm2 * foil_mm)
    efficiency = f"{mean:.2f}"
    if count > 1 and max(efficiencies) - min(efficiencies) > 0.005:
        efficiency += " on average"
    low, high = f"{min(ratios):.2f}", f"{max(ratios):.2f}"
    span = f"area ratio {low}" if low == high else f"area ratios {low} to {high}"
    poor = min(ratios) < LEAST_AREA_RATIO
    doubt = (
        f"area ratio {low} is under {LEAST_AREA_RATIO}: a print would release poorly, so the dose that equals it"
        " is a guess; set it by a rule"
    )
    return Printed(
        volume_ul=volume_ul,
        reason=f"{origin} {area_mm2:.3f} mm²{panes} × {foil_mm:g} mm foil × {efficiency} ({span})",
        warnings=(doubt,) if poor else (),
    )


def covered(land: Polygon, land_mm2: float, coverage: float, settings: DoseSettings) -> Printed:
    """A share of the land as one opening; its area ratio is the land's, since no windows are given."""
    ratio = float(area_ratio(land_mm2, land.length, settings.foil_mm))
    efficiency = float(transfer_efficiency(ratio, settings.transfer))
    return Printed(
        volume_ul=coverage * land_mm2 * settings.foil_mm * efficiency,
        reason=(
            f"{100 * coverage:g} % of the land's {land_mm2:.3f} mm² × {settings.foil_mm:g} mm foil"
            f" × {efficiency:.2f} (area ratio {ratio:.2f})"
        ),
    )
