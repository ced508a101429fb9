"""The table of tips with what each can lay and pass."""

from pastewright.deposit.shape import dot_volume_ul
from pastewright.materials.rules import LEAST_TIP_RATIO, SAFE_TIP_RATIO, TipFit, tip_fit
from pastewright.materials.tables import powders, tips
from pastewright.profile.keys import key_at
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of

SHOWN_POWDERS = (3, 4, 5, 6, 7)  # the types sold for dispensing (common practice)


def print_tips(powder_type: int | None) -> None:
    """Print the tips, or those that pass one powder type."""
    bores = _default("tuning.smallest_dot_bores")
    shape_ratio = _default("tuning.dot_shape_ratio")
    shown = [powder for powder in powders() if powder.type in SHOWN_POWDERS or powder.type == powder_type]
    table = table_of(
        "gauge",
        "bore mm",
        "outer mm",
        "smallest dot mm",
        "µL",
        *(f"type {p.type}" for p in shown),
        "note",
        words=("note",),
    )
    for size in tips():
        fits = {powder.type: tip_fit(size.bore_mm, powder) for powder in shown}
        if powder_type is not None and fits[powder_type] is TipFit.CLOGS:
            continue
        dot_mm = bores * size.bore_mm
        disputed = f"or {size.disputed_bore_mm:g} mm" if size.disputed_bore_mm else ""
        table.add_row(
            f"{size.gauge}",
            f"{size.bore_mm:.3f}",
            f"{size.outer_mm:.3f}",
            f"{dot_mm:.2f}",
            f"{dot_volume_ul(dot_mm, shape_ratio):.4f}",
            *(str(fits[powder.type]) for powder in shown),
            ", ".join(part for part in (disputed, size.tag if size.tag != "published" else "") if part),
        )
    console.print(table)
    console.print(
        f"A bore of {LEAST_TIP_RATIO:g} of the powder's largest particles is tight, {SAFE_TIP_RATIO:g} is safe."
        f" Smallest dot: {bores:g} bores wide, height/width {shape_ratio:g}; tune both. Bores vary by several percent."
    )


def _default(path: str) -> float:
    key = key_at(path)
    if key is None or not isinstance(key.default, int | float):
        raise LookupError(f"{path} has no number for a default")
    return float(key.default)
