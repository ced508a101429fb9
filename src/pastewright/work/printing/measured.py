"""What photos of a sheet told, as a table and words. Apart from `tuning`, whose fit takes half of a second to load."""

from collections import Counter

from rich.markup import escape

from pastewright.counting import counted
from pastewright.tune.record.measurements import DotState, Measurements
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of


def print_measurements(measurements: Measurements) -> None:
    """Print each photo's facts, and what was measured and what was not."""
    numbers = (
        "px/mm",
        "blur px",
        "tilt °",
        "centres off mm",
        "lens k1",
        "found",
        "measured",
        "all together ±%",
    )
    table = table_of("photo", *numbers, words=("photo",))
    for facts in measurements.photos:
        table.add_row(
            escape(facts.name),
            f"{facts.px_per_mm:.1f}",
            f"{facts.blur_px:.1f}",
            f"{facts.tilt_deg:.0f}",
            f"{facts.residual_mm:.3f}",
            "not told" if facts.k1 is None else f"{facts.k1:+.4f}",
            str(facts.found),
            str(facts.measured),
            f"{200 * facts.shared_sd:.1f} {facts.grade}",
        )
    console.print(table)
    states = Counter(reading.state for reading in measurements.readings)
    console.print(
        f"{counted(states[DotState.MEASURED], 'dot')} measured,"
        f" {states[DotState.MISSING]} missing, {states[DotState.REFUSED]} refused"
    )
    reasons = Counter(reading.why for reading in measurements.readings if reading.state is DotState.REFUSED)
    for why, count in reasons.most_common():
        console.print(f"  {count} refused: {escape(why)}")
    if measurements.weighed is not None:
        console.print(f"weighed: {measurements.weighed.mean_mg:.4g} mg per dot")
