"""Plots of the report as SVG text: pressure over the first deposits, and what a wrong profile would do.

matplotlib is imported inside, since only drawing needs it.
"""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pastewright.report import colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
    figure, axes = _figure(3.0)
    times = [sample[0] for sample in trace]
    axes.plot(times, [sample[1] for sample in trace], color="#2f7d64", linewidth=1.2, label="pressure")
    axes.axhline(yield_kpa, color="#b0512c", linewidth=1, linestyle="--", label="yield: paste flows above")
    axes.axhline(rest_kpa, color="#6c7a73", linewidth=1, linestyle=":", label="rest")
    axes.set_xlabel("time [s]")
    axes.set_ylabel("pressure behind the tip [kPa]")
    axes.set_ylim(bottom=0)
    axes.legend(loc="upper right", frameon=False, fontsize=8)
    return _svg(figure)


def scenarios_svg(scenarios: Sequence[Scenario], *, tolerance: float) -> str:
    """Return the plot of delivered over planned volume: 5th to 95th percentile, median, first deposit."""
    figure, axes = _figure(0.9 + 0.42 * len(scenarios))
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
    return _svg(figure)


def _figure(height_in: float) -> tuple["Figure", "Axes"]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, height_in), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def _svg(figure: "Figure") -> str:
    import matplotlib as mpl

    buffer = io.StringIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "pastewright", "font.family": "sans-serif"}):
        figure.savefig(buffer, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    # Inline in a page: no XML head, and the width is the page's business.
    body = text[text.index("<svg") :]
    return re.sub(
        r'<svg ([^>]*?)(?:width="[^"]*"|height="[^"]*")([^>]*?)(?:width="[^"]*"|height="[^"]*")',
        r"<svg \1\2",
        body,
        count=1,
    )
