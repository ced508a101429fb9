"""Where the paste of pads lies together: level under thermal lands, apart between nets."""

from dataclasses import replace
from math import dist

import pytest
import shapely
from demo_plans import plan_of
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from pastewright.board.model import Side
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.rules_pattern import _near
from pastewright.readback.judge.verify import verify
from pastewright.readback.model import Expected, ExpectedDeposit, Finding, FindingKind, LevelPad
from pastewright.records.kinds import DepositKind

BENCH = "bench-reprap-e"


def judged(expected: Expected, kind: FindingKind, text: str = "") -> list[Finding]:
    plan = plan_of(Side.TOP, BENCH)
    verdict = verify(text or plan.program.text, expected, plan.profile)
    return [finding for finding in verdict.findings if finding.kind is kind]


def demo() -> Expected:
    return expected_from_plan(plan_of(Side.TOP, BENCH).record)


def thermal() -> LevelPad:
    (pad,) = demo().level
    return pad


def test_the_demo_boards_thermal_land_is_level():
    assert thermal().pad_id == "U1-33" and len(thermal().shares) == 9
    assert not judged(demo(), FindingKind.LEVEL)


def test_paste_beside_the_centre_of_a_thermal_land_is_found():
    pad = thermal()
    aside = replace(pad, centre_mm=(pad.centre_mm[0] + 0.1 * pad.half_width_mm, pad.centre_mm[1]))
    (finding,) = judged(replace(demo(), level=(aside,)), FindingKind.LEVEL)
    assert finding.pad_id == "U1-33" and "10%" in finding.what


def test_a_dot_of_a_thermal_land_that_is_not_laid_tips_it():
    """By hand: of nine dots on a square grid, a corner's loss moves the centre by 1/8 of its own arm."""
    pad = thermal()
    deposits = demo().deposits
    corner = max(pad.shares, key=lambda share: sum(deposits[share[0]].points_mm[0]))[0]
    plan = plan_of(Side.TOP, BENCH)
    lines = plan.program.text.splitlines()
    begin = plan.program.deposit_lines[corner] - 1
    end = min(line for line in plan.program.deposit_lines.values() if line - 1 > begin) - 1
    found = judged(demo(), FindingKind.LEVEL, "\n".join([*lines[:begin], *lines[end:]]) + "\n")
    arm = deposits[corner].points_mm[0][0] - pad.centre_mm[0]
    off = (2**0.5) * arm / 8 / pad.half_width_mm
    assert off > 0.05
    (finding,) = found
    assert float(finding.what.split("pad's, ")[1].split("%")[0]) == pytest.approx(100 * off, abs=1.5)


def test_the_demo_boards_deposits_keep_apart():
    assert not judged(demo(), FindingKind.BRIDGE)


def test_pastes_of_two_nets_that_would_meet_are_found_with_what_would_mend_them():
    expected = demo()
    places = [deposit.points_mm[0] for deposit in expected.deposits]
    one, other = next(
        (i, k)
        for i, a in enumerate(places)
        for k, b in enumerate(places)
        if i < k
        and dist(a, b) < 2.5
        and len(expected.deposits[i].points_mm) == len(expected.deposits[k].points_mm) == 1
        and not expected.deposits[i].nets & expected.deposits[k].nets
    )
    wide = 2 * dist(places[one], places[other])
    deposits = list(expected.deposits)
    deposits[one] = structs.replace(deposits[one], width_mm=wide)
    pair = frozenset((deposits[one].pad_ids[0], deposits[other].pad_ids[0]))
    found = judged(replace(expected, deposits=tuple(deposits), mends={pair: "do this"}), FindingKind.BRIDGE)
    mine = [finding for finding in found if "do this" in finding.what]
    assert len(mine) == 1 and "may overlap by" in mine[0].what
    assert all(name in mine[0].what for name in pair)


points = st.tuples(st.floats(0, 6), st.floats(0, 6))


@settings(max_examples=150, deadline=None)
@given(
    paths=st.lists(
        st.tuples(st.lists(points, min_size=1, max_size=4), st.floats(0.1, 1.0), st.integers(0, 1)),
        max_size=12,
    ),
    gap=st.floats(0.0, 0.5),
)
def test_near_pastes_are_those_that_shapely_finds(paths, gap):
    deposits = tuple(
        ExpectedDeposit(
            kind=DepositKind.DOT if len(path) == 1 else DepositKind.BEAD,
            points_mm=tuple(path), volume_ul=1.0, pad_ids=(f"P{k}",), board=number, width_mm=width,
            nets=frozenset([f"N{k}"]),
        )
        for k, (path, width, number) in enumerate(paths)
    )  # fmt: skip
    found = {(i, k): kept for i, k, kept in _near(deposits, gap)}
    shapes = [
        shapely.Point(d.points_mm[0]) if len(d.points_mm) == 1 else shapely.LineString(d.points_mm)
        for d in deposits
    ]
    for i, a in enumerate(deposits):
        for k, b in enumerate(deposits):
            if i < k and a.board == b.board:
                kept = shapes[i].distance(shapes[k]) - (a.width_mm + b.width_mm) / 2
                if abs(kept - gap) > 0.0021:
                    assert ((i, k) in found) == (kept < gap)
                if (i, k) in found:
                    assert found[i, k] == pytest.approx(kept, abs=1e-6)
