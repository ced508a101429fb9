"""An inspection as it is printed: what was seen, what needs a look, what a person must wipe."""

from pathlib import Path

from rich.markup import escape

from pastewright.counting import counted
from pastewright.inspect.document import verdict_counts, wipe_list
from pastewright.records.inspection import InspectionRecord
from pastewright.records.kinds import DepositVerdict
from pastewright.work.printing.console import out as console

MOST_LINES = 25  # one screen; inspection.html has them all


def inspection_words(inspection: InspectionRecord) -> str:
    """Return one line that says how an inspection went."""
    counts = verdict_counts(inspection)
    order = [DepositVerdict.GOOD, *(v for v in DepositVerdict if v is not DepositVerdict.GOOD)]
    return ", ".join(f"{counts[verdict]} {verdict}" for verdict in order if counts[verdict])


def print_inspection(inspection: InspectionRecord, files: tuple[Path, ...]) -> None:
    """Print the photos, the counts, the findings and the wipe list."""
    for photo in inspection.photos:
        console.print(
            f"{escape(photo.file)}: board found by {counted(photo.lands, 'land')}, {photo.residual_mm:.3f} mm (rms) off;"
            f" {photo.px_per_mm:.1f} px/mm, turned {photo.turn_deg:.0f}°, {counted(photo.pads, 'deposit')} seen whole"
        )
    total = len(inspection.deposits)
    bad = [one for one in inspection.deposits if one.verdict is not DepositVerdict.GOOD]
    style = "bold red" if bad else "bold green"
    console.print(f"[{style}]{inspection_words(inspection)}[/] of {counted(total, 'deposit')}")
    seen = [one for one in bad if one.verdict is not DepositVerdict.NOT_SEEN]
    for one in seen[:MOST_LINES]:
        amount = f" {one.volume_ul:.3f} of {one.planned_ul:.3f} µL" if one.volume_ul is not None else ""
        console.print(f"  {escape(one.pad)} [yellow]{one.verdict}[/]{amount}: {escape(one.why)}")
    if len(seen) > MOST_LINES:
        console.print(f"  … and {len(seen) - MOST_LINES} more in inspection.html")
    for part, pins in wipe_list(inspection)[:MOST_LINES]:
        console.print(f"  wipe first: [bold]{escape(part)}[/] {escape('; '.join(pins))}")
    for path in files:
        console.print(f"wrote {escape(str(path))}")
    if any(one.verdict in (DepositVerdict.MISSING, DepositVerdict.LOW) for one in bad):
        console.print(
            f"Lay what is missing: pastewright touch-up {escape(str(files[0]))} --profile BENCH.toml"
        )
    elif any(one.wipe for one in bad):
        console.print(
            "Once all that is wiped, lay it anew: pastewright touch-up"
            f" {escape(str(files[0]))} --wiped --profile BENCH.toml"
        )
