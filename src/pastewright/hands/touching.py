"""Touching off: the tip on the board, by paper or by a probe's contact, to `board_z_mm` of the profile."""

from math import fsum

from pastewright.hands.guide import Act, Confirm, Feel, GivenUpError, Guide, Keep, Number, Steer, Tell
from pastewright.hands.moves import Go, Spot
from pastewright.hands.travel import lifted
from pastewright.profile.model import Profile

PAPER_MM = 0.1
"""Thickness of office paper of 80 g/m² (common practice); measure yours, or use a feeler gauge."""
TOUCHES = 3
AGREE_MM = 0.03
"""Touches of one place further apart than this are a loose tip or a dirty board; a switch repeats to 0.01 mm
(common practice)."""
BACK_OFF_MM = 1.0
FAR_MM = 2.0
"""A new height further from the old one than this is asked about: another fixture, or a mistake (a choice)."""


def touch_off_by_paper(profile: Profile) -> Guide[float]:
    """Lower the tip onto paper by keys; returns the Z at which it touches the board [mm]."""
    yield Tell(
        words="Tip and board meet now. Move in small steps, and keep your fingers beside the paper.",
        caution=True,
    )
    spot: Spot = yield Steer(
        question="Lay a strip of paper on the board under the tip and lower until the tip just holds it.",
        touching=True,
    )
    paper_mm: float = yield Number(
        question="How thick is the paper or the gauge?",
        name="paper",
        unit="mm",
        low=0.0,
        high=5.0,
        default=PAPER_MM,
    )
    return (yield from _kept(spot.z_mm - paper_mm, spot, profile))


def touch_off_by_probe(profile: Profile, at: Spot) -> Guide[float]:
    """Feel for the board with the probe's contact, `TOUCHES` times; returns the Z at which the tip touches it [mm]."""
    machine, probe = profile.machine, profile.probe
    yield Tell(
        words="The tip goes down by itself now. Keep your hands away and one at the stop.", caution=True
    )
    fine: bool = yield Confirm(
        question="Does the contact answer when you touch it, and is there board below the probe?",
        name="contact",
        safety=True,
    )
    if not fine:
        raise GivenUpError("nothing is felt for without a contact that works")
    heights_mm: list[float] = []
    begin_mm = at.z_mm
    for _ in range(TOUCHES):
        # A contact that is not wired must not drive the tip far into the board.
        known_mm = heights_mm[0] if heights_mm else min(profile.bed.board_z_mm + probe.offset_z_mm, begin_mm)
        low_mm = max(machine.z_min_mm, known_mm - probe.below_mm)
        spot: Spot | None = yield Feel(low_mm=low_mm, speed_mm_s=probe.speed_mm_s)
        if spot is None:
            raise GivenUpError(
                f"nothing was touched down to Z {low_mm:g} mm: is the contact wired, and is there a board? If it lies"
                " lower, move the tip close to it first"
            )
        heights_mm.append(spot.z_mm)
        back_mm = min(spot.z_mm + BACK_OFF_MM, machine.z_max_mm, max(begin_mm, spot.z_mm))
        at = yield Act(moves=(Go(to_mm={"Z": back_mm}, speed_mm_s=machine.speed_z_mm_s / 2),))
    apart_mm = max(heights_mm) - min(heights_mm)
    if apart_mm > AGREE_MM:
        raise GivenUpError(
            f"{TOUCHES} touches of one place are {apart_mm:.3f} mm apart; {AGREE_MM:g} mm is the limit."
            " Is the tip clean and fast, the board held down?"
        )
    touched_mm = fsum(heights_mm) / TOUCHES - probe.offset_z_mm
    return (yield from _kept(touched_mm, at, profile))


def _kept(z_mm: float, at: Spot, profile: Profile) -> Guide[float]:
    old_mm = profile.bed.board_z_mm
    if abs(z_mm - old_mm) > FAR_MM:
        sure: bool = yield Confirm(
            question=f"The board is at Z {z_mm:.3f} mm; the profile had {old_mm:g}. Is that right?",
            name="height",
        )
        if not sure:
            raise GivenUpError("the height was not written")
    new: Profile = yield Keep(values={"bed.board_z_mm": z_mm})
    yield Act(moves=lifted(at, new), words="up to travel height")
    yield Tell(words=f"board_z_mm is {new.bed.board_z_mm:g} mm, {z_mm - old_mm:+.3f} from what it was.")
    return z_mm
