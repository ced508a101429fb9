"""Other constants to how far the next board would be off with them, planned as it is."""

from collections.abc import Callable, Mapping

from pastewright.plan.again import off_by
from pastewright.profile.model import Profile
from pastewright.records.plan import PlanRecord
from pastewright.tune.fit.constants import with_constants


def change_of_board(text: str, plan: PlanRecord, profile: Profile) -> Callable[[Mapping[str, float]], float]:
    """Return a function from constants to what a board's deposits change by [share of each, 95th percentile].

    The read-back simulates the program as it stands, with the profile's constants and with others.
    """
    return lambda constants: off_by(text, plan, profile, now=with_constants(profile, constants))
