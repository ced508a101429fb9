"""Random benches, boards and ways to lie before a judge of its own: what is verified hurts nothing, and what would hurt
is not verified.

A few by every run, and hundreds in the campaign; `danger_judge` knows the benches and boards as plain numbers alone.
"""

import random
import re
from collections import Counter
from functools import cache

import pytest
from danger_broken import broken
from danger_judge import StrangeWordError, judged
from danger_scenes import Case, case_of

from pastewright.problems import InputError
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify

# Turned and bowed on the nine-axis bench, with zones; a corner on a printer, with a bead across a row; a rotary plunger.
SEEDS = (17, 1, 13)
CAMPAIGN = range(1000, 1240)
BREAKS = 12


@cache
def planned(seed: int) -> Case:
    return case_of(seed)


def outcomes(seed: int, breaks: int) -> Counter[tuple[str, ...]]:
    """What became of a scene's programs, and of each broken on purpose: how, found or verified, hurts or not."""
    try:
        case = planned(seed)
    except InputError as error:
        assert error.problems
        return Counter({("refused",): 1})
    found: Counter[tuple[str, ...]] = Counter()
    rng = random.Random(seed)
    for plan, scene in zip(case.plans, case.scenes, strict=True):
        if not plan.verdict.ok:
            found["not verified",] += 1
            continue
        found["verified",] += 1
        hurt = judged(plan.program.text, scene)
        assert not hurt, f"{case.words}: {hurt}"
        expected = expected_from_plan(plan.record)
        for _ in range(breaks):
            text, what = broken(plan.program.text, plan.profile.plunger.letter, rng)
            try:
                hurt = judged(text, scene)
            except StrangeWordError:
                continue
            ok = verify(text, expected, plan.profile).ok
            assert not (ok and hurt), f"{case.words}, {what}: verified, and {hurt}"
            found[what.split()[0], "verified" if ok else "found", "hurts" if hurt else "harmless"] += 1
    return found


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_verified_hurts_nothing_and_what_hurts_is_found(seed):
    found = outcomes(seed, 4)
    assert found["verified",] > 0
    assert sum(count for key, count in found.items() if key[1:] == ("found", "hurts")) >= 2


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [
        (r"^G0 X.*$", "", "blind"),
        (r"^G1 Z12\.6", "G1 Z12.4", "crash"),
        (r"^G0 X7", "G0 X9", "astray"),
        (r"^(G1 A.*) F\S+", r"\1 F90000", "speed"),
        (r"^G1 Z13.*$", "", "astray"),
    ],
)
def test_the_judge_itself_is_not_blind(old, new, kind):
    case = planned(1)
    text = re.sub(r"^N\d+ (.*)\*\d+$", r"\1", case.plans[0].program.text, flags=re.MULTILINE)
    assert not judged(text, case.scenes[0])
    assert kind in judged(re.sub(old, new, text, flags=re.MULTILINE), case.scenes[0]).kinds


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(8))
def test_hundreds_of_scenes_hurt_nothing(part, capsys):
    each = len(CAMPAIGN) // 8
    found: Counter[tuple[str, ...]] = Counter()
    for seed in CAMPAIGN[part * each : (part + 1) * each]:
        found += outcomes(seed, BREAKS)
    with capsys.disabled():
        print(f"\npart {part}: {dict(found)}")
    assert found["verified",] > each / 2
    assert sum(count for key, count in found.items() if key[1:] == ("found", "hurts")) > each
