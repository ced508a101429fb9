"""Probe points to the surface of a board: level, plane, bilinear mesh or thin-plate smooth, by their number.

| points | surface | why |
|---|---|---|
| 1, 2 | level, at their mean | nothing more is known |
| 3 to 5 | plane, least squares | three fix it, the others check it |
| a full grid, 3 × 3 or more | bilinear mesh through the points | what was probed is kept |
| 6 and more elsewhere | thin-plate smooth, sampled to a mesh | scattered points say nothing of a grid |

A point is taken for a mistake of the probe where it is far from what the others say, judged by its deleted
residual (R. D. Cook and S. Weisberg, Residuals and Influence in Regression, 1982, section 2.2, from memory).
Bow is judged against the board's own size: 0.75 % of the diagonal is allowed for boards with surface-mounted
parts (IPC-6012, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, degrees, dist, hypot, isfinite, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.place.height.mistakes import WARN_BOW, rejected_words, without_mistakes
from pastewright.place.surface import Box, Floats, Mesh, Surface
from pastewright.problems import InputError, Problem, one_error

Probe = tuple[float, float, float]

SAME_PLACE_MM = 0.05  # axes come back to a place within this (common practice)
# No machine here reaches further.
FARTHEST_MM = 1e5
# A probe that answers twice at one place with heights further apart than this is not to be trusted.
REPEAT_MM = 0.1
# A grid may be off its lines by this much and still be one.
GRID_SLACK_MM = 0.05
# The mesh that a thin plate is sampled to; refined until it is closer than a micrometre and a half.
FIRST_CELLS = 12
MOST_CELLS = 48  # bounds the time; a board of 300 mm then has cells of 6 mm
MESH_ERROR_MM = 0.0015  # a hundredth of a common standoff of 0.15 mm
SMOOTHINGS = (0.0, 1e-4, 1e-3, 1e-2, 1e-1, 1.0, 10.0)
"""From none to a plane, in steps of ten; leaving one out chooses among them."""
MOST_BOW = 0.02  # beyond IPC-A-600's 1.5 % for other boards (from memory): it is not clamped
MOST_SLOPE = 0.05  # 3°: over it a board lies on something; own choice
# Share of the standoff that slope, under the tip's rim, and what the surface leaves unexplained may use up.
TIP_SHARE = 0.5
# Pads outside the probed box by more than this share of its diagonal rest on the plane alone.
BEYOND = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class TipTolerance:
    """What the tip stands: its outer diameter, the standoff it works at, and the room above the board [mm]."""

    outer_mm: float
    standoff_mm: float
    clearance_mm: float

    @property
    def most_slope(self) -> float:
        """Slope at which the rim of the tip has used up its share of the standoff, at most 5 % [-]."""
        return min(MOST_SLOPE, TIP_SHARE * self.standoff_mm / (self.outer_mm / 2))

    @property
    def most_unexplained_mm(self) -> float:
        """How far probed heights may be off the surface [mm]."""
        return TIP_SHARE * self.standoff_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Heights:
    """The surface and how it was found. `kind` is its words; `rejected` are points by number, from 0.

    `tilt_deg` of the plane through all points, rising towards `uphill_deg` (anticlockwise from +X); `rise_mm`
    is what the plane rises across the board. `bow_mm` is the greatest less the least deviation from it.
    """

    surface: Surface
    kind: str
    probes: tuple[Probe, ...]
    rejected: tuple[int, ...]
    tilt_deg: float
    uphill_deg: float
    rise_mm: float
    bow_mm: float
    rms_mm: float
    warnings: tuple[str, ...] = ()


def measured_heights(probes: Sequence[Probe], *, box_mm: Box, tip: TipTolerance, file: str = "") -> Heights:
    """Return the surface over the board's box (x0, y0, x1, y1) [mm, machine] from probed points.

    Raises `InputError` for points that are no numbers or contradict each other, and for a slope, bow or
    scatter beyond what the tip stands.
    """
    points, doubled = _points(probes, file)
    kept, rejected = without_mistakes(points, box_mm, file)
    good = points[kept]
    plane = _plane(good)
    surface, kind = _surface(good, plane, box_mm)
    off = good[:, 2] - plane.heights_mm(good[:, :2])
    rest = good[:, 2] - surface.heights_mm(good[:, :2])
    x0, y0, x1, y1 = box_mm
    heights = Heights(
        surface=surface,
        kind=kind,
        probes=tuple((float(x), float(y), float(z)) for x, y, z in points),
        rejected=tuple(rejected),
        tilt_deg=plane.tilt_deg,
        uphill_deg=degrees(atan2(plane.slope_y, plane.slope_x)),
        rise_mm=abs(plane.slope_x) * (x1 - x0) + abs(plane.slope_y) * (y1 - y0),
        bow_mm=float(np.ptp(off)),
        rms_mm=sqrt(float((rest**2).mean())),
    )
    warnings = [*doubled, *rejected_words(points, rejected), *_reach_words(good, box_mm, surface)]
    problems = _beyond(heights, rest, box_mm, tip, file)
    if problems:
        raise InputError(problems)
    diagonal = hypot(x1 - x0, y1 - y0)
    if heights.bow_mm > WARN_BOW * diagonal:
        warnings.append(
            f"the board is bowed by {heights.bow_mm:.2f} mm, {heights.bow_mm / diagonal:.2%} of its diagonal;"
            f" boards are made to {WARN_BOW:.2%} (IPC-6012, from memory). Is it clamped well?"
        )
    return replace(heights, warnings=tuple(warnings))


def _points(probes: Sequence[Probe], file: str) -> tuple[Floats, list[str]]:
    if not probes:
        raise one_error("no probed points are given", "Give x, y and z of one point or more.", file=file)
    problems = [
        Problem(
            what=f"probe point {k + 1} is no number of a machine: {probe}", mend="Probe it again.", file=file
        )
        for k, probe in enumerate(probes)
        if not all(isfinite(v) and abs(v) <= FARTHEST_MM for v in probe)
    ]
    if problems:
        raise InputError(problems)
    merged: list[list[Probe]] = []
    for probe in probes:
        same = next((m for m in merged if dist(m[0][:2], probe[:2]) < SAME_PLACE_MM), None)
        if same is None:
            merged.append([probe])
        else:
            same.append(probe)
    words = []
    for group in merged:
        heights = [z for _, _, z in group]
        if max(heights) - min(heights) > REPEAT_MM:
            problems.append(
                Problem(
                    what=f"the point at ({group[0][0]:.2f}, {group[0][1]:.2f}) was probed {len(group)} times,"
                    f" with heights from {min(heights):.3f} to {max(heights):.3f} mm",
                    mend=f"A probe should repeat within {REPEAT_MM:g} mm. Look at it, and probe again.",
                    file=file,
                )
            )
        elif len(group) > 1:
            words.append(
                f"the point at ({group[0][0]:.2f}, {group[0][1]:.2f}) was probed {len(group)} times: averaged"
            )
    if problems:
        raise InputError(problems)
    return np.array([np.mean(group, axis=0) for group in merged]), words


def _plane(points: Floats) -> Surface:
    """Return the plane through N×3 points by least squares; level where they fix no plane."""
    centre = points.mean(axis=0)
    x = points[:, :2] - centre[:2]
    wide = np.linalg.svd(x, compute_uv=False)
    if len(points) < 3 or wide[1] < 0.02 * wide[0]:
        return Surface(z_mm=float(centre[2]))
    slope, *_ = np.linalg.lstsq(x, points[:, 2] - centre[2], rcond=None)
    return Surface(
        z_mm=float(centre[2]),
        slope_x=float(slope[0]),
        slope_y=float(slope[1]),
        at_mm=(float(centre[0]), float(centre[1])),
    )


def _surface(points: Floats, plane: Surface, box_mm: Box) -> tuple[Surface, str]:
    if len(points) < 3 or plane.flat:
        return plane, f"level, from {len(points)} point{'s' if len(points) > 1 else ''}"
    grid = _grid(points)
    if grid is not None:
        xs, ys, z = grid
        return (
            _on_plane(plane, xs, ys, z),
            f"bilinear mesh of {len(xs)} × {len(ys)} points",
        )
    if len(points) < 6:
        return plane, f"plane through {len(points)} points"
    return _thin_plate(points, plane, box_mm)


def _grid(points: Floats) -> tuple[Floats, Floats, Floats] | None:
    """Return lines and heights where the points are a full grid of 3 × 3 or more along the axes."""
    xs, ys = _lines(points[:, 0]), _lines(points[:, 1])
    if len(xs) < 3 or len(ys) < 3 or len(xs) * len(ys) != len(points):
        return None
    z = np.full((len(ys), len(xs)), np.nan)
    for x, y, height in points:
        z[int(np.abs(ys - y).argmin()), int(np.abs(xs - x).argmin())] = height
    return None if np.isnan(z).any() else (xs, ys, z)


def _lines(values: Floats) -> Floats:
    ordered = np.sort(values)
    groups = np.split(ordered, np.flatnonzero(np.diff(ordered) > GRID_SLACK_MM) + 1)
    return np.array([group.mean() for group in groups])


def _on_plane(plane: Surface, xs: Floats, ys: Floats, z: Floats) -> Surface:
    places = np.stack(np.meshgrid(xs, ys), axis=-1)
    deviations = z - plane.heights_mm(places)
    mesh = Mesh(
        x_mm=tuple(xs.tolist()),
        y_mm=tuple(ys.tolist()),
        dz_mm=tuple(tuple(row) for row in np.round(deviations, 6).tolist()),
    )
    return Surface(
        z_mm=plane.z_mm, slope_x=plane.slope_x, slope_y=plane.slope_y, at_mm=plane.at_mm, mesh=mesh
    )


def _thin_plate(points: Floats, plane: Surface, box_mm: Box) -> tuple[Surface, str]:
    """Return a thin-plate smooth over the points' box, with the smoothing that predicts left-out points best."""
    places, heights = points[:, :2], points[:, 2] - plane.heights_mm(points[:, :2])
    scale = float(np.ptp(places, axis=0).max())
    unit = (places - places.mean(axis=0)) / scale
    from scipy.interpolate import RBFInterpolator  # loads for longer than most boards are planned

    def plate(keep: NDArray[np.bool_], smoothing: float) -> RBFInterpolator:
        return RBFInterpolator(unit[keep], heights[keep], kernel="thin_plate_spline", smoothing=smoothing)

    every = np.ones(len(points), dtype=np.bool_)

    def error(smoothing: float) -> float:
        total = 0.0
        for k in range(len(points)):
            keep = every.copy()
            keep[k] = False
            total += float((plate(keep, smoothing)(unit[k : k + 1])[0] - heights[k]) ** 2)
        return total

    best = min(SMOOTHINGS, key=error)
    smooth = plate(every, best)
    centre = places.mean(axis=0)

    def sampled(cells: int) -> tuple[Floats, Floats, Floats]:
        low, high = places.min(axis=0), places.max(axis=0)
        xs, ys = (np.linspace(low[i], high[i], cells + 1) for i in (0, 1))
        at = np.stack(np.meshgrid(xs, ys), axis=-1)
        z = smooth(((at - centre) / scale).reshape(-1, 2)).reshape(at.shape[:2])
        return xs, ys, z + plane.heights_mm(at)

    cells = FIRST_CELLS
    while True:
        surface = _on_plane(plane, *sampled(cells))
        xs, ys, z = sampled(2 * cells)
        off = np.abs(surface.heights_mm(np.stack(np.meshgrid(xs, ys), axis=-1)) - z).max()
        if off < MESH_ERROR_MM or 2 * cells > MOST_CELLS:
            return (
                surface,
                f"thin-plate smooth through {len(points)} points, as a mesh of {cells} × {cells} cells",
            )
        cells *= 2


def _reach_words(points: Floats, box_mm: Box, surface: Surface) -> list[str]:
    if len(points) < 3:
        return [
            f"{len(points)} probe point{'s' if len(points) > 1 else ''} cannot show a tilt or a bow; probe three or"
            " more, near the corners"
        ]
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    x0, y0, x1, y1 = box_mm
    beyond = max(low[0] - x0, low[1] - y0, x1 - high[0], y1 - high[1])
    if beyond > BEYOND * hypot(x1 - x0, y1 - y0):
        return [
            f"the board reaches {beyond:.1f} mm beyond the probed points; its height there is a guess from the plane"
        ]
    return []


def _beyond(heights: Heights, rest: Floats, box_mm: Box, tip: TipTolerance, file: str) -> list[Problem]:
    x0, y0, x1, y1 = box_mm
    diagonal = hypot(x1 - x0, y1 - y0)
    problems = []
    slope = steepest(heights.surface, box_mm)
    if slope > tip.most_slope:
        problems.append(
            Problem(
                what=f"the board slopes by {slope:.1%} ({degrees(np.arctan(slope)):.2f}°) at its steepest; this tip at"
                f" its standoff of {tip.standoff_mm:.3f} mm stands {tip.most_slope:.1%}",
                mend="Shim or clamp the board level, and probe again.",
                file=file,
            )
        )
    if heights.bow_mm > MOST_BOW * diagonal:
        problems.append(
            Problem(
                what=f"the board is bowed by {heights.bow_mm:.2f} mm, {heights.bow_mm / diagonal:.1%} of its diagonal;"
                f" the limit is {MOST_BOW:.0%}",
                mend="Clamp it flat, or support its middle, and probe again.",
                file=file,
            )
        )
    worst = float(np.abs(rest).max())
    if worst > tip.most_unexplained_mm:
        problems.append(
            Problem(
                what=f"probed heights are up to {worst:.3f} mm off the {heights.kind}; the standoff of"
                f" {tip.standoff_mm:.3f} mm stands {tip.most_unexplained_mm:.3f} mm",
                mend="Probe more points, so that the surface can follow, or look whether the probe repeats.",
                file=file,
            )
        )
    span = heights.surface.highest_mm(box_mm) - heights.surface.lowest_mm(box_mm)
    if span > tip.clearance_mm / 2:
        problems.append(
            Problem(
                what=f"the board's height changes by {span:.2f} mm; half of the clearance of {tip.clearance_mm:g} mm"
                " is the limit",
                mend="Level the board, or raise clearance_mm in [bed].",
                file=file,
            )
        )
    return problems


def steepest(surface: Surface, box_mm: Box, *, cells: int = 24) -> float:
    """Return the greatest slope within a box [mm/mm], looked for on a fine grid."""
    x0, y0, x1, y1 = box_mm
    xs, ys = np.linspace(x0, x1, cells + 1), np.linspace(y0, y1, cells + 1)
    z = surface.heights_mm(np.stack(np.meshgrid(xs, ys), axis=-1))
    dx = np.diff(z, axis=1)[:-1] / (xs[1] - xs[0])
    dy = np.diff(z, axis=0)[:, :-1] / (ys[1] - ys[0])
    return float(np.hypot(dx, dy).max())


def box_of(corners_mm: Sequence[Point] | Floats) -> Box:
    """Return the box (x0, y0, x1, y1) around points."""
    points = np.asarray(corners_mm, dtype=np.float64)
    (x0, y0), (x1, y1) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return x0, y0, x1, y1
