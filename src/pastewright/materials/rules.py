"""Small rules of the trade about powder, tips and apertures: numbers in, numbers out."""

from enum import StrEnum

from pastewright.materials.model import Alloy, Powder, TipSize
from pastewright.materials.tables import tips

# Bore over largest particle. Seven: paste-maker's technical note on metal loading (published: 25 µm gives
# 175 µm). Ten: other trade notes (common practice).
LEAST_TIP_RATIO = 7.0
SAFE_TIP_RATIO = 10.0

# Five particles across the narrowest side of an aperture: IPC-7525, as tabulated by C. Lentz (2019).
FIVE_BALLS = 5.0


class TipFit(StrEnum):
    """How a powder passes a bore."""

    CLOGS = "clogs"
    TIGHT = "tight"
    SAFE = "safe"


def tip_ratio(bore_mm: float, powder: Powder) -> float:
    """Bore of the tip over the largest particle of the powder's range [-]."""
    return bore_mm / powder.upper_mm


def tip_fit(bore_mm: float, powder: Powder) -> TipFit:
    """Judge a bore: it clogs below 7 particles across, is tight below 10, else safe."""
    ratio = tip_ratio(bore_mm, powder)
    # Bores and particles are given to the micrometre: 0.175 mm is 7 × 25 µm in spite of binary fractions.
    if ratio < LEAST_TIP_RATIO - 1e-9:
        return TipFit.CLOGS
    return TipFit.TIGHT if ratio < SAFE_TIP_RATIO - 1e-9 else TipFit.SAFE


def smallest_bore_mm(powder: Powder, *, ratio: float = LEAST_TIP_RATIO) -> float:
    """Smallest bore [mm] that a powder passes, `ratio` times its largest particle."""
    return ratio * powder.upper_mm


def smallest_tip(powder: Powder, *, ratio: float = LEAST_TIP_RATIO) -> TipSize | None:
    """Narrowest tip of the table that a powder passes; None when the powder is too coarse for all of them."""
    least_mm = smallest_bore_mm(powder, ratio=ratio) - 1e-9
    fitting = [size for size in tips() if _worst_bore_mm(size) >= least_mm]
    return min(fitting, key=lambda size: (size.bore_mm, size.outer_mm), default=None)


def smallest_aperture_mm(powder: Powder) -> float:
    """Smallest width of a stencil aperture [mm] by the five-ball rule."""
    return FIVE_BALLS * powder.upper_mm


def has_lead(alloy: Alloy) -> bool:
    """Tell whether an alloy holds lead, for the safety notes."""
    return "Pb" in alloy.name


def _worst_bore_mm(size: TipSize) -> float:
    """Where tables dispute a bore, the narrower one decides whether powder passes."""
    return min(size.bore_mm, size.disputed_bore_mm or size.bore_mm)
