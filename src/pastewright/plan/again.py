"""A plan to the same plan for the bench as it is now: a barrel with less paste is stiffer, and every push lays more.

    C(P) = A²/k_frame + V_paste/K_bulk + air          V_paste falls as the barrel empties, and C with it

What else has changed since, a constant that a witness row told for instance, is in the bench that is given. The
deposits, where the boards lie and the order stay those of plan.json; no fabrication file is needed. Pushes, retractions and
walks are solved anew, the program is written and read back anew.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from math import dist

import numpy as np
from msgspec import structs

from pastewright.deposit.model import Deposit, Layout, PadPlan, Share
from pastewright.materials.cap import dot_width_mm
from pastewright.motion.around import around
from pastewright.motion.dry import dry as dry_motions
from pastewright.motion.model import Motions
from pastewright.motion.plan import motions_over
from pastewright.place.transform import Neighbour, Placements, Wipe
from pastewright.place.tray.document import board_place_of
from pastewright.place.tray.located import Located, located
from pastewright.plan.document import size_mm, totals_of_motions, with_verdict
from pastewright.plan.floor import floor_of_plan
from pastewright.plan.jobs import blocked_by
from pastewright.plan.nearest import with_nearest
from pastewright.plan.pipeline import labels_of, tip_words
from pastewright.plan.thrown import trip_labels, trips_of_plan, with_trips
from pastewright.plan.tolerances import with_tolerances
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.program.model import Header, Program
from pastewright.program.write import write_program
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify
from pastewright.readback.model import Finding, FindingKind, Verdict
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import DepositRecord, PlanRecord
from pastewright.route.model import Tour, Visit
from pastewright.version import __version__

WORTH = 0.01
"""Share of a deposit: so much it may change before a plan is made anew, a fifth of the usual tolerance. Own choice."""
AT_PERCENTILE = 95
SAME_SHAPE = 0.003
"""Share of a dot's height over its width: plans round both to less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedAgain:
    """The program for the bench as it is, its plan and verdict; `profile` is the bench that they are for."""

    motions: Motions
    program: Program
    record: PlanRecord
    verdict: Verdict
    profile: Profile


def with_paste(profile: Profile, left_ul: float) -> Profile:
    """Return the bench with so much paste in its barrel; raises `InputError` when there is none."""
    if left_ul <= 0:
        raise one_error(
            "the barrel is empty, by what was used of it",
            "Refill it, or say how much is in it.",
            file=profile.file,
        )
    return replace(profile, barrel=replace(profile.barrel, fill_ul=left_ul))


def off_by(text: str, plan: PlanRecord, profile: Profile, *, now: Profile) -> float:
    """Return how far deposits change when a program is sent to the bench as it is now [share of each].

    Against `profile`, the bench that it was planned for; the 95th percentile, as the read-back simulates both.
    0 for a dry program.
    """
    expected = expected_from_plan(plan)
    if expected.dry or not expected.deposits or now == profile:
        return 0.0
    then = verify(text, expected, profile).delivered
    today = verify(text, expected, now).delivered
    off = [
        abs(got.volume_ul / was.volume_ul - 1) if got is not None else 1.0
        for got, was in zip(today, then, strict=True)
        if was is not None and was.volume_ul > 0
    ]
    return float(np.percentile(off, AT_PERCENTILE)) if off else 0.0


def planned_again(plan: PlanRecord, now: Profile) -> PlannedAgain:
    """Return the plan for the bench as it is now, read back on it.

    Raises `InputError` when the paste left in its barrel, or the stroke, is not enough for it.
    """
    bench = where_it_was(plan, now)
    layout = at_rest(layout_of_plan(plan), bench.tuning.dot_shape_ratio)
    there = located(layout, placements_of_plan(plan))
    zones = plan.placement.zones
    blocked = blocked_by(zones, there.placements, plan.board.size_mm)
    # A touch-up is laid among paste that its own plan does not list: every travel goes at full height.
    floor = None if plan.kind is ProgramKind.TOUCH_UP else floor_of_plan(plan, blocked)
    tour = _tour(plan, there)
    trips = trips_of_plan(plan, tour)
    motions = around(motions_over(there, tour, bench, floor=floor, trips=trips), blocked, bench)
    if plan.dry:
        motions = dry_motions(motions, bench)
    labels = {**labels_of(layout), **trip_labels(motions.away)}
    program = write_program(motions, bench, header_of_plan(plan, bench, motions), labels)
    record = with_trips(_told(plan, layout, motions, program, bench), motions, tour, program, bench)
    record = with_tolerances(record, motions, layout.deposits, bench)
    record = with_nearest(record, motions, layout)
    verdict = verify(program.text, expected_from_plan(record), bench)
    return PlannedAgain(
        motions=motions,
        program=program,
        record=with_verdict(record, verdict),
        verdict=verdict,
        profile=bench,
    )


def new_findings(text: str, plan: PlanRecord, again: PlannedAgain) -> tuple[Finding, ...]:
    """Return what is wrong with a plan made anew and not with the program before it, on the same bench.

    Where dots rest wider by now than they were planned, pastes come as near each other by either program: to send the old
    one, with its wrong doses, would be no safer.
    """
    if again.verdict.ok:
        return ()
    rested = with_rest_of(plan, again.record)
    near = {
        (one.kind, one.pad_id)
        for one in verify(text, expected_from_plan(rested), again.profile).findings
        if one.kind is FindingKind.BRIDGE
    }
    return tuple(one for one in again.verdict.findings if (one.kind, one.pad_id) not in near)


def with_rest_of(plan: PlanRecord, other: PlanRecord) -> PlanRecord:
    """Return a plan whose deposits rest as wide and high as those of another plan of the same deposits."""
    rest = {row.id: (row.width_mm, row.height_mm) for pad in other.pads for row in pad.deposits}

    def rested(row: DepositRecord) -> DepositRecord:
        width_mm, height_mm = rest[row.id]
        return structs.replace(row, width_mm=width_mm, height_mm=height_mm)

    pads = tuple(structs.replace(pad, deposits=tuple(map(rested, pad.deposits))) for pad in plan.pads)
    return structs.replace(plan, pads=pads)


def where_it_was(plan: PlanRecord, profile: Profile) -> Profile:
    """Return the profile with strip and park place where the plan has them."""
    strips, park = plan.placement.strips, plan.placement.park_mm
    bed = profile.bed
    if strips:
        bed = replace(bed, strip_x_mm=strips[0].from_mm[0], strip_y_mm=strips[0].from_mm[1])
    if park is not None:
        bed = replace(bed, park_x_mm=park[0], park_y_mm=park[1])
    return replace(profile, bed=bed)


def placements_of_plan(plan: PlanRecord) -> Placements:
    """Return where the boards of a plan lie."""
    places = plan.placement
    wipe = places.wipe
    return Placements(
        boards=tuple(board_place_of(board, "plan.json") for board in places.boards),
        settle=places.settle,
        strip_step_mm=places.strip_step_mm,
        wipe=None
        if wipe is None
        else Wipe(from_mm=wipe.from_mm, to_mm=wipe.to_mm, z_mm=wipe.z_mm, strokes=wipe.strokes),
        neighbours=tuple(
            Neighbour(name=other.name, corners_mm=other.corners_mm, highest_mm=other.highest_mm)
            for other in places.neighbours
        ),
    )


def layout_of_plan(plan: PlanRecord) -> Layout:
    """Return the deposits that a plan lists, each once, in the order of their ids."""
    numbers = {board.name: number for number, board in enumerate(plan.placement.boards)}
    found: dict[int, Deposit] = {}
    for pad in plan.pads:
        for row in pad.deposits:
            share = Share(pad_id=pad.id, volume_ul=row.volume_ul)
            if row.id in found:
                found[row.id] = structs.replace(found[row.id], shares=(*found[row.id].shares, share))
                continue
            found[row.id] = Deposit(
                index=row.id,
                kind=row.kind,
                points_mm=row.points_mm,
                volume_ul=row.total_ul,
                width_mm=row.width_mm,
                height_mm=row.height_mm,
                shares=(share,),
                board=numbers.get(pad.board, 0),
            )
    centres = {pad.id: (pad.x_mm, pad.y_mm) for pad in plan.pads}
    found = {index: _as_row(deposit, centres) for index, deposit in found.items()}
    pads = tuple(
        PadPlan(
            pad_id=pad.id,
            planned_ul=pad.planned_ul,
            form=pad.form,
            reason="",
            deposits=tuple(row.id for row in pad.deposits),
            board=numbers.get(pad.board, 0),
        )
        for pad in plan.pads
    )
    if not found or sorted(found) != list(range(len(found))):
        raise one_error("the plan does not number its deposits from 0 on", "Plan the board anew.")
    return Layout(deposits=tuple(found[index] for index in sorted(found)), pads=pads)


def at_rest(layout: Layout, dot_shape_ratio: float) -> Layout:
    """Return the layout with dots as wide and high as they rest by this shape: a row may have taught another one, and hops
    go over what stands. Those that the plan has so already, but for its rounding, stay as they are.
    """

    def rested(one: Deposit) -> Deposit:
        if len(one.points_mm) > 1 or abs(one.height_mm / one.width_mm / dot_shape_ratio - 1) < SAME_SHAPE:
            return one
        width_mm = dot_width_mm(one.volume_ul, dot_shape_ratio)
        return structs.replace(one, width_mm=width_mm, height_mm=dot_shape_ratio * width_mm)

    return replace(layout, deposits=tuple(rested(one) for one in layout.deposits))


def _lines_of(plan: PlanRecord) -> dict[int, int]:
    """The program's line of each deposit by its number."""
    return {row.id: row.line for pad in plan.pads for row in pad.deposits}


def deposits_in_order(plan: PlanRecord) -> tuple[Deposit, ...]:
    """Return the deposits of a plan in the order that its program lays them."""
    lines = _lines_of(plan)
    return tuple(sorted(layout_of_plan(plan).deposits, key=lambda deposit: lines[deposit.index]))


def _as_row(deposit: Deposit, centres_mm: Mapping[str, tuple[float, float]]) -> Deposit:
    """Return a bead that several pads share with its pads in order along it, and the length that they are due."""
    if len(deposit.shares) < 2:
        return deposit
    (x, y), (to_x, to_y) = deposit.points_mm[0], deposit.points_mm[-1]

    def along(share: Share) -> float:
        at_x, at_y = centres_mm[share.pad_id]
        return (at_x - x) * (to_x - x) + (at_y - y) * (to_y - y)

    shares = tuple(sorted(deposit.shares, key=along))
    span_mm = dist(centres_mm[shares[0].pad_id], centres_mm[shares[-1].pad_id])
    return structs.replace(deposit, shares=shares, row_mm=span_mm * len(shares) / (len(shares) - 1))


def _tour(plan: PlanRecord, there: Located) -> Tour:
    """Return the order of the plan's lines; a bead begins at the end that is nearer to where the tip comes from."""
    lines = _lines_of(plan)
    here = plan.placement.strips[0].to_mm if plan.placement.strips else None
    visits = []
    for index in sorted(lines, key=lines.__getitem__):
        points = there.layout.deposits[index].points_mm
        backwards = here is not None and dist(here, points[-1]) < dist(here, points[0])
        visits.append(Visit(deposit=index, backwards=backwards))
        here = points[0] if backwards else points[-1]
    totals = plan.totals
    return Tour(
        visits=tuple(visits),
        travel_mm=totals.travel_mm,
        travel_s=totals.travel_s,
        bound_s=totals.travel_bound_s,
    )


def header_of_plan(plan: PlanRecord, profile: Profile, motions: Motions) -> Header:
    """Return what stands at the head of a program made anew of a plan."""
    return Header(
        board=plan.board.name,
        side=str(plan.board.side),
        profile=profile.name,
        paste=profile.paste.name,
        tip=tip_words(profile),
        paste_ul=plan.totals.paste_ul,
        machine_s=motions.machine_s,
        deposits=plan.totals.deposits,
        pads=plan.totals.pads,
        inputs_sha256=plan.board.inputs_sha256,
        profile_sha256=profile.sha256,
        job_sha256=plan.job_sha256,
        version=__version__,
    )


def _told(plan: PlanRecord, layout: Layout, motions: Motions, program: Program, bench: Profile) -> PlanRecord:
    """Return the plan with what is new in it: how deposits rest, lines, times, sweep, the program's hash."""
    pads = tuple(
        structs.replace(
            pad,
            deposits=tuple(
                structs.replace(
                    row,
                    line=program.deposit_lines.get(row.id, 0),
                    width_mm=size_mm(layout.deposits[row.id].width_mm),
                    height_mm=size_mm(layout.deposits[row.id].height_mm),
                )
                for row in pad.deposits
            ),
        )
        for pad in plan.pads
    )
    return structs.replace(
        plan,
        made_by=f"pastewright {__version__}",
        program_sha256=sha256(program.text.encode()).hexdigest(),
        pads=pads,
        totals=totals_of_motions(plan.totals, motions, bench),
        warnings=(*plan.warnings, *(words for words in motions.warnings if words not in plan.warnings)),
    )
