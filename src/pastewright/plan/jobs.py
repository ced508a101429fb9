"""What a job file asks, applied: to the dose settings, to single doses, to the order, and to travel.

The job file is read by `job`; here its wishes meet the board. A wish that meets nothing is told, since a
misspelt reference that silently pastes a part is worse than an error.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np
from shapely.geometry import Polygon, box

from pastewright.board.model import Board, Pad
from pastewright.deposit.model import Deposit, Layout
from pastewright.dose.model import Dose
from pastewright.job.model import Job, PadWish, Turn, Zone
from pastewright.materials.model import Paste
from pastewright.motion.around import Blocked
from pastewright.place.transform import Placements
from pastewright.place.tray.located import located
from pastewright.place.tray.tour import placed_tour
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import DoseRule, DoseSettings, Profile
from pastewright.route.model import Sequence as Sequence_
from pastewright.route.order import order


def settings_with(job: Job, settings: DoseSettings) -> DoseSettings:
    """Return the dose settings with the job's parts that are not fitted, then its rules, before those of the profile."""
    bare = tuple(DoseRule(ref=pattern, skip=True, note="not fitted") for pattern in job.not_fitted)
    if not bare and not job.rules:
        return settings
    return replace(settings, rules=(*bare, *job.rules, *settings.rules))


def check_job(job: Job, board: Board) -> None:
    """Raise `InputError` when the job is for the other side, or names a pad that is not there."""
    if job.side is not None and job.side is not board.side:
        raise one_error(
            f"this job is for the {job.side} side; the {board.side} side was asked for",
            f"Plan it with --side {job.side}, or change side in the job.",
            file=job.file,
        )
    ids = {pad.id for pad in board.pads}
    missing = [wish for wish in job.pads if wish.id not in ids]
    if missing:
        raise InputError(
            Problem(
                what=f"there is no pad {wish.id} on the {board.side} side",
                mend="See the ids in pads.csv or with `pastewright look`.",
                file=job.file,
                line=wish.line or None,
            )
            for wish in missing
        )


def warnings_of(job: Job, board: Board) -> list[str]:
    """Return what the job names and the board does not have."""
    refs = {pad.ref for pad in board.pads if pad.ref}
    named = (("not_fitted", job.not_fitted), ("order.first", job.first), ("order.last", job.last))
    return [
        f"{job.file}: {key} names {pattern!r}, and no part of the {board.side} side is called so"
        for key, patterns in named
        for pattern in patterns
        if not any(fnmatchcase(ref, pattern) for ref in refs)
    ]


def doses_with(
    job: Job, board: Board, doses: Sequence[Dose], paste: Paste
) -> tuple[tuple[Dose, ...], list[str]]:
    """Return the doses with single pads changed and those within zones taken out, and warnings about the latter."""
    wishes = {wish.id: wish for wish in job.pads}
    zones = [(zone, zone_box(zone)) for zone in job.zones]
    changed: list[Dose] = []
    warnings: list[str] = []
    for pad, dose in zip(board.pads, doses, strict=True):
        if pad.id in wishes:
            dose = _wished(dose, wishes[pad.id], paste, job)
        within = _zone_of(pad, zones) if dose.target_ul > 0 else None
        if within is not None:
            words = f"no paste: it lies in the zone {within.name!r} of the job, where the tip may not go"
            dose = replace(dose, target_ul=0.0, solder_ul=0.0, reason=words)
            warnings.append(f"{pad.id}: {words}")
        changed.append(dose)
    return tuple(changed), warnings


def _wished(dose: Dose, wish: PadWish, paste: Paste, job: Job) -> Dose:
    where = f"{job.file} line {wish.line}" + (f" “{wish.note}”" if wish.note else "")
    phi = paste.metal_volume_fraction
    if wish.skip:
        return Dose(pad_id=dose.pad_id, target_ul=0.0, solder_ul=0.0, reason=f"no paste by {where}")
    if wish.volume_ul is not None:
        reason = f"{wish.volume_ul:g} µL of paste by {where}"
        return Dose(
            pad_id=dose.pad_id, target_ul=wish.volume_ul, solder_ul=wish.volume_ul * phi, reason=reason
        )
    scale = wish.scale if wish.scale is not None else 1.0
    return replace(
        dose,
        target_ul=dose.target_ul * scale,
        solder_ul=dose.solder_ul * scale,
        reason=f"{dose.reason}, ×{scale:g} by {where}",
    )


def zone_box(zone: Zone) -> Polygon:
    """Return a zone as a polygon [mm, board], without its margin."""
    return box(zone.x_from_mm, zone.y_from_mm, zone.x_to_mm, zone.y_to_mm)


def _zone_of(pad: Pad, zones: Sequence[tuple[Zone, Polygon]]) -> Zone | None:
    return next((zone for zone, area in zones if area.intersects(pad.land)), None)


def turns_of(job: Job, board: Board) -> dict[str, Turn]:
    """Return when each pad is laid, by its id; {} when the job says nothing of the order."""
    if not job.first and not job.last:
        return {}
    return {pad.id: job.turn_of(pad.ref) for pad in board.pads}


def blocked_on(job: Job, placements: Placements) -> tuple[Blocked, ...]:
    """Return the zones of every board where they lie in machine coordinates, heights above their board."""
    found: list[Blocked] = []
    for placed in placements.boards:
        for zone in job.zones:
            corners = placed.affine.apply(np.array(zone_box(zone).exterior.coords[:4]))
            surface = float(placed.surface.heights_mm(corners).max())
            found.append(
                Blocked(
                    name=zone.name,
                    area=Polygon(corners),
                    top_z_mm=None if zone.height_mm is None else surface + zone.height_mm,
                    margin_mm=zone.margin_mm,
                )
            )
    return tuple(found)


def tour_with(
    turns: Mapping[str, Turn], layout: Layout, placements: Placements, profile: Profile
) -> Sequence_:
    """Return the tour with what is wanted first laid first, and last last; short within each group."""
    if not turns:
        return placed_tour(layout, placements, profile)
    deposits = located(layout, placements).layout.deposits
    boards = len(placements.boards)
    each = len(deposits) // boards if placements.one_by_one else len(deposits)
    start = (profile.bed.strip_x_mm + profile.bed.strip_length_mm, profile.bed.strip_y_mm)
    here = start
    parts: list[Sequence_] = []
    for begin in range(0, len(deposits), each):
        if begin and placements.one_by_one:
            here = start
        own = deposits[begin : begin + each]
        for turn in (Turn.FIRST, Turn.BETWEEN, Turn.LAST):
            group = [deposit for deposit in own if _turn(deposit, turns) is turn]
            if not group:
                continue
            part = order(group, start_mm=here, machine=profile.machine)
            last = part.visits[-1]
            points = deposits[last.deposit].points_mm
            here = points[0] if last.backwards else points[-1]
            parts.append(part)
    return Sequence_(
        visits=tuple(visit for part in parts for visit in part.visits),
        travel_mm=sum(part.travel_mm for part in parts),
        travel_s=sum(part.travel_s for part in parts),
        bound_mm=sum(part.bound_mm for part in parts),
        bound_s=sum(part.bound_s for part in parts),
    )


def _turn(deposit: Deposit, turns: Mapping[str, Turn]) -> Turn:
    """Return when a deposit is laid: of several pads under one bead, the one that is wanted most decides."""
    found = {turns.get(share.pad_id, Turn.BETWEEN) for share in deposit.shares}
    return next((turn for turn in (Turn.FIRST, Turn.LAST) if turn in found), Turn.BETWEEN)
