"""Other constants to how far the next board would be off with them, planned as it is."""

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from pastewright.learn.update import RowOfDots
from pastewright.plan.again import AT_PERCENTILE, off_by
from pastewright.profile.model import Profile
from pastewright.records.plan import PlanRecord
from pastewright.tune.fit.constants import CONSTANTS, as_seen, constants_of, with_constants
from pastewright.tune.fit.model import Forward, score_of


def change_of_board(text: str, plan: PlanRecord, profile: Profile) -> Callable[[Mapping[str, float]], float]:
    """Return a function from constants to what a board's deposits change by [share of each, 95th percentile].

    The read-back simulates the program as it stands, with the profile's constants and with others.
    """
    return lambda constants: off_by(text, plan, profile, now=with_constants(profile, constants))


def change_of_row(row: RowOfDots, profile: Profile) -> Callable[[Mapping[str, float]], float]:
    """Return the same for the row itself, where no board is named: its sizes mix, so that it changes more."""
    forward = Forward(score_of(row.turns), row.setting)
    usual = {constant.name: constant.usual for constant in CONSTANTS} | {"standing": row.standing}
    own = {**usual, **constants_of(profile)}

    def laid(constants: Mapping[str, float]) -> NDArray[np.float64]:
        found: NDArray[np.float64] = forward.run(as_seen({**own, **constants})).out_ul[1:, 0]
        return found

    was = np.maximum(laid({}), 1e-9)

    def change(constants: Mapping[str, float]) -> float:
        return float(np.percentile(np.abs(laid(constants) / was - 1), AT_PERCENTILE))

    return change
