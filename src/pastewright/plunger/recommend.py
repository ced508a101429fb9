"""Advice to one recommendation: what to change first, if anything, and why.

In this order: what clogs or cannot lay the board at all; doses too small for the drive; a tip or a barrel that is only
just enough. Of several tips or gears that would do, the one nearest to today's.
"""

from dataclasses import dataclass
from enum import StrEnum

from pastewright.materials.rules import SAFE_TIP_RATIO, TipFit, tip_fit, tip_ratio
from pastewright.plunger.advise import Advice, TipRow
from pastewright.plunger.limits import FEW_MICROSTEPS
from pastewright.profile.model import Profile

# A push that lasts so much longer than tuned is worth another tip; own choice.
WORTH_S = 0.5


class Part(StrEnum):
    """What is to be changed."""

    NOTHING = "nothing"
    TIP = "tip"
    GEAR = "gear"
    BARREL = "barrel"
    POWDER = "powder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """One change: of which part, to what, and why; or nothing, and why that is right."""

    part: Part
    to: str
    why: str


def recommended(advice: Advice, profile: Profile) -> Recommendation:
    """Return the one change that helps a bench most with the doses that the advice is about."""
    bore_mm = profile.tip.bore_mm
    fit = tip_fit(bore_mm, profile.paste.powder)
    ratio = tip_ratio(bore_mm, profile.paste.powder)
    nearest = min(advice.tips, key=lambda row: abs(row.bore_mm - bore_mm))
    if fit is TipFit.CLOGS or not nearest.suits:
        why = (
            f"the powder clogs today's tip ({ratio:.1f} particles across)"
            if fit is TipFit.CLOGS
            else nearest.why_not
        )
        return _other_tip_or_powder(advice, bore_mm, why)
    if advice.bench.microsteps_smallest < FEW_MICROSTEPS:
        return _finer_drive(advice)
    if fit is TipFit.TIGHT and (row := _nearest(advice, bore_mm, safe=True)):
        return Recommendation(
            part=Part.TIP,
            to=_words(row),
            why=f"today's bore is {ratio:.1f} of the powder's largest particles wide, {SAFE_TIP_RATIO:g} is safe from"
            f" clogging; its largest dot needs {row.peak_kpa:.0f} of {advice.bench.limit_kpa:.0f} kPa",
        )
    if nearest.slower_s > WORTH_S and (row := _nearest(advice, bore_mm, wider=True)):
        return Recommendation(
            part=Part.TIP,
            to=_words(row),
            why=f"with today's the largest dot is pushed {nearest.slower_s:.1f} s longer than tuned, so as not to pass"
            f" {advice.bench.limit_kpa:.0f} kPa; this one needs {row.peak_kpa:.0f} kPa",
        )
    if advice.bench.boards_per_barrel < 1 and (row_of := _larger_barrel(advice)):
        return row_of
    return Recommendation(
        part=Part.NOTHING,
        to="the bench as it is",
        why=f"the smallest dose has {advice.bench.microsteps_smallest:.0f} microsteps, the largest needs"
        f" {advice.bench.peak_kpa:.0f} of {advice.bench.limit_kpa:.0f} kPa, and the bore is {ratio:.1f} particles wide",
    )


def _words(row: TipRow) -> str:
    return f"a {row.gauge}G tip (bore {row.bore_mm:.3f} mm)"


def _nearest(advice: Advice, bore_mm: float, *, safe: bool = False, wider: bool = False) -> TipRow | None:
    """The suiting tip nearest in bore; `safe` from clogging, or `wider` and quick enough."""
    suiting = [
        row
        for row in advice.tips
        if row.suits
        and (not safe or row.fit is TipFit.SAFE)
        and (not wider or (row.bore_mm > bore_mm and row.slower_s <= WORTH_S))
    ]
    return min(suiting, key=lambda row: abs(row.bore_mm - bore_mm), default=None)


def _other_tip_or_powder(advice: Advice, bore_mm: float, why: str) -> Recommendation:
    row = _nearest(advice, bore_mm, safe=True) or _nearest(advice, bore_mm)
    if row is not None:
        return Recommendation(part=Part.TIP, to=_words(row), why=why)
    finer = [powder for powder in advice.powders if powder.fit is not TipFit.CLOGS]
    if finer:
        to = f"powder of type {finer[0].type} or finer"
        return Recommendation(
            part=Part.POWDER, to=to, why=f"no tip lays the smallest and passes this powder; {why}"
        )
    return Recommendation(
        part=Part.TIP, to="a shorter tip, or one made to measure", why=f"no tip of the table suits; {why}"
    )


def _finer_drive(advice: Advice) -> Recommendation:
    why = f"the smallest dose has {advice.bench.microsteps_smallest:.1f} microsteps, and {FEW_MICROSTEPS} are wanted"
    gear = next((row for row in advice.gears if row.suits), None)
    if gear is not None:
        return Recommendation(
            part=Part.GEAR,
            to=f"a gear of {gear.gear:.4g}:1",
            why=f"{why}; it gives {gear.microsteps_smallest:.0f}",
        )
    barrels = [row for row in advice.barrels if row.suits and row.boards]
    if barrels:
        best = max(barrels, key=lambda row: row.boards or 0)
        return Recommendation(
            part=Part.BARREL,
            to=f"a barrel of {best.name}",
            why=f"{why}; it gives {best.microsteps_smallest:.0f}",
        )
    return Recommendation(part=Part.GEAR, to=f"a gear of {advice.bench.gear_for_ten:.3g}:1", why=why)


def _larger_barrel(advice: Advice) -> Recommendation | None:
    barrels = [row for row in advice.barrels if row.suits and row.boards]
    if not barrels:
        return None
    best = min(barrels, key=lambda row: row.bore_mm)
    return Recommendation(
        part=Part.BARREL,
        to=f"a barrel of {best.name}",
        why="one filling of today's does not last for one board",
    )
