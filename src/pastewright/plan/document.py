"""What was decided to the plan's record: the content of `plan.json` and the rows of `pads.csv`."""

from collections.abc import Iterator, Sequence
from functools import lru_cache
from hashlib import sha256
from operator import attrgetter

import shapely
from msgspec import structs

from pastewright.board.model import Board
from pastewright.deposit.model import Deposit, Layout, PadPlan
from pastewright.dose.model import Dose
from pastewright.job.limits import DEFAULT_LIMITS, limits_record
from pastewright.job.model import NO_JOB, Job
from pastewright.materials.model import Paste
from pastewright.motion.aside import strips_mm
from pastewright.motion.bound import least_time_s
from pastewright.motion.model import Motions
from pastewright.place.transform import Neighbour, Placements, on_bed
from pastewright.place.tray.document import board_places, wipe_record
from pastewright.plan.rings import PLACE_DIGITS, rings_of
from pastewright.plan.thrown import thrown_records
from pastewright.plan.tolerances import tolerance_cells
from pastewright.problems import Problem
from pastewright.profile.model import Profile
from pastewright.program.model import Program
from pastewright.readback.model import Verdict
from pastewright.records.placement import NeighbourRecord, StripRecord
from pastewright.records.plan import (
    FORMAT,
    BalanceRecord,
    BenchRecord,
    BoardRecord,
    BridgeRecord,
    DepositRecord,
    FiducialRecord,
    FindingRecord,
    HoleRecord,
    LayerRecord,
    LeftOutRecord,
    PadRecord,
    PartRecord,
    PlacesRecord,
    PlanRecord,
    TotalsRecord,
    VerdictRecord,
)
from pastewright.route.model import Tour
from pastewright.version import __version__

PAD_COLUMNS = (
    "id",
    "ref",
    "pin",
    "net",
    "kind",
    "x_mm",
    "y_mm",
    "area_mm2",
    "target_ul",
    "planned_ul",
    "planned_mg",
    "bias_percent",
    "within_percent",
    "most",
    "nearest_percent",
    "form",
    "deposits",
    "reason",
    "warnings",
)

_OF_PAD = attrgetter(*PAD_COLUMNS[: PAD_COLUMNS.index("bias_percent")])

NOT_JUDGED = VerdictRecord(ok=False, findings=(), out_ul=0.0, swept_ul=0.0, stored_ul=0.0, machine_s=0.0)
"""Stands in a plan until its program has been read back."""


def plan_record(
    *,
    board: Board,
    profile: Profile,
    doses: Sequence[Dose],
    layout: Layout,
    tour: Tour,
    motions: Motions,
    program: Program,
    warnings: Sequence[str],
    placements: Placements | None = None,
    job: Job = NO_JOB,
) -> PlanRecord:
    """Return the plan as a record, with an empty verdict that `with_verdict` fills in.

    Of a tray, `board` has the pads of all its boards, board by board, as `placements` (the bed's corner without).
    """
    where = placements or on_bed(profile.bed)
    paste = profile.paste
    paste_ul = sum(deposit.volume_ul for deposit in layout.deposits)
    strips = strips_mm(profile, where)
    strip_ul = 0.0 if motions.dry else (motions.strip_ul + motions.thrown_ul) * len(strips)
    return PlanRecord(
        format=FORMAT,
        made_by=f"pastewright {__version__}",
        program_sha256=sha256(program.text.encode()).hexdigest(),
        job_sha256=job.sha256,
        inspection=None if job.inspection == DEFAULT_LIMITS else limits_record(job.inspection),
        dry=motions.dry,
        board=board_record(board),
        placement=PlacesRecord(
            boards=board_places(where),
            settle=where.settle,
            strip_step_mm=where.strip_step_mm,
            wipe=wipe_record(where.wipe),
            travel_z_mm=round(max(move.z_mm for move in motions.moves), 6),
            strips=tuple(StripRecord(from_mm=_place(a), to_mm=_place(b)) for a, b in strips),
            park_mm=_place((profile.bed.park_x_mm, profile.bed.park_y_mm)),
            neighbours=tuple(map(_neighbour_record, where.neighbours)),
            zones=job.zones,
        ),
        profile=bench_record(profile),
        totals=TotalsRecord(
            paste_ul=_ul(paste_ul),
            machine_s=round(motions.machine_s, 2),
            machine_bound_s=round(least_time_s(motions, profile), 2),
            deposits=len(layout.deposits),
            pads=sum(1 for plan in layout.pads if plan.deposits),
            travel_mm=round(tour.travel_mm, 3),
            travel_s=round(tour.travel_s, 3),
            travel_bound_s=round(tour.bound_s, 3),
            paste_mg=_mg(paste_ul * paste.density_g_cm3),
            strip_ul=_ul(strip_ul),
            strip_mg=_mg(strip_ul * paste.density_g_cm3),
            thrown_ul=0.0
            if motions.dry
            else _ul(sum(trip.volume_ul for trip in motions.away.trips.values())),
            solder_ul=_ul(paste_ul * paste.metal_volume_fraction),
            solder_mg=_mg(paste_ul * paste.metal_volume_fraction * paste.alloy.density_g_cm3),
            barrel_sweep_ul=_ul(motions.swept_ul),
        ),
        pads=_pads(board, doses, layout, program, where, paste),
        parts=_parts(board, layout, paste),
        thrown=thrown_records(motions, tour, program, profile),
        warnings=tuple(warnings),
        verdict=NOT_JUDGED,
    )


def totals_of_motions(totals: TotalsRecord, motions: Motions, profile: Profile) -> TotalsRecord:
    """Return totals with the times and sweep of other motions over the same deposits."""
    return structs.replace(
        totals,
        machine_s=round(motions.machine_s, 2),
        machine_bound_s=round(least_time_s(motions, profile), 2),
        barrel_sweep_ul=_ul(motions.swept_ul),
    )


def with_verdict(plan: PlanRecord, verdict: Verdict) -> PlanRecord:
    """Return the plan with its verdict in place."""
    return structs.replace(plan, verdict=verdict_record(verdict))


def verdict_record(verdict: Verdict) -> VerdictRecord:
    """Return what the read-back found, as the plan keeps it."""
    return VerdictRecord(
        ok=verdict.ok,
        findings=tuple(
            FindingRecord(kind=str(each.kind), what=each.what, line=each.line, pad=each.pad_id)
            for each in verdict.findings
        ),
        out_ul=_ul(verdict.out_ul),
        swept_ul=_ul(verdict.swept_ul),
        stored_ul=_ul(verdict.stored_ul),
        machine_s=round(verdict.machine_s, 2),
    )


def board_record(board: Board) -> BoardRecord:
    """Return what was read, without the pads."""
    return BoardRecord(
        name=board.name,
        side=board.side,
        size_mm=_place(board.size_mm),
        file_origin_mm=_place(board.file_origin_mm),
        mirrored=board.mirrored,
        paste_from=board.paste_origin,
        inputs_sha256=board.inputs_sha256,
        in_words=board.in_words,
        fiducials=tuple(
            FiducialRecord(x_mm=_mm(mark.x_mm), y_mm=_mm(mark.y_mm), diameter_mm=_mm(mark.diameter_mm))
            for mark in board.fiducials
        ),
        outline_mm=() if board.outline is None else rings_of([board.outline])[0],
        holes=tuple(
            HoleRecord(
                x_mm=_mm(hole.x_mm),
                y_mm=_mm(hole.y_mm),
                diameter_mm=_mm(hole.diameter_mm),
                slot_to_mm=None if hole.slot_to_mm is None else _place(hole.slot_to_mm),
            )
            for hole in board.holes
        ),
        layers=tuple(
            LayerRecord(file=use.file, role=str(use.role), how=use.how, used=use.used, note=use.note)
            for use in board.layers
        ),
        left_out=tuple(
            LeftOutRecord(source=str(left.source), reason=left.reason, area_mm2=_mm(left.shape.area))
            for left in board.left_out
        ),
    )


def bench_record(profile: Profile) -> BenchRecord:
    """Return the settings that a reader of the plan needs."""
    return BenchRecord(
        name=profile.name,
        sha256=profile.sha256,
        dialect=profile.controller.dialect,
        plunger_letter=profile.plunger.letter,
        plunger_unit=profile.plunger.unit,
        paste=profile.paste.name,
        tip_bore_mm=profile.tip.bore_mm,
        tip_gauge=profile.tip.gauge,
        barrel=profile.barrel.name,
        microstep_ul=round(profile.microstep_ul, 7),
        board_at_mm=(profile.bed.board_x_mm, profile.bed.board_y_mm, profile.bed.board_z_mm),
        tuning_dated=profile.tuning.dated,
    )


def pad_rows(plan: PlanRecord) -> Iterator[tuple[str, ...]]:
    """Yield the rows of `pads.csv`, in the order of `PAD_COLUMNS`."""
    for pad in plan.pads:
        yield (
            *map(str, _OF_PAD(pad)),
            *tolerance_cells(pad.tolerance),
            "" if pad.nearest is None else f"{100 * pad.nearest:.0f}",
            pad.form,
            str(len(pad.deposits)),
            pad.reason,
            "; ".join(pad.warnings),
        )


def problem_text(problem: Problem) -> str:
    """Return a problem of reading on one line, for the plan's list of warnings."""
    what, _, mend = str(problem).partition("\n")
    stop = "" if not mend or what.endswith((".", "!", "?")) else "."
    return " ".join(f"{what}{stop} {mend}".split())


def _parts(board: Board, layout: Layout, paste: Paste) -> tuple[PartRecord, ...]:
    """Return what each part gets on the first board; the copies of a tray get the same."""
    laid: dict[str, list[float]] = {}
    for pad, plan in zip(board.pads, layout.pads, strict=True):
        if pad.ref and plan.deposits and plan.board == 0:
            laid.setdefault(pad.ref, []).append(plan.planned_ul)
    return tuple(
        PartRecord(
            ref=ref,
            pads=len(volumes),
            paste_ul=_ul(sum(volumes)),
            paste_mg=_mg(sum(volumes) * paste.density_g_cm3),
        )
        for ref, volumes in laid.items()
    )


def _pads(
    board: Board,
    doses: Sequence[Dose],
    layout: Layout,
    program: Program,
    placements: Placements,
    paste: Paste,
) -> tuple[PadRecord, ...]:
    rows = []
    tray = len(placements.boards) > 1
    lands = [pad.land for pad in board.pads]
    centres = shapely.get_coordinates(shapely.centroid(lands)).tolist()
    areas = shapely.area(lands).tolist()
    shown = [_deposit(deposit, program) for deposit in layout.deposits]
    told = zip(board.pads, doses, layout.pads, rings_of(lands), centres, areas, strict=True)
    for pad, dose, plan, land_mm, centre, area_mm2 in told:
        rows.append(
            PadRecord(
                id=pad.id,
                board=placements.boards[plan.board].name if tray else "",
                ref=pad.ref,
                pin=pad.pin,
                net=pad.net,
                kind=pad.kind,
                x_mm=_mm(centre[0]),
                y_mm=_mm(centre[1]),
                area_mm2=round(area_mm2, 5),
                land_mm=land_mm,
                target_ul=_ul(dose.target_ul),
                planned_ul=_ul(plan.planned_ul),
                planned_mg=_mg(plan.planned_ul * paste.density_g_cm3),
                solder_ul=_ul(plan.planned_ul * paste.metal_volume_fraction),
                form=plan.form,
                reason=_reason(dose.reason, plan.reason),
                source=str(pad.source),
                deposits=tuple(
                    _shared(shown[index], layout.deposits[index], plan) for index in plan.deposits
                ),
                balance=_balance(plan),
                bridges=tuple(
                    BridgeRecord(pad=bridge.other, gap_mm=_mm(bridge.gap_mm), mend=bridge.mend)
                    for bridge in plan.bridges
                )
                if plan.bridges
                else (),
                warnings=(*dose.warnings, *plan.warnings),
            )
        )
    return tuple(rows)


@lru_cache(maxsize=4096)
def _reason(dose: str, laid: str) -> str:
    """Return why a pad gets what it gets, once for all pads alike."""
    return f"{dose}; {laid}" if laid else dose


def _balance(plan: PadPlan) -> BalanceRecord | None:
    if plan.balance is None:
        return None
    return BalanceRecord(
        centre_mm=_place(plan.balance.centre_mm),
        half_width_mm=_mm(plan.balance.half_width_mm),
        imbalance=round(plan.balance.imbalance, 4),
    )


def _shared(shown: DepositRecord, deposit: Deposit, plan: PadPlan) -> DepositRecord:
    """Return a deposit with the share that a pad has of it."""
    if len(deposit.shares) == 1 and deposit.shares[0].volume_ul == deposit.volume_ul:
        return shown
    share_ul = sum(share.volume_ul for share in deposit.shares if share.pad_id == plan.pad_id)
    return structs.replace(shown, volume_ul=_ul(share_ul))


def _deposit(deposit: Deposit, program: Program) -> DepositRecord:
    """Return a deposit as one that a pad has for itself."""
    total_ul = _ul(deposit.volume_ul)
    return DepositRecord(
        id=deposit.index,
        kind=deposit.kind,
        points_mm=tuple(_place(point) for point in deposit.points_mm),
        volume_ul=total_ul,
        total_ul=total_ul,
        width_mm=size_mm(deposit.width_mm),
        height_mm=size_mm(deposit.height_mm),
        line=program.deposit_lines.get(deposit.index, 0),
    )


def _neighbour_record(other: Neighbour) -> NeighbourRecord:
    corners = tuple(map(_place, other.corners_mm))
    return NeighbourRecord(name=other.name, corners_mm=corners, highest_mm=other.highest_mm)


def _place(point_mm: tuple[float, float]) -> tuple[float, float]:
    x, y = point_mm
    return _mm(x), _mm(y)


def _mm(length_mm: float) -> float:
    """Lengths to a tenth of a micrometre."""
    return round(float(length_mm), PLACE_DIGITS)


size_mm = lru_cache(maxsize=4096)(_mm)
"""As `_mm`, for what many deposits have in common."""


@lru_cache(maxsize=4096)
def _mg(mass_mg: float) -> float:
    """Masses to a microgram: a thousandth of what the best scales of a workshop show."""
    return round(float(mass_mg), 3)


@lru_cache(maxsize=4096)
def _ul(volume_ul: float) -> float:
    """Volumes to a tenth of a nanolitre: finer than any microstep, short enough to read."""
    return round(float(volume_ul), 6)
