"""Where the deposits of a board stand, as an SVG picture: done, not started, in doubt. One user unit is 1 mm."""

from collections.abc import Mapping
from html import escape

from pastewright.decimals import short as _n
from pastewright.link.job import Laid, ProgramJob
from pastewright.link.journal_rows import DepositState
from pastewright.report.svg import box_of, picture

MARGIN_MM = 3.0  # room for the name of a pad at the edge
RING_MM = 1.2  # round a dot of any size, to be seen on a whole board
MOST_NAMES = 60
"""Beyond so many deposits in doubt their names would hide the board."""

# Told apart without colour too: a ring marks doubt, what was not started is hollow.
COLOURS = {
    DepositState.DONE: "#1b7837",
    DepositState.NOT_STARTED: "#8a8a8a",
    DepositState.STARTED: "#c51b1b",
    DepositState.TO_BE_CHECKED: "#c51b1b",
}
WORDS = {
    DepositState.DONE: "laid",
    DepositState.NOT_STARTED: "not started",
    DepositState.TO_BE_CHECKED: "in doubt: look at the board",
}


def run_svg(job: ProgramJob, states: Mapping[int, DepositState]) -> str:
    """Return the picture as SVG text; `states` are by deposit id, a deposit that is missing is not started."""
    shown = {laid.id: states.get(laid.id, DepositState.NOT_STARTED) for laid in job.deposits}
    doubted = [
        laid for laid in job.deposits if shown[laid.id] in (DepositState.TO_BE_CHECKED, DepositState.STARTED)
    ]
    points = [(0.0, 0.0), job.size_mm, *(point for laid in job.deposits for point in laid.points_mm)]
    # Drawn with y down, since names stand beside what is in doubt.
    drawn = [
        f'<rect x="0" y="{_n(-job.size_mm[1])}" width="{_n(job.size_mm[0])}" height="{_n(job.size_mm[1])}"'
        ' fill="#f2f4ee" stroke="#555555" stroke-width="0.15"/>'
    ]
    drawn += [_deposit(laid, shown[laid.id]) for laid in job.deposits]
    drawn += [_ring(laid, named=len(doubted) <= MOST_NAMES) for laid in doubted]
    counts = {state: sum(1 for value in shown.values() if value is state) for state in WORDS}
    counts[DepositState.TO_BE_CHECKED] = len(doubted)
    return (
        picture(
            box_of(points, MARGIN_MM),
            (),
            words=f"{job.board}, {job.side} side: deposits",
            ground="#ffffff",
            ink="#222222",
            legend=[(_paint(state), f"{counts[state]} {words}") for state, words in WORDS.items()],
            above=drawn,
        )
        + "\n"
    )


def _paint(state: DepositState) -> str:
    if state is DepositState.NOT_STARTED:
        return f'fill="none" stroke="{COLOURS[state]}" stroke-width="0.12"'
    return f'fill="{COLOURS[state]}"'


def _deposit(laid: Laid, state: DepositState) -> str:
    title = f"<title>{escape(', '.join(laid.pads))}: {laid.kind} {laid.volume_ul:.4f} µL, {state}</title>"
    if len(laid.points_mm) == 1:
        x, y = laid.points_mm[0]
        return f'<circle cx="{_n(x)}" cy="{_n(-y)}" r="{_n(max(laid.width_mm / 2, 0.1))}" {_paint(state)}>{title}</circle>'
    path = "L".join(f"{_n(x)} {_n(-y)}" for x, y in laid.points_mm)
    opacity = "0.35" if state is DepositState.NOT_STARTED else "1"
    return (
        f'<path d="M{path}" fill="none" stroke="{COLOURS[state]}" stroke-opacity="{opacity}"'
        f' stroke-width="{_n(max(laid.width_mm, 0.2))}" stroke-linecap="round" stroke-linejoin="round">{title}</path>'
    )


def _ring(laid: Laid, *, named: bool) -> str:
    x = sum(x for x, _ in laid.points_mm) / len(laid.points_mm)
    y = -sum(y for _, y in laid.points_mm) / len(laid.points_mm)
    ring = (
        f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(RING_MM + laid.width_mm / 2)}" fill="none"'
        f' stroke="{COLOURS[DepositState.TO_BE_CHECKED]}" stroke-width="0.25"/>'
    )
    if not named:
        return ring
    name = escape(laid.pads[0] + (" …" if len(laid.pads) > 1 else ""))
    return (
        ring + f'<text x="{_n(x + RING_MM + laid.width_mm / 2 + 0.3)}" y="{_n(y + 0.5)}" font-size="1.4"'
        f' fill="{COLOURS[DepositState.TO_BE_CHECKED]}">{name}</text>'
    )
