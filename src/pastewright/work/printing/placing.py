"""Where boards were found, how high they are, and the marks of a picture."""

from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape

from pastewright.counting import counted
from pastewright.place.fiducials.offset import CameraOffset
from pastewright.place.fiducials.register import Registration
from pastewright.place.height.heights import Heights
from pastewright.place.height.probe import Probing
from pastewright.place.tray.panel import PlacedTray
from pastewright.work.placing import Placed
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_file, print_warnings, table_of


def print_registration(found: Registration, *, name: str = "") -> None:
    """Print the map, each point's residual, and the error to expect at the worst pad."""
    where = found.affine
    about = f"{escape(name)}: " if name else ""
    side = ", mirrored" if where.mirrored else ""
    console.print(
        f"[bold]{about}{found.fit.kind}[/] from {counted(len(found.pairs), 'point')}: turned {where.turn_deg:+.3f}°{side},"
        f" scale X {where.scale_x - 1:+.3%} Y {where.scale_y - 1:+.3%}, skew {where.skew_deg:+.3f}°"
    )
    headings = ("board X", "board Y", "found X", "found Y", "off X", "off Y", "off", "off without it")
    table = table_of("point", *headings, words=("point",))
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


def print_tray(placed: PlacedTray) -> None:
    """Print how each board of a tray was found, and which are left out."""
    for name, found in placed.registrations.items():
        print_registration(found, name=name)
    for name, heights in placed.heights.items():
        print_heights(heights, name=name if name == "tray" else f"board {name}")
    print_warnings(placed.warnings)
    if placed.skipped:
        console.print(f"  marked bad and skipped: {escape(', '.join(placed.skipped))}")


def print_journey(journey: Probing, warnings: Sequence[str], program_file: Path) -> None:
    """Print what a probing program does, and what to do with its answers."""
    round_about = sum(1 for stop in journey.stops if stop.by_mm)
    over = sum(1 for stop in journey.stops[1:] if stop.over)
    console.print(
        f"[bold]{counted(len(journey.stops), 'place')}[/], travel at Z {journey.travel_z_mm:g} mm,"
        f" probing down to Z {journey.low_z_mm:g} mm;"
        f" {counted(round_about, 'way')} round parts, {over} above them at Z {journey.safe_z_mm:g} mm"
    )
    print_warnings([*warnings, *journey.left_out])
    print_file("program", program_file)
    console.print(
        f"  Send it: pastewright run {escape(str(program_file))} -p PROFILE --port PORT; its answers become the placement's"
        " heights. Sent by other means: save what the controller answers, and give it to pastewright register … --points"
    )


def print_placed(placed: Placed, file: Path) -> None:
    """Print how a board was found, and what the placement file is for."""
    if placed.registration is not None:
        print_registration(placed.registration)
    if placed.heights is not None:
        print_heights(placed.heights)
    print_warnings(placed.placement.warnings)
    console.print(
        f"  placement  {escape(str(file))}; use it with: pastewright plan … --placement {escape(str(file))}"
    )


def print_offset(found: CameraOffset) -> None:
    """Print a camera's offset as lines for the profile."""
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
