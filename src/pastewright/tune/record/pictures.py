"""A sheet, a fit and a history to pictures: what should appear, how far dots are from the model, how constants drift.

The sheet's picture is plain SVG, true to scale.
"""

from collections.abc import Sequence
from html import escape

from pastewright.counting import counted
from pastewright.deposit.model import Layout
from pastewright.plot_svg import panels, svg_text
from pastewright.profile.model import TuningRecord
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.sheet.model import Role, Sheet

MARGIN_MM = 3.0
INK = "#24443a"
SOFT = "#b9c8c0"
COLOURS = {
    Role.STEADY: "#5d7f73",
    Role.RISING: "#2f7d64",
    Role.FALLING: "#7a5ca8",
    Role.REPEAT: "#8a8f3c",
    Role.JUMP: "#b0512c",
    Role.PAUSE: "#3a6ea5",
    Role.SPEED: "#a8487a",
    Role.ODD: "#12261f",
}


def sheet_svg(sheet: Sheet, layout: Layout, *, largest_mm: float) -> str:
    """Return what should appear when the bench is as its profile says, true to scale; thin rings are what the worst
    bench foreseen may lay."""
    right = max(x for d in layout.deposits for x, _ in d.points_mm) + sheet.pitch_mm + MARGIN_MM
    top = max(y for d in layout.deposits for _, y in d.points_mm) + sheet.pitch_mm + MARGIN_MM + 5
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{right:.2f}mm" height="{top:.2f}mm"'
        f' viewBox="0 0 {right:.2f} {top:.2f}" font-family="sans-serif">',
        f'<rect width="{right:.2f}" height="{top:.2f}" fill="#ffffff"/>',
    ]
    by_index = {deposit.index: deposit for deposit in layout.deposits}
    for dot in sheet.dots:
        deposit = by_index[dot.index]
        x, y = dot.x_mm, top - dot.y_mm
        parts.append(
            f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{largest_mm / 2:.3f}" fill="none" stroke="{SOFT}"'
            ' stroke-width="0.03"/>'
            f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{deposit.width_mm / 2:.4f}" fill="{COLOURS[dot.role]}">'
            f"<title>{dot.index}: {dot.dose_ul:.4f} µL, {dot.role.value}</title></circle>"
        )
    for bead in sheet.beads:
        deposit = by_index[bead.index]
        points = " ".join(f"{px:.3f},{top - py:.3f}" for px, py in bead.path_mm)
        parts.append(
            f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-width="{deposit.width_mm:.3f}"'
            f' stroke-linecap="round" stroke-linejoin="round"><title>{bead.index}: {bead.dose_ul:.3f} µL at'
            f" {bead.tip_mm_s:g} mm/s</title></polyline>"
        )
    used = [role for role in Role if any(dot.role is role for dot in sheet.dots)]
    letters = sum(len(role.value) for role in used)
    size = min(2.0, (right - 2 * MARGIN_MM) / (0.6 * letters + 2.1 * len(used)))
    parts.append(
        f'<text x="{MARGIN_MM}" y="4" font-size="{1.2 * size:.3f}" fill="{INK}">{escape(sheet.name)}: pitch'
        f" {sheet.pitch_mm:g} mm, {counted(len(sheet.dots), 'dot')}, {counted(len(sheet.beads), 'bead')}</text>"
    )
    x = MARGIN_MM
    for role in used:
        parts.append(
            f'<circle cx="{x + 0.35 * size:.3f}" cy="6.5" r="{0.35 * size:.3f}" fill="{COLOURS[role]}"/>'
            f'<text x="{x + 0.9 * size:.3f}" y="{6.5 + 0.35 * size:.3f}" font-size="{size:.3f}" fill="{INK}">'
            f"{role.value}</text>"
        )
        x += size * (2.1 + 0.6 * len(role.value))
    return "\n".join([*parts, "</svg>"]) + "\n"


def residuals_svg(fitted: Fitted) -> str:
    """Return measured over modelled volume of each dot, in the order of laying and by dose, before any smoothing."""
    figure, (over_time, over_size) = panels(2, width_in=8.0, height_in=5.8)
    off = [100 * (dot.measured_ul / dot.model_ul - 1) for dot in fitted.dots]
    sheets = sorted({dot.sheet for dot in fitted.dots})
    for sheet, colour in zip(
        sheets, ("#2f7d64", "#b0512c", "#3a6ea5", "#a8487a") * len(sheets), strict=False
    ):
        mine = [place for place, dot in enumerate(fitted.dots) if dot.sheet == sheet]
        y = [off[place] for place in mine]
        name = f"sheet {sheet + 1}"
        over_time.plot([fitted.dots[p].index for p in mine], y, ".", color=colour, label=name)
        over_size.plot([fitted.dots[p].model_ul for p in mine], y, ".", color=colour, label=name)
    over_time.set_xlabel("turn of the dot [-]")
    over_size.set_xlabel("volume after the model [µL]")
    over_size.set_xscale("log")
    for axes in (over_time, over_size):
        axes.set_ylabel("measured − model [%]")
        axes.axhline(0, color=INK, linewidth=0.8)
        axes.axhspan(-100 * fitted.spread, 100 * fitted.spread, color="#cfe3d6", zorder=0)
    over_time.legend(frameon=False, fontsize=8)
    return svg_text(figure)


def drift_svg(history: Sequence[TuningRecord]) -> str:
    """Return how the constants moved from trial to trial, each over its first value, with two standard deviations."""
    figure, (upper, lower) = panels(2, width_in=8.0, height_in=5.8)
    groups = (
        (
            "machine and barrel",
            (
                ("stiffness", "frame_stiffness_n_mm", "frame_stiffness_sd"),
                ("trapped air", "bubble_ul", "bubble_sd"),
                ("backlash", "backlash_mm", "backlash_sd"),
                ("gain", "gain", "gain_sd"),
            ),
        ),
        (
            "paste",
            (
                ("consistency K", "consistency_kpa_sn", "consistency_sd"),
                ("flow index n", "flow_index", "flow_index_sd"),
                ("yield stress", "yield_stress_kpa", "yield_stress_sd"),
                ("shape ratio", "dot_shape_ratio", "dot_shape_sd"),
            ),
        ),
    )
    names = [_trial(record) for record in history]
    for axes, (title, lines) in zip((upper, lower), groups, strict=True):
        for shift, (label, field, sd_field) in enumerate(lines):
            points = [
                (place + 0.06 * (shift - 1.5), getattr(record, field), getattr(record, sd_field) or 0.0)
                for place, record in enumerate(history)
                if getattr(record, field)
            ]
            if not points:
                continue
            first = points[0][1]
            axes.errorbar(
                [x for x, _, _ in points],
                [value / first for _, value, _ in points],
                yerr=[2 * sd * value / first for _, value, sd in points],
                marker="o",
                markersize=4,
                capsize=2,
                linewidth=1,
                label=label,
            )
        axes.set_ylim(bottom=0)  # no constant is negative, however wide its interval
        axes.set_ylabel("over its first value [-]")
        axes.set_title(title, fontsize=9)
        axes.set_xticks(range(len(names)))
        axes.set_xticklabels(names, fontsize=7)
        axes.set_xlabel("trial: date, paste lot, tip, temperature")
        if axes.get_legend_handles_labels()[0]:  # a trial may have told nothing of the paste
            axes.legend(frameon=False, fontsize=7)
    return svg_text(figure)


def _trial(record: TuningRecord) -> str:
    lines = [
        record.dated or "undated",
        record.lot or record.paste.split(";")[0][:18],
        record.tip.split(";")[0],
    ]
    if record.temperature_c is not None:
        lines.append(f"{record.temperature_c:g} °C")
    return "\n".join(line for line in lines if line)
