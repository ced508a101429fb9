"""The picture of a comparison: the new board, with what was added, removed, moved or dosed otherwise in colour."""

from html import escape

from pastewright.board.model import Board
from pastewright.decimals import short as _n
from pastewright.plan.compare import Change, ChangeKind, Comparison
from pastewright.report import colours
from pastewright.report.board_svg import MARGIN_MM, area_path

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
    boxes = [pad.land.bounds for pad in new.pads]
    boxes += [
        (x0 + dx, y0 + dy, x1 + dx, y1 + dy) for x0, y0, x1, y1 in (pad.land.bounds for pad in old.pads)
    ]
    boxes += [(0.0, 0.0, *new.size_mm)]
    x0 = min(box[0] for box in boxes) - MARGIN_MM
    y0 = min(box[1] for box in boxes) - MARGIN_MM
    x1 = max(box[2] for box in boxes) + MARGIN_MM
    y1 = max(box[3] for box in boxes) + MARGIN_MM
    size = max((x1 - x0) / 45, 0.6)
    height = y1 - y0 + 2.2 * size
    words = escape(f"changes of {new.name}, {new.side} side", quote=True)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{_n(x0)} {_n(-y1)} {_n(x1 - x0)} {_n(height)}"'
        f' width="{_n((x1 - x0) * 12)}" height="{_n(height * 12)}" role="img" aria-label="{words}"'
        ' font-family="sans-serif">',
        f'<rect x="{_n(x0)}" y="{_n(-y1)}" width="{_n(x1 - x0)}" height="{_n(height)}"'
        f' fill="{colours.GROUND}"/>',
        '<g transform="scale(1 -1)">',
    ]
    if new.outline is not None:
        parts.append(
            f'<path d="{area_path(new.outline)}" fill="{colours.BOARD}" fill-rule="evenodd"'
            f' stroke="{colours.BOARD_EDGE}" stroke-width="0.12"/>'
        )
    by_new = {change.pad_id: change for change in found.changes if change.kind is not ChangeKind.REMOVED}
    for pad in new.pads:
        for aperture in pad.apertures:
            change = by_new.get(pad.id)
            colour = SAME if change is None else _COLOUR[change.kind]
            title = f"<title>{escape(change_words(change, found.unit))}</title>" if change is not None else ""
            parts.append(
                f'<path d="{area_path(aperture.shape)}" fill="{colour}" fill-rule="evenodd">{title}</path>'
            )
    removed = {change.pad_id: change for change in found.of(ChangeKind.REMOVED)}
    parts.append(f'<g transform="translate({_n(dx)} {_n(dy)})">')
    for pad in old.pads:
        if pad.id in removed:
            title = f"<title>{escape(change_words(removed[pad.id], found.unit))}</title>"
            parts.extend(
                f'<path d="{area_path(aperture.shape)}" fill="none" stroke="{_COLOUR[ChangeKind.REMOVED]}"'
                f' stroke-width="0.12" stroke-dasharray="0.3 0.2">{title}</path>'
                for aperture in pad.apertures
            )
    parts.append("</g>")
    for change in found.of(ChangeKind.MOVED):
        if change.from_mm is not None and change.to_mm is not None:
            (ax, ay), (bx, by) = change.from_mm, change.to_mm
            parts.append(
                f'<path d="M{_n(ax)} {_n(ay)}L{_n(bx)} {_n(by)}" stroke="{_COLOUR[ChangeKind.MOVED]}"'
                f' stroke-width="0.1" fill="none"/><circle cx="{_n(ax)}" cy="{_n(ay)}" r="0.12"'
                f' fill="{_COLOUR[ChangeKind.MOVED]}"/>'
            )
    parts.append("</g>")
    x, y = x0 + size / 2, -y0 + 1.4 * size
    for colour, text in [
        *((_COLOUR[kind], f"{kind} ({len(found.of(kind))})") for kind in ChangeKind),
        (SAME, "same"),
    ]:
        parts.append(
            f'<rect x="{_n(x)}" y="{_n(y - size * 0.75)}" width="{_n(size)}" height="{_n(size * 0.8)}"'
            f' fill="{colour}"/><text x="{_n(x + size * 1.3)}" y="{_n(y)}" font-size="{_n(size)}"'
            f' fill="#e9efe9">{escape(text)}</text>'
        )
        x += (x1 - x0) / (len(ChangeKind) + 1.2)
    parts.append("</svg>")
    return "\n".join(parts)


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
