"""Where a board lies: typed places, asked places and probed heights to a placement file."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pastewright.board.model import Board
from pastewright.motion.plan import LEAST_STANDOFF_MM
from pastewright.place.fiducials.fit import FitKind
from pastewright.place.fiducials.limits import MapLimits
from pastewright.place.fiducials.points import (
    FoundPoint,
    board_places,
    pairs_of,
    read_points,
    typed_point,
    typed_probe,
)
from pastewright.place.fiducials.register import Registration, register
from pastewright.place.height.heights import Heights, Probe, TipTolerance, box_of, measured_heights
from pastewright.place.surface import Surface, flat
from pastewright.place.transform import Affine, Placement, Placements, PlaceStep, corners_mm
from pastewright.place.tray.document import PlacementFile, placement_record
from pastewright.problems import one_error
from pastewright.profile.model import ProbeSettings, Profile
from pastewright.records.reading import record_text


def tip_tolerance(profile: Profile) -> TipTolerance:
    """Return what the bench's tip stands, at the standoff that most deposits are laid with."""
    return TipTolerance(
        outer_mm=profile.tip.outer_mm,
        standoff_mm=max(profile.deposit.standoff_bores * profile.tip.bore_mm, LEAST_STANDOFF_MM),
        clearance_mm=profile.bed.clearance_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A placement, and how it was found: from points, from probed heights, or both."""

    placement: Placement
    registration: Registration | None
    heights: Heights | None


def found_points(
    at: Sequence[str], probes: Sequence[str], file: Path | None
) -> tuple[list[FoundPoint], list[Probe]]:
    """Return the points and probed heights of options and of a file."""
    found = [typed_point(word) for word in at]
    heights = [typed_probe(word) for word in probes]
    if file is not None:
        more = read_points(file)
        found.extend(more.points)
        heights.extend(more.probes)
    return found, heights


def placed_board(
    board: Board,
    profile: Profile,
    found: Sequence[FoundPoint],
    probes: Sequence[Probe],
    *,
    kind: FitKind | None,
    limits: MapLimits,
    file: str,
) -> Placed:
    """Return where the board lies by the found points (else by the profile), and how high by the probes."""
    if not found and not probes:
        raise one_error("nothing was found yet: no --at, --points or --probe", _what_to_find(board))
    registration = None
    step = PlaceStep(
        what="board corner", affine=Affine(x_mm=profile.bed.board_x_mm, y_mm=profile.bed.board_y_mm)
    )
    if found:
        registration = register(
            pairs_of(found, board_places(board)), pads=_pads(board), kind=kind, limits=limits, file=file
        )
        step = registration.step("fiducials of the board")
    surface, heights = _surface(probes, board.size_mm, step.affine, profile)
    warnings = (*(registration.warnings if registration else ()), *(heights.warnings if heights else ()))
    placement = Placement(name="", steps=(step,), surface=surface, warnings=warnings)
    return Placed(placement=placement, registration=registration, heights=heights)


def with_heights(
    placement: Placement, size_mm: tuple[float, float], profile: Profile, probes: Sequence[Probe]
) -> Placed:
    """Return the placement of a board of that size with its surface as the probes have it."""
    surface, heights = _surface(probes, size_mm, placement.affine, profile)
    warnings = heights.warnings if heights else ()
    measured = replace(placement, surface=surface, warnings=(*placement.warnings, *warnings))
    return Placed(placement=measured, registration=None, heights=heights)


def placement_text(placed: Placed, board: Board) -> str:
    """Return the text of a placement file."""
    return placement_text_of(placed, board.name, str(board.side), board.inputs_sha256)


def placement_text_of(placed: Placed, board: str, side: str, inputs_sha256: str) -> str:
    """Return the text of a placement file of a board by its name, side and the hash of its files."""
    file = PlacementFile(
        placements=Placements(boards=(placed.placement,)),
        board=board,
        side=side,
        inputs_sha256=inputs_sha256,
    )
    return record_text(placement_record(file, report=_report(placed.registration, placed.heights)), indent=1)


def _what_to_find(board: Board) -> str:
    marks_here = [f"F{k} at ({mark.x_mm:.3f}, {mark.y_mm:.3f})" for k, mark in enumerate(board.fiducials, 1)]
    if not marks_here:
        return "The board has no fiducials: find corners (LL, LR, UR, UL) or pads, e.g. --at LL=103.1,53.4"
    return f"Find the board's fiducials: {'; '.join(marks_here)}; e.g. --at F1=103.1,53.4"


def _pads(board: Board) -> list[tuple[str, tuple[float, float]]]:
    pasted = [pad for pad in board.pads if pad.apertures] or list(board.pads)
    return [(pad.id, (float(pad.land.centroid.x), float(pad.land.centroid.y))) for pad in pasted]


def of_tip(found: Sequence[FoundPoint], profile: Profile) -> list[FoundPoint]:
    """Return points seen under the cross-hair as places of the tip."""
    dx, dy = profile.camera.offset_x_mm, profile.camera.offset_y_mm
    if dx == 0.0 == dy:
        raise one_error(
            "--by camera needs the camera's offset, and [camera] of the profile has none",
            "Measure it: pastewright camera-offset --touch X,Y --look X,Y",
            file=profile.file,
        )
    return [replace(point, found_mm=(point.found_mm[0] + dx, point.found_mm[1] + dy)) for point in found]


def as_tip_touches(probes: Sequence[Probe], probe: ProbeSettings) -> list[Probe]:
    """Return what the probe answered as places and heights of the tip."""
    return [(x + probe.offset_x_mm, y + probe.offset_y_mm, z - probe.offset_z_mm) for x, y, z in probes]


def _surface(
    probes: Sequence[Probe], size_mm: tuple[float, float], where: Affine, profile: Profile
) -> tuple[Surface, Heights | None]:
    if not probes:
        return flat(profile.bed.board_z_mm), None
    heights = measured_heights(
        as_tip_touches(probes, profile.probe),
        box_mm=box_of(corners_mm(size_mm, where)),
        tip=tip_tolerance(profile),
    )
    return heights.surface, heights


def _report(registration: Registration | None, heights: Heights | None) -> dict[str, Any]:
    report: dict[str, Any] = {}
    if registration is not None:
        report["registration"] = {
            "fit": str(registration.fit.kind),
            "off_mm": {
                pair.name: round(off, 5)
                for pair, off in zip(registration.pairs, registration.off_mm, strict=True)
            },
            "rms_point_mm": round(registration.fit.rms_point_mm, 5),
            "rms_coordinate_mm": round(registration.fit.rms_coordinate_mm, 5),
            "sigma_mm": round(registration.sigma_mm, 5),
            "worst_pad": registration.worst_pad,
            "expected_mm": round(registration.expected_mm, 5),
        }
    if heights is not None:
        report["heights"] = {
            "surface": heights.kind,
            "tilt_deg": round(heights.tilt_deg, 4),
            "bow_mm": round(heights.bow_mm, 4),
            "rms_mm": round(heights.rms_mm, 5),
            "left_out": [number + 1 for number in heights.rejected],
        }
    return report
