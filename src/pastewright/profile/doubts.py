"""What is allowed on a bench but worth a look."""

from math import pi

from pastewright.materials.rules import (
    TipFit,
    tip_fit,
    tip_ratio,
)
from pastewright.problems import Problem, Severity
from pastewright.profile.model import Profile


def profile_warnings(profile: Profile) -> tuple[Problem, ...]:
    """Return what is allowed but worth a look: a tight tip, a slow drive, a short stroke, no tuning yet."""
    found: list[tuple[str, str]] = []
    bore_mm, powder = profile.tip.bore_mm, profile.paste.powder
    if tip_fit(bore_mm, powder) is TipFit.TIGHT:
        found.append(
            (
                f"the tip's bore of {bore_mm:g} mm is {tip_ratio(bore_mm, powder):.1f} times the largest particle of "
                f"type {powder.type} powder; 10 times is safe",
                "Watch for clogging, or use a finer powder.",
            )
        )
    drive_ul_s = profile.plunger.speed_mm_s * pi / 4 * profile.barrel.bore_mm**2
    if profile.tuning.push_ul_s > drive_ul_s:
        found.append(
            (
                f"tuning.push_ul_s {profile.tuning.push_ul_s:g} is beyond the drive's {drive_ul_s:.3g} µL/s",
                "The drive's own speed is used; lower push_ul_s, or gear the plunger faster.",
            )
        )
    fill_mm = profile.barrel.fill_ul / profile.barrel.area_mm2
    if fill_mm > profile.plunger.stroke_mm * (1 + 1e-9):
        found.append(
            (
                f"the paste stands {fill_mm:.3g} mm high in the barrel, the plunger moves {profile.plunger.stroke_mm:g}",
                "What is beyond the stroke cannot be pushed out.",
            )
        )
    if not profile.tuning.dated:
        found.append(
            (
                "this bench is not tuned yet: flow and stiffness are starting points",
                "Lay a tuning sheet (pastewright tune sheet), or set tuning.dated after a trial of your own.",
            )
        )
    found.extend((words, "") for words in profile.tuned if words.startswith("no trial"))
    return tuple(
        Problem(what=what, mend=mend, severity=Severity.WARNING, file=profile.file) for what, mend in found
    )
