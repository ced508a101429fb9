"""Plots of the report as SVG text: pressure over the first deposits, and what a wrong profile would do."""

from collections.abc import Sequence

from msgspec import Struct

from pastewright.report import colours
from pastewright.report.chart import Chart

PRESSURE_PX = 260.0
ROW_PX, ROWS_AROUND_PX = 30.0, 56.0  # of a bar, and of the axis below all of them
FLOW, YIELD, REST, BAND = "#2f7d64", "#b0512c", "#6c7a73", "#cfe3d6"
HEADROOM = 1.06  # above the highest pressure
ASIDE = 0.05  # of the range, left and right of all bars


class Scenario(Struct, frozen=True, kw_only=True):
    """What came out over what was planned [-] on a bench that differs from the profile as `name` says."""

    name: str
    low: float
    median: float
    high: float
    first: float


def pressure_svg(trace: Sequence[tuple[float, float, float]], *, yield_kpa: float, rest_kpa: float) -> str:
    """Return the plot of gauge pressure [kPa] over time [s] from samples (t, P, plunger mm), at least one."""
    most_kpa = max(*(sample[1] for sample in trace), yield_kpa, rest_kpa)
    chart = Chart(
        x=(trace[0][0], trace[-1][0]),
        y=(0.0, HEADROOM * most_kpa),
        height_px=PRESSURE_PX,
        x_words="time [s]",
        y_words="pressure behind the tip [kPa]",
    )
    chart.line(
        [(time, kpa) for time, kpa, _ in trace],
        f'stroke="{FLOW}" stroke-width="1.6" stroke-linejoin="round"',
        "pressure",
    )
    chart.level(
        yield_kpa, f'stroke="{YIELD}" stroke-width="1.4" stroke-dasharray="7 4"', "yield: paste flows above"
    )
    chart.level(rest_kpa, f'stroke="{REST}" stroke-width="1.4" stroke-dasharray="1.5 4"', "rest")
    return chart.svg("Pressure behind the tip over the time of the first deposits")


def scenarios_svg(scenarios: Sequence[Scenario], *, tolerance: float) -> str:
    """Return the plot of delivered over planned volume: 5th to 95th percentile, median, first deposit."""
    ends = [1 - tolerance, 1 + tolerance]
    for each in scenarios:
        ends += [each.low, each.high, each.first]
    aside = ASIDE * (max(ends) - min(ends))
    chart = Chart(
        x=(min(ends) - aside, max(ends) + aside),
        y=(-0.6, len(scenarios) - 0.4),
        height_px=ROWS_AROUND_PX + ROW_PX * len(scenarios),
        x_words="delivered / planned volume [-], bar: 5th to 95th percentile",
        names=[each.name for each in reversed(scenarios)],
    )
    chart.band(1 - tolerance, 1 + tolerance, BAND, "tolerance")
    for row, each in enumerate(reversed(scenarios)):
        chart.line([(each.low, row), (each.high, row)], f'stroke="{FLOW}" stroke-width="7"')
        chart.mark(each.median, row, "round", colours.GROUND)
        chart.mark(each.first, row, "turned", colours.LOOK)
    chart.explain("round", colours.GROUND, "median")
    chart.explain("turned", colours.LOOK, "first deposit")
    return chart.svg("Delivered over planned volume where the bench differs from the profile")
