"""`pastewright locate`: fiducials in a camera frame."""

from pathlib import Path
from typing import Annotated

import typer

SCALE_MEND = "Give --scale MM_PER_PIXEL, or mm_per_px in [camera] of the profile."


def locate(
    photo: Annotated[Path | None, typer.Argument(help="A camera frame (PNG, JPEG).")] = None,
    *,
    camera: Annotated[
        str | None, typer.Option("--camera", help="Number of a USB camera, instead of a photo.")
    ] = None,
    profile: Annotated[Path | None, typer.Option("--profile", "-p", help="The bench, for [camera].")] = None,
    mm_per_px: Annotated[float | None, typer.Option("--scale", help="Size of a pixel [mm].")] = None,
    kind: Annotated[str | None, typer.Option("--kind", help="round, square, cross or ring [any].")] = None,
    size_mm: Annotated[
        float | None, typer.Option("--size", min=0.01, max=100, help="Size of the mark [mm, any].")
    ] = None,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="X,Y", help="Where the machine was; prints places on the machine."),
    ] = None,
) -> int:
    """Find fiducials in a camera frame, with centres finer than a pixel."""
    from pastewright.cli.typed import existing, typed_mark, typed_place
    from pastewright.problems import one_error
    from pastewright.work.exits import DONE, FINDINGS

    # What was typed is looked at before the libraries for pictures are loaded.
    if (photo is None) == (camera is None):
        raise one_error(
            "give either a photo or --camera", "For example: pastewright locate frame.png --scale 0.012"
        )
    wanted = typed_mark(kind) if kind is not None else None
    at = None if head is None else typed_place("--head", head)
    if photo is not None:
        existing(photo, "a photo (PNG, JPEG)")
    if mm_per_px is None and profile is None:
        raise one_error("the size of a pixel is not known", SCALE_MEND)

    from pastewright.place.fiducials.camera import camera_frame, read_frame
    from pastewright.place.fiducials.locate import MarkView, grey_of, marks
    from pastewright.work.printing.console import out as console
    from pastewright.work.printing.marks import print_marks
    from pastewright.work.reading import load_profile

    bench = load_profile(profile) if profile is not None else None
    scale = mm_per_px if mm_per_px is not None else bench.camera.mm_per_px if bench is not None else 0.0
    if not 0 < scale <= 1:
        raise one_error(
            "the size of a pixel is not known" if scale == 0 else f"a pixel of {scale:g} mm is not possible",
            SCALE_MEND,
        )
    if photo is not None:
        frame = read_frame(photo)
    else:
        number = str(camera)
        frame = camera_frame(int(number) if number.isdigit() else number)
    grey = grey_of(frame)
    view = MarkView(
        width_px=grey.shape[1],
        height_px=grey.shape[0],
        mm_per_px=scale,
        turn_deg=bench.camera.turn_deg if bench is not None else 0.0,
    )
    found = marks(grey, kind=wanted, size_px=None if size_mm is None else size_mm / scale)
    if not found:
        console.print("no mark was found; look at focus and light, and at --kind and --size")
        return FINDINGS
    offset = (bench.camera.offset_x_mm, bench.camera.offset_y_mm) if bench is not None else (0.0, 0.0)
    print_marks(found, view, head_mm=at, offset_mm=offset)
    return DONE
