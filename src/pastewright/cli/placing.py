"""`pastewright register`, `camera-offset` and `locate`: where the board lies, and what looks for it."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.markup import escape
from rich.table import Table

from pastewright.board.model import Board
from pastewright.cli.console import out as console
from pastewright.cli.console import print_warnings
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.reading import layer_overrides, load_board, load_profile
from pastewright.place.fiducials.camera import camera_frame, read_frame
from pastewright.place.fiducials.fit import FitKind
from pastewright.place.fiducials.locate import MarkKind, View, grey_of, marks
from pastewright.place.fiducials.offset import Spot, camera_offset
from pastewright.place.fiducials.points import (
    FoundPoint,
    board_places,
    pairs_of,
    read_points,
    typed_point,
    typed_probe,
)
from pastewright.place.fiducials.register import Limits, Registration, register
from pastewright.place.height.heights import Heights, Probe, TipTolerance, box_of, measured_heights
from pastewright.place.surface import Surface, flat
from pastewright.place.transform import Affine, Placement, Placements, Step, corners_mm
from pastewright.place.tray.document import PlacementFile, placement_file_data
from pastewright.problems import one_error
from pastewright.profile.model import ProbeSettings, Profile

LEAST_STANDOFF_MM = 0.05


def tip_tolerance(profile: Profile) -> TipTolerance:
    """Return what the bench's tip stands, at the standoff that most deposits are laid with."""
    return TipTolerance(
        outer_mm=profile.tip.outer_mm,
        standoff_mm=max(profile.deposit.standoff_bores * profile.tip.bore_mm, LEAST_STANDOFF_MM),
        clearance_mm=profile.bed.clearance_mm,
    )


def typed_turn(word: str) -> float | None:
    """Return a turn of an option: degrees, or None for "any"."""
    if word.strip().lower() == "any":
        return None
    if not re.fullmatch(r"[-+]?\d+(\.\d+)?", word.strip()) or abs(float(word)) > 360:
        raise one_error(f"--turned {word!r} is no angle", "Give degrees anticlockwise, such as 180, or any.")
    return float(word)


def typed_fit(word: str) -> FitKind | None:
    """Return the fit of an option, None for "auto"."""
    if word == "auto":
        return None
    if word not in [str(kind) for kind in FitKind]:
        raise one_error(f"--fit {word!r} is not known", f"There are: auto, {', '.join(FitKind)}.")
    return FitKind(word)


def register_command(
    source: Path,
    profile_path: Path,
    *,
    side: str,
    layers: Sequence[str],
    at: Sequence[str],
    points: Path | None,
    probes: Sequence[str],
    by_camera: bool,
    fit: str,
    turned: str,
    mirrored: bool,
    limit_mm: float,
    found_to_mm: float,
    port: str | None,
    find: Sequence[str],
    out: Path,
) -> int:
    """Find where the board lies and how high it is, write `out`; returns the exit code."""
    kind, turn = typed_fit(fit), typed_turn(turned)
    profile = load_profile(profile_path)
    board = load_board(source, side=side, overrides=layer_overrides(layers), shrink_mm=profile.dose.shrink_mm)
    found = [typed_point(word) for word in at]
    heights = [typed_probe(word) for word in probes]
    if points is not None:
        more = read_points(points)
        found.extend(more.points)
        heights.extend(more.probes)
    if port is not None:
        found.extend(
            _asked(port, find or [f"F{k}" for k in range(1, len(board.fiducials) + 1)], board, profile)
        )
    if not found and not heights:
        raise one_error("nothing was found yet: no --at, --points or --probe", _what_to_find(board))
    limits = Limits(residual_mm=limit_mm, found_to_mm=found_to_mm, turned_deg=turn, mirrored=mirrored)
    registration = None
    step = Step(what="board corner", affine=Affine(x_mm=profile.bed.board_x_mm, y_mm=profile.bed.board_y_mm))
    if found:
        seen = _of_tip(found, profile) if by_camera else found
        registration = register(
            pairs_of(seen, board_places(board)),
            pads=_pads(board),
            kind=kind,
            limits=limits,
            file=str(points) if points is not None else "",
        )
        step = registration.step("fiducials of the board")
    surface, probed = _surface(heights, board, step.affine, profile)
    warnings = (*(registration.warnings if registration else ()), *(probed.warnings if probed else ()))
    placement = Placement(name="", steps=(step,), surface=surface, warnings=warnings)
    file = PlacementFile(
        placements=Placements(boards=(placement,)),
        board=board.name,
        side=str(board.side),
        inputs_sha256=board.inputs_sha256,
    )
    _write(out, placement_file_data(file, report=_report(registration, probed)))
    if registration is not None:
        print_registration(registration)
    if probed is not None:
        print_heights(probed)
    print_warnings(warnings)
    console.print(
        f"  placement  {escape(str(out))}; use it with: pastewright plan … --placement {escape(str(out))}"
    )
    return DONE


def _asked(port: str, names: Sequence[str], board: Board, profile: Profile) -> list[FoundPoint]:
    """Return where the controller stands when the person has moved onto each of the named points."""
    from pastewright.cli.whereabouts import Whereabouts, found_by_asking

    if not names:
        raise one_error("the board has no fiducials to find", "Name corners or pads: --find LL --find UR")
    # Every name is looked up before the person walks to the first point.
    pairs_of(
        [FoundPoint(name=name, found_mm=(0.0, 0.0), file="--find") for name in names], board_places(board)
    )
    with Whereabouts(port, baud=profile.run.baud) as where:
        return found_by_asking(names, where, input, lambda words: console.print(escape(words)))


def _what_to_find(board: Board) -> str:
    marks_here = [f"F{k} at ({mark.x_mm:.3f}, {mark.y_mm:.3f})" for k, mark in enumerate(board.fiducials, 1)]
    if not marks_here:
        return "The board has no fiducials: find corners (LL, LR, UR, UL) or pads, e.g. --at LL=103.1,53.4"
    return f"Find the board's fiducials: {'; '.join(marks_here)}; e.g. --at F1=103.1,53.4"


def _pads(board: Board) -> list[tuple[str, tuple[float, float]]]:
    pasted = [pad for pad in board.pads if pad.apertures] or list(board.pads)
    return [(pad.id, (float(pad.land.centroid.x), float(pad.land.centroid.y))) for pad in pasted]


def _of_tip(found: Sequence[FoundPoint], profile: Profile) -> list[FoundPoint]:
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
    probes: Sequence[Probe], board: Board, where: Affine, profile: Profile
) -> tuple[Surface, Heights | None]:
    if not probes:
        return flat(profile.bed.board_z_mm), None
    heights = measured_heights(
        as_tip_touches(probes, profile.probe),
        box_mm=box_of(corners_mm(board.size_mm, where)),
        tip=tip_tolerance(profile),
    )
    return heights.surface, heights


def _write(path: Path, data: Any) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(data, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the placement cannot be written: {error.strerror or error}",
            "Choose another --out.",
            file=str(path),
        ) from None


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


def print_registration(found: Registration, *, name: str = "") -> None:
    """Print the map, each point's residual, and the error to expect at the worst pad."""
    where = found.affine
    about = f"{escape(name)}: " if name else ""
    side = ", mirrored" if where.mirrored else ""
    console.print(
        f"[bold]{about}{found.fit.kind}[/] from {len(found.pairs)} points: turned {where.turn_deg:+.3f}°{side},"
        f" scale X {where.scale_x - 1:+.3%} Y {where.scale_y - 1:+.3%}, skew {where.skew_deg:+.3f}°"
    )
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("point")
    for heading in ("board X", "board Y", "found X", "found Y", "off X", "off Y", "off", "off without it"):
        table.add_column(heading, justify="right")
    for pair, (dx, dy), off, alone in zip(
        found.pairs, found.fit.residuals_mm.tolist(), found.off_mm, found.left_out_mm, strict=True
    ):
        table.add_row(
            escape(pair.name),
            *(f"{value:.3f}" for value in (*pair.from_mm, *pair.to_mm)),
            f"{dx:+.3f}",
            f"{dy:+.3f}",
            f"{off:.3f}",
            "–" if alone is None else f"{alone:.3f}",
        )
    console.print(table)
    console.print(
        f"  residuals: {found.fit.rms_point_mm:.4f} mm rms per point, {found.fit.rms_coordinate_mm:.4f} mm per coordinate"
    )
    console.print(
        f"  expected error at the worst pad, {escape(found.worst_pad)}: {found.expected_mm:.3f} mm rms,"
        f" 19 of 20 within {found.expected_95_mm:.3f} mm (each point found to {found.sigma_mm:.3f} mm)"
    )


def print_heights(heights: Heights, *, name: str = "") -> None:
    """Print the surface, tilt and bow."""
    console.print(
        f"[bold]{escape(name + ': ' if name else '')}height[/] {heights.kind}: tilt {heights.tilt_deg:.3f}° rising towards"
        f" {heights.uphill_deg:.0f}° ({heights.rise_mm:.3f} mm across the board), bow {heights.bow_mm:.3f} mm,"
        f" {heights.rms_mm:.4f} mm rms unexplained"
    )


def camera_offset_command(touch: Sequence[str], look: Sequence[str]) -> int:
    """Print the camera's offset as lines for the profile; returns the exit code."""
    if len(touch) != len(look):
        raise one_error(
            f"{len(touch)} --touch and {len(look)} --look are given",
            "Each spot is touched once and looked at once.",
        )
    spots = [
        Spot(touch_mm=_place("--touch", a), look_mm=_place("--look", b))
        for a, b in zip(touch, look, strict=True)
    ]
    found = camera_offset(spots)
    for k, off in enumerate(found.off_mm, 1):
        console.print(f"  spot {k}: {off:.4f} mm from the mean")
    if found.error_mm is not None:
        console.print(f"  standard error {found.error_mm:.4f} mm")
    print_warnings(found.warnings)
    console.print("Put this into the profile:")
    console.print(
        f"\\[camera]\noffset_x_mm = {found.offset_mm[0]:.4f}\noffset_y_mm = {found.offset_mm[1]:.4f}",
        soft_wrap=True,
    )
    return DONE


def _place(option: str, word: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in word.split(","))
    except ValueError:
        raise one_error(f"{option} {word!r} is not X,Y", f"For example {option} 103.12,53.48") from None
    return x, y


def locate_command(
    photo: Path | None,
    *,
    camera: str | None,
    profile_path: Path | None,
    mm_per_px: float | None,
    kind: str | None,
    size_mm: float | None,
    head: str | None,
) -> int:
    """Print the marks in a photo or camera frame; returns the exit code."""
    if (photo is None) == (camera is None):
        raise one_error(
            "give either a photo or --camera", "For example: pastewright locate frame.png --scale 0.012"
        )
    profile = load_profile(profile_path) if profile_path is not None else None
    scale = mm_per_px if mm_per_px is not None else profile.camera.mm_per_px if profile is not None else 0.0
    if not 0 < scale <= 1:
        raise one_error(
            "the size of a pixel is not known" if scale == 0 else f"a pixel of {scale:g} mm is not possible",
            "Give --scale MM_PER_PIXEL, or mm_per_px in [camera] of the profile.",
        )
    wanted = None
    if kind is not None:
        if kind not in [str(one) for one in MarkKind]:
            raise one_error(f"--kind {kind!r} is not known", f"There are: {', '.join(MarkKind)}.")
        wanted = MarkKind(kind)
    at = None if head is None else _place("--head", head)
    if photo is not None:
        frame = read_frame(photo)
    else:
        source = str(camera)
        frame = camera_frame(int(source) if source.isdigit() else source)
    grey = grey_of(frame)
    view = View(
        width_px=grey.shape[1],
        height_px=grey.shape[0],
        mm_per_px=scale,
        turn_deg=profile.camera.turn_deg if profile is not None else 0.0,
    )
    found = marks(grey, kind=wanted, size_px=None if size_mm is None else size_mm / scale)
    if not found:
        console.print("no mark was found; look at focus and light, and at --kind and --size")
        return FINDINGS
    offset = (profile.camera.offset_x_mm, profile.camera.offset_y_mm) if profile is not None else (0.0, 0.0)
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("mark")
    headings = ["x px", "y px", "size mm", "contrast", "likeness", "from middle X", "Y mm"]
    for heading in [*headings, *(["machine X", "Y mm"] if at else [])]:
        table.add_column(heading, justify="right")
    for mark in found:
        dx, dy = view.off_centre_mm(mark.x_px, mark.y_px)
        row = [str(mark.kind), f"{mark.x_px:.3f}", f"{mark.y_px:.3f}", f"{mark.size_px * scale:.3f}"]
        row += [f"{mark.contrast:.0f}", f"{mark.likeness:.2f}", f"{dx:+.4f}", f"{dy:+.4f}"]
        if at is not None:
            row += [f"{at[0] + offset[0] + dx:.4f}", f"{at[1] + offset[1] + dy:.4f}"]
        table.add_row(*row)
    console.print(table)
    return DONE
