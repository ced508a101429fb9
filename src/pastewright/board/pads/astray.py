"""Drill files that stand in another frame than the copper: their holes would steer dots to where no pad is."""

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import STRtree

from pastewright.board.artwork import Drill, DrillFile, Layer
from pastewright.board.model import Check
from pastewright.board.shapes.islands import Shapes, shape_array
from pastewright.distinct import distinct
from pastewright.problems import Problem, Severity

FEWEST_HOLES = 8
"""Fewer holes may all be without copper: mounting holes, of a file that does not say."""
MET_PART = 0.2
"""Plated holes stand in copper, all but a few; by chance a quarter of misplaced ones may over pours."""
ASTRAY_PART = 0.5
"""Holes of a file that does not say if it is plated are astray when this part lies off all copper besides."""


def drills_in_place(
    files: Sequence[DrillFile], copper: Layer | None
) -> tuple[tuple[DrillFile, ...], list[Problem]]:
    """Return the drill files whose holes meet the copper, and a warning for each that does not."""
    kept: list[DrillFile] = []
    problems: list[Problem] = []
    shapes = (
        shape_array([thing.shape for thing in copper.objects if thing.dark]) if copper else shape_array([])
    )
    tree = STRtree(shapes)
    for file in files:
        met = _met(file, tree) if len(shapes) else None
        if met is None:
            kept.append(file)
            continue
        count = len(file.drills)
        what = f"only {met} of {count} holes meet copper: the file counts from another origin, or was misread; not used"
        mend = "Export it together with the Gerber files; till then through-hole pads and vias are not told."
        problems.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=file.file))
    return tuple(kept), problems


def holes_in_copper(files: Sequence[DrillFile], copper: Layer) -> Check:
    """Return how many of the plated holes stand in copper; holes of files that do not say are no evidence."""
    plated = [drill for file in files for drill in file.drills if _plating(drill, file) is True]
    met = 0
    if plated:
        tree = STRtree(shape_array([thing.shape for thing in copper.objects if thing.dark]))
        met = len(distinct(tree.query(_places(plated), predicate="intersects")[0]))
    return Check(what="plated holes in copper", met=met, of=len(plated))


def _plating(drill: Drill, file: DrillFile) -> bool | None:
    return drill.plated if drill.plated is not None else file.plated


def _places(drills: Sequence[Drill]) -> Shapes:
    return np.asarray(shapely.points([drill.x_mm for drill in drills], [drill.y_mm for drill in drills]))


def _met(file: DrillFile, copper: STRtree) -> int | None:
    """Return how few holes of a file that is astray meet copper, None for a file in its place."""
    plated = [drill for drill in file.drills if _plating(drill, file) is not False]
    if len(plated) < FEWEST_HOLES:
        return None
    places = _places(plated)
    met = len(distinct(copper.query(places, predicate="intersects")[0]))
    if met >= MET_PART * len(plated):
        return None
    box = shapely.box(*shapely.total_bounds(copper.geometries))
    off = int((~shapely.covers(box, places)).sum())
    said = all(_plating(drill, file) is True for drill in plated)
    return met if said or off >= ASTRAY_PART * len(plated) else None
