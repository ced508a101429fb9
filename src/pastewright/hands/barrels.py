"""A barrel in and out, paste to the tip, waste and rest: what hands do with the plunger.

load     up ▸ draw back ▸ (barrel in) ▸ run up to the paste ▸ feed until it shows ▸ relieve ▸ wipe
unload   up ▸ relieve ▸ draw back ▸ (barrel out)
purge    up ▸ feed ▸ relieve ▸ wipe

Where that is done (the parking place, a card for waste) the tip has gone before.
"""

from collections.abc import Callable

from pastewright.hands.guide import Act, Choice, Confirm, GivenUpError, Guide, Number, Steer, Tell
from pastewright.hands.moves import Push, Spot, Wait
from pastewright.hands.reach import Reach
from pastewright.hands.travel import lifted
from pastewright.profile.model import Profile

FEED_UL = 5.0
"""One portion while feeding: a bead of a few mm in the tip (a choice)."""
MOST_FED = 0.15
"""Share of the barrel's fill fed before giving up: more than any tip and trapped air hold; then something is blocked."""
CLEAR_MM = 3.0
"""Room between plunger and paste when a barrel goes in: the seal must not squeeze paste out (a choice)."""
SETTLE_S = 2.0
"""Paste goes on coming for about its time constant after a push (docs/tuning.md)."""


def swept_mm(volume_ul: float, profile: Profile) -> float:
    """Return how far the plunger goes for a volume [mm]: V / (area · gain)."""
    return volume_ul / (profile.barrel.area_mm2 * profile.tuning.gain)


def pushed_ul(profile: Profile, volume_ul: float) -> Push:
    """Return the push that sweeps a volume [µL], backwards below zero, at the bench's feed."""
    speed_ul_s = min(
        profile.tuning.push_ul_s, profile.plunger.speed_mm_s * profile.barrel.area_mm2 * profile.tuning.gain
    )
    return Push(by_mm=swept_mm(volume_ul, profile), speed_mm_s=swept_mm(speed_ul_s, profile))


def relieved(profile: Profile) -> tuple[Push, ...]:
    """Return the push that takes the pressure off ([run] relieve_ul)."""
    return (pushed_ul(profile, -profile.run.relieve_ul),) if profile.run.relieve_ul else ()


def _up(profile: Profile, at: Spot, reach: Reach) -> Act:
    """Return the way up to travel height, out of paste and parts."""
    return Act(moves=lifted(at, profile, travel_z_mm=reach.travel_z_mm))


def load(
    profile: Profile, at: Spot, reach: Reach, fed: Callable[[float], None] = lambda _volume_ul: None
) -> Guide[float]:
    """Put a barrel in where the tip is, and bring its paste to the tip; returns the paste fed [µL].

    `fed` is told of each portion as it is pushed, for who counts them where this is given up.
    """
    yield _up(profile, at, reach)
    yield Tell(
        words="The plunger moves with force. Keep fingers off the plunger and away from the tip.",
        caution=True,
    )
    held_mm = profile.barrel.fill_ul / profile.barrel.area_mm2 + CLEAR_MM
    back_mm: float = yield Number(
        question="How far shall the plunger draw back from where it is, to let the barrel in?",
        name="back",
        unit="mm",
        low=0.0,
        high=profile.plunger.stroke_mm,
        default=round(min(held_mm, profile.plunger.stroke_mm), 1),
    )
    if back_mm:
        yield Act(
            moves=(Push(by_mm=-back_mm, speed_mm_s=profile.plunger.speed_mm_s / 2),), words="drawing back"
        )
    inside: bool = yield Confirm(
        question="Is the barrel in and held fast, its tip on, a card for waste below it, and are your hands away?",
        name="barrel",
        safety=True,
    )
    if not inside:
        raise GivenUpError("no barrel was put in")
    yield Steer(question="Run the plunger up (f forward) until it just meets the paste.", axes="P")
    fed_ul = yield from _fed(profile, fed)
    yield Act(moves=relieved(profile), words="relieving")
    yield Tell(words="Wipe the tip upwards with a lint-free cloth; never with a finger. The barrel is ready.")
    return fed_ul


def _fed(profile: Profile, fed: Callable[[float], None]) -> Guide[float]:
    """Feed in portions until the person sees paste; returns how much [µL]."""
    most_ul = max(MOST_FED * profile.barrel.fill_ul, 4 * FEED_UL)
    fed_ul = 0.0
    while True:
        answer: str = yield Choice(
            question=f"{fed_ul:.0f} µL fed. Does paste show at the tip?",
            name="shows",
            words=("no", "yes", "stop"),
        )
        if answer == "yes":
            return fed_ul
        if answer == "stop":
            raise GivenUpError("feeding was stopped")
        if fed_ul + FEED_UL > most_ul:
            raise GivenUpError(
                f"no paste after {fed_ul:.0f} µL: the plunger does not meet it, the tip is blocked, or the barrel is empty"
            )
        fed(FEED_UL)
        yield Act(moves=(pushed_ul(profile, FEED_UL), Wait(seconds=SETTLE_S)), words="feeding")
        fed_ul += FEED_UL


def unload(profile: Profile, at: Spot, reach: Reach) -> Guide[None]:
    """Relieve the paste, draw the plunger out of the barrel where the tip is, and let it be taken out."""
    yield _up(profile, at, reach)
    yield Tell(words="The plunger moves. Keep fingers off it and away from the tip.", caution=True)
    yield Act(moves=relieved(profile), words="relieving")
    back_mm: float = yield Number(
        question="How far shall the plunger draw back, to free the barrel?",
        name="back",
        unit="mm",
        low=0.0,
        high=profile.plunger.stroke_mm,
        default=round(min(2 * CLEAR_MM, profile.plunger.stroke_mm), 1),
    )
    if back_mm:
        yield Act(
            moves=(Push(by_mm=-back_mm, speed_mm_s=profile.plunger.speed_mm_s / 2),), words="drawing back"
        )
    out: bool = yield Confirm(question="Take the barrel out and cap its tip. Is it out?", name="out")
    if not out:
        raise GivenUpError(
            f"the barrel is still in, and the plunger stands {back_mm:g} mm off where it was: load it anew before it lays"
        )


def purge(profile: Profile, at: Spot, reach: Reach, *, volume_ul: float) -> Guide[float]:
    """Press waste out where the tip is, at travel height; returns how much [µL]."""
    yield _up(profile, at, reach)
    below: bool = yield Confirm(
        question="Is a card for waste below the tip, and are your hands away?", name="card", safety=True
    )
    if not below:
        raise GivenUpError("nothing was pressed out")
    yield Act(
        moves=(pushed_ul(profile, volume_ul), Wait(seconds=SETTLE_S), *relieved(profile)), words="purging"
    )
    yield Tell(words="Wipe the tip upwards with a lint-free cloth.")
    return volume_ul
