"""Plots of the report as SVG text: pressure over the first deposits, and what a wrong profile would do."""

from collections.abc import Sequence
from dataclasses import dataclass

from pastewright.plot_svg import panels, svg_text
from pastewright.report import colours

WIDTH_IN = 7.2  # a column of text in the report


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """What came out over what was planned [-] on a bench that differs from the profile as `name` says."""

    name: str
    low: float
    median: float
    high: float
    first: float


def pressure_svg(trace: Sequence[tuple[float, float, float]], *, yield_kpa: float, rest_kpa: float) -> str:
    """Return the plot of gauge pressure [kPa] over time [s] from samples (t, P, plunger mm)."""
    figure, (axes,) = panels(1, width_in=WIDTH_IN, height_in=3.0)
    times = [sample[0] for sample in trace]
    axes.plot(times, [sample[1] for sample in trace], color="#2f7d64", linewidth=1.2, label="pressure")
    axes.axhline(yield_kpa, color="#b0512c", linewidth=1, linestyle="--", label="yield: paste flows above")
    axes.axhline(rest_kpa, color="#6c7a73", linewidth=1, linestyle=":", label="rest")
    axes.set_xlabel("time [s]")
    axes.set_ylabel("pressure behind the tip [kPa]")
    axes.set_ylim(bottom=0)
    axes.legend(loc="upper right", frameon=False, fontsize=8)
    return svg_text(figure, inline=True)


def scenarios_svg(scenarios: Sequence[Scenario], *, tolerance: float) -> str:
    """Return the plot of delivered over planned volume: 5th to 95th percentile, median, first deposit."""
    figure, (axes,) = panels(1, width_in=WIDTH_IN, height_in=0.9 + 0.42 * len(scenarios))
    axes.axvspan(1 - tolerance, 1 + tolerance, color="#cfe3d6", zorder=0, label="tolerance")
    for row, scenario in enumerate(scenarios):
        y = len(scenarios) - 1 - row
        axes.plot([scenario.low, scenario.high], [y, y], color="#2f7d64", linewidth=5, solid_capstyle="butt")
        axes.plot([scenario.median], [y], "o", color="#12261f", markersize=6)
        axes.plot([scenario.first], [y], "D", color=colours.LOOK, markersize=4)
    axes.plot([], [], "o", color="#12261f", markersize=6, label="median")
    axes.plot([], [], "D", color=colours.LOOK, markersize=4, label="first deposit")
    axes.set_yticks(range(len(scenarios)))
    axes.set_yticklabels([scenario.name for scenario in reversed(scenarios)])
    axes.set_ylim(-0.6, len(scenarios) - 0.4)
    axes.set_xlabel("delivered / planned volume [-], bar: 5th to 95th percentile")
    axes.legend(loc="best", frameon=False, fontsize=8)
    return svg_text(figure, inline=True)
