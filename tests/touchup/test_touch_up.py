"""A touch-up lays what is missing and nothing else, among the paste that stands; broken programs are noticed."""

from dataclasses import replace
from functools import cache
from hashlib import sha256
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from demo_plans import plan_of
from inspections_by_hand import GOOD, MISSING, inspected
from msgspec import structs
from shapely.geometry import Point
from tiny_board import write_tiny_board

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.place.surface import flat
from pastewright.place.transform import Affine, Placement, Placements, PlaceStep, affine
from pastewright.plan.pipeline import judged, prepare
from pastewright.plan.tray import decide_tray
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.standing import standing_findings
from pastewright.readback.judge.verify import verify
from pastewright.records.inspection import inspection_text
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


@cache
def tray_of_two(high_mm: float):
    """Two small boards side by side, the second one higher, each as flat as it was found."""
    with TemporaryDirectory() as folder:
        write_tiny_board(Path(folder))
        board = read_board(Path(folder), Ask(side=Side.TOP))
    ground = bench().bed.board_z_mm
    boards = tuple(
        Placement(
            name=name,
            steps=(PlaceStep(what="by hand", affine=Affine(x_mm=x, y_mm=70.0)),),
            surface=flat(ground + z),
        )
        for name, x, z in (("1", 60.0, 0.0), ("2", 100.0, high_mm))
    )
    (decided,) = decide_tray(prepare(board, bench()), Placements(boards=boards), bench(), each=False)
    return judged(decided).record


def missing(record, board):
    pads = [pad.id for pad in record.pads if pad.deposits and pad.board == board]
    return inspected(record, {pads[0]: (MISSING, 0.0, False)}, board), pads[0]


def test_of_a_tray_one_board_is_touched_up_high_above_the_others():
    high_mm = bench().bed.clearance_mm + 1.0
    record = tray_of_two(high_mm)
    found, pad = missing(record, "1")
    made = touch_up(record, found, bench())
    assert laid_pads(made.record) == {pad}
    assert made.verdict.findings == ()
    # Nothing is laid on the second board, and the way to the park place may lead over it.
    top = bench().bed.board_z_mm + high_mm
    assert made.record.placement.travel_z_mm == pytest.approx(top + bench().bed.clearance_mm)
    low = made.program.text.replace(f"Z{made.record.placement.travel_z_mm:.3f}", f"Z{top + 0.5:.3f}")
    assert low != made.program.text
    assert not verify(low, expected_from_plan(made.record), bench()).ok
    high, pad = missing(record, "2")
    assert laid_pads(touch_up(record, high, bench()).record) == {pad}


def test_a_touch_up_tells_which_inspection_and_board_it_is_for():
    found = structs.replace(inspected(plan(), INSPECTION), serial="GH-007", journal_board=7)
    told = touch_up(plan(), found, bench()).record.touched
    assert told is not None
    assert (told.serial, told.journal_board, told.placed_anew) == ("GH-007", 7, False)
    assert told.inspection_sha256 == sha256(inspection_text(found).encode()).hexdigest()
    other = structs.replace(found, at="a minute later")
    again = touch_up(plan(), other, bench()).record.touched
    assert again is not None and again.inspection_sha256 != told.inspection_sha256
    assert plan().touched is None


def test_a_touch_up_s_own_plan_is_no_plan_of_the_board():
    with pytest.raises(InputError, match="does not tell what else stands"):
        touch_up(made().record, inspected(made().record, {}), bench())


def test_a_board_in_the_corner_is_touched_up_where_the_corner_is_now():
    # The tip was changed and touched off anew, and the stops were moved.
    bed = replace(
        bench().bed, board_x_mm=bench().bed.board_x_mm + 2.0, board_z_mm=bench().bed.board_z_mm + 0.7
    )
    moved = touch_up(plan(), inspected(plan(), INSPECTION), replace(bench(), bed=bed))
    assert moved.verdict.findings == ()
    (board,) = moved.record.placement.boards
    assert board.shift_mm[0] == pytest.approx(plan().placement.boards[0].shift_mm[0] + 2.0)
    assert board.surface.z_mm == pytest.approx(bed.board_z_mm)


def test_a_board_that_was_found_lies_there_unless_the_tip_was_touched_off_since():
    record = tray_of_two(0.0)
    found, _ = missing(record, "2")
    bed = replace(bench().bed, board_z_mm=bench().bed.board_z_mm + 0.2)
    with pytest.raises(InputError, match="nobody knows how high it lies"):
        touch_up(record, found, replace(bench(), bed=bed))
    there = Placement(
        name="",
        steps=(PlaceStep(what="found", affine=affine(turn_deg=3.0, shift_mm=(101.0, 71.0))),),
        surface=flat(bed.board_z_mm),
    )
    made = touch_up(record, found, replace(bench(), bed=bed), placed=there)
    assert made.verdict.findings == ()
    (board,) = made.record.placement.boards
    assert (board.name, board.shift_mm) == ("2", pytest.approx((101.0, 71.0)))
    assert made.record.touched is not None and made.record.touched.placed_anew


def test_nothing_to_lay_is_told():
    with pytest.raises(InputError) as caught:
        touch_up(plan(), inspected(plan(), {}), bench())
    assert "nothing is missing or low" in str(caught.value)


def test_where_all_must_be_wiped_that_is_told_and_not_that_all_is_well():
    verdicts = dict.fromkeys(("R1-1", "R1-2"), (DepositVerdict.BRIDGED, 1.0, True))
    with pytest.raises(InputError) as caught:
        touch_up(plan(), inspected(plan(), verdicts), bench())
    assert "2 deposits must be wiped first" in str(caught.value)
    assert "--wiped" in str(caught.value)
    assert laid_pads(touch_up(plan(), inspected(plan(), verdicts), bench(), wiped=True).record) == set(
        verdicts
    )


def test_what_several_low_deposits_of_a_land_lack_is_laid_at_places_apart():
    (pad,) = [pad for pad in plan().pads if pad.id == "U1-33"]
    assert len(pad.deposits) > 2
    found = inspected(plan(), {})
    low = {"verdict": DepositVerdict.LOW}
    rows = []
    for number, row in enumerate(one for one in found.deposits if one.pad == pad.id):
        # The first is missing, the others are small.
        small = Point(row.x_mm, row.y_mm).buffer(0.1).exterior.coords[:-1]
        change = {"verdict": MISSING, "outline_mm": (), "volume_ul": 0.0} if number == 0 else low | {
            "outline_mm": tuple(small), "volume_ul": 0.4 * row.planned_ul
        }  # fmt: skip
        rows.append(structs.replace(row, **change))
    others = [one for one in found.deposits if one.pad != pad.id]
    mixed = {one.id: one for one in [*others, *rows]}
    together = structs.replace(
        found, deposits=tuple(mixed[one.id] if one.pad == pad.id else one for one in found.deposits)
    )
    made_here = touch_up(plan(), together, bench())
    assert made_here.verdict.findings == ()
    laid = [one for each in made_here.record.pads for one in each.deposits]
    assert len(laid) > 1
    covers = [Point(one.points_mm[0]).buffer(one.width_mm / 2) for one in laid]
    assert all(a.disjoint(b) for a, b in combinations(covers, 2))
