"""What the bench written apart lays nearest to each pad under a bead across a row, of its share."""

import numpy as np
from foreign_bench import along_beads, as_profiled, track

PARTS = 400  # of a bead's length: a quarter of a per cent of a row of eight


def nearest_by_pad(plan):
    """By pad: what comes out while the tip is nearest to its centre, over what it is due."""
    profile = plan.profile
    centres = {pad.id: np.array(pad.land.centroid.coords[0]) for pad in plan.board.pads}
    along = along_beads(track(plan.motions, profile), as_profiled(profile, least_bores=0.02), parts=PARTS)
    backwards = {visit.deposit: visit.backwards for visit in plan.tour.visits}
    found = {}
    for deposit in plan.layout.deposits:
        if len(deposit.shares) < 2:
            continue
        first, last = (
            np.array(deposit.points_mm[end]) for end in ((-1, 0) if backwards[deposit.index] else (0, -1))
        )
        places = first + (np.arange(PARTS) + 0.5)[:, None] / PARTS * (last - first)
        pads = np.array([centres[share.pad_id] for share in deposit.shares])
        nearest = np.hypot(*(places[:, None] - pads).transpose(2, 0, 1)).argmin(axis=1)
        got = np.bincount(nearest, along[deposit.index], len(pads)) * deposit.volume_ul
        for share, laid in zip(deposit.shares, got.tolist(), strict=True):
            found[share.pad_id] = laid / share.volume_ul
    return found
