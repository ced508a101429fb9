"""What a trial teaches goes into the profile, stays there, and holds only for what it is true of."""

from dataclasses import replace

import numpy as np
import pytest
from tuning_trials import demo_bench

from pastewright.profile.doubts import profile_warnings
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.fit.constants import CONSTANTS, Group, constant_named
from pastewright.tune.fit.fitted import Estimate, Fitted
from pastewright.tune.record.pictures import drift_svg
from pastewright.tune.record.profile_update import drift_rows, tuning_entry, with_entry

TEXT = example_text(DEMO)
VALUES = {
    "frame_stiffness_n_mm": 133.0,
    "backlash_mm": 0.023,
    "gain": 0.97,
    "bubble_ul": 1.9,
    "seal_friction_n": 2.5,
    "consistency_kpa_sn": 0.21,
    "flow_index": 0.43,
    "yield_stress_kpa": 0.17,
    "standing": 0.0,
    "building_s": 20.0,
    "breaking_strain": 80.0,
    "dot_shape_ratio": 0.37,
    "smallest_dot_bores": 1.2,
}


def fitted_with(**changes):
    values = {**VALUES, **changes}
    estimates = [
        Estimate(constant=constant_named(name), value=value, prior=value, sd=0.05, prior_sd=0.5)
        for name, value in values.items()
        if name in VALUES
    ]
    estimates += [
        Estimate(constant=c, value=c.usual, prior=c.usual, sd=0.1, prior_sd=0.1, sheet=0)
        for c in CONSTANTS
        if c.group is Group.SHEET
    ]
    return Fitted(
        estimates=tuple(estimates),
        constants={"thinning": 0.0, **values},
        covariance=0.05**2 * np.eye(len(values)),
        dots=(),
        measured=140,
        missing=4,
        spread=0.041,
        before=0.6,
        chi=0.9,
        weighed=False,
    )


def written(text, profile, **changes):
    dated = changes.pop("dated", "2025-03-14")
    entry = tuning_entry(
        fitted_with(**changes), profile, dated=dated, sheets=["one"], lot="A7", temperature_c=23.5
    )
    return with_entry(text, entry)


def test_the_profile_holds_what_was_fitted_and_its_own_text_is_untouched():
    longer = written(TEXT, demo_bench())
    assert longer.startswith(TEXT.rstrip("\n"))
    profile = parse_profile(longer, "bench.toml")
    assert profile.plunger.frame_stiffness_n_mm == pytest.approx(133.0)
    assert profile.plunger.backlash_mm == pytest.approx(0.023)
    assert profile.tuning.gain == pytest.approx(0.97)
    assert profile.tuning.bubble_ul == pytest.approx(1.9)
    assert profile.tuning.seal_friction_n == pytest.approx(2.5)
    assert profile.paste.consistency_kpa_sn == pytest.approx(0.21)
    assert profile.paste.flow_index == pytest.approx(0.43)
    assert profile.paste.yield_stress_kpa == pytest.approx(0.17)
    assert profile.tuning.dot_shape_ratio == pytest.approx(0.37)
    assert profile.tuning.dated == "2025-03-14"
    (record,) = profile.history
    assert (record.lot, record.temperature_c, record.dots, record.gain_sd) == (
        "A7",
        23.5,
        140,
        pytest.approx(0.05),
    )


def test_a_second_trial_keeps_the_first_and_takes_its_place():
    once = written(TEXT, demo_bench())
    twice = written(once, parse_profile(once, "b"), dated="2025-04-01", gain=0.99)
    profile = parse_profile(twice, "bench.toml")
    assert [record.dated for record in profile.history] == ["2025-03-14", "2025-04-01"]
    assert profile.tuning.gain == pytest.approx(0.99)
    aside = twice[: twice.rindex("dated")] + "use = false\n" + twice[twice.rindex("dated") :]
    assert parse_profile(aside, "b").tuning.gain == pytest.approx(0.97)


def test_another_paste_keeps_the_machine_and_drops_the_flow_and_says_so():
    longer = written(TEXT, demo_bench())
    other = longer.replace(
        'name = "low-temperature paste, dispensing grade"', 'name = "tooth paste, a stand-in"'
    )
    profile = parse_profile(other, "bench.toml")
    plain = demo_bench()
    assert profile.plunger.frame_stiffness_n_mm == pytest.approx(133.0)
    assert profile.tuning.gain == pytest.approx(0.97)
    assert profile.paste.consistency_kpa_sn == plain.paste.consistency_kpa_sn
    assert profile.paste.flow_index == plain.paste.flow_index
    assert profile.tuning.bubble_ul == plain.tuning.bubble_ul
    assert profile.tuning.dated == ""
    words = " ".join(problem.what for problem in profile_warnings(profile))
    assert "no trial of tooth paste" in words
    assert "not tuned yet" in words


def test_another_tip_keeps_machine_barrel_and_shape_and_drops_the_flow():
    profile = parse_profile(written(TEXT, demo_bench()).replace("gauge = 27", "gauge = 25"), "bench.toml")
    assert profile.plunger.backlash_mm == pytest.approx(0.023)
    assert profile.tuning.bubble_ul == pytest.approx(1.9)
    assert profile.tuning.seal_friction_n == pytest.approx(2.5)
    assert profile.tuning.dot_shape_ratio == pytest.approx(0.37)
    assert profile.paste.consistency_kpa_sn == demo_bench().paste.consistency_kpa_sn
    assert profile.tuning.dated == ""


def test_coming_back_to_a_paste_brings_its_flow_back():
    plain = demo_bench()
    stand_in = replace(plain, paste=replace(plain.paste, name="stand-in"))
    text = written(TEXT, plain)
    text = written(text, stand_in, dated="2025-05-01", consistency_kpa_sn=0.05, frame_stiffness_n_mm=140.0)
    profile = parse_profile(text, "bench.toml")
    assert profile.paste.consistency_kpa_sn == pytest.approx(0.21)
    assert profile.plunger.frame_stiffness_n_mm == pytest.approx(140.0)


def test_keys_tell_pastes_and_tips_apart():
    plain = demo_bench()
    assert paste_key(plain.paste) != paste_key(replace(plain.paste, metal_mass_fraction=0.84))
    assert tip_key(plain.tip) != tip_key(replace(plain.tip, length_mm=12.7))
    assert tip_key(plain.tip) == tip_key(replace(plain.tip, gauge=None))


def test_values_beyond_what_the_file_takes_are_cut_to_its_range():
    profile = parse_profile(written(TEXT, demo_bench(), smallest_dot_bores=0.8, flow_index=1.3), "b")
    assert profile.tuning.smallest_dot_bores == 1.0
    assert profile.paste.flow_index == 1.0


def test_the_history_is_listed_and_drawn():
    once = written(TEXT, demo_bench())
    history = parse_profile(written(once, demo_bench(), dated="2025-04-01", gain=0.99), "b").history
    rows = drift_rows(history)
    assert [row["dated"] for row in rows] == ["2025-03-14", "2025-04-01"]
    assert rows[1]["gain [%]"] == "99 ± 5%"
    picture = drift_svg(history)
    assert "2025-04-01" in picture and "A7" in picture and "23.5 °C" in picture


def test_the_covariance_of_the_fit_is_kept_and_turned_to_the_middle_of_the_sheet():
    """The consistency that lasts is ln K − thinning/2, so that its variance is that of both."""
    shared = [c.name for c in CONSTANTS if c.group is not Group.SHEET]
    own = [c.name for c in CONSTANTS if c.group is Group.SHEET]
    names = [*shared, *own]
    rng = np.random.default_rng(3)
    mixed = 0.1 * rng.normal(size=(len(names), len(names)))
    whole = mixed @ mixed.T
    fitted = replace(fitted_with(standing=0.07), covariance=whole[: len(shared), : len(shared)], whole=whole)
    entry = tuning_entry(fitted, demo_bench(), dated="2025-03-14", sheets=["one"])
    profile = parse_profile(with_entry(TEXT, entry), "bench.toml")
    (record,) = profile.history
    kept = record.covariance
    assert kept is not None
    assert set(kept.names) == set(shared)
    k, thinning = names.index("consistency_kpa_sn"), names.index("thinning")
    at = kept.names.index("consistency_kpa_sn")
    by_hand = whole[k, k] - whole[k, thinning] + whole[thinning, thinning] / 4
    assert kept.rows[at][at] == pytest.approx(by_hand, rel=1e-6)
    gain, standing = kept.names.index("gain"), kept.names.index("standing")
    assert kept.rows[gain][standing] == pytest.approx(whole[names.index("gain"), names.index("standing")])
    assert profile.tuning.standing == pytest.approx(0.07)
    assert profile.tuning.building_s == pytest.approx(20.0)
    assert profile.tuning.breaking_strain == pytest.approx(80.0)
    assert record.fill_ul == pytest.approx(profile.barrel.fill_ul)
