"""`Board` to `Doses`: how much paste each pad needs, and why.

The measure is solder. A good stencil print would deliver aperture area × foil × TE(area ratio) of printing
paste; φ of the printing paste of that is solder; the dispensed paste must bring the same solder, so its volume is
solder / φ of the dispensed paste. A dispensed deposit has no aperture walls: TE stands here for what a print
would *deliver*, not for a loss of ours. Through-hole joints are counted in solder from the start (`hole`).
"""

from itertools import pairwise
from math import dist, sqrt
from sys import intern

import numpy as np
import shapely
from msgspec import Struct, structs
from shapely.geometry import Polygon

from pastewright.board.model import Board, Pad, PadKind
from pastewright.dose.bead import bead_volume_ul
from pastewright.dose.hole import Lead, hole_area_mm2, joint_solder_ul
from pastewright.dose.model import Dose, Doses
from pastewright.dose.prints import Printed, covered, prints_of
from pastewright.dose.rules import missed_by_rules, pasted_joint, rule_words, rules_of_pads
from pastewright.job.model import NO_JOB, Job, zone_box
from pastewright.materials.model import Paste, metal_volume_fraction
from pastewright.profile.model import DoseRule, DoseSettings

BEAD_SHAPE_RATIO = 0.4
"""Height over width of a bead at rest where no tuning says otherwise; the profile's default."""


class _Metal(Struct, frozen=True, kw_only=True):
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


class _Dosing(Struct, frozen=True, kw_only=True):
    """What all pads of a board are dosed by."""

    settings: DoseSettings
    metal: _Metal
    bead_shape_ratio: float


def dose_board(
    board: Board,
    settings: DoseSettings,
    paste: Paste,
    *,
    job: Job = NO_JOB,
    bead_shape_ratio: float = BEAD_SHAPE_RATIO,
) -> Doses:
    """Return the dose of every pad in the board's order [µL of paste], with its reason and its doubts.

    First speaks the first rule that names a pad: the job's parts that are not fitted, the job's rules, the
    profile's. Then the job's rule for that very pad acts on what came of it. Last, nothing is laid in the job's zones.
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
    dosing = _Dosing(settings=settings, metal=metal, bead_shape_ratio=bead_shape_ratio)
    lands_mm2 = shapely.area([pad.land for pad in board.pads]).tolist() if board.pads else []
    bare = tuple(DoseRule(ref=pattern, skip=True, note="not fitted") for pattern in job.not_fitted)
    rules, warnings = rules_of_pads(
        (*bare, *job.rules, *settings.rules),
        board.pads,
        land_mm2=lands_mm2,
        paste_in_hole=settings.paste_in_hole,
    )
    warnings = (*warnings, *missed_by_rules((*bare, *job.rules, *settings.rules), board.partly_named))
    own_rules = {rule.pad_id: rule for rule in job.pads}
    zones = [(zone, zone_box(zone)) for zone in job.zones]
    doses: list[Dose] = []
    left_out: list[str] = []
    for pad, printed, rule, land_mm2 in zip(
        board.pads, prints_of(board, settings), rules, lands_mm2, strict=True
    ):
        dose = _unruled(pad, printed, rule, dosing)
        for acting in (rule, own_rules.get(pad.id)):
            if acting is not None:
                dose = _ruled(pad, dose, acting, dosing, land_mm2=land_mm2)
        zone = next((zone for zone, area in zones if area.intersects(pad.land)), None)
        if zone is not None and dose.target_ul > 0:
            words = f"no paste: it lies in the zone {zone.name!r} of the job, where the tip may not go"
            dose = structs.replace(dose, target_ul=0.0, solder_ul=0.0, reason=words)
            left_out.append(f"{pad.id}: {words}")
        doses.append(dose)
    return Doses(doses=tuple(doses), warnings=(*warnings, *left_out))


def _unruled(pad: Pad, printed: Printed, rule: DoseRule | None, dosing: _Dosing) -> Dose:
    """The dose that no rule sets: what the source asks for, a joint, or what a print would deliver."""
    dose = _asked(pad, dosing.metal, dosing.bead_shape_ratio)
    if dose is not None:
        return dose
    if _is_joint(pad, rule, dosing.settings):
        return _hole_dose(pad, printed, dosing.settings, dosing.metal)
    return _print_dose(pad, printed, dosing.metal)


def _ruled(pad: Pad, dose: Dose, rule: DoseRule, dosing: _Dosing, *, land_mm2: float) -> Dose:
    """The dose that a rule makes of a dose."""
    by = rule_words(rule)
    if rule.skip:
        return _paste_dose(pad, 0.0, dosing.metal, f"no paste by {by}")
    if rule.volume_ul is not None:
        return _paste_dose(pad, rule.volume_ul, dosing.metal, f"{rule.volume_ul:g} µL of paste by {by}")
    if rule.coverage is not None:
        share = covered(pad.land, land_mm2, rule.coverage, dosing.settings)
        return _print_dose(pad, share, dosing.metal, by=f" by {by}")
    if rule.scale is None or dose.target_ul == 0:
        return dose
    return structs.replace(
        dose,
        target_ul=dose.target_ul * rule.scale,
        solder_ul=dose.solder_ul * rule.scale,
        reason=f"{dose.reason}, ×{rule.scale:g} by {by}",
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
        reason=intern(reason),  # of many pads alike
        warnings=warnings,
    )


def _print_dose(pad: Pad, printed: Printed, metal: _Metal, by: str = "") -> Dose:
    if printed.volume_ul <= 0:
        return _paste_dose(pad, 0.0, metal, printed.reason, printed.warnings)
    reason = f"{printed.reason}{by}, {metal.words}"
    return _paste_dose(pad, printed.volume_ul * metal.factor, metal, reason, printed.warnings)


def _hole_dose(pad: Pad, printed: Printed, settings: DoseSettings, metal: _Metal) -> Dose:
    """Paste for a through-hole joint; what a print would deliver where hole and lead do not go together.

    The designer opened the paste layer over the pad, so that it is to be pasted; only how much the joint takes is not
    known. Without paste, shells of connectors and headers would stand unsoldered.
    """
    hole = pad.hole
    if (hole is None or hole.plated is False) and printed.volume_ul > 0:
        return _print_dose(pad, printed, metal, by=", no plated hole being known,")
    if hole is None or hole.plated is False:
        return _paste_dose(pad, 0.0, metal, "no paste: no plated hole in this through-hole pad")
    lead = Lead(size_mm=settings.pin_mm, square=settings.pin_square)
    shape = "square" if lead.square else "round"
    if lead.across_mm > hole.diameter_mm:
        doubt = (
            f"a {lead.size_mm:g} mm {shape} lead ({lead.across_mm:.2f} mm across) does not enter a hole of"
            f" {hole.diameter_mm:.2f} mm; "
        )
        if printed.volume_ul > 0:
            doubt += "it gets what a print would deliver: give this pad a volume or a skip by a rule"
            dose = _print_dose(pad, printed, metal, by=", the profile's lead not entering the hole,")
            return structs.replace(dose, warnings=(*dose.warnings, doubt))
        doubt += "give this pad a volume or a skip by a rule"
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
