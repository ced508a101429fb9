"""`Board` to `Doses`: how much paste each pad needs, and why.

The measure is solder. A good stencil print would deliver aperture area × foil × TE(area ratio) of printing
paste; φ of the printing paste of that is solder; the dispensed paste must bring the same solder, so its volume is
solder / φ of the dispensed paste. A dispensed deposit has no aperture walls: TE stands here for what a print
would *deliver*, not for a loss of ours. Through-hole joints are counted in solder from the start (`hole`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import dist, sqrt

import numpy as np
import shapely
from shapely.geometry import Polygon

from pastewright.board.model import Board, Pad, PadKind, PasteOrigin
from pastewright.dose.aperture import (
    LEAST_AREA_RATIO,
    aperture_volume_ul,
    area_ratio,
    transfer_efficiency,
)
from pastewright.dose.bead import bead_volume_ul
from pastewright.dose.hole import Lead, hole_area_mm2, joint_solder_ul
from pastewright.dose.model import Dose, Doses
from pastewright.dose.rules import pasted_joint, rule_words, rules_of_pads
from pastewright.materials.model import Paste, metal_volume_fraction
from pastewright.profile.model import DoseRule, DoseSettings

# A thermal land under one opening that leaves at least this share free was reduced on purpose: layouts cover
# 50 to 80 % of such lands (part vendors' notes, common practice). A fuller opening is dosed by coverage.
REDUCED_OPENING = 0.8
BEAD_SHAPE_RATIO = 0.4
"""Height over width of a bead at rest where no tuning says otherwise; the profile's default."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Metal:
    """φ of the print that doses equal and of the paste at hand; a stand-in without metal has `paste_phi` 0."""

    print_phi: float
    paste_phi: float
    paste_mass_fraction: float

    @property
    def factor(self) -> float:
        """Volume of dispensed paste over printed paste of the same solder [-]; 1 for a stand-in."""
        return self.print_phi / self.paste_phi if self.paste_phi > 0 else 1.0

    @property
    def words(self) -> str:
        if self.paste_phi <= 0:
            return "volume for volume: the stand-in holds no metal"
        return f"×{self.factor:.2f} for {100 * self.paste_mass_fraction:g} wt% metal"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Print:
    """What a print would deliver on one pad: printed paste [µL], how it was reckoned, and doubts."""

    volume_ul: float
    reason: str
    warnings: tuple[str, ...] = ()


def dose_board(
    board: Board, settings: DoseSettings, paste: Paste, *, bead_shape_ratio: float = BEAD_SHAPE_RATIO
) -> Doses:
    """Return the dose of every pad in the board's order [µL of paste], with its reason and its doubts.

    `bead_shape_ratio` is height over width of a bead at rest, for lines that were drawn as beads.

    Never raises for a sound board and profile; what cannot be dosed gets 0 and says why.
    """
    metal = _Metal(
        print_phi=metal_volume_fraction(
            settings.print_metal_mass_fraction,
            metal_density_g_cm3=paste.alloy.density_g_cm3,
            flux_density_g_cm3=paste.flux_density_g_cm3,
        ),
        paste_phi=paste.metal_volume_fraction,
        paste_mass_fraction=paste.metal_mass_fraction,
    )
    lands_mm2 = shapely.area([pad.land for pad in board.pads]).tolist() if board.pads else []
    rules, warnings = rules_of_pads(
        settings.rules, board.pads, land_mm2=lands_mm2, paste_in_hole=settings.paste_in_hole
    )
    prints = _prints(board, settings)
    doses = tuple(
        _dose(
            pad,
            printed,
            rule,
            land_mm2=land_mm2,
            settings=settings,
            metal=metal,
            bead_shape_ratio=bead_shape_ratio,
        )
        for pad, printed, rule, land_mm2 in zip(board.pads, prints, rules, lands_mm2, strict=True)
    )
    return Doses(doses=doses, warnings=warnings)


def _dose(
    pad: Pad,
    printed: _Print,
    rule: DoseRule | None,
    *,
    land_mm2: float,
    settings: DoseSettings,
    metal: _Metal,
    bead_shape_ratio: float,
) -> Dose:
    if rule is not None and rule.skip:
        return _paste_dose(pad, 0.0, metal, f"no paste by {rule_words(rule)}")
    if rule is not None and rule.volume_ul is not None:
        return _paste_dose(
            pad, rule.volume_ul, metal, f"{rule.volume_ul:g} µL of paste by {rule_words(rule)}"
        )
    if rule is not None and rule.coverage is not None:
        covered = _covered(pad.land, land_mm2, rule.coverage, settings)
        return _print_dose(pad, covered, metal, by=f" by {rule_words(rule)}")
    joint = _is_joint(pad, rule, settings)
    dose = _asked(pad, metal, bead_shape_ratio)
    if dose is None:
        dose = _hole_dose(pad, settings, metal) if joint else _print_dose(pad, printed, metal)
    if rule is None or rule.scale is None or dose.target_ul == 0:
        return dose
    return Dose(
        pad_id=pad.id,
        target_ul=dose.target_ul * rule.scale,
        solder_ul=dose.solder_ul * rule.scale,
        reason=f"{dose.reason}, ×{rule.scale:g} by {rule_words(rule)}",
        warnings=dose.warnings,
    )


def _asked(pad: Pad, metal: _Metal, bead_shape_ratio: float) -> Dose | None:
    """Return what the source of a pad asks for outright: a volume, or a bead as wide as its line; else None."""
    if not pad.apertures:
        return None
    if pad.volume_ul is not None:
        return _paste_dose(pad, pad.volume_ul, metal, f"{pad.volume_ul:g} µL of paste, as {pad.source} says")
    if not pad.path_mm:
        return None
    length_mm = sum(dist(one, other) for one, other in pairwise(pad.path_mm))
    volume_ul = bead_volume_ul(pad.path_width_mm, length_mm, bead_shape_ratio)
    reason = (
        f"a bead {pad.path_width_mm:.3f} mm wide along {length_mm:.2f} mm, {bead_shape_ratio:g} as high as wide,"
        f" as {pad.source} draws it"
    )
    return _paste_dose(pad, volume_ul, metal, reason)


def _is_joint(pad: Pad, rule: DoseRule | None, settings: DoseSettings) -> bool:
    """Tell whether a hole is to be filled: the paste layer opens over it, or a scaling rule names its kind."""
    named = rule is not None and rule.scale is not None and rule.kind == PadKind.THROUGH_HOLE
    return pad.kind is PadKind.THROUGH_HOLE and (
        named or pasted_joint(pad, paste_in_hole=settings.paste_in_hole)
    )


def _paste_dose(
    pad: Pad, paste_ul: float, metal: _Metal, reason: str, warnings: tuple[str, ...] = ()
) -> Dose:
    return Dose(
        pad_id=pad.id,
        target_ul=paste_ul,
        solder_ul=paste_ul * metal.paste_phi,
        reason=reason,
        warnings=warnings,
    )


def _print_dose(pad: Pad, printed: _Print, metal: _Metal, by: str = "") -> Dose:
    if printed.volume_ul <= 0:
        return _paste_dose(pad, 0.0, metal, printed.reason, printed.warnings)
    reason = f"{printed.reason}{by}, {metal.words}"
    return _paste_dose(pad, printed.volume_ul * metal.factor, metal, reason, printed.warnings)


def _prints(board: Board, settings: DoseSettings) -> list[_Print]:
    """What a print would deliver, pad by pad; the numbers of all apertures are reckoned in one go."""
    shapes = np.array([opening.shape for pad in board.pads for opening in pad.apertures], dtype=object)
    areas_mm2 = shapely.area(shapes)
    ratios = area_ratio(areas_mm2, shapely.length(shapes), settings.foil_mm)
    efficiencies = transfer_efficiency(ratios, settings.transfer)
    volumes_ul = (aperture_volume_ul(areas_mm2, settings.foil_mm) * efficiencies).tolist()
    areas, all_ratios, all_efficiencies = areas_mm2.tolist(), ratios.tolist(), efficiencies.tolist()
    prints: list[_Print] = []
    end = 0
    for pad in board.pads:
        begin, end = end, end + len(pad.apertures)
        why_not = _no_print(pad, board.paste_origin)
        if why_not is not None:
            prints.append(why_not)
        elif pad.kind is PadKind.THERMAL and _is_full(pad, areas[begin:end], board.paste_origin):
            covered = _covered(pad.land, pad.land.area, settings.thermal_coverage, settings)
            prints.append(covered)
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


def _no_print(pad: Pad, origin: PasteOrigin) -> _Print | None:
    """Return why a pad gets no paste from the paste layer; None when it does."""
    if pad.kind is PadKind.FIDUCIAL:
        return _Print(volume_ul=0.0, reason="no paste: a fiducial must stay bare")
    if pad.kind is PadKind.TEST_POINT:
        return _Print(volume_ul=0.0, reason="no paste: a test point")
    if pad.kind is PadKind.THROUGH_HOLE:
        if not pad.apertures or origin is not PasteOrigin.PASTE_LAYER:
            return _Print(
                volume_ul=0.0, reason=f"no paste: a through-hole pad without an opening in the {origin}"
            )
        # A designer who opens the paste layer over a through-hole asks for paste-in-hole.
        return _Print(
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
    return _Print(
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
) -> _Print:
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
    return _Print(
        volume_ul=volume_ul,
        reason=f"{origin} {area_mm2:.3f} mm²{panes} × {foil_mm:g} mm foil × {efficiency} ({span})",
        warnings=(doubt,) if poor else (),
    )


def _covered(land: Polygon, land_mm2: float, coverage: float, settings: DoseSettings) -> _Print:
    """A share of the land as one opening; its area ratio is the land's, since no windows are given."""
    ratio = float(area_ratio(land_mm2, land.length, settings.foil_mm))
    efficiency = float(transfer_efficiency(ratio, settings.transfer))
    return _Print(
        volume_ul=coverage * land_mm2 * settings.foil_mm * efficiency,
        reason=(
            f"{100 * coverage:g} % of the land's {land_mm2:.3f} mm² × {settings.foil_mm:g} mm foil"
            f" × {efficiency:.2f} (area ratio {ratio:.2f})"
        ),
    )


def _hole_dose(pad: Pad, settings: DoseSettings, metal: _Metal) -> Dose:
    """Paste for a through-hole joint; 0 with the reason when hole and lead do not go together."""
    hole = pad.hole
    if hole is None or hole.plated is False:
        return _paste_dose(pad, 0.0, metal, "no paste: no plated hole in this through-hole pad")
    lead = Lead(size_mm=settings.pin_mm, square=settings.pin_square)
    shape = "square" if lead.square else "round"
    if lead.across_mm > hole.diameter_mm:
        doubt = (
            f"a {lead.size_mm:g} mm {shape} lead ({lead.across_mm:.2f} mm across) does not enter a hole of"
            f" {hole.diameter_mm:.2f} mm; give this pad a volume or a skip by a rule"
        )
        return _paste_dose(
            pad, 0.0, metal, "no paste: the lead of the profile does not enter the hole", (doubt,)
        )
    slot_mm = 0.0
    warnings: tuple[str, ...] = ()
    if hole.slot_to_mm is not None:
        slot_mm = float(np.hypot(hole.slot_to_mm[0] - hole.x_mm, hole.slot_to_mm[1] - hole.y_mm))
        warnings = (
            f"a slot of {hole.diameter_mm:.2f} × {slot_mm + hole.diameter_mm:.2f} mm, dosed for a {lead.size_mm:g} mm"
            f" {shape} lead; a flat lead needs less: set the volume by a rule",
        )
    # A fillet cannot be wider than the copper that it stands on.
    land_radius_mm = sqrt(Polygon(pad.land.exterior).area / np.pi)
    fillet_mm = max(0.0, min(settings.fillet_mm, land_radius_mm - lead.radius_mm))
    solder_ul = joint_solder_ul(
        hole_area_mm2=hole_area_mm2(hole.diameter_mm, slot_length_mm=slot_mm),
        lead=lead,
        board_mm=settings.board_mm,
        fillet_radius_mm=fillet_mm,
    )
    # A stand-in has no metal to count: it is laid as printing paste would be.
    phi = metal.paste_phi if metal.paste_phi > 0 else metal.print_phi
    words = f"/ {phi:.3f} metal by volume"
    if metal.paste_phi <= 0:
        words += " of the printing paste (the stand-in holds none)"
    reason = (
        f"paste-in-hole: {hole.diameter_mm:.2f} mm {'slot' if slot_mm else 'hole'} × {settings.board_mm:g} mm board"
        f" − {lead.size_mm:g} mm {shape} lead + 2 fillets of {fillet_mm:.2f} mm = {solder_ul:.3f} µL solder, {words}"
    )
    return Dose(
        pad_id=pad.id,
        target_ul=solder_ul / phi,
        solder_ul=solder_ul if metal.paste_phi > 0 else 0.0,
        reason=reason,
        warnings=warnings,
    )
