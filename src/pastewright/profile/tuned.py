"""A profile and its history of trials to the profile that holds: which tuned constants may be carried over.

    frame stiffness, backlash, gain            the machine's: the newest trial that tells them
    trapped air, shape and size of dots        of this paste in this barrel: the newest trial with the same paste
    consistency, flow index, yield stress      of this paste in this tip: the newest trial with the same paste and tip

Where no trial fits, the value of the file's own section holds, and that is said. A stand-in material is just another
paste: its trials count for the machine, and its flow for nobody else.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

from pastewright.materials.model import Paste, Tip
from pastewright.profile.model import Profile, TuningRecord

MACHINE = ("frame_stiffness_n_mm", "backlash_mm", "gain")
OF_PASTE = ("bubble_ul", "seal_friction_n", "dot_shape_ratio", "smallest_dot_bores")
OF_STRUCTURE = ("standing", "building_s", "breaking_strain")
OF_FLOW = ("consistency_kpa_sn", "flow_index", "yield_stress_kpa", "pressure_doubt", *OF_STRUCTURE)


def paste_key(paste: Paste) -> str:
    """Return what tells one paste from another: its label, alloy, metal and powder."""
    return (
        f"{paste.name}; {paste.alloy.name}; {paste.metal_mass_fraction * 100:g} wt%; type {paste.powder.type}"
    )


def tip_key(tip: Tip) -> str:
    """Return what tells one tip from another: bore and length."""
    return f"bore {tip.bore_mm:g} mm; length {tip.length_mm:g} mm"


def bench_key(profile: Profile) -> str:
    """Return what tells one bench from another: its name, its drive and the barrel's bore."""
    drive = profile.plunger
    return (
        f"{profile.name}; {1e6 * drive.microstep_mm:.4g} nm a microstep; barrel {profile.barrel.bore_mm:g} mm"
    )


def with_history(profile: Profile) -> Profile:
    """Return the profile with the constants of its trials that hold for this machine, paste and tip."""
    used = [record for record in profile.history if record.use]
    if not used:
        return profile
    paste, tip = paste_key(profile.paste), tip_key(profile.tip)
    machine, told = _newest(used, MACHINE, lambda _: True)
    of_paste, _ = _newest(used, OF_PASTE, lambda record: record.paste == paste)
    flow, told_flow = _newest(used, OF_FLOW, lambda record: record.paste == paste and record.tip == tip)
    words = [f"stiffness, backlash and gain are from the trial of {told}"] if machine else []
    if flow:
        words.append(f"the paste's flow is from the trial of {told_flow}")
    else:
        words.append(
            f"no trial of {profile.paste.name} in a tip of {tip}: its flow is that of [paste], a starting point;"
            " earlier trials with another paste or tip do not count for it"
        )
    if not of_paste:
        words.append("no trial of this paste: trapped air and shape of dots are those of [tuning]")
    drive, own_paste, tuning = profile.plunger, profile.paste, profile.tuning
    return replace(
        profile,
        plunger=replace(
            drive,
            frame_stiffness_n_mm=machine.get("frame_stiffness_n_mm", drive.frame_stiffness_n_mm),
            backlash_mm=machine.get("backlash_mm", drive.backlash_mm),
        ),
        paste=replace(
            own_paste,
            consistency_kpa_sn=flow.get("consistency_kpa_sn", own_paste.consistency_kpa_sn),
            flow_index=flow.get("flow_index", own_paste.flow_index),
            yield_stress_kpa=flow.get("yield_stress_kpa", own_paste.yield_stress_kpa),
        ),
        tuning=replace(
            tuning,
            gain=machine.get("gain", tuning.gain),
            bubble_ul=of_paste.get("bubble_ul", tuning.bubble_ul),
            pressure_doubt=flow.get("pressure_doubt", tuning.pressure_doubt),
            standing=flow.get("standing", tuning.standing),
            building_s=flow.get("building_s", tuning.building_s),
            breaking_strain=flow.get("breaking_strain", tuning.breaking_strain),
            seal_friction_n=of_paste.get("seal_friction_n", tuning.seal_friction_n),
            dot_shape_ratio=of_paste.get("dot_shape_ratio", tuning.dot_shape_ratio),
            smallest_dot_bores=of_paste.get("smallest_dot_bores", tuning.smallest_dot_bores),
            dated=told_flow if flow else "",
        ),
        tuned=tuple(words),
    )


def _newest(
    records: list[TuningRecord], names: Iterable[str], counts: Callable[[TuningRecord], bool]
) -> tuple[dict[str, float], str]:
    """Return the newest value of each name among the trials that count, and the date of the newest of these."""
    found: dict[str, float] = {}
    dated = ""
    for record in records:
        if not counts(record):
            continue
        for name in names:
            value = getattr(record, name)
            if value is not None:
                found[name] = value
                dated = record.dated
    return found, dated
