"""Rules about paste: every dose in its place and right, nothing anywhere else, the plunger within its means."""

from collections.abc import Callable, Iterator
from math import cos, pi, radians

import numpy as np

from pastewright.near import NearPlaces
from pastewright.profile.model import Profile
from pastewright.readback.judge.evidence import CaseFile, paste_run
from pastewright.readback.judge.ledger import stray_limit_ul
from pastewright.readback.judge.match import targets
from pastewright.readback.machine.barrel import ATMOSPHERE_KPA
from pastewright.readback.model import ExpectedDeposit, Finding, FindingKind

NOTHING_SHARE = 0.01  # a deposit with less of its dose than this is missing
AGAIN_SHARE = 0.1  # a second visit that lays more of the dose than this doubles the deposit
FIRST_DEPOSITS = 4  # that are checked again from another start of the barrel


def every_dose(seen: CaseFile) -> Iterator[Finding]:
    """Each expected deposit is laid, once, with its volume: within the tolerance and half a microstep."""
    tolerance = seen.profile.verify.volume_tolerance
    microstep = seen.profile.microstep_ul
    wrong_place = {misplaced.target for misplaced in seen.ledger.misplaced}
    for index, visits in enumerate(seen.ledger.laid):
        deposit = seen.expected.deposits[index]
        volume = sum(visit.volume_ul for visit in visits)
        if volume < NOTHING_SHARE * deposit.volume_ul:
            what = "the tip goes there, but no paste comes out" if visits else "no paste is laid here"
            line = visits[0].line if visits else 0
            yield _finding(
                FindingKind.MISSING, deposit, f"{what}; {deposit.volume_ul:.4f} µL were asked for", line
            )
            continue
        again = [visit for visit in visits if visit.volume_ul > AGAIN_SHARE * deposit.volume_ul]
        if len(again) > 1:
            what = (
                f"laid {len(again)} times, {volume:.4f} µL in all; {deposit.volume_ul:.4f} µL were asked for"
            )
            yield _finding(FindingKind.DOUBLED, deposit, what, again[1].line)
            continue
        off = volume - deposit.volume_ul
        if abs(off) > tolerance * deposit.volume_ul + microstep / 2 and index not in wrong_place:
            what = (
                f"{volume:.4f} µL come out, {deposit.volume_ul:.4f} µL were asked for"
                f" ({off / deposit.volume_ul:+.1%}, limit {tolerance:.1%})"
            )
            yield _finding(FindingKind.VOLUME, deposit, what, visits[0].line)


def right_places(seen: CaseFile) -> Iterator[Finding]:
    """No deposit lies beside its place."""
    limit = seen.profile.verify.place_tolerance_mm
    for index, visit, off in seen.ledger.misplaced:
        deposit = seen.expected.deposits[index]
        what = f"laid {off:.3f} mm from its place, or along another line; {limit:g} mm are allowed"
        yield _finding(FindingKind.PLACE, deposit, what, visit.line)


def nothing_stray(seen: CaseFile) -> Iterator[Finding]:
    """No paste anywhere but in deposits and on the settling strip."""
    for visit in seen.ledger.loose:
        x, y = visit.path_mm[0]
        what = f"{visit.volume_ul:.5f} µL are laid at ({x:.3f}, {y:.3f}), where nothing is to be laid"
        yield Finding(kind=FindingKind.STRAY, what=what, line=visit.line)
    for line, (x, y), volume, lifted in seen.ledger.strays:
        how = "with the tip lifted or lifting" if lifted else "on the way between two places"
        what = f"{volume:.5f} µL come out {how}, near ({x:.3f}, {y:.3f})"
        yield Finding(kind=FindingKind.STRAY, what=what, line=line)


def relieved_at_the_end(seen: CaseFile) -> Iterator[Finding]:
    """The barrel ends below its yield pressure, and never draws air in through the tip."""
    limit = seen.bench.flow.yield_kpa
    if len(seen.moves) and seen.paste.last_kpa[-1] > limit:
        what = f"the barrel ends at {seen.paste.last_kpa[-1]:.1f} kPa; above {limit:.1f} kPa paste goes on oozing"
        yield Finding(kind=FindingKind.PRESSURE, what=what, line=int(seen.moves.line[-1]))
    if seen.paste.lowest_kpa < -ATMOSPHERE_KPA:
        row = int(seen.paste.last_kpa.argmin())
        what = f"the plunger pulls {seen.paste.lowest_kpa:.0f} kPa; no vacuum is deeper than −{ATMOSPHERE_KPA:.0f} kPa"
        yield Finding(kind=FindingKind.PRESSURE, what=what, line=int(seen.moves.line[row]))
    drawn = -float(seen.paste.out_ul[seen.paste.out_ul < 0].sum())
    if drawn > stray_limit_ul(seen.expected):
        row = int(np.flatnonzero(seen.paste.out_ul < 0)[0])
        what = (
            f"the plunger draws {drawn:.5f} µL of air in through the tip, at {seen.paste.lowest_kpa:.1f} kPa"
        )
        yield Finding(kind=FindingKind.PRESSURE, what=what, line=int(seen.moves.line[row]))


def settled_first(seen: CaseFile) -> Iterator[Finding]:
    """The first deposits do not depend on how the barrel was left: the settling strip makes it forget.

    The start is simulated again from the yield pressure, and where the profile does not say that the drive is drawn
    back, without slack: the other end of what a barrel at rest can be.
    """
    firsts = sorted((visits[0], index) for index, visits in enumerate(seen.ledger.laid) if len(visits) == 1)[
        :FIRST_DEPOSITS
    ]
    if not firsts:
        return
    rows = firsts[-1][0].last + 1
    other = paste_run(
        seen.bench,
        seen.moves,
        seen.expected,
        rows=rows,
        start_kpa=seen.bench.flow.yield_kpa,
        slack_mm=None if seen.profile.plunger.drawn_back else 0.0,
    )
    for visit, index in firsts:
        inside = slice(visit.first, visit.last + 1)
        volume = float(other.out_ul[inside][~seen.where.lift[inside]].sum())
        deposit = seen.expected.deposits[index]
        limit = seen.profile.verify.volume_tolerance * deposit.volume_ul + seen.profile.microstep_ul / 2
        if abs(volume - visit.volume_ul) > limit:
            what = (
                f"{visit.volume_ul:.4f} µL or {volume:.4f} µL, depending on the pressure that the barrel was left"
                " with; push more paste onto the settling strip first"
            )
            yield _finding(FindingKind.PRESSURE, deposit, what, visit.line)


def plunger_within_stroke(seen: CaseFile) -> Iterator[Finding]:
    """The plunger neither runs out of paste, nor of stroke, nor out of the barrel at its back."""
    plunger = seen.moves.plunger_mm
    profile = seen.profile
    barrel, drive = profile.barrel, profile.plunger
    most, least = float(plunger.max()), float(plunger.min())
    line_of_most = int(seen.moves.line[max(int(plunger.argmax()) - 1, 0)]) if len(seen.moves) else 0
    line_of_least = int(seen.moves.line[max(int(plunger.argmin()) - 1, 0)]) if len(seen.moves) else 0
    swept = most * barrel.area_mm2 * profile.tuning.gain
    if swept > barrel.fill_ul:
        what = f"the plunger goes {most:.3f} mm forward, {swept:.1f} µL; the barrel holds {barrel.fill_ul:.1f} µL"
        yield Finding(kind=FindingKind.STROKE, what=what, line=line_of_most)
    if most - least > drive.stroke_mm:
        what = f"the plunger needs {most - least:.3f} mm; its stroke is {drive.stroke_mm:g} mm"
        yield Finding(kind=FindingKind.STROKE, what=what, line=line_of_most)
    behind = max((barrel.capacity_ul - barrel.fill_ul) / barrel.area_mm2, 0.0) + drive.backlash_mm + 1.0
    if -least > behind:
        what = f"the plunger is pulled {-least:.3f} mm behind where it began; {behind:.3f} mm are there"
        yield Finding(kind=FindingKind.STROKE, what=what, line=line_of_least)


def strong_enough(seen: CaseFile) -> Iterator[Finding]:
    """The barrel holds the highest pressure, and the motor turns the screw against it.

    A stalled motor loses steps, and with them all doses after it.
    """
    if not len(seen.moves):
        return
    row = int(seen.paste.peak_kpa.argmax())
    peak = float(seen.paste.peak_kpa[row])
    limit = seen.profile.barrel.limit_kpa
    if peak > limit:
        what = f"the pressure rises to {peak:.0f} kPa; the barrel is made for {limit:g} kPa"
        yield Finding(kind=FindingKind.FORCE, what=what, line=int(seen.moves.line[row]))
    force = peak * seen.profile.barrel.area_mm2 / 1000
    needed = raising_torque_nm(force, seen.profile) / seen.profile.plunger.gear
    if needed > seen.profile.plunger.torque_nm:
        what = (
            f"{peak:.0f} kPa push back with {force:.1f} N and need {needed:.3f} N·m at the motor;"
            f" it has {seen.profile.plunger.torque_nm:g} N·m"
        )
        yield Finding(kind=FindingKind.FORCE, what=what, line=int(seen.moves.line[row]))


def raising_torque_nm(force_n: float, profile: Profile) -> float:
    """Torque at the screw [N·m] against `force_n`, without a collar.

    T = F·d/2·(l·cos α + π f d)/(π d·cos α − f l); Shigley, Mechanical Engineering Design, power screws.
    """
    screw, friction = profile.plunger.screw, profile.plunger.thread_friction
    d, lead = screw.pitch_diameter_mm, screw.lead_mm
    cosine = cos(radians(screw.half_angle_deg))
    return force_n * d / 2000 * (lead * cosine + pi * friction * d) / (pi * d * cosine - friction * lead)


def plunger_still(seen: CaseFile) -> Iterator[Finding]:
    """A dry program moves no plunger and never lowers the tip."""
    moved = np.flatnonzero(np.diff(seen.moves.plunger_mm) != 0)
    for row in moved.tolist():
        yield Finding(
            kind=FindingKind.DRY,
            what="the plunger moves in a program that is meant to be dry",
            line=int(seen.moves.line[row]),
        )
    for visit in seen.ledger.found:
        yield Finding(
            kind=FindingKind.DRY,
            what=f"the tip goes down to Z {visit.low_mm:.3f} mm in a program that is meant to be dry",
            line=visit.line,
        )


def every_place_visited(seen: CaseFile) -> Iterator[Finding]:
    """A dry program goes to both ends of every deposit that is planned."""
    places = seen.moves.end_mm[:, :2]
    places = places[np.isfinite(places).all(axis=1)]
    wanted = targets(seen.expected, seen.profile.bed)
    ends = np.array([target.path_mm[end] for target in wanted for end in (0, -1)]).reshape(-1, 2)
    far = NearPlaces(places).nearest(ends)[0] if len(places) else np.full(len(ends), np.inf)
    missed = far.reshape(-1, 2).max(axis=1) > seen.profile.verify.place_tolerance_mm
    for target, gone_by in zip(wanted, missed.tolist(), strict=True):
        if gone_by:
            deposit = seen.expected.deposits[target.index]
            yield _finding(FindingKind.MISSING, deposit, "the tip does not go there", 0)


def _finding(kind: FindingKind, deposit: ExpectedDeposit, what: str, line: int) -> Finding:
    pads = deposit.pad_ids
    names = ", ".join(pads[:3]) + (f" and {len(pads) - 3} more" if len(pads) > 3 else "")
    return Finding(kind=kind, what=f"{names}: {what}", line=line, pad_id=pads[0] if pads else "")


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (
    every_dose,
    right_places,
    nothing_stray,
    relieved_at_the_end,
    settled_first,
    plunger_within_stroke,
    strong_enough,
)
DRY_RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (plunger_still, every_place_visited)
