"""What a process told, drawn: means, spreads and EWMA of the boards in order, with limits and alarms."""

from pastewright.learn.charts import ControlChart
from pastewright.learn.process import ProcessTold
from pastewright.plot_svg import panels, svg_text

INK, LIMIT, ALARM = "#1f3b4d", "#8a8a8a", "#b3261e"
AXES = {"means": "mean share of dose [-]", "spreads": "spread on a board [-]", "EWMA": "weighted mean [-]"}


def capability_svg(told: ProcessTold) -> str:
    """Return the charts as SVG; a picture that says so where there are too few boards for any."""
    figure, axes = panels(max(len(told.charts), 1), width_in=7.0, height_in=max(2.2 * len(told.charts), 1.6))
    if not told.charts:
        axes[0].set_axis_off()
        axes[0].text(0.5, 0.5, f"{len(told.boards)} boards: too few for a control chart", ha="center")
    for axis, chart in zip(axes, told.charts, strict=False):
        _draw(axis, chart)
    if told.charts:
        axes[-1].set_xlabel("board, in the order of laying")
    return svg_text(figure)


def _draw(axis, chart: ControlChart) -> None:  # type: ignore[no-untyped-def]
    x = list(range(1, len(chart.values) + 1))
    axis.plot(x, chart.values, color=INK, marker="o", markersize=3, linewidth=1)
    axis.axhline(chart.centre, color=LIMIT, linewidth=0.8)
    axis.step(x, chart.low, where="mid", color=LIMIT, linewidth=0.8, linestyle="--")
    axis.step(x, chart.high, where="mid", color=LIMIT, linewidth=0.8, linestyle="--")
    at = [alarm.at for alarm in chart.alarms]
    axis.plot(
        [x[i] for i in at], [chart.values[i] for i in at], "o", color=ALARM, markersize=6, fillstyle="none"
    )
    axis.set_ylabel(AXES.get(chart.name, chart.name))
