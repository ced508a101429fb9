"""A bench that cannot move its paste is refused where it is read: file, line, and what would do."""

import re

import pytest

from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_names, example_text
from pastewright.profile.read import parse_profile
from pastewright.profile.strength import LEAST_OVER_YIELD, motor_hold_kpa


def written(**changes):
    text = example_text(DEMO)
    for key, value in changes.items():
        if re.search(rf"^{key} = ", text, re.MULTILINE):
            text = re.sub(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
        else:
            section = {"limit_kpa": "barrel", "pressure_doubt_percent": "tuning"}[key]
            text = text.replace(f"[{section}]", f"[{section}]\n{key} = {value}")
    return text


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"torque_nm": "0.0005"}, "torque_nm"),
        ({"torque_nm": "0.0001"}, "torque_nm"),
        ({"gear": "0.01"}, "torque_nm"),
        ({"limit_kpa": "10"}, "limit_kpa"),
        ({"yield_stress_pa": "5000", "limit_kpa": "300"}, "limit_kpa"),
        ({"consistency_pa_sn": "0.1"}, "consistency_pa_sn"),
        ({"yield_stress_pa": "2000", "flow_index": "0.1", "consistency_pa_sn": "10"}, "consistency_pa_sn"),
    ],
)
def test_a_bench_that_cannot_move_its_paste_is_refused_at_the_key_to_blame(changes, key):
    text = written(**changes)
    with pytest.raises(InputError) as refused:
        parse_profile(text, "bench.toml")
    line = next(at for at, row in enumerate(text.splitlines(), 1) if row.startswith(f"{key} = "))
    told = [problem for problem in refused.value.problems if problem.line == line]
    assert told, refused.value.problems
    assert all(problem.file == "bench.toml" and problem.mend for problem in told)


def test_what_is_advised_would_do():
    with pytest.raises(InputError) as refused:
        parse_profile(written(torque_nm="0.0005"), "bench.toml")
    (problem,) = refused.value.problems
    wanted_nm = float(problem.mend.split(" ")[0])
    parse_profile(written(torque_nm=f"{1.05 * wanted_nm:g}"), "bench.toml")  # two digits are told
    with pytest.raises(InputError):
        parse_profile(written(torque_nm=f"{0.95 * wanted_nm:g}"), "bench.toml")


def test_a_motor_holds_what_its_screw_makes_of_it():
    # By hand: 0.7 · 0.1 N·m / 0.0005 N·m/N = 140 N, less 10 N for the seal, on 100 mm²: 1.3 N/mm² = 1300 kPa.
    held = motor_hold_kpa(0.1, torque_per_newton_nm=0.0005, area_mm2=100.0, friction_n=3.0)
    assert held == pytest.approx(1300.0)
    assert motor_hold_kpa(0.001, torque_per_newton_nm=0.0005, area_mm2=100.0, friction_n=3.0) == 0.0


@pytest.mark.parametrize("name", example_names())
def test_the_examples_stand_many_times_what_their_paste_needs(name):
    from pastewright.plunger.bench import bench_of

    bench = bench_of(parse_profile(example_text(name), name))
    assert bench.limit_kpa > 10 * LEAST_OVER_YIELD * bench.yield_kpa
