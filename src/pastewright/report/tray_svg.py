"""The picture of a tray: each board where it lies on the machine, its bow in colour, strips, wipe and the way between.

One board is drawn once and used where its transform puts it, so that twenty boards make a file little larger than
one. One user unit is one millimetre of the machine; y is flipped once.
"""

from collections.abc import Iterable, Mapping, Sequence
from html import escape

import numpy as np

from pastewright.board.model import Board, Point
from pastewright.counting import counted
from pastewright.decimals import short as _n
from pastewright.deposit.model import Layout
from pastewright.motion.model import Motions, Step
from pastewright.place.transform import Placement, Placements, corners_mm
from pastewright.report import colours
from pastewright.report.beside import Beside, drawn
from pastewright.report.board_svg import board_body
from pastewright.report.svg import LIGHT, box_of, picture

MARGIN_MM = 6.0  # room for the names above the boards
WARM, COLD = "#ff8c3c", "#3c8cff"  # about the middle of the two scales of `_bow`
CELLS = 24  # a side; finer shows no more of a bow
LEAST_BOW_MM = 0.02  # flatter boards are not coloured


def tray_svg(
    board: Board,
    layout: Layout,
    placements: Placements,
    motions: Motions,
    beside: Beside,
    *,
    targets_ul: Mapping[str, float] | None = None,
    skipped: Sequence[tuple[str, Sequence[Point]]] = (),
    standalone: bool = True,
) -> str:
    """Return the picture as SVG text.

    `board` and `layout` are of one board; `skipped` are names and corners [mm, machine] of boards left out.
    """
    outlines = {one.name: corners_mm(board.size_mm, one.affine) for one in placements.boards}
    points = [tuple(corner) for four in outlines.values() for corner in four.tolist()]
    points += [corner for _, four in skipped for corner in four]
    points += beside.points()
    points += [(move.x_mm, move.y_mm) for move in motions.moves if move.step is not Step.RAISE]
    box = box_of(points, MARGIN_MM)
    body = [
        '<defs><g id="board">',
        *board_body(board, layout, targets_ul=targets_ul),
        "</g></defs>",
    ]
    for one in placements.boards:
        where = one.affine
        numbers = (where.xx, where.yx, where.xy, where.yy, where.x_mm, where.y_mm)
        matrix = " ".join(f"{value:.7g}" for value in numbers)
        body.append(f'<use href="#board" transform="matrix({matrix})"/>')
        body += _bow(one, outlines[one.name].tolist())
    body += _left_out(skipped)
    body += drawn(beside, (box.x0, box.y0, box.x1, box.y1))
    body.append(_way(motions))
    bowed = any('fill-opacity="0.4"' in part for part in body)
    return picture(
        box,
        body,
        words=f"{counted(len(placements.boards), 'board')} of {board.name}, {board.side} side",
        ground=colours.GROUND,
        legend=_entries(placements, skipped=bool(skipped), bowed=bowed),
        above=list(_names(placements.boards, outlines, skipped, box.letter_mm)),
        standalone=standalone,
    )


def _entries(placements: Placements, *, skipped: bool, bowed: bool) -> list[tuple[str, str]]:
    entries = [
        (colours.LAND, "pad"),
        (colours.FILL_SCALE[2][1], "paste"),
        (colours.APERTURE, "settling strip"),
    ]
    if placements.wipe is not None:
        entries.append((colours.TRAVEL, "wiping pad"))
    entries.append((colours.TRAVEL, "travel"))
    if bowed:
        entries += [(WARM, "bowed up"), (COLD, "bowed down")]
    if skipped:
        entries.append((colours.LOOK, "marked bad"))
    return [(f'fill="{colour}"', words) for colour, words in entries]


def _bow(one: Placement, corners: Sequence[Point]) -> Iterable[str]:
    """Colour a board by how far its surface is from a plane: warm above, cold below."""
    mesh = one.surface.mesh
    if mesh is None:
        return
    a, b, _, d = np.array(corners)
    shares = (np.arange(CELLS) + 0.5) / CELLS
    u, v = np.meshgrid(shares, shares)
    places = a + u[..., None] * (b - a) + v[..., None] * (d - a)
    heights = one.surface.heights_mm(places).ravel()
    flat = places.reshape(-1, 2)
    columns = np.column_stack([np.ones(len(flat)), flat])
    off = heights - columns @ np.linalg.lstsq(columns, heights, rcond=None)[0]
    most = float(np.abs(off).max())
    if np.ptp(off) < LEAST_BOW_MM:
        return
    across, up = (b - a) / CELLS, (d - a) / CELLS
    words = f"board {one.name}: bow {np.ptp(off):.2f} mm"
    yield f'<g fill-opacity="0.4"><title>{escape(words)}</title>'
    for (x, y), value in zip(flat.tolist(), off.tolist(), strict=True):
        share = value / most
        colour = (
            f"rgb(255,{round(200 - 160 * share)},60)"
            if share > 0
            else f"rgb(60,{round(200 + 120 * share)},255)"
        )
        corner = np.array([x, y]) - (across + up) / 2
        path = "L".join(
            f"{_n(px)} {_n(py)}" for px, py in (corner, corner + across, corner + across + up, corner + up)
        )
        yield f'<path d="M{path}Z" fill="{colour}" fill-opacity="{abs(share) * 0.55:.2f}"/>'
    yield "</g>"


def _left_out(skipped: Sequence[tuple[str, Sequence[Point]]]) -> Iterable[str]:
    for name, corners in skipped:
        path = "L".join(f"{_n(x)} {_n(y)}" for x, y in corners)
        (xa, ya), (xb, yb), (xc, yc), (xd, yd) = corners
        yield (
            f'<path d="M{path}ZM{_n(xa)} {_n(ya)}L{_n(xc)} {_n(yc)}M{_n(xb)} {_n(yb)}L{_n(xd)} {_n(yd)}" fill="none"'
            f' stroke="{colours.LOOK}" stroke-width="0.5" stroke-dasharray="2 1.2">'
            f"<title>board {escape(name)} is marked bad</title></path>"
        )


def _way(motions: Motions) -> str:
    """Return the way of every travel, thin enough for thousands."""
    hops = []
    last: Point | None = None
    for move in motions.moves:
        here = (move.x_mm, move.y_mm)
        if move.step is Step.TRAVEL and last is not None:
            hops.append(f"M{_n(last[0])} {_n(last[1])}L{_n(here[0])} {_n(here[1])}")
        if move.step is not Step.RAISE:
            last = here
    return f'<path d="{"".join(hops)}" stroke="{colours.TRAVEL}" stroke-width="0.12" stroke-opacity="0.5" fill="none"/>'


def _names(
    boards: Sequence[Placement],
    outlines: Mapping[str, np.ndarray],
    skipped: Sequence[tuple[str, Sequence[Point]]],
    letter_mm: float,
) -> Iterable[str]:
    for name, corners, more in [
        *((one.name, outlines[one.name], _turn_words(one)) for one in boards),
        *((name, np.array(corners), "bad, skipped") for name, corners in skipped),
    ]:
        x, y = float(corners[:, 0].min()), float(corners[:, 1].max())
        yield (
            f'<text x="{_n(x)}" y="{_n(-y - 0.3 * letter_mm)}" font-size="{_n(letter_mm)}" fill="{LIGHT}">'
            f'{escape(name)}<tspan font-size="{_n(0.8 * letter_mm)}" dx="{_n(0.4 * letter_mm)}">{escape(more)}</tspan>'
            "</text>"
        )


def _turn_words(one: Placement) -> str:
    turn = one.affine.turn_deg
    words = [f"turned {turn:.1f}°"] if abs(turn) > 0.05 else []
    if one.surface.mesh is not None:
        words.append("bowed")
    elif one.surface.tilt_deg > 0.005:
        words.append(f"tilted {one.surface.tilt_deg:.2f}°")
    return ", ".join(words)
