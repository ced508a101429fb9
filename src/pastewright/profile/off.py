"""A profile to the one of a bench that is off by a share, in all its springs and the consistency of its paste, or of one
whose paste never gets thicker."""

from dataclasses import replace

from pastewright.profile.model import Profile


def bench_off(profile: Profile, *, stiffness: float = 1.0, consistency: float = 1.0) -> Profile:
    """Return the profile of a bench whose springs are `stiffness` times as stiff: frame and paste alike, and so many
    times less trapped air; and whose paste has `consistency` times the K.

    A flow that is φ times as large at any pressure is a consistency of φ^(−n), n the flow index.
    """
    drive, paste, tuning = profile.plunger, profile.paste, profile.tuning
    return replace(
        profile,
        plunger=replace(drive, frame_stiffness_n_mm=drive.frame_stiffness_n_mm * stiffness),
        paste=replace(
            paste,
            bulk_modulus_kpa=paste.bulk_modulus_kpa * stiffness,
            consistency_kpa_sn=paste.consistency_kpa_sn * consistency,
        ),
        tuning=replace(tuning, bubble_ul=tuning.bubble_ul / stiffness),
    )


def without_structure(profile: Profile) -> Profile:
    """Return the profile with paste that does not get thicker when it stands: trial dots are planned for such."""
    return replace(profile, tuning=replace(profile.tuning, standing=0.0))
