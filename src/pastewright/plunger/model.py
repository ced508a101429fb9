"""The plunger's answer to a dose. All volumes are real sweep at the plunger's face [µL]: backlash, gain and
microsteps are dealt with in `motion`.
"""

from msgspec import Struct


class DotCycle(Struct, frozen=True, kw_only=True):
    """From rest to rest: push `push_ul`, wait `dwell_s`, retract `retract_ul` = push − volume.

    Rates are the highest of each ramp [µL/s]; `peak_kpa` is the highest gauge pressure behind the tip. Of the push
    `press_ul` is done while the tip is lowered, of the retraction `draw_ul` while it is lifted.
    """

    volume_ul: float
    push_ul: float
    push_ul_s: float
    dwell_s: float
    retract_ul: float
    retract_ul_s: float
    peak_kpa: float
    press_ul: float = 0.0
    draw_ul: float = 0.0


class BeadCycle(Struct, frozen=True, kw_only=True):
    """From rest to rest: prime, feed `feed_ul` while the tip walks the bead's legs in `travel_s`, retract.

    prime + feed − retract = volume. During the walk the pressure is steady and what is fed flows out. The tip may walk
    while it primes and retracts too (`runs`); the plunger sets the time of that. `press_ul` and `draw_ul` as of dots.

    Of `feed_ul` the parts `stand_in_ul` and `stand_out_ul` are fed at the same rate before and behind the walk, while the
    tip stands; `travel_s` counts their time. `leak_in_ul` and `leak_out_ul` of the volume flow out while the plunger
    primes and retracts.
    """

    volume_ul: float
    prime_ul: float
    prime_ul_s: float
    feed_ul: float
    travel_s: float
    retract_ul: float
    retract_ul_s: float
    peak_kpa: float
    press_ul: float = 0.0
    draw_ul: float = 0.0
    stand_in_ul: float = 0.0
    stand_out_ul: float = 0.0
    leak_in_ul: float = 0.0
    leak_out_ul: float = 0.0

    @property
    def feed_ul_s(self) -> float:
        """Mean rate of the feed [µL/s]."""
        return self.feed_ul / self.travel_s
