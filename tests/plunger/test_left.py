"""Pushes that leave the barrel alike with a bubble in it; boards laid so are judged in `tests/plan/test_tolerance.py`."""

import numpy as np
import pytest

from pastewright.motion.levels import bench_for
from pastewright.plunger.choice import Chosen, chosen_push
from pastewright.plunger.common import dots_of
from pastewright.plunger.left import Pushes, pushes_for
from pastewright.plunger.ways import LikeDeposits, more_air, turns_of_rows
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile

SIZES_UL = (0.32, 0.22, 0.12, 0.053)
EACH = 15


@pytest.fixture(scope="module")
def stiff():
    name = "bench-ngc-linear-u"
    return bench_for(SIZES_UL, parse_profile(example_text(name), name))


@pytest.fixture(scope="module")
def chosen(stiff):
    return chosen_push(SIZES_UL * EACH, [], stiff, tolerance=0.1, hop_s=0.2)


def worst_after_steps(pushes: Pushes, bench) -> float:
    """Largest error of the first of each size but the first [-], with 2 µL more air, in equal time between."""
    dots = dots_of(SIZES_UL, pushes.of(SIZES_UL), bench)
    rows = [
        LikeDeposits(push, 0.0, volume, dwell, 0.0, EACH)
        for push, volume, dwell in zip(dots.push_ul.tolist(), SIZES_UL, dots.dwell_s.tolist(), strict=True)
    ]
    chain = turns_of_rows(rows, bench).taken(np.repeat(np.arange(len(rows)), [60, *[EACH] * (len(rows) - 1)]))
    errors = more_air(chain, np.full(chain.volume_ul.size, 0.12), bench)
    return float(np.abs(errors[60::EACH]).max())


def test_where_one_push_does_not_hold_it_each_size_has_its_own_and_steps_show_a_third(stiff, chosen):
    one = Pushes(volumes_ul=(1.0,), pushes_ul=(chosen.push_ul,), bead_ul_s=1.0)
    own = pushes_for(SIZES_UL * EACH, [], stiff, chosen, tolerance=0.1, hop_s=0.2)
    assert len(own.pushes_ul) == len(SIZES_UL)
    assert worst_after_steps(own, stiff) < worst_after_steps(one, stiff) / 3


def test_a_push_that_holds_it_is_kept(stiff, chosen):
    good = Chosen(push_ul=chosen.push_ul, error=0.05, seconds=chosen.seconds)
    kept = pushes_for(SIZES_UL * EACH, [], stiff, good, tolerance=0.1, hop_s=0.2)
    assert kept.of(SIZES_UL) == pytest.approx([chosen.push_ul] * len(SIZES_UL))


def test_dots_with_pushes_of_their_own_are_those_that_each_push_lays(stiff):
    volumes, pushes = np.array([0.2, 0.06, 0.1]), np.array([0.8, 0.7, 0.8])
    found = dots_of(volumes, pushes, stiff)
    for number in range(3):
        alone = dots_of(volumes[number], float(pushes[number]), stiff)
        assert found.push_ul[number] == alone.push_ul[0]
        assert found.dwell_s[number] == pytest.approx(alone.dwell_s[0], abs=1e-9)
