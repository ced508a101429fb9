"""The picture of what pads may be off: each land in the colour of its tolerance, with bars across it as the second cue.

No bar: within half of what the profile asks for; one, two, three bars: within it, within twice as much, beyond.
"""

from collections.abc import Mapping, Sequence

import shapely

from pastewright.board.model import Board
from pastewright.decimals import short as _n
from pastewright.report import colours
from pastewright.report.paths import area_path, area_paths
from pastewright.report.svg import box_of, picture

MARGIN_MM = 2.0

# Of the limit: up to, colour, words. Lightness falls from step to step.
STEPS = (
    (0.5, "#eef1ee", "within half of ±{0}"),
    (1.0, "#9bbfe6", "within ±{0}"),
    (2.0, "#f0b268", "within twice ±{0}"),
    (float("inf"), "#c2473f", "beyond"),
)
BAR = "#12261f"


def step_of(reach: float, limit: float) -> int:
    """Return which step a pad's tolerance is on: 0 the best, 3 the worst."""
    return next(at for at, (most, _, _) in enumerate(STEPS) if reach <= most * limit)


def tolerance_svg(board: Board, reaches: Mapping[str, float], *, limit: float) -> str:
    """Return the picture as SVG text; `reaches` are what pads may be off [-], by their id."""
    body = []
    if board.outline is not None:
        body.append(f'<path d="{area_path(board.outline)}" fill="{colours.BOARD}" fill-rule="evenodd"/>')
    lands = [pad.land for pad in board.pads]
    bounds = shapely.bounds(lands)
    for pad, path, sides in zip(board.pads, area_paths(lands), bounds.tolist(), strict=True):
        reach = reaches.get(pad.id)
        if reach is None:
            body.append(f'<path d="{path}" fill="{colours.LAND_BARE}" fill-rule="evenodd"/>')
            continue
        step = step_of(reach, limit)
        body.append(
            f'<path d="{path}" fill="{STEPS[step][1]}" fill-rule="evenodd">'
            f"<title>±{100 * reach:.1f} %</title></path>{_bars(sides, step)}"
        )
    width, height = board.size_mm
    points = [(0.0, 0.0), (width, height)]
    if len(bounds):
        left, low = bounds[:, :2].min(axis=0).tolist()
        right, high = bounds[:, 2:].max(axis=0).tolist()
        points += [(left, low), (right, high)]
    shown = f"{100 * limit:g} %"
    legend = [
        (f'fill="{colour}"', words.format(shown) + f" ({step or 'no'} bar{'s' if step != 1 else ''})")
        for step, (_, colour, words) in enumerate(STEPS)
    ]
    return picture(
        box_of(points, MARGIN_MM),
        body,
        words=f"{board.name}: what each pad may be off",
        ground=colours.GROUND,
        legend=legend,
        standalone=False,
    )


def _bars(sides: Sequence[float], count: int) -> str:
    """Bars across a land's shorter side, evenly along its longer one; `sides` are left, low, right and high [mm]."""
    if not count:
        return ""
    left, low, right, high = sides
    width, height = right - left, high - low
    bars = []
    for at in range(count):
        share = (at + 1) / (count + 1)
        if width >= height:
            x = left + share * width
            bars.append(f"M{_n(x)} {_n(low)}V{_n(high)}")
        else:
            y = low + share * height
            bars.append(f"M{_n(left)} {_n(y)}H{_n(right)}")
    return f'<path d="{"".join(bars)}" stroke="{BAR}" stroke-width="{_n(0.08 * max(width, height), 3)}" fill="none"/>'
