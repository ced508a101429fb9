"""A plan, its inspection and the bench to a touch-up: program, record and verdict, as of any plan.

The record is a plan's, of the kind touch-up: the same board and places, with the deposits that are laid now, so that
it is sent, kept in the journal and planned for another fill of the barrel as any other. Every travel goes at full height.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256

from msgspec import structs

from pastewright.counting import counted
from pastewright.inspect.picture import BoardPicture, board_picture
from pastewright.motion.around import around
from pastewright.motion.levels import levels_of
from pastewright.motion.plan import motions_over
from pastewright.place.transform import Placement
from pastewright.place.tray.located import located
from pastewright.place.tray.tour import placed_tour
from pastewright.plan.again import (
    header_of_plan,
    layout_of_plan,
    placements_of_plan,
    where_it_was,
)
from pastewright.plan.document import bench_record, totals_of_motions, with_verdict
from pastewright.plan.jobs import blocked_by
from pastewright.plan.nearest import with_nearest
from pastewright.plan.pipeline import labels_of
from pastewright.plan.tolerances import with_tolerances
from pastewright.problems import InputError, one_error
from pastewright.profile.model import Profile
from pastewright.program.model import Program
from pastewright.program.write import write_program
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.standing import standing_findings
from pastewright.readback.judge.verify import verify
from pastewright.readback.model import Verdict
from pastewright.records.inspection import InspectionRecord, inspection_text
from pastewright.records.kinds import Form, ProgramKind
from pastewright.records.plan import DepositRecord, PadRecord, PlanRecord
from pastewright.records.touched import TouchedRecord
from pastewright.touchup.choose import Added, TouchUpChoice, chosen
from pastewright.touchup.lying import lying
from pastewright.version import __version__


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchUp:
    """What is laid and left, the program, its plan and the verdict; no program where there is nothing to lay."""

    choice: TouchUpChoice
    program: Program
    record: PlanRecord
    verdict: Verdict


def touch_up(
    plan: PlanRecord,
    inspection: InspectionRecord,
    profile: Profile,
    *,
    wiped: bool = False,
    placed: Placement | None = None,
) -> TouchUp:
    """Return the touch-up of an inspected board on a bench as it is now, read back against plan and inspection.

    `placed` is where the board was found for this, without it `lying` tells. Raises `InputError` when plan and inspection
    do not belong together, when nobody knows where the board lies, and when there is nothing that can be laid.
    """
    if plan.kind is ProgramKind.TOUCH_UP:
        raise one_error(
            "this plan is a touch-up's own: it does not tell what else stands on the board",
            "Inspect the board with the plan.json that laid it; what was touched up is seen as well.",
        )
    board = inspection.deposits[0].board if inspection.deposits else plan.pads[0].board
    picture = board_picture(plan, board)
    _check_together(inspection, picture)
    choice = chosen(inspection, picture, profile, wiped=wiped)
    if not choice.added:
        raise _nothing(choice, inspection, wiped=wiped)
    here = lying(plan, board, profile, placed)
    wanted = structs.replace(
        _wanted(here, choice, picture), touched=_touched(inspection, board, anew=placed is not None)
    )
    bench = where_it_was(wanted, profile)
    layout, placements = layout_of_plan(wanted), placements_of_plan(wanted)
    there = located(layout, placements)
    levels = levels_of(there.layout.deposits, bench)
    tour = placed_tour(there, bench, {}, levels.classes)
    blocked = blocked_by(here.placement.zones, there.placements, plan.board.size_mm)
    motions = around(motions_over(there, tour, bench, levels), blocked, bench)
    strip_ul = motions.strip_ul + motions.thrown_ul
    program = write_program(motions, bench, header_of_plan(wanted, bench, motions), labels_of(layout))
    record = structs.replace(
        wanted,
        program_sha256=sha256(program.text.encode()).hexdigest(),
        profile=bench_record(bench),
        pads=tuple(_lined(pad, program) for pad in wanted.pads),
        placement=structs.replace(
            wanted.placement, travel_z_mm=round(max(move.z_mm for move in motions.moves), 6)
        ),
        totals=structs.replace(
            totals_of_motions(wanted.totals, motions, bench),
            strip_ul=round(strip_ul, 6),
            strip_mg=round(strip_ul * bench.paste.density_g_cm3, 3),
            travel_mm=round(tour.travel_mm, 3),
            travel_s=round(tour.travel_s, 3),
            travel_bound_s=round(tour.bound_s, 3),
        ),
        warnings=tuple(motions.warnings),
    )
    record = with_tolerances(record, motions, layout.deposits, bench)
    record = with_nearest(record, motions, layout)
    verdict = verify(program.text, expected_from_plan(record), bench)
    own = standing_findings(program.text, record, inspection, bench, wiped=wiped)
    verdict = Verdict(
        ok=verdict.ok and not own,
        findings=(*verdict.findings, *own),
        delivered=verdict.delivered,
        out_ul=verdict.out_ul,
        swept_ul=verdict.swept_ul,
        stored_ul=verdict.stored_ul,
        machine_s=verdict.machine_s,
        trace=verdict.trace,
    )
    return TouchUp(choice=choice, program=program, record=with_verdict(record, verdict), verdict=verdict)


def _nothing(choice: TouchUpChoice, inspection: InspectionRecord, *, wiped: bool) -> InputError:
    """Return why nothing is laid, and what would mend that."""
    to_wipe = 0 if wiped else sum(one.wipe for one in inspection.deposits)
    reasons = [f"{pad}: {why}" for pad, why in choice.left[:6]]
    if to_wipe:
        reasons.append(f"{counted(to_wipe, 'deposit')} must be wiped first")
    return one_error(
        "there is nothing to lay"
        + (f" ({'; '.join(reasons)})" if reasons else ": nothing is missing or low"),
        "Wipe what the inspection lists, then give --wiped." if to_wipe else "",
    )


def _check_together(inspection: InspectionRecord, picture: BoardPicture) -> None:
    same = len(inspection.deposits) == len(picture.rows) and all(
        (one.id, one.board, one.pad) == (row.deposit.id, row.pad.board, row.pad.id)
        for one, row in zip(inspection.deposits, picture.rows, strict=True)
    )
    if not same:
        raise one_error(
            "inspection and plan list different deposits",
            "Give the plan.json that was inspected with --plan.",
        )


def _touched(inspection: InspectionRecord, board: str, *, anew: bool) -> TouchedRecord:
    """Return which board this is for; by the inspection's record a second touch-up of it is known (`work.running.once`)."""
    return TouchedRecord(
        inspection_sha256=sha256(inspection_text(inspection).encode()).hexdigest(),
        plan_sha256=inspection.plan_sha256,
        program_sha256=inspection.program_sha256,
        board=board,
        serial=inspection.serial,
        journal_board=inspection.journal_board,
        placed_anew=anew,
    )


def _wanted(plan: PlanRecord, choice: TouchUpChoice, picture: BoardPicture) -> PlanRecord:
    """Return the plan with the touch-up's deposits in place of its own."""
    laid: dict[tuple[str, str], list[DepositRecord]] = {}
    for index, one in enumerate(choice.added):
        for row, share in zip(one.rows, one.shares_ul, strict=True):
            pad = picture.rows[row].pad
            laid.setdefault((pad.board, pad.id), []).append(_record(index, one, share))
    density = plan.totals.paste_mg / plan.totals.paste_ul if plan.totals.paste_ul else 0.0
    solder = plan.totals.solder_ul / plan.totals.paste_ul if plan.totals.paste_ul else 0.0
    pads = tuple(_pad(pad, laid.get((pad.board, pad.id), []), density, solder) for pad in plan.pads)
    paste_ul = sum(sum(one.shares_ul) for one in choice.added)
    share = paste_ul / plan.totals.paste_ul if plan.totals.paste_ul else 0.0
    return structs.replace(
        plan,
        kind=ProgramKind.TOUCH_UP,
        made_by=f"pastewright {__version__}",
        pads=pads,
        parts=(),
        thrown=(),
        totals=structs.replace(
            plan.totals,
            paste_ul=round(paste_ul, 6),
            paste_mg=round(paste_ul * density, 3),
            solder_ul=round(paste_ul * solder, 6),
            solder_mg=round(plan.totals.solder_mg * share, 3),
            thrown_ul=0.0,
            deposits=len(choice.added),
            pads=len(laid),
        ),
    )


def _record(index: int, one: Added, share_ul: float) -> DepositRecord:
    return DepositRecord(
        id=index,
        kind=one.kind,
        points_mm=one.points_mm,
        volume_ul=round(share_ul, 6),
        total_ul=round(sum(one.shares_ul), 6),
        width_mm=round(one.width_mm, 4),
        height_mm=round(one.height_mm, 4),
        line=0,
    )


def _pad(pad: PadRecord, deposits: Sequence[DepositRecord], density: float, solder: float) -> PadRecord:
    """Return a pad with what is laid on it now; whether a thermal land is level is the whole plan's matter."""
    ul = sum(deposit.volume_ul for deposit in deposits)
    return structs.replace(
        pad,
        deposits=tuple(deposits),
        target_ul=round(ul, 6),
        planned_ul=round(ul, 6),
        planned_mg=round(ul * density, 3),
        solder_ul=round(ul * solder, 6),
        form=pad.form if deposits else Form.NONE,
        reason="touch-up" if deposits else "stands as it is",
        bridges=(),
        balance=None,
        tolerance=None,
        nearest=None,
        warnings=(),
    )


def _lined(pad: PadRecord, program: Program) -> PadRecord:
    return structs.replace(
        pad,
        deposits=tuple(
            structs.replace(one, line=program.deposit_lines.get(one.id, 0)) for one in pad.deposits
        ),
    )
