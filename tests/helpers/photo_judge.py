"""A reading of a rendered photo against the truth: what was found, how far off it is, and what is plainly wrong."""

import math
from dataclasses import dataclass, field

import numpy as np
from rendered_photos import Scene, Truth, render, through_jpeg

from pastewright.photo.file import Photo
from pastewright.problems import InputError
from pastewright.tune.photo.measure import measure_photo
from pastewright.tune.record.measurements import DotReading, DotState

NOT_FOUND = ("hardly visible", "outside the photo")
WIDE_PX = 20.0


@dataclass
class Judgement:
    """One photo. Errors are of dots at least 20 pixels wide: diameter as a share, centre in mm."""

    background: str
    refused: str = ""
    visible: int = 0
    not_found: list[tuple[int, str]] = field(default_factory=list)
    not_measured: list[tuple[int, str]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    diameter: list[float] = field(default_factory=list)
    centre_mm: list[float] = field(default_factory=list)
    score: list[float] = field(default_factory=list)  # error of the diameter over what the reader claims

    @property
    def all_found(self) -> bool:
        return not self.refused and not self.not_found


def judged_scene(scene: Scene) -> Judgement:
    """Render a scene, read it, and judge the reading."""
    picture, truth = render(scene)
    photo = Photo(name=f"seed {scene.seed}", pixels=through_jpeg(picture, scene.jpeg))
    result = Judgement(background=scene.background)
    try:
        reading = measure_photo(photo, scene.sheet)
    except InputError as error:
        result.refused = error.problems[0].what
        return result
    for dot in reading.readings:
        _judge_dot(scene, truth, dot, result)
    return result


def _judge_dot(scene: Scene, truth: Truth, dot: DotReading, result: Judgement) -> None:
    index = dot.index
    measured = dot.state is DotState.MEASURED
    if index in truth.missing:
        if measured:
            result.wrong.append(f"dot {index} is measured and is not there")
        return
    if measured:
        assert dot.diameter_mm is not None and dot.sigma_mm is not None
        assert dot.x_mm is not None and dot.y_mm is not None
        off_mm = math.dist((dot.x_mm, dot.y_mm), truth.centre_mm[index])
        off = dot.diameter_mm / truth.diameter_mm[index] - 1
        if off_mm > 0.2 * scene.sheet.pitch_mm or abs(off) > 0.25:
            result.wrong.append(f"dot {index} is {off_mm:.2f} mm and {100 * off:.0f} % off")
    if index in truth.merged or index in truth.hidden:
        return
    result.visible += 1
    if dot.state is DotState.MISSING or dot.why in NOT_FOUND:
        result.not_found.append((index, dot.why))
    elif not measured:
        result.not_measured.append((index, dot.why))
    elif truth.diameter_px[index] >= WIDE_PX:
        result.diameter.append(off)
        result.centre_mm.append(off_mm)
        assert dot.diameter_mm is not None and dot.sigma_mm is not None
        result.score.append((dot.diameter_mm - truth.diameter_mm[index]) / dot.sigma_mm)


@dataclass
class Tally:
    """Many photos in numbers."""

    photos: int
    all_found: float
    refused: list[str]
    measured: float
    wrong: list[str]
    median: float
    p95: float
    centre_median_mm: float
    centre_p95_mm: float
    centre_p99_mm: float
    score: float

    def __str__(self) -> str:
        return (
            f"{self.photos} photos: all dots found in {100 * self.all_found:.1f} %, {len(self.refused)} refused, "
            f"{100 * self.measured:.1f} % of the visible dots measured, {len(self.wrong)} wrong; diameter off by "
            f"{100 * self.median:.2f} % (median), {100 * self.p95:.2f} % (95th); centres by "
            f"{1000 * self.centre_median_mm:.0f} µm (median), {1000 * self.centre_p95_mm:.0f} µm (95th), "
            f"{1000 * self.centre_p99_mm:.0f} µm (99th); error over claimed error {self.score:.2f} (rms)"
        )


def tallied(judgements: list[Judgement]) -> Tally:
    """Sum up."""
    off = np.abs(np.concatenate([np.array(one.diameter) for one in judgements]))
    centre = np.concatenate([np.array(one.centre_mm) for one in judgements])
    score = np.concatenate([np.array(one.score) for one in judgements])
    visible = sum(one.visible for one in judgements)
    lost = sum(len(one.not_found) + len(one.not_measured) for one in judgements)
    return Tally(
        photos=len(judgements),
        all_found=float(np.mean([one.all_found for one in judgements])),
        refused=[one.refused for one in judgements if one.refused],
        measured=1 - lost / max(visible, 1),
        wrong=[words for one in judgements for words in one.wrong],
        median=float(np.median(off)),
        p95=float(np.percentile(off, 95)),
        centre_median_mm=float(np.median(centre)),
        centre_p95_mm=float(np.percentile(centre, 95)),
        centre_p99_mm=float(np.percentile(centre, 99)),
        score=float(np.sqrt(np.mean(score**2))),
    )
