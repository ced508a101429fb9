"""A touch-up lays what is missing and nothing else, among the paste that stands; broken programs are noticed."""

from functools import cache

import pytest
from demo_plans import plan_of
from inspections_by_hand import GOOD, MISSING, inspected
from msgspec import structs

from pastewright.board.model import Side
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.readback.judge.standing import standing_findings
from pastewright.records.kinds import DepositVerdict, ProgramKind
from pastewright.records.plan import plan_of_text, plan_text
from pastewright.touchup.plan import TouchUp, touch_up


@cache
def plan():
    return plan_of(Side.TOP).record


@cache
def bench():
    return parse_profile(example_text(DEMO), DEMO)


INSPECTION = {
    "R1-1": (MISSING, 0.0, False),
    "C1-1": (MISSING, 0.0, False),
    "U2-3": (MISSING, 0.0, False),
    "U2-4": (MISSING, 0.0, False),
    "R2-1": (DepositVerdict.BRIDGED, 1.2, True),
}


@cache
def made(wiped: bool = False) -> TouchUp:
    return touch_up(plan(), inspected(plan(), INSPECTION), bench(), wiped=wiped)


def laid_pads(record) -> set[str]:
    return {pad.id for pad in record.pads if pad.deposits}


def test_only_what_is_missing_is_laid_and_it_is_verified():
    assert laid_pads(made().record) == {"R1-1", "C1-1", "U2-3", "U2-4"}
    assert made().verdict.findings == ()
    assert made().record.kind is ProgramKind.TOUCH_UP
    by_pad = {pad.id: pad for pad in plan().pads}
    wanted = sum(d.volume_ul for pad in laid_pads(made().record) for d in by_pad[pad].deposits)
    assert made().record.totals.paste_ul == pytest.approx(wanted, rel=1e-4)


def test_what_must_be_wiped_is_laid_only_when_it_is_wiped():
    assert "R2-1" not in laid_pads(made().record)
    assert "R2-1" in laid_pads(made(wiped=True).record)
    assert made(wiped=True).verdict.findings == ()


def test_the_missing_part_of_a_bead_is_one_shorter_bead():
    parts = {d.id: d for pad in made().record.pads if pad.ref == "U2" for d in pad.deposits}
    (bead,) = parts.values()
    whole = next(pad for pad in plan().pads if pad.id == "U2-3").deposits[0]
    assert bead.total_ul == pytest.approx(2 * whole.volume_ul, rel=0.01)
    assert len(bead.points_mm) == 2


def test_every_travel_is_high_above_what_stands():
    record = plan_of_text(plan_text(made().record))
    heights = [
        float(word[1:])
        for line in made().program.text.splitlines()
        for word in line.split(";")[0].split()
        if word.startswith("Z") and word[1:].replace(".", "").isdigit()
    ]
    surface = record.placement.boards[0].surface.z_mm
    # Heights are either those of laying (under a millimetre over the board) or that of travel.
    between = [z for z in heights if surface + 1.0 < z < record.placement.travel_z_mm - 1e-6]
    assert between == []
    assert max(heights) == pytest.approx(record.placement.travel_z_mm)


def test_the_read_back_notices_paste_where_some_stands():
    inspection = inspected(plan(), INSPECTION)
    other = inspected(plan(), {**INSPECTION, "R1-1": (GOOD, 1.0, False)})
    assert standing_findings(made().program.text, made().record, inspection, bench()) == ()
    told = standing_findings(made().program.text, made().record, other, bench())
    assert {finding.pad_id for finding in told} == {"R1-1"}
    assert "doubled" in {str(finding.kind) for finding in told}


def test_the_read_back_notices_a_tip_in_standing_paste():
    one = next(k for k, row in enumerate(inspected(plan(), INSPECTION).deposits) if row.pad == "R1-2")
    inspection = inspected(plan(), INSPECTION)
    at = next(pad for pad in plan().pads if pad.id == "R1-1").deposits[0].points_mm[0]
    ring = tuple((at[0] + dx, at[1] + dy) for dx, dy in ((-0.3, -0.3), (0.3, -0.3), (0.3, 0.3), (-0.3, 0.3)))
    smeared = structs.replace(inspection.deposits[one], outline_mm=ring)
    rows = (*inspection.deposits[:one], smeared, *inspection.deposits[one + 1 :])
    told = standing_findings(
        made().program.text, made().record, structs.replace(inspection, deposits=rows), bench()
    )
    assert {"keep-out", "may bridge"} <= {
        "keep-out" if "keep-out" in str(finding.kind) else str(finding.kind) for finding in told
    }


def test_nothing_to_lay_is_told():
    with pytest.raises(InputError) as caught:
        touch_up(plan(), inspected(plan(), {}), bench())
    assert "nothing is missing or low" in str(caught.value)
