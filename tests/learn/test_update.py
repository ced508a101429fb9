"""One row of dots on the bench written apart, and what it teaches."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from learning_trial import read_dots
from virtual_bench import lay, truth_of

from pastewright.learn.belief import AT, NAMES, Belief, aged, seen_of, untold
from pastewright.learn.row import witness_row
from pastewright.learn.update import ASIDE, MOST_CHANGE, Learned, RowAnswer, RowOfDots, learned
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import CONSTANTS, as_seen
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.strokes import turns_from_data
from pastewright.tune.record.measurements import DotReading, DotState

# What a fit leaves open, in the order of magnitude that docs/tuning.md has for weighed sheets.
SDS = {
    "frame_stiffness_n_mm": 0.04,
    "bubble_ul": 0.3,
    "gain": 0.01,
    "consistency_kpa_sn": 0.05,
    "flow_index": 0.005,
}


@cache
def bench():
    profile = parse_profile(example_text(DEMO), DEMO)
    return profile, witness_row(profile)


def belief_of(profile) -> Belief:
    sds = np.array([SDS.get(name, 0.02) for name in NAMES])
    return Belief(seen=seen_of(profile), covariance=np.diag(sds**2))


@cache
def row_of_dots() -> RowOfDots:
    profile, row = bench()
    return RowOfDots(
        turns=turns_from_data(row.record.process),
        setting=setting_of(profile),
        least_dose_ul=min(dot.dose_ul for dot in row.record.dots),
    )


def change_of(constants) -> float:
    """The row itself in place of a board."""
    profile, _ = bench()
    row = row_of_dots()
    forward = Forward(score_of(row.turns), row.setting)
    usual = {c.name: c.usual for c in CONSTANTS}
    own = untold(profile).constants
    now = forward.run(as_seen({**usual, **constants}))
    then = forward.run(as_seen({**usual, **own}))
    return float(np.percentile(np.abs(now.out_ul[1:] / then.out_ul[1:] - 1), 95))


@cache
def laid(consistency: float = 1.0, bubble_ul: float = 0.0, gain: float = 1.0):
    profile, row = bench()
    plain = truth_of(profile)
    truth = replace(
        plain,
        consistency=plain.consistency * consistency,
        bubble_ul=plain.bubble_ul + bubble_ul,
        gain=plain.gain * gain,
        noise=0.0,
    )
    return truth, lay(row.motions, truth)


def taught(readings, *, belief=None, most=1.0) -> Learned:
    profile, _ = bench()
    return learned(belief or belief_of(profile), row_of_dots(), readings, change_of, worth=0.01, most=most)


def exact(truth, landed) -> list[DotReading]:
    return [
        DotReading(
            index=index,
            state=DotState.MEASURED,
            diameter_mm=truth.dot_mm(volume),
            sigma_mm=0.03 * truth.dot_mm(volume),
        )
        for index, volume in landed.mean_ul.items()
    ]


def wrong(readings, index: int, factor: float) -> list[DotReading]:
    return [
        replace(one, diameter_mm=one.diameter_mm * factor) if one.index == index else one for one in readings
    ]


def test_a_bench_that_is_as_believed_stays_as_it_is():
    found = taught(exact(*laid()))
    assert found.answer is RowAnswer.GO
    assert found.change < 0.01
    assert found.chance > 0.99
    for name in ("consistency_kpa_sn", "gain"):
        assert found.belief.seen[AT[name]] == pytest.approx(found.before.seen[AT[name]], abs=0.005)


def test_what_a_photo_says_of_all_its_dots_is_taken_for_what_they_have_in_common():
    """A rough photo of a sound bench, all of it 5 % too wide: its own error, and little is learned of the volumes."""
    truth, landed = laid()

    widths = [1.05 * truth.dot_mm(volume) for volume in landed.mean_ul.values()]
    shares = np.linspace(0.04, 0.05, len(widths)).tolist()

    def wide_by_5_percent(photos: int, shared_sd: float | None = None) -> list[DotReading]:
        return [
            replace(one, diameter_mm=wide, sigma_mm=share * wide, photos=photos, shared_sd=shared_sd)
            for one, wide, share in zip(exact(truth, landed), widths, shares, strict=True)
        ]

    told, by_photo, one_by_one = (taught(wide_by_5_percent(*how)) for how in ((1, 0.039), (1,), (0,)))
    assert told.off < 0.16 / 6  # of what dots 5 % too wide feign
    assert by_photo.off == pytest.approx(told.off, rel=0.1)  # an older table does not say what is shared
    assert one_by_one.off > 2 * told.off


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_consistency_that_drifted_is_found_and_the_row_is_explained(factor):
    found = taught(exact(*laid(consistency=factor)))
    assert found.answer is RowAnswer.CORRECT
    moved = found.belief.seen[AT["consistency_kpa_sn"]] - found.before.seen[AT["consistency_kpa_sn"]]
    assert np.sign(moved) == np.sign(np.log(factor))
    before = np.std([np.log(dot.over) for dot in found.dots])
    after = np.std([dot.pull for dot in found.dots]) * 0.1  # a dot's error is 3·3 % and 4 %: about a tenth
    assert after < before / 2


def test_what_is_believed_grows_surer_and_never_surer_than_nothing():
    found = taught(exact(*laid(consistency=0.95)))
    gained = np.linalg.eigvalsh(found.before.covariance - found.belief.covariance)
    assert gained.min() > -1e-9
    assert gained.max() > 1e-4
    assert np.linalg.eigvalsh(found.belief.covariance).min() >= 0


def test_air_after_a_refill_is_found_where_a_refill_was_told():
    profile, _ = bench()
    readings = exact(*laid(bubble_ul=3.0))
    found = taught(readings, belief=aged(belief_of(profile), refilled=True))
    assert found.answer is RowAnswer.CORRECT
    assert 2.0 < found.belief.constants["bubble_ul"] < 6.0  # 4 µL is the truth


@pytest.mark.parametrize(("index", "factor"), [(0, 1.6), (5, 0.6), (11, 1.6)])
def test_one_false_dot_is_set_aside(index, factor):
    readings = exact(*laid())
    found = taught(wrong(readings, index, factor))
    assert [dot.index for dot in found.dots if dot.aside] == [index]
    assert found.change < 0.01
    assert abs(next(dot.pull for dot in found.dots if dot.index == index)) > ASIDE


@pytest.mark.parametrize("factor", [0.88, pytest.param(1.12, marks=pytest.mark.campaign)])
def test_a_row_that_is_false_as_a_whole_is_refused_and_teaches_nothing(factor):
    readings = [replace(one, diameter_mm=one.diameter_mm * factor) for one in exact(*laid())]
    found = taught(readings)
    assert found.answer is RowAnswer.STOP
    assert np.array_equal(found.belief.seen, found.before.seen)
    assert np.array_equal(found.belief.covariance, found.before.covariance)
    assert "standard deviations" in found.words


def test_dots_that_contradict_each_other_are_refused():
    rng = np.random.default_rng(5)
    readings = [
        replace(one, diameter_mm=one.diameter_mm * np.exp(rng.normal(0, 0.2))) for one in exact(*laid())
    ]
    assert taught(readings).answer is RowAnswer.STOP


def test_too_few_dots_teach_nothing():
    assert taught(exact(*laid())[:7]).answer is RowAnswer.STOP


def test_one_row_changes_a_board_by_no_more_than_stated_and_the_rest_stays_in_doubt():
    readings = exact(*laid(consistency=0.9))
    whole = taught(readings)
    bounded = taught(readings, most=MOST_CHANGE)
    assert whole.change > 2 * MOST_CHANGE
    assert bounded.change <= MOST_CHANGE
    assert bounded.off == pytest.approx(whole.change)
    assert bounded.belief.sd("consistency_kpa_sn") > whole.belief.sd("consistency_kpa_sn")
    # The rest of it is told by the next row, of the same bench.
    again = taught(readings, belief=bounded.belief)
    assert again.belief.seen[AT["consistency_kpa_sn"]] == pytest.approx(
        whole.belief.seen[AT["consistency_kpa_sn"]], abs=0.03
    )


def test_a_missing_dot_waits_at_the_tip_and_counts_for_nothing():
    _, row = bench()
    truth, landed = laid()
    readings = [
        one if one.index != 3 else DotReading(index=3, state=DotState.MISSING) for one in exact(truth, landed)
    ]
    found = taught(readings)
    assert len(found.dots) == len(row.record.dots) - 1


@pytest.mark.parametrize("rows", [3, pytest.param(100, marks=pytest.mark.campaign)])
def test_rows_of_ordinary_photos_are_believed(rows):
    """3 % a diameter, 1 % a photo, 3 % a dot: hardly one of a bench as believed is refused."""
    _, row = bench()
    truth, _ = laid()
    noisy = replace(truth, noise=0.03)
    rng = np.random.default_rng(11)
    landed = laid()[1]
    found = []
    for _ in range(rows):
        volumes = {k: v * np.exp(rng.normal(0, noisy.noise)) for k, v in landed.mean_ul.items()}
        readings = read_dots(replace(landed, volume_ul=volumes), noisy, row, rng, None)
        found.append(taught(readings, most=MOST_CHANGE))
    assert sum(one.answer is RowAnswer.STOP for one in found) <= rows // 50
    assert max(one.change for one in found) <= MOST_CHANGE
