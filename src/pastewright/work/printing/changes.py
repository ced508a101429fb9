"""What changed between two revisions of a board, as `compare` prints it."""

from rich.markup import escape

from pastewright.counting import counted
from pastewright.plan.compare import ChangeKind, Comparison
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of

MOST_ROWS = 200  # a few screens; the picture has all


def print_changes(found: Comparison) -> None:
    """Print the changes of pads, and what they do to the paste."""
    counts = ", ".join(f"{len(changes)} {kind}" for kind in ChangeKind if (changes := found.of(kind)))
    console.print(f"[bold]{counts or 'no changes'}[/]; {counted(found.unchanged, 'pad')} as before")
    gain = found.after_total - found.before_total
    console.print(
        f"  paste {found.before_total:.3f} to {found.after_total:.3f} {found.unit} ({gain:+.3f} {found.unit})"
    )
    if found.shift_mm != (0.0, 0.0):
        dx, dy = found.shift_mm
        console.print(
            f"  all pads lie ({dx:+.3f}, {dy:+.3f}) mm elsewhere on the board; compared without that"
        )
    if not found.changes:
        return
    texts = ("pad", "was", "change")
    table = table_of(*texts, f"before {found.unit}", f"after {found.unit}", "moved mm", words=texts)
    for change in found.changes[:MOST_ROWS]:
        moved = ""
        if change.kind is ChangeKind.MOVED and change.from_mm is not None and change.to_mm is not None:
            moved = f"{change.to_mm[0] - change.from_mm[0]:+.3f} {change.to_mm[1] - change.from_mm[1]:+.3f}"
        table.add_row(
            escape(change.pad_id),
            escape(change.was),
            str(change.kind),
            f"{change.before:.4f}",
            f"{change.after:.4f}",
            moved,
        )
    console.print(table)
    if len(found.changes) > MOST_ROWS:
        console.print(f"… and {len(found.changes) - MOST_ROWS} more, all in the picture")
