"""`pastewright register`: where the board lies, and how high."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.cli.options import ProfilePath, Reading, SideName, SideOption, Source


def register(
    source: Source,
    *,
    profile: ProfilePath,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            metavar="WHAT=X,Y",
            help="Where a fiducial (F1), corner (LL), pad or X,Y was found. Repeat.",
        ),
    ] = None,
    points: Annotated[
        Path | None, typer.Option("--points", help="Found points and probed heights: TOML, CSV or a log.")
    ] = None,
    probe_at: Annotated[
        list[str] | None, typer.Option("--probe", metavar="X,Y,Z", help="A probed height. Repeat.")
    ] = None,
    port: Annotated[
        str | None,
        typer.Option("--port", help="Ask the controller where it stands: serial port, URL or sim:NAME."),
    ] = None,
    find: Annotated[
        list[str] | None,
        typer.Option(
            "--find", metavar="NAME", help="With --port: a point to be found [all fiducials]. Repeat."
        ),
    ] = None,
    by: Annotated[str, typer.Option("--by", help="What the points were found with: tip or camera.")] = "tip",
    fit: Annotated[str, typer.Option("--fit", help="auto, rigid, similarity or affine.")] = "auto",
    turned: Annotated[str, typer.Option("--turned", help="How the board was put in: degrees, or any.")] = "0",
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The machine's axes are left-handed.")] = False,
    limit_mm: Annotated[
        float, typer.Option("--limit", min=0.001, max=5, help="Largest residual of a point [mm].")
    ] = 0.1,
    found_to_mm: Annotated[
        float, typer.Option("--found-to", min=0.0001, max=5, help="How well a coordinate is found [mm].")
    ] = 0.02,
    side: SideOption = SideName.TOP,
    files: Reading,
    out: Annotated[Path, typer.Option("--out", "-o", help="The placement to write.")] = Path(
        "placement.json"
    ),
) -> int:
    """Find where a board lies from its fiducials, and how high from probed points; write placement.json."""
    from pastewright.cli import placing
    from pastewright.cli.exits import DONE
    from pastewright.cli.printing.placing import print_placed
    from pastewright.cli.reading import load_board, load_profile
    from pastewright.place.fiducials.limits import MapLimits
    from pastewright.writing import write_text

    by_camera = placing.typed_by(by)
    kind, turn = placing.typed_fit(fit), placing.typed_turn(turned)
    bench = load_profile(profile)
    board = load_board(source, side=side.value, files=files, shrink_mm=bench.dose.shrink_mm)
    found, heights = placing.found_points(at or [], probe_at or [], points)
    if port is not None:
        found.extend(placing.asked_points(port, find or [], board, bench))
    if by_camera and found:
        found = placing.of_tip(found, bench)
    limits = MapLimits(residual_mm=limit_mm, found_to_mm=found_to_mm, turned_deg=turn, mirrored=mirrored)
    placed = placing.placed_board(
        board, bench, found, heights, kind=kind, limits=limits, file=str(points or "")
    )
    write_text(out, placing.placement_text(placed, board), what="the placement")
    print_placed(placed, out)
    return DONE
