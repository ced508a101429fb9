"""The picture of a board: outline, lands, paste to scale and coloured by fill, travel, and what needs a look.

Hand-written SVG: 20 000 deposits take a few hundredths of a second, and the file opens in any browser. One user
unit is one millimetre; y is flipped once, in the outermost group.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
import shapely
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.board.model import Board, PadKind
from pastewright.decimals import short as _n
from pastewright.deposit.model import Deposit, DepositKind, Layout
from pastewright.report import colours
from pastewright.report.beside import Beside, drawn
from pastewright.report.paths import area_path, area_paths
from pastewright.report.svg import LIGHT, Box, box_of, picture
from pastewright.route.model import Tour

MARGIN_MM = 2.0  # a ring round a pad at the edge stays inside
MOST_NAMES = 400  # more parts would be a fog of letters
NAME_SHARE = 0.7  # of the legend's letters
MOST_TITLES = 3000  # beyond that, tooltips would double the size of the file


class BoardLook(Struct, frozen=True, kw_only=True):
    """A place on the picture that asks for a look [mm, board]."""

    x_mm: float
    y_mm: float
    radius_mm: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """What a plan adds to the picture of a board.

    `targets_ul` are doses by pad id, which colour the paste by planned over target. `beside` is what lies beside the
    board, in its coordinates.
    """

    layout: Layout
    targets_ul: Mapping[str, float] = field(default_factory=dict)
    tour: Tour | None = None
    looks: Sequence[BoardLook] = ()
    beside: Beside | None = None


def board_svg(board: Board, planned: Planned | None = None, *, standalone: bool = True) -> str:
    """Return the picture as SVG text. Of a board without a plan the apertures themselves are drawn."""
    return _framed(board, planned, _body(board, planned, linked=not standalone), standalone=standalone)


def board_svgs(board: Board, planned: Planned) -> tuple[str, str]:
    """Return the picture that stands alone and the one in a page; of large boards, where no pad is linked, drawn once."""
    alone = _body(board, planned, linked=False)
    large = min(len(board.pads), len(planned.layout.deposits)) > MOST_TITLES
    in_page = alone if large else _body(board, planned, linked=True)
    return (
        _framed(board, planned, alone, standalone=True),
        _framed(board, planned, in_page, standalone=False),
    )


def _body(board: Board, planned: Planned | None, *, linked: bool) -> list[str]:
    body = [*_ground(board), *_lands(board, linked=linked)]
    if planned is None:
        return [*body, *_apertures(board)]
    body += _paste(board, planned.layout, planned.targets_ul, linked=linked)
    if planned.tour is not None:
        body.append(_travel(planned.layout.deposits, planned.tour))
    return body


def _framed(board: Board, planned: Planned | None, body: list[str], *, standalone: bool) -> str:
    beside = planned.beside if planned is not None else None
    looks = planned.looks if planned is not None else ()
    bounds = shapely.bounds([pad.land for pad in board.pads])
    box = _frame(board, planned, bounds)
    around = drawn(beside, (box.x0, box.y0, box.x1, box.y1)) if beside is not None else ()
    return picture(
        box,
        [*body, *around, *_looks(looks)],
        words=f"{board.name}, {board.side} side",
        ground=colours.GROUND,
        legend=_entries(board, planned=planned is not None, looks=bool(looks), strip=beside is not None),
        above=_names(board, bounds.tolist(), box.letter_mm),
        standalone=standalone,
    )


def board_body(board: Board, layout: Layout, *, targets_ul: Mapping[str, float] | None = None) -> list[str]:
    """Return a board with its paste as SVG elements [mm, board, y up], for pictures of several boards."""
    return [*_ground(board), *_lands(board), *_paste(board, layout, targets_ul or {})]


def _frame(board: Board, planned: Planned | None, bounds: NDArray[np.float64]) -> Box:
    points = [(0.0, 0.0), board.size_mm]
    if len(bounds):
        left, low = bounds[:, :2].min(axis=0).tolist()
        right, high = bounds[:, 2:].max(axis=0).tolist()
        points += [(left, low), (right, high)]
    if planned is not None:
        points += [point for deposit in planned.layout.deposits for point in deposit.points_mm]
        if planned.beside is not None:
            points += planned.beside.points()
    return box_of(points, MARGIN_MM)


def _names(board: Board, bounds: list[list[float]], letter_mm: float) -> list[str]:
    """The parts' names above their pads, small, with a dark rim; y runs down here."""
    boxes: dict[str, tuple[float, float, float, float]] = {}
    for pad, (left, low, right, high) in zip(board.pads, bounds, strict=True):
        if pad.ref:
            x0, y0, x1, y1 = boxes.get(pad.ref, (left, low, right, high))
            boxes[pad.ref] = min(x0, left), min(y0, low), max(x1, right), max(y1, high)
    if not 0 < len(boxes) <= MOST_NAMES:
        return []
    size = letter_mm * NAME_SHARE
    names = "".join(
        f'<text x="{_n((x0 + x1) / 2)}" y="{_n(-y1 - 0.3 * size)}">{escape(ref)}</text>'
        for ref, (x0, y0, x1, y1) in boxes.items()
    )
    return [
        f'<g class="names" font-size="{_n(size)}" text-anchor="middle" fill="{LIGHT}" stroke="{colours.GROUND}"'
        f' stroke-width="{_n(size / 4)}" paint-order="stroke" pointer-events="none">{names}</g>'
    ]


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


def _link(pad_id: str, *, linked: bool) -> str:
    """What lets a page find the row of a pad."""
    return f' data-pad="{escape(pad_id, quote=True)}"' if linked else ""


def _lands(board: Board, *, linked: bool = False) -> Iterable[str]:
    titled = len(board.pads) <= MOST_TITLES
    for pad, path in zip(board.pads, area_paths([pad.land for pad in board.pads]), strict=True):
        fill = (
            colours.FIDUCIAL
            if pad.kind is PadKind.FIDUCIAL
            else colours.LAND
            if pad.apertures
            else colours.LAND_BARE
        )
        link = _link(pad.id, linked=linked and titled)
        head = f'<path{link} d="{path}" fill="{fill}" fill-rule="evenodd"'
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


def _openings(board: Board) -> str:
    return "".join(area_paths([aperture.shape for pad in board.pads for aperture in pad.apertures]))


def _apertures(board: Board) -> Iterable[str]:
    paths = _openings(board)
    if paths:
        yield f'<path d="{paths}" fill="{colours.APERTURE}" fill-opacity="0.75" fill-rule="evenodd"/>'


def _paste(
    board: Board, layout: Layout, targets_ul: Mapping[str, float], *, linked: bool = False
) -> Iterable[str]:
    openings = _openings(board)
    if openings:
        yield (
            f'<path d="{openings}" fill="none" stroke="{colours.APERTURE}" stroke-width="0.03" opacity="0.6"/>'
        )
    planned_ul = {plan.pad_id: plan.planned_ul for plan in layout.pads}
    titled = len(layout.deposits) <= MOST_TITLES
    for deposit in layout.deposits:
        shares = deposit.shares
        if len(shares) == 1:
            wanted = targets_ul.get(shares[0].pad_id, 0.0)
            laid = planned_ul.get(shares[0].pad_id, 0.0)
        else:
            wanted = sum(targets_ul.get(share.pad_id, 0.0) for share in shares)
            laid = sum(planned_ul.get(share.pad_id, 0.0) for share in shares)
        fill = laid / wanted if wanted > 0 else 1.0
        link = _link(shares[0].pad_id, linked=linked and titled) if shares else ""
        words = _deposit_words(deposit, fill) if titled else ""
        yield _deposit(deposit, colours.fill_colour(fill), words, link)


def _deposit_words(deposit: Deposit, fill: float) -> str:
    pads = ", ".join(share.pad_id for share in deposit.shares[:6])
    return f"{pads}: {deposit.kind} {deposit.volume_ul:.4f} µL, {fill:.0%} of the dose"


def _deposit(deposit: Deposit, colour: str, title: str, link: str) -> str:
    words = f"<title>{escape(title)}</title>" if title else ""
    if deposit.kind is DepositKind.DOT:
        x, y = deposit.points_mm[0]
        return (
            f'<circle{link} cx="{_n(x)}" cy="{_n(y)}" r="{_n(deposit.width_mm / 2)}" fill="{colour}"'
            f' fill-opacity="0.88">{words}</circle>'
        )
    line = "L".join(f"{_n(x)} {_n(y)}" for x, y in deposit.points_mm)
    return (
        f'<path{link} d="M{line}" stroke="{colour}" stroke-width="{_n(deposit.width_mm)}" stroke-opacity="0.88"'
        f' stroke-linecap="round" stroke-linejoin="round" fill="none">{words}</path>'
    )


def _travel(deposits: Sequence[Deposit], tour: Tour) -> str:
    hops: list[str] = []
    last = ""
    for visit in tour.visits:
        points = deposits[visit.deposit].points_mm
        first, end = (points[-1], points[0]) if visit.backwards else (points[0], points[-1])
        there = f"{_n(first[0])} {_n(first[1])}"
        if last:
            hops.append(f"M{last}L{there}")
        last = there if len(points) == 1 else f"{_n(end[0])} {_n(end[1])}"
    return (
        f'<path d="{"".join(hops)}" stroke="{colours.TRAVEL}" stroke-width="0.07" stroke-opacity="0.65"'
        ' fill="none"/>'
    )


def _looks(looks: Iterable[BoardLook]) -> Iterable[str]:
    for look in looks:
        yield (
            f'<circle cx="{_n(look.x_mm)}" cy="{_n(look.y_mm)}" r="{_n(look.radius_mm)}" fill="none"'
            f' stroke="{colours.LOOK}" stroke-width="0.14"><title>{escape(look.text)}</title></circle>'
        )


def _entries(board: Board, *, planned: bool, looks: bool, strip: bool) -> list[tuple[str, str]]:
    entries = [(colours.LAND, "pad"), (colours.LAND_BARE, "pad without paste")]
    if board.fiducials:
        entries.append((colours.FIDUCIAL, "fiducial"))
    if planned:
        entries += [(colour, f"paste {words}") for _, colour, words in colours.FILL_SCALE]
        entries.append((colours.TRAVEL, "travel"))
    else:
        entries.append((colours.APERTURE, "paste aperture"))
    if strip:
        entries.append((colours.APERTURE, "settling strip"))
    if board.left_out:
        entries.append((colours.LEFT_OUT, "not paste"))
    if looks:
        entries.append((colours.LOOK, "needs a look"))
    return [(f'fill="{colour}"', words) for colour, words in entries]
