"""Photos of witness rows, rendered as those of sheets are: strips beside the dots, and other rows on the same card."""

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import msgspec
import numpy as np
from rendered_photos import Scene, Truth, render

from pastewright.records.sheet import SheetBeadRecord, SheetRecord

STRIP_ASIDE_MM = 2.5


def row_photo(
    record: SheetRecord,
    *,
    volumes_ul: Mapping[int, float] | None = None,
    more_mm: tuple[float, ...] = (),
    **changes: Any,
) -> tuple[np.ndarray, Truth]:
    """Return a photo of a row with its strip, and what was laid; `more_mm` are ways in y to like rows beside it.

    Dots of the others have the indices after the row's own.
    """
    count = len(record.dots)
    dots, beads = list(record.dots), []
    ends = min(dot.x_mm for dot in dots) - 1, max(dot.x_mm for dot in dots) + 1
    middle = float(np.mean([dot.y_mm for dot in record.dots]))
    for place, way in enumerate((0.0, *more_mm)):
        strip = middle + way + STRIP_ASIDE_MM
        beads.append(
            SheetBeadRecord(
                index=1000 + place,
                path_mm=((ends[0], strip), (ends[1], strip)),
                dose_ul=12.0,
                tip_mm_s=5.0,
            )
        )
        if place:
            dots += [
                msgspec.structs.replace(dot, index=place * count + dot.index, y_mm=dot.y_mm + way)
                for dot in record.dots
            ]
    sheet: Any = SimpleNamespace(
        name=record.name,
        rows=1,
        columns=count,
        pitch_mm=record.pitch_mm,
        dots=dots,
        lattice=dots,
        beads=beads,
    )
    scene = Scene(sheet=sheet, width_px=1400, height_px=620, fill=1.75)
    if volumes_ul is not None:
        scene = replace(scene, volumes_ul=dict(volumes_ul))
    return render(replace(scene, **changes))
