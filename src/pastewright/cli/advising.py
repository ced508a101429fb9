"""A board's doses to advice about a bench."""

import numpy as np
import shapely

from pastewright.board.model import Board
from pastewright.deposit.lay import lay
from pastewright.deposit.model import Layout
from pastewright.dose.doses import dose_board
from pastewright.job.model import Job
from pastewright.plan.jobs import check_job
from pastewright.plunger.advise import Advice, advise
from pastewright.problems import one_error
from pastewright.profile.model import Profile

# Lands below the 5th percentile decide: one odd sliver of copper should not choose the tip for a board.
NARROW_SHARE = 0.05


def advice_for(board: Board, profile: Profile, job: Job, *, source: str) -> tuple[Layout, Advice]:
    """Return the deposits that the profile's tip lays on a board, and what they say about the bench."""
    check_job(job, board)
    doses = dose_board(
        board, profile.dose, profile.paste, job=job, bead_shape_ratio=profile.tuning.bead_shape_ratio
    ).doses
    layout = lay(
        board, doses, tip=profile.tip, paste=profile.paste, tuning=profile.tuning, settings=profile.deposit
    )
    if not layout.deposits:
        raise one_error(
            f"no pad of the {board.side} side gets paste", "Choose the other side with --side.", file=source
        )
    volumes_ul = [deposit.volume_ul for deposit in layout.deposits]
    advice = advise(volumes_ul, profile, widest_dot_mm=_widest_dot_mm(board, profile))
    return layout, advice


def _widest_dot_mm(board: Board, profile: Profile) -> float:
    """The widest dot that a narrow land of this board takes: its short side and the overhang allowed."""
    lands = [pad.land for pad in board.pads if pad.apertures]
    boxes = shapely.oriented_envelope(np.array(lands, dtype=object))
    sides = [_short_side_mm(box) for box in boxes]
    return float(np.quantile(sides, NARROW_SHARE)) + 2 * profile.deposit.overhang_mm


def _short_side_mm(box: shapely.Geometry) -> float:
    corners = shapely.get_coordinates(box)
    return float(np.hypot(*np.diff(corners[:3], axis=0).T).min())
