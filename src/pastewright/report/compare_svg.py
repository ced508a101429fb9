"""The picture of a comparison: the new board, with what was added, removed, moved or dosed otherwise in colour."""

from collections.abc import Iterable
from html import escape

from pastewright.board.model import Board
from pastewright.decimals import short as _n
from pastewright.plan.compare import Change, ChangeKind, Comparison
from pastewright.report import colours
from pastewright.report.board_svg import MARGIN_MM
from pastewright.report.paths import area_path
from pastewright.report.svg import box_of, picture

_COLOUR = {
    ChangeKind.ADDED: "#3fbf5f",
    ChangeKind.REMOVED: "#e0524d",
    ChangeKind.MOVED: "#4aa3e0",
    ChangeKind.DOSE: "#e8b13a",
    ChangeKind.RENAMED: "#b18be0",
}
SAME = "#6d7f76"


def compare_svg(old: Board, new: Board, found: Comparison) -> str:
    """Return the picture as SVG text; one user unit is a millimetre, the new board's lower left corner at (0, 0)."""
    dx, dy = found.shift_mm
    points = [(0.0, 0.0), new.size_mm]
    for board, (x, y) in ((new, (0.0, 0.0)), (old, (dx, dy))):
        for left, low, right, high in (pad.land.bounds for pad in board.pads):
            points += [(left + x, low + y), (right + x, high + y)]
    body = []
    if new.outline is not None:
        body.append(
            f'<path d="{area_path(new.outline)}" fill="{colours.BOARD}" fill-rule="evenodd"'
            f' stroke="{colours.BOARD_EDGE}" stroke-width="0.12"/>'
        )
    body += _now(new, found)
    body.append(f'<g transform="translate({_n(dx)} {_n(dy)})">')
    body += _gone(old, found)
    body.append("</g>")
    body += _moves(found)
    legend = [
        *((f'fill="{_COLOUR[kind]}"', f"{kind} ({len(found.of(kind))})") for kind in ChangeKind),
        (f'fill="{SAME}"', "same"),
    ]
    return picture(
        box_of(points, MARGIN_MM),
        body,
        words=f"changes of {new.name}, {new.side} side",
        ground=colours.GROUND,
        legend=legend,
    )


def _now(new: Board, found: Comparison) -> Iterable[str]:
    """The openings of the new board, coloured by what changed."""
    by_new = {change.pad_id: change for change in found.changes if change.kind is not ChangeKind.REMOVED}
    for pad in new.pads:
        change = by_new.get(pad.id)
        colour = SAME if change is None else _COLOUR[change.kind]
        title = f"<title>{escape(change_words(change, found.unit))}</title>" if change is not None else ""
        for aperture in pad.apertures:
            yield f'<path d="{area_path(aperture.shape)}" fill="{colour}" fill-rule="evenodd">{title}</path>'


def _gone(old: Board, found: Comparison) -> Iterable[str]:
    """The openings that are no more, dashed."""
    removed = {change.pad_id: change for change in found.of(ChangeKind.REMOVED)}
    for pad in old.pads:
        if pad.id not in removed:
            continue
        title = f"<title>{escape(change_words(removed[pad.id], found.unit))}</title>"
        for aperture in pad.apertures:
            yield (
                f'<path d="{area_path(aperture.shape)}" fill="none" stroke="{_COLOUR[ChangeKind.REMOVED]}"'
                f' stroke-width="0.12" stroke-dasharray="0.3 0.2">{title}</path>'
            )


def _moves(found: Comparison) -> Iterable[str]:
    """A line from where each moved pad was to where it is."""
    for change in found.of(ChangeKind.MOVED):
        if change.from_mm is not None and change.to_mm is not None:
            (ax, ay), (bx, by) = change.from_mm, change.to_mm
            yield (
                f'<path d="M{_n(ax)} {_n(ay)}L{_n(bx)} {_n(by)}" stroke="{_COLOUR[ChangeKind.MOVED]}"'
                f' stroke-width="0.1" fill="none"/><circle cx="{_n(ax)}" cy="{_n(ay)}" r="0.12"'
                f' fill="{_COLOUR[ChangeKind.MOVED]}"/>'
            )


def change_words(change: Change, unit: str) -> str:
    """Return one change in words: "R5-1 dose changed: 0.1200 to 0.0900 µL"."""
    name = f"{change.was} → {change.pad_id}" if change.was else change.pad_id
    if change.kind is ChangeKind.ADDED:
        return f"{name} {change.kind}: {change.after:.4f} {unit}"
    if change.kind is ChangeKind.REMOVED:
        return f"{name} {change.kind}: {change.before:.4f} {unit}"
    if change.kind is ChangeKind.MOVED and change.from_mm is not None and change.to_mm is not None:
        dx, dy = change.to_mm[0] - change.from_mm[0], change.to_mm[1] - change.from_mm[1]
        return f"{name} {change.kind} by ({dx:+.3f}, {dy:+.3f}) mm"
    return f"{name} {change.kind}: {change.before:.4f} to {change.after:.4f} {unit}"
