"""Where the paste of pads lies together: level under thermal lands, apart between nets."""

from dataclasses import replace

import pytest
from demo_plans import plan_of

from pastewright.board.model import Side
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify
from pastewright.readback.model import Expected, Finding, FindingKind, LevelPad

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
