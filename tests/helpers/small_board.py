"""A board of dots that is cheap to plan and to lay, planned as boards are: one push, by size."""

from collections.abc import Callable, Mapping

import numpy as np
from learning_trial import Planned

from pastewright.deposit.model import Deposit, DepositKind, Layout, Share
from pastewright.deposit.shape import dot_width_mm
from pastewright.motion.levels import levels_of
from pastewright.motion.model import Motions
from pastewright.motion.plan import motions_over
from pastewright.place.transform import on_bed
from pastewright.place.tray.located import located
from pastewright.place.tray.tour import placed_tour
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import CONSTANTS, as_seen, constants_of
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import STRIP, turns_of

DOSES_UL = np.repeat(np.geomspace(0.06, 0.9, 6), 5)
APART_MM = 3.0


def small_board(profile: Profile) -> Planned:
    """Thirty dots of six sizes, as the demo board has them."""
    deposits = []
    for at, dose in enumerate(DOSES_UL.tolist()):
        width = dot_width_mm(dose, profile.tuning.dot_shape_ratio)
        deposits.append(
            Deposit(
                index=at,
                kind=DepositKind.DOT,
                points_mm=((APART_MM * (1 + at % 5), APART_MM * (1 + at // 5)),),
                volume_ul=dose,
                width_mm=width,
                height_mm=profile.tuning.dot_shape_ratio * width,
                shares=(Share(pad_id=f"dot {at}", volume_ul=dose),),
            )
        )
    there = located(Layout(deposits=tuple(deposits), pads=()), on_bed(profile.bed))
    levels = levels_of(there.layout.deposits, profile)
    tour = placed_tour(there, profile, {}, levels.classes)
    motions = motions_over(there, tour, profile, levels)
    return Planned(
        motions=motions,
        doses_ul=dict(enumerate(DOSES_UL.tolist())),
        change_of=_change_of(motions, profile),
    )


def _change_of(motions: Motions, profile: Profile) -> Callable[[Mapping[str, float]], float]:
    turns = turns_of(motions, profile)
    forward = Forward(score_of(turns), setting_of(profile))
    usual = {constant.name: constant.usual for constant in CONSTANTS}
    own = {**usual, **constants_of(profile)}
    dots = [at for at, turn in enumerate(turns) if turn.index != STRIP]

    def laid(constants: Mapping[str, float]) -> np.ndarray:
        return forward.run(as_seen({**own, **constants})).out_ul[dots, 0]

    was = laid({})
    return lambda constants: float(np.percentile(np.abs(laid(constants) / was - 1), 95))
