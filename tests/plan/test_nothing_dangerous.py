"""Random benches, boards and ways to lie before a judge of its own: what is verified hurts nothing, and what would hurt
is not verified.

A few by every run, and hundreds in the campaign; `danger_judge` knows the benches and boards as plain numbers alone.
"""

import random
import re
from collections import Counter
from functools import cache
from math import inf

import pytest
from danger_broken import broken
from danger_judge import StrangeWordError, judged, plunger_mm_per_unit, ways_of
from danger_next import nexts, touched_up
from danger_scenes import Case, case_of
from rs274_judge import judged as judged_outside
from rs274_judge import needs_rs274

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


def what_comes_next(seed: int) -> Counter[tuple[str, ...]]:
    """What became of all that may follow a scene's programs: run in the air, touched up, with a witness row, of some
    deposits, stopped and moved by hand and gone on with.
    """
    try:
        case = planned(seed)
    except InputError:
        return Counter({("refused",): 1})
    found: Counter[tuple[str, ...]] = Counter()
    rng = random.Random(seed)
    for plan, scene in zip(case.plans, case.scenes, strict=True):
        if not plan.verdict.ok:
            continue
        for one in nexts(plan, scene, rng):
            if not one.ok:  # it is not sent
                found[one.name.split()[0], "not verified"] += 1
                continue
            hurt = judged(one.text, one.scene, standing=one.standing, wanted=one.wanted)
            assert not hurt, f"{case.words}, {one.name}: {hurt}"
            found[one.name.split()[0],] += 1
    return found


def test_what_may_follow_a_board_hurts_nothing_either():
    # A turned board that lies higher than the profile says, with a zone.
    found = what_comes_next(3)
    assert all(found[name,] == 1 for name in ("dry", "touch-up", "witness", "stopped"))


def test_a_bead_alone_behind_a_quick_strip_gets_its_paste():
    """A millilitre behind a drive that ramps its plunger slowly: 5 µL within a second, the tip waiting for the plunger, and
    what is stored falling meanwhile. Planned with the tip's own ramp the bead behind it came out 6.6 % short.
    """
    case = case_of(1205)
    touched = touched_up(case.plans[0], case.scenes[0], random.Random(120_501))
    assert touched.ok
    hurt = judged(touched.text, touched.scene, standing=touched.standing, wanted=touched.wanted)
    assert not hurt


@needs_rs274
@pytest.mark.parametrize("seed", [3, 4])
def test_an_interpreter_from_elsewhere_sees_the_same_ways(seed, tmp_path):
    # So that nothing hangs on the judge's own reading of a text alone. It knows X Y Z A B C.
    case = planned(seed)
    for plan, scene in zip(case.plans, case.scenes, strict=True):
        text, letter = plan.program.text, plan.profile.plunger.letter
        good, moves, _ = judged_outside(text, tmp_path, rotary="ABC".index(letter) + 3)
        assert good
        per_unit = plunger_mm_per_unit(scene.bench)
        theirs = [(*end[:3], end[3] * per_unit) for kind, end in moves if kind != "dwell"]
        mine: list[tuple[float, ...]] = []
        at: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
        for way in ways_of(text, scene.bench):
            end = (*(0.0 if value == inf else value for value in way.end), way.push_to)
            if max(abs(a - b) for a, b in zip(end, at, strict=True)) > 1e-9:
                mine.append(end)
            at = end
        assert len(mine) == len(theirs) > 30
        off = max(abs(a - b) for x, y in zip(mine, theirs, strict=True) for a, b in zip(x, y, strict=True))
        assert off < 2e-4  # it prints four decimals


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
        found += outcomes(seed, BREAKS) + what_comes_next(seed)
    with capsys.disabled():
        print(f"\npart {part}: {dict(found)}")
    assert found["verified",] > each / 2
    assert found["touch-up",] > 10 * found["touch-up", "not verified"]
    assert sum(count for key, count in found.items() if key[1:] == ("found", "hurts")) > each
