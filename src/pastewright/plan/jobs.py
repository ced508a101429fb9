"""What a job file asks, applied to the order and to travel, and held against the board; doses are `dose`'s.

The job file is read by `job`; here its wishes meet the board. A wish that meets nothing is told, since a
misspelt reference that silently pastes a part is worse than an error.
"""

from collections.abc import Sequence
from fnmatch import fnmatchcase

import numpy as np
from shapely.geometry import Polygon

from pastewright.board.model import Board, Point
from pastewright.job.model import FormWish, Job, LayTurn, zone_box
from pastewright.motion.around import Blocked
from pastewright.place.transform import Placements
from pastewright.problems import InputError, Problem, one_error
from pastewright.records.placement import Zone


def check_job(job: Job, board: Board) -> None:
    """Raise `InputError` when the job is for the other side, or names a pad that is not there."""
    if job.side is not None and job.side is not board.side:
        raise one_error(
            f"this job is for the {job.side} side; the {board.side} side was asked for",
            f"Plan it with --side {job.side}, or change side in the job.",
            file=job.file,
        )
    ids = {pad.id for pad in board.pads}
    named = [(each.pad_id, each.line) for each in job.pads]
    named += [(each.pad_id, each.line) for each in job.forms if each.pad_id]
    missing = [(name, line) for name, line in named if name not in ids]
    if missing:
        raise InputError(
            Problem(
                what=f"there is no pad {name} on the {board.side} side",
                mend="See the ids in pads.csv or with `pastewright look`.",
                file=job.file,
                line=line or None,
            )
            for name, line in missing
        )


def warnings_of(job: Job, board: Board) -> list[str]:
    """Return what the job names and the board does not have."""
    refs = {pad.ref for pad in board.pads if pad.ref}
    forms = tuple(dict.fromkeys(form.ref for form in job.forms if form.ref))
    named = (
        ("not_fitted", job.not_fitted),
        ("order.first", job.first),
        ("order.last", job.last),
        ("lay", forms),
    )
    return [
        f"{job.file}: {key} names {pattern!r}, and no part of the {board.side} side is called so"
        for key, patterns in named
        for pattern in patterns
        if not any(fnmatchcase(ref, pattern) for ref in refs)
    ]


def turns_of(job: Job, board: Board) -> dict[str, LayTurn]:
    """Return when each pad is laid, by its id; {} when the job says nothing of the order."""
    if not job.first and not job.last:
        return {}
    return {pad.id: job.turn_of(pad.ref) for pad in board.pads}


def forms_of(job: Job, board: Board) -> dict[int, FormWish]:
    """Return how pads are wished to be laid, by their place in the board; the first wish that meets a pad decides."""
    found: dict[int, FormWish] = {}
    for index, pad in enumerate(board.pads if job.forms else ()):
        wish = next((form for form in job.forms if form.meets(pad.id, pad.ref, pad.pin)), None)
        if wish is not None:
            found[index] = wish
    return found


def blocked_on(job: Job, placements: Placements, size_mm: Point) -> tuple[Blocked, ...]:
    """Return the zones of a job on every board; see `blocked_by`."""
    return blocked_by(job.zones, placements, size_mm)


def blocked_by(zones: Sequence[Zone], placements: Placements, size_mm: Point) -> tuple[Blocked, ...]:
    """Return the zones of every board where they lie in machine coordinates, heights above their board.

    What stands on a board stands there also where the board is skipped, or in another program of the tray; where nobody
    measured its height, the highest of the others counts.
    """
    found: list[Blocked] = []
    for zone in zones:
        box = np.array(zone_box(zone).exterior.coords[:4])
        there = [(placed.affine.apply(box), placed.surface) for placed in placements.boards]
        tops = [(corners, float(surface.heights_mm(corners).max())) for corners, surface in there]
        highest = max(surface for _, surface in tops)
        for other in placements.neighbours:
            where = other.board_map(size_mm)
            if where is not None:
                tops.append((where.apply(box), highest if other.highest_mm is None else other.highest_mm))
        for corners, surface in tops:
            found.append(
                Blocked(
                    name=zone.name,
                    area=Polygon(corners),
                    top_z_mm=None if zone.height_mm is None else surface + zone.height_mm,
                    margin_mm=zone.margin_mm,
                )
            )
    return tuple(found)
