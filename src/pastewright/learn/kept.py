"""What is believed of a bench, out of its profile's history, and what a row taught back into it: one more entry.

The entry of a row says all constants with their covariance, like that of a sheet; nothing that stands in the file is
changed, and `use = false` puts the row aside.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pastewright.learn.belief import AT, NAMES, Belief, seen_of
from pastewright.learn.row import NAME
from pastewright.learn.update import RowOfDots
from pastewright.problems import one_error
from pastewright.profile.covariance import covariance_keys
from pastewright.profile.model import Profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.records.sheet import MEND, SheetRecord
from pastewright.tune.fit.constants import constant_named
from pastewright.tune.fit.model import setting_of
from pastewright.tune.fit.spread import COUNTED, known_spread
from pastewright.tune.fit.strokes import turns_from_data
from pastewright.tune.record.profile_update import KEYS, constant_keys


def believed(profile: Profile) -> Belief:
    """Return what the last trial left: the profile's constants with its whole covariance, wide where no trial told."""
    known = known_spread(profile)
    covariance = np.zeros((len(NAMES), len(NAMES)))
    shared = [name for name in NAMES if name in COUNTED]
    at = [AT[name] for name in shared]
    covariance[np.ix_(at, at)] = known.over(shared).covariance
    for name in NAMES:
        if name not in COUNTED:
            covariance[AT[name], AT[name]] = constant_named(name).sd ** 2
    paste, tip = paste_key(profile.paste), tip_key(profile.tip)
    newest = next(
        (one for one in reversed(profile.history) if one.use and one.paste == paste and one.tip == tip), None
    )
    if newest is not None and newest.covariance is not None and set(NAMES) <= set(newest.covariance.names):
        places = [newest.covariance.names.index(name) for name in NAMES]
        covariance = np.array(newest.covariance.rows)[np.ix_(places, places)]
    return Belief(seen=seen_of(profile), covariance=covariance)


def row_of(record: SheetRecord, profile: Profile, *, file: str = "") -> RowOfDots:
    """Return what the plunger did for a row; raises `InputError` where it is of another bench, paste or tip."""
    said = {"paste": paste_key(profile.paste), "tip": tip_key(profile.tip)}
    for word, value in said.items():
        if record.process.get(word, value) != value:
            raise one_error(
                f"the row was laid with another {word} ({record.process[word]}); the profile has {value}",
                "Give the profile that the row was laid with.",
                file=file,
            )
    turns = turns_from_data(record.process, file=file)
    if [turn.index for turn in turns[1:]] != [dot.index for dot in record.dots]:
        raise one_error("the row's record has other strokes than dots", MEND, file=file)
    return RowOfDots(
        turns=turns,
        setting=setting_of(profile),
        least_dose_ul=min(dot.dose_ul for dot in record.dots),
        standing=profile.tuning.standing,
        building_s=profile.tuning.building_s,
        breaking_strain=profile.tuning.breaking_strain,
    )


def trial_entry(
    belief: Belief, profile: Profile, *, dated: str, what: str = NAME, dots: int = 0, lot: str = ""
) -> dict[str, object]:
    """Return the history's entry of what is believed, in the units of the file; `what` names the row it comes from."""
    return {
        "dated": dated,
        "paste": paste_key(profile.paste)[:200],
        "tip": tip_key(profile.tip),
        "lot": lot,
        "sheet": what[:200],
        "dots": dots,
        "fill_ml": round(profile.barrel.fill_ul / 1000, 4),
        **constant_keys(belief.constants, {name: belief.sd(name) for name in KEYS}),
        **covariance_keys(NAMES, belief.covariance.tolist()),
    }


def belief_data(belief: Belief) -> dict[str, Any]:
    """Return a belief as JSON-ready data."""
    return {"names": list(NAMES), "seen": belief.seen.tolist(), "covariance": belief.covariance.tolist()}


def belief_of_data(data: Mapping[str, Any]) -> Belief:
    """Return the belief of such data; raises ValueError where it is of other constants."""
    names: Sequence[str] = data["names"]
    if tuple(names) != NAMES:
        raise ValueError(f"a belief about {', '.join(names)}")
    return Belief(
        seen=np.array(data["seen"], dtype=float), covariance=np.array(data["covariance"], dtype=float)
    )
