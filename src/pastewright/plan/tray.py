"""One board's deposits and the placements of a tray to plans: one program for as many boards as a barrel lasts.

Boards are copied whole, so that every later stage sees one long list of deposits; only their placements differ.
A barrel is refilled between programs, so never in the middle of a board.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from msgspec import structs

from pastewright.board.model import Point
from pastewright.deposit.model import Deposit, PadPlan
from pastewright.dose.model import Dose
from pastewright.job.model import NO_JOB, Job
from pastewright.motion.cycles import cycles_of
from pastewright.place.height.heights import box_of
from pastewright.place.transform import Neighbour, Placements, corners_mm
from pastewright.plan.pipeline import Decided, Plan, Prepared, decide_prepared, judged
from pastewright.plunger.bench import bench_of
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.problems import one_error
from pastewright.profile.model import Profile

# The barrel is not pressed to its very end: what rounding and backlash may take besides [share].
KEPT_BACK = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Paste that a tray takes [µL, real sweep]: each board, each strip, and beyond them while pressure is up."""

    board_ul: float
    strip_ul: float
    overshoot_ul: float


def need_of(prepared: Prepared, profile: Profile) -> Need:
    """Return what one board and its settling strip need."""
    deposits = prepared.layout.deposits
    cycles = cycles_of([(deposit, False) for deposit in deposits], profile)
    drawn_back = [_drawn_back_ul(cycle) for cycle in (cycles.settling.cycle, *cycles.visits)]
    return Need(
        board_ul=sum(cycle.volume_ul for cycle in cycles.visits),
        strip_ul=cycles.strip_ul,
        overshoot_ul=max(drawn_back),
    )


def _drawn_back_ul(cycle: DotCycle | BeadCycle) -> float:
    return cycle.retract_ul


def boards_per_program(need: Need, profile: Profile, *, settle: bool) -> int:
    """Return how many boards one filled barrel lays within the plunger's stroke, its strips included.

    strips + boards·board + overshoot ≤ fill, and the same over the sweep per mm + backlash ≤ stroke
    """
    bench = bench_of(profile)
    reach_ul = (profile.plunger.stroke_mm - bench.backlash_mm) * bench.ul_per_mm
    room_ul = min(profile.barrel.fill_ul, reach_ul) * (1 - KEPT_BACK) - need.overshoot_ul
    if settle:
        return int(room_ul // (need.board_ul + need.strip_ul))
    return int((room_ul - need.strip_ul) // need.board_ul)


def runs_of(
    placements: Placements, need: Need, profile: Profile, *, size_mm: Point, each: bool
) -> tuple[Placements, ...]:
    """Return the tray cut into programs, at board boundaries, as evenly as the barrel allows.

    Raises `InputError` when it does not last for a single board.
    """
    most = boards_per_program(need, profile, settle=placements.settle)
    if most < 1:
        raise one_error(
            f"one board and its settling strip need {need.board_ul + need.strip_ul + need.overshoot_ul:.0f} µL;"
            f" the barrel holds {profile.barrel.fill_ul:.0f} µL and its stroke sweeps"
            f" {profile.plunger.stroke_mm * bench_of(profile).ul_per_mm:.0f} µL",
            "Use a larger barrel, or fill it.",
            file=profile.file,
        )
    count = len(placements.boards)
    programs = count if each else -(-count // most)
    # Evenly: six boards of a barrel for five are three and three.
    bounds = [count * k // programs for k in range(programs + 1)]
    return tuple(_part(placements, a, b, size_mm) for a, b in pairwise(bounds))


def _part(placements: Placements, begin: int, end: int, size_mm: Point) -> Placements:
    """Return some of the boards, the others as their neighbours."""
    boards = placements.boards
    others = tuple(
        Neighbour(
            name=board.name,
            corners_mm=tuple(map(_point, corners.tolist())),
            highest_mm=board.surface.highest_mm(box_of(corners)),
        )
        for board in (*boards[:begin], *boards[end:])
        for corners in (corners_mm(size_mm, board.affine),)
    )
    return replace(placements, boards=boards[begin:end], neighbours=(*placements.neighbours, *others))


def _point(pair: list[float]) -> Point:
    x, y = pair
    return x, y


def copies(prepared: Prepared, names: tuple[str, ...]) -> Prepared:
    """Return a board once for each name: pad ids with the name before them, deposits numbered on.

    What is to be told of a pad is told with the first copy.
    """
    board, layout = prepared.board, prepared.layout
    if len(names) == 1:
        return prepared
    deposits: list[Deposit] = []
    plans: list[PadPlan] = []
    for number, name in enumerate(names):
        first = len(deposits)
        for deposit in layout.deposits:
            shares = tuple(
                structs.replace(share, pad_id=f"{name}/{share.pad_id}") for share in deposit.shares
            )
            deposits.append(
                structs.replace(deposit, index=first + deposit.index, shares=shares, board=number)
            )
        plans.extend(
            structs.replace(
                plan,
                pad_id=f"{name}/{plan.pad_id}",
                bridges=tuple(structs.replace(one, other=f"{name}/{one.other}") for one in plan.bridges),
                deposits=tuple(first + index for index in plan.deposits),
                warnings=plan.warnings if number == 0 else (),
                board=number,
            )
            for plan in layout.pads
        )
    return replace(
        prepared,
        board=replace(
            board,
            name=f"{board.name}, boards {', '.join(names)}",
            pads=tuple(structs.replace(pad, id=f"{name}/{pad.id}") for name in names for pad in board.pads),
        ),
        doses=tuple(_dose_copies(prepared.doses, names)),
        layout=replace(layout, deposits=tuple(deposits), pads=tuple(plans)),
    )


def _dose_copies(doses: tuple[Dose, ...], names: tuple[str, ...]) -> Iterator[Dose]:
    for number, name in enumerate(names):
        for dose in doses:
            warnings = dose.warnings if number == 0 else ()
            yield structs.replace(dose, pad_id=f"{name}/{dose.pad_id}", warnings=warnings)


def _silent(_stage: str) -> None:
    return


def plan_tray(prepared: Prepared, placements: Placements, profile: Profile) -> tuple[Plan, ...]:
    """Return the verified plans of a tray, as `decide_tray` decides them."""
    return tuple(judged(each) for each in decide_tray(prepared, placements, profile))


def decide_tray(
    prepared: Prepared,
    placements: Placements,
    profile: Profile,
    *,
    each: bool = False,
    dry: bool = False,
    job: Job = NO_JOB,
    on_stage: Callable[[str], None] = _silent,
) -> tuple[Decided, ...]:
    """Return what is decided for a tray, program by program in the order they are to be run; the barrel is full before each.

    `each` makes one program for every board.
    """
    need = need_of(prepared, profile)
    return tuple(
        decide_prepared(
            copies(prepared, tuple(board.name for board in run.boards)),
            profile,
            dry=dry,
            placements=run,
            job=job,
            on_stage=on_stage,
        )
        for run in runs_of(placements, need, profile, size_mm=prepared.board.size_mm, each=each)
    )
