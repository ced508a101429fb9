"""The picture of a board: outline, lands, paste to scale and coloured by fill, travel, and what needs a look.

Hand-written SVG: 20 000 deposits take a few hundredths of a second, and the file opens in any browser. One user
unit is one millimetre; y is flipped once, in the outermost group.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

from shapely.geometry import MultiPolygon, Polygon

from pastewright.board.model import Area, Board, PadKind, Point
from pastewright.decimals import short as _n
from pastewright.deposit.model import Deposit, DepositKind, Layout
from pastewright.report import colours
from pastewright.report.beside import Beside, drawn
from pastewright.route.model import Tour

MARGIN_MM = 2.0  # a ring round a pad at the edge stays inside
MOST_TITLES = 3000  # beyond that, tooltips would double the size of the file


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLook:
    """A place on the picture that asks for a look [mm, board]."""

    x_mm: float
    y_mm: float
    radius_mm: float
    text: str


def board_svg(
    board: Board,
    *,
    layout: Layout | None = None,
    targets_ul: Mapping[str, float] | None = None,
    tour: Tour | None = None,
    looks: Sequence[BoardLook] = (),
    beside: Beside | None = None,
    standalone: bool = True,
) -> str:
    """Return the picture as SVG text.

    `targets_ul` are doses by pad id, which colour the paste by planned over target. Without a `layout` the
    apertures themselves are drawn. `beside` is what lies beside the board, in its coordinates.
    """
    x0, y0, x1, y1 = _frame(board, layout, beside)
    width = x1 - x0
    legend, legend_mm = _legend(
        _entries(board, planned=layout is not None, looks=bool(looks)), x0=x0, base=-y0, width=width
    )
    height = y1 - y0 + legend_mm
    box = f"{_n(x0)} {_n(-y1)} {_n(width)} {_n(height)}"
    size = f' width="{_n(width * 12)}" height="{_n(height * 12)}"' if standalone else ""
    words = escape(f"{board.name}, {board.side} side", quote=True)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}"{size} role="img" aria-label="{words}"'
        ' font-family="sans-serif">',
        f'<rect x="{_n(x0)}" y="{_n(-y1)}" width="{_n(width)}" height="{_n(height)}" fill="{colours.GROUND}"/>',
        '<g transform="scale(1 -1)">',
        *_ground(board),
        *_lands(board),
    ]
    if layout is None:
        parts += _apertures(board)
    else:
        parts += _paste(board, layout, targets_ul or {})
        if tour is not None:
            parts.append(_travel(layout.deposits, tour))
    if beside is not None:
        parts += drawn(beside, (x0, y0, x1, y1))
    parts += _looks(looks)
    parts.append("</g>")
    parts += legend
    parts.append("</svg>")
    return "\n".join(parts)


def board_body(board: Board, layout: Layout, *, targets_ul: Mapping[str, float] | None = None) -> list[str]:
    """Return a board with its paste as SVG elements [mm, board, y up], for pictures of several boards."""
    return [*_ground(board), *_lands(board), *_paste(board, layout, targets_ul or {})]


def _frame(board: Board, layout: Layout | None, beside: Beside | None) -> tuple[float, float, float, float]:
    xs, ys = [0.0, board.size_mm[0]], [0.0, board.size_mm[1]]
    for pad in board.pads:
        left, low, right, high = pad.land.bounds
        xs += (left, right)
        ys += (low, high)
    if layout is not None:
        for deposit in layout.deposits:
            for x, y in deposit.points_mm:
                xs.append(x)
                ys.append(y)
    for x, y in beside.points() if beside is not None else ():
        xs.append(x)
        ys.append(y)
    return min(xs) - MARGIN_MM, min(ys) - MARGIN_MM, max(xs) + MARGIN_MM, max(ys) + MARGIN_MM


def _ground(board: Board) -> Iterable[str]:
    if board.outline is not None:
        yield (
            f'<path d="{area_path(board.outline)}" fill="{colours.BOARD}" fill-rule="evenodd"'
            f' stroke="{colours.BOARD_EDGE}" stroke-width="0.12"/>'
        )
    else:
        width, height = board.size_mm
        yield (
            f'<rect x="0" y="0" width="{_n(width)}" height="{_n(height)}" fill="{colours.BOARD}"'
            f' stroke="{colours.BOARD_EDGE}" stroke-width="0.12" stroke-dasharray="0.8 0.5"/>'
        )
    for left in board.left_out:
        yield (
            f'<path d="{area_path(left.shape)}" fill="{colours.LEFT_OUT}" fill-rule="evenodd" opacity="0.7">'
            f"<title>not paste: {escape(left.reason)}</title></path>"
        )


def _lands(board: Board) -> Iterable[str]:
    titled = len(board.pads) <= MOST_TITLES
    for pad in board.pads:
        fill = (
            colours.FIDUCIAL
            if pad.kind is PadKind.FIDUCIAL
            else colours.LAND
            if pad.apertures
            else colours.LAND_BARE
        )
        head = f'<path d="{area_path(pad.land)}" fill="{fill}" fill-rule="evenodd"'
        yield (
            f"{head}><title>{escape(_pad_words(pad.id, pad.kind, pad.net))}</title></path>"
            if titled
            else head + "/>"
        )
    for hole in board.holes:
        if hole.slot_to_mm is None:
            yield (
                f'<circle cx="{_n(hole.x_mm)}" cy="{_n(hole.y_mm)}" r="{_n(hole.diameter_mm / 2)}"'
                f' fill="{colours.HOLE}"/>'
            )
        else:
            x, y = hole.slot_to_mm
            yield (
                f'<path d="M{_n(hole.x_mm)} {_n(hole.y_mm)}L{_n(x)} {_n(y)}" stroke="{colours.HOLE}"'
                f' stroke-width="{_n(hole.diameter_mm)}" stroke-linecap="round" fill="none"/>'
            )


def _pad_words(pad_id: str, kind: PadKind, net: str) -> str:
    return f"{pad_id} ({kind}{', ' + net if net else ''})"


def _apertures(board: Board) -> Iterable[str]:
    paths = "".join(area_path(aperture.shape) for pad in board.pads for aperture in pad.apertures)
    if paths:
        yield f'<path d="{paths}" fill="{colours.APERTURE}" fill-opacity="0.75" fill-rule="evenodd"/>'


def _paste(board: Board, layout: Layout, targets_ul: Mapping[str, float]) -> Iterable[str]:
    openings = "".join(area_path(aperture.shape) for pad in board.pads for aperture in pad.apertures)
    if openings:
        yield (
            f'<path d="{openings}" fill="none" stroke="{colours.APERTURE}" stroke-width="0.03" opacity="0.6"/>'
        )
    planned_ul = {plan.pad_id: plan.planned_ul for plan in layout.pads}
    titled = len(layout.deposits) <= MOST_TITLES
    for deposit in layout.deposits:
        wanted = sum(targets_ul.get(share.pad_id, 0.0) for share in deposit.shares)
        laid = sum(planned_ul.get(share.pad_id, 0.0) for share in deposit.shares)
        fill = laid / wanted if wanted > 0 else 1.0
        yield _deposit(deposit, colours.fill_colour(fill), _deposit_words(deposit, fill) if titled else "")


def _deposit_words(deposit: Deposit, fill: float) -> str:
    pads = ", ".join(share.pad_id for share in deposit.shares[:6])
    return f"{pads}: {deposit.kind} {deposit.volume_ul:.4f} µL, {fill:.0%} of the dose"


def _deposit(deposit: Deposit, colour: str, title: str) -> str:
    words = f"<title>{escape(title)}</title>" if title else ""
    if deposit.kind is DepositKind.DOT:
        x, y = deposit.points_mm[0]
        return (
            f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(deposit.width_mm / 2)}" fill="{colour}"'
            f' fill-opacity="0.88">{words}</circle>'
        )
    line = "L".join(f"{_n(x)} {_n(y)}" for x, y in deposit.points_mm)
    return (
        f'<path d="M{line}" stroke="{colour}" stroke-width="{_n(deposit.width_mm)}" stroke-opacity="0.88"'
        f' stroke-linecap="round" stroke-linejoin="round" fill="none">{words}</path>'
    )


def _travel(deposits: Sequence[Deposit], tour: Tour) -> str:
    hops: list[str] = []
    last: Point | None = None
    for visit in tour.visits:
        points = deposits[visit.deposit].points_mm
        first, end = (points[-1], points[0]) if visit.backwards else (points[0], points[-1])
        if last is not None:
            hops.append(f"M{_n(last[0])} {_n(last[1])}L{_n(first[0])} {_n(first[1])}")
        last = end
    return (
        f'<path d="{"".join(hops)}" stroke="{colours.TRAVEL}" stroke-width="0.07" stroke-opacity="0.65"'
        ' fill="none"/>'
    )


def _looks(looks: Sequence[BoardLook]) -> Iterable[str]:
    for look in looks:
        yield (
            f'<circle cx="{_n(look.x_mm)}" cy="{_n(look.y_mm)}" r="{_n(look.radius_mm)}" fill="none"'
            f' stroke="{colours.LOOK}" stroke-width="0.14"><title>{escape(look.text)}</title></circle>'
        )


def _entries(board: Board, *, planned: bool, looks: bool) -> list[tuple[str, str]]:
    entries = [(colours.LAND, "pad"), (colours.LAND_BARE, "pad without paste")]
    if board.fiducials:
        entries.append((colours.FIDUCIAL, "fiducial"))
    if planned:
        entries += [(colour, f"paste {words}") for _, colour, words in colours.FILL_SCALE]
        entries.append((colours.TRAVEL, "travel"))
    else:
        entries.append((colours.APERTURE, "paste aperture"))
    if board.left_out:
        entries.append((colours.LEFT_OUT, "not paste"))
    if looks:
        entries.append((colours.LOOK, "needs a look"))
    return entries


def _legend(
    entries: Sequence[tuple[str, str]], *, x0: float, base: float, width: float
) -> tuple[list[str], float]:
    """Swatches under the board, in rows that fit its width, and the height they take [mm]."""
    size = min(1.6, max(0.6, width / 50))
    column = size * 13
    per_row = max(1, int((width - MARGIN_MM) / column))
    parts = []
    for index, (colour, words) in enumerate(entries):
        x = x0 + MARGIN_MM / 2 + (index % per_row) * column
        y = base + size * (0.9 + 1.5 * (index // per_row))
        parts.append(
            f'<rect x="{_n(x)}" y="{_n(y - size * 0.75)}" width="{_n(size)}" height="{_n(size * 0.8)}"'
            f' fill="{colour}"/>'
            f'<text x="{_n(x + size * 1.3)}" y="{_n(y)}" font-size="{_n(size)}" fill="#e9efe9">{escape(words)}</text>'
        )
    return parts, size * (0.6 + 1.5 * -(-len(entries) // per_row))


def area_path(area: Area) -> str:
    """Return the path data of an area, holes and all."""
    polygons = area.geoms if isinstance(area, MultiPolygon) else (area,)
    return "".join(_polygon_path(polygon) for polygon in polygons)


def _polygon_path(polygon: Polygon) -> str:
    rings = [polygon.exterior, *polygon.interiors]
    return "".join(
        "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in list(ring.coords)[:-1]) + "Z" for ring in rings
    )
