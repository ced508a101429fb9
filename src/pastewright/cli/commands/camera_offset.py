"""`pastewright camera-offset`: the camera's offset from the tip."""

from typing import Annotated

import typer


def camera_offset(
    touch: Annotated[
        list[str] | None,
        typer.Option(
            "--touch", metavar="X,Y", help="Where the machine was when the tip touched a spot. Repeat."
        ),
    ] = None,
    look: Annotated[
        list[str] | None,
        typer.Option("--look", metavar="X,Y", help="And when the cross-hair was on the same spot. Repeat."),
    ] = None,
) -> int:
    """Work out the camera's offset from the tip: touch a dot, look at the dot."""
    from pastewright.cli.typed import typed_place
    from pastewright.problems import one_error
    from pastewright.work.exits import DONE

    touched, looked = touch or [], look or []
    if len(touched) != len(looked):
        raise one_error(
            f"{len(touched)} --touch and {len(looked)} --look are given",
            "Each spot is touched once and looked at once.",
        )
    places = [
        (typed_place("--touch", a), typed_place("--look", b)) for a, b in zip(touched, looked, strict=True)
    ]

    from pastewright.place.fiducials.offset import OffsetSpot, camera_offset
    from pastewright.work.printing.placing import print_offset

    spots = [OffsetSpot(touch_mm=touch_mm, look_mm=look_mm) for touch_mm, look_mm in places]
    print_offset(camera_offset(spots))
    return DONE
