"""Truth of the second renderer's scenes: what a mound covers and holds, against elementary geometry."""

import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "scripts" / "second_light"))

import draws  # noqa: E402
import faults  # noqa: E402
import mounds  # noqa: E402

EVEN = 1e-9


def test_half_an_ellipsoid_holds_two_thirds_of_its_cylinder():
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    made = mounds.mound(ring, np.zeros((120, 2)), mounds.blunt(2.0), 0.5)
    assert made.volume_ul == pytest.approx(2 / 3 * np.pi * 0.5, rel=0.01)
    assert made.diameter_mm == pytest.approx(2, rel=0.001)


def test_a_capsule_is_a_half_tube_with_two_quarter_balls():
    rng = np.random.default_rng(1)
    made = mounds.capsule(np.zeros(2), np.array([3.0, 0]), 1.0, EVEN, rng, (mounds.blunt(2.0), 0.5))
    assert made.volume_ul == pytest.approx(3 * np.pi / 8 + 2 / 3 * np.pi / 8, rel=0.01)
    assert made.area_mm2 == pytest.approx(3 + np.pi / 4, rel=0.002)


def test_a_weightless_drop_is_a_cap():
    # Bashforth and Adams' equation without weight has the sphere as its answer: elementary geometry.
    ratio = 0.3
    radius = (0.25 + ratio**2) / (2 * ratio)
    rho = np.linspace(0, 0.95, 20)
    cap = (np.sqrt(radius**2 - (rho / 2) ** 2) - (radius - ratio)) / ratio
    assert mounds.sessile(ratio, 0.0)(rho) == pytest.approx(cap, abs=0.01)


@pytest.mark.parametrize("kind", draws.PROFILES)
def test_a_dot_covers_what_it_is_said_to(kind):
    paste = draws.drawn(3, "sheet").paste
    made = mounds.dot((1.0, 2.0), 0.8, paste, np.random.default_rng(5), kind, 0.35)
    assert made.diameter_mm == pytest.approx(0.8, rel=1e-6)
    assert made.vertices[:, 2].min() == 0
    assert np.allclose(made.foot.mean(axis=0), (1, 2), atol=0.06)


def test_faults_are_what_they_are_called():
    paste = draws.drawn(3, "board").paste | {"scatter": 0.0}
    for fault, low, high in (("", 0.999, 1.001), ("half", 0.3, 0.44), ("double", 1.75, 2.2)):
        deposit = faults.Deposit(0, "dot", np.array([[5.0, 5.0]]), 0.5, 0.02, ["P1"], fault)
        faults.laid(deposit, paste, (1.0, 1.0), np.random.default_rng(2), "sessile")
        assert low <= sum(m.volume_ul for m in deposit.laid) / 0.02 <= high
    gone = faults.Deposit(0, "dot", np.array([[5.0, 5.0]]), 0.5, 0.02, ["P1"], "missing")
    faults.laid(gone, paste, (1.0, 1.0), np.random.default_rng(2), "sessile")
    assert not gone.laid


def test_a_bridge_reaches_from_foot_to_foot():
    paste = draws.drawn(3, "board").paste
    rng = np.random.default_rng(2)
    pair = [
        faults.Deposit(i, "dot", np.array([[x, 5.0]]), 0.5, 0.02, [f"P{i}"], fault)
        for i, x, fault in ((0, 5.0, "bridged"), (1, 5.9, ""))
    ]
    for deposit in pair:
        faults.laid(deposit, paste, (1.0, 1.0), rng, "sessile")
    apart = faults.nearest(*pair)[0]
    faults.bridges(pair, rng)
    assert apart > 0.2
    assert faults.nearest(*pair)[0] < 0.12  # the strip's round end lies within the other's foot
    assert pair[1].bridged_to == [0]
