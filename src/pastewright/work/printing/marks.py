"""The marks of a camera frame, as `locate` prints them."""

from collections.abc import Sequence

from pastewright.place.fiducials.locate import MarkView, SeenMark
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of


def print_marks(
    found: Sequence[SeenMark],
    view: MarkView,
    *,
    head_mm: tuple[float, float] | None,
    offset_mm: tuple[float, float],
) -> None:
    """Print marks with their places from the picture's middle and, with `head_mm`, on the machine."""
    headings = ["x px", "y px", "size mm", "contrast", "likeness", "from middle X", "Y mm"]
    table = table_of("mark", *headings, *(["machine X", "Y mm"] if head_mm else []), words=("mark",))
    for mark in found:
        dx, dy = view.off_centre_mm(mark.x_px, mark.y_px)
        row = [str(mark.kind), f"{mark.x_px:.3f}", f"{mark.y_px:.3f}", f"{mark.size_px * view.mm_per_px:.3f}"]
        row += [f"{mark.contrast:.0f}", f"{mark.likeness:.2f}", f"{dx:+.4f}", f"{dy:+.4f}"]
        if head_mm is not None:
            row += [f"{head_mm[0] + offset_mm[0] + dx:.4f}", f"{head_mm[1] + offset_mm[1] + dy:.4f}"]
        table.add_row(*row)
    console.print(table)
