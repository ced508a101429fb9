"""`pastewright register`: where the board lies, and how high."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import Asking, AtMachine, KeepOutOption, ProfilePath, Source


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
    machine: AtMachine,
    find: Annotated[
        list[str] | None,
        typer.Option(
            "--find", metavar="NAME", help="With --port: a point to be gone to [all fiducials]. Repeat."
        ),
    ] = None,
    grid: Annotated[
        str, typer.Option("--grid", metavar="COLUMNSxROWS", help="With --port: then probe the height too.")
    ] = "",
    keep_out: KeepOutOption = None,
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
    asked: Asking,
    out: Annotated[Path, typer.Option("--out", "-o", help="The placement to write.")] = Path(
        "placement.json"
    ),
) -> int:
    """Find where a board lies from its fiducials, and how high from probed points; write placement.json.

    With --port the machine goes near each fiducial by itself, over the job's zones and --keep-out or round them, and you
    bring the tip onto it by keys.
    """
    from pastewright.cli import typed
    from pastewright.place.fiducials.limits import MapLimits
    from pastewright.place.fiducials.points import FoundPoint
    from pastewright.place.height.heights import Probe
    from pastewright.place.height.probe import probing, typed_keep_out
    from pastewright.work import placing
    from pastewright.work.exits import DONE
    from pastewright.work.machine import boards
    from pastewright.work.machine.standing import StandingParts
    from pastewright.work.printing.placing import print_placed
    from pastewright.work.reading import load_asked, load_profile
    from pastewright.writing import write_text

    by_camera = typed.typed_by(by)
    kind, turn = typed.typed_fit(fit), typed.typed_turn(turned)
    bench = load_profile(profile)
    board, job = load_asked(source, asked, bench)
    zones = (*job.zones, *(typed_keep_out(word) for word in keep_out or []))
    found, heights = placing.found_points(at or [], probe_at or [], points)
    limits = MapLimits(residual_mm=limit_mm, found_to_mm=found_to_mm, turned_deg=turn, mirrored=mirrored)

    def placed_by(marks: Sequence[FoundPoint], probes: Sequence[Probe]) -> placing.Placed:
        seen = placing.of_tip(marks, bench) if by_camera and marks else marks
        return placing.placed_board(
            board, bench, seen, probes, kind=kind, limits=limits, file=str(points or "")
        )

    if machine.port:
        by_hand, felt = boards.found_by_hand(
            profile,
            machine,
            boards.marks_to_find(find or [], board),
            by_camera=by_camera,
            standing=StandingParts(zones=zones, size_mm=board.size_mm),
            journey=None
            if not grid
            else lambda at, marks: probing(
                board,
                placed_by([*found, *marks], []).placement.affine,
                at.profile,
                columns=typed.typed_grid(grid)[0],
                rows=typed.typed_grid(grid)[1],
                zones=zones,
            ),
        )
        found.extend(by_hand)
        heights.extend(felt)
    placed = placed_by(found, heights)
    write_text(out, placing.placement_text(placed, board), what="the placement")
    print_placed(placed, out)
    return DONE
