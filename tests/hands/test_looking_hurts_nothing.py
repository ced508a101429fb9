"""A board's marks and heights looked for on random benches, before a judge of its own: the machine's ways hurt nothing.

Boards with parts that stand higher than the tip travels, and a probe at the tip or beside it. A board may lie as far off as
the commands promise to bear; what stands on it lies off with it.
"""

import random
from collections import Counter
from dataclasses import replace

import pytest
from danger_air import Probe, flown
from danger_feeling import Looked, felt, looked_for, marks_found, program_of

from pastewright.hands.moves import Spot
from pastewright.job.model import NO_JOB
from pastewright.problems import InputError

FEW = range(8)
MANY = range(1000, 1400)


def outcomes(one: Looked, rng: random.Random) -> Counter[str]:
    """What became of the program that probes a board, of the same by hand, and of its marks; each is judged."""
    found: Counter[str] = Counter()
    ways = {
        "program": lambda: [flown(program_of(one), one.scene, one.probe)[0]],
        "by hand": lambda: felt(one, somewhere(one, rng)).hurt,
        "marks": lambda: marks_found(one, rng, at_stop=False).hurt,
        "marks of a plan": lambda: marks_found(one, rng, at_stop=True).hurt,
    }
    for name, judged in ways.items():
        try:
            hurts = [hurt for hurt in judged() if hurt]
        except InputError as error:
            assert error.problems
            found[f"{name}: refused"] += 1
            continue
        found[f"{name}: {'hurts' if hurts else 'judged'}"] += 1
        if hurts:
            found[f"{one.words}, {name}: {hurts[0]}"] += 1
    return found


def somewhere(one: Looked, rng: random.Random) -> Spot:
    """A place beside the board, at the top."""
    return Spot(
        x_mm=rng.uniform(0, 250), y_mm=rng.uniform(0, 20), z_mm=one.scene.bench["machine"]["z_max_mm"]
    )


def over(seeds: range) -> Counter[str]:
    """The outcomes of scenes together."""
    found: Counter[str] = Counter()
    for seed in seeds:
        one, rng = looked_for(seed)
        found += outcomes(one, rng)
    return found


@pytest.mark.parametrize("seeds", [FEW, pytest.param(MANY, marks=pytest.mark.campaign)], ids=["few", "many"])
def test_looking_for_a_board_hurts_nothing(seeds):
    found = over(seeds)
    assert not [words for words in found if "hurts" in words or "seed" in words]
    assert all(
        found[f"{name}: judged"] > 0.7 * len(seeds)
        for name in ("program", "by hand", "marks", "marks of a plan")
    )


def test_the_judge_sees_what_ways_that_know_no_zones_go_through():
    found: Counter[str] = Counter()
    for seed in range(2, 14):
        one, rng = looked_for(seed)
        if any(zone.tall > 4 for zone in one.scene.zones):
            found += outcomes(replace(one, job=NO_JOB), rng)
    assert min(found[f"{name}: hurts"] for name in ("program", "by hand", "marks")) > 0, found


def test_the_judge_sees_a_tip_that_hangs_beside_its_probe():
    # The journey is told that the probe is the tip: the true tip is elsewhere, and goes through what the probe goes round.
    hurts = 0
    for seed in range(2, 30):
        one, _ = looked_for(seed)
        if one.probe == Probe() and any(zone.tall > 4 for zone in one.scene.zones):
            beside = Probe(x=8.0, y=5.0, hangs=0.0)
            hurt, _, _ = flown(program_of(one), one.scene, beside)
            hurts += "zone" in hurt.kinds
    assert hurts > 0
