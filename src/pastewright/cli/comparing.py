"""`pastewright compare`: what changed between two revisions of a board as far as paste is concerned."""

from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.reading import layer_overrides, load_board, load_profile
from pastewright.plan.compare import ChangeKind, Comparison, compare_boards
from pastewright.problems import one_error
from pastewright.report.compare_svg import compare_svg

MOST_ROWS = 200


def compare_command(
    old: Path,
    new: Path,
    profile_path: Path | None,
    *,
    side: str,
    out: Path | None,
    layers: Sequence[str],
    units: str,
    columns: str,
) -> int:
    """Print and draw the changes from `old` to `new`; 0 when there are none, 1 when there are."""
    profile = load_profile(profile_path) if profile_path is not None else None
    overrides = layer_overrides(layers)
    shrink_mm = profile.dose.shrink_mm if profile is not None else 0.0
    before, after = (
        load_board(source, side=side, overrides=overrides, shrink_mm=shrink_mm, units=units, columns=columns)
        for source in (old, new)
    )
    found = compare_boards(before, after, profile)
    _print(found)
    if out is not None:
        try:
            out.parent.mkdir(parents=True, exist_ok=True)
            out.write_text(compare_svg(before, after, found), encoding="utf-8")
        except OSError as error:
            raise one_error(
                f"the picture cannot be written: {error.strerror or error}",
                "Choose another --out.",
                file=str(out),
            ) from None
        console.print(f"  picture  {escape(str(out))}")
    return FINDINGS if found.changes else DONE


def _print(found: Comparison) -> None:
    counts = ", ".join(f"{len(changes)} {kind}" for kind in ChangeKind if (changes := found.of(kind)))
    console.print(f"[bold]{counts or 'no changes'}[/]; {found.unchanged} pads as before")
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
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("pad", "was", "change", f"before {found.unit}", f"after {found.unit}", "moved mm"):
        table.add_column(heading, justify="left" if heading in ("pad", "was", "change") else "right")
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
