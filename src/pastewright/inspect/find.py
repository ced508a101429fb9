"""A photo to how it shows the board: (Photo, BoardPicture) → FoundBoard, or a refusal that says why.

Ways found roughly are refined one after the other: each figure of the board's picture is looked for near where it
should be, and a view through all of them, with perspective and the lens, is fitted anew, a few times over.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import box
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.picture import BoardPicture, drawn
from pastewright.inspect.seek import LEAST_PX_MM, PicturePoints, Way, picture_points, ways
from pastewright.inspect.stands_out import StandsOut, fainter, stands_out, without_lines
from pastewright.inspect.which_way import likelier
from pastewright.photo.file import Photo
from pastewright.photo.fitted import K1_OF_PHONES, fit_view
from pastewright.photo.view import PhotoView, camera_place_mm
from pastewright.problems import InputError, one_error

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

LEAST_FIGURES = 7  # found, for a view of nine numbers
LEAST_SHARE = 0.5  # of the figures in the photo must be found: paste may be missing, legend may lie beside
LEAST_OF_ALL = 0.35  # … those in glare as well, where the mask itself is not seen
LEAST_CLEAR, LEAST_OF_CLEAR = 10, 0.25  # … of a way that is clear of any other: legend runs close by lands
CLEAR_WAY = 2.0  # times as sure as any other way, before figures are looked at: then those of all suffice
IN_GLARE = 0.6  # of what is beside a figure stands out like lands: nothing is told there
SURE_SHARE = 0.85  # found: no other map of the photo is looked at
LEAST_LIKE = 0.55  # correlation at which a figure counts as found
MOST_RESIDUAL_MM = 0.12  # rms; a board that is bent, or another one
WORTH_A_LOOK = 0.55  # of what the best way agrees with, roughly
CLEAR_OF_RIVALS = 0.7  # a rival that agrees with as much of it is a doubt
SURELY = 10.0  # ln: by which the photo must look more like one way than like the other
SEARCH_MM = (0.6, 0.35, 0.2, 0.12)  # how far figures are looked for, round by round
HELD_MM = 3.0  # a machine's place and the camera's offset are surely better known
MARGIN_MM = 0.45  # of ground around a figure's template
MOST_FIGURE_MM = 6.0  # larger figures are compared in their middle
MOST_PX_MM = 24.0  # of templates: figures are found to a tenth of a pixel
MOST_FIGURES = 150
FEW_FIGURES = 12  # in a photo: with fewer, holes and both ends of long ones are looked at as well
END_MM = 2.0  # of a long figure
MIRRORED = "Photograph the pasted side, and give the photo as the camera wrote it; see --side when planning."
NOT_FOUND = (
    "Check that plan and board belong together; get more of the board into the picture, sharp and evenly lit."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundBoard:
    """A photo and its view of the board; `residual_mm` is the rms of the figures, `figures` how many were found."""

    photo: Photo
    view: PhotoView
    residual_mm: float
    figures: int
    share: float

    @property
    def px_per_mm(self) -> float:
        """Scale at the photo's middle [px/mm]."""
        return float(self.view.px_per_mm(self.view.to_sheet(self.view.middle_px)))

    @property
    def turn_deg(self) -> float:
        """Turn of the board's x axis in the photo [degrees, anticlockwise]."""
        here = self.view.to_sheet(self.view.middle_px)
        step = self.view.to_px(here + np.array([0.01, 0.0])) - self.view.to_px(here)
        return math.degrees(math.atan2(-step[1], step[0]))

    @property
    def tilt_deg(self) -> float:
        """How far from straight above the camera looked [degrees]."""
        here = self.view.to_sheet(self.view.middle_px)
        way = camera_place_mm(self.view, self.photo.focal_px) - np.append(here, 0.0)
        return math.degrees(math.atan2(math.hypot(way[0], way[1]), abs(way[2])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    view: PhotoView
    residual_mm: float
    found: int
    of: int
    asked: int
    clear: bool
    seen: StandsOut

    @property
    def worth(self) -> float:
        return self.found * self.found / max(self.asked, 1)


def find_board(photo: Photo, picture: BoardPicture, near_mm: Floats | None = None) -> FoundBoard:
    """Return how a photo shows the board; raises `InputError` where it does not, or two ways cannot be told apart.

    `near_mm` is where the photo's middle should lie [mm, board], where a machine held the camera.
    """
    points = picture_points(picture)
    if len(points.on) < LEAST_FIGURES or not len(points.off):
        raise one_error("this side has too few lands to find it by in a photo", "Look at it by eye.")
    fits: list[tuple[_Fit, Way]] = []
    maps = stands_out(photo.pixels)
    for seen in maps:
        fits += _fits(photo, picture, (seen, points), near_mm)
        if any(_enough(fit) and fit.found > SURE_SHARE * fit.of for fit, _ in fits):
            break
    if not any(_enough(fit) for fit, _ in fits):
        for seen in (other for one in maps for other in (*without_lines(one), fainter(one))):
            fits += _fits(photo, picture, (seen, points), near_mm)
            if any(_enough(fit) for fit, _ in fits):
                break
    return _chosen(photo, picture, fits)


def _fits(
    photo: Photo, picture: BoardPicture, by: tuple[StandsOut, PicturePoints], near_mm: Floats | None
) -> list[tuple[_Fit, Way]]:
    """Return the views that the best ways of one map come to."""
    seen, points = by
    tried = ways(seen, points)[:5]
    clear = len(tried) > 1 and tried[0].agrees > CLEAR_WAY * tried[1].agrees
    fits = [
        (_refined(photo, picture, seen, way, clear=clear and way is tried[0]), way)
        for way in tried
        if way.agrees >= WORTH_A_LOOK * tried[0].agrees
    ]
    return [
        (fit, way) for fit, way in fits if fit is not None and (near_mm is None or _near(fit.view, near_mm))
    ]


def _enough(fit: _Fit) -> bool:
    if fit.clear:
        return fit.found >= max(LEAST_CLEAR, LEAST_OF_ALL * fit.asked, LEAST_OF_CLEAR * fit.of)
    return fit.found >= max(LEAST_FIGURES, LEAST_SHARE * fit.asked, LEAST_OF_ALL * fit.of)


def _chosen(photo: Photo, picture: BoardPicture, fits: list[tuple[_Fit, Way]]) -> FoundBoard:
    fits.sort(key=lambda pair: -pair[0].worth)
    if not fits:
        raise _refusal("the board is not found in this photo", NOT_FOUND, photo)
    best, way = fits[0]
    doubts = []
    for rival, other in fits[1:]:
        if rival.worth <= CLEAR_OF_RIVALS * best.worth or not _differ(best.view, rival.view, way, other):
            continue
        told = likelier(fits[0][0].seen, picture, (best.view, way.mirrored), (rival.view, other.mirrored))
        if told < -SURELY:
            best, way = rival, other
        elif told < SURELY:
            doubts.append((rival, other))
    if not _enough(best):
        raise _refusal(
            f"the board is not found in this photo: {best.found} of {best.asked} lands lie as the plan has them",
            NOT_FOUND,
            photo,
        )
    if way.mirrored:
        raise _refusal(
            "this photo shows the board mirrored: it is the other side, or the picture was flipped",
            MIRRORED,
            photo,
        )
    if any(_differ(best.view, rival.view, way, other) for rival, other in doubts):
        raise _refusal(
            "the board can lie in two ways in this photo, and both look alike",
            "Get more of the board into the picture: a corner, a mark, parts of other shapes.",
            photo,
        )
    if best.residual_mm > MOST_RESIDUAL_MM:
        raise _refusal(
            f"the lands lie {best.residual_mm:.2f} mm (rms) from where the plan has them, more than"
            f" {MOST_RESIDUAL_MM:g} mm",
            NOT_FOUND,
            photo,
        )
    return FoundBoard(
        photo=photo,
        view=best.view,
        residual_mm=best.residual_mm,
        figures=best.found,
        share=best.found / max(best.asked, 1),
    )


def _near(view: PhotoView, place_mm: Floats) -> bool:
    return float(np.hypot(*(view.to_sheet(view.middle_px) - place_mm))) < HELD_MM


def _refusal(what: str, mend: str, photo: Photo) -> InputError:
    return one_error(what, mend, file=photo.name)


def _differ(view: PhotoView, other: PhotoView, way: Way, than: Way) -> bool:
    """Tell whether two views put the photo's middle at different places of the board."""
    if way.mirrored is not than.mirrored:
        return True
    places = np.array([[0.35, 0.35], [0.65, 0.65]]) * [view.width_px, view.height_px]
    return bool(np.abs(view.to_sheet(places) - other.to_sheet(places)).max() > 0.3)


def _refined(photo: Photo, picture: BoardPicture, seen: StandsOut, way: Way, *, clear: bool) -> _Fit | None:
    """Return the view through the figures that are found near where a way has them, None if it comes to nothing."""
    height, width = photo.pixels.shape[:2]
    view = _view_of(way, seen.factor, width, height)
    fit: _Fit | None = None
    for reach_mm in SEARCH_MM:
        middles, shifts, like, of, asked = _shifts(picture, seen, view, reach_mm, way.mirrored)
        good = like > LEAST_LIKE
        if good.sum() < LEAST_FIGURES:
            return None
        places = _px(view, middles[good] + shifts[good], way.mirrored)
        sheet = middles[good] * ([1.0, -1.0] if way.mirrored else [1.0, 1.0])
        if np.linalg.matrix_rank(sheet - sheet.mean(axis=0), tol=1.0) < 2:
            return None
        try:
            view, residual_mm, _ = fit_view(
                sheet, places, width, height, scatter_px=_scatter(view), k1_sd=K1_OF_PHONES
            )
        except (np.linalg.LinAlgError, ValueError):
            return None
        off = np.linalg.norm(view.to_sheet(places) - sheet, axis=1)
        near = off < max(0.1, 3 * residual_mm)
        fit = _Fit(view=view, residual_mm=float(np.sqrt(np.mean(off[near] ** 2))) if near.any() else 9.0,
                   found=int(near.sum()), of=of, asked=asked, clear=clear, seen=seen)  # fmt: skip
    return fit


def _scatter(view: PhotoView) -> float:
    """Return by how much figures are off their places when all is well [px]."""
    return 0.05 * float(view.px_per_mm(view.to_sheet(view.middle_px)))


def _view_of(way: Way, factor: float, width: int, height: int) -> PhotoView:
    """Return the view of a way; of a mirrored one, of the board turned over (its y reversed)."""
    radius = math.hypot(width, height) / 2
    a, b = way.turn / factor, (way.shift + 0.5) / factor - 0.5
    # z = x − iy in the board turned over as well: w = a·(x − iy) + b, or with y reversed.
    b -= complex((width - 1) / 2, (height - 1) / 2)
    matrix = np.array([[a.real, a.imag, b.real], [a.imag, -a.real, b.imag], [0, 0, radius]]) / radius
    return PhotoView(homography=matrix, k1=0.0, width_px=width, height_px=height)


def _px(view: PhotoView, places: Floats, mirrored: bool) -> Floats:
    return view.to_px(places * ([1.0, -1.0] if mirrored else [1.0, 1.0]))


def _shifts(
    picture: BoardPicture, seen: StandsOut, view: PhotoView, reach_mm: float, mirrored: bool
) -> tuple[Floats, Floats, Floats, int, int]:
    """Return middles of figures in the photo, how far each is found from it [mm], how like it is, how many there are, and
    how many of them do not lie in glare.
    """
    middles, shifts, like, optional, veiled = [], [], [], [], []
    places = _in_photo(picture, view, mirrored)
    few = len(places) < FEW_FIGURES
    for figure in _more(places, picture, view, mirrored) if few else places:
        low, high, size, scale = _window(figure, view, reach_mm, mirrored)
        if scale < LEAST_PX_MM:
            continue
        shapes: list[BaseGeometry] = [*picture.figures_near(low, high)]
        if few:
            shapes += [hole for hole in picture.holes if hole.intersects(box(*low, *high))]
        want = drawn(shapes, low, scale, size).astype(np.float32)
        got = _warped(seen, view, low, scale, size, mirrored)
        edge = math.ceil(reach_mm * scale)
        if got is None or min(size) <= 2 * edge + 3:
            continue
        part = want[edge:-edge, edge:-edge]
        if part.std() < 1:
            continue
        scores = cv2.matchTemplate(got, cv2.GaussianBlur(part, (0, 0), 0.8), cv2.TM_CCOEFF_NORMED)
        place, best = _peak(scores)
        middles.append((low + high) / 2)
        # The template found `place − edge` beside its own place: there the photo has this figure.
        shifts.append((place - edge) / scale)
        like.append(best)
        optional.append(figure in picture.holes)
        around = got[edge:-edge, edge:-edge][part == 0]
        veiled.append(around.size > 0 and float(around.mean()) > IN_GLARE)
    # A hole may be closed by mask: it counts where it is seen.
    seen_too = np.array(like) > LEAST_LIKE
    of = seen_too | ~np.array(optional, bool)
    asked = of & (seen_too | ~np.array(veiled, bool))
    return (
        np.array(middles).reshape(-1, 2),
        np.array(shifts).reshape(-1, 2),
        np.array(like),
        int(of.sum()),
        int(asked.sum()),
    )


def _in_photo(picture: BoardPicture, view: PhotoView, mirrored: bool) -> list[BaseGeometry]:
    """Return figures that lie within the photo, spread over it where there are many."""
    chosen = _inside(picture.figures, view, mirrored)
    if len(chosen) > MOST_FIGURES:
        chosen = np.random.default_rng(1).permutation(chosen)[:MOST_FIGURES]
    return [picture.figures[k] for k in chosen]


def _inside(shapes: Sequence[BaseGeometry], view: PhotoView, mirrored: bool) -> NDArray[np.int64]:
    """Return the numbers of the shapes whose middle lies within the photo."""
    if not shapes:
        return np.zeros(0, np.int64)
    px = _px(view, np.array([[one.centroid.x, one.centroid.y] for one in shapes]), mirrored)
    margin = 0.5 * float(view.px_per_mm(view.to_sheet(view.middle_px)))
    inside = (px > margin).all(axis=1) & (px < np.array([view.width_px, view.height_px]) - margin).all(axis=1)
    return np.flatnonzero(inside)


def _more(
    places: Sequence[BaseGeometry], picture: BoardPicture, view: PhotoView, mirrored: bool
) -> list[BaseGeometry]:
    """Return what a few figures are compared by: both ends of the long ones, holes as well."""
    found: list[BaseGeometry] = []
    for figure in places:
        left, bottom, right, top = figure.bounds
        way = np.array([right - left, top - bottom])
        if way.max() < 2 * END_MM:
            found.append(figure)
            continue
        half = np.where(way >= 2 * END_MM, END_MM / 2, way / 2)
        lows = (np.array([left, bottom]), np.array([right, top]) - 2 * half)
        found.extend(box(*low, *(low + 2 * half)) for low in lows)
    return found + [picture.holes[k] for k in _inside(picture.holes, view, mirrored)]


def _window(
    figure: BaseGeometry, view: PhotoView, reach_mm: float, mirrored: bool
) -> tuple[Floats, Floats, tuple[int, int], float]:
    """Return a window around a figure [mm]: its low and high corner, size in pixels, scale."""
    left, bottom, right, top = figure.bounds
    middle = np.array([left + right, bottom + top]) / 2
    half = np.minimum(np.array([right - left, top - bottom]) / 2, MOST_FIGURE_MM / 2) + MARGIN_MM + reach_mm
    there = middle * ([1.0, -1.0] if mirrored else [1.0, 1.0])
    scale = min(max(1.0, float(view.px_per_mm(there))), MOST_PX_MM)
    size = (math.ceil(2 * half[0] * scale) + 1, math.ceil(2 * half[1] * scale) + 1)
    low = middle - (np.array(size) - 1) / (2 * scale)
    return low, low + (np.array(size) - 1) / scale, size, scale


def _warped(
    seen: StandsOut, view: PhotoView, low: Floats, scale: float, size: tuple[int, int], mirrored: bool
) -> Floats32 | None:
    """Return the map over a window of the board (row 0 is the lowest y), None where the photo does not reach."""
    x, y = np.meshgrid(low[0] + np.arange(size[0]) / scale, low[1] + np.arange(size[1]) / scale)
    px = (_px(view, np.stack([x, y], axis=-1), mirrored) + 0.5) * seen.factor - 0.5
    rows, columns = seen.map.shape
    outside = (px < -1).any(axis=-1) | (px[..., 0] > columns) | (px[..., 1] > rows)
    if outside.mean() > 0.4:
        return None
    px = px.astype(np.float32)
    return np.asarray(cv2.remap(seen.map, px[..., 0], px[..., 1], cv2.INTER_LINEAR), np.float32)


def _peak(scores: NDArray[np.generic]) -> tuple[Floats, float]:
    """Return the place of the largest value, to a part of a pixel (a parabola each way), and the value."""
    values = np.asarray(scores, np.float64)
    line, column = np.unravel_index(int(np.argmax(values)), values.shape)
    best = float(values[line, column])
    at = np.array([column, line], np.float64)
    for axis, (before, after) in enumerate(
        (
            ((line, column - 1), (line, column + 1)),
            ((line - 1, column), (line + 1, column)),
        )
    ):
        if min(before) < 0 or after[0] >= values.shape[0] or after[1] >= values.shape[1]:
            continue
        a, c = float(values[before]), float(values[after])
        bend = a - 2 * best + c
        if bend < -1e-9:
            at[axis] += float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    return at, best
