"""Photos of witness rows, rendered as those of sheets are: strips beside the dots, and other rows on the same card."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import msgspec
import numpy as np
from rendered_photos import Scene, Truth, render, through_jpeg

from pastewright.learn.row import witness_row
from pastewright.plan.pipeline import Plan
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


def record_in_batch(plan: Plan) -> SheetRecord:
    """Return the witness row that a batch lays before the first board of a plan: at the plan's own strip."""
    (strip, *_) = plan.record.placement.strips
    bed = replace(plan.profile.bed, strip_x_mm=strip.from_mm[0], strip_y_mm=strip.from_mm[1])
    return witness_row(replace(plan.profile, bed=bed)).record


def row_jpeg(file: Path, record: SheetRecord, *, share: float = 1.0) -> dict[int, float]:
    """Write a photo of a row of which every dot got a share of its volume; returns the diameters that were laid [mm]."""
    volumes = {dot.index: share * dot.dose_ul for dot in record.dots}
    pixels, truth = row_photo(record, volumes_ul=volumes, seed=3)
    picture = cv2.cvtColor(through_jpeg(pixels, 92), cv2.COLOR_RGB2BGR)
    assert cv2.imwrite(str(file), picture)
    return truth.diameter_mm
