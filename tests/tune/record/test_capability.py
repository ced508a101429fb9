import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.tune.record.capability import (
    capability,
    cp,
    cpk,
    cpk_half_width,
    cpl,
    cpu,
    mean_interval,
)


def test_the_handbooks_worked_example_of_cp_and_its_one_sided_kin(check_value):
    case = check_value("nist-cp")
    sigma, lower, upper = case.of("sigma", "1"), case.of("lsl", "1"), case.of("usl", "1")
    assert case.agrees(cp(lower=lower, upper=upper, sigma=sigma))
    mean = check_value("nist-cpk").of("mean", "1")
    assert check_value("nist-cpk").agrees(cpk(lower=lower, upper=upper, mean=mean, sigma=sigma))
    assert check_value("nist-cpu").agrees(cpu(upper=upper, mean=mean, sigma=sigma))
    assert check_value("nist-cpl").agrees(cpl(lower=lower, mean=mean, sigma=sigma))


@pytest.mark.parametrize("name", ["print-cpk-good", "print-cpk-bad"])
def test_published_capabilities_of_prints(check_value, name):
    case = check_value(name)
    value = cpk(
        lower=case.of("lsl", "1"),
        upper=case.of("usl", "1"),
        mean=case.of("mean", "1"),
        sigma=case.of("sigma", "1"),
    )
    assert case.agrees(value)
    assert case.agrees_closely(value)


def test_the_intervals_of_the_handbook(check_value):
    case = check_value("nist-cpk-ci")
    assert case.agrees(cpk_half_width(case.of("cpk_hat", "1"), case.of("n", "count")))
    case = check_value("nist-mean-ci")
    interval = mean_interval(
        case.of("mean", "1"), case.of("sd", "1"), case.of("n", "count"), confidence=case.of("confidence", "1")
    )
    assert case.agrees(interval)


def test_too_few_values_and_crossed_limits_are_refused():
    with pytest.raises(ValueError, match="needs 5"):
        capability([1.0] * 4)
    with pytest.raises(ValueError, match="below the upper"):
        capability([1.0] * 9, lower=1.5, upper=0.5)


@given(st.lists(st.floats(0.6, 1.4), min_size=5, max_size=40).filter(lambda v: np.std(v) > 1e-3))
def test_cpk_never_passes_cp_and_scale_changes_neither(values):
    one = capability(values)
    assert one.cpk <= one.cp + 1e-12
    scaled = capability([7 * v for v in values], lower=3.5, upper=10.5)
    assert scaled.cpk == pytest.approx(one.cpk, rel=1e-9)
